"""How light reaches the lens: lamps with soft shadows, skylight with one bounce, wet reflections, water and haze."""

import math

from scene_bodies import (
    MAT_BOARDS,
    MAT_COAT,
    MAT_DECK,
    MAT_FERRY,
    MAT_HAT,
    MAT_HILL,
    MAT_LAMP,
    MAT_LEATHER,
    MAT_ROPE,
    MAT_SHORE,
    MAT_WATER,
    MAT_WINDOW,
)
from scene_look import haze_at, sky, water_slopes
from scene_noise import compiled, compiled_as, fbm_2d, hash_frac
from scene_shapes import FAR_M, blocked, normal_at, trace
from scene_surface import surface

POLES = 9
HUT_LAMPS = 4
AIR_PER_M = 0.0042
BULB_GLOW_M = 0.45
BULB_REACH_M = 7.0
GLINT_CAP = 8.0
"""Most light that one ray may bring from a glint, so that few rays do not leave sparks."""
MIRROR_ROUGH = 0.09


@compiled_as("UniTuple(float64, 2)(int64, int64, int64, int64)")
def draw(pixel, pair, n, count):
    """Return an even pair of numbers in [0, 1) for sample n of count (a power of two) and one use of chance."""
    k = (n * (2 * pair + 1)) % count
    a = hash_frac(pixel, pair, 11) + k * 0.7548776662466927
    b = hash_frac(pixel, pair, 12) + k * 0.5698402909980532
    return a - math.floor(a), b - math.floor(b)


@compiled
def _axes(nx, ny, nz):
    """Return two unit vectors across a unit vector."""
    s = 1.0 if nz >= 0.0 else -1.0
    a = -1.0 / (s + nz)
    b = nx * ny * a
    return 1.0 + s * nx * nx * a, s * b, -s * nx, b, s + ny * ny * a, -ny


@compiled
def _tone(mat):
    """Return a plain colour for things met by bounced light."""
    if mat == MAT_DECK:
        return 0.075, 0.062, 0.050
    if mat == MAT_BOARDS:
        return 0.09, 0.13, 0.125
    if mat == MAT_COAT:
        return 0.33, 0.20, 0.085
    if mat == MAT_ROPE:
        return 0.24, 0.19, 0.12
    if mat == MAT_HAT:
        return 0.20, 0.035, 0.03
    if mat == MAT_LEATHER:
        return 0.10, 0.05, 0.025
    if mat in (MAT_SHORE, MAT_HILL):
        return 0.03, 0.035, 0.035
    return 0.06, 0.06, 0.06


@compiled
def gather(sc, ox, oy, oz, dx, dy, dz, reach, lamps, clouds):
    """Return the light that a bounced ray brings, with plain shading where it lands."""
    t, prim, mat, face = trace(sc, ox, oy, oz, dx, dy, dz, reach)
    if mat < 0:
        return sky(dx, dy, dz, clouds)
    x, y, z = ox + t * dx, oy + t * dy, oz + t * dz
    if mat == MAT_WATER:
        r, g, b = sky(dx, dy, dz, False)
        w = 0.02 + 0.98 * (1.0 - min(abs(dy), 1.0)) ** 5
        return r * w + 0.004, g * w + 0.009, b * w + 0.012
    if mat == MAT_LAMP and not lamps:
        return 0.0, 0.0, 0.0
    nx, ny, nz = normal_at(sc, prim, face, x, y, z, dx, dy, dz)
    er, eg, eb = 0.0, 0.0, 0.0
    r, g, b = _tone(mat)
    if mat in (MAT_LAMP, MAT_WINDOW, MAT_FERRY, MAT_SHORE):
        r, g, b, nx, ny, nz, _, _, er, eg, eb = surface(sc, prim, mat, face, x, y, z, dx, dy, dz, nx, ny, nz, 1.0)
    ir, ig, ib = 0.30, 0.36, 0.48
    ir, ig, ib = ir * (0.5 + 0.3 * ny), ig * (0.5 + 0.3 * ny), ib * (0.5 + 0.3 * ny)
    if z < 60.0:
        total = len(sc.lamps)
        for n in range(POLES + HUT_LAMPS):
            m = n if n < POLES else total - HUT_LAMPS + n - POLES
            lx, ly, lz = sc.lamps[m, 0] - x, sc.lamps[m, 1] - y, sc.lamps[m, 2] - z
            d2 = lx * lx + ly * ly + lz * lz + 0.02
            c = nx * lx + ny * ly + nz * lz
            if c > 0.0:
                if n >= POLES:
                    c *= max(-(lx * sc.lamps[m, 7] + lz * sc.lamps[m, 8]), 0.0) / math.sqrt(d2)
                w = c / (d2 * math.sqrt(d2))
                ir, ig, ib = ir + w * sc.lamps[m, 4], ig + w * sc.lamps[m, 5], ib + w * sc.lamps[m, 6]
    k = 0.3183
    through, hr, hg, hb = haze_at(dx, dy, dz, t)
    r, g, b = er + r * ir * k, eg + g * ig * k, eb + b * ib * k
    return r * through + hr, g * through + hg, b * through + hb


