"""What the far surface looks like where a near one hides it: made up from what is seen of it around.

The guess is a mean of the far surface with weights 1 / distance^4 around the hidden place (D. Shepard, "A
two-dimensional interpolation function for irregularly-spaced data", ACM 1968), sampled on rings. It is exact beside
the silhouette and grows smoother with distance from it, as a guess should.
"""

from __future__ import annotations

import math

import numpy as np
from numba import njit

CELL = 4
"""Side of the cells whose mean stands for a sample on the wider rings."""
RINGS = np.array([1.1, 1.5, 2.1, 2.9, 4.0])
SPOKES = 16
CELL_FROM_PX = 9.0
ALIKE_PX, ALIKE_FRAC = 1.0, 0.15
"""A place belongs to the far surface when its radius differs from it by less than the larger of these."""
BRIGHT = 2.5
"""No sample counts for more than this many times the harmonic mean of all that is seen behind, or a lamp would be seen
twice: also one that is the only thing around at its distance."""

_ANGLES = 2.0 * np.pi * np.arange(2 * SPOKES) / (2 * SPOKES)
_COS, _SIN = np.cos(_ANGLES), np.sin(_ANGLES)


@njit(nogil=True, cache=True)
def shrink(rgb, radius, flags, small_rgb, lowest, highest, y0, y1):  # type: ignore[no-untyped-def]
    """Mean light, least and greatest radius of each cell of CELL x CELL pixels, cell rows y0 to y1.

    Flagged pixels are mixtures and do not count for the light, unless there are no others.
    """
    height, width = radius.shape
    for y in range(y0, y1):
        for x in range(lowest.shape[1]):
            low, high = np.float32(np.inf), np.float32(-np.inf)
            r, g, b = np.float32(0.0), np.float32(0.0), np.float32(0.0)
            n = 0
            flagged = True
            for yy in range(y * CELL, min(y * CELL + CELL, height)):
                for xx in range(x * CELL, min(x * CELL + CELL, width)):
                    flagged = flagged and flags[yy, xx] != 0
            for yy in range(y * CELL, min(y * CELL + CELL, height)):
                for xx in range(x * CELL, min(x * CELL + CELL, width)):
                    low, high = min(low, radius[yy, xx]), max(high, radius[yy, xx])
                    if flags[yy, xx] and not flagged:
                        continue
                    r += rgb[yy, xx, 0]
                    g += rgb[yy, xx, 1]
                    b += rgb[yy, xx, 2]
                    n += 1
            lowest[y, x], highest[y, x] = low, high
            small_rgb[y, x, 0], small_rgb[y, x, 1], small_rgb[y, x, 2] = r / n, g / n, b / n


@njit(nogil=True, cache=True)
def behind(rgb, radius, flags, small_rgb, lowest, highest, y, x, sy, sx, out):  # type: ignore[no-untyped-def]
    """Light of the far surface behind (y, x) whose nearest pixel is (sy, sx); only what lies as far counts."""
    height, width = radius.shape
    c_far = radius[sy, sx]
    alike = min(max(ALIKE_PX, ALIKE_FRAC * abs(c_far)), 0.5 * (c_far - radius[y, x]))
    d = math.sqrt((sy - y) * (sy - y) + (sx - x) * (sx - x)) + 1.0
    samples = np.empty((RINGS.size * SPOKES, 4), np.float32)
    n = 0
    nearer = 0.5 * (c_far + radius[y, x])
    inverse, seen, whole = 0.0, 0.0, 0.0
    for ring in range(RINGS.size):
        rho = d * RINGS[ring]
        weight = 1.0 / (RINGS[ring] * RINGS[ring])
        for spoke in range(SPOKES):
            a = 2 * spoke + (ring & 1)
            yy, xx = int(np.rint(y + rho * _SIN[a])), int(np.rint(x + rho * _COS[a]))
            if yy < 0 or xx < 0 or yy >= height or xx >= width:
                continue
            if rho >= CELL_FROM_PX:
                cy, cx = yy // CELL, xx // CELL
                if lowest[cy, cx] >= nearer:
                    inverse += weight / (max(small_rgb[cy, cx].sum() / 3.0, 0.0) + 1e-3)
                    seen += weight
                if lowest[cy, cx] < c_far - alike or highest[cy, cx] > c_far + alike:
                    continue
                for ch in range(3):
                    samples[n, ch] = small_rgb[cy, cx, ch]
            else:
                if flags[yy, xx]:
                    continue
                if radius[yy, xx] >= nearer:
                    inverse += weight / (max(rgb[yy, xx].sum() / 3.0, 0.0) + 1e-3)
                    seen += weight
                if abs(radius[yy, xx] - c_far) > alike:
                    continue
                for ch in range(3):
                    samples[n, ch] = rgb[yy, xx, ch]
            samples[n, 3] = weight
            whole += weight
            n += 1
    if n == 0:
        by, bx = int(np.rint(sy + 1.5 * (sy - y) / d)), int(np.rint(sx + 1.5 * (sx - x) / d))
        if 0 <= by < height and 0 <= bx < width and abs(radius[by, bx] - c_far) < alike:
            sy, sx = by, bx
        for ch in range(3):
            out[ch] = rgb[sy, sx, ch]
        return
    most = BRIGHT * seen / inverse
    for ch in range(3):
        out[ch] = 0.0
    for i in range(n):
        bright = (samples[i, 0] + samples[i, 1] + samples[i, 2]) / 3.0
        weight = samples[i, 3] / whole * (most / bright if bright > most else 1.0)
        for ch in range(3):
            out[ch] += samples[i, ch] * weight
