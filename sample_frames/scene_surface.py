"""Colour, roughness, fine relief and glow of every material."""

import math

from scene_bodies import (
    MAT_BOARDS,
    MAT_BOOT,
    MAT_BRASS,
    MAT_COAT,
    MAT_DECK,
    MAT_FERRY,
    MAT_HAIR,
    MAT_HAT,
    MAT_HILL,
    MAT_LAMP,
    MAT_LEATHER,
    MAT_METAL,
    MAT_POST,
    MAT_POSTER,
    MAT_ROOF,
    MAT_ROPE,
    MAT_SCARF,
    MAT_SHORE,
    MAT_SKIN,
    MAT_TIMBER,
    MAT_TRIM,
    MAT_TROUSERS,
    MAT_WINDOW,
    mottle,
)
from scene_noise import (
    compiled,
    compiled_as,
    fbm_2d,
    fbm_3d,
    hash_frac,
    noise_2d,
    noise_3d,
    smoothstep,
    stretched_2d,
)
from scene_shapes import PLANK_M, plank_gap

FERRY_X_M, FERRY_Z_M = -3.4, 92.0


@compiled
def deck_wetness(x, z):
    """Return how wet the planks are at a place: 0 dry, 1 standing water."""
    w = 0.58 * fbm_2d(x * 0.55 + 2.0, z * 0.42 + 0.3, 3, 301) + 0.20 * fbm_2d(x * 2.3, z * 2.9, 3, 302)
    k = math.floor(z / PLANK_M)
    w += 0.16 * (hash_frac(k, 8, 8) - 0.5)
    return smoothstep(-0.24, 0.26, w)


@compiled_as("UniTuple(float64, 3)(float64, float64, int64, float64)")
def _board_grain(u, v, salt, fine):
    """Return tone and relief of sawn wood; u runs along the board, v across it, metres."""
    bend = 0.25 * noise_2d(1.3 * u, 3.0 * v, salt)
    knot_u = math.floor(u / 0.9)
    ku = (knot_u + 0.2 + 0.6 * hash_frac(int(knot_u), salt, 1)) * 0.9
    kv = 0.02 + 0.10 * hash_frac(int(knot_u), salt, 2)
    q = ((u - ku) / 0.035) ** 2 + ((v - kv) / 0.016) ** 2
    knot = math.exp(-q) if hash_frac(int(knot_u), salt, 3) > 0.45 else 0.0
    bend += 1.3 * knot
    rings = stretched_2d(1.6 * u, 55.0 * v + 3.0 * bend, 3, salt + 7)
    tone = 0.55 * rings
    if fine > 0.01:
        tone += fine * 0.50 * stretched_2d(6.0 * u, 260.0 * v + 6.0 * bend, 2, salt + 9)
        tone += fine * 0.22 * noise_2d(180.0 * u, 380.0 * v, salt + 12)
    check = abs(noise_2d(0.9 * u + 5.0, 22.0 * v + 2.0 * bend, salt + 13))
    split = smoothstep(0.045, 0.0, check) * smoothstep(0.05, 0.4, noise_2d(1.7 * u, 4.0 * v, salt + 15))
    return tone, split, knot