@compiled
def lamplight(sc, x, y, z, nx, ny, nz, dx, dy, dz, r, g, b, alpha, f0, shiny, u, v, w):
    """Return the lamps' light that a surface sends back: the two strongest cast shadows, and one that chance picks."""
    br, bg, bb, strongest, first = 0.0, 0.0, 0.0, 0.0, -1
    tr, tg, tb, stronger, second = 0.0, 0.0, 0.0, 0.0, -1
    sr, sg, sb, total, pick = 0.0, 0.0, 0.0, 0.0, -1
    total_lamps = len(sc.lamps)
    for n in range(total_lamps):
        lx, ly, lz = sc.lamps[n, 0] - x, sc.lamps[n, 1] - y, sc.lamps[n, 2] - z
        d2 = lx * lx + ly * ly + lz * lz
        c = nx * lx + ny * ly + nz * lz
        bulb = POLES <= n < total_lamps - HUT_LAMPS
        if c <= 0.0 or (bulb and d2 > BULB_REACH_M * BULB_REACH_M):
            continue
        inv = 1.0 / math.sqrt(d2)
        lx, ly, lz, c = lx * inv, ly * inv, lz * inv, c * inv
        power = 1.0 / max(d2, sc.lamps[n, 3] * sc.lamps[n, 3])
        if bulb:
            fade = 1.0 - d2 / (BULB_REACH_M * BULB_REACH_M)
            power *= fade * fade
        if sc.lamps[n, 7] != 0.0 or sc.lamps[n, 8] != 0.0:
            power *= max(-(lx * sc.lamps[n, 7] + lz * sc.lamps[n, 8]), 0.0)
        if power <= 0.0:
            continue
        s = 0.0
        if shiny:
            hx, hy, hz = lx - dx, ly - dy, lz - dz
            q = 1.0 / math.sqrt(hx * hx + hy * hy + hz * hz + 1e-12)
            nh = (nx * hx + ny * hy + nz * hz) * q
            lh = max((lx * hx + ly * hy + lz * hz) * q, 0.05)
            a = alpha + 0.5 * sc.lamps[n, 3] * inv
            a2 = a * a
            e = nh * nh * (a2 - 1.0) + 1.0
            fresnel = f0 + (1.0 - f0) * (1.0 - lh) ** 5
            s = a2 / (3.14159 * e * e) * fresnel / (4.0 * lh * lh) * c
        k = c * 0.3183
        cr = power * sc.lamps[n, 4] * (r * k + s)
        cg = power * sc.lamps[n, 5] * (g * k + s)
        cb = power * sc.lamps[n, 6] * (b * k + s)
        weight, other = cr + cg + cb, n
        if weight > strongest:
            cr, cg, cb, br, bg, bb = br, bg, bb, cr, cg, cb
            weight, strongest, other, first = strongest, weight, first, n
        if weight > stronger:
            cr, cg, cb, tr, tg, tb = tr, tg, tb, cr, cg, cb
            weight, stronger, other, second = stronger, weight, second, other
        if weight <= 0.0:
            continue
        sr, sg, sb, total = sr + cr, sg + cg, sb + cb, total + weight
        if w * total < weight:
            pick = other
            w = w * total / weight
        else:
            w = (w * total - weight) / max(total - weight, 1e-12)
    if first >= 0 and _shadowed(sc, first, x, y, z, u, v):
        br, bg, bb = 0.0, 0.0, 0.0
    if second >= 0 and _shadowed(sc, second, x, y, z, 1.0 - u, v):
        tr, tg, tb = 0.0, 0.0, 0.0
    if pick >= 0 and _shadowed(sc, pick, x, y, z, v, u):
        sr, sg, sb = 0.0, 0.0, 0.0
    return br + tr + sr, bg + tg + sg, bb + tb + sb


