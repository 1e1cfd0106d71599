"""Where a ray meets the scene: plain primitives in a box tree, soft bodies by marching, deck, water and far shore."""

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray
from scene_bodies import (
    BODY_HULL,
    MAT_DECK,
    MAT_HILL,
    MAT_LAMP,
    MAT_SHORE,
    MAT_UNDER,
    MAT_WATER,
    MAT_WIRE,
    body_distance,
)
from scene_noise import compiled, fbm_2d, hash_frac, noise_2d

SPHERE, ROD, BOX, BODY = 0, 1, 2, 3
FAR_M = 1e30
WATER_Y_M = -1.5
PLANK_M = 0.145
DECK_THICK_M = 0.045
DECK_LEFT_M, DECK_RIGHT_M, DECK_NEAR_M, DECK_END_M = -1.15, 2.80, -4.0, 36.0
STAGE_LEFT_M, STAGE_NEAR_M, STAGE_END_M = -4.7, 8.265, 14.2
SHORE_Z_M, HILL_Z_M = 620.0, 1500.0

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]


class Scene(NamedTuple):
    """Arrays that the tracer reads: box tree, primitives, lamps."""

    boxes: Floats
    links: Ints
    kinds: Ints
    mats: Ints
    pars: Floats
    lamps: Floats