@compiled
def _deck(x, z, face, foot):
    """Return colour, slope of relief, roughness and reflectance of the planks; foot is a pixel's width there."""
    k = math.floor(z / PLANK_M)
    f = z - k * PLANK_M
    if face == 1:
        k = math.floor(z / PLANK_M + 0.5)
        f = 0.0
    joint = 0.75 + 0.6 * (hash_frac(k, 1, 40) - 0.5)
    board = 2 * k + (1 if x > joint else 0)
    fine = min(0.0025 / (foot + 1e-6), 1.0)
    tone, split, knot = _board_grain(x + 7.3 * hash_frac(board, 2, 41), f, 1000 + board * 3, fine)
    tint = hash_frac(board, 3, 42)
    age = hash_frac(board, 4, 43)
    base = 0.118 * (0.62 + 0.85 * tint) * (1.0 + 0.85 * tone)
    warm = 0.90 + 0.35 * age
    r, g, b = base * (1.02 * warm), base * 0.97, base * (0.93 - 0.16 * age)
    stain = mottle(1.1 * x, 1.4 * z, 305)
    dirt = 0.70 + 0.45 * stain
    worn = math.exp(-(((x - 0.65 - 0.3 * noise_2d(0.2 * z, 0.5, 306)) / 0.8) ** 2))
    dirt *= 0.86 + 0.30 * worn
    r, g, b = r * dirt, g * dirt, b * dirt
    green = smoothstep(0.55, 0.85, mottle(0.6 * x + 3.0, 0.7 * z, 307)) * (1.0 - worn) * 0.5
    r, g = r * (1.0 - 0.35 * green), g * (1.0 + 0.05 * green)
    dark = (1.0 - 0.75 * split) * (1.0 - 0.55 * knot)
    g0, g1 = plank_gap(k), plank_gap(k + 1)
    edge = min(f - g0, PLANK_M - g1 - f)
    chip = 0.004 + 0.005 * max(noise_2d(9.0 * x, 3.0 * k, 308), 0.0)
    slope_z = 0.0
    if face == 0 and edge < chip:
        q = 1.0 - edge / chip
        slope_z = (-0.75 if f < 0.5 * PLANK_M else 0.75) * q * q
        dark *= 1.0 - 0.35 * q
    slope_z += 0.055 * (hash_frac(board, 6, 45) - 0.5) + (f / PLANK_M - 0.5) * 0.05 * (0.3 + age)
    slope_x = 0.03 * noise_2d(1.4 * x, 3.1 * k, 309)
    if fine > 0.3:
        slope_z += 0.16 * fine * stretched_2d(5.0 * x, 240.0 * f, 2, 1000 + board * 3)
    if abs(x - joint) < 0.003 and face == 0:
        dark *= 0.15
    nail = 1e9
    for n in range(2):
        c = (0.25 if n == 0 else 0.75) * PLANK_M + 0.008 * (hash_frac(board, n, 46) - 0.5)
        j = math.floor((x + 0.52) / 0.62 + 0.5) * 0.62 - 0.52 + 0.014 * (hash_frac(k, n, 47) - 0.5)
        nail = min(nail, math.sqrt((x - j) ** 2 + (f - c) ** 2))
    rough, f0 = 0.55, 0.035
    if nail < 0.0055:
        r, g, b, rough, f0 = 0.055, 0.040, 0.030, 0.32, 0.25
        slope_z += 9.0 * (nail - 0.003)
    elif nail < 0.016:
        rust = 1.0 - 0.55 * (0.016 - nail) / 0.0105
        r, g, b = r * rust, g * rust * 0.93, b * rust * 0.85
    wet = deck_wetness(x, z) if face == 0 else 0.0
    damp = smoothstep(0.05, 0.55, wet)
    pool = smoothstep(0.66, 0.96, wet) * smoothstep(0.002, 0.012, edge)
    soak = 1.0 - 0.52 * damp
    r, g, b = r * soak * dark, g * soak * dark, b * soak * dark
    calm = 1.0 - 0.80 * pool
    rough = rough + (0.17 - rough) * damp
    rough = rough + (0.035 - rough) * pool
    if face == 1:
        r, g, b, rough, f0 = 0.35 * r, 0.35 * g, 0.35 * b, 0.9, 0.0
        return r, g, b, 0.0, 0.0, rough, f0
    return r, g, b, slope_x * calm, slope_z * calm, rough, f0


