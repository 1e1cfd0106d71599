"""One tile of the blurred picture: what reaches it, summed group by group, composited from near to far.

Each group takes what room the nearer ones have left: v = min(b, T); out += v C / b; T -= v. Unlike the usual "over"
this is exact for the abutting pieces of one surface, for blurred on sharp and for sharp on blurred; what is left
open in the end is divided out, so a flat field stays flat.
"""

from __future__ import annotations

import numpy as np
from numba import njit

from widegauge.kernels.background import CELL
from widegauge.kernels.scatter import (
    BRIGHT_STOPS,
    ONE_BITS,
    add_dense,
    add_runs,
    clip_by_rim,
    list_fragments,
    measure_runs,
    mirrored,
    nearest,
    unpack,
)

ONE = 2.0**ONE_BITS
WHOLE, REST, LAMP = 0, 1, 2
"""Which part of a light is meant: all of it, its part as a lamp with a kernel of its own, or the rest."""
HALF = 0.5
"""Inside a surface, what it leaves open less than this is rounding and no hole."""
QUARTER_MIDDLE = 4.0 / (3.0 * np.pi)
"""Middle of a quarter disc along either axis, in radii (centroid of a half disc: 4 r / 3 pi)."""
FULL = 1e-4
"""Less room than this is none: rounding must not let a lamp shine through a wall."""


