"""Whether the picture reads as a model, and how to shoot a model so that it does not."""

from __future__ import annotations

import math
from dataclasses import dataclass

from widegauge.advice.field import blur_at_infinity_frac, focus_m
from widegauge.advice.ground import ground_rows
from widegauge.physics import miniature
from widegauge.physics.lens import CONFUSION_PER_WIDTH, image_distance_mm
from widegauge.physics.stops import MARKS, full_stop
from widegauge.plan import Plan

DEEP_MARKS = ("8", "11", "16", "22")
"""Stops at which models are lit; common practice, no source."""


@dataclass(frozen=True, slots=True)
class Reading:
    """The scale 1:n that each picture reads as, by its blur; below 1 it looks larger than life.

    soft   whether the finished picture's blur is more than the circle of confusion, at infinity or where the frame's
           bottom meets the ground; None: no focus given
    """

    footage: float
    finished: float
    soft: bool | None

    @property
    def is_model(self) -> bool:
        return bool(self.soft) and self.finished >= miniature.MODEL_SCALE


@dataclass(frozen=True, slots=True)
class ModelShot:
    """The planned shot made on a 1:scale model, so that it keeps looking full size.

    focal_mm, stop, focus_m   on this camera
    rate                      frames a second
    diffraction_frac          diffraction disc over the picture's width: it depends on the pupil, not on the sensor
    widths_mm                 picture widths at which the full stops of ``DEEP_MARKS`` would do it; infinity: never
    """

    scale: float
    focal_mm: float
    stop: float
    focus_m: float
    rate: float
    diffraction_frac: float
    widths_mm: tuple[tuple[str, float], ...]

    @property
    def is_diffracted(self) -> bool:
        """Whether diffraction alone is softer than the circle of confusion."""
        return self.diffraction_frac > 1.0 / CONFUSION_PER_WIDTH


def reading(plan: Plan) -> Reading:
    """Compare both pupils with those of 4-perf 35 at f/5.6 for the same view."""
    camera, negative = plan.setup.camera, plan.setup.negative
    familiar_mm = miniature.life_size_side(camera).entrance_pupil_mm
    finished_mm = max(camera.entrance_pupil_mm, negative.entrance_pupil_mm)
    blurs = [blur_at_infinity_frac(plan, finished_mm) or 0.0]
    for row in ground_rows(plan)[:1]:
        blurs += [2.0 * abs(frac) for frac in (row.camera_frac, row.negative_frac) if frac is not None]
    soft = None if focus_m(plan) is None else max(blurs) > 1.0 / CONFUSION_PER_WIDTH
    return Reading(
        miniature.reads_as_scale(pupil_mm=camera.entrance_pupil_mm, familiar_pupil_mm=familiar_mm),
        miniature.reads_as_scale(pupil_mm=finished_mm, familiar_pupil_mm=familiar_mm),
        soft,
    )


def model_shot(plan: Plan, scale: float) -> ModelShot:
    """The reverse: this view, focus and depth of field of the negative on a 1:``scale`` model."""
    camera = plan.setup.camera
    given = {
        "full_pupil_mm": plan.setup.negative.entrance_pupil_mm,
        "scale": scale,
        "focal_mm": camera.focal_mm,
        "focus_m": focus_m(plan) or math.inf,
    }
    model_mm, stop, near_m = miniature.model_stop(**given)
    image_mm = image_distance_mm(focal_mm=model_mm, focus_m=near_m)
    widths = [
        (mark, camera.width_mm * miniature.model_sensor_frac(**given, stop=full_stop(MARKS.index(mark))))
        for mark in DEEP_MARKS
    ]
    return ModelShot(
        scale=scale,
        focal_mm=model_mm,
        stop=stop,
        focus_m=near_m,
        rate=miniature.model_rate(float(plan.rate), scale=scale),
        diffraction_frac=miniature.diffraction_mm(image_mm / (model_mm / stop)) / camera.width_mm,
        widths_mm=tuple(widths),
    )
