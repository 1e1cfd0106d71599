"""Random numbers by place: a counter-based generator, and Gaussians from it by table.

Philox4x32 of J. K. Salmon et al., "Parallel random numbers: as easy as 1, 2, 3", SC 2011: four 32-bit words from
a counter of four words and a key of two, with no state, so that any value may be drawn alone. Ten rounds, as the
paper recommends.
"""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt
from numba import njit
from scipy.special import ndtri

Float32 = npt.NDArray[np.float32]
UInt32 = npt.NDArray[np.uint32]

ROUNDS = 10
GAUSS_BITS = 12

_M0, _M1 = np.uint64(0xD2511F53), np.uint64(0xCD9E8D57)
_W0, _W1 = np.uint32(0x9E3779B9), np.uint32(0xBB67AE85)
_32 = np.uint64(32)


@njit(nogil=True, cache=True, inline="always")
def philox4x32(
    c0: np.uint32, c1: np.uint32, c2: np.uint32, c3: np.uint32, k0: np.uint32, k1: np.uint32
) -> tuple[np.uint32, np.uint32, np.uint32, np.uint32]:
    """Four uint32 words for a counter (c0..c3) and a key (k0, k1), all uint32."""
    for _ in range(ROUNDS):
        p0 = _M0 * np.uint64(c0)
        p1 = _M1 * np.uint64(c2)
        c0 = np.uint32(p1 >> _32) ^ c1 ^ k0
        c2 = np.uint32(p0 >> _32) ^ c3 ^ k1
        c1 = np.uint32(p1)
        c3 = np.uint32(p0)
        k0 = np.uint32(k0 + _W0)
        k1 = np.uint32(k1 + _W1)
    return c0, c1, c2, c3


def gauss_table() -> Float32:
    """Values at the edges of 4096 equally likely bins of a Gaussian; straight lines between them have variance 1.

    Returns (4097,) float32, odd about its middle. The outermost value is where a straight line through the last bin
    gives that bin's mean; then all are scaled so that the piecewise uniform distribution's variance is exactly 1.
    """
    bins = 1 << GAUSS_BITS
    edges = np.empty(bins + 1)
    edges[1:-1] = ndtri(np.arange(1, bins) / bins)
    last = float(edges[-2])
    mean = bins * math.exp(-0.5 * last * last) / math.sqrt(2.0 * math.pi)
    edges[-1] = 2.0 * mean - last
    edges[0] = -edges[-1]
    variance = np.mean(edges[:-1] ** 2 + edges[:-1] * edges[1:] + edges[1:] ** 2) / 3.0
    return np.asarray(edges / math.sqrt(float(variance)), dtype=np.float32)


@njit(nogil=True, cache=True)
def gauss_row(
    out: Float32,
    x0: int,
    y: np.uint32,
    frame: np.uint32,
    stream: np.uint32,
    k0: np.uint32,
    k1: np.uint32,
    table: Float32,
) -> None:
    """Fill ``out`` (3, W) float32 with Gaussians of the places (x0 + column, y), wrapped to 32 bits.

    ``table`` is ``gauss_table()``. A place's three values depend on its coordinates, frame, stream and key alone.
    """
    shift = np.uint32(32 - GAUSS_BITS)
    mask = np.uint32((1 << (32 - GAUSS_BITS)) - 1)
    scale = np.float32(1.0 / (1 << (32 - GAUSS_BITS)))
    for i in range(out.shape[1]):
        w0, w1, w2, _ = philox4x32(np.uint32(x0 + i), y, frame, stream, k0, k1)
        b0, b1, b2 = w0 >> shift, w1 >> shift, w2 >> shift
        t0, t1, t2 = np.float32(w0 & mask) * scale, np.float32(w1 & mask) * scale, np.float32(w2 & mask) * scale
        a0, a1, a2 = table[b0], table[b1], table[b2]
        out[0, i] = a0 + t0 * (table[b0 + np.uint32(1)] - a0)
        out[1, i] = a1 + t1 * (table[b1 + np.uint32(1)] - a1)
        out[2, i] = a2 + t2 * (table[b2 + np.uint32(1)] - a2)
