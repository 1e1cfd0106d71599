"""From depth to a signed radius for every pixel: holes filled, soft edges made hard. Nothing here is interpolated.

A radius is below 0 in front of the plane where it is 0. It is affine in 1 / depth, and all work is done on it.
"""

from __future__ import annotations

import numpy as np
from numba import njit

REACH = 7
"""A soft edge's ramp may be this many pixels long on each side; a longer one is a slanting surface."""
LONG_REACH, LONG_PX = 12, 4.0
"""Up to this long where it spans more than LONG_PX."""
FLAT_FRAC, SLOPE_PX = 0.03, 0.06
"""A ramp has come to an end where its step falls below this share of its steepest step, or below SLOPE_PX."""
CELL = 16
THIN_PX, ALONG_PX, THIN_FRAC, THIN_TIMES = 2, 4, 0.8, 9
"""A thin thing is at most this wide on each side; its level is looked for this far along it, this many times over."""
BEYOND_PX, STEEPER, STEEP_FRAC = 6, 1.5, 4.0
"""... or where it is less than STEEPER times as steep as the surface that many pixels on; and somewhere a ramp must be
STEEP_FRAC times as steep as that."""
APART_FRAC = 0.02
"""Two lights are told apart when the square of their difference is more than this share of their squares."""


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
def _rise(radius, y, x, dy, dx, sign):  # type: ignore[no-untyped-def]
    """Signed step from (y, x) to its neighbour; not-a-number beyond the border."""
    yy, xx = y + dy, x + dx
    if yy < 0 or xx < 0 or yy >= radius.shape[0] or xx >= radius.shape[1]:
        return np.float32(np.nan)
    return (radius[yy, xx] - radius[y, x]) * sign


@njit(nogil=True, cache=True)
def _climb(radius, y, x, dy, dx, sign, flat_px):  # type: ignore[no-untyped-def]
    """How many pixels a ramp goes on one way from (y, x): until it is flat, or no steeper than what lies beyond.

    A ramp that runs into the border has no end.
    """
    i = 0
    while i <= LONG_REACH:
        step = _rise(radius, y + i * dy, x + i * dx, dy, dx, sign)
        beyond = _rise(radius, y + (i + BEYOND_PX) * dy, x + (i + BEYOND_PX) * dx, dy, dx, sign)
        if np.isnan(step):
            return LONG_REACH + 1
        if step <= flat_px or step < STEEPER * beyond:
            break
        i += 1
    return i


@njit(nogil=True, cache=True)
def _likeness(rgb, y, x, ny, nx, fy, fx):  # type: ignore[no-untyped-def]
    """How near-like a pixel's light is (1: that at (ny, nx), 0: that at (fy, fx)), and how far apart those two are."""
    dot, apart, size = np.float32(0.0), np.float32(0.0), np.float32(0.0)
    for ch in range(3):
        f, b, i = rgb[ny, nx, ch], rgb[fy, fx, ch], rgb[y, x, ch]
        f, b, i = f / (1 + abs(f)), b / (1 + abs(b)), i / (1 + abs(i))
        dot += (i - b) * (f - b)
        apart += (f - b) * (f - b)
        size += f * f + b * b
    return (dot / apart if apart > 0.0 else np.float32(0.5)), apart / (size + np.float32(1e-9))


