"""What stands where: pier, lamps, ticket hut, ropes, passenger, ferry. X right, Y up, Z out over the water, metres."""

import math
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray
from scene_bodies import (
    BODY_BOLLARD,
    BODY_BOW_ROPE,
    BODY_CASE,
    BODY_COIL,
    BODY_HULL,
    BODY_PASSENGER,
    BODY_PILE,
    BODY_POST,
    BODY_STERN_ROPE,
    MAT_BOARDS,
    MAT_COAT,
    MAT_FERRY,
    MAT_HAIR,
    MAT_LAMP,
    MAT_LEATHER,
    MAT_METAL,
    MAT_POST,
    MAT_POSTER,
    MAT_ROOF,
    MAT_ROPE,
    MAT_TIMBER,
    MAT_WINDOW,
    MAT_WIRE,
)
from scene_noise import hash_frac
from scene_shapes import BODY, BOX, ROD, SPHERE, WATER_Y_M, Scene, build_tree
from scene_surface import FERRY_X_M, FERRY_Z_M

PASSENGER_M = (0.93, 0.0, 4.23)
PASSENGER_YAW_DEG = -30.0
BOLLARD_M = (-0.78, 0.10, 1.40)
LAMP_X_M = 2.55
LAMP_Z_M = (-1.0, 4.0, 9.0, 14.0, 19.0, 24.0, 29.0, 34.0)
LAMP_Y_M = 3.42
GLOBE_RADIUS_M = 0.125
GLOBE_RGB = (300.0, 203.0, 108.0)
BULB_RADIUS_M = 0.036
BULB_RGB = (400.0, 248.0, 112.0)
LAMP_GAIN = 1.2
"""What a lamp's clear glass throws over what its frosted look suggests."""
FLOOD_M = (-4.6, 3.7, 0.6)
FLOOD_RGB = (250.0, 205.0, 150.0)
"""A work lamp on the next pier, out of the picture on the left."""
FERRY_M = (FERRY_X_M, WATER_Y_M, FERRY_Z_M)
FERRY_YAW_DEG = 22.0

Floats = NDArray[np.float64]
Triple = tuple[float, float, float]


class Builder:
    """Collects primitives and lamps, then packs them into arrays."""

    def __init__(self) -> None:
        self.rows: list[tuple[int, int, Floats, Floats, Floats]] = []
        self.lamps: list[list[float]] = []

    def add(self, kind: int, mat: int, par: list[float], low: Floats, high: Floats) -> None:
        row = np.zeros(20)
        row[: len(par)] = par
        self.rows.append((kind, mat, row, low, high))

    def sphere(self, mat: int, at: Triple, radius: float, rgb: Triple = (0.0, 0.0, 0.0)) -> None:
        c = np.array(at)
        self.add(SPHERE, mat, [*at, radius, *rgb], c - radius, c + radius)

    def rod(self, mat: int, a: Triple, b: Triple, radius: float) -> None:
        p, q = np.array(a), np.array(b)
        self.add(ROD, mat, [*a, *b, radius], np.minimum(p, q) - radius, np.maximum(p, q) + radius)

    def box(
        self,
        mat: int,
        centre: Triple,
        half: Triple,
        yaw_deg: float = 0.0,
        roll_deg: float = 0.0,
        extra: tuple[float, ...] = (),
        kind: int = BOX,
    ) -> None:
        turn = _turn(yaw_deg, roll_deg)
        reach = np.abs(turn.T) @ np.array(half)
        c = np.array(centre)
        self.add(kind, mat, [*centre, *half, *turn.ravel(), *extra], c - reach, c + reach)

    def lamp(self, at: Triple, radius: float, rgb: Triple, facing: tuple[float, float] = (0.0, 0.0)) -> None:
        area = math.pi * radius * radius
        self.lamps.append([*at, radius, *(LAMP_GAIN * area * c for c in rgb), *facing])

    def pack(self) -> Scene:
        boxes, links, order = build_tree(np.array([r[3] for r in self.rows]), np.array([r[4] for r in self.rows]))
        rows = [self.rows[i] for i in order]
        return Scene(
            boxes=boxes,
            links=links,
            kinds=np.array([r[0] for r in rows], dtype=np.int64),
            mats=np.array([r[1] for r in rows], dtype=np.int64),
            pars=np.array([r[2] for r in rows]),
            lamps=np.array(self.lamps),
        )


