"""Where an edge of the frame meets level ground: a ray from the lens and a plane below it.

Plane trigonometry. The picture lies at the image distance behind the pupil, which grows a little as focus comes
nearer. Tilt is in degrees, below 0 looking down. Offsets on the picture are millimetres below the lens axis, as seen
in the finished picture.
"""

from __future__ import annotations

import math


def below_horizon_deg(*, below_axis_mm: float, image_mm: float, tilt_deg: float) -> float:
    """Angle below the horizon of the ray that lands ``below_axis_mm`` under the picture's axis; below 0: above it."""
    return math.degrees(math.atan2(below_axis_mm, image_mm)) - tilt_deg


def ground_distance_m(*, camera_height_m: float, below_horizon_deg: float) -> float:
    """Horizontal distance from under the lens to where the ray meets the ground; infinity where it never does.

    A ray steeper than straight down meets it behind the camera: the distance is below 0.
    """
    if below_horizon_deg <= 0.0:
        return math.inf
    return camera_height_m / math.tan(math.radians(below_horizon_deg))


def axis_distance_m(*, camera_height_m: float, ground_m: float, tilt_deg: float) -> float:
    """Distance along the lens axis to a point of the ground: d cos(tilt) - h sin(tilt)."""
    if math.isinf(ground_m):
        return math.inf
    tilt = math.radians(tilt_deg)
    return ground_m * math.cos(tilt) - camera_height_m * math.sin(tilt)
