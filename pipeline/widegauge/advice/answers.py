"""Everything that a plan is asked, gathered once for text, JSON and the set-up sheet."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

from widegauge.advice.field import DepthOfField, FocusMark, depth_of_field, focus_marks
from widegauge.advice.ground import GroundRow, ground_rows
from widegauge.advice.limits import limits
from widegauge.advice.reach import Reach, reaches
from widegauge.advice.scale import ModelShot, Reading, model_shot, reading
from widegauge.plan import Plan


@dataclass(frozen=True, slots=True)
class Answers:
    """What follows from a plan for the people on set.

    camera, negative   hyperfocal distance and depth of field at the first focus mark
    marks              the same at every focus mark; empty when the shot does not say where focus lies
    ground             empty without camera height and tilt
    reaches, model     only where asked
    """

    camera: DepthOfField
    negative: DepthOfField
    marks: tuple[FocusMark, ...]
    limits: tuple[str, ...]
    ground: tuple[GroundRow, ...]
    reading: Reading
    reaches: tuple[Reach, ...] = ()
    model: ModelShot | None = None

    def to_json(self) -> dict[str, Any]:
        """Keys that stand beside the plan's own; None for infinity, and for what nobody stated."""
        said: dict[str, Any] = {
            "depth_of_field": {"camera": _json(self.camera), "negative": _json(self.negative)},
            "focus_marks": _json(self.marks),
            "limits": list(self.limits),
            "ground": _json(self.ground),
            "reads_as_scale": _json(self.reading) | {"is_model": self.reading.is_model},
        }
        if self.reaches:
            said["match"] = [
                _json(each) | {"on_a_full_stop": each.on_a_full_stop, "is_rare": each.is_rare} for each in self.reaches
            ]
        if self.model is not None:
            said["model"] = _json(self.model)
        return said


def answers_for(
    plan: Plan, *, match: bool = False, reducers: Iterable[float] = (), model_scale: float | None = None
) -> Answers:
    """All that a plan can be asked; the lenses that would match and the model shot only where wanted."""
    marks = focus_marks(plan)
    first_m = marks[0].focus_m if marks else None
    return Answers(
        camera=depth_of_field(plan.setup.camera, first_m),
        negative=depth_of_field(plan.setup.negative, first_m),
        marks=marks,
        limits=limits(plan),
        ground=ground_rows(plan),
        reading=reading(plan),
        reaches=reaches(plan, reducers) if match else (),
        model=None if model_scale is None else model_shot(plan, model_scale),
    )


def _json(value: Any) -> Any:
    """Records as dictionaries, with each depth of field's total; infinity as None, since JSON has none."""
    match value:
        case DepthOfField():
            return _fields(value) | {"total_m": _json(value.total_m)}
        case tuple():
            return [_json(each) for each in value]
        case float() if not math.isfinite(value):
            return None
        case _ if dataclasses.is_dataclass(value):
            return _fields(value)
        case _:
            return value


def _fields(record: Any) -> dict[str, Any]:
    return {field.name: _json(getattr(record, field.name)) for field in dataclasses.fields(record)}
