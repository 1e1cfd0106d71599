"""The floor: where the bottom of the frame meets the ground, in the tall frame and in wider ones cut from it."""

from __future__ import annotations

import math
from dataclasses import dataclass

from widegauge.advice.field import blur_radius_frac, focus_m
from widegauge.physics import floor
from widegauge.physics.lens import image_distance_mm
from widegauge.plan import Plan

RATIOS = (1.43, 1.66, 1.85, 2.39)
"""Picture ratios in use; common practice, no source."""

SAME_RATIO = 0.005


@dataclass(frozen=True, slots=True)
class GroundRow:
    """The bottom edge of one frame.

    ratio                     of the frame, as wide as the finished picture and centred in it
    below_horizon_deg         of the ray through the middle of its bottom edge
    ground_m, axis_m          to the ground: level, from under the lens, and along the lens axis; infinity: never
    camera_frac, negative_frac   signed blur radius there over the width; None without focus, or where nothing is met
    """

    ratio: float
    below_horizon_deg: float
    ground_m: float
    axis_m: float
    camera_frac: float | None
    negative_frac: float | None


def frames_within(ratio: float) -> tuple[float, ...]:
    """The finished ratio, and the wider ones of ``RATIOS`` that can be cut from it."""
    return (ratio, *(wide for wide in RATIOS if wide > ratio * (1.0 + SAME_RATIO)))


def ground_rows(plan: Plan) -> tuple[GroundRow, ...]:
    """A row for each frame; empty when the shot gives no camera height or no tilt."""
    height_m, tilt_deg = plan.shot.set.camera_height_m, plan.shot.set.tilt_deg
    if height_m is None or tilt_deg is None:
        return ()
    camera, at_m = plan.setup.camera, focus_m(plan)
    image_mm = image_distance_mm(focal_mm=camera.focal_mm, focus_m=math.inf if at_m is None else at_m)
    rows = []
    for ratio in frames_within(camera.width_mm / camera.height_mm):
        below_deg = floor.below_horizon_deg(
            below_axis_mm=edges_mm(plan, ratio)[1], image_mm=image_mm, tilt_deg=tilt_deg
        )
        ground_m = floor.ground_distance_m(camera_height_m=height_m, below_horizon_deg=below_deg)
        axis_m = floor.axis_distance_m(camera_height_m=height_m, ground_m=ground_m, tilt_deg=tilt_deg)
        blur = [
            None
            if at_m is None or math.isinf(axis_m)
            else blur_radius_frac(plan, pupil_mm=side.entrance_pupil_mm, focus_m=at_m, distance_m=axis_m)
            for side in (camera, plan.setup.negative)
        ]
        rows.append(GroundRow(ratio, below_deg, ground_m, axis_m, *blur))
    return tuple(rows)


def edges_mm(plan: Plan, ratio: float) -> tuple[float, float]:
    """How far a frame's top lies above the lens axis and its bottom below it, on the camera.

    A pad's bars show nothing: the edges are the footage's there.
    """
    camera, raster = plan.setup.camera, plan.setup.raster
    mm_per_px = camera.width_mm / raster.exact_width_px
    low_px = raster.crop_y_px + (raster.height_px - raster.plate_height_px) / 2.0 if _cropped(plan) else 0.0
    half_mm, most_mm = camera.width_mm / ratio / 2.0, raster.plate_height_px / 2.0 * mm_per_px
    return min(half_mm - low_px * mm_per_px, most_mm), min(half_mm + low_px * mm_per_px, most_mm)


def _cropped(plan: Plan) -> bool:
    """Whether there are rows to choose from: rounding moves an uncut picture's centre by up to half a pixel."""
    return plan.setup.raster.plate_height_px - plan.setup.raster.height_px > 1
