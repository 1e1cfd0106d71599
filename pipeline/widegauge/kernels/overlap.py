"""Filter pictures with small symmetric kernels, by Fourier transforms of overlapping blocks that stay in cache."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt
from numba import njit

from widegauge.kernels.bands import for_bands
from widegauge.kernels.spectrum import filter_plane, packed

Float32 = npt.NDArray[np.float32]
Float64 = npt.NDArray[np.float64]

SIDES = (256, 512, 1024, 2048)
"""Sides of blocks: the first that is eight times a kernel's reach (256 for 32 px), so that a block is mostly new."""

TASKS = 24
"""About so many pieces of work a picture, whatever the number of cores."""


def spectra(kernels: Sequence[Float64]) -> Float32:
    """Responses of kernels with one odd side in common, each its own mirror image in x and in y.

    Returns (n, side, side) float32, laid out like OpenCV's packed spectrum of a real picture; the responses are real
    because of the symmetry, so filtering is one product.
    """
    width = kernels[0].shape[0]
    reach = width // 2
    side = next((side for side in SIDES if side >= 8 * reach), SIDES[-1])
    planes = np.zeros((len(kernels), side, side))
    planes[:, :width, :width] = np.stack(kernels)
    planes = np.roll(planes, (-reach, -reach), (1, 2))
    return np.stack([packed(response) for response in np.fft.rfft2(planes).real])


def convolve(rgb: Float32, responses: Float32, *, reach_px: int) -> Float32:
    """Filter each channel of (H, W, 3) float32 by its response from ``spectra``; a new (H, W, 3) float32.

    ``reach_px`` is half the kernels' side, rounded down. The picture is mirrored at its edges. A channel whose
    response is 1 throughout passes bit for bit.
    """
    height, width = rgb.shape[:2]
    side = responses.shape[1]
    new = side - 2 * reach_px
    across = -(-width // new)
    count = across * -(-height // new)
    out = np.empty_like(rgb)
    kept = [bool(np.all(response == 1.0)) for response in responses]

    def task(first: int, end: int) -> None:
        block, spectrum = np.empty((3, side, side), np.float32), np.empty((side, side), np.float32)
        for i in range(first, end):
            top, left = i // across * new, i % across * new
            _gather(block, rgb, top - reach_px, left - reach_px)
            for c in range(3):
                if not kept[c]:
                    filter_plane(block[c], responses[c], spectrum)
            _scatter(out, block, top, left, reach_px)

    for_bands(count, task, rows=max(1, count // TASKS))
    return out


@njit(nogil=True, cache=True)
def _mirror(i: int, count: int) -> int:
    """Place of ``i`` in 0..count-1 when the picture is mirrored at its edges, again and again."""
    i %= 2 * count
    return i if i < count else 2 * count - 1 - i


@njit(nogil=True, cache=True)
def _gather(block: Float32, rgb: Float32, top: int, left: int) -> None:
    """Fill a block (3, side, side) from (H, W, 3) at (top, left), edges mirrored."""
    side, height, width = block.shape[1], rgb.shape[0], rgb.shape[1]
    first, end = min(max(0, -left), side), max(min(side, width - left), 0)
    for y in range(side):
        line = _mirror(top + y, height)
        for x in range(first, end):
            for c in range(3):
                block[c, y, x] = rgb[line, left + x, c]
        for x in range(first):
            for c in range(3):
                block[c, y, x] = rgb[line, _mirror(left + x, width), c]
        for x in range(end, side):
            for c in range(3):
                block[c, y, x] = rgb[line, _mirror(left + x, width), c]


@njit(nogil=True, cache=True)
def _scatter(out: Float32, block: Float32, top: int, left: int, reach: int) -> None:
    """Copy the block's valid middle to (top, left) of (H, W, 3), as far as there is picture."""
    new = block.shape[1] - 2 * reach
    rows, columns = min(new, out.shape[0] - top), min(new, out.shape[1] - left)
    for y in range(rows):
        for x in range(columns):
            for c in range(3):
                out[top + y, left + x, c] = block[c, reach + y, reach + x]
