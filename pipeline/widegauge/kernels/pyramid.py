"""Wide and smooth filters at reduced size: halve, filter by a radial response, and come back by a quadratic spline."""

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


def frequencies(shape: tuple[int, int]) -> Float64:
    """Distance from zero frequency, in cycles per pixel, at the places of ``rfft2`` of a picture."""
    fy, fx = np.fft.fftfreq(shape[0]), np.fft.rfftfreq(shape[1])
    return np.asarray(np.hypot(fy[:, None], fx[None, :]))


def reduced_shape(height: int, width: int, pad_px: int, halvings: int) -> tuple[int, int]:
    """Shape that holds the reduced picture and ``pad_px`` full pixels on every side, and transforms quickly."""
    step = 1 << halvings
    pad = -(-pad_px // step)
    return quick_side(-(-height // step) + 2 * pad), quick_side(-(-width // step) + 2 * pad)


def correction(shape: tuple[int, int], halvings: int) -> Float64:
    """What halving and coming back take from each frequency of a reduced picture, to be divided out; at most 4."""
    fy, fx = np.fft.fftfreq(shape[0]), np.fft.rfftfreq(shape[1])
    step = 1 << halvings
    weights = _spline(halvings).astype(np.float64)
    apart = np.arange(-1, 2) - ((np.arange(step)[:, None] + 0.5) / step - 0.5)
    taken = []
    for f in (fy, fx):
        kept = (weights * np.cos(2.0 * np.pi * f[:, None, None] * apart)).sum(axis=2).mean(axis=1)
        for level in range(halvings):
            kept = kept * np.cos(np.pi * f / (step >> level)) ** 5
        taken.append(kept)
    both = np.abs(taken[0][:, None] * taken[1][None, :])
    return np.asarray(1.0 / np.maximum(both, 0.25))


def _spline(halvings: int) -> Float32:
    """Weights (2^halvings, 3) of a pixel's own reduced pixel and the ones before and after: the quadratic B-spline."""
    step = 1 << halvings
    if step == 1:
        return np.array([[0.0, 1.0, 0.0]], np.float32)
    t = (np.arange(step) + 0.5) / step - 0.5
    return np.stack([0.5 * (0.5 - t) ** 2, 0.75 - t * t, 0.5 * (0.5 + t) ** 2], axis=1).astype(np.float32)


def filter_reduced(rgb: Float32, responses: Float32, *, pad_px: int, halvings: int) -> Float32:
    """Halve (H, W, 3) float32 and filter it by three ``packed`` responses of a ``reduced_shape``.

    Returns (3, h + 2, w + 2) float32, the reduced picture with one pixel more on every side. The picture is mirrored at
    its edges for ``pad_px`` full pixels, at least one reduced one. Responses should have fallen to nothing at the
    reduced picture's Nyquist frequency, and hold the ``correction`` for coming back by ``mix_enlarged``.
    """
    for _ in range(halvings):
        rgb = _halve(rgb)
    small = np.ascontiguousarray(np.moveaxis(rgb, 2, 0))
    rows, columns = small.shape[1:]
    pad = -(-pad_px // (1 << halvings))
    edges = ((pad, responses.shape[1] - rows - pad), (pad, responses.shape[2] - columns - pad))
    out = np.empty((3, rows + 2, columns + 2), np.float32)

    def task(first: int, end: int) -> None:
        for c in range(first, end):
            wide = np.pad(small[c], edges, mode="symmetric")
            filter_plane(wide, responses[c], np.empty_like(wide))
            out[c] = wide[pad - 1 : pad + rows + 1, pad - 1 : pad + columns + 1]

    for_bands(len(out), task, rows=1)
    return out


def mix_enlarged(
    out: Float32, rgb: Float32, taken: Float32, top: int, left: int, small: Float32, halvings: int, share: Float32
) -> None:
    """Lay a block of ``out`` at (top, left): (rgb + small enlarged - share_taken taken) / (1 + share_whole).

    ``small`` from ``filter_reduced`` is enlarged along both axes by a quadratic spline; ``taken`` is (3, rows,
    columns). ``share`` is (3, 2) float32: for each channel what is taken off, and the whole that is added.
    """
    _mix(out, rgb, taken, top, left, small, _spline(halvings), share)


@njit(nogil=True, cache=True)
def _mix(
    out: Float32, rgb: Float32, taken: Float32, top: int, left: int, small: Float32, spline: Float32, share: Float32
) -> None:
    step, width = spline.shape[0], taken.shape[2]
    base, skip = left // step, left % step
    used = (skip + width - 1) // step + 1
    wide = np.empty((3, 3 * used * step), np.float32)  # three reduced rows enlarged across, in turn
    off, kept = np.empty(3 * width, np.float32), np.empty(3 * width, np.float32)
    whole = np.float32(1.0) / (np.float32(1.0) + share[:, 1])
    part = share[:, 0] * whole
    for i in range(3 * width):
        kept[i] = whole[i % 3]
    ready = top // step
    for y in range(taken.shape[1]):
        at, down = (top + y) // step, spline[(top + y) % step]
        while ready < at + 3:
            for c in range(3):
                line, target = small[c, ready, base:], wide[ready % 3, c:]
                for j in range(used):
                    before, own, after = line[j] * whole[c], line[j + 1] * whole[c], line[j + 2] * whole[c]
                    for k in range(step):
                        target[3 * (step * j + k)] = spline[k, 0] * before + spline[k, 1] * own + spline[k, 2] * after
            ready += 1
        for c in range(3):
            channel, hole = off[c::3], taken[c, y]
            for x in range(width):
                channel[x] = part[c] * hole[x]
        above, here, below = wide[at % 3, 3 * skip :], wide[(at + 1) % 3, 3 * skip :], wide[(at + 2) % 3, 3 * skip :]
        source = rgb[top + y, left : left + width].reshape(3 * width)
        laid = out[top + y, left : left + width].reshape(3 * width)
        for i in range(3 * width):
            laid[i] = source[i] * kept[i] + ((down[0] * above[i] + down[1] * here[i]) + (down[2] * below[i] - off[i]))


def _halve(rgb: Float32) -> Float32:
    """(H, W, 3) to (H/2, W/2, 3), rounded up, by the binomial 1 5 10 10 5 1 along both axes; edges repeated."""
    small = np.empty((-(-rgb.shape[0] // 2), -(-rgb.shape[1] // 2), 3), np.float32)
    flat, rows = small.reshape(len(small), -1), rgb.reshape(len(rgb), -1)
    for_bands(len(flat), lambda y0, y1: _halve_rows(flat, rows, y0, y1))
    return small


@njit(nogil=True, cache=True)
def _halve_rows(small: Float32, rgb: Float32, y0: int, y1: int) -> None:
    """Rows of (h, 3 w) from (H, 3 W)."""
    height, wide = rgb.shape
    line = np.empty(wide + 15, np.float32)
    inner = line[6:]
    five, ten, scale = np.float32(5.0), np.float32(10.0), np.float32(1.0 / 1024.0)
    for y in range(y0, y1):
        a, b, c = rgb[max(2 * y - 2, 0)], rgb[max(2 * y - 1, 0)], rgb[min(2 * y, height - 1)]
        d, e, f = rgb[min(2 * y + 1, height - 1)], rgb[min(2 * y + 2, height - 1)], rgb[min(2 * y + 3, height - 1)]
        for i in range(wide):
            inner[i] = (a[i] + f[i]) + five * (b[i] + e[i]) + ten * (c[i] + d[i])
        for k in range(6):
            line[k] = inner[k % 3]
        for k in range(9):
            inner[wide + k] = inner[wide - 3 + k % 3]
        for x in range(small.shape[1] // 3):
            near, put = line[6 * x :], small[y, 3 * x :]
            for k in range(3):
                put[k] = scale * (
                    (near[k] + near[k + 15]) + five * (near[k + 3] + near[k + 12]) + ten * (near[k + 6] + near[k + 9])
                )