@compiled
def _shadowed(sc, pick, x, y, z, u, v):
    """Say whether a place cannot see a point, picked by u and v, on a lamp."""
    lamp = sc.lamps[pick]
    a, h = 6.2832 * u, 2.0 * v - 1.0
    q = math.sqrt(max(1.0 - h * h, 0.0)) * lamp[3]
    flat = 0.15 if (lamp[7] != 0.0 or lamp[8] != 0.0) else 1.0
    lx = lamp[0] + q * math.cos(a) * flat - x
    ly, lz = lamp[1] + h * lamp[3] - y, lamp[2] + q * math.sin(a) * flat - z
    d = math.sqrt(lx * lx + ly * ly + lz * lz)
    return blocked(sc, x, y, z, lx / d, ly / d, lz / d, d - 0.01)


@compiled
def _glow_in_air(sc, ox, oy, oz, dx, dy, dz, distance):
    """Return lamp light scattered by thin mist along a ray; closed form for a point lamp in even air."""
    r, g, b = 0.0, 0.0, 0.0
    for n in range(POLES):
        lx, ly, lz = sc.lamps[n, 0] - ox, sc.lamps[n, 1] - oy, sc.lamps[n, 2] - oz
        along = lx * dx + ly * dy + lz * dz
        d = math.sqrt(max(lx * lx + ly * ly + lz * lz - along * along, 0.0)) + 0.09
        w = AIR_PER_M * (math.atan((distance - along) / d) + math.atan(along / d)) / (12.566 * d)
        r, g, b = r + w * sc.lamps[n, 4], g + w * sc.lamps[n, 5], b + w * sc.lamps[n, 6]
    for n in range(POLES, len(sc.lamps) - HUT_LAMPS + 1):
        lx, ly, lz = sc.lamps[n, 0] - ox, sc.lamps[n, 1] - oy, sc.lamps[n, 2] - oz
        along = lx * dx + ly * dy + lz * dz
        d2 = lx * lx + ly * ly + lz * lz - along * along
        if along > 0.0 and along < distance + 0.1 and d2 < BULB_GLOW_M * BULB_GLOW_M:
            d = math.sqrt(max(d2, 0.0)) + 0.03
            w = AIR_PER_M * 0.25 * (1.0 / d - 1.0 / (BULB_GLOW_M + 0.03))
            r, g, b = r + w * sc.lamps[n, 4], g + w * sc.lamps[n, 5], b + w * sc.lamps[n, 6]
    return r, g, b


@compiled
def _water(sc, x, y, z, dx, dy, dz, distance, foot, time_s, pixel, n, count):
    """Return the light that the water sends to the lens."""
    sx, sz, rest = water_slopes(x, z, time_s, foot / max(-dy, 0.02) ** 0.5)
    u, v = draw(pixel, 5, n, count)
    q = math.sqrt(-2.0 * math.log(1.0 - u)) * math.sqrt(0.5 * rest)
    jx, jz = sx + q * math.cos(6.2832 * v), sz + q * math.sin(6.2832 * v)
    k = 1.0 / math.sqrt(1.0 + jx * jx + jz * jz)
    nx, ny, nz = -jx * k, k, -jz * k
    c = -(dx * nx + dy * ny + dz * nz)
    if c < 0.02:
        nx, ny, nz, c = 0.0, 1.0, 0.0, -dy
    rx, ry, rz = dx + 2.0 * c * nx, dy + 2.0 * c * ny, dz + 2.0 * c * nz
    ry = max(ry, 0.004)
    fresnel = 0.02 + 0.98 * (1.0 - min(max(c, 0.0), 1.0)) ** 5
    rough = rest > 3e-5
    r, g, b = gather(sc, x, y + 0.002, z, rx, ry, rz, FAR_M, not rough or distance > 45.0, True)
    r, g, b = r * fresnel + 0.0022, g * fresnel + 0.0052, b * fresnel + 0.0070
    if rough and distance <= 45.0:
        u, v = draw(pixel, 2, n, count)
        k = 1.0 / math.sqrt(1.0 + sx * sx + sz * sz)
        lr, lg, lb = lamplight(
            sc, x, y + 0.002, z, -sx * k, k, -sz * k, dx, dy, dz,
            0.0, 0.0, 0.0, math.sqrt(2.0 * rest), 0.02, True, u, v, hash_frac(pixel, n, 13),
        )  # fmt: skip
        r, g, b = r + lr, g + lg, b + lb
    return r, g, b


