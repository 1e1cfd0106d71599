"""Filter pictures with small symmetric kernels, by Fourier transforms of overlapping blocks that stay in cache.

Two blocks go through one complex transform, the first as its real, the second as its imaginary part: a kernel that is
its own mirror image has a real response, and never mixes them. OpenCV's complex transform takes half the time of its
real one here, and that half the time of scipy's; it gives the same bits for any number of threads and any alignment.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence

import cv2
import numpy as np
import numpy.typing as npt
from numba import njit

from widegauge.kernels.bands import for_bands
from widegauge.kernels.scratch import scratch

Float32 = npt.NDArray[np.float32]
Float64 = npt.NDArray[np.float64]

SIDES = (288, 384, 720, 960, 1440)
"""Sides of blocks: the first that is eight times a kernel's reach, so that a block is mostly new. Powers of two are
slower: their rows fall on the same places of the cache."""

TASKS = 24
"""About so many pieces of work a picture, whatever the number of cores."""


def spectra(kernels: Sequence[Float64]) -> Float32:
    """Responses of kernels with one odd side in common, each its own mirror image in x and in y.

    Returns (n, side, 2 side) float32: each value twice, for the real and the imaginary part of a block's spectrum, and
    divided by the number of pixels, which OpenCV's inverse leaves undone.
    """
    width = kernels[0].shape[0]
    reach = width // 2
    side = next((side for side in SIDES if side >= 8 * reach), SIDES[-1])
    planes = np.zeros((len(kernels), side, side))
    planes[:, :width, :width] = np.stack(kernels)
    planes = np.roll(planes, (-reach, -reach), (1, 2))
    return np.repeat(np.fft.fft2(planes).real / side**2, 2, axis=2).astype(np.float32)


def convolve(rgb: Float32, responses: Float32, *, reach_px: int) -> Float32:
    """Filter each channel of (H, W, 3) float32 by its response from ``spectra``; a new (H, W, 3) float32.

    ``reach_px`` is half the kernels' side, rounded down. The picture is mirrored at its edges. A channel whose
    response is 1 throughout passes bit for bit.
    """
    out = np.empty_like(rgb)

    def put(block: Float32, top: int, left: int) -> None:
        _scatter(out, block, top, left)

    filter_blocks(rgb, responses, put, reach_px=reach_px)
    return out


def filter_blocks(rgb: Float32, responses: Float32, put: Callable[[Float32, int, int], None], *, reach_px: int) -> None:
    """Filter as ``convolve`` does, and hand each finished block to ``put(block, top, left)``.

    A block is (3, rows, columns), a view with gaps, and lies in the picture as a whole; the blocks cover it once. They
    come in no order and on several threads.
    """
    height, width = rgb.shape[:2]
    side = responses.shape[1]
    new = side - 2 * reach_px
    down = -(-height // new)
    count = down * -(-width // new)
    kept = [bool(np.all(response == np.float32(1.0 / side**2))) for response in responses]

    def task(first: int, end: int) -> None:
        pair: Float32 = scratch("blocks", (3, side, side, 2), np.float32)
        for i in range(first, end):
            places = [divmod(j, down) for j in (2 * i, min(2 * i + 1, count - 1))]
            corners = [(row * new, column * new) for column, row in places]
            _gather(pair, rgb, *(at - reach_px for corner in corners for at in corner))
            for c in range(3):
                if not kept[c]:
                    _filter(pair[c], responses[c])
            for part, (top, left) in enumerate(corners[: count - 2 * i]):
                rows, columns = min(new, height - top), min(new, width - left)
                put(pair[:, reach_px : reach_px + rows, reach_px : reach_px + columns, part], top, left)

    pairs = -(-count // 2)
    for_bands(pairs, task, rows=max(1, pairs // TASKS))


def _filter(plane: Float32, response: Float32) -> None:
    """Filter a complex plane (side, side, 2) in place."""
    cv2.dft(plane, dst=plane)
    flat = plane.reshape(response.shape)
    np.multiply(flat, response, out=flat)
    cv2.dft(plane, dst=plane, flags=cv2.DFT_INVERSE)


@njit(nogil=True, cache=True)
def _mirror(i: int, count: int) -> int:
    """Place of ``i`` in 0..count-1 when the picture is mirrored at its edges, again and again."""
    i %= 2 * count
    return i if i < count else 2 * count - 1 - i


@njit(nogil=True, cache=True)
def _gather(pair: Float32, rgb: Float32, top: int, left: int, top_2: int, left_2: int) -> None:
    """Fill two blocks, (3, side, side, 2), from (H, W, 3) at two places, edges mirrored."""
    side, height, width = pair.shape[1], rgb.shape[0], rgb.shape[1]
    first, end = max(0, -left, -left_2), min(side, width - left, width - left_2)
    if end <= first:
        first = end = side
    for y in range(side):
        a, b = rgb[_mirror(top + y, height)], rgb[_mirror(top_2 + y, height)]
        red, green, blue = pair[0, y], pair[1, y], pair[2, y]
        inner_a, inner_b = a[left + first :], b[left_2 + first :]
        for x in range(end - first):
            red[first + x, 0], red[first + x, 1] = inner_a[x, 0], inner_b[x, 0]
            green[first + x, 0], green[first + x, 1] = inner_a[x, 1], inner_b[x, 1]
            blue[first + x, 0], blue[first + x, 1] = inner_a[x, 2], inner_b[x, 2]
        for x in range(side):
            if x < first or x >= end:
                i, j = _mirror(left + x, width), _mirror(left_2 + x, width)
                for c in range(3):
                    pair[c, y, x, 0], pair[c, y, x, 1] = a[i, c], b[j, c]


@njit(nogil=True, cache=True)
def _scatter(out: Float32, block: Float32, top: int, left: int) -> None:
    """Copy a block (3, rows, columns) to (top, left) of (H, W, 3)."""
    for y in range(block.shape[1]):
        red, green, blue, line = block[0, y], block[1, y], block[2, y], out[top + y, left:]
        for x in range(block.shape[2]):
            line[x, 0], line[x, 1], line[x, 2] = red[x], green[x], blue[x]