@njit(nogil=True, cache=True)
def harden(radius, rgb, scale_px_m, inverse_focus, least_px, out, changed, counts, y0, y1):  # type: ignore[no-untyped-def]
    """Replace places on a short ramp between two levels by one of the levels, rows y0 to y1; counts[y] says how many.

    A ramp is a run along the steeper axis that rises or falls without turning, flattens within reach at both ends
    and spans more than ``least_px``. Long ramps are slanting surfaces and stay as they are. Whether the depth or its
    inverse was softened is not known: where half-way in the one and half-way in the other disagree, the pixel's
    light decides, and where that says nothing, half-way in the logarithm.
    """
    height, width = radius.shape
    for y in range(y0, y1):
        count = 0
        for x in range(width):
            c = radius[y, x]
            out[y, x] = c
            before, after = radius[y, max(x - 1, 0)], radius[y, min(x + 1, width - 1)]
            above, below = radius[max(y - 1, 0), x], radius[min(y + 1, height - 1), x]
            if max(abs(after - c), abs(c - before), abs(below - c), abs(c - above)) < SLOPE_PX:
                continue
            across = abs(after - before) >= abs(below - above)
            dy, dx = (0, 1) if across else (1, 0)
            sign = np.float32(1.0 if (after - before if across else below - above) > 0.0 else -1.0)
            steepest = np.float32(0.0)
            for way in (-1, 1):
                for i in range(LONG_REACH):
                    step = _rise(radius, y + way * i * dy, x + way * i * dx, way * dy, way * dx, sign * way)
                    if not step > 0.0:
                        break
                    steepest = max(steepest, step)
            flat_px = max(FLAT_FRAC * steepest, SLOPE_PX)
            low = _climb(radius, y, x, -dy, -dx, -sign, flat_px)
            high = _climb(radius, y, x, dy, dx, sign, flat_px)
            if low == 0 or high == 0 or max(low, high) > LONG_REACH:
                continue
            first, last = radius[y - low * dy, x - low * dx], radius[y + high * dy, x + high * dx]
            span = abs(last - first)
            if span <= least_px or (max(low, high) > REACH and span <= LONG_PX):
                continue
            reach_low, reach_high = low + BEYOND_PX, high + BEYOND_PX
            around = _rise(radius, y - reach_low * dy, x - reach_low * dx, -dy, -dx, -sign)
            beyond = _rise(radius, y + reach_high * dy, x + reach_high * dx, dy, dx, sign)
            if steepest < STEEP_FRAC * around or steepest < STEEP_FRAC * beyond:
                continue
            near, far = min(first, last), max(first, last)
            n, f = (-low, high) if first < last else (high, -low)
            u, u_near, u_far = (
                inverse_focus - c / scale_px_m,
                inverse_focus - near / scale_px_m,
                inverse_focus - far / scale_px_m,
            )
            u_far = max(u_far, 1e-6 * u_near)
            if u >= (u_near + u_far) / 2.0:
                is_near = True
            elif u <= 2.0 * u_near * u_far / (u_near + u_far):
                is_near = False
            else:
                like, apart = _likeness(rgb, y, x, y + n * dy, x + n * dx, y + f * dy, x + f * dx)
                is_near = like > 0.5 if apart > APART_FRAC else u * u >= u_near * u_far
            out[y, x] = near if is_near else far
            changed[y // CELL, x // CELL] = 1
            count += 1
        counts[y] = count


@njit(nogil=True, cache=True)
def _is_thin(radius, y, x, least_px):  # type: ignore[no-untyped-def]
    """Whether something farther lies within THIN_PX on two opposite sides."""
    height, width = radius.shape
    c = radius[y, x]
    for dy, dx in ((0, 1), (1, 0), (1, 1), (1, -1)):
        sides = 0
        for way in (-1, 1):
            for i in range(1, THIN_PX + 1):
                yy, xx = y + way * i * dy, x + way * i * dx
                if 0 <= yy < height and 0 <= xx < width and radius[yy, xx] - c > least_px:
                    sides += 1
                    break
        if sides == 2:
            return True
    return False


@njit(nogil=True, cache=True)
def level_thin(radius, changed, least_px, out, counts, y0, y1):  # type: ignore[no-untyped-def]
    """Give a thin near thing (a hair) whose softened depth never came to its level the nearest level along it.

    Acts on places of rows y0 to y1 with something farther on both sides, in cells where ``harden`` changed
    something, and only where they are well on the near side. ``out`` must hold ``radius`` in all other cells.
    """
    height, width = radius.shape
    for y in range(y0, y1):
        for cell in range(changed.shape[1]):
            if not changed[y // CELL, cell]:
                continue
            for x in range(cell * CELL, min(cell * CELL + CELL, width)):
                c = radius[y, x]
                out[y, x] = c
                if not _is_thin(radius, y, x, least_px):
                    continue
                low, high = c, c
                for yy in range(max(y - ALONG_PX, 0), min(y + ALONG_PX + 1, height)):
                    for xx in range(max(x - ALONG_PX, 0), min(x + ALONG_PX + 1, width)):
                        low, high = min(low, radius[yy, xx]), max(high, radius[yy, xx])
                if low < c and c - low < THIN_FRAC * (high - low):
                    out[y, x] = low
                    counts[y] += 1
