"""Multiply values by log-normal noise that is correlated between neighbours and keyed by place."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from numba import njit

from widegauge.kernels.philox import gauss_row

Float32 = npt.NDArray[np.float32]
Int32 = npt.NDArray[np.int32]

LEVEL_SHIFT = 18
"""Float bits dropped to find a level's place in a table: 32 places for each doubling."""


def level_index(value: float) -> int:
    """Place of a positive value in an endless table of levels: its float32 bits without the last 18."""
    return int(np.float32(value).view(np.int32)) >> LEVEL_SHIFT


def levels(first: float, count: int) -> npt.NDArray[np.float64]:
    """Middle value of each of ``count`` places, from that of ``first`` on."""
    start = (level_index(first) << LEVEL_SHIFT) + (1 << (LEVEL_SHIFT - 1))
    bits = start + (np.arange(count, dtype=np.int64) << LEVEL_SHIFT)
    return bits.astype(np.int32).view(np.float32).astype(np.float64)


@njit(nogil=True, cache=True, inline="always")
def _exp(x: np.float32) -> np.float32:
    """exp(x) to 2e-5 for |x| < 3 and to 1e-6 for |x| < 1, exactly 1 at 0: (Taylor's fifth order at x/8)^8."""
    s = x * np.float32(0.125)
    p = np.float32(1.0 / 120.0) * s + np.float32(1.0 / 24.0)
    p = p * s + np.float32(1.0 / 6.0)
    p = p * s + np.float32(0.5)
    p = p * s + np.float32(1.0)
    p = p * s + np.float32(1.0)
    p = p * p
    p = p * p
    return p * p


@njit(nogil=True, cache=True)
def _filter(rows: Float32, newest: int, taps: Float32, column: Float32, noise: Float32) -> None:
    """Filter a ring of rows (count, 3, W + 2r), the last of them ``newest``, down and then along, into ``noise``."""
    count, width = taps.shape[0], noise.shape[1]
    for c in range(3):
        for t in range(count):
            row, tap = rows[(newest + 1 + t) % count, c], taps[t]
            if t == 0:
                for i in range(column.shape[1]):
                    column[c, i] = tap * row[i]
            else:
                for i in range(column.shape[1]):
                    column[c, i] += tap * row[i]
        for t in range(count):
            tap = taps[t]
            if t == 0:
                for i in range(width):
                    noise[c, i] = tap * column[c, i]
            else:
                for i in range(width):
                    noise[c, i] += tap * column[c, i + t]


@njit(nogil=True, cache=True)
def _amounts(amount: Float32, bits: Int32, want: Float32, have: Float32, left: Float32, base: np.int32) -> None:
    """Look up sqrt(max(0, want - have left)) for a row; ``left`` (W) or (0) when ``want`` is the amount already."""
    zero, top, shift = np.int32(0), np.int32(want.shape[0] - 1), np.int32(LEVEL_SHIFT)
    if left.shape[0] == 0:
        for i in range(amount.shape[0]):
            amount[i] = want[np.uint32(min(max((bits[i] >> shift) - base, zero), top))]
        return
    for i in range(amount.shape[0]):
        place = np.uint32(min(max((bits[i] >> shift) - base, zero), top))
        amount[i] = np.sqrt(max(np.float32(0.0), want[place] - have[place] * left[i]))


@njit(nogil=True, cache=True)
def _multiply(
    values: Float32, amount: Float32, noise: Float32, mix: Float32, floor: np.float32, strength: np.float32
) -> None:
    """Apply a row's noise to a row's values, in place; ``mix`` holds this channel's three shares."""
    m0, m1, m2 = mix[0], mix[1], mix[2]
    n0, n1, n2 = noise[0], noise[1], noise[2]
    for i in range(values.shape[0]):
        value, a = values[i], strength * amount[i]
        shift = a * (m0 * n0[i] + m1 * n1[i] + m2 * n2[i])
        high = value * _exp(shift - np.float32(0.5) * a * a)
        low = value + shift * floor
        values[i] = high if value > floor else low


@njit(nogil=True, cache=True)
def speckle_rows(
    out: Float32,
    rgb: Float32,
    bits: Int32,
    left: Float32,
    y0: int,
    y1: int,
    place_x: int,
    place_y: int,
    number: np.uint32,
    stream: np.uint32,
    k0: np.uint32,
    k1: np.uint32,
    gauss: Float32,
    taps: Float32,
    mix: Float32,
    want: Float32,
    have: Float32,
    base: int,
    floor: np.float32,
    strength: np.float32,
) -> None:
    """Rows y0..y1 of ``out`` = rgb exp(a n - a^2/2) above ``floor``, rgb + a n floor at and below it.

    rgb, out   (H, W, 3) float32; ``bits`` is rgb's int32 view
    left       (H, W) float32 share of ``have`` that is still there, or (0, 0) for all of it
    place_x/y  place of pixel [0, 0], wrapped to 32 bits
    gauss      philox.gauss_table(); taps (2r+1) float32, sum of squares 1; mix (3, 3) float32, rows of unit energy
    want, have (3, N) and (N) float32 relative variances by level; ``base`` is the level index of the first
    a = strength sqrt(max(0, want - have left)): where nothing is wanting, values pass unchanged.
    """
    width, reach, count = rgb.shape[1], taps.shape[0] // 2, taps.shape[0]
    partial = left.shape[0] > 0
    table = want if partial else np.sqrt(np.maximum(np.float32(0.0), want - have))
    rows = np.empty((count, 3, width + 2 * reach), np.float32)
    column = np.empty((3, width + 2 * reach), np.float32)
    noise = np.empty((3, width), np.float32)
    values = np.empty((3, width), np.float32)
    words = np.empty((3, width), np.int32)
    amount = np.empty(width, np.float32)
    all_left = np.empty(0, np.float32)
    for y in range(y0 - reach, y1 + reach):
        newest = (y - (y0 - reach)) % count
        place = np.uint32((place_y + y) & 0xFFFFFFFF)
        gauss_row(rows[newest], place_x - reach, place, number, stream, k0, k1, gauss)
        line = y - reach
        if line < y0:
            continue
        _filter(rows, newest, taps, column, noise)
        for i in range(width):
            for c in range(3):
                values[c, i] = rgb[line, i, c]
                words[c, i] = bits[line, i, c]
        for c in range(3):
            _amounts(amount, words[c], table[c], have, left[line] if partial else all_left, np.int32(base))
            _multiply(values[c], amount, noise, mix[c], floor, strength)
        for i in range(width):
            for c in range(3):
                out[line, i, c] = values[c, i]
