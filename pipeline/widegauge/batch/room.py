"""Where a shot's frames go: whether they can, what is there already, and whether the disk holds them all."""

from __future__ import annotations

import json
import os
import tempfile
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from fractions import Fraction
from pathlib import Path

from widegauge import __version__
from widegauge.batch.shotfiles import Found
from widegauge.errors import Mistake
from widegauge.media.footage import listed
from widegauge.report.batchcheck import Disk, ShotCheck, size
from widegauge.run.job import output_name
from widegauge.run.lock import is_held
from widegauge.run.record import FrameRecord, Record, read_record, settings_of, strangers


@dataclass(frozen=True, slots=True)
class There:
    """What lies in an output folder.

    finished     frames by the record that were made with these settings, whole by their size
    stand_ins    numbers of those that were held or blackened, to be tried again
    stale_bytes  of others that will be replaced
    notes        of the record's plan
    record       its file, where it says anything of these settings
    """

    finished: Mapping[int, FrameRecord] = field(default_factory=dict)
    stand_ins: tuple[int, ...] = ()
    stale_bytes: int = 0
    notes: Mapping[str, str] = field(default_factory=dict)
    record: Path | None = None


def look_at_output(found: Found, *, proxy: Fraction) -> There:
    """Add the problems and remarks of a shot's output folder."""
    nothing = There()
    if found.entry.wrong:
        return nothing
    place = existing(found.out)
    try:
        tempfile.TemporaryFile(dir=place).close()
    except OSError as error:
        reason = "it is a file" if place.exists() and not place.is_dir() else error.strerror
        found.problems.append(f"{place}: can't write there ({reason}). Choose another folder, or mend its permissions.")
        return nothing
    if found.plate is None or found.preset is None or place != found.out.absolute():
        return nothing
    if is_held(found.out):
        found.problems.append(f"{found.out}: is being written to by another program. Wait for it, or choose another.")
    sizes = {each.name: each.stat().st_size for each in os.scandir(found.out) if each.is_file()}
    names = {output_name(found.plate, number, kind=found.kind): number for number in found.numbers}
    path = found.out / f"{found.plate.shot.name}.record.json"
    known = _recorded(path, found, proxy=proxy)
    ours = Record(path, known.key if known.same else "", {}, {})
    if mixed := strangers(found.out, ours, set(names), proxy=proxy):
        found.problems.append(str(Mistake(str(found.out), "", "", *mixed)))
    written = {frame.output: frame for frame in known.frames.values() if sizes.get(frame.output) == frame.bytes}
    whole = {names[name]: frame for name, frame in written.items() if name in names and not frame.mended}
    stand_ins = tuple(sorted(names[name] for name, frame in written.items() if name in names and frame.mended))
    if whole and not known.same:
        found.remarks.append(f"{len(whole)} frames are finished with other settings, and will be made anew")
        whole = {}
    if stand_ins and known.same:
        found.remarks.append(f"{listed(stand_ins)} failed in an earlier run, and something stands in; tried again")
    stale = sum(count for name, count in sizes.items() if name in names and names[name] not in whole)
    if not known.same:
        return There(stale_bytes=stale)
    return There(whole, stand_ins, stale, known.notes, path)


def fit(shots: Sequence[ShotCheck]) -> tuple[tuple[ShotCheck, ...], tuple[Disk, ...]]:
    """Shots in the night's order against the space on their disks.

    A shot that can't fit behind those before it is refused, and what comes after may still fit; one that may not fit
    gets a remark.
    """
    free: dict[int, int] = {}
    disks: dict[int, Disk] = {}
    sure: dict[int, int] = {}
    told: list[ShotCheck] = []
    for shot in shots:
        if shot.problems:
            told.append(shot)
            continue
        place = existing(shot.out)
        device = place.stat().st_dev
        if device not in disks:
            space = os.statvfs(place)
            free[device], sure[device] = space.f_bavail * space.f_frsize, 0
            disks[device] = Disk(_mount(place), free[device], 0)
        taken = disks[device].bytes
        left = f"{size(free[device])} are free there" + (
            f", of which those before it take {size(taken)}" if taken else ""
        )
        if sure[device] + shot.least_bytes > free[device]:
            text = f"{place}: no room for {size(shot.bytes)}: {left}. Free some space, or give it another disk in out."
            told.append(replace(shot, problems=(text,)))
            continue
        sure[device] += shot.least_bytes
        if disks[device].bytes + shot.bytes > free[device]:
            text = f"may not fit: it takes about {size(shot.bytes)}, and {left}; its disk may be full before it is done"
            shot = replace(shot, remarks=(*shot.remarks, text))
        disks[device] = replace(disks[device], bytes=disks[device].bytes + shot.bytes)
        told.append(shot)
    return tuple(told), tuple(disks.values())


def existing(folder: Path) -> Path:
    """The folder, or the nearest above it that is there."""
    place = folder.absolute()
    while not place.exists() and place != place.parent:
        place = place.parent
    return place


def _mount(place: Path) -> Path:
    return next(each for each in (place, *place.parents) if each.is_mount() or each == each.parent)


@dataclass(frozen=True, slots=True)
class _Recorded:
    """What a record says, and whether it was made with the ``same`` settings, as far as a person wrote them."""

    same: bool = False
    key: str = ""
    frames: Mapping[int, FrameRecord] = field(default_factory=dict)
    notes: Mapping[str, str] = field(default_factory=dict)


def _recorded(path: Path, found: Found, *, proxy: Fraction) -> _Recorded:
    if found.plate is None or found.preset is None:
        return _Recorded()
    wanted = settings_of(found.plate.shot, found.preset, kind=found.kind, proxy=proxy)
    try:
        data = read_record(path)
        same = data["widegauge"] == __version__ and data["settings"] == json.loads(json.dumps(wanted, default=str))
        frames = {int(n): FrameRecord(**frame) for n, frame in data["frames"].items()}
        return _Recorded(same, str(data["key"]), frames, dict(data["plan"]["notes"]))
    except (OSError, ValueError, KeyError, TypeError):
        return _Recorded()
