"""Numbers settled among their neighbours, in space and over time, and edges moved to where light has them.

Values are near when small. Not-a-number is not known, and never counts.
"""

from __future__ import annotations

import numpy as np
from numba import njit

REACH_PX = 2
"""The median looks so far on each side: 5 x 5."""
FEWEST_LIKE = 3
"""A value with fewer like it around (itself included) is a speck."""
LOOK_PX, PLACE_PX = 6, 3.0
"""How far a place looks for light like its own, and the Gaussian weight of what lies there."""
LIGHT_SIGMA = 0.06
"""Lights between 0 and 1 are alike up to about this difference."""
UNSURE = 0.05
"""Weight of what lies beside an edge: its side is what is asked."""
ODDS_FLOOR = 1e-2
"""Of the mean likeness on either side: where both are below, light says nothing."""
PRIOR, OUTWARD_PX = 4.0, 0.1
"""Odds (their logarithm) by place: so much for a map's pixel inside the edge, which first moves outward a little."""


@njit(nogil=True, cache=True)
def _put(held, count, value):  # type: ignore[no-untyped-def]
    """Put a value where it belongs among the first ``count`` of a sorted row."""
    at = count
    while at > 0 and held[at - 1] > value:
        held[at] = held[at - 1]
        at -= 1
    held[at] = value


@njit(nogil=True, cache=True)
def like_median(values, like_frac, like_least, out, y0, y1):  # type: ignore[no-untyped-def]
    """Median of the values around that are like a place's own, rows y0 to y1; a speck takes the median of all.

    Alike is a difference of at most like_frac x its size, or like_least. Slopes, edges and thin things stay.
    """
    height, width = values.shape
    held = np.empty((2 * REACH_PX + 1) ** 2, np.float32)
    for y in range(y0, y1):
        top, end = max(y - REACH_PX, 0), min(y + REACH_PX + 1, height)
        for x in range(width):
            v = values[y, x]
            out[y, x] = v
            if np.isnan(v):
                continue
            reach = max(like_frac * abs(v), like_least)
            left, right = max(x - REACH_PX, 0), min(x + REACH_PX + 1, width)
            count = 0
            for yy in range(top, end):
                for xx in range(left, right):
                    if abs(values[yy, xx] - v) <= reach:
                        _put(held, count, values[yy, xx])
                        count += 1
            if count < FEWEST_LIKE:
                count = 0
                for yy in range(top, end):
                    for xx in range(left, right):
                        if not np.isnan(values[yy, xx]):
                            _put(held, count, values[yy, xx])
                            count += 1
            out[y, x] = held[(count - 1) // 2]


@njit(nogil=True, cache=True)
def median_over_time(stack, out, y0, y1):  # type: ignore[no-untyped-def]
    """Median of (N, H, W) over N where it is known, rows y0 to y1; of an even number the nearer of the middle two."""
    count, _, width = stack.shape
    held = np.empty(count, np.float32)
    for y in range(y0, y1):
        for x in range(width):
            known = 0
            for n in range(count):
                if not np.isnan(stack[n, y, x]):
                    _put(held, known, stack[n, y, x])
                    known += 1
            out[y, x] = held[(known - 1) // 2] if known else np.float32(np.nan)


@njit(nogil=True, cache=True)
def align(values, distance, light, least, free_px, out, y0, y1):  # type: ignore[no-untyped-def]
    """Give places within ``free_px`` of a step the level of the side whose light is like theirs, rows y0 to y1.

    ``distance`` (H, W) is how far each place is from a step of more than ``least``, in pixels; ``light`` (H, W, 3)
    lies between 0 and 1. Where light says nothing a place keeps its side, or is near by OUTWARD_PX.
    """
    height, width = values.shape
    around = int(np.ceil(free_px)) + 1
    for y in range(y0, y1):
        for x in range(width):
            out[y, x] = values[y, x]
            if distance[y, x] > free_px:
                continue
            low, high = np.float32(np.inf), np.float32(-np.inf)
            for yy in range(max(y - around, 0), min(y + around + 1, height)):
                for xx in range(max(x - around, 0), min(x + around + 1, width)):
                    low, high = min(low, values[yy, xx]), max(high, values[yy, xx])
            if not high - low > least:
                continue
            middle = (low + high) / 2.0
            near_like, near_all, far_like, far_all = 0.0, 0.0, 0.0, 0.0
            to_near, to_far = np.inf, np.inf
            near_level, far_level = low, high
            for yy in range(max(y - LOOK_PX, 0), min(y + LOOK_PX + 1, height)):
                for xx in range(max(x - LOOK_PX, 0), min(x + LOOK_PX + 1, width)):
                    away = np.float64((yy - y) ** 2 + (xx - x) ** 2)
                    weight = np.exp(-away / (2.0 * PLACE_PX * PLACE_PX))
                    if distance[yy, xx] < 1.0:
                        weight *= UNSURE
                    apart = 0.0
                    for ch in range(3):
                        d = light[yy, xx, ch] - light[y, x, ch]
                        apart += d * d
                    like = weight * np.exp(-apart / (2.0 * LIGHT_SIGMA * LIGHT_SIGMA))
                    if values[yy, xx] <= middle:
                        near_like += like
                        near_all += weight
                        if away < to_near:
                            to_near, near_level = away, values[yy, xx]
                    else:
                        far_like += like
                        far_all += weight
                        if away < to_far:
                            to_far, far_level = away, values[yy, xx]
            if near_all <= 0.0 or far_all <= 0.0:
                continue
            inside_px = np.sqrt(to_far) - 0.5 if values[y, x] <= middle else 0.5 - np.sqrt(to_near)
            odds = np.log((near_like / near_all + ODDS_FLOOR) / (far_like / far_all + ODDS_FLOOR))
            odds += PRIOR / free_px * (inside_px + OUTWARD_PX)
            out[y, x] = near_level if odds >= 0.0 else far_level
