"""A stock: characteristic curve, granularity, MTF and base of an emulsion.

Sources: ISO 5-3 and ISO 5800 (density against log10 exposure); J. C. Dainty and R. Shaw, Image Science (1974)
(noise in exposure = noise in density over the curve's slope). What a given stock's numbers rest on stands in its
``sources``.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Float64 = npt.NDArray[np.float64]
Triple = tuple[float, float, float]

MID_GREY_LINEAR = 0.18
"""Scene-linear light of a mid-grey card (18 % reflectance; common practice)."""

LOG10_PER_STOP = math.log10(2.0)


@dataclass(frozen=True, slots=True)
class Stock:
    """An emulsion in numbers; R, G, B in this order wherever there are three.

    title                  for people
    log_exposure           rising, log10 relative to the exposure that gives grey_density; the first is where the
                           toe begins: at and below it the density is base and fog
    density                rows (R, G, B) of density above nothing (base and fog included), one for each log_exposure
    gamma                  slope of the straight-line part, density per log10 exposure
    grey_density           density of mid-grey at normal exposure
    granularity_density    rising densities at which granularity is given, above base and fog (density[0])
    granularity            rows (R, G, B) of 1000 x sigma_D through a 48 um circle, one for each granularity_density
    dye_cloud_um           diameter of a dye cloud
    coupling               share of the noise of each record that comes from the two others (R, G, B)
    mtf50_cpmm             spatial frequency at half response
    mtf_power              p of M(f) = 1 / (1 + (f / f50)^p)
    base                   "acetate" or "polyester"
    base_thickness_mm
    base_index             refractive index
    halation_return_frac   share of the light that comes back from the base in the first ring and beyond it, by record
    sources                for each of the names above, where its numbers come from
    """

    title: str
    log_exposure: tuple[float, ...]
    density: tuple[Triple, ...]
    gamma: Triple
    grey_density: Triple
    granularity_density: tuple[float, ...]
    granularity: tuple[Triple, ...]
    dye_cloud_um: float
    coupling: Triple
    mtf50_cpmm: Triple
    mtf_power: float
    base: str
    base_thickness_mm: float
    base_index: float
    halation_return_frac: Triple
    sources: dict[str, str]


def log_exposure(linear: npt.ArrayLike, *, footage_stops: float = 0.0, negative_stops: float = 0.0) -> Float64:
    """log10 exposure relative to mid-grey's, of scene-linear light above 0.

    ``footage_stops`` is the gain that brings mid-grey to 0.18; ``negative_stops`` over-exposes the negative.
    """
    grey = np.log10(np.asarray(linear, dtype=np.float64) / MID_GREY_LINEAR)
    return np.asarray(grey + (footage_stops + negative_stops) * LOG10_PER_STOP)


def toe_linear(stock: Stock, *, footage_stops: float = 0.0, negative_stops: float = 0.0) -> float:
    """Scene-linear light at which the stock's toe begins: the inverse of ``log_exposure`` at its first row."""
    stops = footage_stops + negative_stops
    return float(MID_GREY_LINEAR * 10.0 ** (stock.log_exposure[0] - stops * LOG10_PER_STOP))


def density(stock: Stock, log10_exposure: npt.ArrayLike) -> Float64:
    """Density of the three records at log exposures (N): (3, N), straight lines between rows, held at both ends."""
    x = np.asarray(log10_exposure, dtype=np.float64)
    rows = np.asarray(stock.density, dtype=np.float64)
    return np.stack([np.interp(x, stock.log_exposure, rows[:, c]) for c in range(3)])


def granularity(stock: Stock, log10_exposure: npt.ArrayLike) -> Float64:
    """1000 sigma_D through 48 um of the three records at log exposures (N): (3, N), looked up by density."""
    above = density(stock, log10_exposure) - np.asarray(stock.density[0], dtype=np.float64)[:, None]
    rows = np.asarray(stock.granularity, dtype=np.float64)
    return np.stack([np.interp(above[c], stock.granularity_density, rows[:, c]) for c in range(3)])


def exposure_noise(stock: Stock, log10_exposure: npt.ArrayLike) -> Float64:
    """Natural-log exposure noise read through 48 um, a = sigma_D ln 10 / gamma: (3, N) for log exposures (N)."""
    sigma = granularity(stock, log10_exposure) / 1000.0
    return np.asarray(sigma * math.log(10.0) / np.asarray(stock.gamma, dtype=np.float64)[:, None])


def coupling_matrix(stock: Stock) -> Float64:
    """(3, 3): each record's noise from three independent ones, rows of unit energy, the coupled share split evenly."""
    share = np.asarray(stock.coupling, dtype=np.float64)[:, None]
    own = np.eye(3)
    return np.asarray(own * np.sqrt(1.0 - share) + (1.0 - own) * np.sqrt(share / 2.0))
