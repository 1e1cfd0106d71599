"""Halation: the ring around a lamp, its radius, and the share of the light that came back in it.

Light that meets the base's far face beyond the critical angle comes back at r0 and farther out; inside r0 little
does (Lambert's and Fresnel's laws: ``physics.base.returned_light``). That law, seen from every part of the lamp's own
image, a level inside r0 (other glare) and the background are fitted to the light of rings around the lamp; r0 is where
the fit is best.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from widegauge.measure.blur import lamp_moment
from widegauge.measure.doubt import halo_doubts
from widegauge.measure.lamp import Lamp, Profile, find_lamp, radial_profile
from widegauge.measure.refusal import RefusalError
from widegauge.measure.spread import luminance
from widegauge.physics import base

Float64 = npt.NDArray[np.float64]

CHANNELS = ("R", "G", "B", "Y")
ACETATE_INDEX = 1.48
"""Refractive index of the base where nothing is stated: cellulose triacetate (from memory, typical)."""

NEAREST_REACH = 2.5
"""The picture must show so many ring radii around the lamp."""

SUREST_RISE = 5.0
"""A ring is there when light rises at r0 by so many times its standard error,"""

LOWEST_RISE = 0.3
"""and by at least this share of the law's own brightness there."""

SLOWEST_FALL = 0.8
"""The lamp's own image ends where light no longer falls to this share within 1.5 pixels."""

MODEL_ERROR = 0.02
"""Relative error that the law itself is allowed, so that its far slope does not outweigh its edge."""

STEP_PX = 0.5
_LAMP_RINGS, _LAMP_TURNS = 16, 12
_COARSE = 0.03
"""First candidates for r0 stand this share apart, then around the best a quarter pixel."""


@dataclass(frozen=True, slots=True)
class Ring:
    """One channel.

    radius_px, radius_error_px   the ring's inner edge; None when this channel alone does not show it
    returned_frac                share of all the lamp's light that came back, inside the ring and beyond it
    returned_error               standard error of that from noise
    background                   light of the surroundings
    """

    name: str
    radius_px: float | None
    radius_error_px: float | None
    returned_frac: float
    returned_error: float
    background: float


@dataclass(frozen=True, slots=True)
class HalationFound:
    """What surrounds a lamp.

    radius_px, radius_error_px   from the channel that shows the ring best
    rings                        of R, G, B and luminance, at that radius
    profile, fitted              light of rings around the lamp, channels in that order: found (with the lamp's own
                                 image), and the fit (C, N), not a number inside the lamp's image
    doubts                       what makes the numbers less sure, a sentence each
    """

    lamp: Lamp
    reach_px: float
    radius_px: float
    radius_error_px: float
    rings: tuple[Ring, ...]
    profile: Profile
    fitted: Float64
    doubts: tuple[str, ...] = ()


