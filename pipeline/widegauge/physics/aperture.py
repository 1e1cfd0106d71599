"""Shapes of the pupil: a round or bladed iris of the unit disc's area, and what the barrel hides of it off the axis.

Lengths are in radii of the disc that has the iris's area (design: blur is described by the equal-area disc).
Sources: area and second moment of a regular polygon (I. N. Bronshtein and K. A. Semendyayev, "Handbook of
Mathematics", plane figures); overlap of two discs (E. W. Weisstein, "Circle-Circle Intersection", MathWorld,
eq. 14 with r = R).
"""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
import numpy.typing as npt

Float64 = npt.NDArray[np.float64]


def corner_radius(blades: int) -> float:
    """Distance of a regular polygon's corners from its middle when its area is that of the unit disc: pi."""
    return math.sqrt(2.0 * math.pi / (blades * math.sin(2.0 * math.pi / blades)))


def axis_variance(blades: int) -> float:
    """Second moment of the iris about its middle along any axis: R^2 (2 + cos a) / 12, and 1/4 for a disc."""
    if blades == 0:
        return 0.25
    return corner_radius(blades) ** 2 * (2.0 + math.cos(2.0 * math.pi / blades)) / 12.0


def iris_corners(*, blades: int, rotation_deg: float) -> Float64:
    """Corners (blades, 2) of the iris as x (right) and y (down), area pi.

    At ``rotation_deg`` 0 one corner points up; above 0 it turns clockwise. This is the shape that a point behind
    focus takes in the finished picture; in front of focus it is turned by 180 degrees.
    """
    angle = math.radians(rotation_deg) + 2.0 * math.pi * np.arange(blades) / blades
    return corner_radius(blades) * np.stack([np.sin(angle), -np.cos(angle)], axis=1)


def round_chords(heights: Float64) -> tuple[Float64, Float64]:
    """Left and right end of the unit disc's chord at each height; equal ends where it does not reach."""
    half = np.sqrt(np.maximum(1.0 - heights * heights, 0.0))
    return -half, half


def iris_chords(*, blades: int, rotation_deg: float) -> Callable[[Float64], tuple[Float64, Float64]]:
    """The function from heights (y down) to the left and right ends of the iris's chords; ``blades`` 0 is round."""
    if blades == 0:
        return round_chords
    corners = iris_corners(blades=blades, rotation_deg=rotation_deg)

    def chords(heights: Float64) -> tuple[Float64, Float64]:
        left, right = np.full(heights.shape, np.inf), np.full(heights.shape, -np.inf)
        for (x0, y0), (x1, y1) in zip(corners, np.roll(corners, -1, axis=0), strict=True):
            if y0 == y1:
                continue
            t = (heights - y0) / (y1 - y0)
            x = np.where((t >= 0.0) & (t <= 1.0), x0 + t * (x1 - x0), np.nan)
            left, right = np.fmin(left, x), np.fmax(right, x)
        empty = ~(right >= left)
        left[empty] = right[empty] = 0.0
        return left, right

    return chords


def overlap_frac(shift: float) -> float:
    """Share of a unit disc that a second one covers whose middle lies ``shift`` radii away."""
    if shift >= 2.0:
        return 0.0
    half = shift / 2.0
    return 2.0 * (math.acos(half) - half * math.sqrt(1.0 - half * half)) / math.pi


def barrel_shift(hidden_frac: float) -> float:
    """How far, in pupil radii, the barrel's rim must stand off so that it hides that share of the pupil's area."""
    low, high = 0.0, 2.0
    for _ in range(60):
        middle = (low + high) / 2.0
        low, high = (middle, high) if 1.0 - overlap_frac(middle) < hidden_frac else (low, middle)
    return (low + high) / 2.0