def build_scene() -> Scene:
    """Return the whole ferry landing as arrays."""
    b = Builder()
    _lamps(b)
    _pier(b)
    _hut(b)
    _ferry(b)
    x, y, z = PASSENGER_M
    b.box(MAT_COAT, (x, 0.93, z), (0.36, 0.94, 0.33), PASSENGER_YAW_DEG, 0.0, (BODY_PASSENGER, 0.93), BODY)
    b.box(MAT_LEATHER, (x - 0.62, 0.27, z + 0.10), (0.33, 0.275, 0.115), -18.0, 0.0, (BODY_CASE, 0.27), BODY)
    _strands(b)
    x, y, z = BOLLARD_M
    for body, low, high in (
        (BODY_BOLLARD, (-0.20, 0.0, -0.20), (0.20, 0.86, 0.20)),
        (BODY_STERN_ROPE, (-0.24, 0.30, 0.12), (0.06, 0.76, 3.75)),
        (BODY_BOW_ROPE, (0.08, 0.50, -0.37), (1.75, 0.68, -0.07)),
    ):
        mid = _triple(0.5 * (np.array(low) + np.array(high)))
        half = _triple(0.5 * (np.array(high) - np.array(low)))
        centre = (x + mid[0], y + mid[1], z + mid[2])
        b.box(MAT_POST, centre, half, 0.0, 0.0, (body, mid[1], mid[0], mid[2]), BODY)
    b.box(MAT_TIMBER, (x, 0.05, z), (0.19, 0.05, 0.19), 4.0)
    b.box(MAT_ROPE, (1.75, 0.07, 3.05), (0.36, 0.07, 0.36), 0.0, 0.0, (BODY_COIL, 0.07), BODY)
    return b.pack()


def _triple(values: Floats) -> Triple:
    """Return three numbers as a tuple."""
    return float(values[0]), float(values[1]), float(values[2])


def _turn(yaw_deg: float, roll_deg: float) -> Floats:
    """Return the rows of a rotation from world to body axes: yaw about Y, then roll about the body's Z."""
    a, r = math.radians(yaw_deg), math.radians(roll_deg)
    yaw = np.array([[math.cos(a), 0.0, -math.sin(a)], [0.0, 1.0, 0.0], [math.sin(a), 0.0, math.cos(a)]])
    roll = np.array([[math.cos(r), math.sin(r), 0.0], [-math.sin(r), math.cos(r), 0.0], [0.0, 0.0, 1.0]])
    return roll @ yaw


def _strands(b: Builder) -> None:
    """Let a few hairs stray from under the hat."""
    turn = _turn(PASSENGER_YAW_DEG, 0.0)
    for n in range(22):
        h = [hash_frac(n, k, 97) for k in range(6)]
        a = -math.pi * (0.08 + 0.84 * h[0])
        place = np.array([0.086 * math.cos(a), 1.655 - 0.05 * h[1], 0.086 * math.sin(a)])
        step = np.array([math.cos(a) * (0.2 + 0.5 * h[2]), -0.9, math.sin(a) * (0.2 + 0.5 * h[2])])
        last = place
        for k in range(5):
            swing = np.array([math.sin(3.0 * k + 6.0 * h[3]), 0.3 * h[4], math.cos(2.0 * k + 6.0 * h[5])])
            following = last + (0.024 + 0.014 * h[1]) * (step + 0.35 * swing)
            step = step * 0.9 + np.array([0.10 * (h[4] - 0.5), -0.03, 0.10 * (h[5] - 0.5)])
            p, q = (_triple(np.array(PASSENGER_M) + turn.T @ w) for w in (last, following))
            b.rod(MAT_HAIR, p, q, 0.0007 - 0.00008 * k)
            last = following


