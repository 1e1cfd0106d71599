"""A curve as a table on the grid of the float numbers themselves: fine near zero, coarse far out, no logarithm.

The nodes are zero and every float32 whose lower mantissa bits are zero, from 2^low to 2^high on either side of
zero. The upper bits of a float are then its place in the table, the lower bits its place between two nodes.
"""

from __future__ import annotations

from dataclasses import dataclass

import numba
import numpy as np
import numpy.typing as npt

from widegauge.frame import Float32
from widegauge.kernels.bands import for_bands

_MANTISSA_BITS = 23
_EXPONENT_BIAS = 127

Float64 = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Table:
    """A function at the nodes of a float grid.

    values   (2, N) float32, rows for x >= 0 and x <= 0; [:, 0] holds the value at zero
    low      the first node beside zero is 2^low
    step_bits  2^step_bits nodes for each doubling
    """

    values: Float32
    low: int
    step_bits: int


def nodes(*, low: int, high: int, step_bits: int) -> Float64:
    """The grid's nodes at and above zero: 0, then 2^low to 2^high with 2^step_bits nodes for each doubling."""
    per_octave = 1 << step_bits
    mantissa = 1.0 + np.arange(per_octave) / per_octave
    octaves = 2.0 ** np.arange(low, high)
    return np.concatenate(([0.0], (octaves[:, None] * mantissa).ravel(), [2.0**high]))


def look_up(x: Float32, table: Table, *, out: Float32 | None = None) -> Float32:
    """The tabulated function of every number of ``x`` (H, ...) float32, linear between nodes.

    Beyond the last node the last cell's slope goes on; not-a-number stays, infinity stays infinite.
    ``out`` (C-contiguous float32 of x's shape) takes the result and may be ``x`` itself.
    """
    source = np.ascontiguousarray(x, dtype=np.float32)
    result = np.empty_like(source) if out is None else out
    if result.shape != source.shape or result.dtype != np.float32 or not result.flags.c_contiguous:
        raise ValueError("out must be C-contiguous float32 of the same shape")
    rows = source.shape[0]
    flat, flat_out = source.reshape(rows, -1), result.reshape(rows, -1)
    octaves = (table.values.shape[1] - 2) >> table.step_bits
    last_node = 2.0 ** (table.low + octaves)
    last_step = last_node / (2 << table.step_bits)
    first = ((table.low + _EXPONENT_BIAS) << table.step_bits) - 1
    shift = _MANTISSA_BITS - table.step_bits
    scales = np.array([2.0**-table.low, last_node - last_step, 1.0 / last_step], dtype=np.float32)

    def band(y0: int, y1: int) -> None:
        _look_up_rows(flat, flat.view(np.uint32), table.values, first, shift, scales, flat_out, y0, y1)

    for_bands(rows, band)
    return result


@numba.njit(nogil=True, cache=True)
def _look_up_rows(x, bits, values, first, shift, scales, out, y0, y1):  # type: ignore[no-untyped-def]
    last = values.shape[1] - 2
    mask = (1 << shift) - 1
    to_frac = np.float32(1.0 / (1 << shift))
    for y in range(y0, y1):
        for i in range(x.shape[1]):
            word = np.int64(bits[y, i])
            side = word >> 31
            word &= 0x7FFFFFFF
            cell = (word >> shift) - first
            frac = np.float32(word & mask) * to_frac
            if cell < 1:
                cell = 0
                frac = abs(x[y, i]) * scales[0]
            elif cell > last:
                cell = last
                frac = (abs(x[y, i]) - scales[1]) * scales[2]
            low = values[side, cell]
            out[y, i] = low + frac * (values[side, cell + 1] - low)
