"""From depth to a signed radius for every pixel: holes filled, soft edges made hard. Nothing here is interpolated.

A radius is below 0 in front of the plane where it is 0. It is affine in 1 / depth, and all work is done on it.
"""

from __future__ import annotations

import numpy as np
from numba import njit

REACH = 7
"""A soft edge's ramp may be this many pixels long on each side; a longer one is a slanting surface."""
FLAT_FRAC = 0.1
"""A ramp has come to an end where its step falls below this share of its steepest step."""


@njit(nogil=True, cache=True)
def signed_radius(depth_m, scale_px_m, inverse_focus, most_px, out, counts, y0, y1):  # type: ignore[no-untyped-def]
    """Signed radius of rows y0 to y1, held within +-most_px; not-a-number where depth is not known.

    ``counts[y]`` gets how many pixels of the row are unknown and how many are held.
    """
    for y in range(y0, y1):
        unknown, held = 0, 0
        for x in range(depth_m.shape[1]):
            z = depth_m[y, x]
            if not z > 0.0:
                out[y, x] = np.nan
                unknown += 1
                continue
            c = scale_px_m * (inverse_focus - 1.0 / np.float64(z))
            if abs(c) > most_px:
                held += 1
                c = most_px if c > 0.0 else -most_px
            out[y, x] = c
        counts[y, 0], counts[y, 1] = unknown, held


@njit(nogil=True, cache=True)
def fill_rows(radius, y0, y1):  # type: ignore[no-untyped-def]
    """Give each unknown place the farther (larger) of the nearest known ones left and right of it; in place.

    A row without any known place stays as it is.
    """
    width = radius.shape[1]
    for y in range(y0, y1):
        x = 0
        while x < width:
            if not np.isnan(radius[y, x]):
                x += 1
                continue
            stop = x
            while stop < width and np.isnan(radius[y, stop]):
                stop += 1
            before = radius[y, x - 1] if x > 0 else np.float32(np.nan)
            after = radius[y, stop] if stop < width else np.float32(np.nan)
            value = before if np.isnan(after) or before > after else after
            for i in range(x, stop):
                radius[y, i] = value
            x = stop


@njit(nogil=True, cache=True)
def fill_empty_rows(radius):  # type: ignore[no-untyped-def]
    """Give rows that are unknown all along the farther of the nearest known rows above and below; in place."""
    height, width = radius.shape
    y = 0
    while y < height:
        if not np.isnan(radius[y, 0]):
            y += 1
            continue
        stop = y
        while stop < height and np.isnan(radius[stop, 0]):
            stop += 1
        for row in range(y, stop):
            for x in range(width):
                before = radius[y - 1, x] if y > 0 else np.float32(np.nan)
                after = radius[stop, x] if stop < height else np.float32(np.nan)
                radius[row, x] = before if np.isnan(after) or before > after else after
        y = stop


@njit(nogil=True, cache=True)
def harden(radius, least_px, out, counts, y0, y1):  # type: ignore[no-untyped-def]
    """Replace places on a short ramp between two levels by the nearer level, rows y0 to y1; counts[y] says how many.

    A ramp is a run along the steeper axis that rises or falls without turning, flattens within REACH pixels at both
    ends and spans more than ``least_px``. Long ramps are slanting surfaces and stay as they are.
    """
    height, width = radius.shape
    for y in range(y0, y1):
        count = 0
        for x in range(width):
            c = radius[y, x]
            out[y, x] = c
            before, after = radius[y, max(x - 1, 0)], radius[y, min(x + 1, width - 1)]
            u, d = radius[max(y - 1, 0), x], radius[min(y + 1, height - 1), x]
            across, along = abs(after - before), abs(d - u)
            if max(across, along) < 0.1 * least_px:
                continue
            dx, dy = (1, 0) if across >= along else (0, 1)
            sign = 1.0 if (after - before if dx == 1 else d - u) > 0.0 else -1.0
            # steepest step of the run that rises through this place
            steepest = np.float32(0.0)
            for way in (-1, 1):
                last = c
                for i in range(1, REACH + 1):
                    yy, xx = y + way * i * dy, x + way * i * dx
                    if yy < 0 or xx < 0 or yy >= height or xx >= width:
                        break
                    step = (radius[yy, xx] - last) * sign * way
                    if step <= 0.0:
                        break
                    steepest = max(steepest, step)
                    last = radius[yy, xx]
            low, high = c, c
            steps_low, steps_high = 0, 0
            ended = True
            for way in (-1, 1):
                last = c
                flat = False
                for i in range(1, REACH + 2):
                    yy, xx = y + way * i * dy, x + way * i * dx
                    if yy < 0 or xx < 0 or yy >= height or xx >= width:
                        flat = True
                        break
                    step = (radius[yy, xx] - last) * sign * way
                    if step <= FLAT_FRAC * steepest:
                        flat = True
                        break
                    last = radius[yy, xx]
                    if way < 0:
                        low, steps_low = last, i
                    else:
                        high, steps_high = last, i
                ended = ended and flat
            if ended and steps_low > 0 and steps_high > 0 and abs(high - low) > least_px:
                out[y, x] = low if abs(c - low) < abs(c - high) else high
                count += 1
        counts[y] = count
