"""Modulation transfer of lenses, pixels, emulsions and scans: response against spatial frequency, 1 at zero.

Frequencies are in cycles per the same length that the other parameters use (cycles/mm with mm, cycles per
pixel with pixels); arrays or scalars in, float64 arrays out. Responses multiply (MTF theory; e.g. ISO 12233).
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
import numpy.typing as npt
from scipy.optimize import nnls
from scipy.special import j1

Float64 = npt.NDArray[np.float64]

WAVELENGTH_MM = 0.00055
"""Green light, 550 nm: the middle of the visible band."""

LENS_POWER = 1.5
"""Exponent of the lens's roll-off; from memory, typical of a photographic lens near its working stop."""

SPOTS = 65
"""Sizes of round spots that a kernel is made of, in even ratios from a single pixel to the whole reach."""

FIT_CPP = 49
DIRECTIONS_RAD = (0.0, math.pi / 16.0, math.pi / 8.0, 3.0 * math.pi / 16.0, math.pi / 4.0)
"""Frequencies up to Nyquist, and directions, at which a kernel's response is held against the one wanted."""

LOWEST_RESPONSE = 1e-3
"""Responses below this are held here before dividing by them."""


def diffraction(frequency_cpmm: npt.ArrayLike, *, stop: float) -> Float64:
    """A perfect lens: (2/pi)(acos x - x sqrt(1 - x^2)), x = f lambda N (Wikipedia, "Optical transfer function")."""
    x = np.clip(np.asarray(frequency_cpmm, dtype=np.float64) * WAVELENGTH_MM * stop, 0.0, 1.0)
    return np.asarray(2.0 / math.pi * (np.arccos(x) - x * np.sqrt(1.0 - x * x)))


def lens(frequency_cpmm: npt.ArrayLike, *, mtf50_cpmm: float, stop: float) -> Float64:
    """A real lens: 2^-(f/f50)^1.5 with diffraction in f50 already, and never above diffraction at the stop."""
    f = np.asarray(frequency_cpmm, dtype=np.float64)
    return np.minimum(np.exp2(-((f / mtf50_cpmm) ** LENS_POWER)), diffraction(f, stop=stop))


def pixel(frequency_cpp: npt.ArrayLike) -> Float64:
    """A square pixel that is all aperture: |sinc(f)|, f in cycles per pixel."""
    return np.abs(np.sinc(np.asarray(frequency_cpp, dtype=np.float64)))


def disc(frequency: npt.ArrayLike, *, diameter: float) -> Float64:
    """A uniform disc (blur circle, dye cloud, round aperture): 2 J1(z)/z, z = pi f d; it has lobes below zero."""
    z = np.asarray(np.pi * diameter * np.asarray(frequency, dtype=np.float64))
    near = np.abs(z) < 1e-4
    safe = np.where(near, 1.0, z)
    return np.where(near, 1.0 - z * z / 8.0, 2.0 * j1(safe) / safe)


def gaussian(frequency: npt.ArrayLike, *, sigma: float) -> Float64:
    """A Gaussian spread: exp(-2 (pi sigma f)^2)."""
    f = np.asarray(frequency, dtype=np.float64)
    return np.exp(-2.0 * (math.pi * sigma * f) ** 2)


def scan(frequency_cpmm: npt.ArrayLike, *, mtf50_cpmm: float) -> Float64:
    """A film scanner, taken as Gaussian: 2^-(f/f50)^2; 1 everywhere for f50 = 0 (no scan). From memory, typical."""
    f = np.asarray(frequency_cpmm, dtype=np.float64)
    return np.ones_like(f) if mtf50_cpmm == 0.0 else np.exp2(-((f / mtf50_cpmm) ** 2))


def scan_mtf50(resolved_cpmm: float) -> float:
    """MTF50 of a scan that resolves just so much: a tenth of response there, 2^-(f/f50)^2 = 0.1."""
    return resolved_cpmm / math.sqrt(math.log2(10.0))


