"""The side elevation of a shot to scale, and beneath it, over the same distances, the blur of both systems."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass

from widegauge.advice.answers import Answers
from widegauge.advice.field import DepthOfField, blur_radius_frac, focus_m
from widegauge.advice.ground import edges_mm
from widegauge.physics.lens import image_distance_mm
from widegauge.plan import Plan
from widegauge.report.drawing import (
    Point,
    box,
    clipped,
    dimension,
    drawing,
    label,
    line,
    path,
    round_step,
    upright,
)
from widegauge.report.words import metres

WIDTH = 760.0
LEFT, RIGHT = 52.0, 744.0
TOP, SECTION, BLUR = 8.0, 150.0, 88.0
"""Upper edge of the section, its height, and the height of the blur curves."""

ROW = 13.0
STEEP_DEG = 35.0
"""Beyond this tilt the section is drawn along the lens axis, without the ground."""

FLAT = 0.05
"""A frame's top edge that rises less than this leaves room for words above it."""

MAX_HEIGHT_SHARE = 0.72
"""Share of the section's height that the camera's may take."""


@dataclass(frozen=True, slots=True)
class View:
    """How metres become drawing units.

    px_per_m          scale, the same along and across
    tilt              of the lens axis as drawn, radians
    eye               where the entrance pupil lies
    ground_y          None where no ground is drawn
    """

    px_per_m: float
    tilt: float
    eye: Point
    ground_y: float | None

    @property
    def far_m(self) -> float:
        """Distance along the lens axis at the drawing's right edge."""
        return (RIGHT - LEFT) / self.px_per_m / math.cos(self.tilt)

    def on_axis_x(self, distance_m: float) -> float:
        """Where a point of the lens axis lies from left to right."""
        return LEFT + min(distance_m, 2.0 * self.far_m) * math.cos(self.tilt) * self.px_per_m

    def at(self, along_m: float, up_m: float) -> Point:
        """A point given along the lens axis and above it."""
        sin, cos = math.sin(self.tilt), math.cos(self.tilt)
        return (
            self.eye[0] + (along_m * cos - up_m * sin) * self.px_per_m,
            self.eye[1] - (along_m * sin + up_m * cos) * self.px_per_m,
        )

    def up_at(self, along_m: float, y: float) -> float:
        """How far above the lens axis the plane at a distance reaches the height ``y`` of the drawing."""
        sin, cos = math.sin(self.tilt), math.cos(self.tilt)
        return ((self.eye[1] - y) / self.px_per_m - along_m * sin) / cos


def section(plan: Plan, answers: Answers) -> str:
    """The whole drawing as SVG."""
    view = _view(plan, answers)
    floor_y = TOP + SECTION
    rows_y = floor_y + ROW * len(answers.ground) * (view.ground_y is not None) + 22.0
    parts = [*_elevation(plan, answers, view, floor_y), *_ground(answers, view)]
    y = rows_y
    if answers.marks:
        parts += _in_focus("negative", answers.negative, view, rows_y, "thin")
        parts += _in_focus("footage", answers.camera, view, rows_y + 1.3 * ROW, "dash")
        y = rows_y + 2.2 * ROW
        parts += _blur(plan, answers, view, y)
        y += BLUR + 30.0
    else:
        parts.append(label((LEFT, rows_y + 4.0), "focus is not stated: no plane of focus, no blur"))
        y += 12.0
    return drawing(parts, width=WIDTH, height=y, title=_spoken(plan, answers))


def _view(plan: Plan, answers: Answers) -> View:
    """Scale to the focus distance, and to the bottom of the frame and the camera's height where they are near it."""
    height_m, tilt_deg = plan.shot.set.camera_height_m, plan.shot.set.tilt_deg
    level = height_m is not None and tilt_deg is not None and abs(tilt_deg) <= STEEP_DEG
    at_m = focus_m(plan)
    far_m = 2.5 * at_m if at_m is not None and math.isfinite(at_m) else 1.5 * answers.negative.hyperfocal_m
    far_limit_m = answers.negative.far_m
    if far_limit_m is not None and math.isfinite(far_limit_m):
        far_m = max(far_m, min(1.15 * far_limit_m, 2.0 * far_m))
    if level and answers.ground and math.isfinite(answers.ground[0].ground_m):
        far_m = max(far_m, min(1.15 * answers.ground[0].ground_m, 2.0 * far_m))
    px_per_m = (RIGHT - LEFT) / far_m
    if not level or height_m is None or tilt_deg is None:
        return View(px_per_m, 0.0, (LEFT, TOP + SECTION / 2.0), None)
    px_per_m = min(px_per_m, MAX_HEIGHT_SHARE * SECTION / height_m)
    ground_y = TOP + SECTION
    return View(px_per_m, math.radians(tilt_deg), (LEFT, ground_y - height_m * px_per_m), ground_y)