@compiled
def ferry_glow(lx, ly, lz):
    """Return colour and glow of the ferry at a place in its own axes, waterline at 0."""
    ar, ag, ab = 0.42, 0.43, 0.43
    if ly < 2.15 + 0.9 * smoothstep(3.0, 13.0, lx):
        ar, ag, ab = 0.028, 0.045, 0.075
        if ly > 1.72 + 0.9 * smoothstep(3.0, 13.0, lx) and ly < 1.92 + 0.9 * smoothstep(3.0, 13.0, lx):
            ar, ag, ab = 0.40, 0.40, 0.38
        if ly < 0.35:
            ar, ag, ab = 0.10, 0.03, 0.022
    if ly > 6.6 and lx < -4.0:
        ar, ag, ab = 0.20, 0.055, 0.03
        if ly > 8.2:
            ar, ag, ab = 0.02, 0.02, 0.022
    r, g, b = 0.0, 0.0, 0.0
    row, base, high, pitch, share = 0, 0.0, 0.0, 1.45, 0.62
    if 2.75 < ly < 3.85 and -12.3 < lx < 8.3:
        row, base, high = 1, 2.85, 0.85
    elif 4.85 < ly < 5.85 and -11.2 < lx < 4.6:
        row, base, high, pitch, share = 2, 4.95, 0.75, 1.75, 0.66
    elif 5.5 < ly < 6.5 and lx > 3.8:
        row, base, high, pitch, share = 3, 5.6, 0.75, 1.1, 0.86
    if row > 0:
        along = lx if abs(lz) > 2.2 or row < 3 else lz
        c = math.floor(along / pitch)
        f = along / pitch - c
        v = (ly - base) / high
        if abs(f - 0.5) < 0.5 * share and 0.0 < v < 1.0:
            on = hash_frac(int(c) + 50, row, 71)
            power = 0.5 + 3.2 * on * on if on > 0.16 else 0.05
            if row == 3:
                power = 0.25 + 0.5 * on
            power *= 0.45 + 0.75 * v * v
            power *= 0.65 + 0.5 * noise_2d(6.0 * along, 5.0 * ly, 72)
            cool = hash_frac(int(c), row, 73) > 0.8
            r, g, b = power * 1.45, power * (1.02 if not cool else 1.3), power * (0.52 if not cool else 1.15)
            ar, ag, ab = 0.02, 0.02, 0.02
    rust = 0.85 + 0.2 * fbm_2d(0.8 * lx, 2.0 * ly, 3, 74)
    return ar * rust, ag * rust, ab * rust, r, g, b


@compiled
def _room(par, x, y, z, dx, dy, dz):
    """Return the light that comes through the hut's lit panes: a small room behind dusty glass."""
    side = par[3] < 0.02
    u = (z - par[2]) / par[5] if side else (x - par[0]) / par[3]
    v = (y - par[1]) / par[4]
    du = dz / max(abs(dx), 0.05) if side else dx / max(abs(dz), 0.05)
    dv = dy / max(abs(dx) if side else abs(dz), 0.05)
    depth = 1.1
    bu, bv = u + du * depth / 0.6, v + dv * depth / 0.45
    power = 1.1 * math.exp(-0.45 * ((bu + 0.35) ** 2 + (bv - 1.2) ** 2)) + 0.22
    shelf = abs(bv - 0.25 - 0.9 * math.floor(bv / 0.9)) < 0.05
    cell = math.floor(bu / 0.16)
    level = math.floor((bv - 0.25) / 0.9)
    tall = 0.15 + 0.45 * hash_frac(int(cell), int(level), 81)
    above = (bv - 0.25) / 0.9 - level
    thing = above * 0.9 < tall and hash_frac(int(cell), int(level), 82) > 0.3
    tone = 0.75 + 0.2 * noise_2d(3.0 * bu, 3.0 * bv, 83)
    tr, tg, tb = 1.0, 0.66, 0.32
    if shelf:
        tone *= 0.35
    elif thing:
        tone *= 0.25 + 0.5 * hash_frac(int(cell), int(level), 84)
        tr, tb = 0.7 + 0.5 * hash_frac(int(cell), int(level), 85), 0.2 + 0.4 * hash_frac(int(cell), int(level), 86)
    nu, nv = u + du * 0.25, v + dv * 0.25
    if not side:
        curtain = smoothstep(0.62, 0.70, abs(nu) + 0.03 * math.sin(9.0 * nv))
        pleat = 0.30 + 0.16 * math.sin(70.0 * nu) + 0.1 * noise_2d(30.0 * nu, 2.0 * nv, 88)
        tone += (pleat - tone) * curtain
        tr, tg, tb = tr + (1.0 - tr) * curtain, tg + (0.52 - tg) * curtain, tb + (0.26 - tb) * curtain
        if nv < -0.78 + 0.03 * noise_2d(9.0 * nu, 1.0, 89):
            tone *= 0.25
    else:
        tone *= 0.85 + 0.15 * math.sin(40.0 * u + 2.0 * noise_2d(5.0 * u, v, 87))
    dust = 1.0 - 0.25 * smoothstep(0.7, 1.0, max(abs(u), abs(v)))
    power *= tone * dust * 1.25
    return power * tr, power * tg, power * tb


