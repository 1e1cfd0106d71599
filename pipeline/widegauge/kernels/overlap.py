"""Filter pictures with small symmetric kernels, by Fourier transforms of overlapping blocks that stay in cache."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt
from numba import njit
from scipy.fft import irfft2, rfft2

from widegauge.kernels.bands import for_bands

Float32 = npt.NDArray[np.float32]
Float64 = npt.NDArray[np.float64]
Complex64 = npt.NDArray[np.complex64]

SIDES = (256, 512, 1024, 2048)
"""Sides of blocks: the first that is eight times a kernel's reach (256 for 32 px), so that a block is mostly new."""


def spectra(kernels: Sequence[Float64]) -> Float32:
    """Responses of kernels with one odd side in common, each its own mirror image in x and in y.

    Returns (n, side, side / 2 + 1) float32; they are real because of the symmetry.
    """
    width = kernels[0].shape[0]
    reach = width // 2
    side = next((side for side in SIDES if side >= 8 * reach), SIDES[-1])
    planes = np.zeros((len(kernels), side, side))
    planes[:, :width, :width] = np.stack(kernels)
    planes = np.roll(planes, (-reach, -reach), (1, 2))
    return np.ascontiguousarray(np.fft.rfft2(planes).real, dtype=np.float32)


def convolve(rgb: Float32, responses: Float32, *, reach_px: int) -> Float32:
    """Filter each channel of (H, W, 3) float32 by its response from ``spectra``; a new (H, W, 3) float32.

    ``reach_px`` is half the kernels' side, rounded down. The picture is mirrored at its edges. A channel whose
    response is 1 throughout passes bit for bit.
    """
    height, width = rgb.shape[:2]
    side = responses.shape[1]
    new = side - 2 * reach_px
    across = -(-width // new)
    out = np.empty_like(rgb)
    kept = [bool(np.all(response == 1.0)) for response in responses]

    def task(first: int, end: int) -> None:
        block = np.empty((side, side), np.float32)
        for i in range(first, end):
            top, left = i // across * new, i % across * new
            for c in range(3):
                if kept[c]:
                    out[top : top + new, left : left + new, c] = rgb[top : top + new, left : left + new, c]
                    continue
                _gather(block, rgb, c, top - reach_px, left - reach_px)
                spectrum = rfft2(block, workers=1)
                _scale(spectrum, responses[c])
                back = irfft2(spectrum, s=(side, side), workers=1, overwrite_x=True)
                _scatter(out, back, c, top, left, reach_px)

    for_bands(across * -(-height // new), task, rows=1)
    return out


@njit(nogil=True, cache=True)
def _mirror(i: int, count: int) -> int:
    """Place of ``i`` in 0..count-1 when the picture is mirrored at its edges, again and again."""
    i %= 2 * count
    return i if i < count else 2 * count - 1 - i


@njit(nogil=True, cache=True)
def _gather(block: Float32, rgb: Float32, channel: int, top: int, left: int) -> None:
    """Fill a block from a channel at (top, left), edges mirrored."""
    side, height, width = block.shape[0], rgb.shape[0], rgb.shape[1]
    first, end = min(max(0, -left), side), max(min(side, width - left), 0)
    for y in range(side):
        line = _mirror(top + y, height)
        for x in range(first):
            block[y, x] = rgb[line, _mirror(left + x, width), channel]
        for x in range(first, end):
            block[y, x] = rgb[line, left + x, channel]
        for x in range(end, side):
            block[y, x] = rgb[line, _mirror(left + x, width), channel]


@njit(nogil=True, cache=True)
def _scale(spectrum: Complex64, response: Float32) -> None:
    for y in range(spectrum.shape[0]):
        for x in range(spectrum.shape[1]):
            spectrum[y, x] *= response[y, x]


@njit(nogil=True, cache=True)
def _scatter(out: Float32, block: Float32, channel: int, top: int, left: int, reach: int) -> None:
    """Copy the block's valid middle to (top, left) of a channel, as far as there is picture."""
    new = block.shape[0] - 2 * reach
    for y in range(min(new, out.shape[0] - top)):
        for x in range(min(new, out.shape[1] - left)):
            out[top + y, left + x, channel] = block[reach + y, reach + x]