@compiled
def _solid(sc, t, prim, mat, face, x, y, z, dx, dy, dz, foot, pixel, n, count):
    """Return the light that a solid thing sends to the lens."""
    gx, gy, gz = normal_at(sc, prim, face, x, y, z, dx, dy, dz)
    r, g, b, nx, ny, nz, rough, f0, er, eg, eb = surface(sc, prim, mat, face, x, y, z, dx, dy, dz, gx, gy, gz, foot)
    if mat == MAT_LAMP:
        return er, eg, eb
    px, py, pz = x + 0.0015 * gx, y + 0.0015 * gy, z + 0.0015 * gz
    if mat == MAT_HILL:
        wood = 0.75 + 0.5 * fbm_2d(x / 45.0, y / 22.0, 5, 225)
        mist = math.exp(-(y + 1.5) / 22.0)
        hr, hg, hb = sky(dx, 0.03, dz, False)
        return wood * 0.012 + 0.22 * mist * hr, wood * 0.019 + 0.26 * mist * hg, wood * 0.030 + 0.34 * mist * hb
    if mat == MAT_SHORE:
        return er + 0.10 * r, eg + 0.12 * g, eb + 0.15 * b
    mirror = rough < MIRROR_ROUGH
    alpha = rough * rough
    u, v = draw(pixel, 2, n, count)
    lr, lg, lb = 0.0, 0.0, 0.0
    if z < 60.0:
        lr, lg, lb = lamplight(
            sc, px, py, pz, nx, ny, nz, dx, dy, dz, r, g, b, alpha, f0, not mirror and f0 > 0.0, u, v,
            draw(pixel, 6, n, count)[0],
        )  # fmt: skip
    er, eg, eb = er + lr, eg + lg, eb + lb
    u, v = draw(pixel, 3, n, count)
    ax, ay, az, bx, by, bz = _axes(nx, ny, nz)
    q, c = math.sqrt(u), math.sqrt(1.0 - u)
    ca, sa = q * math.cos(6.2832 * v), q * math.sin(6.2832 * v)
    sx, sy, sz = ca * ax + sa * bx + c * nx, ca * ay + sa * by + c * ny, ca * az + sa * bz + c * nz
    if sx * gx + sy * gy + sz * gz > 0.0:
        ir, ig, ib = gather(sc, px, py, pz, sx, sy, sz, 60.0, False, False)
        er, eg, eb = er + r * ir, eg + g * ig, eb + b * ib
    if f0 > 0.0 and rough < 0.6:
        u, v = draw(pixel, 4, n, count)
        c = math.sqrt((1.0 - u) / (1.0 + (alpha * alpha - 1.0) * u))
        q = math.sqrt(max(1.0 - c * c, 0.0))
        ca, sa = q * math.cos(6.2832 * v), q * math.sin(6.2832 * v)
        hx, hy, hz = ca * ax + sa * bx + c * nx, ca * ay + sa * by + c * ny, ca * az + sa * bz + c * nz
        c = -(dx * hx + dy * hy + dz * hz)
        sx, sy, sz = dx + 2.0 * c * hx, dy + 2.0 * c * hy, dz + 2.0 * c * hz
        if c > 0.0 and sx * gx + sy * gy + sz * gz > 0.0:
            fresnel = (f0 + (1.0 - f0) * (1.0 - c) ** 5) * (1.0 - 0.55 * rough)
            ir, ig, ib = gather(sc, px, py, pz, sx, sy, sz, FAR_M, mirror, True)
            er, eg, eb = er + fresnel * ir, eg + fresnel * ig, eb + fresnel * ib
    return er, eg, eb


@compiled
def radiance(sc, ox, oy, oz, dx, dy, dz, pixel_rad, time_s, pixel, n, count):
    """Return the scene-linear light that comes along a ray into the lens, and whether it is the sky's."""
    t, prim, mat, face = trace(sc, ox, oy, oz, dx, dy, dz, FAR_M)
    if mat < 0:
        r, g, b = sky(dx, dy, dz, True)
        gr, gg, gb = _glow_in_air(sc, ox, oy, oz, dx, dy, dz, 400.0)
        return r + gr, g + gg, b + gb, True
    x, y, z = ox + t * dx, oy + t * dy, oz + t * dz
    foot = pixel_rad * t
    if mat == MAT_WATER:
        r, g, b = _water(sc, x, y, z, dx, dy, dz, t, foot, time_s, pixel, n, count)
    else:
        r, g, b = _solid(sc, t, prim, mat, face, x, y, z, dx, dy, dz, foot, pixel, n, count)
    if mat != MAT_LAMP:
        r, g, b = min(r, GLINT_CAP), min(g, GLINT_CAP), min(b, GLINT_CAP)
    through, hr, hg, hb = haze_at(dx, dy, dz, t)
    gr, gg, gb = _glow_in_air(sc, ox, oy, oz, dx, dy, dz, t)
    return r * through + hr + gr, g * through + hg + gg, b * through + hb + gb, False