def _elevation(plan: Plan, answers: Answers, view: View, floor_y: float) -> Iterator[str]:
    camera = plan.setup.camera
    above_mm, below_mm = edges_mm(plan, camera.width_mm / camera.height_mm)
    at_m = focus_m(plan)
    image_mm = image_distance_mm(focal_mm=camera.focal_mm, focus_m=math.inf if at_m is None else at_m)
    top, bottom = above_mm / image_mm, -below_mm / image_mm
    reach_m = 1.5 * max(view.far_m, SECTION / view.px_per_m)
    inside = [
        line(view.eye, view.at(reach_m, 0.0), "axis"),
        line(view.eye, view.at(reach_m, top * reach_m)),
        line(view.eye, view.at(reach_m, bottom * reach_m)),
    ]
    if at_m is not None and at_m < 1.4 * view.far_m:
        inside.append(line(view.at(at_m, bottom * at_m), view.at(at_m, top * at_m), "heavy"))
    for mark in answers.marks[1:]:
        if mark.focus_m < 1.4 * view.far_m:
            inside.append(line(view.at(mark.focus_m, bottom * mark.focus_m), view.at(mark.focus_m, top * mark.focus_m)))
    yield clipped("".join(inside), "section", LEFT - 1.0, TOP, RIGHT - LEFT + 1.0, SECTION)
    yield line((view.eye[0], view.eye[1] - 7.0), (view.eye[0], view.eye[1] + 7.0), "heavy")
    yield _scale_bar(view)
    if at_m is not None and view.on_axis_x(at_m) < RIGHT - 20.0:
        x, y = view.at(at_m, min(top * at_m, view.up_at(at_m, TOP)))
        flat = math.tan(view.tilt + math.atan(top)) < FLAT and y - TOP > 12.0
        yield label((x + 5.0, y - 5.0 if flat else y + 10.0), f"focus {metres(at_m)}{_at_frame(answers)}")
    if view.ground_y is not None:
        yield line((LEFT - 24.0, view.ground_y), (RIGHT, view.ground_y), "heavy")
        yield upright(LEFT - 16.0, view.eye[1], view.ground_y)
        yield line((LEFT - 20.0, view.eye[1]), (LEFT - 3.0, view.eye[1]))
        said = metres(plan.shot.set.camera_height_m)
        if view.ground_y - view.eye[1] > 40.0:
            at = (LEFT - 21.0, (view.eye[1] + view.ground_y) / 2.0)
            yield label(at, said, anchor="middle", turn_deg=-90.0)
        else:
            yield label((LEFT - 34.0, view.eye[1] - 11.0), said)
    else:
        why = "camera height and tilt are not stated" if plan.shot.set.tilt_deg is None else "the tilt is steep"
        yield label((LEFT, floor_y + 10.0), f"drawn along the lens axis, without the ground: {why}")


def _scale_bar(view: View) -> str:
    step_m = round_step(150.0 / view.px_per_m, most=2)
    x0, y = RIGHT - 2.0 * step_m * view.px_per_m - 4.0, TOP + 9.0
    parts = [line((x0, y), (RIGHT - 4.0, y), "heavy")]
    for i in range(3):
        x = x0 + i * step_m * view.px_per_m
        unit = " m" if i == 2 else ""
        parts += [line((x, y - 3.0), (x, y + 3.0)), label((x, y + 13.0), f"{i * step_m:g}{unit}", anchor="middle")]
    return "".join(parts)


def _ground(answers: Answers, view: View) -> Iterator[str]:
    """From under the lens to where each frame's bottom meets the ground, one dimension line beneath the other."""
    if view.ground_y is None or not answers.ground:
        return
    yield line((view.eye[0], view.eye[1] + 9.0), (view.eye[0], view.ground_y + ROW * len(answers.ground) + 4.0), "dot")
    labels = []
    for i, row in enumerate(answers.ground):
        y = view.ground_y + ROW * (i + 1)
        said = f"{row.ratio:.2f}: {metres(row.ground_m)}"
        if i == 0:
            said = f"frame {row.ratio:.2f}: its bottom meets the ground at {metres(row.ground_m)}"
        if math.isinf(row.ground_m):
            labels.append(label((LEFT + 8.0, y + 3.5), f"{row.ratio:.2f}: its bottom never meets the ground"))
            continue
        x = LEFT + row.ground_m * view.px_per_m
        yield dimension(LEFT, min(x, RIGHT), y, open_end=x > RIGHT)
        if x <= RIGHT:
            yield line((x, view.ground_y), (x, y + 3.0), "dot")
            yield line(view.eye, (x, view.ground_y), "dot")
        if x > RIGHT - (290.0 if i == 0 else 80.0):
            labels.append(label((min(x, RIGHT) - 12.0, y + 3.5), said, anchor="end"))
        else:
            labels.append(label((x + 8.0, y + 3.5), said))
    yield from labels


