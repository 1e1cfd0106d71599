"""A stock: characteristic curve, granularity, MTF and base of an emulsion."""

from __future__ import annotations

from dataclasses import dataclass

Triple = tuple[float, float, float]


@dataclass(frozen=True, slots=True)
class Stock:
    """An emulsion in numbers; R, G, B in this order wherever there are three.

    title                  for people
    log_exposure           rising, log10 relative to the exposure that gives grey_density
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
    halation_return_frac   share of the light that comes back from the base, by record
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
