"""Signed distances, in metres, of the shapes too soft for plain primitives: passenger, ropes, bollard, hull."""

import math

from scene_noise import compiled, compiled_as, fbm_2d, noise_2d, noise_3d, smoothstep

BODY_PASSENGER = 0
BODY_BOLLARD = 1
BODY_COIL = 2
BODY_HULL = 3
BODY_CASE = 4
BODY_PILE = 5
BODY_POST = 6
BODY_STERN_ROPE = 7
BODY_BOW_ROPE = 8

MAT_DECK = 0
MAT_WATER = 1
MAT_METAL = 2
MAT_LAMP = 3
MAT_WIRE = 4
MAT_BOARDS = 5
MAT_ROOF = 6
MAT_WINDOW = 7
MAT_ROPE = 8
MAT_POST = 9
MAT_COAT = 10
MAT_HAT = 11
MAT_SCARF = 12
MAT_HAIR = 13
MAT_BOOT = 14
MAT_LEATHER = 15
MAT_FERRY = 16
MAT_SHORE = 17
MAT_HILL = 18
MAT_TIMBER = 19
MAT_TROUSERS = 20
MAT_TRIM = 21
MAT_POSTER = 22
MAT_SKIN = 23
MAT_UNDER = 24
MAT_BRASS = 25

TAU = 2.0 * math.pi


@compiled
def smooth_min(a: float, b: float, k: float) -> float:
    """Return the smaller of two distances, rounded over a width k."""
    h = max(k - abs(a - b), 0.0) / k
    return min(a, b) - h * h * k * 0.25


@compiled
def ellipsoid(x: float, y: float, z: float, rx: float, ry: float, rz: float) -> float:
    """Return an approximate distance to an ellipsoid at the origin."""
    k0 = math.sqrt((x / rx) ** 2 + (y / ry) ** 2 + (z / rz) ** 2)
    k1 = math.sqrt((x / (rx * rx)) ** 2 + (y / (ry * ry)) ** 2 + (z / (rz * rz)) ** 2)
    return k0 * (k0 - 1.0) / max(k1, 1e-9)


@compiled
def limb(x, y, z, ax, ay, az, bx, by, bz, ra, rb):
    """Return the distance to a line from a to b with radius ra at a and rb at b."""
    vx, vy, vz = bx - ax, by - ay, bz - az
    h = ((x - ax) * vx + (y - ay) * vy + (z - az) * vz) / (vx * vx + vy * vy + vz * vz)
    h = min(max(h, 0.0), 1.0)
    dx, dy, dz = x - ax - h * vx, y - ay - h * vy, z - az - h * vz
    return math.sqrt(dx * dx + dy * dy + dz * dz) - (ra + (rb - ra) * h)


@compiled
def round_box(x, y, z, hx, hy, hz, r):
    """Return the distance to a box with rounded edges at the origin."""
    qx, qy, qz = abs(x) - hx + r, abs(y) - hy + r, abs(z) - hz + r
    ox, oy, oz = max(qx, 0.0), max(qy, 0.0), max(qz, 0.0)
    return math.sqrt(ox * ox + oy * oy + oz * oz) + min(max(qx, qy, qz), 0.0) - r


@compiled
def laid_rope(u, v, s, radius, lay):
    """Return the distance to a three-strand rope; u, v across it, s along it, lay the length of a turn."""
    rho = math.sqrt(u * u + v * v)
    if rho > 1.8 * radius:
        return rho - 1.1 * radius
    a = math.atan2(v, u) + TAU * s / lay
    third = TAU / 3.0
    a -= third * math.floor(a / third + 0.5)
    cx = rho * math.cos(a) - 0.50 * radius
    cy = rho * math.sin(a)
    return (math.sqrt(cx * cx + cy * cy) - 0.52 * radius) * 0.8


@compiled
def _coat_radius(y):
    """Return the half widths of the coat across and front to back at a height."""
    hem = smoothstep(1.05, 0.36, y)
    chest = math.exp(-(((y - 1.33) / 0.17) ** 2))
    rx = 0.172 + 0.088 * hem + 0.030 * chest
    rz = 0.136 + 0.098 * hem + 0.022 * chest
    close = smoothstep(1.38, 1.53, y)
    return rx * (1.0 - 0.62 * close), rz * (1.0 - 0.45 * close)


