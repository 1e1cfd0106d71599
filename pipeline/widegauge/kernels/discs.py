"""Tables of blur kernels for every radius on a fixed ladder, as integers that can be added in any order.

A kernel of RUN_RADIUS_PX and more is a run per row: its two ends in 1/256 pixel, averaged over the row's height. A
smaller one is a dense square of whole 1/65536 that sum to 65536. Both have the second moment of the ideal shape: a
shape drawn on pixels gains 1/12 square pixel along each axis, so it is drawn that much smaller.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Float64 = npt.NDArray[np.float64]
Int32 = npt.NDArray[np.int32]
Chords = Callable[[Float64], tuple[Float64, Float64]]

RUN_RADIUS_PX = 1.5
"""From here on a kernel is a run per row."""
FINE_STEPS = 128
"""Radii per pixel below RUN_RADIUS_PX."""
OCTAVE_STEPS = 128
"""Radii per doubling from RUN_RADIUS_PX on, evenly spaced inside each octave."""
MAX_RADIUS_PX = 128.0
SMALL = int(RUN_RADIUS_PX * FINE_STEPS)
"""Number of dense kernels."""
DENSE = 5
SUB_ROWS = 32
EXACT_PX = 12.0
"""Kernels up to here are drawn until their second moment is right; beyond, it is within 0.1 % at once."""
GROUP_PX, GROUP_RATIO = 0.5, 0.12
"""Groups of radii reach over the larger of half a pixel and this share of the radius.

What lies in one group is averaged, not laid near over far: with groups of a pixel a lamp before the sky, half a pixel
apart in radius, lost 0.1 pixel of its light along its edge, and a quarter-size proxy with many lamps 3 % of all light.
"""


@dataclass(frozen=True, slots=True)
class Discs:
    """The ladder of kernels behind focus (entries 0 to count - 1) and in front of it (count to 2 count - 1).

    radius_px   (2 count,) float32
    dense       (2 SMALL, 5, 5) int32
    first       (2 count,) int32: where a kernel's runs start in ``ends``; the middle row is at first + rows
    rows        (2 count,) int32: rows above and below the middle, and columns aside of it, that a kernel can touch
    ends        (N, 2) int32: left and right end of each run in 1/256 px from the middle pixel's left border
    area        (2 count,) int32: sum of the runs in 1/256 px
    group       (2 count,) int32: place in the order from nearest to farthest
    squares     (2 count,) float32: sum of the squared weights
    quarter     (2 count, 4) float64: share of the area above left, above right, below left, below right of the middle
    groups      number of groups
    """

    count: int
    radius_px: npt.NDArray[np.float32]
    dense: Int32
    first: Int32
    rows: Int32
    ends: Int32
    area: Int32
    group: Int32
    squares: npt.NDArray[np.float32]
    quarter: Float64
    groups: int


def ladder_px() -> Float64:
    """Every radius that has a kernel."""
    runs = [RUN_RADIUS_PX]
    octave = 2.0 ** np.floor(np.log2(RUN_RADIUS_PX))
    while runs[-1] < MAX_RADIUS_PX:
        if runs[-1] >= 2.0 * octave:
            octave *= 2.0
        runs.append(runs[-1] + octave / OCTAVE_STEPS)
    return np.concatenate([np.arange(SMALL) / FINE_STEPS, np.array(runs)])


def build(chords: Chords, *, axis_variance: float) -> Discs:
    """The tables for a convex shape of area pi given by its chords at a height (y down), and its second moment."""
    radii = ladder_px()
    count = radii.size
    dense = np.zeros((2 * SMALL, DENSE, DENSE), np.int32)
    first, rows, area, squares = (np.zeros(2 * count) for _ in range(4))
    quarter = np.full((2 * count, 4), 0.25)
    ends: list[Int32] = []
    used = 0
    for i, radius in enumerate(radii):
        drawn = np.sqrt(max(radius * radius - 1.0 / (12.0 * axis_variance), 0.0))
        if i < SMALL:
            kernel = _dense(chords, max(drawn, 0.9), axis_variance * radius * radius)
            reach = int(np.nonzero(kernel.any(axis=0) | kernel.any(axis=1))[0].max()) - DENSE // 2
            for j, turned in ((i, kernel), (i + count, kernel[::-1, ::-1])):
                dense[j if j < count else j - count + SMALL] = turned
                rows[j], squares[j] = reach, float(((kernel / 65536.0) ** 2).sum())
            continue
        runs = _runs_of_variance(chords, drawn, axis_variance * radius * radius)
        total = int((runs[:, 1] - runs[:, 0]).sum())
        for j, turned in ((i, runs), (i + count, 256 - runs[::-1, ::-1])):
            first[j], rows[j], area[j] = used, runs.shape[0] // 2, total
            squares[j], quarter[j] = _squares(runs, total), _quarters(turned)
            ends.append(turned.astype(np.int32))
            used += runs.shape[0]
    borders = _group_borders()
    order = np.digitize(radii, borders)
    groups = 2 * int(order.max()) + 1
    middle = int(order.max())
    return Discs(
        count=count,
        radius_px=np.tile(radii, 2).astype(np.float32),
        dense=dense,
        first=first.astype(np.int32),
        rows=rows.astype(np.int32),
        ends=np.concatenate(ends),
        area=area.astype(np.int32),
        group=np.concatenate([middle + order, middle - order]).astype(np.int32),
        squares=squares.astype(np.float32),
        quarter=quarter,
        groups=groups,
    )


def _group_borders() -> Float64:
    borders = [0.5]
    while borders[-1] < MAX_RADIUS_PX:
        borders.append(borders[-1] + max(GROUP_PX, GROUP_RATIO * borders[-1]))
    return np.array(borders)


def _runs_of_variance(chords: Chords, drawn: float, variance: float) -> Int32:
    wide, high = drawn, drawn
    runs = _runs(chords, wide, high)
    for _ in range(4 if drawn < EXACT_PX else 0):
        along_x, along_y = _variances(runs)
        wide, high = wide * np.sqrt(variance / along_x), high * np.sqrt(variance / along_y)
        runs = _runs(chords, wide, high)
    return runs


def _runs(chords: Chords, wide: float, high: float) -> Int32:
    half = int(np.ceil(high * 1.6)) + 1
    at = (np.arange((2 * half + 1) * SUB_ROWS) + 0.5) / SUB_ROWS - half - 0.5
    left, right = (end.reshape(-1, SUB_ROWS) * wide for end in chords(at / high))
    width = right - left
    mean = width.mean(axis=1)
    middle = ((left + right) / 2.0 * width).sum(axis=1) / np.maximum(width.sum(axis=1), 1e-9)
    runs = np.stack([middle - mean / 2.0, middle + mean / 2.0], axis=1) * 256.0 + 128.0
    whole = np.rint(runs).astype(np.int32)
    reach = int(np.abs(np.nonzero(whole[:, 1] > whole[:, 0])[0] - half).max())
    aside = int(np.ceil(max(-whole.min() / 256.0, whole.max() / 256.0 - 1.0)))
    reach = min(max(reach, aside), half)
    kept = whole[half - reach : half + reach + 1]
    kept[kept[:, 1] <= kept[:, 0]] = 128
    return kept


def _covered(runs: Int32) -> tuple[Float64, Float64]:
    """How much of each pixel the runs cover, and the pixels' places along a row."""
    half = runs.shape[0] // 2 + 1
    pixels = np.arange(-half, half + 1)
    covered = np.minimum(runs[:, 1:], pixels * 256 + 256) - np.maximum(runs[:, :1], pixels * 256)
    return np.maximum(covered, 0).astype(np.float64), pixels.astype(np.float64)


