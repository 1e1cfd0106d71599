"""One frame's way: read, decode, the stages that act, trim to the canvas, encode."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import Any, TypeVar

import numpy as np
import numpy.typing as npt

from widegauge.frame import Float32, Frame
from widegauge.media.images import Picture
from widegauge.plan import Plan
from widegauge.plate import Plate, heal
from widegauge.run.checks import (
    Clipped,
    Look,
    checks_of,
    clipped_coming,
    clipped_going,
    footage_part,
    look_at_light,
    picture_part,
    some_pixels,
)
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


@dataclass(frozen=True, slots=True)
class Rendered:
    """A finished frame in the footage's encoding, remarks for the record, and what was seen on its way."""

    number: int
    picture: Picture
    remarks: tuple[tuple[str, float], ...]
    before: Look
    after: Look
    came: Clipped

    def checks(self, plan: Plan, plate: Plate, *, kind: str) -> dict[str, Any]:
        """The numbers for the record, when it is written as this kind of file."""
        return checks_of(
            plan,
            before=self.before,
            after=self.after,
            came=self.came,
            goes=clipped_going(self.picture.rgb, kind=kind),
            made_up=plate.shot.footage.missing if self.number in plate.footage.missing_numbers else "",
        )


def render(plan: Plan, plate: Plate, number: int) -> Rendered:
    """Finish a frame.

    When no stage changes a value and the size stays, the pixels are moved and otherwise left as they came,
    bit for bit: not even decoded, but for a few that are looked at.
    """
    picture = plate.read(number)
    raster = plan.setup.raster
    shot = footage_part(raster, picture)
    came = clipped_coming(shot, kind=picture.kind, stretched=plate.footage.probe.stretched)
    if not plan.acts and plate.footage_px == (raster.plate_width_px, raster.plate_height_px):
        x_px, y_px = -raster.crop_x_px, -raster.crop_y_px
        moved = _finished(picture, raster, picture.rgb, picture.extra, x_px=x_px, y_px=y_px)
        seen = look_at_light(
            heal(plate.encoding.decode(some_pixels(shot)))[0], exposure_stops=plan.setup.exposure_stops
        )
        return Rendered(number, moved, (), seen, seen, came)
    has_framing = any(stage.acts and stage.name == "framing" for stage in plan.stages)
    before = frame = None
    for step in steps(plan, plate, number, picture):
        frame = step.frame
        if step.name == "framing" or (step.name == "plate" and not has_framing):
            before = _look(plan, frame if has_framing else _placed(raster, frame))
    assert before is not None
    assert frame is not None
    if not has_framing:
        frame = _placed(raster, frame)
    after = _look(plan, frame)
    codes = plate.encoding.encode(on_canvas(raster, frame.rgb, x_px=frame.x_px, y_px=frame.y_px))
    extra = None if frame.extra is None else on_canvas(raster, frame.extra, x_px=frame.x_px, y_px=frame.y_px)
    return Rendered(number, replace(picture, rgb=codes, extra=extra), frame.remarks, before, after, came)


def _placed(raster: Raster, frame: Frame) -> Frame:
    """A whole plate where it lies in the finished raster."""
    return replace(frame, x_px=-raster.crop_x_px, y_px=-raster.crop_y_px)


def _look(plan: Plan, frame: Frame) -> Look:
    shown = picture_part(plan.setup.raster, frame.rgb, x_px=frame.x_px, y_px=frame.y_px)
    return look_at_light(shown, exposure_stops=plan.setup.exposure_stops)


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