@njit(nogil=True, cache=True)
def render_tile(  # type: ignore[no-untyped-def]
    rgb, radius, entry, order, lamp, link,
    piece_radius, piece_entry, piece_order, piece_lamp, piece_weight, piece_rgb, reach, most, last,
    gain, around,
    dense, first, rows, ends, area, squares, radii, quarter, groups, small, count, light_bits, rim,
    tx0, ty0, tx1, ty1, sums, light, places, starts, own, q, before, tilt, out, noise,
):  # fmt: skip
    """Write one tile of ``out`` and ``noise``; 0, or how many places are needed when ``places`` is too short.

    sums       (4, TILE_HIGH, 4 (TILE_WIDE + 2)) int64, zero before and after
    light      (TILE_HIGH, TILE_WIDE, 4, 5) float32: red, green, blue, room and noise of each quarter
    last       (H, W) uint8: last group that can be seen at a pixel
    around     (cells) float32: what light is usual around each cell of CELL x CELL pixels, after the gain
    own        (rows, 2) int32: one kernel's runs
    q, before  (4, 4 (longest run + 2)) int64
    tilt       (4, longest run) float64
    """
    total, pieces = list_fragments(
        entry, order, lamp, link, piece_entry, piece_order, piece_lamp, piece_weight, reach, rows, groups,
        tx0, ty0, tx1, ty1, most, starts, places,
    )  # fmt: skip
    if total > places.shape[0]:
        return total
    height, width = entry.shape
    wide, high = tx1 - tx0, ty1 - ty0
    parts = 4 if pieces else 1
    clipped = rim[3] > 0.0
    lamps = lamp.shape[0] > 0
    light[:high, :wide, :parts] = 0.0
    light[:high, :wide, :parts, 3] = 1.0
    shares = np.ones(4, np.float64)
    weights = np.ones(4, np.float64)
    if parts == 4:
        t = count - 1
        for part in range(4):
            weights[part] = quarter[t, part]
        if clipped:
            middle_x, middle_y = (tx0 + tx1) / 2 - 0.5, (ty0 + ty1) / 2 - 0.5
            h = np.int64(rows[t])
            clip_by_rim(ends, np.int64(first[t]), h, radii[t], t >= count, middle_x, middle_y, rim, own)
            measure_runs(own, h, weights)
    begin, none, once = 0, np.int64(0), np.int64(1)  # a literal number has a kernel compiled a second time for it
    for g in range(groups):
        end = starts[g]
        if end == begin:
            continue
        bx0, bx1, by0, by1 = wide, none, high, none
        spreads, pixels = 0.0, 0
        for place in places[begin:end]:
            row, col, layer, n = unpack(place)
            lx, ly = col - most, row - most
            sy, sx = mirrored(ly + ty0, height), mirrored(lx + tx0, width)
            k = link[sy, sx]
            part_of = WHOLE if not lamps else (LAMP if layer > 1 else REST)
            layer &= 1
            if part_of == LAMP:
                t = np.int64(lamp[sy, sx]) if k < 0 else np.int64(piece_lamp[k, layer])
            else:
                t = np.int64(entry[sy, sx]) if k < 0 else np.int64(piece_entry[k, layer])
            h = np.int64(rows[t])
            turned = t >= count
            r0, r1 = max(ly - h, 0), min(ly + h, high - 1)
            by0, by1 = min(by0, r0), max(by1, r1 + 1)
            bx0, bx1 = min(bx0, max(lx - h, 0)), max(bx1, min(lx + n + h, wide))
            spreads += squares[t] * n
            pixels += n
            i = t - count if turned else t
            if i < small:
                shares[:] = 65536.0
                tilt[0, :n] = 1.0
                # no light was split off what is drawn with so small a kernel
                dense_part = part_of if part_of == LAMP else WHOLE
                _weigh(
                    rgb, piece_rgb, piece_weight, sy, sx, k, layer, n, shares, once,
                    light_bits, gain, around, dense_part, tilt, q, before,
                )  # fmt: skip
                add_dense(sums, dense[i + small if turned else i], lx, ly, h, n, wide, high, parts, q[0], before[0])
                continue
            for one in range(n if clipped else 1):
                many = 1 if clipped else n
                runs, at = ends, np.int64(first[t])
                shares[:] = area[t]
                if clipped:
                    clip_by_rim(ends, at, h, radii[t], turned, np.float64(sx + one), np.float64(sy), rim, own)
                    runs, at = own, np.int64(0)
                    whole = measure_runs(own, h, shares)
                    for part in range(4):
                        shares[part] = 2.0 * shares[part] * whole if parts == 4 else whole
                elif parts == 4:
                    for part in range(4):
                        shares[part] *= 2.0 * quarter[t, part]
                kk = k + one if k >= 0 else k
                if parts == 4:
                    _tilt(radius, piece_radius, sy, sx + one, kk, layer, many, tilt)
                else:
                    tilt[0, :many] = 1.0
                _weigh(
                    rgb, piece_rgb, piece_weight, sy, sx + one, kk, layer, many, shares, parts,
                    light_bits, gain, around, part_of, tilt, q, before,
                )  # fmt: skip
                x = lx + one
                for r in range(r0, r1 + 1):
                    left, right = np.int64(runs[at + r - ly + h, 0]), np.int64(runs[at + r - ly + h, 1])
                    if parts == 1:
                        add_runs(sums[0, r], left, right, once, x, many, wide, q[0], before[0])
                        continue
                    times = 1 if r == ly else 2
                    for part in range(4):
                        if (r < ly and part > 1) or (r > ly and part < 2):
                            continue
                        a, b = (max(left, 128), right) if part & 1 else (left, min(right, 128))
                        add_runs(
                            sums[3 - part if turned else part, r], a, b, times, x, many, wide, q[part], before[part]
                        )
        spreads /= pixels
        begin = end
        unit = np.float32(1.0 / light_bits)
        _take_room(sums, light, parts, weights, np.float32(spreads), unit, g, last, tx0, ty0, bx0, bx1, by0, by1, wide)
    _finish(light, parts, weights, wide, high, tx0, ty0, out, noise)
    return 0


@njit(nogil=True, cache=True)
def _slope(radius, y, x, dy, dx):  # type: ignore[no-untyped-def]
    """Change of |radius| per pixel along one axis: the gentler of both sides, so that a silhouette does not count."""
    height, width = radius.shape
    here = radius[y, x]
    after = radius[min(y + dy, height - 1), min(x + dx, width - 1)] - here
    before = here - radius[max(y - dy, 0), max(x - dx, 0)]
    if after * before <= 0.0:
        return 0.0
    gentler = after if abs(after) < abs(before) else before
    return gentler if here >= 0.0 else -gentler


