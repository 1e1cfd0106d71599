"""What a distance is worth in blur: the negative's radius in finished pixels, for a shot and a preset."""

from __future__ import annotations

from collections.abc import Callable

from widegauge.depth.plausible import ends_m
from widegauge.errors import mistake
from widegauge.frame import Float32
from widegauge.physics.lens import FocusPull, blur_scale_px_m
from widegauge.plan import geometry
from widegauge.plate import Plate
from widegauge.presets import load_preset
from widegauge.report.depthtext import misses_focus


def blur_scale(plate: Plate, preset: str, *, overrides: tuple[str, ...] = ()) -> Callable[[float], float]:
    """kappa of the signed blur radius c(Z) = kappa (1/s - 1/Z) on the negative, as a function of the focus distance.

    In pixels of the finished picture. SettingsError for facts of the shot or the preset that contradict each other.
    """
    settings = load_preset(preset, overrides=overrides)
    camera, negative, raster = geometry(
        plate.shot, settings, footage_px=plate.footage_px, pixel_aspect=plate.footage.probe.pixel_aspect
    )

    def scale_px_m(focus_m: float) -> float:
        return blur_scale_px_m(
            pupil_mm=negative.entrance_pupil_mm,
            focal_mm=camera.focal_mm,
            focus_m=focus_m,
            width_px=raster.exact_width_px,
            width_mm=camera.width_mm,
        )

    return scale_px_m


def astray(plate: Plate, number: int, depth_m: Float32) -> str | None:
    """What is wrong with a frame's map (metres) in which nothing lies at the taped focus distance, or None."""
    focus = plate.shot.focus
    if focus is None or focus.point is not None:
        return None
    return misses_focus(ends_m(depth_m), focus.pull_m(plate.shot.lens.focal_behind_reducer_mm, None).distance_m(number))


def focus_of(plate: Plate) -> FocusPull | None:
    """Where the shot's lens was focused, read from its depth where that is a point; None when it does not say."""
    focus = plate.shot.focus
    if focus is None:
        return None
    at_point_m = None if focus.point is None else plate.focus_point_m(focus.point)
    try:
        return focus.pull_m(plate.shot.lens.focal_behind_reducer_mm, at_point_m)
    except ValueError as error:
        raise mistake(plate.shot.file, "focus", None, str(error), "check the tape, in metres") from None
