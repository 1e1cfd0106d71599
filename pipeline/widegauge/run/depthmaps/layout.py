"""A layout carried through a shot: outlines, the horizon and distances at every frame, and depth maps from them."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass

import numpy as np

from widegauge.depth import carry, cutout, metres
from widegauge.depth.feet import Foot, foot_of, settled, taped_m
from widegauge.depth.ground import Plane, Stand, laid
from widegauge.depth.layoutfile import Cutout
from widegauge.errors import Mistake, SettingsError
from widegauge.frame import Float32
from widegauge.run.depthmaps.blur import astray
from widegauge.run.depthmaps.layoutjob import SETTLED_FRAMES, Job
from widegauge.run.depthmaps.packed import Packed, packed, unpacked

SURE = 0.7
"""A cut-out carried with less confidence should be drawn again there."""
Point = tuple[float, float]


@dataclass(frozen=True, slots=True)
class Thing:
    """One frame of one thing: its shape, where it stands, and how sure its outline is."""

    inside: Packed
    points: tuple[Point, ...]
    confidence: float
    gone: bool


@dataclass(frozen=True)
class Carried:
    """A layout at every frame on the way.

    horizons   the horizon's y at the left and right edge
    things     by name, then by frame
    inverse_m  by name and frame: 1/Z where it is taped, or at its foot; absent for walls and what lies level
    feet       by name and frame: the place where that holds
    """

    job: Job
    horizons: dict[int, Point]
    things: dict[str, dict[int, Thing]]
    inverse_m: dict[str, dict[int, float]]
    feet: dict[str, dict[int, Foot]]

    def stand(self, number: int) -> Stand:
        return self.job.stand(number, self.horizons[number])

    def inside(self, name: str, number: int) -> cutout.Mask:
        """A thing's shape as it goes into the map: one pixel wider than it was cut."""
        return cutout.widened(unpacked(self.things[name][number].inside))

    def plane(self, name: str, number: int) -> Plane:
        """The card, wall or level that a thing is on a frame."""
        stand, first = self.stand(number), self.job.layout.things[name][0]
        if first.level_m is not None:
            return stand.level(first.level_m)
        points = self.things[name][number].points
        wall = stand.wall((points[0], points[1])) if len(points) == 2 else None
        if wall is not None:
            return wall
        inverse_m, foot = self.inverse_m[name][number], self.feet[name][number]
        return stand.upright((foot.x_px, foot.y_px), inverse_m) if first.upright else stand.facing(inverse_m)

    def background(self, number: int) -> Float32:
        """(H, W) 1/Z of the ground, and of the backing above and behind it.

        What rises above the last ground of a column is not put there by guess: on the sample frame that leaves 70 %
        within a pixel of blur where this leaves 69 %, and 77 % if sky and water too were known for sure.
        """
        stand = self.stand(number)
        ground = stand.level().inverse_m(stand.width_px, stand.height_px)
        return np.maximum(ground, np.float32(1.0 / self.job.layout.ground.backing_m))

    def depth_m(self, number: int) -> Float32:
        """A frame's depth map: metres along the lens axis."""
        cards = [
            (self.inside(name, number), self.plane(name, number))
            for name, frames in self.things.items()
            if not frames[number].gone
        ]
        return laid(self.background(number), cards)

    def focus_m(self, number: int) -> float | None:
        """Where focus lies, read from the map itself where the shot file gives a point; None: it does not say."""
        focus = self.job.plate.shot.focus
        if focus is not None and focus.point is not None:
            return metres.at_point(self.depth_m(number), focus.point)
        return self.job.focus_m(number)

    def requests(self) -> list[str]:
        """A sentence for ground that makes no sense, and for each thing that was lost or doubtful on wanted frames."""
        number = self.job.wanted[0]
        said = self._astray(number)
        for name, frames in self.things.items():
            doubtful = [n for n in self.job.wanted if not frames[n].gone and frames[n].confidence < SURE]
            if doubtful:
                worst = min(doubtful, key=lambda n: frames[n].confidence)
                said.append(
                    f'"{name}" is doubtful on {len(doubtful)} of {len(self.job.wanted)} frames, most on {worst} '
                    f"(confidence {frames[worst].confidence:.2f}, sure from {SURE}): add a [[cutout]] of that name "
                    f"with frame = {worst} and a box or outline there, and run this again"
                )
        return said

    def _astray(self, number: int) -> list[str]:
        """What a frame's map as a whole says against the camera height and the horizon."""
        if np.ptp(self.background(number)) == 0.0:
            left, right = self.horizons[number]
            y = (left + right) / 2.0 / self.job.size_px[1]
            return [
                f"no ground is seen on frame {number} before the backing, with the horizon at y = {y:.3f} and "
                f"backing_m = {self.job.layout.ground.backing_m:g}: if there is, read the horizon again, and "
                "tape the backing"
            ]
        said = astray(self.job.plate, number, self.depth_m(number))
        return [f"frame {number}: {said}. Measure the camera height again, and read the horizon"] if said else []


