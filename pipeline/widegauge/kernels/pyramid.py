"""Wide and smooth filters at reduced size: halve, filter by a radial response, and come back by straight lines."""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt
from numba import njit

from widegauge.kernels.bands import for_bands
from widegauge.kernels.spectrum import filter_plane, quick_side

Float32 = npt.NDArray[np.float32]
Float64 = npt.NDArray[np.float64]


def halvings_for(width_px: float, *, per_width: float) -> int:
    """How often a picture may be halved so that ``per_width`` of its samples still cover ``width_px``."""
    return max(0, math.floor(math.log2(max(1.0, width_px / per_width))))


def frequencies(shape: tuple[int, int], halvings: int) -> Float64:
    """Distance from zero frequency, in cycles per full pixel, at the places of ``rfft2`` of a reduced picture."""
    fy, fx = np.fft.fftfreq(shape[0]), np.fft.rfftfreq(shape[1])
    return np.asarray(np.hypot(fy[:, None], fx[None, :]) / (1 << halvings))


def reduced_shape(height: int, width: int, pad_px: int, halvings: int) -> tuple[int, int]:
    """Shape that holds the reduced picture and ``pad_px`` full pixels on every side, and transforms quickly."""
    step = 1 << halvings
    pad = -(-pad_px // step)
    return quick_side(-(-height // step) + 2 * pad), quick_side(-(-width // step) + 2 * pad)


def correction(shape: tuple[int, int], halvings: int) -> Float64:
    """What halving and coming back take from each frequency of a reduced picture, to be divided out; at most 2."""
    fy, fx = np.fft.fftfreq(shape[0]), np.fft.rfftfreq(shape[1])
    step = 1 << halvings
    taken = [np.ones_like(f) for f in (fy, fx)]
    for axis, f in enumerate((fy, fx)):
        for level in range(halvings):
            taken[axis] = taken[axis] * np.cos(np.pi * f / (step >> level)) ** 3
        if halvings:
            peak = np.sinc(f) ** 2 / np.sinc(f / step) ** 2
            taken[axis] = taken[axis] * peak
    both = np.abs(taken[0][:, None] * taken[1][None, :])
    return np.asarray(1.0 / np.maximum(both, 0.5))


def filter_reduced(rgb: Float32, response: Float32, *, pad_px: int, halvings: int) -> Float32:
    """Halve (H, W, 3) float32 and filter it by a ``packed`` response of a ``reduced_shape``; (3, h, w) float32.

    The picture is mirrored at its edges for ``pad_px`` full pixels. The response should have fallen to nothing at the
    reduced picture's Nyquist frequency, and hold the ``correction`` for coming back by ``mix_enlarged_rows``.
    """
    small = _halve_interleaved(rgb) if halvings else np.ascontiguousarray(np.moveaxis(rgb, 2, 0))
    for _ in range(halvings - 1):
        small = np.stack([_halve_plane(plane) for plane in small])
    rows, columns = small.shape[1:]
    pad = -(-pad_px // (1 << halvings))
    edges = ((pad, response.shape[0] - rows - pad), (pad, response.shape[1] - columns - pad))

    def task(first: int, end: int) -> None:
        for plane in small[first:end]:
            wide = np.pad(plane, edges, mode="symmetric")
            filter_plane(wide, response, np.empty_like(wide))
            plane[:] = wide[pad : pad + rows, pad : pad + columns]

    for_bands(len(small), task, rows=1)
    return small


@njit(nogil=True, cache=True)
def mix_enlarged_rows(
    out: Float32, rgb: Float32, small: Float32, halvings: int, share: Float32, y0: int, y1: int
) -> None:
    """Rows y0..y1 of ``out`` = (rgb + share (small enlarged - out)) / (1 + share_whole), in place.

    ``small`` (3, h, w) is enlarged by 2^halvings by straight lines between the middles of its pixels. ``share`` is
    (3, 2) float32: for each channel the share that is added, and the whole by which the sum is divided, less 1.
    """
    step = 1 << halvings
    rows, columns, width = small.shape[1], small.shape[2], out.shape[1]
    line = np.empty(columns + 2, np.float32)
    wide = np.empty((columns + 1) * step, np.float32)
    along = np.empty(step, np.float32)
    for k in range(step):
        along[k] = (k + 0.5) / step
    shift = step // 2 if halvings else 0
    for y in range(y0, y1):
        place = (y + 0.5) / step - 0.5
        low = int(np.floor(place))
        part = np.float32(place - low)
        for c in range(3):
            above, below = small[c, min(max(low, 0), rows - 1)], small[c, min(max(low + 1, 0), rows - 1)]
            for i in range(columns):
                line[i + 1] = above[i] + part * (below[i] - above[i])
            line[0], line[columns + 1] = line[1], line[columns]
            if step == 1:
                for i in range(columns):
                    wide[i] = line[i + 1]
            else:
                for k in range(step):
                    weight = along[k]
                    for i in range(columns + 1):
                        wide[i * step + k] = line[i] + weight * (line[i + 1] - line[i])
            added, whole = share[c, 0], np.float32(1.0) / (np.float32(1.0) + share[c, 1])
            for x in range(width):
                out[y, x, c] = (rgb[y, x, c] + added * (wide[x + shift] - out[y, x, c])) * whole


def _halve_interleaved(rgb: Float32) -> Float32:
    """(H, W, 3) to (3, H/2, W/2), rounded up, by the binomial 1 3 3 1 along both axes; edges repeated."""
    small = np.empty((3, -(-rgb.shape[0] // 2), -(-rgb.shape[1] // 2)), np.float32)

    def task(y0: int, y1: int) -> None:
        for c in range(3):
            _halve_rows(small[c], rgb[..., c], y0, y1)

    for_bands(small.shape[1], task)
    return small


def _halve_plane(plane: Float32) -> Float32:
    small = np.empty((-(-plane.shape[0] // 2), -(-plane.shape[1] // 2)), np.float32)
    for_bands(small.shape[0], lambda y0, y1: _halve_rows(small, plane, y0, y1))
    return small


@njit(nogil=True, cache=True)
def _halve_rows(small: Float32, plane: Float32, y0: int, y1: int) -> None:
    height, width = plane.shape
    line = np.empty(width + 3, np.float32)
    three, scale = np.float32(3.0), np.float32(1.0 / 64.0)
    for y in range(y0, y1):
        a, b = plane[max(2 * y - 1, 0)], plane[min(2 * y, height - 1)]
        c, d = plane[min(2 * y + 1, height - 1)], plane[min(2 * y + 2, height - 1)]
        for x in range(width):
            line[x + 1] = (a[x] + d[x]) + three * (b[x] + c[x])
        line[0], line[width + 1], line[width + 2] = line[1], line[width], line[width]
        for x in range(small.shape[1]):
            i = 2 * x
            small[y, x] = ((line[i] + line[i + 3]) + three * (line[i + 1] + line[i + 2])) * scale
