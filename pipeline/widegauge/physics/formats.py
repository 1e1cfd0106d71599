"""Negative formats, and how wide a finished picture lies on them."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Format:
    """A negative's picture area.

    picture_mm     (width, height) of the area that the finished picture is laid on
    area           "camera" or "projected": which of the two picture_mm is
    camera_mm      (width, height) of the camera aperture
    perforations   pulled down (or across) for a frame
    gauge_mm       width of the film
    pitch_mm       film travel for a frame
    horizontal     film runs sideways
    source         where the numbers come from
    """

    picture_mm: tuple[float, float]
    area: str
    camera_mm: tuple[float, float]
    perforations: int
    gauge_mm: float
    pitch_mm: float
    horizontal: bool
    source: str


def width_in_crop(area_mm: tuple[float, float], ratio: float) -> float:
    """Width of the largest picture of a ratio inside an area: min(w, h R)."""
    return min(area_mm[0], area_mm[1] * ratio)


def width_around_pad(area_mm: tuple[float, float], ratio: float) -> float:
    """Width of the smallest picture of a ratio around an area, bars included: max(w, h R)."""
    return max(area_mm[0], area_mm[1] * ratio)
