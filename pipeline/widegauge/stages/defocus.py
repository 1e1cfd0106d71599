"""Give the footage the blur that the large negative's lens would have given it, and that its own lens did not.

Both sides share the footage's perspective: the signed blur radius is kappa (1/s - 1/Z) with the entrance pupil of
each side (``physics.lens.blur_scale_px_m``). Second moments add, so the stage adds
strength x sqrt(negative^2 - footage^2). As both radii have the same ratio at every depth, that is one pupil:
sqrt(negative's^2 - camera's^2).

A disc blurred by a disc is no disc: its second moment is right, but its rim reaches too far, up to 1.41 radii where
the two are alike. In texture that goes unseen (quadrature is 5 to 15 dB better than the difference of the radii up
to a ratio of 0.8), on a lamp that burns out it is all that is seen. So lamps, from one to three stops above white,
fade over to the plain difference of the radii, whose rim is where it should be (unless the footage is sharp).
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from functools import cache, partial

import numpy as np
import numpy.typing as npt
from pydantic import Field, field_validator

from widegauge.errors import MediaError
from widegauge.frame import Frame
from widegauge.kernels import depthmap
from widegauge.kernels.bands import for_bands
from widegauge.kernels.discs import MAX_RADIUS_PX, Discs, build
from widegauge.kernels.spread import spread
from widegauge.physics.aperture import axis_variance, barrel_shift, iris_chords
from widegauge.physics.lens import FocusPull, blur_scale_px_m
from widegauge.stages.stage import NOTHING, Row, Settings, Setup, Stage

SOFT_EDGE_PX = 1.0
"""A soft edge in the depth is made hard where it spans more than this in blur radius."""
SHARP_RATIO = 0.25
"""Up to this ratio of the footage's blur to the negative's a lamp's rim lies within 1.22 radii; from twice it on lamps
are drawn apart."""
CLOSEST_FRAC = 0.25
"""Overscan is wanted for things down to this share of the focus distance; nearer ones blur without bound."""
CLOSEST_M = 2.0
"""The same where focus lies at infinity."""

SOFT_MAP_FRAC = 0.1
"""A map whose ramps are fewer than this share of its steps is a hard one, and is left as it is."""

Float32 = npt.NDArray[np.float32]


class DefocusSettings(Settings):
    """How the large negative's lens draws what is out of focus."""

    blades: int = Field(0, ge=0, le=16, description="iris blades, 3 to 16; 0 for a round iris")
    rotation_deg: float = Field(
        0.0, ge=-360.0, le=360.0, description="turn of the iris, clockwise; 0 puts one corner up, behind focus"
    )
    optical_vignetting_frac: float = Field(
        0.0, ge=0.0, le=0.9, description="share of the pupil that the lens barrel hides in the picture's corners"
    )

    @field_validator("blades")
    @classmethod
    def _an_iris_has_three(cls, value: int) -> int:
        if value in (1, 2):
            raise ValueError("an iris has at least 3 blades, or is round (0)")
        return value


@dataclass(frozen=True, slots=True)
class DefocusPlan:
    """What defocus adds over a shot: the pupil that is missing, where focus lies, and the shape of the iris."""

    rows: tuple[Row, ...]
    note: str
    acts: bool
    reach_px: int
    added_pupil_mm: float
    bright_cut: float
    bright_gain: float
    bright_size: float
    focal_mm: float
    width_mm: float
    width_px: float
    focus: FocusPull | None
    blades: int
    rotation_deg: float
    corner_shift: float
    canvas_px: tuple[int, int]

    def scale_px_m(self, focus_m: float) -> float:
        """kappa of the blur that is added at a focus distance."""
        return blur_scale_px_m(
            pupil_mm=self.added_pupil_mm,
            focal_mm=self.focal_mm,
            focus_m=focus_m,
            width_px=self.width_px,
            width_mm=self.width_mm,
        )


