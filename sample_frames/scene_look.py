"""What the air, the sky and the water look like at dusk."""

import math

from scene_noise import compiled, compiled_as, fbm_2d, noise_2d, smoothstep
from scene_shapes import SHORE_Z_M

SUN_X, SUN_Z = -0.16, 0.987


@compiled_as("UniTuple(float64, 3)(float64, float64, float64, boolean)")
def sky(dx, dy, dz, clouds):
    """Return the sky's radiance in a direction; below the horizon it is mirrored."""
    e = max(abs(dy), 0.0)
    flat = math.sqrt(dx * dx + dz * dz) + 1e-9
    toward = (dx * SUN_X + dz * SUN_Z) / flat
    glow = 0.5 + 0.5 * toward
    r, g, b = 0.017, 0.040, 0.112
    w = math.exp(-3.6 * e)
    r, g, b = r + (0.085 - r) * w, g + (0.165 - g) * w, b + (0.330 - b) * w
    w = math.exp(-10.0 * e) * (0.20 + 0.80 * glow * glow)
    r, g, b = r + w * 0.26, g + w * 0.155, b + w * 0.03
    w = math.exp(-24.0 * e) * glow**7
    r, g, b = r + w * 0.62, g + w * 0.21, b - w * 0.10
    if clouds and e > 0.004:
        s = 1.0 / (e + 0.11)
        cx, cz = dx / flat * s, dz / flat * s
        u, v = 0.92 * cx + 0.38 * cz, 0.92 * cz - 0.38 * cx
        warp = 0.35 * noise_2d(0.5 * u, 0.8 * v, 91) + 0.12 * noise_2d(2.1 * u, 2.6 * v, 90)
        f = fbm_2d(0.50 * u + warp + 4.0, 1.35 * v + 0.8 * warp, 4, 92)
        f += 0.35 * noise_2d(0.21 * u, 0.4 * v + 2.0, 95)
        f += 0.15 * fbm_2d(3.4 * u + 2.0 * warp, 8.5 * v, 4, 96)
        cover = smoothstep(-0.08, 0.50, f) * smoothstep(0.0, 0.05, e)
        thick = smoothstep(0.15, 0.62, f)
        rim = cover * (1.0 - thick)
        fade = math.exp(-5.0 * e)
        lit = fade * (0.2 + 0.8 * glow * glow)
        cr = 0.036 + 0.62 * lit * rim + 0.22 * lit
        cg = 0.058 + 0.25 * lit * rim + 0.105 * lit
        cb = 0.108 + 0.12 * lit * rim + 0.075 * lit
        a = 0.75 * cover
        r, g, b = r + (cr - r) * a, g + (cg - g) * a, b + (cb - b) * a
    return 0.72 * r, 0.79 * g, 0.88 * b


@compiled
def water_slopes(x, z, time_s, foot):
    """Return slopes along x and z of ripples wide enough to see, and the variance of those that are not."""
    sx, sz, rest = 0.0, 0.0, 0.0
    length, rms = 2.6, 0.020
    for n in range(7):
        seen = smoothstep(1.2, 4.0, length / (foot + 1e-6))
        rest += rms * rms * (1.0 - seen * seen)
        if seen > 0.0:
            c, s = math.cos(0.5 + 1.1 * n), math.sin(0.5 + 1.1 * n)
            k = 1.0 / length
            drift = time_s * math.sqrt(1.56 * length)
            u, v = (c * x + s * z) * k + drift * k * 0.6, (c * z - s * x) * k * 0.62
            h = 0.15
            a = noise_2d(u, v, 601 + n)
            du = (noise_2d(u + h, v, 601 + n) - a) / h
            dv = (noise_2d(u, v + h, 601 + n) - a) / h * 0.62
            amp = rms * seen * 0.95
            sx += amp * (c * du - s * dv)
            sz += amp * (s * du + c * dv)
        length *= 0.46
        rms *= 0.98
    return sx, sz, rest


@compiled
def haze_at(dx, dy, dz, distance):
    """Return how much light comes through the air from a distance, and the colour that the air adds."""
    through = math.exp(-distance / (3.4 * SHORE_Z_M))
    r, g, b = sky(dx, 0.015, dz, False)
    w = 1.0 - through
    return through, 0.40 * r * w, 0.52 * g * w, 0.82 * b * w