@compiled
def _coat(x, y, z):
    """Return the distance to the coat with sleeves, folds, belt and back vent."""
    rx, rz = _coat_radius(y)
    a = math.atan2(z / rz, x / rx)
    low = smoothstep(1.12, 0.42, y)
    fold = math.sin(5.0 * a + 1.3 + 0.9 * math.sin(2.2 * y)) * 0.55
    fold += math.sin(9.0 * a + 4.0 + 1.7 * y) * 0.3
    fold += noise_2d(3.2 * a + 2.0, 1.4 * y, 5) * 0.9 + noise_2d(9.0 * a + 3.0 * y, 3.0 * y, 6) * 0.35
    drag = noise_2d(5.0 * (x + 0.6 * y), 13.0 * (y - 0.35 * x), 9)
    drag *= math.exp(-(((y - 1.12) / 0.16) ** 2))
    rx += 0.024 * low * fold + 0.008 * drag
    rz += 0.024 * low * fold + 0.008 * drag
    if z < 0.0 and y < 0.86:
        vent = math.exp(-(((x - 0.012 * (0.86 - y)) / 0.006) ** 2)) * smoothstep(0.86, 0.80, y)
        rz -= 0.013 * vent
        if x > 0.0:
            rz += 0.005 * smoothstep(0.86, 0.7, y) * math.exp(-x / 0.06)
    k0 = math.sqrt((x / rx) ** 2 + (z / rz) ** 2)
    k1 = math.sqrt((x / (rx * rx)) ** 2 + (z / (rz * rz)) ** 2)
    d = k0 * (k0 - 1.0) / max(k1, 1e-6)
    hem_y = 0.43 + 0.010 * math.sin(3.0 * a) + 0.012 * fold
    d = max(d, hem_y - y, y - 1.56)
    inner = max(k0 * (k0 - 1.0) / max(k1, 1e-6) + 0.012, y - 0.55)
    d = max(d, -inner)
    d = smooth_min(d, limb(x, y, z, -0.145, 1.425, 0.0, 0.145, 1.435, 0.0, 0.078, 0.078), 0.07)
    crease = 0.011 * noise_2d(26.0 * y + 14.0 * z, 9.0 * z + 3.0, 3) * math.exp(-(((y - 1.1) / 0.20) ** 2))
    for side in range(2):
        sx = x if side == 0 else -x
        arm = limb(sx, y, z, 0.186, 1.405, 0.0, 0.246, 1.13, -0.025, 0.066, 0.056)
        arm = smooth_min(
            arm, max(limb(sx, y, z, 0.246, 1.13, -0.025, 0.250, 0.85, 0.045, 0.055, 0.050), 0.875 - y), 0.03
        )
        d = smooth_min(d, arm + crease, 0.028)
    belt = abs(y - 1.075 - 0.01 * x) - 0.021
    if z < 0.02 and belt < 0.004 and abs(x) < 0.16:
        d -= 0.005 * smoothstep(0.004, -0.002, belt)
    return d + 0.0006 * noise_3d(46.0 * x, 46.0 * y, 46.0 * z, 21)


