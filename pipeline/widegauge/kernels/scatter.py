"""Spread every pixel over its own disc, sort what covers what from near to far, and keep every bit of light.

Each fragment (a pixel, or a piece of one) writes the starts and ends of its disc's rows into a tile of 64-bit
integers; one running sum per row turns them into light and coverage. Integers make the order of additions
irrelevant: the bits do not depend on threads or tiles. Groups of like radius are composited from the nearest to
the farthest, each taking what room the nearer ones have left: v = min(b, T); out += v C / b; T -= v.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from numba import njit

Float32 = npt.NDArray[np.float32]

ONE_BITS = 44
"""A weight of one in the integers' scale."""
BLOCK = 32
"""Side of the blocks whose farthest reach is known."""
TILE = 64


@njit(nogil=True, cache=True)
def ladder_index(c_px, out, y0, y1, small, fine_steps, base, count):  # type: ignore[no-untyped-def]
    """Entry of the kernel ladder for each signed radius of rows y0 to y1 (uint16)."""
    bits = c_px.view(np.int32)
    for y in range(y0, y1):
        for x in range(c_px.shape[1]):
            r = abs(c_px[y, x])
            i = int(r * fine_steps + np.float32(0.5))
            if i >= small:
                i = small + (((bits[y, x] & 0x7FFFFFFF) + 0x10000) >> 17) - base
                i = min(max(i, small), count - 1)
            out[y, x] = i if c_px[y, x] >= 0.0 else i + count


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
def clip_by_rim(ends, start, h, r, turned, x, y, rim, out):  # type: ignore[no-untyped-def]
    """Runs of a kernel that a second disc of the same radius leaves, and their sum; the place decides its shift.

    ``rim`` is (middle x, middle y, half diagonal, shift there in radii): the second disc moves toward the picture's
    middle, away from it for a turned kernel.
    """
    way = r * rim[3] / rim[2] * (1.0 if turned else -1.0)
    sx, sy = (x + 0.5 - rim[0]) * way, (y + 0.5 - rim[1]) * way
    total = 0
    for row in range(2 * h + 1):
        a, b = ends[start + row, 0], ends[start + row, 1]
        dy = row - h - sy
        if b > a:
            half = np.sqrt(max(np.float64(r) * r - dy * dy, 0.0))
            a = max(a, int(np.rint((sx - half) * 256.0)) + 128)
            b = min(b, int(np.rint((sx + half) * 256.0)) + 128)
            b = max(a, b)
        out[row, 0], out[row, 1] = a, b
        total += b - a
    return max(total, 1)


