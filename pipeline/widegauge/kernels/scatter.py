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
TILE = 32
"""Side of the tiles that are worked at a time."""


@njit(nogil=True, cache=True)
def ladder_index(radius_px, out, y0, y1, small, fine_steps, base, count):  # type: ignore[no-untyped-def]
    """Entry of the kernel ladder for each signed radius of rows y0 to y1 (uint16)."""
    bits = radius_px.view(np.int32)
    for y in range(y0, y1):
        for x in range(radius_px.shape[1]):
            i = int(abs(radius_px[y, x]) * fine_steps + np.float32(0.5))
            if i >= small:
                i = small + (((bits[y, x] & 0x7FFFFFFF) + 0x10000) >> 17) - base
                i = min(max(i, small), count - 1)
            out[y, x] = i if radius_px[y, x] >= 0.0 else i + count


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
    entry, link, piece_entry, piece_weight, reach, rows, group, groups, tx0, ty0, tx1, ty1, most, starts, places
):
    """List what reaches a tile, group by group: place is (row, column, layer) packed, from ``most`` outside the tile.

    On return ``starts[g]`` is where group g ends. Gives (number of fragments, whether any of them are pieces);
    nothing is listed when ``places`` is too short for them.
    """
    height, width = entry.shape
    pieces = False
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
                    k = link[sy, sx]
                    for layer in range(2 if k >= 0 else 1):
                        t = entry[sy, sx] if k < 0 else piece_entry[k, layer]
                        if rows[t] < far or (k >= 0 and piece_weight[k, layer] <= 0.0):
                            continue
                        g = group[t]
                        if listing:
                            places[starts[g]] = ((y - ty0 + most) << 16 | (x - tx0 + most)) << 1 | layer
                        starts[g] += 1
                        pieces = pieces or k >= 0
                    x += 1
    return total, pieces


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
def add_run(sums, row, a, b, c0, q):  # type: ignore[no-untyped-def]
    """Start and end, in 1/256 px, of a run of light q in channels c0 to c0 + 3; both ends are spread over two pixels."""
    ia, fa = a >> 8, a & 255
    ib, fb = b >> 8, b & 255
    for ch in range(4):
        sums[row, ia, c0 + ch] += q[ch] * (256 - fa)
    for ch in range(4):
        sums[row, ia + 1, c0 + ch] += q[ch] * fa
    for ch in range(4):
        sums[row, ib, c0 + ch] -= q[ch] * (256 - fb)
    for ch in range(4):
        sums[row, ib + 1, c0 + ch] -= q[ch] * fb


@njit(nogil=True, cache=True)
def add_dense(sums, kernel, lx, ly, h, wide, high, parts, q):  # type: ignore[no-untyped-def]
    """A small kernel around (lx, ly), the same for every quarter of the aperture."""
    for row in range(max(ly - h, 0), min(ly + h, high - 1) + 1):
        before = 0
        for col in range(max(lx - h, 0), min(lx + h + 1, wide) + 1):
            weight = kernel[row - ly + 2, col - lx + 2] if col <= min(lx + h, wide - 1) else 0
            step = np.int64(weight - before)
            before = weight
            if step != 0:
                for part in range(parts):
                    for ch in range(4):
                        sums[row, col, 4 * part + ch] += q[ch] * step


@njit(nogil=True, cache=True)
def add_quarters(sums, runs, e, lx, ly, r0, r1, wide, side, q):  # type: ignore[no-untyped-def]
    """Rows r0 to r1 of a kernel whose runs start at e - its first row; q holds one light for each spatial quarter."""
    middle = lx * 256 + 128
    half = np.empty(4, np.int64)
    for row in range(r0, r1 + 1):
        a = max(runs[e + row, 0] + lx * 256, 0)
        b = min(runs[e + row, 1] + lx * 256, wide * 256)
        for right in range(2):
            a1, b1 = (max(a, middle), b) if right else (a, min(b, middle))
            if b1 <= a1:
                continue
            for below in range(2):
                if (row < ly and below) or (row > ly and not below):
                    continue
                k = 2 * below + right
                part = 3 - k if side else k
                if row == ly:
                    for ch in range(4):
                        half[ch] = q[k, ch] >> 1
                    add_run(sums, row, a1, b1, 4 * part, half)
                else:
                    add_run(sums, row, a1, b1, 4 * part, q[k])