def _festoon(b: Builder, a: Triple, c: Triple, sag: float, bulbs: int, lit: bool = True) -> None:
    """Hang a wire with bulbs between two points."""
    p, q = np.array(a), np.array(c)

    def at(f: float) -> Floats:
        place = p + (q - p) * f
        place[1] -= 4.0 * sag * f * (1.0 - f)
        return place

    pieces = 10
    for n in range(pieces):
        b.rod(MAT_WIRE, _triple(at(n / pieces)), _triple(at((n + 1) / pieces)), 0.006)
    for n in range(bulbs):
        x, y, z = at((n + 0.5) / bulbs)
        glow = 0.8 + 0.35 * math.sin(12.9 * n + 3.1 * z) ** 2
        b.rod(MAT_WIRE, (x, y, z), (x, y - 0.055, z), 0.015)
        place = (float(x), float(y) - 0.085, float(z))
        rgb = _triple(glow * np.array(BULB_RGB))
        b.sphere(MAT_LAMP, place, BULB_RADIUS_M, rgb)
        if lit:
            b.lamp(place, BULB_RADIUS_M, rgb)


def _lamps(b: Builder) -> None:
    for z in LAMP_Z_M:
        x, y = LAMP_X_M, LAMP_Y_M
        b.rod(MAT_METAL, (x, 0.0, z), (x, 0.55, z), 0.068)
        b.rod(MAT_METAL, (x, 0.5, z), (x, y - 0.14, z), 0.042)
        b.rod(MAT_METAL, (x, y - 0.19, z), (x, y - 0.15, z), 0.075)
        b.sphere(MAT_METAL, (x, y + 0.135, z), 0.05)
        b.box(MAT_METAL, (x, 0.015, z), (0.14, 0.015, 0.14))
        b.sphere(MAT_LAMP, (x, y, z), GLOBE_RADIUS_M, GLOBE_RGB)
        b.lamp((x, y, z), GLOBE_RADIUS_M, GLOBE_RGB)
    b.lamp(FLOOD_M, 0.25, FLOOD_RGB)
    for z0, z1 in pairwise(LAMP_Z_M):
        _festoon(b, (LAMP_X_M, 3.22, z0), (LAMP_X_M, 3.22, z1), 0.42, 6, z1 < 25.0)
    _festoon(b, (LAMP_X_M, 3.2, 9.0), (-1.74, 2.74, 9.11), 0.36, 6)


def _pier(b: Builder) -> None:
    for k in range(12):
        z = 2.9 + 3.1 * k
        if 7.0 < z < 15.0:
            continue
        b.box(MAT_TIMBER, (-1.03, 0.13, z), (0.075, 0.06, 1.53))
        b.box(MAT_TIMBER, (-1.03, 0.035, z - 1.1), (0.06, 0.035, 0.15))
        b.box(MAT_TIMBER, (-1.03, 0.035, z + 1.1), (0.06, 0.035, 0.15))
    for k in range(13):
        z = 0.6 + 3.1 * k
        b.box(MAT_TIMBER, (2.70, 0.13, z), (0.075, 0.06, 1.53))
        b.box(MAT_TIMBER, (2.70, 0.035, z - 1.1), (0.06, 0.035, 0.15))
        b.box(MAT_TIMBER, (2.70, 0.035, z + 1.1), (0.06, 0.035, 0.15))
    posts = ((-0.98, 5.15), (-0.98, 7.75), (-0.98, 15.2), (-0.98, 18.6), (-0.98, 22.0), (-0.98, 25.4), (-0.98, 28.8))
    for x, z in posts:
        b.box(MAT_POST, (x, -0.87, z), (0.085, 1.76, 0.085), 40.0 * z, 0.4, (BODY_POST, -0.87), BODY)
    for (xa, za), (xb, zb) in pairwise(posts):
        if zb - za > 5.0:
            continue
        for n in range(14):
            f0, f1 = n / 14, (n + 1) / 14
            y0, y1 = 0.80 - 0.9 * f0 * (1.0 - f0), 0.80 - 0.9 * f1 * (1.0 - f1)
            p = (xa + (xb - xa) * f0, y0, za + (zb - za) * f0)
            b.rod(MAT_ROPE, p, (xa + (xb - xa) * f1, y1, za + (zb - za) * f1), 0.018)
    for x, z, top, lean in ((-2.5, 5.3, 1.15, 2.0), (-2.85, 5.7, 0.85, -1.5), (-2.3, 5.85, 0.95, 0.5)):
        b.box(MAT_POST, (x, top - 1.76, z), (0.14, 1.78, 0.14), 57.0 * x, lean, (BODY_PILE, -0.90), BODY)
    for x in (-4.5, -3.3, -2.1):
        b.rod(MAT_POST, (x, -3.0, 8.52), (x, -0.2, 8.52), 0.12)
    b.box(MAT_TIMBER, (-2.92, -0.16, 8.33), (1.77, 0.115, 0.06))
    b.box(MAT_TIMBER, (30.0, -0.2, 75.0), (22.0, 0.25, 2.0), 8.0)
    for k in range(9):
        x = 11.0 + 5.0 * k
        z = 73.0 - 0.14 * (x - 30.0)
        if k % 2 == 0:
            b.rod(MAT_METAL, (x, -0.2, z), (x, 3.4, z), 0.07)
            b.sphere(MAT_LAMP, (x, 3.6, z), 0.17, (190.0, 128.0, 70.0))


