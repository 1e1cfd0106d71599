"""A shot and a preset brought to one scale, and what each stage must add."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, replace
from fractions import Fraction
from typing import Any

import numpy as np

from widegauge.errors import MediaError, Mistake, SettingsError, mistake
from widegauge.frame import Float32
from widegauge.measure.noise import frames_to_read, measure_noise
from widegauge.physics import lens
from widegauge.physics.formats import width_around_pad, width_in_crop
from widegauge.physics.lens import FocusPull, Side
from widegauge.plate import Plate
from widegauge.presets import PresetFile, stocks
from widegauge.shot import Recce
from widegauge.stages import ORDER
from widegauge.stages.framing import FramingSettings, lay_out
from widegauge.stages.stage import Planned, Raster, Setup

RATIO_TOLERANCE_FRAC = 0.005
"""How far the sensor's ratio may be from the picture's before one of the two must be wrong."""

FAR_OFF = 8.0
"""When all depth is so many times farther than focus, or nearer, its unit is in doubt."""


@dataclass(frozen=True, slots=True)
class StagePlan:
    """A stage by name: its plan, or None when the preset leaves it off."""

    name: str
    planned: Planned | None

    @property
    def acts(self) -> bool:
        return self.planned is not None and self.planned.acts


@dataclass(frozen=True, slots=True)
class Plan:
    """What the large negative would need, and the difference for each stage, in the order of the chain.

    depth_range_m  from where to where the first depth map runs; None without maps
    depth_step_px  so many working pixels one of its own covers, each way
    """

    shot: Recce
    preset: PresetFile
    setup: Setup
    stages: tuple[StagePlan, ...]
    rate: Fraction
    depth_range_m: tuple[float, float] | None = None
    depth_step_px: float = 1.0

    @property
    def notes(self) -> dict[str, str]:
        """Sentences where numbers do not speak for themselves, by stage; "frame" for the crop's place."""
        said = {stage.name: stage.planned.note for stage in self.stages if stage.planned and stage.planned.note}
        raster = self.setup.raster
        if self.shot.frame.eye_height is not None and raster.plate_height_px <= raster.height_px:
            said["frame"] = "eye_height has no room to act: the crop takes the footage's whole height; raise frame.zoom"
        focus = self.setup.focus
        if self.depth_range_m is not None and focus is not None:
            (near_m, far_m), focus_m = self.depth_range_m, focus.marks[0][1]
            if math.isfinite(focus_m) and (near_m > FAR_OFF * focus_m or far_m < focus_m / FAR_OFF):
                said["depth"] = (
                    f"runs from {near_m:.4g} to {far_m:.4g} m, focus lies at {focus_m:.4g} m: check depth.kind and "
                    "depth.metres_per_unit (0.001 for millimetres)"
                )
        if self.depth_step_px > 1.0:
            coarse = f"a map's pixel covers {self.depth_step_px:.3g} x {self.depth_step_px:.3g}: edges are as coarse"
            said["depth"] = "; ".join([*([said["depth"]] if "depth" in said else []), coarse])
        return said

    @property
    def depth_of_field_stops(self) -> float:
        """Above 0: the footage is too deep by so many stops."""
        return lens.stops_too_deep(self.setup.camera, self.setup.negative)

    @property
    def acts(self) -> bool:
        """Whether any stage changes a pixel's value (framing only moves them)."""
        return any(stage.acts for stage in self.stages if stage.name != "framing")

    def to_json(self) -> dict[str, Any]:
        """The keys that others may rely on, and the explanation rows of each stage."""
        camera, negative = self.setup.camera, self.setup.negative
        return {
            "shot": self.shot.name,
            "preset": self.preset.title,
            "camera": _side(camera) | {"angle_of_view_deg": list(camera.angle_of_view_deg)},
            "negative": _side(negative),
            "depth_of_field_stops": self.depth_of_field_stops,
            "pixel_um": self.setup.pixel_um,
            "picture_px": [self.setup.raster.width_px, self.setup.raster.height_px],
            "stages": {stage.name: [_row(row) for row in _rows(stage)] for stage in self.stages},
            "notes": self.notes,
        }


