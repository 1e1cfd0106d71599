"""A shot's files before the first frame: read the facts, settle the frames, look at every header."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from fractions import Fraction
from pathlib import Path
from typing import TypeVar

from widegauge.depth import metres
from widegauge.errors import Mistake, SettingsError, WidegaugeError, mistake
from widegauge.measure.noise import frames_to_read
from widegauge.media.footage import list_frames, listed, open_footage
from widegauge.media.sequence import IMAGE_EXTENSIONS, is_pattern
from widegauge.media.whole import Look, look
from widegauge.plan import geometry
from widegauge.plate import Plate, open_plate
from widegauge.presets import PresetFile
from widegauge.run.job import output_kind, refuse_sources
from widegauge.shot import Shot, load_shot
from widegauge.shotlist import Entry
from widegauge.units import parse_frames

T = TypeVar("T")


@dataclass
class Found:
    """What is known of a shot so far; ``plate`` is None where its files can't be opened."""

    entry: Entry
    out: Path
    problems: list[str] = field(default_factory=list)
    remarks: list[str] = field(default_factory=list)
    preset: PresetFile | None = None
    plate: Plate | None = None
    picture_px: tuple[int, int] | None = None
    kind: str = ""

    @property
    def numbers(self) -> tuple[int, ...]:
        return self.plate.footage.numbers if self.plate else ()

    def each(self, read: Callable[[], T]) -> T | None:
        """What ``read`` gives; None, and its mistakes among the problems, where it fails."""
        try:
            return read()
        except WidegaugeError as error:
            for text in sentences(error, self.entry.at):
                if text not in self.problems:
                    self.problems.append(text)
        return None


@dataclass(frozen=True, slots=True)
class View:
    """A file to look at: for which frames, as picture (of a part) or as depth map (channel and part) or both."""

    path: Path
    numbers: tuple[int, ...]
    picture: bool
    part: str | None
    plane: tuple[str | None, str | None] | None

    def look(self) -> Look | str:
        """Its header, or what is wrong with it."""
        try:
            return look(self.path, picture=self.picture, part=self.part, plane=self.plane)
        except WidegaugeError as error:
            return str(error)
        except OSError as error:
            return f"{self.path}: can't be read ({error.strerror})"


def sentences(error: WidegaugeError, at: str) -> list[str]:
    """What an error says, mistakes one by one; options stand where the list does."""
    if not isinstance(error, SettingsError):
        return [str(error)]
    return [str(_placed(each, at)) for each in error.mistakes]


def open_shot(entry: Entry, out: Path, *, preset: Callable[[], PresetFile], proxy: Fraction) -> Found:
    """Find a shot's files and lay out its picture; every mistake is among the problems."""
    found = Found(entry, out)
    if entry.wrong:
        found.problems.extend(map(str, entry.wrong))
        return found
    shot = found.each(lambda: load_shot(entry.shot, over=entry.facts))
    settings = found.preset = found.each(preset)
    if shot is None:
        return found
    frames = found.each(lambda: _settled(found, shot))
    plate = found.plate = found.each(lambda: open_plate(shot, frames=frames)) if frames != "" else None
    if plate is None:
        _look_on(found, shot, frames)
        return found
    found.entry = replace(entry, frames=_written(plate.footage.numbers))
    if missing := set(plate.footage.missing_numbers) & set(plate.footage.numbers):
        found.remarks.append(f"{listed(missing)} missing: {shot.footage.missing}, as the shot file says")
    found.each(lambda: refuse_sources(plate, out))
    found.each(lambda: _check_focus(shot))
    if settings is not None:
        probe = plate.footage.probe
        found.kind = output_kind(plate, settings)
        laid = found.each(
            lambda: geometry(
                shot, settings, footage_px=plate.footage_px, pixel_aspect=probe.pixel_aspect, proxy=float(proxy)
            )
        )
        found.picture_px = (laid[2].width_px, laid[2].height_px) if laid else None
        if settings.stage("defocus") is not None and (shot.depth is None or shot.focus is None):
            lacks = "depth" if shot.depth is None else "focus"
            found.remarks.append(f"no {lacks}: defocus will be left out; give [{lacks}] in {shot.file.name} to have it")
    return found


def views(found: Found) -> list[View]:
    """Every file that the shot's frames are read from, those that are measured before the first frame included."""
    plate = found.plate
    if plate is None:
        return []
    shot, footage = plate.shot, plate.footage
    missing = set(footage.missing_numbers)
    wanted = [n for n in footage.numbers if n not in missing]
    before: list[int] = []
    if shot.camera.noise == "measure" and found.preset is not None and found.preset.stage("grain") is not None:
        before = [n for n in frames_to_read(plate.numbers) if n not in missing]
    pictures: dict[Path, list[int]] = defaultdict(list)
    maps: dict[Path, list[int]] = defaultdict(list)
    if footage.probe.kind != "movie":
        for number in dict.fromkeys((*wanted, *before)):
            pictures[footage.path(number)].append(number)
    if plate.depth:
        for number in (*wanted, *plate.numbers[:1]):
            if number in plate.depth:
                maps[plate.depth[number]].append(number)
    facts = shot.depth
    return [
        View(
            path,
            tuple(dict.fromkeys((*pictures.get(path, ()), *maps.get(path, ())))),
            path in pictures,
            shot.footage.part,
            (facts.channel if path.suffix.lower() == ".exr" else None, facts.part) if facts and path in maps else None,
        )
        for path in dict.fromkeys((*pictures, *maps))
    ]


