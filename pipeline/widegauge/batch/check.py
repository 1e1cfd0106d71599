"""Look at a whole night before its first frame: every file of every range, settings, folders, disks, and time."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field, replace
from fractions import Fraction
from functools import cache
from itertools import chain
from pathlib import Path

from widegauge.batch.estimate import LEAST_OF_MEASURED, Measured, measure, raw_bytes, recalled
from widegauge.batch.outcome import Outcome
from widegauge.batch.room import There, fit, look_at_output
from widegauge.batch.shotfiles import Found, View, judge, open_shot, sentences, views
from widegauge.errors import WidegaugeError, mistake
from widegauge.media.sequence import listings_kept
from widegauge.media.whole import Look
from widegauge.presets import PresetFile, load_preset
from widegauge.report.batchcheck import Disk, ShotCheck
from widegauge.run.job import workers_for
from widegauge.shotlist import Entry, in_order
from widegauge.units import parse_scale

EYES = 8
"""Threads that look at files: on a network share they wait more than they work."""

BLOCK = 32
"""Files that a thread looks at in one go."""

MEASURE_S = 20.0
"""So long frames are measured for the estimate of time; what was begun is ended."""


@dataclass(frozen=True, slots=True)
class Checked:
    """What the check found; ``shots`` in the night's order.

    hands    frames in flight that times are for
    seconds  that a frame is expected to take in flight, by the shot's name
    """

    shots: tuple[ShotCheck, ...]
    disks: tuple[Disk, ...]
    hands: int
    seconds: dict[str, float] = field(default_factory=dict)

    @property
    def good(self) -> tuple[Entry, ...]:
        """Shots that can be done, their frames settled."""
        return tuple(shot.entry for shot in self.shots if not shot.problems)

    @property
    def refused(self) -> tuple[Outcome, ...]:
        """An outcome for each shot that can't; a line for each thing wrong with it, and for what is there already."""
        return tuple(
            Outcome(
                shot.entry,
                "refused",
                "\n".join([*shot.problems, *_there(shot)]),
                shot.out,
                shot.record,
                total=shot.total,
                done=shot.before,
                before=shot.before,
            )
            for shot in self.shots
            if shot.problems
        )

    @property
    def remarks(self) -> tuple[str, ...]:
        return tuple(f"{shot.entry.name}: {text}" for shot in self.shots for text in shot.remarks)


def _there(shot: ShotCheck) -> list[str]:
    """What lies in the folder of a shot that is refused."""
    if not shot.record:
        return []
    return [f"{shot.before} of {shot.total} frames are finished from before.", *shot.remarks]


def check(
    entries: Sequence[Entry],
    out: Path,
    *,
    proxy: str = "1",
    on_wait: Callable[[str], None] = lambda _: None,
    measure_s: float = MEASURE_S,
    hands: int = 0,
    mending: bool = False,
) -> Checked:
    """Check every shot of a list whose frames go below ``out``.

    ``on_wait`` is called with a sentence when something takes its time. Frames are measured for about ``measure_s``
    seconds, those of each kind of shot first and one at least; 0: none. ``hands`` frames will be in flight (0: as a
    single machine would have). With ``mending``, frames that can't be read stop no shot. SettingsError when ``proxy``
    is no size.
    """
    try:
        scale = parse_scale(proxy)
    except ValueError as error:
        raise mistake("--proxy", "", f'"{proxy}"', str(error), "see --help") from None
    found = _seen(in_order(entries), out, scale, mending=mending)
    there = [look_at_output(each, proxy=scale) for each in found]
    hands = hands or min((workers_for(each.plate) for each in found if each.plate), default=1)
    measured = _measured(found, there, on_wait, proxy=proxy, measure_s=measure_s, hands=hands, mending=mending)
    shots, disks = fit([_told(*each, hands=hands) for each in zip(found, there, measured, strict=True)])
    seconds = {
        shot.entry.name: known.frame_s(hands) * hands
        for shot, known in zip(shots, measured, strict=True)
        if known and not shot.problems
    }
    return Checked(shots, disks, hands, seconds)


def _seen(entries: Sequence[Entry], out: Path, proxy: Fraction, *, mending: bool) -> list[Found]:
    """Every shot opened, and every header looked at."""

    @cache
    def preset(name: str, overrides: tuple[str, ...]) -> PresetFile | WidegaugeError:
        try:
            return load_preset(name, overrides=overrides)
        except WidegaugeError as error:
            return error

    def preset_of(entry: Entry) -> PresetFile:
        kept = preset(entry.preset, entry.overrides)
        if isinstance(kept, WidegaugeError):
            raise kept
        return kept

    def opened(entry: Entry) -> Found:
        return open_shot(entry, out / entry.name, preset=lambda: preset_of(entry), proxy=proxy)

    with listings_kept(), ThreadPoolExecutor(EYES, thread_name_prefix="check") as pool:
        found = list(pool.map(opened, entries))
        wanted = [views(each) for each in found]
        looked = chain.from_iterable(pool.map(_look, _blocks(wanted)))
        for each, files in zip(found, wanted, strict=True):
            judge(each, dict(zip(files, looked, strict=False)), mending=mending)
    return found