def plan(settings: DefocusSettings, setup: Setup) -> DefocusPlan:
    """What the large lens's blur has more than the footage's own."""
    camera_mm, negative_mm = setup.camera.entrance_pupil_mm, setup.negative.entrance_pupil_mm
    missing_mm = math.sqrt(max(negative_mm**2 - camera_mm**2, 0.0))
    made = DefocusPlan(
        rows=_rows(setup, missing_mm),
        note=_why_not(settings, setup),
        acts=not _why_not(settings, setup),
        reach_px=0,
        added_pupil_mm=settings.strength * missing_mm,
        bright_cut=_rim_cut(camera_mm / negative_mm),
        bright_gain=2.0**setup.exposure_stops,
        bright_size=2.0 * camera_mm / missing_mm if missing_mm else 0.0,
        focal_mm=setup.camera.focal_mm,
        width_mm=setup.camera.width_mm,
        width_px=setup.raster.exact_width_px,
        focus=setup.focus,
        blades=settings.blades,
        rotation_deg=settings.rotation_deg,
        corner_shift=barrel_shift(settings.optical_vignetting_frac) if settings.optical_vignetting_frac else 0.0,
        canvas_px=(setup.raster.width_px, setup.raster.height_px),
    )
    if not made.acts or setup.focus is None:
        return made
    focus_m = setup.focus.nearest_m
    kappa = made.scale_px_m(focus_m)
    closest_m = CLOSEST_M if math.isinf(focus_m) else CLOSEST_FRAC * focus_m
    reach_px = min(kappa * (1.0 / closest_m - 1.0 / focus_m), MAX_RADIUS_PX)
    too_near_m = 1.0 / (1.0 / focus_m + MAX_RADIUS_PX / kappa)
    note = f"radii are held at {MAX_RADIUS_PX:.0f} px: nearer than {too_near_m:.2f} m nothing gets softer"
    if kappa / focus_m > MAX_RADIUS_PX:
        note += ", and the far distance would need more too"
    return replace(made, reach_px=math.ceil(reach_px), note=note)


def apply(plan: DefocusPlan, frame: Frame) -> Frame:
    """The frame with the missing blur; depth passes on as it came, ``noise_left`` falls where light was averaged."""
    if frame.depth_m is None or plan.focus is None:
        raise MediaError(f"frame {frame.number}: defocus needs depth and a focus distance")
    focus_m = plan.focus.distance_m(frame.number)
    radius_px, remarks = blur_radius_px(
        frame.depth_m, frame.rgb, scale_px_m=plan.scale_px_m(focus_m), focus_m=focus_m, number=frame.number
    )
    wide, high = plan.canvas_px
    rim = (wide / 2.0 - frame.x_px, high / 2.0 - frame.y_px, math.hypot(wide, high) / 2.0, plan.corner_shift)
    rgb, kept = spread(
        frame.rgb,
        radius_px,
        discs(plan.blades, plan.rotation_deg),
        rim=rim,
        bright_cut=plan.bright_cut,
        bright_gain=plan.bright_gain,
        bright_size=plan.bright_size,
    )
    if frame.noise_left is not None:
        kept *= frame.noise_left
    return replace(frame, rgb=rgb, noise_left=kept, remarks=frame.remarks + remarks)