def measure_halation(
    rgb: npt.NDArray[np.floating],
    *,
    at: tuple[int, int] | None = None,
    reach_px: float = 160.0,
    index: float = ACETATE_INDEX,
) -> HalationFound:
    """The ring around a lamp.

    rgb        (H, W, 3) scene-linear light
    at         x, y of a pixel near the lamp; the brightest without it
    reach_px   how far around the lamp to look; less where the border is nearer
    index      of the base, which shapes the ring's outer slope

    RefusalError when there is no lamp, no ring, or the border is too near.
    """
    lamp = find_lamp(rgb, at=at)
    reach = min(reach_px, math.floor(lamp.border_px))
    planes = np.concatenate([np.moveaxis(rgb.astype(np.float64), 2, 0), luminance(rgb)[None]])
    profile = radial_profile(planes, x_px=lamp.x_px, y_px=lamp.y_px, reach_px=reach, step_px=STEP_PX)
    start = _lamp_ends(profile, lamp)
    nearest, farthest = profile.radius_px[start] + 1.0, reach / NEAREST_REACH
    if farthest < nearest + 4.0:
        raise RefusalError(
            f"the lamp fills {profile.radius_px[start]:.0f} pixels around its middle and only {reach:.0f} are in sight",
            "choose a smaller lamp, or one farther from the border, with --at",
        )
    parts = _lamp_parts(profile, start)
    coarse = np.geomspace(nearest, farthest, max(8, math.ceil(math.log(farthest / nearest) / _COARSE)))
    surest, _ = max(
        ((c, fit) for r0 in coarse for c, fit in enumerate(_fits(profile, start, parts, float(r0), index)[:3])),
        key=lambda each: each[1].sureness,
    )
    misfits = [_fits(profile, start, parts, float(r0), index)[surest].misfit for r0 in coarse]
    middle = float(coarse[int(np.argmin(misfits))])
    fine = np.arange(max(nearest, middle * (1.0 - 1.5 * _COARSE)), middle * (1.0 + 1.5 * _COARSE) + 1.0, STEP_PX / 2.0)
    fits = [_fits(profile, start, parts, float(r0), index) for r0 in fine]
    radii: list[tuple[float, float] | tuple[None, None]] = []
    for c in range(len(CHANNELS)):
        best = int(np.argmin([fit[c].misfit for fit in fits]))
        shown = _shows(fits[best][c], float(fine[best]), index)
        radii.append(_refined(fine, [fit[c].misfit for fit in fits], best) if shown else (None, None))
    radius, error = radii[surest]
    if radius is None or error is None:
        raise _no_ring()
    final = _design(profile, start, parts, radius, index)
    rings, fitted = [], []
    for c, name in enumerate(CHANNELS):
        fit = _fit(profile, start, c, final)
        rings.append(_ring(name, radii[c], fit, profile, start, c, radius, index))
        fitted.append(np.concatenate([np.full(start, np.nan), final @ fit.weights]))
    if rings[surest].returned_frac < SUREST_RISE * rings[surest].returned_error:
        raise _no_ring()
    moment = lamp_moment(planes[-1], lamp)
    misfit = _fit(profile, start, surest, final).misfit / max(1, profile.radius_px.size - start - final.shape[1])
    doubts = halo_doubts(
        planes[-1],
        lamp,
        reach_px=reach,
        elongation=1.0 if moment is None else moment[2],
        returned_frac=rings[surest].returned_frac,
        misfit=misfit,
    )
    return HalationFound(lamp, reach, radius, error, tuple(rings), profile, np.stack(fitted), doubts)


def _no_ring() -> RefusalError:
    return RefusalError(
        "there is no ring around the lamp that stands out of the noise",
        "choose a brighter lamp on a darker ground with --at, or the mean of several frames",
    )


@dataclass(frozen=True, slots=True)
class _Fit:
    """Background, inner level and law's strength; their covariance; weighted squares left; strength over its error."""

    weights: Float64
    covariance: Float64
    misfit: float
    sureness: float


def _lamp_ends(profile: Profile, lamp: Lamp) -> int:
    """The first ring beyond the lamp's own image, in all channels together."""
    light = np.convolve(np.pad(profile.light[3], 1, mode="edge"), np.ones(3) / 3.0, mode="valid")
    outside = np.flatnonzero(profile.radius_px > lamp.radius_px + 1.0)
    above = light - light[outside].min(initial=light[-1])
    steps = round(1.5 / STEP_PX)
    for i in outside:
        if i + steps >= above.size or above[i + steps] >= SLOWEST_FALL * above[i]:
            return int(i)
    return light.size - 1


def _lamp_parts(profile: Profile, start: int) -> tuple[Float64, Float64]:
    """Distances from the middle of equal shares of the lamp's light (luminance), and their weights."""
    light = np.maximum(0.0, profile.light[3][:start] - profile.light[3][start]) * profile.pixels[:start]
    groups = np.array_split(np.arange(start), min(start, _LAMP_RINGS))
    weights = np.array([light[group].sum() for group in groups])
    middles = np.array(
        [np.average(profile.radius_px[group], weights=np.maximum(light[group], 1e-30)) for group in groups]
    )
    return middles, weights / weights.sum()


def _law(radius: Float64, r0: float, index: float) -> Float64:
    """The share of a diffuse source's light that comes back, for each square pixel at a distance."""
    thickness = 0.5 * r0 * math.sqrt(index * index - 1.0)
    return base.returned_light(radius, thickness_mm=thickness, index=index)


