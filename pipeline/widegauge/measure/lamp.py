"""Lamps: find a small bright thing, and see light against distance from it."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.ndimage import label, uniform_filter

from widegauge.measure.refusal import RefusalError
from widegauge.measure.spread import luminance

Float64 = npt.NDArray[np.float64]

NEAR_PX = 24
"""A place that is given counts as on the lamp when the lamp's brightest pixel is no farther than this."""

LOWEST_RATIO = 4.0
"""A lamp is at least so many times as bright as what surrounds it."""

LARGEST_SHARE = 0.1
SECTORS = 12
"""A profile is taken in so many sectors; the lowest and highest quarter of them are left out, so that a neighbour
that shines into some does not count."""


@dataclass(frozen=True, slots=True)
class Lamp:
    """A lamp's image.

    x_px, y_px   centroid of its light, pixel centres at whole numbers
    radius_px    of the disc with the area that is brighter than half its level
    level        its luminance above the surroundings
    background   luminance of the surroundings
    border_px    distance to the picture's nearest border
    """

    x_px: float
    y_px: float
    radius_px: float
    level: float
    background: float
    border_px: float


@dataclass(frozen=True, slots=True)
class Profile:
    """Light against distance.

    radius_px  (N,) middle of each ring
    light      (C, N) mean of each ring
    error      (C, N) standard error of that
    pixels     (N,) pixels in each ring
    """

    radius_px: Float64
    light: Float64
    error: Float64
    pixels: Float64


def find_lamp(rgb: npt.NDArray[np.floating], *, at: tuple[int, int] | None = None) -> Lamp:
    """The brightest thing in a picture, or the one at a place.

    rgb   (H, W, 3) scene-linear light
    at    x, y of a pixel on or near the lamp

    RefusalError when nothing there stands out, it is cut off by the border, or it is no small thing.
    """
    light = luminance(rgb)
    height, width = light.shape
    if not np.isfinite(light).all():
        raise RefusalError("the picture holds values that are not numbers", "heal it first")
    soft = uniform_filter(light, 3)
    if at is None:
        y, x = np.unravel_index(int(np.argmax(soft)), soft.shape)
    else:
        if not (0 <= at[0] < width and 0 <= at[1] < height):
            raise RefusalError(f"{at[0]},{at[1]} lies outside the picture", f"it is {width} x {height} pixels")
        x0, y0 = max(0, at[0] - NEAR_PX), max(0, at[1] - NEAR_PX)
        near = soft[y0 : at[1] + NEAR_PX + 1, x0 : at[0] + NEAR_PX + 1]
        y, x = np.unravel_index(int(np.argmax(near)), near.shape)
        y, x = y + y0, x + x0
    background, level = float(np.median(light)), float(soft[y, x])
    for _ in range(4):
        spots, _ = label(soft > background + 0.5 * (level - background))
        mine = spots == spots[y, x]
        area = int(np.count_nonzero(mine))
        if spots[y, x] == 0 or level < LOWEST_RATIO * max(background, 0.0) or level <= 0.0:
            raise RefusalError(
                f"no lamp: the brightest place, {level:.4g}, is less than {LOWEST_RATIO:g} times its surroundings, "
                f"{background:.4g}",
                "say where it is with --at, or choose a picture with a small bright lamp on a dark ground",
            )
        if area > LARGEST_SHARE * light.size:
            raise RefusalError("no lamp: what is brightest fills more than a tenth of the picture", "use --at")
        ys, xs = np.nonzero(mine)
        level = float(np.median(light[mine]))
        around = math.sqrt(area / math.pi)
        y1, x1 = int(ys.mean()), int(xs.mean())
        far = math.ceil(3.0 * around + 8.0)
        box = light[max(0, y1 - far) : y1 + far + 1, max(0, x1 - far) : x1 + far + 1]
        background = float(np.quantile(box, 0.25))
    weight = light[mine] - background
    cx, cy = float((xs * weight).sum() / weight.sum()), float((ys * weight).sum() / weight.sum())
    border = min(cx, cy, width - 1 - cx, height - 1 - cy)
    if xs.min() == 0 or ys.min() == 0 or xs.max() == width - 1 or ys.max() == height - 1:
        raise RefusalError("the lamp is cut off by the picture's border", "choose another lamp with --at")
    return Lamp(cx, cy, math.sqrt(area / math.pi), level - background, background, border)


def radial_profile(planes: Float64, *, x_px: float, y_px: float, reach_px: float, step_px: float = 0.5) -> Profile:
    """Mean light in rings around a place.

    planes    (C, H, W) float64
    step_px   width of a ring

    Each ring is the mean of the middle half of its sectors' means, where every sector has pixels; else of all pixels.
    """
    height, width = planes.shape[1:]
    x0, x1 = max(0, math.ceil(x_px - reach_px)), min(width - 1, math.floor(x_px + reach_px))
    y0, y1 = max(0, math.ceil(y_px - reach_px)), min(height - 1, math.floor(y_px + reach_px))
    y, x = np.mgrid[y0 : y1 + 1, x0 : x1 + 1].astype(np.float64)
    radius = np.hypot(x - x_px, y - y_px).ravel()
    ring = (radius / step_px).astype(np.int64)
    rings = int(reach_px / step_px)
    inside = ring < rings
    turn = np.arctan2(y - y_px, x - x_px).ravel()[inside]
    sector = np.minimum(((turn + math.pi) / (2.0 * math.pi) * SECTORS).astype(np.int64), SECTORS - 1)
    cell = ring[inside] * SECTORS + sector
    count = np.bincount(cell, minlength=rings * SECTORS).reshape(rings, SECTORS).astype(np.float64)
    pixels = count.sum(axis=1)
    middle = np.bincount(ring[inside], weights=radius[inside], minlength=rings) / np.maximum(pixels, 1.0)
    light, error = [], []
    for plane in planes:
        values = plane[y0 : y1 + 1, x0 : x1 + 1].ravel()[inside]
        total = np.bincount(cell, weights=values, minlength=rings * SECTORS).reshape(rings, SECTORS)
        square = np.bincount(cell, weights=values * values, minlength=rings * SECTORS).reshape(rings, SECTORS)
        mean = total.sum(axis=1) / np.maximum(pixels, 1.0)
        spread = np.maximum(0.0, square.sum(axis=1) / np.maximum(pixels, 1.0) - mean * mean)
        parts = np.sort(total / np.maximum(count, 1.0), axis=1)
        kept = parts[:, SECTORS // 4 : SECTORS - SECTORS // 4].mean(axis=1)
        light.append(np.where(count.min(axis=1) >= 2, kept, mean))
        error.append(np.sqrt(spread / np.maximum(pixels, 1.0)))
    full = pixels > 0
    return Profile(middle[full], np.stack(light)[:, full], np.stack(error)[:, full], pixels[full])