@njit(nogil=True, cache=True)
def render_tile(  # type: ignore[no-untyped-def]
    rgb,
    entry,
    link,
    piece_entry,
    piece_weight,
    piece_rgb,
    reach,
    dense,
    small,
    first,
    rows,
    ends,
    area,
    group,
    squares,
    radii,
    groups,
    count,
    scale_bits,
    rim,
    tx0,
    ty0,
    tx1,
    ty1,
    sums,
    left,
    places,
    starts,
    own_ends,
    out,
    noise,
):
    height, width = entry.shape
    blocks_y, blocks_x = reach.shape
    wide, high = tx1 - tx0, ty1 - ty0
    most = 0
    for by in range(blocks_y):
        for bx in range(blocks_x):
            most = max(most, reach[by, bx])
    # what can reach this tile, counted by group and then listed by group
    for g in range(groups + 1):
        starts[g] = 0
    wy0, wx0 = ty0 - most, tx0 - most
    wy1, wx1 = ty1 + most, tx1 + most
    for fill in range(2):
        if fill == 1:
            total = 0
            for g in range(groups + 1):
                n = starts[g]
                starts[g] = total
                total += n
            if total > places.shape[0]:
                return total
        for y in range(wy0, wy1):
            sy = mirrored(y, height)
            dy = max(ty0 - y, y - ty1 + 1, 0)
            x = wx0
            while x < wx1:
                sx = mirrored(x, width)
                inside = 0 <= x < width
                stop = min(wx1, width, (sx // BLOCK + 1) * BLOCK) if inside else x + 1
                gap = max(tx0 - stop + 1, x - tx1 + 1, 0, dy)
                if reach[sy // BLOCK, sx // BLOCK] < gap:
                    x = stop
                    continue
                while x < stop:
                    if inside:
                        sx = x
                    dx = max(tx0 - x, x - tx1 + 1, 0)
                    far = max(dx, dy)
                    k = link[sy, sx]
                    for layer in range(2 if k >= 0 else 1):
                        t = entry[sy, sx] if k < 0 else piece_entry[k, layer]
                        if rows[t] < far or (k >= 0 and piece_weight[k, layer] <= 0.0):
                            continue
                        g = group[t]
                        if fill == 0:
                            starts[g] += 1
                        else:
                            places[starts[g]] = (((y - wy0) << 16 | (x - wx0)) << 1) | layer
                            starts[g] += 1
                    x += 1
    # after the listing, starts[g] is where group g ends
    for y in range(high):
        for x in range(wide):
            left[y, x] = 1.0
            noise[ty0 + y, tx0 + x] = 0.0
            for ch in range(3):
                out[ty0 + y, tx0 + x, ch] = 0.0
    unit = np.float32(2.0**-ONE_BITS)
    q = np.zeros(4, np.int64)
    value = np.zeros(4, np.float32)
    begin = 0
    for g in range(groups):
        end = starts[g]
        if end == begin:
            continue
        bx0, bx1, by0, by1 = wide, 0, high, 0
        mean_squares = 0.0
        for n in range(begin, end):
            place = places[n]
            layer = place & 1
            x = ((place >> 1) & 0xFFFF) + wx0
            y = (place >> 17) + wy0
            sy, sx = mirrored(y, height), mirrored(x, width)
            k = link[sy, sx]
            if k < 0:
                t = int(entry[sy, sx])
                for ch in range(3):
                    value[ch] = rgb[sy, sx, ch]
                value[3] = 1.0
            else:
                t = int(piece_entry[k, layer])
                for ch in range(3):
                    value[ch] = piece_rgb[k, layer, ch] * piece_weight[k, layer]
                value[3] = piece_weight[k, layer]
            mean_squares += squares[t]
            h = rows[t]
            lx, ly = x - tx0, y - ty0
            side = t >= count
            i = t - count if side else t
            r0, r1 = max(ly - h, 0), min(ly + h, high - 1)
            by0, by1 = min(by0, r0), max(by1, r1 + 1)
            bx0, bx1 = min(bx0, max(lx - h, 0)), max(bx1, min(lx + h + 1, wide))
            if i < small:
                for ch in range(4):
                    q[ch] = np.int64(np.rint(np.float64(value[ch]) * scale_bits[0 if ch < 3 else 1]))
                d = i + small if side else i
                for row in range(r0, r1 + 1):
                    dr = row - ly + 2
                    before = 0
                    for col in range(max(lx - h, 0), min(lx + h + 1, wide)):
                        weight = dense[d, dr, col - lx + 2]
                        step = weight - before
                        before = weight
                        if step != 0:
                            for ch in range(4):
                                sums[row, col, ch] += q[ch] * step
                    col = min(lx + h + 1, wide)
                    for ch in range(4):
                        sums[row, col, ch] -= q[ch] * before
            else:
                runs, total = ends, area[t]
                e = first[t] + h - ly
                if rim[3] > 0.0:
                    total = clip_by_rim(ends, first[t], h, radii[t], side, x, y, rim, own_ends)
                    runs, e = own_ends, h - ly
                for ch in range(4):
                    q[ch] = np.int64(np.rint(np.float64(value[ch]) * scale_bits[2 if ch < 3 else 3] / total))
                for row in range(r0, r1 + 1):
                    a = max(runs[e + row, 0] + lx * 256, 0)
                    b = min(runs[e + row, 1] + lx * 256, wide * 256)
                    if b <= a:
                        continue
                    ia, fa = a >> 8, a & 255
                    ib, fb = b >> 8, b & 255
                    for ch in range(4):
                        sums[row, ia, ch] += q[ch] * (256 - fa)
                        sums[row, ia + 1, ch] += q[ch] * fa
                        sums[row, ib, ch] -= q[ch] * (256 - fb)
                        sums[row, ib + 1, ch] -= q[ch] * fb
        mean_squares /= end - begin
        begin = end
        light = np.float32(scale_bits[4])
        for row in range(by0, by1):
            s0, s1, s2, s3 = np.int64(0), np.int64(0), np.int64(0), np.int64(0)
            for col in range(bx0, bx1):
                s0 += sums[row, col, 0]
                s1 += sums[row, col, 1]
                s2 += sums[row, col, 2]
                s3 += sums[row, col, 3]
                for ch in range(4):
                    sums[row, col, ch] = 0
                room = left[row, col]
                if s3 > 1024 and room > 0.0:
                    b = np.float32(s3) * unit
                    v = min(b, room)
                    share = v / b
                    out[ty0 + row, tx0 + col, 0] += np.float32(s0) * light * share
                    out[ty0 + row, tx0 + col, 1] += np.float32(s1) * light * share
                    out[ty0 + row, tx0 + col, 2] += np.float32(s2) * light * share
                    noise[ty0 + row, tx0 + col] += v * share * np.float32(mean_squares)
                    left[row, col] = room - v
            for col in range(bx1, min(bx1 + 2, sums.shape[1])):
                for ch in range(4):
                    sums[row, col, ch] = 0
    for y in range(high):
        for x in range(wide):
            taken = np.float32(1.0) - left[y, x]
            if taken > 0.0:
                gain = np.float32(1.0) / taken
                for ch in range(3):
                    out[ty0 + y, tx0 + x, ch] *= gain
                noise[ty0 + y, tx0 + x] *= gain * gain
    return 0
