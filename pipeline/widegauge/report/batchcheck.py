"""What a batch would do, in words: problems first, then a line a shot, disks and time."""

from __future__ import annotations

import textwrap
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Protocol

from widegauge.report.words import aligned
from widegauge.shotlist import Entry

WIDTH = 110

_WORDS: dict[str, Any] = {"break_long_words": False, "break_on_hyphens": False}

PIXELS_UNREAD = (
    "Headers were read, pixels were not: a damaged block within a file of the right length shows when its frame is "
    "worked."
)

_RECALLED = "by the records of frames that were finished before, of"
_MEASURED = "up to three frames each were finished for this, of"


@dataclass(frozen=True, slots=True)
class ShotCheck:
    """A shot as the check found it.

    entry       with its frames settled, where they could be
    out         its folder
    problems    a sentence each: why it can't be done as it is, and what to do
    remarks     what is worth knowing and stops nothing
    total       frames that are wanted; of them ``before`` are finished, by the record
    record      the record of an earlier run with these settings; None where there is none
    picture_px  width and height of a finished frame
    kind        what frames are written as
    bytes       estimate of what will be written; at least ``least_bytes``
    seconds     estimate on this machine; None when no frame could be measured
    measured    the shot whose frames were measured for that; "" when none
    by_record   they were not measured now, but finished in an earlier run
    """

    entry: Entry
    out: Path
    problems: tuple[str, ...] = ()
    remarks: tuple[str, ...] = ()
    total: int = 0
    before: int = 0
    record: Path | None = None
    picture_px: tuple[int, int] | None = None
    kind: str = ""
    bytes: int = 0
    least_bytes: int = 0
    seconds: float | None = None
    measured: str = ""
    by_record: bool = False


@dataclass(frozen=True, slots=True)
class Disk:
    """A file system that frames go to: where it is mounted, what is free, and what will be written there."""

    folder: Path
    free_bytes: int
    bytes: int


class Checks(Protocol):
    """All that a check found; the shots in the night's order."""

    @property
    def shots(self) -> Sequence[ShotCheck]: ...

    @property
    def disks(self) -> Sequence[Disk]: ...

    @property
    def hands(self) -> int:
        """Frames in flight that times are for."""


def check_text(checked: Checks, *, width: int = WIDTH) -> str:
    """All problems, then what would be done, in lines no wider than ``width`` where words allow it."""
    bad = [shot for shot in checked.shots if shot.problems]
    good = [shot for shot in checked.shots if not shot.problems]
    blocks: list[list[str]] = []
    if bad:
        blocks.append([f"{_count(len(bad), 'shot')} of {len(checked.shots)} can't be done as things are now:"])
        blocks += _told(bad, [shot.problems for shot in bad])
    if good:
        which = _count(len(good), "shot") if not bad else "The others" if len(good) > 1 else "The other shot"
        head = f"{which} will be done{', in this order' if len(good) > 1 else ''}:"
        blocks.append([head, "", *_table(good)])
        if remarks := _told(good, [shot.remarks for shot in good]):
            blocks.append(["To know:", *(line for block in remarks for line in block)])
        blocks.append([*_totals(good, checked), PIXELS_UNREAD])
    else:
        blocks.append(["Nothing will be done."])
    return folded("\n\n".join("\n".join(block) for block in blocks), width=width)


def folded(text: str, *, width: int = WIDTH) -> str:
    """The text with long lines broken between words; what follows stands two further in."""
    lines: list[str] = []
    for line in text.split("\n"):
        indent = " " * (len(line) - len(line.lstrip()) + 2) if line.startswith(" ") else ""
        lines += [line] if len(line) <= width else textwrap.wrap(line, width, subsequent_indent=indent, **_WORDS)
    return "\n".join(lines)


