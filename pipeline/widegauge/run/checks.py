"""Numbers found on every finished frame, few enough for the record, so that a shot's frames can be held together.

They are taken in linear light, in the finished window, before the first stage that changes a value and after the
last one; what the file can hold is looked at in code values. Means are weighted by a raised cosine that is nought at
the window's border, so that light which blur carries over the border does not count.
"""

from __future__ import annotations

import hashlib
import math
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import cv2
import numpy as np
import numpy.typing as npt

from widegauge.frame import Float32
from widegauge.media.picture import Picture
from widegauge.media.writer import HALF_MAX
from widegauge.physics.emulsion import MID_GREY_LINEAR
from widegauge.plan import Plan
from widegauge.stages.grain import GrainPlan
from widegauge.stages.stage import Raster

CELLS_WIDE = 960
"""Light is looked at in cells, means of n x n pixels, at most so many across: finer, grain would hide the picture."""

PARTS = 3
"""Detail is found in so many parts across and down: a nearer thing may get softer while the distance gets sharper."""

DETAIL_FLOOR_STOPS = 6.0
"""Light further below mid-grey counts as just so far below: noise in the dark is no detail."""

BLACK_STOPS = 10.0
"""Light further below mid-grey is black; common practice, no source."""

LIGHT_FLOOR_STOPS = 8.0
"""Laid under the mean light of a record before stops are taken of it: a record without light has none to lose."""

CUT_CODE = 0.02
"""A code beyond the ends by less than this share of full scale loses nothing that shows: 0.06 stops at white, sRGB."""

_DIGITS = 6
_SHARE_UNIT = "share of the light"
_LEGAL_ENDS = ((1.0 - 16.0) / 219.0, (254.0 - 16.0) / 219.0)
"""Codes 1 and 254 of 8 bits, black at 16 and white at 235 (ITU-R BT.709-6, item 5.5): a movie goes beyond white."""


@dataclass(frozen=True, slots=True)
class Look:
    """What one look at a picture in linear light finds.

    light       weighted mean of R, G, B
    detail      for each part, row by row: mean difference between neighbouring cells, in stops
    black_frac  share of the cells that are black
    digest      of the cells: two pictures with one digest are the same
    """

    light: tuple[float, float, float]
    detail: tuple[float, ...]
    black_frac: float
    digest: str


@dataclass(frozen=True, slots=True)
class Clipped:
    """Shares of pixels with a code beyond what a file holds at its upper and at its lower end."""

    high_frac: float = 0.0
    low_frac: float = 0.0


def look_at_light(rgb: Float32, *, exposure_stops: float) -> Look:
    """Look at (H, W, 3) scene-linear light; mid-grey is 0.18 after ``exposure_stops``."""
    grey = np.float32(MID_GREY_LINEAR * 2.0**-exposure_stops)
    cells = _cells(rgb)
    height, width = cells.shape[:2]
    weights = _weights(height, width)
    mean = np.einsum("hw,hwc->hc", weights, cells).sum(axis=0, dtype=np.float64)
    brightest = _of_three(np.maximum, cells)
    digest = hashlib.blake2b(cells.tobytes(), digest_size=8).hexdigest()
    black = _share(brightest <= grey * np.float32(2.0**-BLACK_STOPS))
    return Look((float(mean[0]), float(mean[1]), float(mean[2])), _detail(cells, grey), black, digest)


def clipped_coming(codes: Float32, *, kind: str, stretched: bool) -> Clipped:
    """Shares of (H, W, 3) code values as shot that stand at an end of what their file holds."""
    low, high = _LEGAL_ENDS if kind == "movie" and stretched else _ends(kind)
    some = some_pixels(codes)
    return Clipped(_share(_of_three(np.maximum, some) >= high), _share(_of_three(np.minimum, some) <= low))


def clipped_going(codes: Float32, *, kind: str) -> Clipped:
    """Shares of (H, W, 3) finished code values of which a file of this kind cuts off what would show."""
    low, high = _ends(kind)
    some = some_pixels(codes)
    most, least = _of_three(np.maximum, some), _of_three(np.minimum, some)
    return Clipped(_share(most > high + CUT_CODE), _share(least < low - CUT_CODE))


def checks_of(
    plan: Plan, *, before: Look, after: Look, came: Clipped, goes: Clipped, made_up: str = ""
) -> dict[str, Any]:
    """The numbers for the record.

    light_before, light_after   mean of R, G and B, linear
    light_stops                 difference for R, G, B
    light_error_stops           what grain (one standard error) and the spread of light can do to that by themselves
    detail_before, detail_after for each part, in stops from cell to cell
    black_before, black_after   shares of the cells
    clipped_high, clipped_low   share of pixels that the output's format cuts, less what the footage's had cut
    before, after               digests
    made_up                     "hold" or "black" where the footage lacks this frame; else left out
    """
    floor = MID_GREY_LINEAR * 2.0 ** (-plan.setup.exposure_stops - LIGHT_FLOOR_STOPS)
    found: dict[str, Any] = {
        "light_before": _short(sum(before.light) / 3.0),
        "light_after": _short(sum(after.light) / 3.0),
        "light_stops": [
            _short(math.log2((max(new, 0.0) + floor) / (max(old, 0.0) + floor)))
            for old, new in zip(before.light, after.light, strict=True)
        ],
        "light_error_stops": [_short(_grain_error_stops(plan)), _short(_spread_error_stops(plan))],
        "detail_before": [_short(each) for each in before.detail],
        "detail_after": [_short(each) for each in after.detail],
        "black_before": _short(before.black_frac),
        "black_after": _short(after.black_frac),
        "clipped_high": _short(goes.high_frac - came.high_frac),
        "clipped_low": _short(goes.low_frac - came.low_frac),
        "before": before.digest,
        "after": after.digest,
    }
    return found | ({"made_up": made_up} if made_up else {})