def judge(found: Found, looks: Mapping[View, Look | str], *, mending: bool) -> None:
    """Add what the headers say; with ``mending`` a frame that can't be read stops nothing."""
    plate = found.plate
    if plate is None:
        return
    bad = found.remarks if mending else found.problems
    wrong: dict[str, list[int]] = defaultdict(list)
    texts: dict[str, str] = {}
    kinds: dict[str, list[int]] = defaultdict(list)
    width, height = plate.footage_px
    for view, seen in looks.items():
        if isinstance(seen, str):
            said = seen.removeprefix(f"{view.path}: ")
            key = said.partition(":")[0].partition("(")[0]
            texts.setdefault(key, f"{view.path.name} {said}")
            wrong[key].extend(view.numbers)
            continue
        if seen.picture_px is not None and seen.picture_px != plate.footage_px:
            size = f"{seen.picture_px[0]} x {seen.picture_px[1]}"
            texts[size] = f"{size}, the first is {width} x {height}; render them again at the footage's size."
            wrong[size].extend(view.numbers)
        if seen.map_px is not None and not metres.fits(depth_px=seen.map_px, footage_px=plate.footage_px):
            said = metres.sizes_differ(view.path.name, depth_px=seen.map_px, footage_px=plate.footage_px)
            key = f"depth {seen.map_px}"
            texts.setdefault(key, said)
            wrong[key].extend(view.numbers)
        if seen.kind:
            kinds[seen.kind].extend(view.numbers)
    for key, numbers in wrong.items():
        bad.append(f"{_frames(numbers)}: {texts[key]}")
    for kind, numbers in kinds.items():
        if kind != plate.footage.probe.kind:
            first = plate.footage.probe.kind
            found.remarks.append(f"{_frames(numbers)}: {kind}, the first is {first}; see that all were rendered alike")


def _placed(each: Mistake, at: str) -> Mistake:
    return replace(each, file=at, key=each.key or each.file.lstrip("-")) if each.file.startswith("--") else each


def _settled(found: Found, shot: Shot) -> str | None:
    """The frames that are wanted, as ``--frames`` has them: the entry's, and its handles where there are any."""
    entry, facts = found.entry, shot.footage
    try:
        asked = parse_frames(entry.frames) if entry.frames else None
    except ValueError as error:
        raise mistake(entry.at, "frames", f'"{entry.frames}"', str(error), "correct the range") from None
    if not entry.handles:
        return entry.frames
    place = shot.at(facts.path)
    whole = parse_frames(facts.frames) if facts.frames else None
    if whole is not None and asked is None:
        asked = whole
    if place.is_file() and place.suffix.lower() not in IMAGE_EXTENSIONS and not is_pattern(place):
        there = open_footage(place).all_numbers
    else:
        there = tuple(list_frames(place))
    if asked is None:
        return None
    low = max(min(there), whole[0]) if whole is not None else min(there)
    high = min(max(there), whole[-1]) if whole is not None else max(there)
    before = max(0, min(entry.handles, (asked[0] - low) // asked.step))
    after = max(0, min(entry.handles, (high - asked[-1]) // asked.step))
    if (before, after) != (entry.handles, entry.handles):
        found.remarks.append(f"handles of {before} and {after} frames, not {entry.handles}: there are no more")
    return _written(range(asked[0] - before * asked.step, asked[-1] + after * asked.step + 1, asked.step))


def _look_on(found: Found, shot: Shot, frames: str | None) -> None:
    """Where frames are missing, open the rest all the same, for the mistakes in the depth."""
    facts = {name: dict(table) for name, table in found.entry.facts.items()}
    facts["footage"] = facts.get("footage", {}) | {"missing": "hold"}
    try:
        open_plate(load_shot(found.entry.shot, over=facts), frames=frames)
    except SettingsError as error:
        for each in error.mistakes:
            if each.key.startswith("depth") and str(each) not in found.problems:
                found.problems.append(str(each))
    except WidegaugeError:
        pass


def _check_focus(shot: Shot) -> None:
    if shot.focus is None:
        return
    if shot.focus.point is not None:
        if shot.depth is None:
            remedy = "give [depth], or focus.distance_m"
            raise mistake(shot.file, "focus.point", None, "is read from the depth, and there is none", remedy)
        return
    try:
        shot.focus.pull_m(shot.lens.focal_behind_reducer_mm, None)
    except ValueError as error:
        raise mistake(shot.file, "focus", None, str(error), "check the tape, in metres") from None


def _written(numbers: tuple[int, ...] | range) -> str:
    """Frame numbers in even steps as a range."""
    first, last = numbers[0], numbers[-1]
    step = numbers[1] - first if len(numbers) > 1 else 1
    return str(first) if len(numbers) == 1 else f"{first}-{last}x{step}" if step > 1 else f"{first}-{last}"


def _frames(numbers: list[int]) -> str:
    return f"frame{'s' if len(set(numbers)) > 1 else ''} {listed(set(numbers))}"
