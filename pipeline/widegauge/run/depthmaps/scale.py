"""Relative maps to metres: tapes read, lines fitted, once a shot or over time, and the maps written."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path

import numpy as np

from widegauge.depth import metres
from widegauge.depth.plausible import Reach, ends_of, reach_of
from widegauge.depth.scale import Fit, Found, Line, Tape, fit_line, value_at
from widegauge.depth.steady import Change, unchanged
from widegauge.errors import MediaError, Mistake, SettingsError, mistake
from widegauge.frame import Float32
from widegauge.media.footage import list_frames, listed
from widegauge.media.images import read_channel
from widegauge.physics.lens import FocusPull
from widegauge.plate import Plate
from widegauge.run.depthmaps.write import depth_name, write_depth


@dataclass(frozen=True, slots=True)
class Maps:
    """The relative maps of a shot.

    files       by frame
    channel     of an EXR; None takes the only one
    is_inverse  near is large; else far is
    invalid     the value that means not known, or None
    """

    files: Mapping[int, Path]
    channel: str | None
    is_inverse: bool
    invalid: float | None

    def read(self, number: int) -> Float32:
        """A frame's values, not-a-number where they are not known."""
        values = read_channel(self.files[number], self.channel)
        unknown = ~np.isfinite(values)
        if self.invalid is not None:
            unknown |= values == np.float32(self.invalid)
        return np.where(unknown, np.float32(np.nan), values)


@dataclass(frozen=True, slots=True)
class Scaled:
    """Lines for every frame, and each tape beside what they make of it.

    lines    (frame, line): one for the shot, or one for each frame with tapes
    reaches  what each line makes of the maps that its tapes are on
    changes  of each frame's values against the first's, taken away before the lines; empty when not asked for
    """

    lines: tuple[tuple[int, Line], ...]
    reaches: tuple[Reach, ...]
    tapes: tuple[Found, ...]
    changes: Mapping[int, Change]

    def line(self, number: int) -> Line:
        """A frame's line: slope and intercept pass smoothly through those of the frames with tapes, held beyond."""
        frames = [frame for frame, _ in self.lines]
        if len(frames) == 1 or number <= frames[0] or number >= frames[-1]:
            return self.lines[0 if number <= frames[0] else -1][1]
        from scipy.interpolate import PchipInterpolator

        marks = np.array([(line.slope, line.intercept) for _, line in self.lines])
        slope, intercept = (float(v) for v in PchipInterpolator(frames, marks)(number))
        return Line(slope, intercept, self.lines[0][1].is_inverse)

    def metres(self, values: Float32, number: int) -> Float32:
        """A frame's values as distances."""
        if number in self.changes:
            values = self.changes[number].undone(values)
        return self.line(number).metres(values)


def open_maps(
    path: Path,
    plate: Plate,
    *,
    channel: str | None,
    is_inverse: bool,
    invalid: float | None,
    tapes: Sequence[Tape],
    out: Path,
) -> Maps:
    """Find the maps; SettingsError where frames lack one, sizes do not fit, or a tape is on a frame without.

    ``out`` may not be their own folder.
    """
    maps = Maps(list_frames(path), channel, is_inverse, invalid)
    wrong = []
    lacking = [n for n in plate.footage.numbers if n not in maps.files and n not in plate.footage.missing_numbers]
    if lacking:
        rule = f"no map for frame {listed(lacking)}; maps are numbered like the footage"
        wrong.append(Mistake("MAPS", "", f'"{path}"', rule, "add them, or give --frames"))
    for tape in tapes:
        if tape.frame is not None and tape.frame not in maps.files:
            rule = f"there is no map of frame {tape.frame}"
            wrong.append(
                Mistake("--tape", "", str(tape), rule, f"maps run from {min(maps.files)} to {max(maps.files)}")
            )
    if not wrong:
        height, width = maps.read(next(n for n in plate.footage.numbers if n in maps.files)).shape
        if not metres.fits(depth_px=(width, height), footage_px=plate.footage_px):
            said = metres.sizes_differ("MAPS", depth_px=(width, height), footage_px=plate.footage_px)
            rule, _, remedy = said.removeprefix("MAPS: ").partition(". ")
            wrong.append(Mistake("MAPS", "", f'"{path}"', rule, remedy.rstrip(".")))
    if out.resolve() in {file.parent.resolve() for file in maps.files.values()}:
        wrong.append(Mistake("--out", "", f'"{out}"', "is the folder of the maps", "choose another folder"))
    if wrong:
        raise SettingsError(wrong)
    return maps


