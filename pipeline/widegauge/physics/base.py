"""Halation: light that crosses the film base, comes back from its far face, and lies as a ring around a lamp.

Lengths in millimetres. Light scattered in the emulsion is taken as a diffuse (Lambertian) source on the base;
what comes back looks like that source at twice the thickness, weighed by the far face's reflection: about 4 %
inside the critical angle, all of it beyond. It is reflected at the front too, and comes back again: order m has m
times the thickness to cross, and m reflections. Sources: the textbook halo exercise (University Physics, 13th ed.,
ch. 33 no. 47) for the ring; Fresnel's equations for unpolarised light; C. E. K. Mees and T. H. James, The
Theory of the Photographic Process (halation as a spread on the image plane).
"""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt
from scipy.special import k1

Float64 = npt.NDArray[np.float64]

MOST_CROSSING = 0.9


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


def returned_light(radius_mm: npt.ArrayLike, *, thickness_mm: float, index: float, order: int = 1) -> Float64:
    """Density of an order's light per mm^2 for one unit of diffuse light: R^m (2tm)^2 / (pi ((2tm)^2 + r^2)^2)."""
    r = np.asarray(radius_mm, dtype=np.float64)
    depth = 2.0 * thickness_mm * order
    return np.asarray(reflectance(r / depth, index=index) ** order * _diffuse(r, depth))


def crossing_frac(returned_frac: float, *, index: float) -> float:
    """What each order of reflection has of the light of the one before: q = r / H, H = 1 - 1/n^2.

    A share q of the light is left when it has been scattered into the base and has crossed the backing, and H of that
    is reflected: the first order returns r = q H. Later orders cross emulsion and backing again, and are taken to lose
    as much each time as the first did (an assumption: no source); they return q r, q^2 r ..., in all r / (1 - q).
    At most 0.9: no emulsion is clear.
    """
    return min(MOST_CROSSING, returned_frac / total_reflection_frac(index))


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


def veil_response(frequency_cpmm: npt.ArrayLike, *, thickness_mm: float) -> Float64:
    """Response of the diffuse source seen at twice the thickness, were all of it reflected: z K1(z), z = 4 pi t f.

    The Hankel transform of (2t)^2 / (pi ((2t)^2 + r^2)^2) (I. S. Gradshteyn and I. M. Ryzhik, Table of Integrals,
    6.565.4); it falls below 1e-4 beyond z = 12.
    """
    z = np.asarray(4.0 * math.pi * thickness_mm * np.asarray(frequency_cpmm, dtype=np.float64))
    safe = np.maximum(z, 1e-9)
    return np.where(z < 1e-6, 1.0, safe * k1(safe))


def hole_kernel(*, px_per_mm: float, thickness_mm: float, index: float, order: int = 1, samples: int = 16) -> Float64:
    """What an order loses inside its ring, (1 - R^m) x the diffuse source, as the mean over each pixel.

    Light that returns is the veil less this hole. Odd side; the sum is what escapes: 1/n^2 less a few per cent.
    """
    geometry = {"thickness_mm": thickness_mm, "index": index}
    depth = 2.0 * thickness_mm * order
    reach = math.ceil(order * ring_radius_mm(**geometry) * px_per_mm + 0.5)
    side = np.arange(reach + 1, dtype=np.float64)
    offsets = (np.arange(samples) + 0.5) / samples - 0.5
    quadrant = np.zeros((reach + 1, reach + 1))
    for dy in offsets:
        for dx in offsets:
            r = np.hypot(side[:, None] + dy, side[None, :] + dx) / px_per_mm
            quadrant += _diffuse(r, depth) - returned_light(r, **geometry, order=order)
    quadrant /= samples * samples * px_per_mm * px_per_mm
    half = np.concatenate([quadrant[:0:-1], quadrant])
    return np.asarray(np.concatenate([half[:, :0:-1], half], axis=1))


def _diffuse(radius_mm: Float64, depth_mm: float) -> Float64:
    """A diffuse (Lambertian) point seen through a depth: d^2 / (pi (d^2 + r^2)^2), of sum 1 per mm^2."""
    return np.asarray(depth_mm * depth_mm / (math.pi * (depth_mm * depth_mm + radius_mm * radius_mm) ** 2))
