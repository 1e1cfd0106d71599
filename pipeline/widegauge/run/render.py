"""One frame's way: read, decode, the stages that act, trim to the canvas, encode."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import TypeVar

import numpy as np
import numpy.typing as npt

from widegauge.frame import Float32, Frame
from widegauge.media.images import Picture
from widegauge.plan import Plan
from widegauge.plate import Plate
from widegauge.stages import ORDER
from widegauge.stages.stage import Raster

D = TypeVar("D", bound=np.generic)


@dataclass(frozen=True, slots=True)
class Step:
    """A frame as it leaves one step of the chain."""

    name: str
    frame: Frame


def steps(plan: Plan, plate: Plate, number: int, picture: Picture) -> Iterator[Step]:
    """The frame as decoded ("plate"), then after each stage that acts, in scene-linear light."""
    frame = plate.frame(number, picture, plan.setup.raster)
    frame = replace(frame, extra=_nearest(picture.extra, plan.setup.raster))
    yield Step("plate", frame)
    acting = {stage.name: stage.planned for stage in plan.stages if stage.acts}
    for stage in ORDER:
        if stage.name in acting:
            frame = stage.apply(acting[stage.name], frame)
            yield Step(stage.name, frame)


def render(plan: Plan, plate: Plate, number: int) -> tuple[Picture, tuple[tuple[str, float], ...]]:
    """A finished frame in the footage's encoding, and remarks for the record.

    When no stage changes a value and the size stays, the pixels are moved and otherwise left as they came,
    bit for bit: not even decoded.
    """
    picture = plate.read(number)
    raster = plan.setup.raster
    if not plan.acts and plate.footage_px == (raster.plate_width_px, raster.plate_height_px):
        x_px, y_px = -raster.crop_x_px, -raster.crop_y_px
        return _finished(picture, raster, picture.rgb, picture.extra, x_px=x_px, y_px=y_px), ()
    frame = None
    for step in steps(plan, plate, number, picture):
        frame = step.frame
    assert frame is not None
    if not any(stage.acts and stage.name == "framing" for stage in plan.stages):
        frame = replace(frame, x_px=-raster.crop_x_px, y_px=-raster.crop_y_px)
    codes = plate.encoding.encode(on_canvas(raster, frame.rgb, x_px=frame.x_px, y_px=frame.y_px))
    extra = None if frame.extra is None else on_canvas(raster, frame.extra, x_px=frame.x_px, y_px=frame.y_px)
    return replace(picture, rgb=codes, extra=extra), frame.remarks


def on_canvas(raster: Raster, pixels: npt.NDArray[D], *, x_px: int, y_px: int) -> npt.NDArray[D]:
    """Trim the overscan of (H, W, ...) pixels that lie at x, y of the finished raster; a pad's bars are 0."""
    kept = pixels[max(0, -y_px) : raster.height_px - y_px, max(0, -x_px) : raster.width_px - x_px]
    if kept.shape[:2] == (raster.height_px, raster.width_px):
        return np.ascontiguousarray(kept)
    canvas = np.zeros((raster.height_px, raster.width_px, *pixels.shape[2:]), dtype=pixels.dtype)
    top, left = max(0, y_px), max(0, x_px)
    canvas[top : top + kept.shape[0], left : left + kept.shape[1]] = kept
    return canvas


def _finished(
    picture: Picture, raster: Raster, rgb: Float32, extra: npt.NDArray[np.generic] | None, *, x_px: int, y_px: int
) -> Picture:
    return replace(
        picture,
        rgb=on_canvas(raster, rgb, x_px=x_px, y_px=y_px),
        extra=None if extra is None else on_canvas(raster, extra, x_px=x_px, y_px=y_px),
    )


def _nearest(extra: npt.NDArray[np.generic] | None, raster: Raster) -> npt.NDArray[np.generic] | None:
    """Other channels at working size: nearest values, since they may be depth, or labels."""
    if extra is None or extra.shape[:2] == (raster.plate_height_px, raster.plate_width_px):
        return extra
    height, width = extra.shape[:2]
    y = ((np.arange(raster.plate_height_px) + 0.5) * height / raster.plate_height_px).astype(np.intp)
    x = ((np.arange(raster.plate_width_px) + 0.5) * width / raster.plate_width_px).astype(np.intp)
    return np.ascontiguousarray(extra[y[:, None], x[None, :]])
