"""Filter pictures in the frequency domain, with their edges repeated outwards."""

from __future__ import annotations

import os

import numpy as np
import numpy.typing as npt
from numba import njit
from scipy.fft import irfft2, next_fast_len, rfft2

from widegauge.kernels.bands import for_bands

Float32 = npt.NDArray[np.float32]
Complex64 = npt.NDArray[np.complex64]

WORKERS = os.cpu_count() or 1
"""Threads of one transform; scipy's bits do not depend on it (1, 2, 3 and 5 give the same bytes)."""


def padded_shape(height: int, width: int, pad: int) -> tuple[int, int]:
    """Height and width that hold a picture and ``pad`` on every side, and transform quickly."""
    return next_fast_len(height + 2 * pad, real=True), next_fast_len(width + 2 * pad, real=True)


def padded(plane: Float32, shape: tuple[int, int], pad: int) -> Float32:
    """(H, W) float32 in the middle of ``shape``, its edges repeated outwards from ``pad`` on."""
    bottom, right = shape[0] - plane.shape[0] - pad, shape[1] - plane.shape[1] - pad
    return np.pad(plane, ((pad, bottom), (pad, right)), mode="edge")


@njit(nogil=True, cache=True)
def _radial_rows(
    spectrum: Complex64, rows_cpp: Float32, columns_cpp: Float32, table: Float32, step: float, y0: int, y1: int
) -> None:
    """Multiply rows y0..y1 by a table of the distance from zero frequency, ``step`` apart, by straight lines."""
    per = np.float32(1.0 / step)
    last = np.int32(table.shape[0] - 2)
    for y in range(y0, y1):
        fy2 = rows_cpp[y] * rows_cpp[y]
        for x in range(columns_cpp.shape[0]):
            place = np.sqrt(fy2 + columns_cpp[x] * columns_cpp[x]) * per
            i = min(np.int32(place), last)
            low = table[np.uint32(i)]
            spectrum[y, x] *= low + (place - np.float32(i)) * (table[np.uint32(i + 1)] - low)


def filter_radial(rgb: Float32, tables: Float32, *, step_cpp: float, pad_px: int) -> Float32:
    """Filter each channel by a response that depends on the distance from zero frequency alone.

    rgb       (H, W, 3) float32; tables (3, N) float32, responses at 0, step_cpp, 2 step_cpp ... to at least 0.71
    Edges are repeated for ``pad_px`` before anything wraps round. A new (H, W, 3) float32.
    """
    height, width = rgb.shape[:2]
    shape = padded_shape(height, width, pad_px)
    fy = np.fft.fftfreq(shape[0]).astype(np.float32)
    fx = np.fft.rfftfreq(shape[1]).astype(np.float32)
    out = np.empty_like(rgb)
    for c in range(3):
        spectrum = rfft2(padded(rgb[..., c], shape, pad_px), workers=WORKERS)
        _in_bands(spectrum, fy, fx, tables[c], step_cpp)
        back = irfft2(spectrum, s=shape, workers=WORKERS, overwrite_x=True)
        out[..., c] = back[pad_px : pad_px + height, pad_px : pad_px + width]
    return out


def _in_bands(spectrum: Complex64, fy: Float32, fx: Float32, table: Float32, step_cpp: float) -> None:
    def task(y0: int, y1: int) -> None:
        _radial_rows(spectrum, fy, fx, table, step_cpp, y0, y1)

    for_bands(spectrum.shape[0], task)


def kernel_spectrum(kernel: Float32, shape: tuple[int, int]) -> Float32:
    """Response of a kernel with odd sides that is its own mirror image, for ``rfft2`` of ``shape``: it is real."""
    rows, columns = kernel.shape
    plane = np.zeros(shape, np.float32)
    plane[:rows, :columns] = kernel
    plane = np.roll(plane, (-(rows // 2), -(columns // 2)), (0, 1))
    return np.ascontiguousarray(rfft2(plane, workers=WORKERS).real)


def convolve(plane: Float32, spectrum: Float32, *, shape: tuple[int, int], pad_px: int) -> Float32:
    """(H, W) float32 filtered by a ``kernel_spectrum`` for ``shape``; edges repeated for ``pad_px``."""
    height, width = plane.shape
    transformed = rfft2(padded(plane, shape, pad_px), workers=WORKERS)

    def task(y0: int, y1: int) -> None:
        transformed[y0:y1] *= spectrum[y0:y1]

    for_bands(shape[0], task)
    back = irfft2(transformed, s=shape, workers=WORKERS, overwrite_x=True)
    return np.asarray(back[pad_px : pad_px + height, pad_px : pad_px + width])


@njit(nogil=True, cache=True)
def mix_rows(out: Float32, rgb: Float32, added: Float32, channel: int, share: np.float32, y0: int, y1: int) -> None:
    """Rows y0..y1 of a channel of ``out`` = (rgb + share added) / (1 + share)."""
    whole = np.float32(1.0) / (np.float32(1.0) + share)
    for y in range(y0, y1):
        for x in range(rgb.shape[1]):
            out[y, x, channel] = (rgb[y, x, channel] + share * added[y, x]) * whole