@compiled
def _head(x, y, z):
    """Return the distance and material of hat, hair, scarf and face."""
    face = ellipsoid(x, y - 1.645, z - 0.012, 0.072, 0.108, 0.090)
    face = smooth_min(face, limb(x, y, z, 0.0, 1.66, 0.10, 0.0, 1.635, 0.112, 0.012, 0.014), 0.02)
    a = math.atan2(x, -z)
    rib = math.cos(34.0 * a)
    hat = ellipsoid(x, y - 1.675, z - 0.004, 0.094, 0.122, 0.110)
    hat = max(hat, 1.672 - y) + 0.0016 * rib
    cuff = math.sqrt((x / 0.92) ** 2 + (z - 0.004) ** 2) - 0.106
    qy = abs(y - 1.690 - 0.10 * z) - 0.030
    cuff = math.sqrt(max(cuff, 0.0) ** 2 + max(qy, 0.0) ** 2) + min(max(cuff, qy), 0.0) - 0.008 + 0.0022 * rib
    hat = smooth_min(hat, cuff, 0.008)
    bob = math.sqrt(x * x + (y - 1.817) ** 2 + (z + 0.012) ** 2) - 0.033
    if bob < 0.03:
        bob += 0.007 * noise_3d(95.0 * x, 95.0 * y, 95.0 * z, 31)
    hat = min(hat, bob * 0.7)
    strand = math.sin(58.0 * a + 5.0 * noise_2d(9.0 * a, 6.0 * y, 41)) * 0.5 + noise_2d(40.0 * a, 5.0 * y, 43)
    fall = 1.0 + 0.16 * smoothstep(1.64, 1.44, y) + 0.05 * math.sin(19.0 * y + 2.0 * a)
    hair = ellipsoid(x / fall, y - 1.565, (z + 0.040) / fall, 0.093, 0.165, 0.082)
    hair = max(hair, z - 0.045 + 0.5 * abs(y - 1.6), y - 1.70) + 0.0035 * strand
    tip = 1.432 + 0.022 * noise_2d(30.0 * a, 0.5, 44) + 0.03 * abs(x) * 10.0 * abs(x)
    hair = max(hair, (tip - y) * 0.8)
    d, m = face, MAT_SKIN
    if hat < d:
        d, m = hat, MAT_HAT
    if hair * 0.75 < d:
        d, m = hair * 0.75, MAT_HAIR
    for n in range(2):
        yc = 1.497 + 0.046 * n + 0.012 * math.sin(2.0 * a + 2.0 * n) + 0.02 * math.cos(a)
        rc = 0.098 - 0.012 * n + 0.006 * math.sin(3.0 * a + 4.0 * n)
        u = math.sqrt(x * x + (z + 0.008) ** 2) - rc
        v = y - yc
        fold = 0.004 * math.sin(7.0 * math.atan2(v, u) + 3.0 * a) + 0.002 * math.sin(120.0 * a + 300.0 * v)
        s = math.sqrt(u * u + 0.8 * v * v) - 0.034 + fold
        if s * 0.8 < d:
            d, m = s * 0.8, MAT_SCARF
    return d, m


@compiled
def _legs(x, y, z):
    """Return the distance and material of trousers and boots; one knee is eased."""
    d, m = 1e9, MAT_TROUSERS
    for side in range(2):
        sx = x - 0.095 if side == 0 else x + 0.085
        sz = z - (0.05 if side == 0 else -0.03)
        wrinkle = 0.004 * math.sin(60.0 * y + 20.0 * sx) * smoothstep(0.32, 0.16, y)
        leg = limb(sx, y, sz, 0.0, 0.60, -0.01, 0.0, 0.13, 0.0, 0.078, 0.060) + wrinkle
        if leg < d:
            d, m = leg, MAT_TROUSERS
        shaft = limb(sx, y, sz, 0.0, 0.19, 0.0, 0.0, 0.06, 0.005, 0.056, 0.050)
        toe = ellipsoid(sx, y - 0.045, sz - 0.075, 0.047, 0.050, 0.125)
        boot = max(smooth_min(shaft, toe, 0.04), 0.002 - y)
        sole = max(ellipsoid(sx, (y - 0.012) * 0.5, sz - 0.055, 0.052, 0.02, 0.150), 0.001 - y, y - 0.026)
        boot = min(boot, sole)
        if boot < d:
            d, m = boot, MAT_BOOT
    return d, m


@compiled
def passenger(x: float, y: float, z: float) -> tuple[float, int]:
    """Return the distance and material of the passenger, who faces +z and stands at the origin."""
    coarse = math.sqrt(x * x + z * z) - 0.36
    if coarse > 0.04:
        return coarse, MAT_COAT
    d, m = _coat(x, y, z) if y > 0.3 else 0.4 - y, MAT_COAT
    if y > 1.36:
        h, hm = _head(x, y, z)
        if h < d:
            d, m = h, hm
    elif y < 0.64:
        h, hm = _legs(x, y, z)
        if h < d:
            d, m = h, hm
    if 0.68 < y < 0.95:
        sx = abs(x)
        hand = ellipsoid(sx - 0.246, y - 0.825, z - 0.055, 0.033, 0.078, 0.045)
        hand = smooth_min(hand, limb(sx, y, z, 0.236, 0.845, 0.085, 0.228, 0.80, 0.10, 0.017, 0.015), 0.015)
        if hand < d:
            d, m = hand, MAT_HAT
    if y < 1.52 and y > 0.6:
        strap = abs(0.70 * x + 0.71 * (y - 1.30) - 0.02) - 0.017
        if strap < 0.006 and y > 0.97:
            w = d + 0.002 - 0.007 * smoothstep(0.004, -0.002, strap)
            if w < d:
                d, m = w, MAT_LEATHER
        b = round_box(x - 0.20, y - 0.90 + 0.1 * (x - 0.20), z + 0.155, 0.15, 0.105, 0.055, 0.025)
        flap = round_box(x - 0.20, y - 0.950 + 0.1 * (x - 0.20), z + 0.159, 0.154, 0.060, 0.058, 0.025)
        b = min(b, flap)
        if b < d:
            d, m = b, MAT_LEATHER
    return d, m


