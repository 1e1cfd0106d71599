"""Blur and scale: when a scene reads as a model of itself, and how a model keeps reading as the full-size thing.

Scaling a scene, its distances and the pupil together changes nothing in the picture (Potmesil & Chakravarty,
SIGGRAPH 1981, is linear in all of them). So a viewer who takes one pupil for granted reads a picture made with an
n times larger one as a scene n times smaller. Sources: R. Held, E. Cooper, J. O'Brien, M. Banks, "Using blur to
affect perceived distance and size", ACM Transactions on Graphics 29(2), 2010 (apparent distance goes with one
over the pupil); the Visual Effects Society Handbook, Appendix A (frame rate goes with the root of the scale).
"""

from __future__ import annotations

import math

from widegauge.physics.formats import width_in_crop
from widegauge.physics.lens import Side, image_distance_mm
from widegauge.physics.transfer import WAVELENGTH_MM

LIFE_SIZE_MM = (24.89, 18.66)
"""4-perf 35 mm (SMPTE ST 59 style C): the picture in which most life-size scenes have been seen."""

LIFE_SIZE_STOP = 5.6
"""Common practice, no source: a middling stop for a day exterior."""

MODEL_SCALE = 8.0
"""Common practice, no source: from 1:8 on, softness alone can make a wide view look like a table top."""


def life_size_side(camera: Side) -> Side:
    """The camera's view on 4-perf 35 at f/5.6, in the same picture shape."""
    ratio = camera.width_mm / camera.height_mm
    width_mm = width_in_crop(LIFE_SIZE_MM, ratio)
    return Side(width_mm, width_mm / ratio, camera.focal_mm * width_mm / camera.width_mm, LIFE_SIZE_STOP)


def reads_as_scale(*, pupil_mm: float, familiar_pupil_mm: float) -> float:
    """n of the model 1:n that a picture reads as: the ratio of the pupils, as blur grows with the pupil."""
    return pupil_mm / familiar_pupil_mm


def model_stop(
    *, full_pupil_mm: float, scale: float, focal_mm: float, focus_m: float, sensor_frac: float = 1.0
) -> tuple[float, float, float]:
    """Focal length, f-number and focus in metres that show a 1:``scale`` model as the full-size scene was planned.

    ``focal_mm`` and ``focus_m`` are the full-size shot's; ``sensor_frac`` is the model camera's picture width over
    that shot's. Focus and pupil shrink by the scale, and the image distance stays in proportion to the width, so
    that perspective, framing and blur are the same: 1/f = 1/v + 1/s.
    """
    v_mm = image_distance_mm(focal_mm=focal_mm, focus_m=focus_m) * sensor_frac
    near_m = focus_m / scale
    model_mm = 1.0 / (1.0 / v_mm + 1.0 / (near_m * 1000.0))
    return model_mm, model_mm * scale / full_pupil_mm, near_m


def model_sensor_frac(*, full_pupil_mm: float, scale: float, focal_mm: float, focus_m: float, stop: float) -> float:
    """Picture width, over the full-size shot's, at which ``model_stop`` comes out as ``stop``; infinity if never.

    Wide open enough no sensor is too large: the focal length would have to reach the focus distance.
    """
    model_mm = stop * full_pupil_mm / scale
    left = 1.0 / model_mm - 1.0 / (focus_m / scale * 1000.0)
    if left <= 0.0:
        return math.inf
    return 1.0 / left / image_distance_mm(focal_mm=focal_mm, focus_m=focus_m)


def model_rate(rate: float, *, scale: float) -> float:
    """Frames a second that slow a 1:``scale`` model's falls and waves to full size: rate sqrt(scale)."""
    return rate * math.sqrt(scale)


def diffraction_mm(working_stop: float) -> float:
    """Diameter of the diffraction disc to its first dark ring, 2.44 lambda N, in green light (Airy).

    ``working_stop`` is image distance over pupil: near focus raises it above the f-number.
    """
    return 2.44 * WAVELENGTH_MM * working_stop
