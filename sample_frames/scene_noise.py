"""Counter-based hashes and value noise, the only source of chance in the sample scene."""

import math
from collections.abc import Callable

from numba import njit

_MASK = 0xFFFFFFFF

_HOW = {"nogil": True, "cache": True, "fastmath": True, "error_model": "numpy"}
compiled = njit(**_HOW)
"""How every loop of the scene is compiled."""


def compiled_as(signature: str) -> Callable[[Callable[..., float]], Callable[..., float]]:
    """Compile for one signature: else a function is compiled anew for every constant that it is called with."""
    return njit(signature, **_HOW)


@compiled_as("float64(int64, int64, int64)")
def hash_frac(i: int, j: int, k: int) -> float:
    """Return a number in [0, 1) that depends on three integers only."""
    h = (i * 0x8DA6B343 + j * 0xD8163841 + k * 0xCB1AB31F) & _MASK
    h = ((h ^ (h >> 16)) * 0x7FEB352D) & _MASK
    h = ((h ^ (h >> 15)) * 0x846CA68B) & _MASK
    h = h ^ (h >> 16)
    return h * (1.0 / 4294967296.0)


@compiled_as("float64(float64, float64, int64)")
def noise_2d(x: float, y: float, salt: int) -> float:
    """Return smooth value noise in [-1, 1] on a unit lattice."""
    xf = math.floor(x)
    yf = math.floor(y)
    i = int(xf)
    j = int(yf)
    u = x - xf
    v = y - yf
    u = u * u * u * (u * (u * 6.0 - 15.0) + 10.0)
    v = v * v * v * (v * (v * 6.0 - 15.0) + 10.0)
    a = hash_frac(i, j, salt)
    b = hash_frac(i + 1, j, salt)
    c = hash_frac(i, j + 1, salt)
    d = hash_frac(i + 1, j + 1, salt)
    return 2.0 * (a + (b - a) * u + (c - a) * v + (a - b - c + d) * u * v) - 1.0


@compiled_as("float64(float64, float64, float64, int64)")
def noise_3d(x: float, y: float, z: float, salt: int) -> float:
    """Return smooth value noise in [-1, 1] in space."""
    zf = math.floor(z)
    k = int(zf)
    w = z - zf
    w = w * w * (3.0 - 2.0 * w)
    a = noise_2d(x, y, salt + 131 * k)
    b = noise_2d(x, y, salt + 131 * (k + 1))
    return a + (b - a) * w


@compiled_as("float64(float64, float64, int64, int64)")
def fbm_2d(x: float, y: float, octaves: int, salt: int) -> float:
    """Return a sum of octaves of noise, each half as strong and about twice as fine."""
    total = 0.0
    gain = 0.5
    for n in range(octaves):
        total += gain * noise_2d(x, y, salt + 17 * n)
        gain *= 0.5
        x, y = 1.64 * x + 1.17 * y + 3.1, 1.64 * y - 1.17 * x + 7.7
    return total


@compiled_as("float64(float64, float64, int64, int64)")
def stretched_2d(x: float, y: float, octaves: int, salt: int) -> float:
    """Return octaves of noise without turning the lattice, for grain that runs one way."""
    total = 0.0
    gain = 0.5
    for n in range(octaves):
        total += gain * noise_2d(x, y, salt + 17 * n)
        gain *= 0.55
        x, y = 2.03 * x + 3.1, 2.03 * y + 7.7
    return total


@compiled_as("float64(float64, float64, float64, int64, int64)")
def fbm_3d(x: float, y: float, z: float, octaves: int, salt: int) -> float:
    """Return a sum of octaves of noise in space."""
    total = 0.0
    gain = 0.5
    for n in range(octaves):
        total += gain * noise_3d(x, y, z, salt + 29 * n)
        gain *= 0.5
        x, y, z = 2.03 * x + 1.3, 2.03 * y + 4.1, 2.03 * z + 9.2
    return total


@compiled_as("float64(float64, float64, float64)")
def smoothstep(low: float, high: float, x: float) -> float:
    """Return the cubic step from 0 at low to 1 at high."""
    u = (x - low) / (high - low)
    if u <= 0.0:
        return 0.0
    if u >= 1.0:
        return 1.0
    return u * u * (3.0 - 2.0 * u)