@compiled
def shore_glow(x, y):
    """Return what the near shore's lamps and windows send out at a place on its skyline."""
    r, g, b = 0.0, 0.0, 0.0
    for row in range(2):
        pitch = 11.0 if row == 0 else 17.0
        c = math.floor(x / pitch)
        if hash_frac(c, row, 61) < (0.62 if row == 0 else 0.45):
            px = (c + 0.15 + 0.7 * hash_frac(c, row, 62)) * pitch
            py = -0.2 + 1.6 * hash_frac(c, row, 63) if row == 0 else 2.0 + 9.0 * hash_frac(c, row, 63) ** 1.5
            size = 0.32 + 0.30 * hash_frac(c, row, 64)
            if (x - px) ** 2 + (y - py) ** 2 < size * size:
                power = 10.0 + 85.0 * hash_frac(c, row, 65) ** 3
                kind = hash_frac(c, row, 66)
                r, g, b = power, 0.62 * power, 0.27 * power
                if kind > 0.86:
                    r, g, b = 0.75 * power, 0.85 * power, power
                elif kind > 0.81:
                    r, g, b = 0.2 * power, power, 0.5 * power
    return r, g, b


@compiled
def surface(sc, prim, mat, face, x, y, z, dx, dy, dz, nx, ny, nz, foot):
    """Return colour, normal, roughness, reflectance and glow of what a ray met."""
    r, g, b, rough, f0 = 0.1, 0.1, 0.1, 0.7, 0.03
    er, eg, eb = 0.0, 0.0, 0.0
    bump, scale = 0.0, 40.0
    if mat == MAT_DECK:
        r, g, b, sx, sz, rough, f0 = _deck(x, z, face, foot)
        if face == 0:
            nx, ny, nz = -sx, 1.0, -sz
            s = 1.0 / math.sqrt(nx * nx + 1.0 + nz * nz)
            nx, ny, nz = nx * s, s, nz * s
    elif mat == MAT_LAMP:
        par = sc.pars[prim]
        limb = max(-(nx * dx + ny * dy + nz * dz), 0.0)
        w = 0.25 + 0.42 * limb * limb
        er, eg, eb = par[4] * w, par[5] * w, par[6] * w
        r, g, b = 0.0, 0.0, 0.0
    elif mat == MAT_WINDOW:
        er, eg, eb = _room(sc.pars[prim], x, y, z, dx, dy, dz)
        r, g, b, rough, f0 = 0.01, 0.01, 0.01, 0.05, 0.04
    elif mat == MAT_FERRY:
        par = sc.pars[prim]
        lx = par[6] * (x - FERRY_X_M) + par[8] * (z - FERRY_Z_M)
        lz = par[12] * (x - FERRY_X_M) + par[14] * (z - FERRY_Z_M)
        r, g, b, er, eg, eb = ferry_glow(lx, y + 1.5, lz)
        rough = 0.5
    elif mat == MAT_SHORE:
        r, g, b = 0.030, 0.036, 0.034
        t = 0.7 + 0.5 * fbm_2d(0.12 * x, 0.4 * y, 4, 220)
        r, g, b = r * t, g * t, b * t
        er, eg, eb = shore_glow(x, y)
    elif mat == MAT_HILL:
        r, g, b = 0.035, 0.042, 0.045
    elif mat == MAT_COAT:
        t = 1.0 + 0.18 * fbm_3d(90.0 * x, 90.0 * y, 90.0 * z, 3, 401) + 0.14 * fbm_3d(7.0 * x, 7.0 * y, 7.0 * z, 2, 402)
        low = 1.0 - 0.25 * smoothstep(0.62, 0.38, y + 0.05 * noise_2d(9.0 * x, 9.0 * z, 404))
        t *= low
        r, g, b, rough, f0 = 0.310 * t, 0.212 * t, 0.112 * t, 0.85, 0.02
        bump, scale = 0.07, 260.0
    elif mat == MAT_HAT:
        t = 1.0 + 0.35 * noise_3d(150.0 * x, 110.0 * y, 150.0 * z, 411)
        r, g, b, rough = 0.21 * t, 0.035 * t, 0.030 * t, 0.9
        bump, scale = 0.45, 140.0
    elif mat == MAT_SCARF:
        t = 1.0 + 0.35 * noise_3d(130.0 * x, 90.0 * y, 130.0 * z, 415)
        r, g, b, rough = 0.060 * t, 0.085 * t, 0.115 * t, 0.9
        bump, scale = 0.45, 120.0
    elif mat == MAT_HAIR:
        t = 1.0 + 0.6 * noise_3d(190.0 * x, 9.0 * y, 190.0 * z, 421)
        r, g, b, rough, f0 = 0.075 * t, 0.040 * t, 0.020 * t, 0.38, 0.05
        bump, scale = 0.10, 300.0
    elif mat == MAT_TROUSERS:
        t = 1.0 + 0.3 * fbm_3d(50.0 * x, 50.0 * y, 50.0 * z, 3, 431)
        r, g, b, rough = 0.022 * t, 0.026 * t, 0.036 * t, 0.9
        bump, scale = 0.2, 180.0
    elif mat == MAT_BOOT:
        t = 1.0 + 0.5 * fbm_3d(30.0 * x, 30.0 * y, 30.0 * z, 3, 441)
        r, g, b, rough, f0 = 0.030 * t, 0.019 * t, 0.012 * t, 0.32, 0.04
    elif mat == MAT_LEATHER:
        t = 1.0 + 0.55 * fbm_3d(16.0 * x, 16.0 * y, 16.0 * z, 4, 451)
        scuff = smoothstep(0.25, 0.5, fbm_3d(40.0 * x, 12.0 * y, 40.0 * z, 3, 452))
        r, g, b, rough, f0 = 0.105 * t + 0.05 * scuff, 0.048 * t + 0.04 * scuff, 0.022 * t + 0.03 * scuff, 0.36, 0.04
        bump, scale = 0.10, 90.0
    elif mat == MAT_TRIM:
        r, g, b, rough, f0 = 0.035, 0.020, 0.012, 0.35, 0.04
    elif mat == MAT_BRASS:
        r, g, b, rough, f0 = 0.16, 0.11, 0.05, 0.30, 0.35
    elif mat == MAT_SKIN:
        r, g, b, rough, f0 = 0.36, 0.22, 0.16, 0.45, 0.03
    elif mat == MAT_ROPE:
        t = (
            1.0
            + 0.45 * noise_3d(300.0 * x, 300.0 * y, 300.0 * z, 461)
            + 0.35 * fbm_3d(22.0 * x, 22.0 * y, 22.0 * z, 3, 462)
        )
        r, g, b, rough = 0.26 * t, 0.205 * t, 0.125 * t, 0.85
        bump, scale = 0.55, 420.0
    elif mat in (MAT_POST, MAT_TIMBER):
        u, v = y, x + 0.6 * z
        if mat == MAT_TIMBER:
            par = sc.pars[prim]
            lx, ly, lz = x - par[0], y - par[1], z - par[2]
            px = par[6] * lx + par[7] * ly + par[8] * lz
            py = par[9] * lx + par[10] * ly + par[11] * lz
            pz = par[12] * lx + par[13] * ly + par[14] * lz
            u, v = pz + 0.61 * par[2], py + 0.9 * px + 0.37 * par[2]
            if par[3] > par[4] and par[3] > par[5]:
                u, v = px + 0.61 * par[2], py + 0.9 * pz + 0.37 * par[0]
            elif par[4] > par[5]:
                u, v = py + 0.61 * par[2], px + 0.9 * pz + 0.37 * par[0]
        elif ny > 0.8:
            u, v = 0.4 * x, z
        tone, split, _knot = _board_grain(u, v, 1700, min(0.003 / (foot + 1e-6), 1.0))
        t = (1.0 + 0.9 * tone) * (1.0 - 0.7 * split) * (0.75 + 0.5 * mottle(3.0 * u, 9.0 * v, 471))
        r, g, b, rough = 0.135 * t, 0.118 * t, 0.098 * t, 0.62
        if mat == MAT_POST and y < -0.2:
            slime = smoothstep(-0.2, -1.1, y)
            r, g, b = r * (1.0 - 0.75 * slime), g * (1.0 - 0.6 * slime), b * (1.0 - 0.75 * slime)
            rough = 0.3
        bump, scale = 0.16, 150.0
    elif mat == MAT_BOARDS:
        lap = y / 0.135
        row = math.floor(lap)
        f = lap - row
        along = x if abs(nz) > 0.5 else z
        tone, split, _ = _board_grain(along + 3.7 * hash_frac(int(row), 2, 48), f * 0.135, 2100 + int(row), 0.5)
        t = (0.86 + 0.25 * hash_frac(int(row), 4, 49)) * (1.0 + 0.30 * tone) * (1.0 - 0.5 * split)
        t *= 0.55 + 0.45 * smoothstep(0.0, 0.10, 1.0 - f)
        t *= 0.72 + 0.5 * mottle(1.9 * along, 0.8 * y, 483)
        t *= 1.0 - 0.45 * smoothstep(0.45, 0.0, y + 0.12 * noise_2d(4.0 * along, 0.5, 484))
        worn = smoothstep(0.30, 0.55, fbm_2d(2.2 * along, 5.0 * y, 4, 481) + 0.35 * smoothstep(0.7, 0.0, y))
        r, g, b = 0.085 * t, 0.150 * t, 0.148 * t
        r, g, b = r + (0.15 * t - r) * worn, g + (0.125 * t - g) * worn, b + (0.10 * t - b) * worn
        ny = ny - 0.22
        s = 1.0 / math.sqrt(nx * nx + ny * ny + nz * nz)
        nx, ny, nz = nx * s, ny * s, nz * s
        rough = 0.5
    elif mat == MAT_ROOF:
        row = math.floor(abs(x + 3.125) / 0.19)
        c = math.floor((z + 0.09 * (int(row) % 2)) / 0.24)
        t = (0.7 + 0.6 * hash_frac(int(row), int(c), 51)) * (0.8 + 0.4 * mottle(2.0 * x, 2.0 * z, 482))
        r, g, b, rough = 0.055 * t, 0.050 * t, 0.052 * t, 0.45
    elif mat == MAT_METAL:
        t = 1.0 + 0.4 * fbm_3d(20.0 * x, 6.0 * y, 20.0 * z, 3, 491)
        r, g, b, rough, f0 = 0.022 * t, 0.030 * t, 0.028 * t, 0.34, 0.05
        bump, scale = 0.06, 45.0
    elif mat == MAT_POSTER:
        u, v = (x + 4.005) / 0.26, (y - 1.45) / 0.37
        r, g, b, rough = 0.42, 0.37, 0.27, 0.6
        if abs(u) > 0.9 or abs(v) > 0.93:
            r, g, b = 0.05, 0.06, 0.06
        elif v > 0.45 and v < 0.8 and abs(u) < 0.7:
            r, g, b = 0.10, 0.16, 0.22
        elif v < 0.35:
            line = math.floor((v + 1.0) * 9.0)
            if (v + 1.0) * 9.0 - line < 0.45 and abs(u) < 0.45 + 0.3 * hash_frac(int(line), 1, 52):
                r, g, b = 0.09, 0.08, 0.07
    else:
        r, g, b, rough, f0 = 0.008, 0.008, 0.008, 0.7, 0.0
    if bump > 0.0 and foot * scale < 1.2:
        n0 = noise_3d(scale * x, scale * y, scale * z, 501)
        n1 = noise_3d(scale * x + 0.3, scale * y, scale * z, 501)
        n2 = noise_3d(scale * x, scale * y + 0.3, scale * z, 501)
        n3 = noise_3d(scale * x, scale * y, scale * z + 0.3, 501)
        nx, ny, nz = nx - bump * (n1 - n0), ny - bump * (n2 - n0), nz - bump * (n3 - n0)
        s = 1.0 / math.sqrt(nx * nx + ny * ny + nz * nz)
        nx, ny, nz = nx * s, ny * s, nz * s
    return r, g, b, nx, ny, nz, rough, f0, er, eg, eb
