"""Filter a plane by a real response, with OpenCV's Fourier transform and its packed layout."""

from __future__ import annotations

import cv2
import numpy as np
import numpy.typing as npt

Float32 = npt.NDArray[np.float32]
Float64 = npt.NDArray[np.float64]


def quick_side(least: int) -> int:
    """The next even side from ``least`` on that transforms quickly."""
    return 2 * int(cv2.getOptimalDFTSize(-(-least // 2)))


def packed(response: Float64) -> Float32:
    """A real response at the places of ``rfft2`` of an even (H, W), as (H, W) float32 in OpenCV's packed layout.

    There a row holds Re 0, Re 1, Im 1, Re 2, Im 2 ... Re W/2, and the first and last columns the same downwards.
    """
    height, width = response.shape[0], 2 * (response.shape[1] - 1)
    out = np.empty((height, width))
    out[:, 1:-1:2] = out[:, 2:-1:2] = response[:, 1:-1]
    for column, source in ((0, response[:, 0]), (width - 1, response[:, -1])):
        out[0, column], out[-1, column] = source[0], source[height // 2]
        out[1:-1:2, column] = out[2:-1:2, column] = source[1 : height // 2]
    return out.astype(np.float32)


def filter_plane(plane: Float32, response: Float32, spectrum: Float32) -> None:
    """Filter a contiguous plane in place by a ``packed`` response, circularly; ``spectrum`` is room of its shape.

    OpenCV's transform takes half the time of scipy's here, and gives the same bits for any number of threads and
    any alignment of the arrays.
    """
    cv2.dft(plane, dst=spectrum)
    np.multiply(spectrum, response, out=spectrum)
    cv2.dft(spectrum, dst=plane, flags=cv2.DFT_INVERSE | cv2.DFT_SCALE)
