"""Depth of field of both sides, and blur as a share of the picture's width."""

from __future__ import annotations

import math
from dataclasses import dataclass

from widegauge.physics import lens
from widegauge.physics.lens import Side
from widegauge.plan import Plan


@dataclass(frozen=True, slots=True)
class DepthOfField:
    """What is in focus on one side, for its circle of confusion (picture width / 980).

    near_m, far_m are None where the shot does not say where focus lies.
    """

    confusion_mm: float
    hyperfocal_m: float
    near_m: float | None
    far_m: float | None

    @property
    def total_m(self) -> float | None:
        return None if self.near_m is None or self.far_m is None else self.far_m - self.near_m


@dataclass(frozen=True, slots=True)
class FocusMark:
    """A distance at which the lens is focused, from a frame on, and both depths of field there."""

    frame: int
    focus_m: float
    camera: DepthOfField
    negative: DepthOfField


def depth_of_field(side: Side, focus_m: float | None) -> DepthOfField:
    """Hyperfocal distance and limits of one side."""
    given = {"focal_mm": side.focal_mm, "stop": side.stop, "confusion_mm": side.confusion_mm}
    near_m, far_m = (None, None) if focus_m is None else lens.depth_of_field_m(**given, focus_m=focus_m)
    return DepthOfField(side.confusion_mm, lens.hyperfocal_m(**given), near_m, far_m)


def focus_marks(plan: Plan) -> tuple[FocusMark, ...]:
    """Both depths of field at every mark of the shot's focus pull; empty when the shot does not say."""
    setup = plan.setup
    if setup.focus is None:
        return ()
    return tuple(
        FocusMark(frame, focus_m, depth_of_field(setup.camera, focus_m), depth_of_field(setup.negative, focus_m))
        for frame, focus_m in setup.focus.marks
    )


def focus_m(plan: Plan) -> float | None:
    """Focus at the first mark."""
    return None if plan.setup.focus is None else plan.setup.focus.marks[0][1]


def picture_at_focus_m(plan: Plan) -> tuple[float, float] | None:
    """Width and height of what the picture holds at the plane of focus; None without a finite focus."""
    at_m, camera = focus_m(plan), plan.setup.camera
    if at_m is None or math.isinf(at_m):
        return None
    per_mm = at_m / lens.image_distance_mm(focal_mm=camera.focal_mm, focus_m=at_m)
    return camera.width_mm * per_mm, camera.height_mm * per_mm


def blur_radius_frac(plan: Plan, *, pupil_mm: float, focus_m: float, distance_m: float) -> float:
    """Signed blur radius over the picture's width for a pupil, with the footage's perspective; below 0 in front."""
    camera = plan.setup.camera
    kappa = lens.blur_scale_px_m(
        pupil_mm=pupil_mm, focal_mm=camera.focal_mm, focus_m=focus_m, width_px=1.0, width_mm=camera.width_mm
    )
    return kappa * (1.0 / focus_m - 1.0 / distance_m)


def blur_at_infinity_frac(plan: Plan, pupil_mm: float) -> float | None:
    """Blur diameter at infinity (and at half the focus distance) over the width; None without a finite focus."""
    at_m = focus_m(plan)
    if at_m is None or math.isinf(at_m):
        return None
    return 2.0 * blur_radius_frac(plan, pupil_mm=pupil_mm, focus_m=at_m, distance_m=math.inf)
