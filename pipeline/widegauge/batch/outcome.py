"""What a night came to: one outcome for each shot of the list."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Literal

from widegauge.shotlist import Entry

Status = Literal["finished", "failed", "refused", "stopped", "waiting"]
"""refused: found wrong before the first frame. stopped: by Ctrl-C or a lost crew. waiting: not begun."""


@dataclass(frozen=True, slots=True)
class Outcome:
    """What became of one shot.

    sentence   for a person: what was done, or why not and what to do
    out        its folder; the record lies there as ``record``
    total      frames that were wanted; of them ``done`` are written, ``before`` of these before this run
    troubles   a sentence for each frame that failed
    mended     of the frames that are written, those that were held or blackened since they failed, by what was done
    seconds    from its first frame's start to its last one's end, this run
    """

    entry: Entry
    status: Status
    sentence: str
    out: Path
    record: Path | None = None
    total: int = 0
    done: int = 0
    before: int = 0
    troubles: Mapping[int, str] = field(default_factory=dict)
    mended: Mapping[int, str] = field(default_factory=dict)
    seconds: float = 0.0

    @property
    def stand_ins(self) -> str:
        """How many of the frames that are written are no finished ones: "2 held, 1 black"; "" for none."""
        black = sum(what.startswith("black") for what in self.mended.values())
        kinds = ((len(self.mended) - black, "held"), (black, "black"))
        return ", ".join(f"{count} {kind}" for count, kind in kinds if count)