def _hut(b: Builder) -> None:
    x0, x1, z0, z1, top = -4.45, -1.80, 9.2, 12.4, 2.35
    xc, zc, hx, hz = 0.5 * (x0 + x1), 0.5 * (z0 + z1), 0.5 * (x1 - x0), 0.5 * (z1 - z0)
    b.box(MAT_BOARDS, (xc, 0.5 * top, zc), (hx, 0.5 * top, hz))
    slope, reach = 27.0, 0.5 * (x1 - x0) + 0.32
    for side in (-1.0, 1.0):
        r = math.radians(slope)
        half = reach / math.cos(r) / 2.0
        cx = xc + side * reach / 2.0
        cy = top - 0.10 + 0.5 * reach * math.tan(r)
        b.box(MAT_ROOF, (cx, cy, zc), (half + 0.02, 0.035, hz + 0.34), 0.0, -side * slope)
        b.box(MAT_TIMBER, (cx, cy - 0.05, z0 - 0.32), (half, 0.055, 0.02), 0.0, -side * slope)
    steps = 28
    for n in range(steps):
        w = hx * (1.0 - (n + 0.5) / steps)
        y = top + (n + 0.5) * hx * math.tan(math.radians(slope)) / steps
        b.box(MAT_BOARDS, (xc, y, zc), (w, 0.5 * hx * math.tan(math.radians(slope)) / steps + 0.002, hz - 0.0005 * n))
    _window(b, (xc + 0.25, 1.48, z0), (0.62, 0.44), False)
    _window(b, (x1, 1.50, z0 + 1.0), (0.40, 0.44), True)
    b.box(MAT_TIMBER, (xc + 0.25, 0.98, z0 - 0.11), (0.74, 0.022, 0.13))
    b.box(MAT_POSTER, (xc - 0.88, 1.45, z0 - 0.02), (0.26, 0.37, 0.02))
    b.box(MAT_TIMBER, (x1 + 0.02, 1.0, z1 - 0.75), (0.03, 1.0, 0.42))
    b.rod(MAT_METAL, (x1 + 0.07, 1.0, z1 - 1.08), (x1 + 0.07, 1.12, z1 - 1.08), 0.014)
    for cx, cz in ((x0, z0), (x1, z0)):
        b.box(MAT_TIMBER, (cx, 0.5 * top, cz), (0.055, 0.5 * top, 0.055))
    b.sphere(MAT_LAMP, (xc + 0.25, 2.09, z0 - 0.16), 0.045, BULB_RGB)
    b.lamp((xc + 0.25, 2.04, z0 - 0.16), 0.06, BULB_RGB)
    b.rod(MAT_METAL, (x1 + 0.06, 1.9, z0 - 0.09), (x1 + 0.06, 2.78, z0 - 0.09), 0.022)
    b.rod(MAT_METAL, (x0 + 0.5, 2.6, z1 - 0.5), (x0 + 0.5, 3.6, z1 - 0.5), 0.06)
    b.box(MAT_TIMBER, (xc - 0.15, 0.22, z0 - 0.55), (0.62, 0.025, 0.17))
    for dx in (-0.5, 0.5):
        b.box(MAT_TIMBER, (xc - 0.15 + dx, 0.10, z0 - 0.55), (0.03, 0.10, 0.14))