def make_plan(plate: Plate, preset: PresetFile, *, proxy: Fraction = Fraction(1)) -> Plan:
    """Bring both sides to one scale and let each stage find its difference.

    SettingsError for facts that contradict each other or the files.
    """
    shot = plate.shot
    setup = _setup(
        shot,
        preset,
        footage_px=plate.footage_px,
        pixel_aspect=plate.footage.probe.pixel_aspect,
        proxy=float(proxy),
        focus=_focus(shot, _depth_at_focus(plate)),
        has_depth=plate.has_depth,
        exposure_stops=shot.footage.exposure_stops,
    )
    if shot.camera.noise == "measure" and preset.stage("grain") is not None:
        setup = replace(setup, noise=measure_noise(_spread(plate)))
    plan = _planned(shot, preset, setup, plate.footage.rate)
    depth_m = plate.depth_m(plate.footage.numbers[0]) if plate.depth and preset.stage("defocus") is not None else None
    if depth_m is None:
        return plan
    step_px = float(plate.footage_px[0] / depth_m.shape[1] * proxy)
    return replace(plan, depth_range_m=_range_m(depth_m), depth_step_px=step_px)


def plan_ahead(recce: Recce, preset: PresetFile, *, footage_px: tuple[int, int], rate: Fraction) -> Plan:
    """The plan of a shot before there is footage, which is taken as clean and to come with depth.

    SettingsError for facts that contradict each other.
    """
    setup = _setup(recce, preset, footage_px=footage_px, focus=_focus(recce, None), has_depth=True)
    return _planned(recce, preset, setup, rate)


def _planned(shot: Recce, preset: PresetFile, setup: Setup, rate: Fraction) -> Plan:
    """Each stage's plan.

    Stages are planned from the last to the first, so that each adds the overscan it wants to what the ones
    before it must keep.
    """
    planned: list[StagePlan] = []
    for stage in reversed(ORDER):
        settings = preset.stage(stage.name)
        stage_plan = None if settings is None else stage.plan(settings, setup)
        planned.append(StagePlan(stage.name, stage_plan))
        if stage_plan is not None and stage_plan.acts:
            raster = replace(setup.raster, overscan_px=setup.raster.overscan_px + stage_plan.reach_px)
            setup = replace(setup, raster=raster)
    return Plan(shot, preset, setup, tuple(reversed(planned)), rate)


def geometry(
    shot: Recce, preset: PresetFile, *, footage_px: tuple[int, int], pixel_aspect: float = 1.0, proxy: float = 1.0
) -> tuple[Side, Side, Raster]:
    """The camera's side, the negative's side and the finished raster; SettingsError where facts contradict."""
    width, height = footage_px
    sensor_mm = shot.camera.sensor_mm
    wrong = []
    if abs(pixel_aspect - 1.0) > 1e-4:
        wrong.append(
            Mistake(
                str(shot.file),
                "footage.path",
                "",
                f"the footage has pixels of aspect {pixel_aspect:g}; squeezed footage is refused for now",
                "desqueeze it first",
            )
        )
    elif abs(sensor_mm[0] / sensor_mm[1] / (width / height) - 1.0) > RATIO_TOLERANCE_FRAC:
        wrong.append(
            Mistake(
                str(shot.file),
                "camera.sensor_mm",
                str(list(sensor_mm)),
                f"its ratio {sensor_mm[0] / sensor_mm[1]:.4f} is not that of the footage, {width} x {height}, "
                f"{width / height:.4f}",
                "give the part of the sensor that the picture covers, in this recording mode",
            )
        )
    framing = preset.stage("framing")
    ratio, fit = width / height, "crop"
    if isinstance(framing, FramingSettings):
        ratio, fit = framing.finished_ratio(ratio), framing.fit
    place = shot.frame if framing is not None else type(shot.frame)()
    if fit == "pad" and place.zoom != 1.0:
        wrong.append(
            Mistake(str(shot.file), "frame.zoom", f"{place.zoom:g}", "a padded frame shows all of the footage",
                    "set zoom = 1.0, or framing.fit to crop")
        )  # fmt: skip
    if wrong:
        raise SettingsError(wrong)
    on_sensor = width_around_pad if fit == "pad" else width_in_crop
    camera_mm = on_sensor(sensor_mm, ratio) / place.zoom
    negative_mm = width_in_crop(preset.negative.area_mm, ratio)
    camera = Side(camera_mm, camera_mm / ratio, shot.lens.focal_behind_reducer_mm, shot.lens.f_number_behind_reducer)
    negative = lens.matched_negative(
        camera, width_mm=negative_mm, height_mm=negative_mm / ratio, stop=preset.negative.f_number
    )
    raster = lay_out(
        footage_px=footage_px,
        ratio=ratio,
        fit=fit,
        zoom=place.zoom,
        crop_position=place.crop_position,
        eye_height=place.eye_height,
        width_px=preset.output.width_px,
        proxy=proxy,
    )
    return camera, negative, raster


