"""Add up discs of many radii in 64-bit integers, so that neither threads nor tiles can change a bit.

A fragment is a pixel, or a piece of one, with light, a weight and an entry of the kernel ladder (``discs``). It
writes the starts and ends of its disc's rows into a tile; a running sum along each row turns them into light and
coverage (after T. J. Kosloff, M. W. Tao and B. A. Barsky, "Depth of field postprocessing for layered scenes using
constant-time rectangle spreading", Graphics Interface 2009, with rows of discs for rectangles).

Where near and far meet, the aperture is worked in four quarters: through each quarter of the lens a near surface
hides another part of the far one. Quarter 0 is what the kernel's upper left does behind focus; in front of focus the
picture of the aperture is turned, so it is the lower right.
"""

from __future__ import annotations

import numpy as np
from numba import njit

ONE_BITS = 44
"""A weight of one in the integers' scale."""
BLOCK = 32
"""Side of the blocks whose farthest reach is known."""
BRIGHT_STOPS = 3.0
NO_LAMP = 65535
TILE_HIGH, TILE_WIDE = 32, 128
"""The tiles that are worked at a time."""


@njit(nogil=True, cache=True)
def on_ladder(r, small, fine_steps, octave_steps, low, count):  # type: ignore[no-untyped-def]
    """Entry of the kernel ladder nearest to a radius from 0 up; ``low`` is the first radius with runs."""
    i = int(r * fine_steps + np.float32(0.5))
    if i < small:
        return i
    octave, steps = np.float32(1.0), -int(np.rint((low - 1.0) * octave_steps))
    while r >= octave * 2:
        octave *= np.float32(2.0)
        steps += octave_steps
    i = small + steps + int((r / octave - np.float32(1.0)) * octave_steps + np.float32(0.5))
    return min(max(i, small), count - 1)


@njit(nogil=True, cache=True)
def ladder_index(  # type: ignore[no-untyped-def]
    radius_px, rgb, cut, gain, group, small, fine_steps, octave_steps, low, count, entry, order, lamp, y0, y1
):
    """Kernel (uint16) and place in the order from near to far (uint8) for each signed radius of rows y0 to y1.

    ``lamp`` gets the kernel of the light by which a place is brighter than 1 after ``gain`` (NO_LAMP: it is not):
    smaller, from three stops on by the share ``cut``.
    """
    for y in range(y0, y1):
        for x in range(radius_px.shape[1]):
            r = abs(radius_px[y, x])
            side = 0 if radius_px[y, x] >= 0.0 else count
            i = on_ladder(r, small, fine_steps, octave_steps, low, count)
            order[y, x] = group[i + side]
            entry[y, x] = i + side
            if cut > 0.0:
                lamp[y, x] = NO_LAMP
                level = max(rgb[y, x, 0], rgb[y, x, 1], rgb[y, x, 2]) * gain
                if level > 1.0 and i >= small:
                    shorter = np.float32(r * (1.0 - cut * min(np.log2(level) / BRIGHT_STOPS, 1.0)))
                    lamp[y, x] = on_ladder(shorter, small, fine_steps, octave_steps, low, count) + side


@njit(nogil=True, cache=True)
def block_reach(entry, link, piece_entry, rows, out, by0, by1):  # type: ignore[no-untyped-def]
    """Farthest reach in pixels of anything in each block of BLOCK x BLOCK pixels, block rows by0 to by1."""
    height, width = entry.shape
    for by in range(by0, by1):
        for bx in range(out.shape[1]):
            most = 0
            for y in range(by * BLOCK, min(by * BLOCK + BLOCK, height)):
                for x in range(bx * BLOCK, min(bx * BLOCK + BLOCK, width)):
                    k = link[y, x]
                    if k < 0:
                        most = max(most, rows[entry[y, x]])
                    else:
                        most = max(most, rows[piece_entry[k, 0]], rows[piece_entry[k, 1]])
            out[by, bx] = most


@njit(nogil=True, cache=True)
def mirrored(i, size):  # type: ignore[no-untyped-def]
    """Index inside the raster of a place outside of it, as if the raster's border were a mirror."""
    while i < 0 or i >= size:
        i = -1 - i if i < 0 else 2 * size - 1 - i
    return i


