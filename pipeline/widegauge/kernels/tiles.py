"""One tile of the blurred picture: what reaches it, summed group by group, composited from near to far.

Each group takes what room the nearer ones have left: v = min(b, T); out += v C / b; T -= v. Unlike the usual "over"
this is exact for the abutting pieces of one surface, for blurred on sharp and for sharp on blurred; what is left
open in the end is divided out, so a flat field stays flat.
"""

from __future__ import annotations

import numpy as np
from numba import njit

from widegauge.kernels.scatter import (
    ONE_BITS,
    add_dense,
    add_quarters,
    add_run,
    clip_by_rim,
    list_fragments,
    measure_runs,
)

FULL = 1e-4
"""Less room than this is none: rounding must not let a lamp shine through a wall."""


@njit(nogil=True, cache=True)
def render_tile(  # type: ignore[no-untyped-def]
    rgb, entry, link, piece_entry, piece_weight, piece_rgb, reach, most,
    dense, first, rows, ends, area, group, squares, radii, quarter, groups, small, count, light_bits, rim,
    tx0, ty0, tx1, ty1, sums, light, places, starts, own, out, noise,
):  # fmt: skip
    """Write one tile of ``out`` and ``noise``; 0, or how many places are needed when ``places`` is too short.

    sums   (TILE, TILE + 2, 16) int64, zero before and after
    light  (TILE, TILE, 4, 5) float32: red, green, blue, room and noise of each quarter
    own    (rows, 2) int32: one kernel's runs
    """
    total, pieces = list_fragments(
        entry, link, piece_entry, piece_weight, reach, rows, group, groups, tx0, ty0, tx1, ty1, most, starts, places
    )
    if total > places.shape[0]:
        return total
    height, width = entry.shape
    wide, high = tx1 - tx0, ty1 - ty0
    parts = 4 if pieces else 1
    clipped = rim[3] > 0.0
    for y in range(high):
        for x in range(wide):
            for part in range(parts):
                for ch in range(5):
                    light[y, x, part, ch] = 1.0 if ch == 3 else 0.0
    value = np.zeros(4, np.float64)
    q = np.zeros(4, np.int64)
    q4 = np.zeros((4, 4), np.int64)
    shares = np.zeros(4, np.float64)
    weights = np.ones(4, np.float64)
    if parts == 4:
        t = count - 1
        for k in range(4):
            weights[k] = quarter[t, k]
        if clipped:
            clip_by_rim(
                ends, first[t], rows[t], radii[t], False, (tx0 + tx1) / 2 - 0.5, (ty0 + ty1) / 2 - 0.5, rim, own
            )
            measure_runs(own, rows[t], weights)
    one = 2.0**ONE_BITS
    begin = 0
    for g in range(groups):
        end = starts[g]
        if end == begin:
            continue
        bx0, bx1, by0, by1 = wide, 0, high, 0
        spreads = 0.0
        for n in range(begin, end):
            place = places[n]
            layer = place & 1
            lx = ((place >> 1) & 0xFFFF) - most
            ly = (place >> 17) - most
            sy, sx = ly + ty0, lx + tx0
            if sy < 0 or sx < 0 or sy >= height or sx >= width:
                while sy < 0 or sy >= height:
                    sy = -1 - sy if sy < 0 else 2 * height - 1 - sy
                while sx < 0 or sx >= width:
                    sx = -1 - sx if sx < 0 else 2 * width - 1 - sx
            k = link[sy, sx]
            if k < 0:
                t = int(entry[sy, sx])
                for ch in range(3):
                    value[ch] = rgb[sy, sx, ch] * light_bits
                value[3] = one
            else:
                t = int(piece_entry[k, layer])
                for ch in range(3):
                    value[ch] = piece_rgb[k, layer, ch] * piece_weight[k, layer] * light_bits
                value[3] = piece_weight[k, layer] * one
            spreads += squares[t]
            h = rows[t]
            turned = t >= count
            r0, r1 = max(ly - h, 0), min(ly + h, high - 1)
            by0, by1 = min(by0, r0), max(by1, r1 + 1)
            bx0, bx1 = min(bx0, max(lx - h, 0)), max(bx1, min(lx + h + 1, wide))
            i = t - count if turned else t
            if i < small:
                for ch in range(4):
                    q[ch] = np.int64(np.rint(value[ch] / 65536.0))
                add_dense(sums, dense[i + small if turned else i], lx, ly, h, wide, high, parts, q)
                continue
            runs, e, sum_runs = ends, first[t] + h - ly, np.float64(area[t])
            if clipped:
                clip_by_rim(ends, first[t], h, radii[t], turned, sx, sy, rim, own)
                sum_runs = measure_runs(own, h, shares)
                runs, e = own, h - ly
            if parts == 1:
                for ch in range(4):
                    q[ch] = np.int64(np.rint(value[ch] / sum_runs))
                for row in range(r0, r1 + 1):
                    a = max(runs[e + row, 0] + lx * 256, 0)
                    b = min(runs[e + row, 1] + lx * 256, wide * 256)
                    if b > a:
                        add_run(sums, row, a, b, 0, q)
            else:
                for part in range(4):
                    share = shares[part] if clipped else quarter[t, part]
                    for ch in range(4):
                        q4[part, ch] = np.int64(np.rint(value[ch] / (sum_runs * share)))
                add_quarters(sums, runs, e, lx, ly, r0, r1, wide, turned, q4)
        spreads /= end - begin
        begin = end
        _take_room(
            sums, light, parts, weights, np.float32(spreads), np.float32(1.0 / light_bits), bx0, bx1, by0, by1, wide
        )
    _finish(light, parts, weights, wide, high, tx0, ty0, out, noise)
    return 0


