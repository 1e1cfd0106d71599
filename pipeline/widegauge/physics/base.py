"""Halation: light that crosses the film base, comes back from its far face, and lies as a ring around a lamp.

Lengths in millimetres. Light scattered in the emulsion is taken as a diffuse (Lambertian) source on the base;
what comes back looks like that source at twice the thickness, weighed by the far face's reflection: about 4 %
inside the critical angle, all of it beyond. Sources: the textbook halo exercise (University Physics, 13th ed.,
ch. 33 no. 47) for the ring; Fresnel's equations for unpolarised light; C. E. K. Mees and T. H. James, The
Theory of the Photographic Process (halation as a spread on the image plane).
"""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt

Float64 = npt.NDArray[np.float64]


def critical_angle_rad(index: float) -> float:
    """theta_c = asin(1/n), against air."""
    return math.asin(1.0 / index)


def ring_radius_mm(*, thickness_mm: float, index: float) -> float:
    """Inner edge of the ring: r0 = 2 t tan theta_c = 2 t / sqrt(n^2 - 1)."""
    return 2.0 * thickness_mm / math.sqrt(index * index - 1.0)


def index_from_ring(*, thickness_mm: float, radius_mm: float) -> float:
    """The textbook exercise: the index from a halo's radius, n = 1 / sin(atan(R / 2t))."""
    return 1.0 / math.sin(math.atan(radius_mm / (2.0 * thickness_mm)))


def total_reflection_frac(index: float) -> float:
    """Share of a diffuse source that is totally reflected: cos^2 theta_c = 1 - 1/n^2."""
    return 1.0 - 1.0 / (index * index)


def reflectance(tangent: npt.ArrayLike, *, index: float) -> Float64:
    """Fresnel reflectance inside the base for unpolarised light at tan(theta); 1 beyond the critical angle."""
    t = np.asarray(tangent, dtype=np.float64)
    cos_in = 1.0 / np.sqrt(1.0 + t * t)
    sin_out = index * t * cos_in
    cos_out = np.sqrt(np.maximum(0.0, 1.0 - sin_out * sin_out))
    across = ((index * cos_in - cos_out) / (index * cos_in + cos_out)) ** 2
    along = ((cos_in - index * cos_out) / (cos_in + index * cos_out)) ** 2
    return np.where(sin_out >= 1.0, 1.0, 0.5 * (across + along))


def returned_light(radius_mm: npt.ArrayLike, *, thickness_mm: float, index: float) -> Float64:
    """Density of returned light per mm^2 for one unit of diffuse light: R(theta) (2t)^2 / (pi ((2t)^2 + r^2)^2)."""
    r = np.asarray(radius_mm, dtype=np.float64)
    depth = 2.0 * thickness_mm
    lambertian = depth * depth / (math.pi * (depth * depth + r * r) ** 2)
    return np.asarray(reflectance(r / depth, index=index) * lambertian)


def share_within(radius_mm: npt.ArrayLike, *, thickness_mm: float, index: float) -> Float64:
    """Share of the totally reflected light that falls within a radius of at least r0: closed form of the integral."""
    r = np.asarray(radius_mm, dtype=np.float64)
    depth = 2.0 * thickness_mm
    beyond = depth * depth / (depth * depth + r * r)
    return np.asarray(1.0 - beyond / total_reflection_frac(index))


def radius_of_share_mm(share_frac: float, *, thickness_mm: float, index: float) -> float:
    """Radius within which a share of the totally reflected light falls: the inverse of ``share_within``."""
    depth = 2.0 * thickness_mm
    return depth * math.sqrt(1.0 / ((1.0 - share_frac) * total_reflection_frac(index)) - 1.0)


def pixel_kernel(*, px_per_mm: float, thickness_mm: float, index: float, reach_px: int, samples: int = 16) -> Float64:
    """Returned light on pixels around a lit one, for one unit of totally reflected light: (2 reach + 1)^2.

    Each pixel holds the mean of samples x samples points (a single one beyond twice the ring, where the light falls
    smoothly). Light beyond a circle of ``reach_px`` is left out, so that the sum is a little below 1 plus the few per
    cent that come back inside the ring.
    """
    side = np.arange(reach_px + 1, dtype=np.float64)

    def light(y: Float64, x: Float64) -> Float64:
        return returned_light(np.hypot(y, x) / px_per_mm, thickness_mm=thickness_mm, index=index)

    quadrant = light(side[:, None], side[None, :])
    near = min(reach_px + 1, math.ceil(2.0 * ring_radius_mm(thickness_mm=thickness_mm, index=index) * px_per_mm) + 2)
    offsets = (np.arange(samples) + 0.5) / samples - 0.5
    quadrant[:near, :near] = np.mean(
        [light(side[:near, None] + dy, side[None, :near] + dx) for dy in offsets for dx in offsets], axis=0
    )
    quadrant[np.hypot(side[:, None], side[None, :]) > reach_px + 0.5] = 0.0
    half = np.concatenate([quadrant[:0:-1], quadrant])
    full = np.concatenate([half[:, :0:-1], half], axis=1)
    return np.asarray(full / (px_per_mm**2 * total_reflection_frac(index)))