@njit(nogil=True, cache=True)
def _tilt(radius, piece_radius, y, x, k, layer, n, tilt):  # type: ignore[no-untyped-def]
    """How much more (above 1) or less of each quarter of the aperture a pixel of a slanting surface covers.

    A place p is drawn at p + c(p) u: the coverage there is 1 + grad c . u, with u the middle of the quarter.
    """
    for i in range(n):
        across, down = 0.0, 0.0
        if k < 0 or piece_radius[k + i, layer] == radius[y, x + i]:
            across = QUARTER_MIDDLE * _slope(radius, y, x + i, 0, 1)
            down = QUARTER_MIDDLE * _slope(radius, y, x + i, 1, 0)
        for part in range(4):
            more = (across if part & 1 else -across) + (down if part > 1 else -down)
            tilt[part, i] = 1.0 + min(max(more, -0.5), 0.5)


@njit(nogil=True, cache=True)
def _share_of(r, g, b, gain, around, part_of):  # type: ignore[no-untyped-def]
    """Share of a light that is wanted: its part as a lamp, or the rest.

    The rest of a lamp is what may stand in its place without it: all of a light of 1 after the gain, what is usual
    around it for one BRIGHT_STOPS brighter.
    """
    level = np.float64(max(r, g, b)) * gain
    rest = 1.0
    if level > 1.0 and around < level:
        rest = (around / level) ** min(np.log2(level) / BRIGHT_STOPS, 1.0)
    return rest if part_of == REST else 1.0 - rest


@njit(nogil=True, cache=True)
def _weigh(  # type: ignore[no-untyped-def]
    rgb, piece_rgb, piece_weight, y, x, k, layer, n, areas, parts, light_bits, gain, around, part_of, tilt, q, before
):
    """Light of a run of pixels or pieces as integers for each part of the aperture, and its running sum.

    A lamp's part is light alone: it covers nothing.
    """
    for part in range(parts):
        line, ahead = q[part], before[part]
        for ch in range(4):
            line[ch] = line[4 * n + 4 + ch] = ahead[ch] = 0
        scale = light_bits / areas[part]
        weight = ONE / areas[part] if part_of != LAMP else 0.0
        for i in range(n):
            share = tilt[part, i]
            if k < 0:
                r, g, b = rgb[y, x + i, 0], rgb[y, x + i, 1], rgb[y, x + i, 2]
            else:
                share *= piece_weight[k + i, layer]
                r, g, b = piece_rgb[k + i, layer, 0], piece_rgb[k + i, layer, 1], piece_rgb[k + i, layer, 2]
            line[4 * i + 7] = nearest(weight * share)
            share *= scale
            if part_of != WHOLE:
                share *= _share_of(r, g, b, gain, around[y // CELL, (x + i) // CELL], part_of)
            line[4 * i + 4] = nearest(r * share)
            line[4 * i + 5] = nearest(g * share)
            line[4 * i + 6] = nearest(b * share)
        for i in range(4 * n + 4):
            ahead[i + 4] = ahead[i] + line[i + 4]


@njit(nogil=True, cache=True)
def _take_room(  # type: ignore[no-untyped-def]
    sums, light, parts, weights, spreads, gain, g, last, tx0, ty0, bx0, bx1, by0, by1, wide
):
    unit = np.float32(2.0**-ONE_BITS)
    for part in range(parts):
        rough = spreads / np.float32(weights[part])
        for row in range(by0, by1):
            line = sums[part, row]
            s0, s1, s2, s3 = np.int64(0), np.int64(0), np.int64(0), np.int64(0)
            for col in range(bx0, bx1):
                s0 += line[4 * col]
                s1 += line[4 * col + 1]
                s2 += line[4 * col + 2]
                s3 += line[4 * col + 3]
                room = light[row, col, part, 3]
                if s3 > 1 << 20 and room > 0.0 and (room >= HALF or g <= last[ty0 + row, tx0 + col]):
                    b = np.float32(s3) * unit
                    v = min(b, room)
                    share = v / b
                    light[row, col, part, 0] += np.float32(s0) * gain * share
                    light[row, col, part, 1] += np.float32(s1) * gain * share
                    light[row, col, part, 2] += np.float32(s2) * gain * share
                    light[row, col, part, 4] += v * share * rough
                    room -= v
                    light[row, col, part, 3] = room if room > FULL else np.float32(0.0)
            line[4 * bx0 : 4 * min(bx1 + 2, wide + 1)] = 0


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