def carry_through(job: Job, on_frame: Callable[[int, str], None] = lambda number, of: None) -> Carried:
    """Cut things out on the frames that they were drawn on, and follow them and the horizon from there, both ways.

    SettingsError, before anything is followed, where a cut-out is empty or touches no ground.
    """
    drawn = _cut(job)
    things = job.layout.things
    numbers = job.on_the_way
    later = {name: [each.frame for each in entries] for name, entries in things.items()}
    ways = []
    backward = job.first != numbers[0] or any(frames[0] > numbers[0] or len(frames) > 1 for frames in later.values())
    for way in (numbers, numbers[::-1])[: 2 if backward else 1]:
        ways.append(_follow(job, drawn, way, on_frame))
    horizons: dict[int, Point] = {}
    for _, found in ways:
        horizons |= found
    _refuse_afloat(job, drawn, horizons, [])
    merged = {name: {n: _merged(ways, later[name], name, n) for n in numbers} for name in things}
    carried = Carried(job, horizons, merged, {}, {})
    for name, entries in things.items():
        if entries[0].level_m is None:
            carried.feet[name], carried.inverse_m[name] = _distances(carried, name, entries)
    return carried


def _cut(job: Job) -> dict[tuple[str, int], carry.Shape]:
    """The shapes as drawn, by name and frame; SettingsError with every one that cannot be."""
    width, height = job.size_px
    wrong: list[Mistake] = []
    shapes: dict[tuple[str, int], carry.Shape] = {}
    for number in sorted({each.frame for each in job.layout.cutout}):
        picture = job.picture(number)
        for each in job.layout.cutout:
            if each.frame != number:
                continue
            try:
                points = tuple((x * width, y * height) for x, y in each.foot or ())
                inside = _shape(job, each, picture)
                if len(job.on_the_way) > 1:
                    shapes[each.name, number] = carry.drawn(picture, inside, points)
                else:  # never to be carried on
                    shapes[each.name, number] = carry.kept(inside, points, 1.0, gone=False)
            except SettingsError as error:
                wrong.extend(error.mistakes)
    _refuse_afloat(job, shapes, {job.first: job.drawn_horizon_px()}, wrong)
    return shapes


def _refuse_afloat(
    job: Job, shapes: dict[tuple[str, int], carry.Shape], horizons: dict[int, Point], wrong: list[Mistake]
) -> None:
    """SettingsError with what is wrong already, and every thing that touches no ground on a frame it was drawn on."""
    for (name, number), shape in shapes.items():
        entry = next(each for each in job.layout.things[name] if each.frame == number)
        if entry.distance_m is None and number in horizons:
            wrong.extend(_afloat(job, entry, shape, job.stand(number, horizons[number])))
    if wrong:
        raise SettingsError(wrong)


def _shape(job: Job, entry: Cutout, picture: cutout.Bytes) -> cutout.Mask:
    height, width = picture.shape[:2]
    if entry.outline is not None:
        inside = cutout.in_outline(np.asarray(entry.outline) * (width, height), width_px=width, height_px=height)
        if not inside.any():
            raise _refused(job, entry, "outline", "holds no pixel of the frame", "draw it around the thing")
        return inside
    assert entry.box is not None
    x, y, w, h = entry.box
    x0, y0 = max(0, round(x * width)), max(0, round(y * height))
    x1, y1 = min(width, round((x + w) * width)), min(height, round((y + h) * height))
    if x1 - x0 < 4 or y1 - y0 < 4:
        raise _refused(job, entry, "box", f"is {x1 - x0} x {y1 - y0} pixels", "draw it around the whole thing")
    inside = cutout.in_box(picture, (x0, y0, x1 - x0, y1 - y0), edge_px=max(2, round(carry.EDGE_FRAC * width)))
    share = float(inside.sum()) / ((x1 - x0) * (y1 - y0))
    if share < cutout.EMPTY_FRAC:
        rule = "nothing in it stands out from what is around it"
        raise _refused(
            job, entry, "box", rule, "draw an outline instead, or a box that leaves some room around the thing"
        )
    return inside


def _afloat(job: Job, entry: Cutout, shape: carry.Shape, stand: Stand) -> Iterator[Mistake]:
    """What is wrong with where a thing touches the ground on a frame that it was drawn on."""
    if entry.level_m is not None:
        met = stand.level(entry.level_m).inverse_m(stand.width_px, stand.height_px)[shape.inside]
        if not (met > 0.0).any():
            side = "above" if entry.level_m < stand.camera_height_m else "below"
            rule = f"lies {'lower' if side == 'above' else 'higher'} than the lens, but is seen {side} the horizon"
            yield _said(job, entry, "level_m", rule, "measure it again, from the ground up, and check the horizon")
        return
    key, points = "foot" if entry.foot else "", shape.points
    if not points:
        foot = foot_of(shape.inside)
        if foot.cut_off:
            yield _said(job, entry, "", "its foot lies below the frame", "tape it, and give distance_m")
            return
        points = ((foot.x_px, foot.y_px),)
    afloat = [point for point in points if stand.level().at(point) <= 0.0]
    for x_px, y_px in afloat:
        y, level = y_px / stand.height_px, stand.horizon_at_px(x_px) / stand.height_px
        rule = f"touches the ground at y = {y:.3f}, at or above the horizon at y = {level:.3f}"
        yield _said(job, entry, key, rule, "check the horizon or tilt, give its foot, or tape it and give distance_m")
    if len(points) == 2 and not afloat and stand.wall((points[0], points[1])) is None:
        yield _said(job, entry, key, "the wall is seen from its edge", "give one foot, or tape it")