@njit(nogil=True, cache=True)
def list_fragments(  # type: ignore[no-untyped-def]
    entry, order, lamp, link, piece_entry, piece_order, piece_lamp, piece_weight, reach, rows, groups,
    tx0, ty0, tx1, ty1, most, starts, places,
):  # fmt: skip
    """List what reaches a tile, group by group, as runs of whole pixels of one kernel or single pieces.

    A place is packed from its row and column, counted from ``most`` outside the tile, its layer (2 and 3: the lamp
    light of layers 0 and 1) and its length (``unpack``). On return ``starts[g]`` is where group g ends. Gives (number
    of places, whether any are pieces); nothing is listed when ``places`` is too short for them.
    """
    height, width = entry.shape
    pieces = False
    lamps = lamp.shape[0] > 0
    total = 0
    for g in range(groups):
        starts[g] = 0
    for listing in range(2):
        if listing:
            for g in range(groups):
                n = starts[g]
                starts[g] = total
                total += n
            if total > places.shape[0]:
                break
        for y in range(ty0 - most, ty1 + most):
            sy = mirrored(y, height)
            dy = max(ty0 - y, y - ty1 + 1, 0)
            x = tx0 - most
            while x < tx1 + most:
                sx = mirrored(x, width)
                inside = 0 <= x < width
                stop = min(tx1 + most, (sx // BLOCK + 1) * BLOCK, width) if inside else x + 1
                if reach[sy // BLOCK, sx // BLOCK] < max(tx0 - stop + 1, x - tx1 + 1, dy):
                    x = stop
                    continue
                while x < stop:
                    sx = x if inside else sx
                    far = max(tx0 - x, x - tx1 + 1, dy)
                    row = y - ty0 + most
                    k = link[sy, sx]
                    if k >= 0:
                        pieces = True
                        many = 1
                        while inside and x + many < min(width, tx1 + most) and link[sy, x + many] >= 0:
                            many += 1
                        for layer in range(2):
                            i = 0
                            while i < many:
                                t, g = piece_entry[k + i, layer], piece_order[k + i, layer]
                                far = max(tx0 - x - i, x + i - tx1 + 1, dy)
                                if rows[t] < far or piece_weight[k + i, layer] <= 0.0:
                                    i += 1
                                    continue
                                last = min(many, tx1 + rows[t] - x)
                                n = 1
                                while (
                                    i + n < last
                                    and piece_entry[k + i + n, layer] == t
                                    and piece_order[k + i + n, layer] == g
                                ):
                                    n += 1
                                if listing:
                                    places[starts[g]] = pack(row, x + i - tx0 + most, layer, n)
                                starts[g] += 1
                                for j in range(i, i + n if lamps else i):
                                    if piece_lamp[k + j, layer] != NO_LAMP:
                                        if listing:
                                            places[starts[g]] = pack(row, x + j - tx0 + most, layer + 2, 1)
                                        starts[g] += 1
                                i += n
                        x += many
                        continue
                    t, g = entry[sy, sx], order[sy, sx]
                    if rows[t] < far:
                        x += 1
                        continue
                    n = 1
                    if inside:
                        last = min(width, tx1 + rows[t])
                        while x + n < last and link[sy, x + n] < 0 and entry[sy, x + n] == t and order[sy, x + n] == g:
                            n += 1
                    if listing:
                        places[starts[g]] = pack(row, x - tx0 + most, 0, n)
                    starts[g] += 1
                    for j in range(n if lamps else 0):
                        if lamp[sy, sx + j] != NO_LAMP:
                            if listing:
                                places[starts[g]] = pack(row, x + j - tx0 + most, 2, 1)
                            starts[g] += 1
                    x += n
    return total, pieces


@njit(nogil=True, cache=True)
def pack(row, col, layer, n):  # type: ignore[no-untyped-def]
    """A place as one integer."""
    return ((np.int64(row) << 16 | col) << 2 | layer) << 12 | n


@njit(nogil=True, cache=True)
def unpack(place):  # type: ignore[no-untyped-def]
    """Row, column, layer and length of a place."""
    return place >> 30, (place >> 14) & 0xFFFF, (place >> 12) & 3, place & 0xFFF


@njit(nogil=True, cache=True)
def clip_by_rim(ends, start, h, r, turned, x, y, rim, out):  # type: ignore[no-untyped-def]
    """Runs of a kernel that a second disc of the same radius leaves, and their sum; the place decides its shift.

    ``rim`` is (middle x, middle y, half diagonal, shift there in radii): the second disc moves toward the picture's
    middle, away from it for a turned kernel.
    """
    way = r * rim[3] / rim[2] * (1.0 if turned else -1.0)
    sx, sy = (x + 0.5 - rim[0]) * way, (y + 0.5 - rim[1]) * way
    for row in range(2 * h + 1):
        a, b = ends[start + row, 0], ends[start + row, 1]
        dy = row - h - sy
        if b > a:
            half = np.sqrt(max(np.float64(r) * r - dy * dy, 0.0))
            a = max(a, int(np.rint((sx - half) * 256.0)) + 128)
            b = max(a, min(b, int(np.rint((sx + half) * 256.0)) + 128))
        out[row, 0], out[row, 1] = a, b


@njit(nogil=True, cache=True)
def measure_runs(runs, h, shares):  # type: ignore[no-untyped-def]
    """Sum of a kernel's runs; ``shares`` gets the four quarters' parts of it."""
    total = 0.0
    for k in range(4):
        shares[k] = 0.0
    for row in range(2 * h + 1):
        a, b = runs[row, 0], runs[row, 1]
        left, right = max(min(b, 128) - a, 0), max(b - max(a, 128), 0)
        above = 1.0 if row < h else (0.5 if row == h else 0.0)
        shares[0] += left * above
        shares[1] += right * above
        shares[2] += left * (1.0 - above)
        shares[3] += right * (1.0 - above)
        total += b - a
    for k in range(4):
        shares[k] = max(shares[k], 1e-3 * total, 1.0) / max(total, 1.0)
    return max(total, 1.0)


@njit(nogil=True, cache=True)
def nearest(value):  # type: ignore[no-untyped-def]
    """The nearest whole number, halves away from zero."""
    return np.int64(value + 0.5) if value >= 0.0 else -np.int64(0.5 - value)


@njit(nogil=True, cache=True)
def add_pair(line, column, n, wide, q, before, c0, c1):  # type: ignore[no-untyped-def]
    """Add c0 q[i] + c1 q[i - 1] for i = 0 .. n at columns column + i of a row of four channels.

    q       light of a run of n pixels, four zeros ahead and four behind
    before  its running sum: before[4 i + ch] is the sum of channel ch over the pixels ahead of i, i = 0 .. n + 1

    What falls left of the row is put on its first column, what falls right of it is dropped: only the running
    sum along the row counts.
    """
    first = min(max(-column, 0), n + 1)
    if first > 0:
        for ch in range(4):
            line[ch] += c0 * before[4 * first + ch] + c1 * before[4 * first - 4 + ch]
    last = min(n, wide - column)
    size = 4 * (last + 1 - first)
    if size <= 0:
        return
    target = line[4 * (column + first) : 4 * (column + first) + size]
    these = q[4 * first + 4 : 4 * first + 4 + size]
    ahead = q[4 * first : 4 * first + size]
    for i in range(size):
        target[i] += c0 * these[i] + c1 * ahead[i]


@njit(nogil=True, cache=True)
def add_runs(line, left, right, times, lx, n, wide, q, before):  # type: ignore[no-untyped-def]
    """One row of a run of equal kernels: each covers left to right, 1/256 px from its own pixel's left border.

    The weight is 256 ``times`` in each pixel that is covered whole.
    """
    if right > left:
        fraction = left & 255
        add_pair(line, lx + (left >> 8), n, wide, q, before, times * (256 - fraction), times * fraction)
        fraction = right & 255
        add_pair(line, lx + (right >> 8), n, wide, q, before, times * (fraction - 256), -times * fraction)


@njit(nogil=True, cache=True)
def add_dense(sums, kernel, lx, ly, h, n, wide, high, parts, q, before):  # type: ignore[no-untyped-def]
    """A run of equal small kernels from (lx, ly) on, the same for every quarter of the aperture."""
    for row in range(max(ly - h, 0), min(ly + h, high - 1) + 1):
        last = np.int64(0)
        for col in range(-h, h + 2):
            weight = np.int64(kernel[row - ly + 2, col + 2]) if col <= h else np.int64(0)
            if weight != last:
                for part in range(parts):
                    add_pair(sums[part, row], lx + col, n, wide, q, before, weight - last, np.int64(0))
            last = weight