@compiled
def suitcase(x: float, y: float, z: float) -> tuple[float, int]:
    """Return the distance and material of an old suitcase that stands at the origin, broad side along x."""
    d = round_box(x, y - 0.245, z, 0.30, 0.215, 0.095, 0.035)
    d += 0.0015 * noise_3d(14.0 * x, 14.0 * y, 14.0 * z, 61)
    m = MAT_LEATHER
    seam = abs(z - 0.02)
    if seam < 0.006:
        d += 0.004 * (1.0 - seam / 0.006)
    strap = abs(abs(x) - 0.17) - 0.018
    if strap < 0.004:
        w = d - 0.005 * smoothstep(0.004, 0.0, strap)
        d, m = w, MAT_TRIM
    corner = abs(x) + abs(y - 0.245)
    if corner > 0.455:
        d, m = d - 0.003, MAT_BRASS
    hy = y - 0.47
    u = math.sqrt((x / 1.7) ** 2 + hy * hy) - 0.045
    handle = math.sqrt(u * u + z * z) - 0.011
    if handle * 0.55 < d and hy > -0.02:
        d, m = handle * 0.55, MAT_TRIM
    foot = limb(abs(x) - 0.25, y, abs(z) - 0.06, 0.0, 0.03, 0.0, 0.0, 0.016, 0.0, 0.016, 0.016)
    if foot < d:
        d, m = foot, MAT_BRASS
    return d, m


@compiled
def _sagging(x, y, z, ax, ay, az, bx, by, bz, sag, radius, lay):
    """Return the distance to a rope that hangs from a to b."""
    vx, vz = bx - ax, bz - az
    length = math.sqrt(vx * vx + vz * vz)
    vx, vz = vx / length, vz / length
    s = (x - ax) * vx + (z - az) * vz
    sc = min(max(s, 0.0), length)
    f = sc / length
    cy = ay + (by - ay) * f - 4.0 * sag * f * (1.0 - f)
    slope = ((by - ay) - 4.0 * sag * (1.0 - 2.0 * f)) / length
    across = (x - ax) * vz - (z - az) * vx
    v = (y - cy) / math.sqrt(1.0 + slope * slope)
    d = laid_rope(across, v, s * math.sqrt(1.0 + slope * slope), radius, lay)
    return max(d, abs(s - 0.5 * length) - 0.5 * length)


@compiled
def bollard(x: float, y: float, z: float) -> tuple[float, int]:
    """Return the distance and material of the mooring post at the origin and the ropes on it."""
    rho = math.sqrt(x * x + z * z)
    if rho > 0.23:
        return rho - 0.19, MAT_ROPE
    a = math.atan2(z, x)
    top = 0.80 + 0.03 * x + 0.004 * noise_2d(30.0 * x, 30.0 * z, 3)
    r = 0.125 + 0.004 * noise_2d(3.0 * a, 2.0 * y, 7) + 0.0035 * noise_2d(14.0 * a, 1.5 * y, 8)
    crack = noise_2d(7.0 * a, 0.9 * y, 12)
    r -= 0.012 * smoothstep(0.06, 0.0, abs(crack)) * smoothstep(0.25, 0.7, y)
    r -= 0.022 * smoothstep(top - 0.04, top, y)
    d = max(rho - r, y - top) * 0.8
    m = MAT_POST
    n = math.floor((y - 0.475 - 0.041 * a / TAU) / 0.041 + 0.5)
    n = min(max(n, 0.0), 3.0)
    yc = 0.475 + 0.041 * n + 0.041 * a / TAU + 0.004 * math.sin(3.0 * a + 2.0 * n)
    u = rho - 0.149 - (0.005 * math.sin(2.0 * a) if n > 1.0 else 0.0)
    rope = laid_rope(u, y - yc, a * 0.15, 0.0215, TAU * 0.15 / 12.0) * 0.9
    if rope < d:
        d, m = rope, MAT_ROPE
    return d, m