def _setup(
    shot: Recce,
    preset: PresetFile,
    *,
    footage_px: tuple[int, int],
    focus: FocusPull | None,
    has_depth: bool,
    pixel_aspect: float = 1.0,
    proxy: float = 1.0,
    exposure_stops: float = 0.0,
) -> Setup:
    camera, negative, raster = geometry(shot, preset, footage_px=footage_px, pixel_aspect=pixel_aspect, proxy=proxy)
    mtf50_cpp, noise = shot.camera.mtf50_cpp, shot.camera.noise
    return Setup(
        camera=camera,
        negative=negative,
        raster=raster,
        stock=stocks()[preset.negative.stock],
        focus=focus,
        has_depth=has_depth,
        exposure_stops=exposure_stops,
        negative_stops=preset.negative.exposure_stops,
        lens_mtf50_cpmm=preset.negative.lens_mtf50_cpmm,
        scan_mtf50_cpmm=preset.negative.scan_cpmm,
        camera_mtf=shot.camera.mtf if mtf50_cpp is None else _gaussian_mtf(mtf50_cpp),
        noise=noise if isinstance(noise, tuple) else (),
        noise_scale=min(1.0, raster.scale),
    )


def _focus(shot: Recce, at_point_m: float | None) -> FocusPull | None:
    if shot.focus is None:
        return None
    try:
        return shot.focus.pull_m(shot.lens.focal_behind_reducer_mm, at_point_m)
    except ValueError as error:
        raise mistake(shot.file, "focus", None, str(error), "check the tape, in metres") from None


def _depth_at_focus(plate: Plate) -> float | None:
    """Depth where the shot says that focus lies, as a point of the picture; None where it gives metres."""
    focus = plate.shot.focus
    if focus is None or focus.point is None:
        return None
    try:
        return plate.focus_point_m(focus.point)
    except (ValueError, MediaError) as error:
        raise mistake(plate.shot.file, "focus", None, str(error), "check the tape, in metres") from None


def _gaussian_mtf(mtf50_cpp: float) -> tuple[tuple[float, float], ...]:
    """Rows of the Gaussian response that falls to one half at ``mtf50_cpp``: 2^-(f/f50)^2."""
    frequencies = np.linspace(0.0, 1.0, 65)
    return tuple((float(f), float(2.0 ** -((f / mtf50_cpp) ** 2))) for f in frequencies)


def _range_m(depth_m: Float32) -> tuple[float, float]:
    """From where to where depth runs, a hundredth left out at each end."""
    known = depth_m[depth_m > 0.0]
    near_m, far_m = np.quantile(known, [0.01, 0.99], method="nearest")
    return float(near_m), float(far_m)


def _spread(plate: Plate) -> Iterator[Float32]:
    for number in frames_to_read(plate.numbers):
        yield plate.linear(plate.read(number))[0]


def _side(side: Side) -> dict[str, Any]:
    return {
        "width_mm": side.width_mm,
        "height_mm": side.height_mm,
        "focal_mm": side.focal_mm,
        "stop": side.stop,
        "entrance_pupil_mm": side.entrance_pupil_mm,
    }


def _rows(stage: StagePlan) -> tuple[Any, ...]:
    return () if stage.planned is None else stage.planned.rows


def _row(row: Any) -> dict[str, Any]:
    return {
        "quantity": row.quantity,
        "unit": row.unit,
        "footage": _finite(row.footage),
        "negative": _finite(row.negative),
        "difference": _finite(row.difference),
    }


def _finite(value: float | None) -> float | None:
    """JSON has no infinity: None stands for it, and for a number that nobody stated."""
    return value if value is not None and math.isfinite(value) else None