def emulsion(frequency_cpmm: npt.ArrayLike, *, mtf50_cpmm: float, power: float) -> Float64:
    """An emulsion: 1/(1 + (f/f50)^p); p = 2 is an exponential line spread (N. Koren, "Understanding MTF")."""
    f = np.asarray(frequency_cpmm, dtype=np.float64)
    return np.asarray(1.0 / (1.0 + (f / mtf50_cpmm) ** power))


def tabulated(frequency: npt.ArrayLike, *, rows: Sequence[tuple[float, float]]) -> Float64:
    """A measured response: straight lines between rows (frequency, response), held at both ends."""
    table = np.asarray(rows, dtype=np.float64)
    return np.interp(np.asarray(frequency, dtype=np.float64), table[:, 0], table[:, 1])


def frequency_at(response: npt.ArrayLike, frequency: npt.ArrayLike, *, level: float = 0.5) -> float | None:
    """The first frequency at which a response falls to ``level``, by a straight line; None if it never does."""
    r, f = np.asarray(response, dtype=np.float64), np.asarray(frequency, dtype=np.float64)
    below = np.flatnonzero(r <= level)
    if below.size == 0:
        return None
    i = int(below[0])
    if i == 0:
        return float(f[0])
    return float(f[i - 1] + (r[i - 1] - level) / (r[i - 1] - r[i]) * (f[i] - f[i - 1]))


def remaining(*, target: npt.ArrayLike, source: npt.ArrayLike) -> Float64:
    """What still has to be taken: min(1, target / source), so that source x remaining = min(source, target).

    Both fall with frequency, so their minimum does too; the quotient itself need not, and is left as it is.
    """
    t, s = np.asarray(target, dtype=np.float64), np.asarray(source, dtype=np.float64)
    return np.minimum(1.0, np.maximum(t, LOWEST_RESPONSE) / np.maximum(s, LOWEST_RESPONSE))


def kernel_of_spots(response: Float64, *, step_cpp: float, reach_px: int) -> Float64:
    """A kernel, (2 reach + 1, 2 reach + 1), that filters by a response and draws a point as film would: round.

    ``response`` is given at 0, step_cpp, 2 step_cpp ... in cycles per pixel, to at least 0.5. A kernel with just this
    response has taps below zero, and draws dark rings around lamps. Here it is a sum of round spots
    (1 - (r/R)^2)^2 of many radii R, none negative, so that it never rises outwards and fades to nothing at its reach;
    their weights come nearest to the response up to Nyquist, in all directions alike, by least squares (C. L. Lawson
    and R. J. Hanson, Solving Least Squares Problems, ch. 23). The sum is 1.
    """
    f = np.linspace(0.0, 0.5, FIT_CPP)
    wanted = np.interp(f, np.arange(len(response)) * step_cpp, response)
    place = np.arange(reach_px + 1, dtype=np.float64)
    twice = np.where(place > 0.0, 2.0, 1.0)
    radius = np.hypot(place[:, None], place)
    radii = float(reach_px) ** np.linspace(0.0, 1.0, SPOTS)
    spots = [np.maximum(0.0, 1.0 - (radius / largest) ** 2) ** 2 for largest in radii]
    spots = [spot / (twice @ spot @ twice) for spot in spots]
    rows = []
    for angle in DIRECTIONS_RAD:
        down, across = (
            twice * np.cos(2.0 * math.pi * part * f[:, None] * place) for part in (math.sin(angle), math.cos(angle))
        )
        rows.append(np.stack([((down @ spot) * across).sum(axis=1) for spot in spots], axis=1))
    weights, _ = nnls(np.concatenate(rows), np.tile(wanted, len(DIRECTIONS_RAD)), maxiter=100 * SPOTS)
    quadrant = np.tensordot(weights / weights.sum(), np.stack(spots), 1)
    half = np.concatenate([quadrant[:0:-1], quadrant])
    return np.asarray(np.concatenate([half[:, :0:-1], half], axis=1))