def build_tree(lows: Floats, highs: Floats) -> tuple[Floats, Ints, Ints]:
    """Return boxes (n, 6), links (n, 3) and the order of primitives of a median-split box tree.

    Nodes stand in the order in which a walk meets them. A row of links is (the node to go on with when this box is
    missed or done, first primitive, number of primitives); inner nodes hold no primitives.
    """
    boxes: list[Floats] = []
    links: list[list[int]] = []
    order: list[int] = []
    centres = 0.5 * (lows + highs)

    def grow(ids: Ints) -> None:
        me = len(boxes)
        boxes.append(np.concatenate([lows[ids].min(0), highs[ids].max(0)]))
        links.append([0, len(order), 0])
        if len(ids) <= 2:
            links[me][2] = len(ids)
            order.extend(int(i) for i in ids)
        else:
            axis = int(np.argmax(np.ptp(centres[ids], axis=0)))
            ranked = ids[np.argsort(centres[ids, axis], kind="stable")]
            grow(ranked[: len(ranked) // 2])
            grow(ranked[len(ranked) // 2 :])
        links[me][0] = len(boxes)

    grow(np.arange(len(lows), dtype=np.int64))
    return np.array(boxes), np.array(links, dtype=np.int64), np.array(order, dtype=np.int64)


@compiled
def plank_gap(k: int) -> float:
    """Return half the width of the gap before plank k."""
    return 0.0028 + 0.0045 * hash_frac(k, 3, 77) ** 2


@compiled
def shore_height(x: float) -> float:
    """Return the height of the near shore's skyline at x, trees and roofs included."""
    h = 9.0 + 16.0 * fbm_2d(x / 160.0, 0.5, 3, 201) + 5.0 * noise_2d(x / 23.0, 2.5, 203)
    trees = max(noise_2d(x / 60.0, 4.5, 204) + 0.25, 0.0)
    h += trees * (3.5 * noise_2d(x / 5.0, 6.5, 205) + 2.0 * noise_2d(x / 1.7, 8.5, 206) + 4.0)
    cell = math.floor(x / 13.0)
    if hash_frac(int(cell), 5, 5) > 0.72:
        roof = abs(x / 13.0 - cell - 0.5) * 13.0
        if roof < 4.5:
            h = max(h, 6.0 + 6.0 * hash_frac(int(cell), 6, 6) - 0.55 * roof)
    return max(h, 3.0)


@compiled
def hill_height(x: float) -> float:
    """Return the height of the far hills' skyline at x."""
    return 58.0 + 75.0 * fbm_2d(x / 620.0 + 0.8, 3.5, 5, 211) + 34.0 * math.exp(-(((x - 420.0) / 520.0) ** 2))


@compiled
def _meet(kind, par, ox, oy, oz, dx, dy, dz, tmax):
    """Return the ray's distance to one primitive and the material a soft body found there, or FAR_M."""
    if kind == SPHERE:
        cx, cy, cz = ox - par[0], oy - par[1], oz - par[2]
        b = cx * dx + cy * dy + cz * dz
        qx, qy, qz = cx - b * dx, cy - b * dy, cz - b * dz
        h = par[3] * par[3] - (qx * qx + qy * qy + qz * qz)
        if h < 0.0:
            return FAR_M, -1
        h = math.sqrt(h)
        t = -b - h
        return (t, -1) if t > 1e-4 else (FAR_M, -1)
    if kind == ROD:
        bax, bay, baz = par[3] - par[0], par[4] - par[1], par[5] - par[2]
        oax, oay, oaz = ox - par[0], oy - par[1], oz - par[2]
        baba = bax * bax + bay * bay + baz * baz
        bard = bax * dx + bay * dy + baz * dz
        baoa = bax * oax + bay * oay + baz * oaz
        rdoa = dx * oax + dy * oay + dz * oaz
        oaoa = oax * oax + oay * oay + oaz * oaz
        a = baba - bard * bard
        b = baba * rdoa - baoa * bard
        c = baba * oaoa - baoa * baoa - par[6] * par[6] * baba
        h = b * b - a * c
        if h < 0.0 or a < 1e-12:
            return FAR_M, -1
        t = (-b - math.sqrt(h)) / a
        y = baoa + t * bard
        if 0.0 < y < baba:
            return (t, -1) if t > 1e-4 else (FAR_M, -1)
        if y > 0.0:
            oax, oay, oaz = ox - par[3], oy - par[4], oz - par[5]
        b = dx * oax + dy * oay + dz * oaz
        c = oax * oax + oay * oay + oaz * oaz - par[6] * par[6]
        h = b * b - c
        if h < 0.0:
            return FAR_M, -1
        t = -b - math.sqrt(h)
        return (t, -1) if t > 1e-4 else (FAR_M, -1)
    lx, ly, lz = ox - par[0], oy - par[1], oz - par[2]
    px = par[6] * lx + par[7] * ly + par[8] * lz
    py = par[9] * lx + par[10] * ly + par[11] * lz
    pz = par[12] * lx + par[13] * ly + par[14] * lz
    ex = par[6] * dx + par[7] * dy + par[8] * dz
    ey = par[9] * dx + par[10] * dy + par[11] * dz
    ez = par[12] * dx + par[13] * dy + par[14] * dz
    ix = 1.0 / (ex if abs(ex) > 1e-12 else 1e-12)
    iy = 1.0 / (ey if abs(ey) > 1e-12 else 1e-12)
    iz = 1.0 / (ez if abs(ez) > 1e-12 else 1e-12)
    kx, ky, kz = abs(ix) * par[3], abs(iy) * par[4], abs(iz) * par[5]
    near = max(-px * ix - kx, -py * iy - ky, -pz * iz - kz)
    far = min(-px * ix + kx, -py * iy + ky, -pz * iz + kz)
    if near > far or far < 0.0 or near > tmax:
        return FAR_M, -1
    if kind == BOX:
        return (near, -1) if near > 1e-4 else (FAR_M, -1)
    t = max(near, 0.0)
    body = int(par[15])
    for _ in range(140):
        d, m = body_distance(body, px + t * ex + par[17], py + t * ey + par[16], pz + t * ez + par[18])
        if d < 0.00025 + 0.00006 * t:
            return t, m
        t += max(d * 0.82, 0.0006)
        if t > far or t > tmax:
            return FAR_M, -1
    return FAR_M, -1


@compiled
def _on_deck(x, z):
    """Say whether a place lies on the pier or on the ticket hut's staging."""
    if DECK_LEFT_M < x < DECK_RIGHT_M and DECK_NEAR_M < z < DECK_END_M:
        return True
    return STAGE_LEFT_M < x <= DECK_LEFT_M and STAGE_NEAR_M < z < STAGE_END_M


@compiled
def _meet_ground(ox, oy, oz, dx, dy, dz, tmax):
    """Return the distance to planks, water or far shore, the material, and the face (0 top, 1 edge, 2 below)."""
    best, mat, face = tmax, -1, 0
    if dy < -1e-9:
        if oy > 0.0:
            t = -oy / dy
            if t < best:
                x, z = ox + t * dx, oz + t * dz
                if _on_deck(x, z):
                    k = math.floor(z / PLANK_M)
                    f = z - k * PLANK_M
                    g0, g1 = plank_gap(int(k)), plank_gap(int(k) + 1)
                    if f > g0 and f < PLANK_M - g1:
                        return t, MAT_DECK, 0
                    edge = k * PLANK_M + g0 if f <= g0 else (k + 1.0) * PLANK_M + g1
                    if dz < 0.0:
                        edge = k * PLANK_M - g0 if f <= g0 else (k + 1.0) * PLANK_M - g1
                    if abs(dz) > 1e-6:
                        more = (edge - z) / dz
                        if -more * dy < DECK_THICK_M:
                            return t + more, MAT_DECK, 1
        t = (WATER_Y_M - oy) / dy
        if 1e-4 < t < best:
            best, mat = t, MAT_WATER
    elif dy > 1e-9 and oy < -DECK_THICK_M:
        t = (-DECK_THICK_M - oy) / dy
        if t < best and _on_deck(ox + t * dx, oz + t * dz):
            return t, MAT_UNDER, 2
    if dz > 0.05:
        t = (SHORE_Z_M - oz) / dz
        if t < best and WATER_Y_M - 1.0 < oy + t * dy < shore_height(ox + t * dx):
            best, mat = t, MAT_SHORE
        else:
            t = (HILL_Z_M - oz) / dz
            if t < best and WATER_Y_M - 3.0 < oy + t * dy < hill_height(ox + t * dx):
                best, mat = t, MAT_HILL
    return best, mat, face


@compiled
def trace(sc, ox, oy, oz, dx, dy, dz, tmax):
    """Return distance, primitive (-1 ground), material (-1 nothing) and face of the nearest thing a ray meets."""
    best, mat, face = _meet_ground(ox, oy, oz, dx, dy, dz, tmax)
    prim = -1
    ix = 1.0 / (dx if abs(dx) > 1e-12 else 1e-12)
    iy = 1.0 / (dy if abs(dy) > 1e-12 else 1e-12)
    iz = 1.0 / (dz if abs(dz) > 1e-12 else 1e-12)
    node, nodes = 0, len(sc.links)
    while node < nodes:
        if not _enters(sc.boxes, node, ox, oy, oz, ix, iy, iz, best):
            node = sc.links[node, 0]
            continue
        first, count = sc.links[node, 1], sc.links[node, 2]
        node += 1
        for n in range(first, first + count):
            t, m = _meet(sc.kinds[n], sc.pars[n], ox, oy, oz, dx, dy, dz, best)
            if t < best:
                best, prim, face = t, n, 0
                mat = m if m >= 0 else sc.mats[n]
    return best, prim, mat, face


@compiled
def blocked(sc, ox, oy, oz, dx, dy, dz, tmax):
    """Say whether anything but lamp glass, wires and sockets lies between a place and a lamp."""
    if dy < -1e-9 and oy > 0.0:
        t = -oy / dy
        if t < tmax and _on_deck(ox + t * dx, oz + t * dz):
            return True
    if dy > 1e-9 and oy < -DECK_THICK_M:
        t = (-DECK_THICK_M - oy) / dy
        if t < tmax and _on_deck(ox + t * dx, oz + t * dz):
            return True
    ix = 1.0 / (dx if abs(dx) > 1e-12 else 1e-12)
    iy = 1.0 / (dy if abs(dy) > 1e-12 else 1e-12)
    iz = 1.0 / (dz if abs(dz) > 1e-12 else 1e-12)
    node, nodes = 0, len(sc.links)
    while node < nodes:
        if not _enters(sc.boxes, node, ox, oy, oz, ix, iy, iz, tmax):
            node = sc.links[node, 0]
            continue
        first, count = sc.links[node, 1], sc.links[node, 2]
        node += 1
        for n in range(first, first + count):
            if sc.mats[n] == MAT_LAMP or sc.mats[n] == MAT_WIRE:
                continue
            t, _ = _meet(sc.kinds[n], sc.pars[n], ox, oy, oz, dx, dy, dz, tmax)
            if t < tmax:
                return True
    return False


@compiled
def _enters(boxes, node, ox, oy, oz, ix, iy, iz, tmax):
    """Say whether a ray enters a tree node's box before tmax."""
    ax, bx = (boxes[node, 0] - ox) * ix, (boxes[node, 3] - ox) * ix
    ay, by = (boxes[node, 1] - oy) * iy, (boxes[node, 4] - oy) * iy
    az, bz = (boxes[node, 2] - oz) * iz, (boxes[node, 5] - oz) * iz
    near = max(min(ax, bx), min(ay, by), min(az, bz))
    far = min(max(ax, bx), max(ay, by), max(az, bz))
    return near <= far and far > 0.0 and near < tmax


@compiled
def normal_at(sc, prim, face, x, y, z, dx, dy, dz):
    """Return the outward normal where a ray met something."""
    if prim < 0:
        if face == 1:
            return 0.0, 0.0, -1.0 if dz > 0.0 else 1.0
        if face == 2:
            return 0.0, -1.0, 0.0
        return 0.0, 1.0, 0.0
    par = sc.pars[prim]
    kind = sc.kinds[prim]
    if kind == SPHERE:
        nx, ny, nz = x - par[0], y - par[1], z - par[2]
    elif kind == ROD:
        bx, by, bz = par[3] - par[0], par[4] - par[1], par[5] - par[2]
        h = ((x - par[0]) * bx + (y - par[1]) * by + (z - par[2]) * bz) / (bx * bx + by * by + bz * bz)
        h = min(max(h, 0.0), 1.0)
        nx, ny, nz = x - par[0] - h * bx, y - par[1] - h * by, z - par[2] - h * bz
    else:
        lx, ly, lz = x - par[0], y - par[1], z - par[2]
        px = par[6] * lx + par[7] * ly + par[8] * lz
        py = par[9] * lx + par[10] * ly + par[11] * lz
        pz = par[12] * lx + par[13] * ly + par[14] * lz
        if kind == BOX:
            qx, qy, qz = abs(px) - par[3], abs(py) - par[4], abs(pz) - par[5]
            ex, ey, ez = 0.0, 0.0, 0.0
            if qx > qy and qx > qz:
                ex = math.copysign(1.0, px)
            elif qy > qz:
                ey = math.copysign(1.0, py)
            else:
                ez = math.copysign(1.0, pz)
        else:
            body = int(par[15])
            px, py, pz = px + par[17], py + par[16], pz + par[18]
            h = 0.02 if body == BODY_HULL else 0.0008
            d0, _ = body_distance(body, px + h, py - h, pz - h)
            d1, _ = body_distance(body, px - h, py - h, pz + h)
            d2, _ = body_distance(body, px - h, py + h, pz - h)
            d3, _ = body_distance(body, px + h, py + h, pz + h)
            ex, ey, ez = d0 - d1 - d2 + d3, -d0 - d1 + d2 + d3, -d0 + d1 - d2 + d3
        nx = par[6] * ex + par[9] * ey + par[12] * ez
        ny = par[7] * ex + par[10] * ey + par[13] * ez
        nz = par[8] * ex + par[11] * ey + par[14] * ez
    s = 1.0 / max(math.sqrt(nx * nx + ny * ny + nz * nz), 1e-12)
    return nx * s, ny * s, nz * s