def _law_total(r0: float, index: float) -> float:
    """All of it: the integral of the law over the plane, what lies beyond r0 in closed form."""
    edges = np.linspace(0.0, r0, 801)
    middle = 0.5 * (edges[1:] + edges[:-1])
    inside = float((_law(middle, r0, index) * math.pi * (edges[1:] ** 2 - edges[:-1] ** 2)).sum())
    return inside + base.total_reflection_frac(index)


def _design(profile: Profile, start: int, parts: tuple[Float64, Float64], r0: float, index: float) -> Float64:
    """(N, 3): background, level inside r0, and the law, each seen from every part of the lamp."""
    r = profile.radius_px[start:, None, None]
    turn = (np.arange(_LAMP_TURNS) + 0.5) * math.pi / _LAMP_TURNS
    part = parts[0][None, :, None]
    distance = np.sqrt(np.maximum(0.0, r * r + part * part - 2.0 * r * part * np.cos(turn)))
    law = _law(distance, r0, index).mean(axis=2) @ parts[1]
    inner = (distance < r0).mean(axis=2) @ parts[1]
    return np.stack([np.ones_like(law), inner, law], axis=1)


def _fit(profile: Profile, start: int, channel: int, design: Float64) -> _Fit:
    light, error = profile.light[channel][start:], profile.error[channel][start:]
    above = light - light.min()
    sigma = np.sqrt(
        error**2 + (MODEL_ERROR * above) ** 2 + (0.5 * MODEL_ERROR * max(float(np.quantile(above, 0.9)), 1e-12)) ** 2
    )
    scaled = design / sigma[:, None]
    covariance = np.linalg.pinv(scaled.T @ scaled)
    weights = covariance @ (scaled.T @ (light / sigma))
    left = (light - design @ weights) / sigma
    return _Fit(
        weights, covariance, float(left @ left), float(weights[2] / math.sqrt(max(float(covariance[2, 2]), 1e-300)))
    )


def _fits(profile: Profile, start: int, parts: tuple[Float64, Float64], r0: float, index: float) -> list[_Fit]:
    """The fit of every channel with the ring at r0."""
    design = _design(profile, start, parts, r0, index)
    return [_fit(profile, start, c, design) for c in range(len(CHANNELS))]


def _shows(fit: _Fit, r0: float, index: float) -> bool:
    law = float(fit.weights[2])
    by = np.array([0.0, -1.0, float(_law(np.array([1.0001 * r0]), r0, index)[0])])
    rise = float(by @ fit.weights)
    error = math.sqrt(max(0.0, float(by @ fit.covariance @ by)))
    return bool(law > 0.0 and rise > SUREST_RISE * error and rise > LOWEST_RISE * by[2] * law)


def _refined(candidates: Float64, misfits: list[float], best: int) -> tuple[float, float]:
    """The lowest point of the misfit by a parabola through three candidates, and where it has risen by 1."""
    step = float(candidates[1] - candidates[0])
    if best in (0, len(misfits) - 1):
        return float(candidates[best]), step
    before, here, after = misfits[best - 1], misfits[best], misfits[best + 1]
    bend = before - 2.0 * here + after
    if bend <= 0.0:
        return float(candidates[best]), step
    return float(candidates[best] + 0.5 * step * (before - after) / bend), step * math.sqrt(2.0 / bend)


def _ring(
    name: str,
    own: tuple[float, float] | tuple[None, None],
    fit: _Fit,
    profile: Profile,
    start: int,
    channel: int,
    r0: float,
    index: float,
) -> Ring:
    background, inner, law = fit.weights
    by = np.array([0.0, math.pi * r0 * r0, _law_total(r0, index)])
    returned = float(by @ fit.weights)
    seen = inner + law * float(_law(np.zeros(1), r0, index)[0])
    own_light = float(((profile.light[channel] - background - seen) * profile.pixels)[:start].sum())
    error = math.sqrt(max(0.0, float(by @ fit.covariance @ by)))
    total = max(own_light + returned, 1e-30)
    return Ring(name, own[0], own[1], returned / total, error / total, float(background))
