"""Blur: the radius of the disc with the same second moment, from a lamp's image or from an edge.

A disc of radius r has the variance r^2/4 along any line through its middle (its second moment pi r^4/4 over its area
pi r^2), and a line spread of the same variance. Variances of what follows one another add: that of the pixel's own
box, 1/12, is taken off, and of an edge also that of its bins.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from widegauge.measure.doubt import edge_doubts, lamp_doubts, overshoot_frac
from widegauge.measure.edge import sides
from widegauge.measure.lamp import Lamp, find_lamp
from widegauge.measure.refusal import RefusalError
from widegauge.measure.spread import BIN_PX, EdgeLine, EdgeSpread, edge_spread, luminance

Float64 = npt.NDArray[np.float64]

CHANNELS = ("R", "G", "B", "Y")
PIXEL_VARIANCE = 1.0 / 12.0
BIN_VARIANCE = BIN_PX * BIN_PX / 12.0
WINDOW_RADII, WINDOW_PX = 1.5, 3.0
"""Light is counted to 1.5 radii and 3 pixels more: all of a disc, and of a Gaussian of the same moment 3 sigma."""

_PASSES = 30
_FEWEST_BINS = 12


@dataclass(frozen=True, slots=True)
class Blur:
    """One channel: radius of the disc with the image's second moment, and the standard error that noise leaves."""

    name: str
    radius_px: float
    error_px: float


@dataclass(frozen=True, slots=True)
class BlurFound:
    """Blur of R, G, B and luminance, what it was found from (a lamp or an edge), and what makes it less sure."""

    channels: tuple[Blur, ...]
    lamp: Lamp | None
    line: EdgeLine | None
    doubts: tuple[str, ...] = ()

    def channel(self, name: str) -> Blur:
        """A channel by its name; KeyError when it could not be measured."""
        for each in self.channels:
            if each.name == name:
                return each
        raise KeyError(name)


def measure_lamp_blur(
    rgb: npt.NDArray[np.floating], *, at: tuple[int, int] | None = None, less_px: float = 0.0
) -> BlurFound:
    """Blur from the image of a lamp that would be a point if it were in focus.

    rgb       (H, W, 3) scene-linear light
    at        x, y of a pixel near the lamp; the brightest without it
    less_px   radius that the lamp has by itself, taken off in quadrature

    RefusalError when there is no lamp or it is cut off.
    """
    lamp = find_lamp(rgb, at=at)
    planes = np.concatenate([np.moveaxis(rgb.astype(np.float64), 2, 0), luminance(rgb)[None]])
    found, elongation = [], 1.0
    for c, name in enumerate(CHANNELS):
        moment = lamp_moment(planes[c], lamp)
        if moment is not None:
            elongation = moment[2]
            found.append(_blur(name, moment[0] - PIXEL_VARIANCE, moment[1], less_px))
    if not found:
        raise RefusalError("the lamp has no light above its surroundings", "choose another lamp with --at")
    y, x = np.ogrid[: rgb.shape[0], : rgb.shape[1]]
    spot = np.hypot(x - lamp.x_px, y - lamp.y_px) <= max(1.0, lamp.radius_px)
    return BlurFound(tuple(found), lamp, None, lamp_doubts(planes[-1], spot, elongation=elongation))


def measure_edge_blur(rgb: npt.NDArray[np.floating], *, less_px: float = 0.0) -> BlurFound:
    """Blur from the one slanted edge in a region; parameters and refusals as for ``measure_edge``."""
    guide = luminance(rgb)
    planes = np.concatenate([np.moveaxis(rgb.astype(np.float64), 2, 0), guide[None]])
    spread = edge_spread(planes, guide=guide)
    found: list[Blur] = []
    refused: RefusalError | None = None
    for c, name in enumerate(CHANNELS):
        try:
            variance, error = _edge_moment(spread, c)
        except RefusalError as refusal:
            refused = refusal
            continue
        own = PIXEL_VARIANCE + BIN_VARIANCE
        found.append(_blur(name, variance - own, error, less_px))
    if refused is not None and (not found or found[-1].name != "Y"):
        raise refused
    dark, bright = sides(spread, len(planes) - 1)
    if over := overshoot_frac(spread, dark=dark, bright=bright):
        raise RefusalError(
            f"sharpened: light overshoots beside the edge by {100 * over:.0f} % of the step, and has no blur radius",
            "take the picture from before it was sharpened",
        )
    return BlurFound(tuple(found), None, spread.line, edge_doubts(spread, dark=dark, bright=bright))


