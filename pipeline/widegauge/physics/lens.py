"""The thin lens: pupil, image distance, blur, depth of field, and the two sides that share one view.

Distances are in metres from the entrance pupil along the lens axis, lengths on the picture in millimetres.
Sources: M. Potmesil and I. Chakravarty, "A lens and aperture camera model for synthetic image generation",
SIGGRAPH 1981 (blur circle); Wikipedia, "Hyperfocal distance" and "Depth of field" (limits); Wikipedia,
"Image sensor format" (equivalence); Wikipedia, "Telecompressor" (focal reducer).
"""

from __future__ import annotations

import math
from bisect import bisect_right
from dataclasses import dataclass

CONFUSION_PER_WIDTH = 980.0
"""Circle of confusion = width / 980: 0.0254 mm on 24.89 mm (cinematographers' convention of 0.001 in for 35 mm)."""


@dataclass(frozen=True, slots=True)
class Side:
    """One of the two cameras, in the finished picture's shape: the one that shot, or the large negative's.

    width_mm, height_mm   picture area used
    focal_mm, stop        behind the focal reducer; stop as f-number
    """

    width_mm: float
    height_mm: float
    focal_mm: float
    stop: float

    @property
    def entrance_pupil_mm(self) -> float:
        """Diameter of the entrance pupil: focal length over f-number."""
        return self.focal_mm / self.stop

    @property
    def angle_of_view_deg(self) -> tuple[float, float]:
        """Horizontal and vertical angle of view at infinity focus: 2 atan(size / 2f)."""
        return (
            2.0 * math.degrees(math.atan(self.width_mm / (2.0 * self.focal_mm))),
            2.0 * math.degrees(math.atan(self.height_mm / (2.0 * self.focal_mm))),
        )

    @property
    def confusion_mm(self) -> float:
        """Circle of confusion for depth-of-field tables: picture width / 980."""
        return self.width_mm / CONFUSION_PER_WIDTH


@dataclass(frozen=True, slots=True)
class FocusPull:
    """Focus distance over a shot: marks (frame, distance_m) in frame order, linear in 1/distance between them."""

    marks: tuple[tuple[int, float], ...]

    def distance_m(self, frame: int) -> float:
        """Distance in focus at a frame; held before the first mark and after the last."""
        frames = [mark[0] for mark in self.marks]
        after = bisect_right(frames, frame)
        if after == 0:
            return self.marks[0][1]
        if after == len(frames):
            return self.marks[-1][1]
        (f0, d0), (f1, d1) = self.marks[after - 1], self.marks[after]
        t = (frame - f0) / (f1 - f0)
        nearness = (1.0 - t) / d0 + t / d1
        return 1.0 / nearness if nearness > 0.0 else math.inf

    @property
    def nearest_m(self) -> float:
        return min(distance for _, distance in self.marks)


def matched_negative(camera: Side, *, width_mm: float, height_mm: float, stop: float) -> Side:
    """The large negative's side with the camera's view: focal length scales with picture width."""
    return Side(width_mm, height_mm, camera.focal_mm * width_mm / camera.width_mm, stop)


def stops_too_deep(camera: Side, negative: Side) -> float:
    """Stops by which the footage is too deep: 2 log2 of the ratio of the entrance pupils (below 0: shallower)."""
    return 2.0 * math.log2(negative.entrance_pupil_mm / camera.entrance_pupil_mm)


def image_distance_mm(*, focal_mm: float, focus_m: float) -> float:
    """v = f s / (s - f), thin lens; the focal length itself for focus at infinity."""
    if math.isinf(focus_m):
        return focal_mm
    focus_mm = focus_m * 1000.0
    return focal_mm * focus_mm / (focus_mm - focal_mm)


def blur_scale_px_m(*, pupil_mm: float, focal_mm: float, focus_m: float, width_px: float, width_mm: float) -> float:
    """kappa of the signed blur radius c(Z) = kappa (1/s - 1/Z): (pupil / 2) v width_px / width_mm, in px m.

    ``focal_mm`` and ``width_mm`` are the camera's, also for the negative's pupil: the footage fixes the
    perspective. c is below 0 in front of focus.
    """
    v_mm = image_distance_mm(focal_mm=focal_mm, focus_m=focus_m)
    return pupil_mm / 1000.0 / 2.0 * v_mm * width_px / width_mm


def blur_circle_mm(*, focal_mm: float, stop: float, focus_m: float, distance_m: float) -> float:
    """Blur-circle diameter c(x) = (f^2/N) |x - s| / (x (s - f)) (Potmesil & Chakravarty 1981)."""
    v_mm = image_distance_mm(focal_mm=focal_mm, focus_m=focus_m)
    return focal_mm / stop * v_mm * abs(1.0 / focus_m - 1.0 / distance_m) / 1000.0


def hyperfocal_m(*, focal_mm: float, stop: float, confusion_mm: float) -> float:
    """H = f^2 / (N c) + f."""
    return (focal_mm * focal_mm / (stop * confusion_mm) + focal_mm) / 1000.0


def depth_of_field_m(*, focal_mm: float, stop: float, confusion_mm: float, focus_m: float) -> tuple[float, float]:
    """Near and far limit: s (H - f) / (H + s - 2f) and s (H - f) / (H - s); far is infinity for s >= H."""
    h_m, f_m = hyperfocal_m(focal_mm=focal_mm, stop=stop, confusion_mm=confusion_mm), focal_mm / 1000.0
    if math.isinf(focus_m):
        return h_m - f_m, math.inf
    near_m = focus_m * (h_m - f_m) / (h_m + focus_m - 2.0 * f_m)
    far_m = focus_m * (h_m - f_m) / (h_m - focus_m) if focus_m < h_m else math.inf
    return near_m, far_m


def pupil_distance_m(*, sensor_distance_m: float, focal_mm: float) -> float:
    """Focus from the entrance pupil, from a tape hooked at the sensor plane: s + v(s) = D, thin lens.

    ValueError when D is below 4 f: no thin lens of that focal length focuses so near.
    """
    f_m = focal_mm / 1000.0
    root = sensor_distance_m * sensor_distance_m - 4.0 * sensor_distance_m * f_m
    if root < 0.0:
        raise ValueError("nearer than four focal lengths from the sensor")
    return (sensor_distance_m + math.sqrt(root)) / 2.0
