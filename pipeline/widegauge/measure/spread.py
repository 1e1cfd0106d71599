"""The spread of a slanted edge: light against distance from it, four bins to a pixel.

Every pixel is projected along the edge's normal, so that the slant lays the pixels of many rows between one another
(ISO 12233:2014, e-SFR). The line is found from the centroids of each row's derivative under a Hamming window that
follows the line of the pass before, and fitted with Tukey's weights, so that specks do not turn it.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
from scipy.ndimage import gaussian_filter

from widegauge.measure.refusal import RefusalError

Float64 = npt.NDArray[np.float64]

BIN_PX = 0.25
"""Width of a bin (ISO 12233: four to a pixel)."""

LUMINANCE = (0.2126, 0.7152, 0.0722)
"""Of R, G, B (ITU-R BT.709-6)."""

SMALLEST_SIDE_PX = 16
LOWEST_CONTRAST = 0.1
"""(bright - dark) / (bright + dark) below which an edge is not measured; ISO 12233 charts have 0.6 (4:1)."""

LOWEST_STEP_TO_NOISE = 3.0
FULL_BIN_SHARE = 0.4
"""Bins with fewer pixels than this share of the fullest lie at the region's corners and end the spread."""

MOST_EMPTY_SHARE = 0.05
MOST_BENT_PX = 1.0
"""Spread of the rows' centroids about the line above which there is no straight edge."""

SHADED_FRAC, SHADED_SIGMAS = 0.01, 4.0
"""Light of a side that changes by more than this share of the step, and so many sigma, over the region is shading.

Less is left alone: halation's own slope is of that order."""

_PLANE = 3
"""Terms of a surface that make a plane: 1, distance, place along the edge."""

_ODD = {1: -1.0, 3: 1.0}
"""Terms (distance, its square) that a spread's own tails may have, and what the dark side's then is to the bright's:
with this sign the two add up to nothing."""

_CLEAR_OF_SPREAD = 1.5
"""A side's shading is found from here on, in widths (5 to 95 %) of the spread."""

SPECK_SIGMAS, SPECK_FRAC = 8.0, 0.25
"""A pixel farther from the spread than so many sigma, and than this share of the step, is left out as a speck."""

_PASSES = 5
_TUKEY = 4.685
_MAD_TO_SIGMA = 1.4826


@dataclass(frozen=True, slots=True)
class EdgeLine:
    """A straight edge: x = at_px + slope y, or with x and y exchanged for an edge that is nearer to the horizontal.

    Pixel centres lie at whole numbers, counted from the region's first row and column.
    """

    at_px: float
    slope: float
    is_horizontal: bool

    @property
    def angle_deg(self) -> float:
        """Angle between edge and vertical, 0 to 90."""
        off = abs(math.degrees(math.atan(self.slope)))
        return 90.0 - off if self.is_horizontal else off


@dataclass(frozen=True, slots=True)
class EdgeSpread:
    """Light against distance from an edge, dark to bright.

    line         where the edge lies
    distance_px  (N,) bin centres along the normal, symmetric about 0
    light        (C, N) mean linear light of the bins
    pixels       (N,) pixels in each bin
    noise        (C, 2) sigma of pixels about the spread, on the dark and on the bright side
    rows         rows (columns) that the line was found from
    shaded_frac  by how much of the step light changed over a side, before that was taken out; 0: not taken out
    """

    line: EdgeLine
    distance_px: Float64
    light: Float64
    pixels: Float64
    noise: Float64
    rows: int
    shaded_frac: float = 0.0

    @property
    def reach_px(self) -> float:
        """Distance to which both sides were seen."""
        return float(self.distance_px[-1])


def luminance(rgb: npt.NDArray[np.floating]) -> Float64:
    """(H, W) float64 luminance of (H, W, 3) linear light in BT.709 primaries."""
    return np.asarray(rgb.astype(np.float64) @ np.asarray(LUMINANCE))


def edge_spread(planes: Float64, *, guide: Float64) -> EdgeSpread:
    """Project a region with one slanted edge.

    planes  (C, H, W) float64 scene-linear light
    guide   (H, W) float64, the plane that the line is found in

    RefusalError when there is no edge, or it is faint, bent, not slanted, or not free on both sides.
    """
    if min(guide.shape) < SMALLEST_SIDE_PX:
        raise RefusalError(
            f"a region of {guide.shape[1]} x {guide.shape[0]} pixels is too small for an edge",
            f"take at least {SMALLEST_SIDE_PX} x {SMALLEST_SIDE_PX}, better 60 x 100",
        )
    if not np.isfinite(planes).all():
        raise RefusalError("the region holds values that are not numbers", "choose another region, or heal the picture")
    line, rows = _find_line(guide)
    if line.is_horizontal:
        planes = planes.transpose(0, 2, 1)
    height, width = planes.shape[1:]
    y, x = np.mgrid[:height, :width].astype(np.float64)
    distance = ((x - line.at_px - line.slope * y) * math.cos(math.atan(line.slope))).ravel()
    flat = planes.reshape(len(planes), -1)
    if (flat[:, distance > 0.0].mean(axis=1) - flat[:, distance < 0.0].mean(axis=1)).sum() < 0.0:
        distance = -distance
    along: Float64 = (y + line.slope * x).ravel() * math.cos(math.atan(line.slope))
    flat, shaded_frac = _evenly_lit(flat, distance, along, _width_px(planes[-1], line.at_px, line.slope))
    return replace(_binned(flat, distance, line, rows), shaded_frac=shaded_frac)


