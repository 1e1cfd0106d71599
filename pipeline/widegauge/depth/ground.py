"""Level ground under a camera, and what stands on it: planes, whose inverse depth is linear across the picture.

Camera axes: x to the right, y down, z ahead, in metres from the entrance pupil. A pixel's ray is (x', y', 1) with
x' = (x - width / 2) / focal_px. Level ground lies where up . P = -h, so along the axis 1/Z = -(up . ray) / h: linear
in x and y (plane and pinhole, worked by hand; a test holds it to a ray-plane intersection in angles). Any plane
n . P = n . Q through a point Q has 1/Z = (n . ray) / (n . Q). ``focal_px`` is the image distance behind the focal
reducer, in pixels.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from widegauge.frame import Float32

Point = tuple[float, float]
Triple = tuple[float, float, float]

EDGE_ON = 1e-9
"""A card that the lens sees from its edge has no inside."""


@dataclass(frozen=True, slots=True)
class Plane:
    """Inverse depth (1/m along the lens axis) over pixels: at_corner + across x + down y."""

    at_corner: float
    across: float
    down: float

    def at(self, point: Point) -> float:
        """1/Z at x, y in pixels; 0 and below: the plane is not met in front of the lens."""
        return self.at_corner + self.across * point[0] + self.down * point[1]

    def inverse_m(self, width_px: int, height_px: int) -> Float32:
        """(H, W) float32 of 1/Z at pixel centres, 0 where the plane is not met."""
        x = np.arange(width_px, dtype=np.float64) + 0.5
        y = np.arange(height_px, dtype=np.float64) + 0.5
        values = (self.at_corner + self.down * y)[:, None] + (self.across * x)[None, :]
        return np.maximum(values, 0.0).astype(np.float32)


@dataclass(frozen=True, slots=True)
class Stand:
    """A camera over level ground, as one frame shows it.

    width_px, height_px   of the frame
    focal_px              image distance in pixels
    horizon_px            the horizon's y at the frame's left and right edge (equal: not rolled)
    camera_height_m       of the lens above the ground
    """

    width_px: int
    height_px: int
    focal_px: float
    horizon_px: tuple[float, float]
    camera_height_m: float

    @property
    def up(self) -> Triple:
        """The unit vector that points up: at right angles to every ray of the horizon."""
        left, right = self.horizon_px
        slope = (right - left) / self.width_px
        level = ((left + right) / 2.0 - self.height_px / 2.0) / self.focal_px
        long = math.sqrt(slope * slope + 1.0 + level * level)
        return slope / long, -1.0 / long, level / long

    @property
    def tilt_deg(self) -> float:
        """Of the lens axis; below 0 looking down."""
        return math.degrees(math.asin(self.up[2]))

    def ray(self, point: Point) -> Triple:
        """The ray through x, y in pixels, one metre along the axis."""
        x = (point[0] - self.width_px / 2.0) / self.focal_px
        return x, (point[1] - self.height_px / 2.0) / self.focal_px, 1.0

    def horizon_at_px(self, x_px: float) -> float:
        """The horizon's y at x."""
        left, right = self.horizon_px
        return left + (right - left) * x_px / self.width_px

    def level(self, height_m: float = 0.0) -> Plane:
        """The ground, or whatever lies level so high above it (below 0: below it); not at the lens's own height."""
        return self._plane(self.up, -(self.camera_height_m - height_m))

    def upright(self, point: Point, inverse_m: float) -> Plane:
        """A card that stands upright and faces the camera, through what is seen at a point at 1/Z."""
        along = self.up[2]
        normal = (-along * self.up[0], -along * self.up[1], 1.0 - along * along)
        facing = _dot(normal, self.ray(point))
        if facing <= EDGE_ON or inverse_m <= 0.0:
            return self.facing(inverse_m)
        return self._plane(normal, facing / inverse_m)

    def facing(self, inverse_m: float) -> Plane:
        """A card at right angles to the lens axis: one Z."""
        return Plane(inverse_m, 0.0, 0.0)

    def wall(self, feet: tuple[Point, Point]) -> Plane | None:
        """What stands upright on the line between two points of the ground; None where it is seen edge on."""
        ground = self.level()
        if min(ground.at(foot) for foot in feet) <= 0.0:
            return None
        p, q = (np.asarray(self.ray(foot)) / ground.at(foot) for foot in feet)
        normal = np.cross(q - p, self.up)
        long = float(np.linalg.norm(normal))
        through = float(normal @ p) / long if long > EDGE_ON else 0.0
        if abs(through) <= EDGE_ON:
            return None
        x, y, z = (float(part) / long for part in normal)
        return self._plane((x, y, z), through)

    def _plane(self, normal: Triple, through: float) -> Plane:
        """The plane normal . P = through."""
        x, y, z = (part / through for part in normal)
        across, down = x / self.focal_px, y / self.focal_px
        return Plane(z - across * self.width_px / 2.0 - down * self.height_px / 2.0, across, down)


def horizon_of_tilt(*, tilt_deg: float, focal_px: float, height_px: int, width_px: int) -> tuple[float, float]:
    """The horizon's y for a camera that is not rolled: below 0 looks down, so that it rises in the picture."""
    y = height_px / 2.0 + focal_px * math.tan(math.radians(tilt_deg))
    return y, y


def horizon_through(points: tuple[Point, Point], width_px: int) -> tuple[float, float]:
    """The horizon's y at the left and right edge, through two points in pixels that differ in x."""
    (x0, y0), (x1, y1) = points
    slope = (y1 - y0) / (x1 - x0)
    return y0 - slope * x0, y0 + slope * (width_px - x0)


def laid(inverse_m: Float32, cards: list[tuple[np.ndarray[tuple[int, int], np.dtype[np.bool_]], Plane]]) -> Float32:
    """Depth in metres: cards over a background of 1/Z, hard edges; the nearest card wins where several overlap."""
    height, width = inverse_m.shape
    nearest = np.full_like(inverse_m, -1.0)
    for inside, plane in cards:
        np.maximum(nearest, plane.inverse_m(width, height), out=nearest, where=inside)
    whole = np.where(nearest >= 0.0, nearest, inverse_m)
    with np.errstate(divide="ignore"):
        return np.asarray(np.float32(1.0) / whole, dtype=np.float32)


def _dot(a: Triple, b: Triple) -> float:
    return a[0] * b[0] + a[1] * b[1] + a[2] * b[2]