@compiled
def stern_rope(x: float, y: float, z: float) -> tuple[float, int]:
    """Return the distance to the rope from the bollard to the next post; axes are the bollard's."""
    return _sagging(x, y, z, 0.02, 0.49, 0.145, -0.20, 0.72, 3.75, 0.30, 0.0215, 0.082), MAT_ROPE


@compiled
def bow_rope(x: float, y: float, z: float) -> tuple[float, int]:
    """Return the distance to the rope that runs from the bollard across the foreground."""
    return _sagging(x, y, z, 0.10, 0.62, -0.11, 1.75, 0.61, -0.33, 0.045, 0.0215, 0.082), MAT_ROPE


@compiled
def pile(x: float, y: float, z: float, radius: float) -> float:
    """Return the distance to a weathered round post whose top is at y = 0.86."""
    rho = math.sqrt(x * x + z * z)
    a = math.atan2(z, x)
    top = 0.86 + 0.25 * x + 0.12 * radius * noise_2d(25.0 * x, 25.0 * z, 23)
    r = radius * (1.0 + 0.05 * noise_2d(1.2 * math.cos(a) + 5.0, 1.1 * y + math.sin(a), 24))
    r += 0.020 * radius * noise_2d(4.0 * x / radius, 4.0 * z / radius + 0.7 * y, 25)
    crack = abs(noise_2d(3.0 * math.cos(a), 3.0 * math.sin(a) + 0.35 * y, 26))
    r -= 0.09 * radius * smoothstep(0.05, 0.0, crack) * smoothstep(-0.2, 0.6, y)
    wear = smoothstep(top - 0.22 * radius, top, y)
    r -= 0.12 * radius * wear * wear
    return max(rho - r, y - top) * 0.8


@compiled
def rope_coil(x: float, y: float, z: float) -> tuple[float, int]:
    """Return the distance to a coil of rope that lies on the deck round the origin."""
    rho = math.sqrt(x * x + z * z)
    a = math.atan2(z, x)
    d = 1e9
    for layer in range(3):
        turn = a / TAU
        wob = 0.012 * math.sin(2.0 * a + 2.1 * layer) + 0.006 * math.sin(5.0 * a + layer)
        r0 = 0.15 + 0.010 * layer + 0.042 * turn + wob
        n = math.floor((rho - r0) / 0.042 + 0.5)
        n = min(max(n, 0.0), 3.0 - layer)
        u = rho - r0 - 0.042 * n
        yc = 0.021 + 0.036 * layer + 0.004 * math.sin(3.0 * a + n + layer)
        d = min(d, laid_rope(u, y - yc, a * rho, 0.0215, 0.085))
    return d * 0.85, MAT_ROPE


@compiled
def hull(x: float, y: float, z: float) -> tuple[float, int]:
    """Return the distance to the ferry's hull; bow towards +x, waterline at y = 0."""
    f = (x + 14.0) / 28.0
    bow = smoothstep(0.55, 1.0, f)
    half = 4.0 * math.sqrt(max(1.0 - bow * bow, 0.0)) * (0.86 + 0.08 * min(max(y, 0.0), 2.4))
    sheer = 2.3 + 1.1 * bow * bow + 0.25 * smoothstep(0.2, 0.0, f)
    qx = abs(x - 0.35 * bow * max(y, 0.0)) - 14.0
    d = max(abs(z) - half, y - sheer, qx, -1.0 - y)
    return d * 0.6, MAT_FERRY


@compiled
def body_distance(body: int, x: float, y: float, z: float) -> tuple[float, int]:
    """Return the distance and material of one soft body in its own axes."""
    if body == BODY_PASSENGER:
        return passenger(x, y, z)
    if body == BODY_BOLLARD:
        return bollard(x, y, z)
    if body == BODY_COIL:
        return rope_coil(x, y, z)
    if body == BODY_CASE:
        return suitcase(x, y, z)
    if body == BODY_PILE:
        return pile(x, y, z, 0.125), MAT_POST
    if body == BODY_POST:
        return pile(x, y, z, 0.074), MAT_POST
    if body == BODY_STERN_ROPE:
        return stern_rope(x, y, z)
    if body == BODY_BOW_ROPE:
        return bow_rope(x, y, z)
    return hull(x, y, z)


@compiled_as("float64(float64, float64, int64)")
def mottle(x: float, y: float, salt: int) -> float:
    """Return broad uneven staining in [0, 1]."""
    return min(max(0.5 + 0.9 * fbm_2d(x, y, 4, salt), 0.0), 1.0)