def _blur(name: str, variance: float, error: float, less_px: float) -> Blur:
    radius = 2.0 * math.sqrt(max(0.0, variance - less_px * less_px / 4.0))
    return Blur(name, radius, 2.0 * error / max(radius, 0.5))


def lamp_moment(plane: Float64, lamp: Lamp) -> tuple[float, float, float] | None:
    """Variance along a line of one channel's image of the lamp, mean of all directions, and its standard error.

    Third comes the image's length over its width, as far as noise does not explain it.
    """
    height, width = plane.shape
    cx, cy, radius = lamp.x_px, lamp.y_px, max(1.0, lamp.radius_px)
    variance, error, elongation = 0.0, 0.0, 1.0
    for _ in range(_PASSES):
        reach = WINDOW_RADII * radius + WINDOW_PX
        far = math.ceil(1.4 * reach + 3.0)
        x0, y0 = max(0, round(cx) - far), max(0, round(cy) - far)
        part = plane[y0 : round(cy) + far + 1, x0 : round(cx) + far + 1]
        y, x = np.mgrid[y0 : y0 + part.shape[0], x0 : x0 + part.shape[1]].astype(np.float64)
        distance = np.hypot(x - cx, y - cy)
        inside, ring = distance <= reach, (distance > reach + 1.0) & (distance <= far)
        if ring.sum() < 24:
            return None
        ground = float(np.median(part[ring]))
        noise = 1.4826 * float(np.median(np.abs(part[ring] - ground)))
        light = np.where(inside, part - ground, 0.0)
        total = float(light.sum())
        if total <= 0.0:
            return None
        cx, cy = float((light * x).sum() / total), float((light * y).sum() / total)
        half = 0.5 * ((x - cx) ** 2 + (y - cy) ** 2)
        variance = float((light * half).sum() / total)
        if variance <= 0.0:
            return None
        error = noise * math.sqrt(float(((half - variance)[inside] ** 2).sum())) / total
        apart = math.hypot(
            float((light * 0.5 * ((x - cx) ** 2 - (y - cy) ** 2)).sum()), float((light * (x - cx) * (y - cy)).sum())
        )
        unequal = min(max(0.0, apart / total - 4.0 * error), 0.99 * variance)
        elongation = math.sqrt((variance + unequal) / (variance - unequal))
        before, radius = radius, 2.0 * math.sqrt(variance)
        if abs(radius - before) < 1e-3 * radius:
            break
    if cx - reach < 0 or cy - reach < 0 or cx + reach > width - 1 or cy + reach > height - 1:
        raise RefusalError("the lamp's image reaches the picture's border", "choose another lamp with --at")
    return variance, error, elongation


def _edge_moment(spread: EdgeSpread, channel: int) -> tuple[float, float]:
    """Variance of one channel's line spread, and its standard error.

    By parts, from the step itself, which is less noisy than its slope: with e from 0 to 1 the mean is W - int e dx
    and the variance int 2 |x - mean| (1 - e, e before the mean) dx, both over -W to W.
    """
    dark, bright = sides(spread, channel)
    x, light = spread.distance_px, spread.light[channel]
    noise, reach, centre = float(spread.noise[channel].max()), spread.reach_px, 0.0
    variance, error = 0.0, 0.0
    for _ in range(_PASSES):
        low, high = x < centre - reach, x > centre + reach
        if min(low.sum(), high.sum()) >= _FEWEST_BINS:
            dark, bright = float(light[low].mean()), float(light[high].mean())
            level_error = noise * math.sqrt(1.0 / spread.pixels[low].sum() + 1.0 / spread.pixels[high].sum())
        else:
            level_error = noise * math.sqrt(16.0 / spread.pixels.sum())
        inside = ~(low | high)
        share = (light[inside] - dark) / (bright - dark)
        at = x[inside]
        mean = float(at[-1] + BIN_PX / 2.0 - BIN_PX * share.sum())
        short = np.where(at < mean, share, 1.0 - share)
        variance = max(0.0, float((2.0 * BIN_PX * np.abs(at - mean) * short).sum()))
        in_bins = noise**2 / np.maximum(spread.pixels[inside], 1.0)
        of_bins = float((in_bins * (2.0 * BIN_PX * (at - mean)) ** 2).sum())
        error = math.sqrt(of_bins + (level_error * reach * reach) ** 2) / (bright - dark)
        centre = mean
        before, reach = reach, min(spread.reach_px, WINDOW_RADII * 2.0 * math.sqrt(variance) + WINDOW_PX)
        if abs(reach - before) < BIN_PX / 2.0:
            break
    return variance, error