Way = tuple[dict[str, dict[int, Thing]], dict[int, Point]]


def _follow(
    job: Job,
    drawn: dict[tuple[str, int], carry.Shape],
    numbers: tuple[int, ...],
    on_frame: Callable[[int, str], None],
) -> Way:
    """Go through frames one way; each thing starts anew where it was drawn."""
    found: dict[str, dict[int, Thing]] = {name: {} for name in job.layout.things}
    horizons: dict[int, Point] = {}
    shapes: dict[str, carry.Shape] = {}
    horizon: Point | None = None
    width, height = job.size_px
    before: cutout.Bytes | None = None
    for number in numbers:
        picture = job.picture(number)
        step = None if before is None or not (shapes or horizon) else carry.motion(before, picture)
        if step is not None:
            beside = np.zeros((height, width), bool)
            for shape in shapes.values():
                beside |= shape.inside
            horizon = None if horizon is None else carry.follow_horizon(horizon, step, beside)
        if number == job.first:
            horizon = job.drawn_horizon_px()
        for name, entries in job.layout.things.items():
            if (name, number) in drawn:
                shapes[name] = drawn[name, number]
            elif name in shapes and step is not None:
                level = entries[0].level_m is not None
                shapes[name] = (
                    carry.follow_flat(shapes[name], step) if level else carry.follow(shapes[name], step, picture)
                )
            if name in shapes:
                shape = shapes[name]
                found[name][number] = Thing(packed(shape.inside), shape.points, shape.confidence, shape.gone)
        if horizon is not None:
            horizons[number] = horizon
        before = picture
        on_frame(number, f"{numbers.index(number) + 1} of {len(numbers)}")
    return found, horizons


def _merged(ways: list[Way], frames: list[int], name: str, number: int) -> Thing:
    """What the two ways found, by how near the frame lies to where it was drawn on either side."""
    found = [way[name][number] for way, _ in ways if number in way[name]]
    if len(found) == 1 or number in frames:
        return found[0]
    before, after = max(f for f in frames if f < number), min(f for f in frames if f > number)
    a, b = (carry.kept(unpacked(t.inside), t.points, t.confidence, gone=t.gone) for t in found)
    shape = carry.between(a, b, (number - before) / (after - before))
    return Thing(packed(shape.inside), shape.points, shape.confidence, shape.gone)


def _distances(carried: Carried, name: str, entries: tuple[Cutout, ...]) -> tuple[dict[int, Foot], dict[int, float]]:
    """Where a thing stands at every frame: 1/Z as taped, or from where its foot touches the ground, settled."""
    frames = carried.things[name]
    feet = {
        n: Foot(*thing.points[0], False) if len(thing.points) == 1 else foot_of(unpacked(thing.inside))
        for n, thing in frames.items()
    }
    if entries[0].distance_m is not None:
        marks = tuple((each.frame, each.distance_m or math.inf) for each in entries)
        middles = {n: Foot(*_middle(unpacked(thing.inside)), False) for n, thing in frames.items()}
        return middles, {n: 1.0 / taped_m(marks, n) for n in frames}
    found: dict[int, float | None] = {}
    for n, foot in feet.items():
        inverse_m = carried.stand(n).level().at((foot.x_px, foot.y_px))
        lost = foot.cut_off or frames[n].gone or frames[n].confidence < SURE
        found[n] = None if lost or inverse_m <= 0.0 else inverse_m
    return feet, settled(found, drawn=[each.frame for each in entries], reach=SETTLED_FRAMES)


def _middle(inside: cutout.Mask) -> Point:
    window = cutout.around(inside, 0)
    if window is None:
        return inside.shape[1] / 2.0, inside.shape[0] / 2.0
    rows, columns = window
    return (columns.start + columns.stop) / 2.0, (rows.start + rows.stop) / 2.0


def _refused(job: Job, entry: Cutout, key: str, rule: str, remedy: str) -> SettingsError:
    return SettingsError([_said(job, entry, key, rule, remedy)])


def _said(job: Job, entry: Cutout, key: str, rule: str, remedy: str) -> Mistake:
    where = f'cutout "{entry.name}" on frame {entry.frame}'
    value = str(list(getattr(entry, key))) if key in ("box", "foot") else str(entry.level_m) if key == "level_m" else ""
    return Mistake(str(job.file), f"{where}: {key}" if key else where, value, rule, remedy)