def duration(seconds: float) -> str:
    """A length of time as exact as an estimate is: "40 s", "12 min", "3 h 20 min"."""
    if seconds < 90.0:
        return f"{max(1, round(seconds))} s"
    minutes = round(seconds / 60.0)
    if minutes < 60:
        return f"{minutes} min"
    hours, minutes = divmod(5 * round(minutes / 5), 60)
    return f"{hours} h {minutes} min" if minutes and hours < 24 else f"{hours} h"


def size(count: int) -> str:
    """Bytes in decimal units: "380 kB", "12.3 GB"."""
    amount, unit = float(count), "bytes"
    for larger in ("kB", "MB", "GB", "TB"):
        if amount < 999.5:
            break
        amount, unit = amount / 1000.0, larger
    return f"{amount:.3g} {unit}"


def _table(shots: Sequence[ShotCheck]) -> list[str]:
    rows = [("shot", "frames", "done before", "picture", "written as", "to write", "time")]
    for shot in shots:
        width, height = shot.picture_px or (0, 0)
        rows.append(
            (
                shot.entry.name,
                shot.entry.frames or "-",
                f"{shot.before} of {shot.total}",
                f"{width} x {height}",
                shot.kind,
                size(shot.bytes) if shot.bytes else "nothing",
                "-" if shot.seconds is None else duration(shot.seconds) if shot.before < shot.total else "nothing",
            )
        )
    return aligned(rows)


def _totals(shots: Sequence[ShotCheck], checked: Checks) -> list[str]:
    frames, before = sum(shot.total for shot in shots), sum(shot.before for shot in shots)
    lines = [
        f"{_count(frames - before, 'frame')} to finish"
        + (f", {before} are done and stay if their sources are the same." if before else ".")
    ]
    for disk in (disk for disk in checked.disks if disk.bytes):
        free = f"where {size(disk.free_bytes)} are free"
        lines.append(f"About {size(disk.bytes)} to write to the disk at {disk.folder}, {free}.")
    known = [shot for shot in shots if shot.seconds is not None]
    if said := _by(known):
        seconds = sum(shot.seconds or 0.0 for shot in known)
        about = f"About {duration(seconds)} on this machine with {_count(checked.hands, 'frame')} in flight"
        is_guessed = any(shot.measured != shot.entry.name for shot in known)
        others = "; others are taken to need as long for as many pixels" if is_guessed else ""
        lines.append(f"{about}: {said}{others}.")
    if lacking := len(shots) - len(known):
        lines.append(f"No time is known for {_count(lacking, 'shot')}: none of their frames was measured.")
    return lines


def _by(shots: Sequence[ShotCheck]) -> str:
    """Where the estimate of time comes from; "" when it is of nothing."""
    said = []
    for by_record, words in ((True, _RECALLED), (False, _MEASURED)):
        names = sorted({shot.measured for shot in shots if shot.by_record == by_record and shot.before < shot.total})
        if names:
            more = f" and {len(names) - 4} more" if len(names) > 4 else ""
            said.append(f"{words} {', '.join(names[:4])}{more}")
    return "; ".join(said)


def _told(shots: Sequence[ShotCheck], sentences: Sequence[Sequence[str]]) -> list[list[str]]:
    """Shots by name and place, and what is said of them below; those of which the same is said stand together."""
    alike: dict[tuple[str, ...], list[ShotCheck]] = {}
    for shot, said in zip(shots, sentences, strict=True):
        if said:
            alike.setdefault(tuple(text.removeprefix(f"{shot.entry.at}: ") for text in said), []).append(shot)
    return [[f"  {_head(group)}", *(f"    {text}" for text in said)] for said, group in alike.items()]


def _head(group: Sequence[ShotCheck]) -> str:
    if len(group) > 1:
        return ", ".join(shot.entry.name for shot in group)
    entry = group[0].entry
    return entry.at if entry.at.endswith(f", {entry.name}") else f"{entry.name} ({entry.at})"


def _count(count: int, noun: str) -> str:
    return f"{count} {noun}" if count == 1 else f"{count} {noun}s"