def fit_tapes(
    plate: Plate,
    maps: Maps,
    tapes: Sequence[Tape],
    *,
    is_proportional: bool = False,
    is_drifting: bool = False,
    is_refit: bool = False,
) -> Scaled:
    """Fit the tapes: one line for the shot, or (``is_drifting``) one for each frame that has tapes of its own.

    A tape without a frame is on the shot's first frame that has a map, whatever part is asked for.
    ``is_refit`` first takes away what changes from frame to frame where the picture only moves.
    SettingsError where no line can be had, or one that makes no sense of the maps, with what to tape instead.
    """
    first = next(n for n in plate.numbers if n in maps.files)
    placed = [(first if tape.frame is None else tape.frame, tape) for tape in tapes]
    frames = sorted({n for n, _ in placed})
    changes = _changes(plate, maps, first, last=max(frames[-1], plate.footage.numbers[-1])) if is_refit else {}
    read = {n: changes[n].undone(maps.read(n)) if n in changes else maps.read(n) for n in frames}
    groups = [[each for each in placed if each[0] == n] for n in frames] if is_drifting else [placed]
    valued = [[value_at(read[n], tape.x, tape.y) for n, tape in group] for group in groups]
    _refuse_unknown(placed, [value for values in valued for value in values])
    lines, reaches, found = [], [], []
    focus: FocusPull | None = None
    for group, values in zip(groups, valued, strict=True):
        there = [read[n] for n in sorted({n for n, _ in group})]
        distances = [tape.metres for _, tape in group]
        fit_to = partial(
            fit_line, values, distances,
            is_inverse=maps.is_inverse, is_proportional=is_proportional, ends=ends_of(there),
        )  # fmt: skip
        try:
            if focus is None:
                focus = _focus(plate, read[frames[0]], fit_to)
            at = None if focus is None else [focus.distance_m(n) for n, _ in group]
            fit = fit_to(focus_m=at)
            reach = reach_of(fit, there, values=values, metres=distances, focus_m=at, is_proportional=is_proportional)
        except MediaError as error:
            rule, _, remedy = str(error).partition("; ")
            raise mistake("--tape", "", None, rule, remedy or "tape a near and a far point") from None
        lines.append((group[0][0], fit.line))
        reaches.append(reach)
        for i, ((n, tape), value) in enumerate(zip(group, values, strict=True)):
            focus_m = None if at is None else at[i]
            on = replace(tape, frame=n)
            found.append(Found(on, value, fit.line.metres_at(value), focus_m, fit.wrong == i, fit.is_sure))
    return Scaled(tuple(lines), tuple(reaches), tuple(found), changes)


def write_scaled(plate: Plate, maps: Maps, scaled: Scaled, *, out: Path) -> Iterator[int]:
    """Write each frame's map in metres; its number, when it is done."""
    for number in plate.footage.numbers:
        if number in maps.files:
            write_depth(out / depth_name(plate.footage, number), scaled.metres(maps.read(number), number))
            yield number


def _focus(plate: Plate, values: Float32, fit: Callable[[], Fit]) -> FocusPull | None:
    """Where the lens was focused; where that is a point of the picture, by a first fit that does not know it."""
    facts, at_point_m = plate.shot.focus, None
    if facts is None:
        return None
    if facts.point is not None:
        at_point_m = fit().line.metres_at(value_at(values, *facts.point))
        if math.isnan(at_point_m):
            x, y = facts.point
            rule, remedy = "the map is not known there", "move it onto something whose depth is known, or tape it"
            raise mistake(plate.shot.file, "focus.point", f"[{x:g}, {y:g}]", rule, remedy)
    try:
        return facts.pull_m(plate.shot.lens.focal_behind_reducer_mm, at_point_m)
    except ValueError as error:
        raise mistake(plate.shot.file, "focus", None, str(error), "check the tape, in metres") from None


def _refuse_unknown(tapes: Sequence[tuple[int, Tape]], values: Sequence[float]) -> None:
    wrong = [
        Mistake("--tape", "", str(tape), f"the map of frame {n} is not known there",
                "tape a place where it is, or move x, y onto the thing that was taped")
        for (n, tape), value in zip(tapes, values, strict=True) if math.isnan(value)
    ]  # fmt: skip
    if wrong:
        raise SettingsError(wrong)


def _changes(plate: Plate, maps: Maps, first: int, *, last: int) -> dict[int, Change]:
    """Each frame's change against the shot's first, through all frames between."""
    numbers = [n for n in plate.numbers if n in maps.files and first <= n <= last]
    changes = {numbers[0]: Change(1.0, 0.0)}
    before = maps.read(numbers[0])
    shown = plate.linear(plate.read(numbers[0]))[0]
    for i, number in enumerate(numbers[1:]):
        after, light = maps.read(number), plate.linear(plate.read(number))[0]
        changes[number] = changes[numbers[i]].then(unchanged(before, after, shown, light))
        before, shown = after, light
    return changes