def _window(b: Builder, at: Triple, half: tuple[float, float], side: bool) -> None:
    """Set a lit pane with frame and bars into a wall, and let it throw light."""
    x, y, z = at
    w, h = half
    glow = (4.2, 2.6, 1.1)
    if side:
        b.box(MAT_WINDOW, (x + 0.005, y, z), (0.008, h, w))
        for dz in (-w, 0.0, w):
            b.box(MAT_TIMBER, (x + 0.02, y, z + dz), (0.03, h + 0.05, 0.028))
        for dy in (-h, 0.35 * h, h):
            b.box(MAT_TIMBER, (x + 0.02, y + dy, z), (0.028, 0.026, w + 0.05))
        b.lamp((x + 0.10, y, z), 0.42, glow, (1.0, 0.0))
    else:
        b.box(MAT_WINDOW, (x, y, z - 0.005), (w, h, 0.008))
        for dx in (-w, 0.0, w):
            b.box(MAT_TIMBER, (x + dx, y, z - 0.02), (0.028, h + 0.05, 0.03))
        for dy in (-h, h):
            b.box(MAT_TIMBER, (x, y + dy, z - 0.02), (w + 0.05, 0.026, 0.028))
        for dx in (-0.4 * w, 0.4 * w):
            b.lamp((x + dx, y, z - 0.10), 0.36, glow, (0.0, -1.0))


def _ferry(b: Builder) -> None:
    turn = _turn(FERRY_YAW_DEG, 0.0)
    base = np.array(FERRY_M)

    def at(x: float, y: float, z: float) -> Triple:
        return _triple(base + turn.T @ np.array([x, y, z]))

    b.box(MAT_FERRY, at(0.5, 1.4, 0.0), (15.5, 2.4, 4.6), FERRY_YAW_DEG, 0.0, (BODY_HULL, 1.4), BODY)
    for centre, half in (
        ((-2.0, 3.35, 0.0), (10.6, 1.05, 3.3)),
        ((-2.2, 4.46, 0.0), (11.6, 0.08, 3.7)),
        ((-3.2, 5.4, 0.0), (8.2, 0.95, 2.7)),
        ((-3.0, 6.40, 0.0), (9.0, 0.07, 3.1)),
        ((5.6, 5.75, 0.0), (1.7, 1.3, 2.4)),
        ((5.5, 7.12, 0.0), (2.1, 0.07, 2.8)),
        ((-6.0, 7.6, 0.0), (1.1, 1.3, 0.8)),
        ((-6.0, 8.95, 0.0), (1.2, 0.12, 0.9)),
        ((0.5, 6.85, -2.5), (1.6, 0.35, 0.5)),
    ):
        b.box(MAT_FERRY, at(*centre), half, FERRY_YAW_DEG)
    b.rod(MAT_METAL, at(5.0, 7.0, 0.0), at(4.8, 11.2, 0.0), 0.09)
    b.rod(MAT_METAL, at(5.0, 9.6, -1.2), at(5.0, 9.6, 1.2), 0.05)
    b.rod(MAT_METAL, at(-12.5, 3.0, 0.0), at(-12.8, 6.2, 0.0), 0.06)
    for y, x0, x1 in ((5.45, -13.5, -11.5), (7.35, -11.8, 4.0), (4.2, 8.6, 13.2)):
        for dy in (0.0, -0.4):
            b.rod(MAT_METAL, at(x0, y + dy, -3.0), at(x1, y + dy, -3.0 if x1 < 8.0 else -1.2), 0.035)
    lights = (
        ((4.8, 11.0, -0.2), 0.17, (230.0, 220.0, 190.0)),
        ((8.7, 4.9, -2.6), 0.13, (8.0, 150.0, 60.0)),
        ((-12.6, 6.2, -0.1), 0.13, (210.0, 195.0, 150.0)),
        ((-11.0, 4.2, -3.5), 0.13, (240.0, 160.0, 85.0)),
        ((-6.0, 4.2, -3.5), 0.13, (240.0, 160.0, 85.0)),
        ((-1.0, 4.2, -3.5), 0.13, (240.0, 160.0, 85.0)),
        ((4.0, 4.2, -3.5), 0.13, (240.0, 160.0, 85.0)),
        ((9.5, 3.6, -2.7), 0.12, (240.0, 160.0, 85.0)),
    )
    for place, radius, rgb in lights:
        b.sphere(MAT_LAMP, at(*place), radius, rgb)
