"""Luma and two colour differences, each on its own raster, to R'G'B'."""

from __future__ import annotations

import numba
import numpy as np
import numpy.typing as npt

from widegauge.frame import Float32
from widegauge.kernels.bands import for_bands

UInt16 = npt.NDArray[np.uint16]


def planes_to_rgb(
    luma: UInt16,
    blue: UInt16,
    red: UInt16,
    *,
    luma_black: float,
    luma_gain: float,
    chroma_zero: float,
    chroma_gain: float,
    matrix: tuple[float, float, float, float],
    centred_x: bool = False,
    centred_y: bool = True,
) -> Float32:
    """(H, W, 3) float32 from planes (H, W) and (H / 2^b, W / 2^a), rounded up; chroma is interpolated linearly.

    Y = (luma - luma_black) luma_gain, Cb and Cr alike; R = Y + m0 Cr, G = Y - m1 Cb - m2 Cr, B = Y + m3 Cb.
    A chroma sample lies on the first luma sample of its group, or in its middle where ``centred``; the edge is held.
    """
    height, width = luma.shape
    step_y, step_x = _step(height, blue.shape[0]), _step(width, blue.shape[1])
    out = np.empty((height, width, 3), dtype=np.float32)
    numbers = np.array([luma_black, luma_gain, chroma_zero, chroma_gain, *matrix], dtype=np.float32)
    left, share = _places(width, step_x, centred_x)
    above, share_below = _places(height, step_y, centred_y)
    last_x, last_y = blue.shape[1] - 1, blue.shape[0] - 1

    def band(y0: int, y1: int) -> None:
        _rows(luma, blue, red, numbers, left, share, above, share_below, last_x, last_y, out, y0, y1)

    for_bands(height, band)
    return out


def _step(full: int, small: int) -> int:
    step = 1
    while -(-full // step) > small:
        step *= 2
    return step


def _places(count: int, step: int, centred: bool) -> tuple[npt.NDArray[np.int64], Float32]:
    """For each luma sample the chroma sample at or before it, and the share of the one after."""
    at = (np.arange(count) + 0.5) / step - 0.5 if centred else np.arange(count) / step
    first = np.floor(at).astype(np.int64)
    return first, (at - first).astype(np.float32)


@numba.njit(nogil=True, cache=True)
def _rows(  # type: ignore[no-untyped-def]
    luma, blue, red, numbers, left, share, above, share_below, last_x, last_y, out, y0, y1
):
    for y in range(y0, y1):
        up, down = max(above[y], 0), min(above[y] + 1, last_y)
        lower = share_below[y]
        upper = np.float32(1.0) - lower
        for x in range(luma.shape[1]):
            a, b = max(left[x], 0), min(left[x] + 1, last_x)
            after = share[x]
            before = np.float32(1.0) - after
            cb = upper * (before * blue[up, a] + after * blue[up, b]) + lower * (
                before * blue[down, a] + after * blue[down, b]
            )
            cr = upper * (before * red[up, a] + after * red[up, b]) + lower * (
                before * red[down, a] + after * red[down, b]
            )
            y_prime = (luma[y, x] - numbers[0]) * numbers[1]
            cb = (cb - numbers[2]) * numbers[3]
            cr = (cr - numbers[2]) * numbers[3]
            out[y, x, 0] = y_prime + numbers[4] * cr
            out[y, x, 1] = y_prime - numbers[5] * cb - numbers[6] * cr
            out[y, x, 2] = y_prime + numbers[7] * cb
