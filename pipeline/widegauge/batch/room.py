"""Where a shot's frames go: whether they can, what is there already, and whether the disk holds them all."""

from __future__ import annotations

import json
import os
import tempfile
from collections.abc import Sequence
from dataclasses import dataclass, replace
from fractions import Fraction
from pathlib import Path
from typing import Any

from widegauge import __version__
from widegauge.batch.shotfiles import Found
from widegauge.report.batchcheck import Disk, ShotCheck, size
from widegauge.run.job import output_name
from widegauge.run.lock import is_held
from widegauge.run.record import Record, read_record, settings_of, strangers


@dataclass(frozen=True, slots=True)
class There:
    """What lies in an output folder: finished frames by the record, and bytes of others that will be replaced."""

    before: frozenset[int]
    stale_bytes: int


def look_at_output(found: Found, *, proxy: Fraction) -> There:
    """Add the problems and remarks of a shot's output folder."""
    nothing = There(frozenset(), 0)
    if found.entry.wrong:
        return nothing
    place = existing(found.out)
    try:
        tempfile.TemporaryFile(dir=place).close()
    except OSError as error:
        reason = "it is a file" if place.exists() and not place.is_dir() else error.strerror
        found.problems.append(f"{place}: can't write there ({reason}). Choose another folder, or mend its permissions.")
        return nothing
    if found.plate is None or found.preset is None or place != found.out:
        return nothing
    if is_held(found.out):
        found.problems.append(f"{found.out}: is being written to by another program. Wait for it, or choose another.")
    sizes = {each.name: each.stat().st_size for each in os.scandir(found.out) if each.is_file()}
    names = {output_name(found.plate, number, kind=found.kind): number for number in found.numbers}
    path = found.out / f"{found.plate.shot.name}.record.json"
    same, key, frames = _recorded(path, found, proxy=proxy)
    mixed = strangers(found.out, Record(path, key if same else "", {}, {}), set(names))
    if mixed:
        found.problems.append(
            f"{found.out}: holds {mixed[0]} (of {len(mixed)}) made with other settings, or from another shot. Choose "
            "another folder, or finish the whole shot anew."
        )
    by_name = {frame["output"]: frame for frame in frames.values() if not frame.get("mended")}
    whole = {name for name in names if name in by_name and sizes.get(name) == by_name[name]["bytes"]}
    if whole and not same:
        found.remarks.append(f"{len(whole)} frames are finished with other settings, and will be made anew")
        whole = set()
    elif whole:
        found.remarks.append(
            f"{len(whole)} of {len(names)} frames are finished, by the record; they stay if their sources are the same"
        )
    stale = sum(count for name, count in sizes.items() if name in names and name not in whole)
    return There(frozenset(names[name] for name in whole), stale)


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
            disks[device] = Disk(place, free[device], 0)
        left = f"of the {size(free[device])} free there, those before it take {size(disks[device].bytes)}"
        if sure[device] + shot.least_bytes > free[device]:
            text = f"{place}: no room for {size(shot.bytes)}; {left}. Free some space, or give it another disk in out."
            told.append(replace(shot, problems=(text,)))
            continue
        sure[device] += shot.least_bytes
        if disks[device].bytes + shot.bytes > free[device]:
            text = f"may not fit: it takes about {size(shot.bytes)}, and {left}; the night stops there if it is full"
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


def _recorded(path: Path, found: Found, *, proxy: Fraction) -> tuple[bool, str, dict[str, Any]]:
    """Whether a record was made with these settings, as far as a person wrote them; its key and its frames."""
    if found.plate is None or found.preset is None:
        return False, "", {}
    wanted = settings_of(found.plate.shot, found.preset, kind=found.kind, proxy=proxy)
    try:
        data = read_record(path)
        same = data["widegauge"] == __version__ and data["settings"] == json.loads(json.dumps(wanted, default=str))
        return same, str(data["key"]), dict(data["frames"])
    except (OSError, ValueError, KeyError, TypeError):
        return False, "", {}
