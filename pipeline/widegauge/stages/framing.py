"""Framing: cut the finished picture's shape out of the footage, keeping the overscan that later stages want."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any, Literal

import numpy as np
from pydantic import Field, field_validator

from widegauge.frame import Frame
from widegauge.stages.stage import Raster, Row, Settings, Setup, Stage
from widegauge.units import parse_ratio


class FramingSettings(Settings):
    """The finished picture's ratio, and how it is reached."""

    ratio: str = Field("1.43", description='width over height, "1.43" or "16:9"')
    fit: Literal["crop", "pad"] = Field("crop", description="crop: cut from the footage; pad: bars around all of it")

    @field_validator("ratio", mode="before")
    @classmethod
    def _number_too(cls, value: Any) -> Any:
        return f"{value:g}" if isinstance(value, int | float) and not isinstance(value, bool) else value

    @field_validator("ratio")
    @classmethod
    def _ratio_read(cls, text: str) -> str:
        parse_ratio(text)
        return text

    def finished_ratio(self, footage_ratio: float) -> float:
        """The finished ratio; a strength below 1 goes that share of the way from the footage's own."""
        return footage_ratio + self.strength * (parse_ratio(self.ratio) - footage_ratio)


@dataclass(frozen=True, slots=True)
class FramingPlan:
    """The part of the plate to keep."""

    raster: Raster
    rows: tuple[Row, ...]
    note: str
    acts: bool
    reach_px: int = 0


def plan(settings: FramingSettings, setup: Setup) -> FramingPlan:
    """Compare the shapes; the raster itself was laid out with the geometry, since it sets the scale of all stages."""
    raster = setup.raster
    plate_w, plate_h = raster.plate_width_px, raster.plate_height_px
    footage_ratio = plate_w / plate_h
    ratio = settings.finished_ratio(footage_ratio)
    rows = (
        Row("ratio", "w/h", footage_ratio, ratio, ratio - footage_ratio),
        Row("picture width", "px", plate_w, raster.width_px, raster.width_px - plate_w),
        Row(
            "picture height", "px", raster.plate_height_px, raster.height_px, raster.height_px - raster.plate_height_px
        ),
    )
    acts = (raster.width_px, raster.height_px) != (plate_w, plate_h)
    return FramingPlan(raster, rows, "" if acts else "the footage has this shape already", acts)


def apply(planned: FramingPlan, frame: Frame) -> Frame:
    """Cut the canvas and its overscan out of the plate, as far as the plate goes; a pad's bars come at the end."""
    raster = planned.raster
    x0, x1 = _span(raster.crop_x_px, raster.width_px, raster.plate_width_px, raster.overscan_px)
    y0, y1 = _span(raster.crop_y_px, raster.height_px, raster.plate_height_px, raster.overscan_px)
    window = np.s_[y0:y1, x0:x1]
    return replace(
        frame,
        rgb=np.ascontiguousarray(frame.rgb[window]),
        depth_m=None if frame.depth_m is None else np.ascontiguousarray(frame.depth_m[window]),
        extra=None if frame.extra is None else np.ascontiguousarray(frame.extra[window]),
        noise_left=None if frame.noise_left is None else np.ascontiguousarray(frame.noise_left[window]),
        x_px=frame.x_px + x0 - raster.crop_x_px,
        y_px=frame.y_px + y0 - raster.crop_y_px,
    )


def lay_out(
    *,
    footage_px: tuple[int, int],
    ratio: float,
    fit: str,
    zoom: float = 1.0,
    crop_position: tuple[float, float] = (0.5, 0.5),
    eye_height: float | None = None,
    width_px: int = 0,
    proxy: float = 1.0,
) -> Raster:
    """The finished picture's raster on the footage.

    ``ratio`` is the finished one, ``width_px`` the finished width (0: as cut), ``proxy`` a further factor. The
    canvas's width is rounded first and its height from it, so that the ratio is right to half a pixel.
    """
    w, h = footage_px
    as_cut_px = (max(w, h * ratio) if fit == "pad" else min(w, h * ratio)) / zoom
    scale = (width_px / as_cut_px if width_px else 1.0) * proxy
    exact_width_px = as_cut_px * scale
    plate_w, plate_h = max(1, round(w * scale)), max(1, round(h * scale))
    canvas_w = max(1, round(exact_width_px))
    canvas_h = max(1, round(canvas_w / ratio))
    if fit == "crop":
        canvas_w, canvas_h = min(canvas_w, plate_w), min(canvas_h, plate_h)
    room_x, room_y = plate_w - canvas_w, plate_h - canvas_h
    crop_x = round(room_x * crop_position[0]) if room_x > 0 else -((-room_x) // 2)
    crop_y = round(room_y * crop_position[1]) if room_y > 0 else -((-room_y) // 2)
    if eye_height is not None and room_y > 0:
        crop_y = min(max(round(eye_height * plate_h - canvas_h / 3.0), 0), room_y)
    return Raster(canvas_w, canvas_h, exact_width_px, crop_x, crop_y, plate_w, plate_h, scale)


def _span(start: int, length: int, plate: int, overscan: int) -> tuple[int, int]:
    return max(0, start - overscan), min(plate, start + length + overscan)


STAGE = Stage(name="framing", settings=FramingSettings, plan=plan, apply=apply)