def _blocks(wanted: Sequence[Sequence[View]]) -> Iterator[Sequence[View]]:
    for files in wanted:
        for start in range(0, len(files), BLOCK):
            yield files[start : start + BLOCK]


def _look(block: Sequence[View]) -> list[Look | str]:
    return [view.look() for view in block]


def _measured(
    found: Sequence[Found],
    there: Sequence[There],
    on_wait: Callable[[str], None],
    *,
    proxy: str,
    measure_s: float,
    hands: int,
    mending: bool,
) -> list[Measured | None]:
    """What a frame of each shot takes: of its own, else of one of its kind, else by pixels of one with its preset.

    Frames are measured for those of whose kind no record says it.
    """
    until_s = time.monotonic() + measure_s
    own: dict[int, Measured] = {}
    kinds: dict[tuple[object, ...], Measured] = {}
    for i, (each, lies) in enumerate(zip(found, there, strict=True)):
        width, height = each.picture_px or (0, 0)
        pixels, name = width * height, each.entry.name
        if known := recalled(lies.finished.values(), lies.notes, hands=hands, pixels=pixels, on=name):
            own[i] = known
            kinds.setdefault(_kind(each), known)
            each.remarks.extend(known.notes)
    waiting = [
        i
        for i, (each, lies) in enumerate(zip(found, there, strict=True))
        if not each.problems and set(each.numbers) - lies.finished.keys() and _kind(each) not in kinds
    ]
    if measure_s > 0.0 and waiting:
        on_wait(f"files are looked at; test frames are finished for the estimate of time, for about {measure_s:g} s")
    begun = False
    while measure_s > 0.0 and waiting and (not begun or time.monotonic() < until_s):
        begun = True
        i = next((i for i in waiting if _kind(found[i]) not in kinds), waiting[0])
        waiting.remove(i)
        each = found[i]
        missing = set(each.plate.footage.missing_numbers) if each.plate else set()
        numbers = [n for n in each.numbers if n not in missing]
        width, height = each.picture_px or (0, 0)
        try:
            own[i] = measure(each.entry, numbers, proxy=proxy, pixels=width * height, until_s=until_s)
            kinds.setdefault(_kind(each), own[i])
            each.remarks.extend(own[i].notes)
        except WidegaugeError as error:
            (each.remarks if mending else each.problems).extend(sentences(error, each.entry.at))
    return [own.get(i) or kinds.get(_kind(each)) or _by_pixels(each, kinds) for i, each in enumerate(found)]


def _kind(found: Found) -> tuple[object, ...]:
    entry, plate = found.entry, found.plate
    footage = (plate.footage.probe.kind, plate.footage_px, plate.has_depth) if plate else ()
    return (entry.preset, entry.overrides, *footage, found.picture_px, found.kind)


def _by_pixels(found: Found, kinds: Mapping[tuple[object, ...], Measured]) -> Measured | None:
    """As much a pixel as a measured frame with the same preset, else as any; bytes where written alike, else 0."""
    width, height = found.picture_px or (0, 0)
    ours = _kind(found)
    likest = sorted(kinds, key=lambda key: (key[:2] != ours[:2], key[-1] != ours[-1]))
    if not likest or not kinds[likest[0]].pixels:
        return None
    like = kinds[likest[0]]
    times = width * height / like.pixels
    return replace(
        like,
        wall_s=like.wall_s * times,
        cpu_s=like.cpu_s * times,
        bytes=int(like.bytes * times) if likest[0][-1] == ours[-1] else 0,
        pixels=width * height,
    )


def _told(found: Found, there: There, known: Measured | None, *, hands: int) -> ShotCheck:
    total, before = len(found.numbers), len(there.finished)
    least = likely = 0
    if known is not None and known.bytes:
        least, likely = int(known.bytes * LEAST_OF_MEASURED), known.bytes
    elif found.plate is not None and found.picture_px is not None:
        extra = len(found.plate.footage.probe.channels) - 3
        least, likely = raw_bytes(found.kind, found.picture_px, extra_channels=max(0, extra))
    left = total - before
    return ShotCheck(
        entry=found.entry,
        out=found.out,
        problems=tuple(found.problems),
        remarks=tuple(found.remarks),
        total=total,
        before=before,
        record=there.record,
        picture_px=found.picture_px,
        kind=found.kind,
        bytes=likely * left,
        least_bytes=max(0, least * left - there.stale_bytes),
        seconds=None if known is None else known.setup_s + known.frame_s(hands) * left,
        measured="" if known is None else known.on,
        by_record=known is not None and known.by_record,
    )