def _in_focus(name: str, field: DepthOfField, view: View, y: float, kind: str) -> Iterator[str]:
    if field.near_m is None or field.far_m is None:
        return
    x0, x1 = view.on_axis_x(field.near_m), view.on_axis_x(field.far_m)
    said = f"{name} in focus {metres(field.near_m)} to {metres(field.far_m)}"
    if x0 > RIGHT - 8.0:
        yield label((RIGHT, y + 3.5), f"{said}, farther than drawn", anchor="end")
        return
    yield dimension(x0, min(x1, RIGHT), y, open_end=x1 > RIGHT, kind=kind)
    room = min(x1, RIGHT) - x0
    if room > 230.0:
        yield label(((x0 + min(x1, RIGHT)) / 2.0, y + 3.5), said, anchor="middle")
    elif min(x1, RIGHT) < RIGHT - 240.0:
        yield label((min(x1, RIGHT) + 7.0, y + 3.5), said)
    else:
        yield label((x0 - 7.0, y + 3.5), said, anchor="end")


def _blur(plan: Plan, answers: Answers, view: View, y: float) -> Iterator[str]:
    """Blur diameter on the negative of what lies on the lens axis, for both pupils."""
    at_m, confusion_mm = answers.marks[0].focus_m, answers.negative.confusion_mm
    base = y + BLUR
    sides = (("negative", plan.setup.negative, "heavy"), ("footage", plan.setup.camera, "heavydash"))

    def blur_mm(pupil_mm: float, distance_m: float) -> float:
        frac = blur_radius_frac(plan, pupil_mm=pupil_mm, focus_m=at_m, distance_m=distance_m)
        return 2.0 * abs(frac) * plan.setup.negative.width_mm

    ends = [blur_mm(side.entrance_pupil_mm, view.far_m) for _, side, _ in sides]
    top_mm = max(1.4 * max(ends), 3.0 * confusion_mm)
    step_mm = round_step(top_mm, most=4)

    def up(value_mm: float) -> float:
        return base - min(value_mm / top_mm, 3.0) * BLUR

    yield box(LEFT, y, RIGHT - LEFT, BLUR)
    for i in range(1, math.floor(top_mm / step_mm) + 1):
        yield line((LEFT - 4.0, up(i * step_mm)), (LEFT, up(i * step_mm)))
        yield label((LEFT - 6.0, up(i * step_mm) + 3.5), f"{i * step_mm:.3g}", anchor="end")
    yield label((LEFT - 38.0, y + BLUR / 2.0), "blur, mm", anchor="middle", turn_deg=-90)
    yield line((LEFT, up(confusion_mm)), (RIGHT, up(confusion_mm)), "dot")
    if at_m < view.far_m:
        yield line((view.on_axis_x(at_m), y), (view.on_axis_x(at_m), base), "dot")
    curves = ""
    for _, side, kind in sides:
        near = [view.far_m * (i / 400.0) for i in range(1, 401)]
        stops = sorted({*near, *((at_m,) if at_m < view.far_m else ())})
        curves += path([(view.on_axis_x(d), up(blur_mm(side.entrance_pupil_mm, d))) for d in stops], kind)
    yield clipped(curves, "blur", LEFT, y, RIGHT - LEFT, BLUR)
    for (name, side, _), label_y in zip(sides, _beside([up(end) for end in ends], base), strict=True):
        far = "" if math.isinf(at_m) else f", {blur_mm(side.entrance_pupil_mm, math.inf):.3f} mm at infinity"
        yield label((RIGHT - 6.0, label_y), f"{name}{far}", anchor="end")
    yield from _distances(view, base)
    said = f"distance along the lens axis; blur on the negative{_at_frame(answers)}"
    yield label((LEFT, base + 27.0), f"{said}; dotted: circle of confusion, {confusion_mm:.3f} mm")


def _beside(ends: list[float], base: float) -> list[float]:
    """Baselines of two labels at the curves' right ends: above each where there is room, else the lower one below."""
    high, low = (0, 1) if ends[0] <= ends[1] else (1, 0)
    places = [0.0, 0.0]
    places[high] = ends[high] - 8.0
    if ends[low] - ends[high] > 24.0:
        places[low] = ends[low] - 8.0
    elif base - ends[low] > 34.0:
        places[low] = ends[low] + 27.0
    else:
        places[high], places[low] = ends[high] - 21.0, ends[high] - 8.0
    return places


def _distances(view: View, base: float) -> Iterator[str]:
    step_m = round_step(view.far_m, most=10)
    for i in range(math.floor(view.far_m / step_m + 1e-9) + 1):
        x = view.on_axis_x(i * step_m)
        if x < RIGHT - 14.0 or i == 0:
            yield line((x, base), (x, base + 4.0))
            yield label((x, base + 14.0), f"{i * step_m:g}", anchor="middle")
    yield label((RIGHT, base + 14.0), "m", anchor="end")


def _at_frame(answers: Answers) -> str:
    """Which mark of a focus pull is meant."""
    return f" at frame {answers.marks[0].frame}" if len(answers.marks) > 1 else ""


def _spoken(plan: Plan, answers: Answers) -> str:
    if not answers.marks:
        return "Side elevation of the shot; focus is not stated"
    negative = answers.negative
    return (
        f"Side elevation of the shot to scale, focus at {metres(answers.marks[0].focus_m)}; the negative is in focus "
        f"from {metres(negative.near_m)} to {metres(negative.far_m)}; below it blur over distance for both sides"
    )