def picture_part(raster: Raster, pixels: Float32, *, x_px: int, y_px: int) -> Float32:
    """The part of pixels that lie at x, y of the finished raster which shows footage: no overscan, no bars."""
    top, left = max(0, -raster.crop_y_px), max(0, -raster.crop_x_px)
    bottom = min(raster.height_px, raster.plate_height_px - raster.crop_y_px)
    right = min(raster.width_px, raster.plate_width_px - raster.crop_x_px)
    return pixels[top - y_px : bottom - y_px, left - x_px : right - x_px]


def footage_part(raster: Raster, picture: Picture) -> Float32:
    """The same part in a picture as shot."""
    scale = raster.scale
    top, left = max(0, raster.crop_y_px), max(0, raster.crop_x_px)
    bottom, right = raster.crop_y_px + raster.height_px, raster.crop_x_px + raster.width_px
    rows, columns = (
        slice(int(top / scale), math.ceil(bottom / scale)),
        slice(int(left / scale), math.ceil(right / scale)),
    )
    return picture.rgb[rows, columns]


def some_pixels(codes: Float32) -> Float32:
    """Every n-th row and column of (H, W, 3) pixels."""
    n = _cell_px(codes.shape[1])
    return np.ascontiguousarray(codes[::n, ::n])


def _cell_px(width_px: int) -> int:
    return max(1, -(-width_px // CELLS_WIDE))


def _cells(rgb: Float32) -> Float32:
    """Means of n x n pixels; what is left over at the right and the bottom is left out."""
    height, width = rgb.shape[:2]
    n = min(_cell_px(width), height)
    if n == 1:
        return rgb
    whole = rgb[: height // n * n, : width // n * n]
    return np.asarray(cv2.resize(whole, (width // n, height // n), interpolation=cv2.INTER_AREA), dtype=np.float32)


def _detail(cells: Float32, grey: np.float32) -> tuple[float, ...]:
    light = _of_three(np.add, cells) / np.float32(3.0)
    stops = np.log2(np.maximum(light, grey * np.float32(2.0**-DETAIL_FLOOR_STOPS)))
    found = []
    for rows in np.array_split(stops, PARTS):
        for part in np.array_split(rows, PARTS, axis=1):
            steps = [np.abs(np.diff(part, axis=axis)) for axis in (0, 1)]
            found.append(float(np.mean([step.mean() for step in steps if step.size] or [0.0])))
    return tuple(found)


@lru_cache(maxsize=4)
def _weights(height: int, width: int) -> Float32:
    """A raised cosine over the window, nought at its border, with sum 1."""
    down, across = (np.sin(np.pi * (np.arange(size) + 0.5) / size) ** 2 for size in (height, width))
    weights = np.outer(down, across)
    return np.asarray(weights / weights.sum(), dtype=np.float32)


def _grain_error_stops(plan: Plan) -> float:
    """Standard error of the mean light that comes of grain: a pixel's noise at mid-grey over the root of their number.

    The taps of the grain's kernel tell how far neighbouring pixels go together (sum k^2 = 1); the weights of the mean
    leave 4/9 of the pixels.
    """
    grain = next((stage.planned for stage in plan.stages if stage.name == "grain" and stage.acts), None)
    if not isinstance(grain, GrainPlan):
        return 0.0
    noise_stops = max(row.negative or 0.0 for row in grain.rows if row.unit == "stops")
    pixels = plan.setup.raster.width_px * plan.setup.raster.height_px * 4.0 / 9.0
    return noise_stops * float(np.sum(grain.taps)) ** 2 / math.sqrt(pixels)


def _spread_error_stops(plan: Plan) -> float:
    """How much the weighted mean may change when the stages spread light as far as they reach.

    A disc of radius r has variance r^2 / 4 along an axis; spread by it, the weights change by at most half that
    variance times their curvature, which is 2 (pi / size)^2 where they are highest, over their value of 1. Halation
    reaches far, with a small share of the light.
    """
    variance_px2 = 0.0
    for stage in plan.stages:
        if stage.acts and stage.planned is not None:
            shares = [row.difference or 0.0 for row in stage.planned.rows if row.unit == _SHARE_UNIT]
            variance_px2 += max(shares, default=1.0) * stage.planned.reach_px**2 / 4.0
    raster = plan.setup.raster
    curvature = 2.0 * math.pi**2 * (1.0 / raster.width_px**2 + 1.0 / raster.height_px**2)
    return math.log2(1.0 + 0.5 * variance_px2 * curvature)


def _ends(kind: str) -> tuple[float, float]:
    if kind == "exr-half":
        return -HALF_MAX, HALF_MAX
    return (-math.inf, math.inf) if kind in ("exr-float", "tiff-float") else (0.0, 1.0)


def _of_three(join: np.ufunc, pixels: Float32) -> Float32:
    """R, G and B of (H, W, 3) pixels joined into one plane; many times as fast as along the last axis."""
    return np.asarray(join(join(pixels[..., 0], pixels[..., 1]), pixels[..., 2]), dtype=np.float32)


def _share(found: npt.NDArray[np.bool_]) -> float:
    return float(np.count_nonzero(found)) / found.size


def _short(value: float) -> float:
    return float(f"{value:.{_DIGITS}g}")