def _evenly_lit(flat: Float64, distance: Float64, along: Float64, width_px: float) -> tuple[Float64, float]:
    """Pixels as they would be were each side evenly lit, and the largest change taken out, as a share of the step.

    To each side a plane is fitted, away from the spread, or a surface of second order where that is clearly curved,
    and every pixel's place between the two surfaces is kept: that undoes vignetting, which multiplies, as well as a
    lamp that lights one side only. Evenly lit sides stay as they are, and so do slopes that both sides share: the
    long tails of a spread are odd about the edge, shading is not.
    """
    reach = min(distance.max(), -distance.min())
    u, v = distance / reach, 2.0 * (along - along.mean()) / np.ptp(along)
    terms = np.stack([np.ones_like(u), u, v, u * u, u * v, v * v])
    clear = min(_CLEAR_OF_SPREAD * width_px / reach, 0.6)
    sides = (u < -clear, u > clear)
    for count in (len(terms), _PLANE):
        (dark, dark_error), (bright, bright_error) = (_surface(flat[:, side], terms[:count, side]) for side in sides)
        step = bright[:, :1] - dark[:, :1]
        change = np.maximum(np.abs(dark), np.abs(bright))
        for term, sign in _ODD.items():
            if term < count:
                change[:, term] = np.abs(bright[:, term] + sign * dark[:, term])
        change[:, 0] = 0.0
        shaded = change > np.maximum(SHADED_FRAC * step, SHADED_SIGMAS * np.maximum(dark_error, bright_error))
        if count == _PLANE or shaded[:, _PLANE:].any():
            break
    low, high = dark @ terms[:count], bright @ terms[:count]
    if not shaded.any() or (high <= low).any():
        return flat, 0.0
    return dark[:, :1] + step * (flat - low) / (high - low), float((change / step)[shaded].max())


def _surface(flat: Float64, terms: Float64) -> tuple[Float64, Float64]:
    """Weights (C, T) of the terms that fit one side, and their standard errors."""
    inverse = np.linalg.pinv(terms @ terms.T)
    weights: Float64 = flat @ terms.T @ inverse
    spread = (flat - weights @ terms).std(axis=1)
    return weights, spread[:, None] * np.sqrt(np.diag(inverse))