def _variances(runs: Int32) -> tuple[float, float]:
    covered, pixels = _covered(runs)
    rows = np.arange(runs.shape[0]) - runs.shape[0] // 2
    total = covered.sum()
    return (
        float((covered.sum(axis=0) * pixels**2).sum() / total - ((covered.sum(axis=0) * pixels).sum() / total) ** 2),
        float((covered.sum(axis=1) * rows**2).sum() / total - ((covered.sum(axis=1) * rows).sum() / total) ** 2),
    )


def _squares(runs: Int32, total: int) -> float:
    covered, _ = _covered(runs)
    return float((covered**2).sum()) / float(total) ** 2


def _quarters(runs: Int32) -> Float64:
    """Shares of the area in the four quarters around the middle; the middle row counts half above, half below."""
    left = np.clip(128 - runs[:, 0], 0, None) - np.clip(128 - runs[:, 1], 0, None)
    right = np.clip(runs[:, 1] - 128, 0, None) - np.clip(runs[:, 0] - 128, 0, None)
    middle = runs.shape[0] // 2
    above = np.arange(runs.shape[0]) < middle
    half = np.where(np.arange(runs.shape[0]) == middle, 0.5, 0.0)
    shares = [(side * (rows + half)).sum() for rows in (above, above[::-1]) for side in (left, right)]
    quarters: Float64 = np.array(shares, np.float64) / sum(shares)
    return quarters


def _dense(chords: Chords, drawn: float, variance: float) -> Int32:
    half = DENSE // 2
    at = (np.arange(DENSE * SUB_ROWS) + 0.5) / SUB_ROWS - half - 0.5
    left, right = (end[:, None] * drawn for end in chords(at / drawn))
    pixels = np.arange(DENSE)[None, :] - half
    covered = np.maximum(np.minimum(right, pixels + 0.5) - np.maximum(left, pixels - 0.5), 0.0)
    kernel = covered.reshape(DENSE, SUB_ROWS, DENSE).mean(axis=1)
    kernel /= kernel.sum()
    squared = (np.arange(DENSE) - half) ** 2.0
    own = ((kernel.sum(axis=0) * squared).sum() + (kernel.sum(axis=1) * squared).sum()) / 2.0
    whole: Int32 = np.rint(kernel * min(variance / own, 1.0) * 65536.0).astype(np.int32)
    whole[half, half] += 65536 - whole.sum()
    return whole