@njit(nogil=True, cache=True)
def _take_room(sums, light, parts, weights, spreads, gain, bx0, bx1, by0, by1, wide):  # type: ignore[no-untyped-def]
    unit = np.float32(2.0**-ONE_BITS)
    for row in range(by0, by1):
        for part in range(parts):
            s0, s1, s2, s3 = np.int64(0), np.int64(0), np.int64(0), np.int64(0)
            c0 = 4 * part
            rough = spreads / np.float32(weights[part])
            for col in range(bx0, bx1):
                s0 += sums[row, col, c0]
                s1 += sums[row, col, c0 + 1]
                s2 += sums[row, col, c0 + 2]
                s3 += sums[row, col, c0 + 3]
                room = light[row, col, part, 3]
                if s3 > 1 << 20 and room > 0.0:
                    b = np.float32(s3) * unit
                    v = min(b, room)
                    share = v / b
                    light[row, col, part, 0] += np.float32(s0) * gain * share
                    light[row, col, part, 1] += np.float32(s1) * gain * share
                    light[row, col, part, 2] += np.float32(s2) * gain * share
                    light[row, col, part, 4] += v * share * rough
                    room -= v
                    light[row, col, part, 3] = room if room > FULL else np.float32(0.0)
        for col in range(bx0, min(bx1 + 2, wide + 2)):
            for ch in range(4 * parts):
                sums[row, col, ch] = 0


@njit(nogil=True, cache=True)
def _finish(light, parts, weights, wide, high, tx0, ty0, out, noise):  # type: ignore[no-untyped-def]
    for y in range(high):
        for x in range(wide):
            seen = np.float32(0.0)
            r, g, b, n = np.float32(0.0), np.float32(0.0), np.float32(0.0), np.float32(0.0)
            for part in range(parts):
                taken = np.float32(1.0) - light[y, x, part, 3]
                if taken > 0.0:
                    w = np.float32(weights[part])
                    gain = w / taken
                    r += light[y, x, part, 0] * gain
                    g += light[y, x, part, 1] * gain
                    b += light[y, x, part, 2] * gain
                    n += light[y, x, part, 4] * gain * gain
                    seen += w
            if seen > 0.0:
                out[ty0 + y, tx0 + x, 0] = r / seen
                out[ty0 + y, tx0 + x, 1] = g / seen
                out[ty0 + y, tx0 + x, 2] = b / seen
                noise[ty0 + y, tx0 + x] = n / (seen * seen)
