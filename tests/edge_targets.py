"""Slanted edges whose light is known in closed form or by quadrature, and a second way to measure one."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import make_lsq_spline
from scipy.special import ndtr

Array = NDArray[np.float64]
Profile = Callable[[Array], Array]

DARK, BRIGHT = 0.1, 0.9
_SUB = 8


def distances(
    height: int, width: int, angle_deg: float, *, sub: int = 1, at: tuple[float, float] = (0.13, 0.27)
) -> Array:
    """Distance of every sample from an edge at an angle to the vertical, through the middle and a bit aside."""
    inside = (np.arange(sub) + 0.5) / sub - 0.5
    y = (np.arange(height)[:, None] + inside).ravel()[:, None] - (height - 1) / 2.0 - at[1]
    x = (np.arange(width)[:, None] + inside).ravel()[None, :] - (width - 1) / 2.0 - at[0]
    turn = np.radians(angle_deg)
    return x * np.cos(turn) - y * np.sin(turn)


def edge(
    height: int, width: int, angle_deg: float, profile: Profile, *, contrast: tuple[float, float] = (DARK, BRIGHT)
) -> Array:
    """(H, W, 3): a step from 0 to 1 through square pixels, each the mean of 8 x 8 points."""
    step = profile(distances(height, width, angle_deg, sub=_SUB))
    step = step.reshape(height, _SUB, width, _SUB).mean(axis=(1, 3))
    grey = contrast[0] + (contrast[1] - contrast[0]) * step
    return np.repeat(grey[..., None], 3, axis=2)


def box(frequency: Array, angle_deg: float) -> Array:
    """A square pixel's response along the normal of an edge at this angle."""
    turn = np.radians(angle_deg)
    return np.abs(np.sinc(frequency * np.cos(turn)) * np.sinc(frequency * np.sin(turn)))


def gaussian(sigma_px: float) -> Profile:
    return lambda d: ndtr(d / sigma_px)


def sharp(d: Array) -> Array:
    return np.where(d > 0.0, 1.0, np.where(d < 0.0, 0.0, 0.5))


def disc(radius_px: float) -> Profile:
    """The share of a disc on one side of a chord: 1/2 + (u sqrt(1 - u^2) + asin u) / pi."""

    def profile(d: Array) -> Array:
        u = np.clip(d / radius_px, -1.0, 1.0)
        return 0.5 + (u * np.sqrt(1.0 - u * u) + np.arcsin(u)) / np.pi

    return profile


def of_response(response: Callable[[Array], Array], *, cutoff_cpp: float, reach_px: float) -> Profile:
    """The step that a response leaves: 1/2 + (1/pi) int M(f) sin(2 pi f d)/f df, by 3000 midpoints, tabulated."""
    step = cutoff_cpp / 3000.0
    f = step * (np.arange(3000) + 0.5)
    d = np.linspace(-reach_px, reach_px, int(reach_px * 32) + 1)
    table = 0.5 + (np.sin(2.0 * np.pi * np.outer(d, f)) / f) @ (step * response(f)) / np.pi
    return lambda x: np.interp(x, d, table)


def spline_response(plane: Array, angle_deg: float, frequency: Array, *, half_px: float = 20.0) -> Array:
    """The response of an edge whose angle is known, without bins: a cubic least-squares spline, its exact derivative.

    Written for these tests, after none of the instrument's steps: knots every 0.4 pixels through all pixels' light,
    derivative of the spline, its Fourier integral under a window that is flat in the middle.
    """
    d = distances(*plane.shape, angle_deg).ravel()
    order = np.argsort(d)
    d, light = d[order], plane.ravel()[order]
    keep = np.abs(d) < half_px + 2.0
    knots = np.arange(-half_px - 1.6, half_px + 1.6, 0.4)
    ends = (np.full(4, d[keep][0]), np.full(4, d[keep][-1]))
    spline = make_lsq_spline(d[keep], light[keep], np.r_[ends[0], knots, ends[1]], 3)
    x = np.linspace(-half_px, half_px, 4001)
    slope = spline.derivative()(x)
    slope = slope * np.clip(2.0 * (1.0 - np.abs(x) / half_px), 0.0, 1.0)
    wave = np.exp(-2j * np.pi * frequency[:, None] * x[None, :])
    return np.abs(wave @ slope) / slope.sum()