def blur_radius_px(
    depth_m: Float32, rgb: Float32, *, scale_px_m: float, focus_m: float, number: int = 0
) -> tuple[Float32, tuple[tuple[str, float], ...]]:
    """Signed blur radius (H, W) float32 from depth in metres, and what had to be mended on the way.

    Unknown depth (not-a-number, 0 and below) takes the farther of its neighbours along the row; a soft edge's ramp
    is snapped to the nearer of its two levels, if the map has soft edges at all: in a hard one, three things behind
    one another can look like a ramp here and there. MediaError where no depth is known at all.
    """
    height = depth_m.shape[0]
    raw, hard = np.empty_like(depth_m), np.empty_like(depth_m)
    counts, snapped = np.zeros((height, 2), np.int64), np.zeros(height, np.int64)
    changed = np.zeros([-(-size // depthmap.CELL) for size in depth_m.shape], np.uint8)
    inverse_m = 1.0 / focus_m

    def measure(y0: int, y1: int) -> None:
        depthmap.signed_radius(depth_m, scale_px_m, inverse_m, MAX_RADIUS_PX, raw, counts, y0, y1)
        depthmap.fill_rows(raw, y0, y1)

    for_bands(height, measure)
    unknown, held = (int(n) for n in counts.sum(axis=0))
    if unknown == depth_m.size:
        raise MediaError(
            f"frame {number}: no depth is known anywhere. Check the depth's channel, kind and invalid value"
        )
    if unknown:
        depthmap.fill_empty_rows(raw)

    def harden(y0: int, y1: int) -> None:
        depthmap.harden(raw, rgb, scale_px_m, inverse_m, SOFT_EDGE_PX, hard, changed, snapped, y0, y1)

    for_bands(height, harden)
    steps = sum(int(np.count_nonzero(np.abs(np.diff(raw, axis=axis)) > SOFT_EDGE_PX)) for axis in (0, 1))
    if snapped.sum() < SOFT_MAP_FRAC * steps:
        hard = raw
        snapped[:] = 0
    elif snapped.any():
        other, thin = hard.copy(), np.zeros_like(snapped)
        for _ in range(depthmap.THIN_TIMES):
            before, hard = hard, other
            for_bands(height, partial(depthmap.level_thin, before, changed, SOFT_EDGE_PX, hard, thin))
            other = before
    shares = (
        ("depth: share unknown, filled from the farther side", unknown),
        ("depth: share on soft edges, snapped", int(snapped.sum())),
        ("defocus: share held at the largest radius", held),
    )
    return hard, tuple((what, many / depth_m.size) for what, many in shares if many)


@cache
def discs(blades: int, rotation_deg: float) -> Discs:
    """The blur kernels of an iris."""
    return build(iris_chords(blades=blades, rotation_deg=rotation_deg), axis_variance=axis_variance(blades))


def _rim_cut(ratio: float) -> float:
    """How much smaller a lamp's kernel must be than quadrature says for its rim to lie right; 0 for a sharp footage.

    The difference of the radii over the root of the difference of their squares: 1 - sqrt((1 - q) / (1 + q)).
    """
    if ratio >= 1.0:
        return 0.0
    fade = min(max((ratio - SHARP_RATIO) / SHARP_RATIO, 0.0), 1.0)
    return fade * (1.0 - math.sqrt((1.0 - ratio) / (1.0 + ratio)))


def _why_not(settings: DefocusSettings, setup: Setup) -> str:
    if settings.strength == 0.0:
        return f"{NOTHING}: strength is 0"
    if setup.negative.entrance_pupil_mm <= setup.camera.entrance_pupil_mm:
        return (
            f"{NOTHING}: the footage is already as shallow as the negative would be or shallower"
            " (a wider negative stop in the preset would ask for more)"
        )
    if setup.focus is None:
        return f"{NOTHING} yet: the shot does not say where focus lies; give it under [focus]"
    if not setup.has_depth:
        return f"{NOTHING} yet: the shot has no depth; give it under [depth]"
    return ""


def _rows(setup: Setup, missing_mm: float) -> tuple[Row, ...]:
    pupils_mm = (setup.camera.entrance_pupil_mm, setup.negative.entrance_pupil_mm, missing_mm)
    rows = [Row("entrance pupil", "mm", *pupils_mm)]
    if setup.focus is None or math.isinf(setup.focus.nearest_m):
        return tuple(rows)
    focus_m = setup.focus.nearest_m
    width_px = setup.raster.exact_width_px
    radii_px = [
        blur_scale_px_m(
            pupil_mm=pupil_mm,
            focal_mm=setup.camera.focal_mm,
            focus_m=focus_m,
            width_px=width_px,
            width_mm=setup.camera.width_mm,
        )
        / focus_m
        for pupil_mm in pupils_mm
    ]
    rows.append(Row("blur radius at infinity and at half the focus distance", "px", *radii_px))
    rows.append(Row("the same on the negative", "mm", *(r / setup.px_per_mm for r in radii_px)))
    return tuple(rows)


DEFOCUS = STAGE = Stage(name="defocus", settings=DefocusSettings, plan=plan, apply=apply)