def _binned(flat: Float64, distance: Float64, line: EdgeLine, rows: int) -> EdgeSpread:
    place = np.rint(distance / BIN_PX).astype(np.int64)
    reach = int(np.abs(place).max())
    count: Float64 = np.bincount(place + reach, minlength=2 * reach + 1).astype(np.float64)
    smooth = np.convolve(count, np.ones(5) / 5.0, mode="same")
    thin = np.flatnonzero(smooth < FULL_BIN_SHARE * smooth.max()) - reach
    left, right = -thin[thin < 0].max(initial=-reach), thin[thin > 0].min(initial=reach)
    half = int(min(left, right)) - 1
    if half * BIN_PX < 4.0:
        raise RefusalError("the edge runs along the region's border", "choose a region with the edge in its middle")
    keep = np.abs(place) <= half
    for last in (False, True):
        at_bin, kept = place[keep] + half, flat[:, keep]
        offset: Float64 = distance[keep] - place[keep] * BIN_PX
        count = np.bincount(at_bin, minlength=2 * half + 1).astype(np.float64)
        empty = count == 0
        if empty.mean() > MOST_EMPTY_SHARE:
            raise RefusalError(
                f"the edge stands at {line.angle_deg:.2f} degrees from the vertical, so its rows see the same places",
                "turn the edge (or the camera) to about 5 degrees off an axis; 0, 45 and simple slopes do not serve",
            )
        at = BIN_PX * np.arange(-half, half + 1, dtype=np.float64)
        light = _means(kept, at_bin, count, at, empty)
        for _ in range(2):
            light = _means(kept - _tilt(light)[:, at_bin] * offset, at_bin, count, at, empty)
        rest = kept - light[:, at_bin] - _tilt(light)[:, at_bin] * offset
        if last:
            break
        step = np.abs(light[:, -half // 4 :].mean(axis=1) - light[:, : half // 4].mean(axis=1))
        usual = _MAD_TO_SIGMA * np.median(np.abs(rest), axis=1)
        keep[keep] = (np.abs(rest) <= np.maximum(SPECK_SIGMAS * usual, SPECK_FRAC * step)[:, None]).all(axis=0)
    far = np.abs(at_bin - half) > half // 2
    noise = np.stack([rest[:, far & (at_bin < half)].std(axis=1), rest[:, far & (at_bin > half)].std(axis=1)], axis=1)
    return EdgeSpread(line, at, light, count, noise, rows)


def _tilt(light: Float64) -> Float64:
    return np.asarray(np.gradient(light, BIN_PX, axis=1), dtype=np.float64)


def _means(
    flat: Float64, place: npt.NDArray[np.int64], count: Float64, at: Float64, empty: npt.NDArray[np.bool_]
) -> Float64:
    """Means of the bins; an empty one lies on the line between its neighbours."""
    full = ~empty
    return np.stack(
        [
            np.interp(at, at[full], np.bincount(place, weights=each, minlength=count.size)[full] / count[full])
            for each in flat
        ]
    )


def _find_line(guide: Float64) -> tuple[EdgeLine, int]:
    """The edge's line, and how many rows it rests on."""
    soft = gaussian_filter(guide, 1.5)
    down, along = np.gradient(soft)
    strength = np.hypot(along, down)
    strong = strength >= 0.5 * np.quantile(strength, 0.995)
    if not strong.any() or strength.max() == 0.0:
        raise RefusalError("there is no edge in the region: it is flat", "choose a region with one slanted edge")
    gx, gy = along[strong], down[strong]
    turn = 0.5 * math.atan2(2.0 * float((gx * gy).sum()), float((gx * gx - gy * gy).sum()))
    normal = (math.cos(turn), math.sin(turn))
    is_horizontal = abs(normal[0]) < abs(normal[1])
    ys, xs = (each.astype(np.float64) for each in np.nonzero(strong))
    if is_horizontal:
        guide, (xs, ys), normal = guide.T, (ys, xs), (normal[1], normal[0])
    slope = -normal[1] / normal[0]
    at = float(np.average(xs - slope * ys, weights=strength[strong]))
    rows = 0
    for _ in range(_PASSES):
        at, slope, rows, bent = _refine(guide, at, slope)
    if bent > MOST_BENT_PX:
        raise RefusalError(
            f"no straight edge: the rows scatter by {bent:.1f} pixels about a line",
            "choose a region with one straight slanted edge and nothing else",
        )
    return EdgeLine(at, slope, is_horizontal), rows


def _refine(guide: Float64, at: float, slope: float) -> tuple[float, float, int, float]:
    """One pass: centroids of the rows' derivatives around the line so far, and a line through them."""
    height, width = guide.shape
    step = np.diff(guide, axis=1)
    centre = at + slope * np.arange(height) - 0.5
    room = np.minimum(centre, width - 2 - centre)
    reach = min(_width_px(guide, at, slope) + 4.0, 0.45 * width)
    used = np.flatnonzero(room >= 0.6 * reach)
    if used.size < 8:
        raise RefusalError("no edge crosses the region", "choose a region with one slanted edge through its middle")
    half = np.minimum(reach, room[used])[:, None]
    offset = np.arange(width - 1)[None, :] - centre[used, None]
    window = np.where(np.abs(offset) <= half, 0.54 + 0.46 * np.cos(np.pi * offset / half), 0.0)
    rise = step[used] * window
    sign = 1.0 if rise.sum() >= 0.0 else -1.0
    total = sign * rise.sum(axis=1)
    sure = total > 0.25 * np.median(total)
    if sure.sum() < 8:
        raise RefusalError("no edge stands out of the noise", "choose a region with more contrast, or more of the edge")
    used, total = used[sure], total[sure]
    x = centre[used] + 0.5 + sign * (rise * offset)[sure].sum(axis=1) / total
    return _robust_line(used.astype(np.float64), x)


def _width_px(guide: Float64, at: float, slope: float) -> float:
    """About the 5 to 95 % distance of the spread along rows, from pixel-wide bins."""
    height, width = guide.shape
    y, x = np.mgrid[:height, :width]
    place = np.rint(x - at - slope * y).astype(np.int64).ravel()
    low = int(place.min())
    count = np.bincount(place - low)
    mean = np.bincount(place - low, weights=guide.ravel()) / np.maximum(count, 1)
    keep = np.flatnonzero(count >= 0.5 * count.max())
    mean = mean[keep]
    ends = max(2, mean.size // 8)
    first, last = float(np.median(mean[:ends])), float(np.median(mean[-ends:]))
    if first == last:
        return float(width)
    share = (mean - first) / (last - first)
    return 1.0 + float(np.count_nonzero((share > 0.05) & (share < 0.95)))


def _robust_line(y: Float64, x: Float64) -> tuple[float, float, int, float]:
    """x = at + slope y with Tukey's biweight (A. E. Beaton and J. W. Tukey, Technometrics 16, 1974)."""
    weight = np.ones_like(x)
    at, slope, spread = 0.0, 0.0, 0.0
    for _ in range(8):
        root = np.sqrt(weight)
        (at, slope), *_ = np.linalg.lstsq(np.stack([root, root * y], axis=1), root * x, rcond=None)
        rest = x - at - slope * y
        spread = _MAD_TO_SIGMA * float(np.median(np.abs(rest)))
        if spread < 1e-9:
            break
        weight = np.maximum(0.0, 1.0 - (rest / (_TUKEY * spread)) ** 2) ** 2
    return float(at), float(slope), int(np.count_nonzero(weight)), spread
