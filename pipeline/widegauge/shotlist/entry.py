"""One shot of a list, and the order in which a night takes them."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from widegauge.errors import Mistake


@dataclass(frozen=True, slots=True)
class Entry:
    """One shot of a list.

    at         where it stands, for people: "night.csv, line 7"
    name       its folder below the night's output, or an absolute path on another disk
    shot       the shot file
    preset     a preset's name, or a file
    priority   higher goes first; equal ones in the list's order
    frames     "1001-1048"; the shot file's own range when None
    handles    frames more at both ends, as far as the footage goes
    overrides  "stage.key=value", laid over the preset
    facts      tables laid over the shot file's
    wrong      why its line can't be used; then only ``at`` and ``name`` mean anything for certain
    """

    at: str
    name: str
    shot: Path
    preset: str
    priority: int = 0
    frames: str | None = None
    handles: int = 0
    overrides: tuple[str, ...] = ()
    facts: Mapping[str, Mapping[str, Any]] = field(default_factory=dict)
    wrong: tuple[Mistake, ...] = ()


def in_order(entries: Iterable[Entry]) -> tuple[Entry, ...]:
    """The night's order: higher priority first, equal ones as the list has them."""
    return tuple(sorted(entries, key=lambda entry: -entry.priority))
