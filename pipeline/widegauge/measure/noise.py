"""Noise: how strong a shot's own noise is at each level of light, from its flat parts.

Each 2 x 2 cell of the green channel gives a diagonal difference (a - b - c + d) / 2, whose sigma is that of white
noise. Cells are judged flat by what 2 x 2 means do around them, which white noise leaves independent of the diagonal
difference, so that choosing quiet neighbourhoods does not choose quiet noise. Spread is the median absolute
deviation x 1.4826 (P. J. Rousseeuw and C. Croux, JASA 88, 1993). Noise that a camera has already smoothed is not
white and reads low. Green stands for all three: it is the least filtered record of a mosaic sensor.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.ndimage import maximum_filter, uniform_filter

from widegauge.frame import Float32
from widegauge.measure.doubt import noise_doubts

Float64 = npt.NDArray[np.float64]

GREEN = 1
BINS_PER_STOP = 2
LOWEST_LINEAR = 2.0**-14
HIGHEST_LINEAR = 2.0**6
FLAT_SHARE = 0.1
"""Share of a level's cells, the flattest, that are measured."""

FEWEST_CELLS = 400
"""A level with fewer measured cells over the shot is left out (sigma's own error is then above 6 %)."""

CLIPPED_SHARE = 1e-3
"""Share of pixels at the lowest or highest value above which that value counts as a clip."""

DEAD_SHARE = 0.05
"""Share of cells without any difference above which a level counts as too coarsely coded, unless all are like that."""

MAD_TO_SIGMA = 1.4826
MAD_ERROR = 1.17
"""Relative error of sigma from n Gaussian values by MAD: 1.17 / sqrt(n) (efficiency 0.37, Rousseeuw and Croux)."""


FRAMES = 5
"""Of a long shot no more frames than these, spread over it, are read."""


def frames_to_read(numbers: Sequence[int]) -> list[int]:
    """The frames of a shot that its noise is read from: all of a short one, else the ends and some between."""
    last = len(numbers) - 1
    return sorted({numbers[round(i * last / (FRAMES - 1))] for i in range(FRAMES)})


@dataclass(frozen=True, slots=True)
class NoiseFound:
    """What was found: rows (linear level, sigma) with rising levels, and for each how sure.

    cells    measured 2 x 2 cells, over all frames
    error    relative error of sigma to expect from that number alone
    frames   frames that were looked at
    doubts   what makes the numbers less sure, a sentence each
    """

    rows: tuple[tuple[float, float], ...]
    cells: tuple[int, ...]
    error: tuple[float, ...]
    frames: int
    doubts: tuple[str, ...] = ()


def measure_noise(frames: Iterable[Float32]) -> tuple[tuple[float, float], ...]:
    """Rows (linear level, sigma) of a shot's noise, levels rising, half a stop apart; empty if nothing is flat enough.

    frames   (H, W, 3) float32 scene-linear pictures of one shot; at least 8 x 8
    """
    return find_noise(frames).rows


def find_noise(frames: Iterable[Float32]) -> NoiseFound:
    """``measure_noise`` with how sure it is.

    Texture only adds to what is read, and noise grows with light, so a level is held to what any brighter level reads
    (within twice its error). Levels where cells without any difference abound (coarse code values) are left out.
    """
    count = round(BINS_PER_STOP * np.log2(HIGHEST_LINEAR / LOWEST_LINEAR))
    variance, cells, light = np.zeros(count), np.zeros(count, dtype=np.int64), np.zeros(count)
    wide = np.zeros(count)
    dead, found = np.zeros(count, dtype=np.int64), np.zeros(count, dtype=np.int64)
    seen = 0
    for rgb in frames:
        seen += 1
        level, diagonal, relief = _cells(rgb[..., GREEN])
        place = np.floor(BINS_PER_STOP * np.log2(np.maximum(level, LOWEST_LINEAR) / LOWEST_LINEAR)).astype(np.int64)
        place[np.isinf(relief)] = -1
        for i in np.unique(place[(place >= 0) & (place < count)]):
            here = np.flatnonzero(place == i)
            flat = here[np.argsort(relief[here], kind="stable")[: max(1, int(FLAT_SHARE * here.size))]]
            spread = MAD_TO_SIGMA * float(np.median(np.abs(diagonal[flat] - np.median(diagonal[flat]))))
            variance[i] += flat.size * spread * spread
            light[i] += float(level[flat].sum())
            wide[i] += float(relief[flat].sum())
            cells[i] += flat.size
            found[i] += here.size
            dead[i] += np.count_nonzero(diagonal[here] == 0.0)
    alive = dead <= DEAD_SHARE * found
    used = np.flatnonzero((cells >= FEWEST_CELLS) & (alive if np.any(alive & (cells >= FEWEST_CELLS)) else True))
    if used.size == 0:
        return NoiseFound((), (), (), seen)
    sigma, error = np.sqrt(variance[used] / cells[used]), MAD_ERROR / np.sqrt(cells[used])
    ceiling = np.minimum.accumulate((sigma * (1.0 + 2.0 * error))[::-1])[::-1]
    sigma = np.minimum(sigma, ceiling)
    return NoiseFound(
        rows=tuple((float(x), float(s)) for x, s in zip(light[used] / cells[used], sigma, strict=True)),
        cells=tuple(int(n) for n in cells[used]),
        error=tuple(float(e) for e in error),
        frames=seen,
        doubts=noise_doubts(float(np.sqrt(wide[used].sum() / max(float(variance[used].sum()), 1e-30)))),
    )


def _cells(plane: Float32) -> tuple[Float64, Float64, Float64]:
    """Of each 2 x 2 cell: mean, diagonal difference, and how far the mean is from those of its neighbours.

    That last is infinite beside pixels at the plane's lowest or highest value, where many lie there: they are clipped.
    """
    height, width = (plane.shape[0] // 2) * 2, (plane.shape[1] // 2) * 2
    even, odd = plane[0:height:2, :width].astype(np.float64), plane[1:height:2, :width].astype(np.float64)
    a, b, c, d = even[:, 0::2], even[:, 1::2], odd[:, 0::2], odd[:, 1::2]
    mean = (a + b + c + d) / 4.0
    down = np.diff(mean, axis=0, append=mean[-1:])
    along = np.diff(mean, axis=1, append=mean[:, -1:])
    relief = maximum_filter(np.maximum(uniform_filter(down * down + along * along, size=3), 0.0), size=3)
    for bound in (plane.min(), plane.max()):
        at_bound = plane[:height, :width] == bound
        if at_bound.mean() > CLIPPED_SHARE:
            cell = at_bound.reshape(height // 2, 2, width // 2, 2).any(axis=(1, 3))
            relief[maximum_filter(cell, size=3)] = np.inf
    return mean.ravel(), ((a - b - c + d) / 2.0).ravel(), relief.ravel()
