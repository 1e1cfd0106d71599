"""Plans, presets and stocks as text that a person can read."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Iterable, Sequence
from typing import Any

from pydantic import BaseModel

from widegauge.advice.answers import Answers, answers_for
from widegauge.physics import lens
from widegauge.physics.lens import Side
from widegauge.plan import Plan, StagePlan
from widegauge.presets import PresetFile, formats, stocks
from widegauge.report.advice import answers_text
from widegauge.report.words import aligned, metres
from widegauge.stages.stage import NOTHING

_HEAD = ("", "unit", "footage", "negative", "difference")


def plan_text(plan: Plan, answers: Answers | None = None, *, title: str | None = None) -> str:
    """The two sides, how far the footage falls short, a table of three numbers for each stage, and what was asked."""
    setup = plan.setup
    camera, negative, raster = setup.camera, setup.negative, setup.raster
    answers = answers or answers_for(plan)
    lines = [
        f"{title or plan.shot.name} on {plan.preset.title}",
        "",
        *aligned(sides_table(plan, answers)),
        "",
        short_by(plan.depth_of_field_stops),
        f"finished frame {raster.width_px} x {raster.height_px}, {setup.pixel_um:.2f} um a pixel on the negative, "
        f"angle of view {camera.angle_of_view_deg[0]:.1f} x {camera.angle_of_view_deg[1]:.1f} degrees",
        f"circle of confusion: picture width / {lens.CONFUSION_PER_WIDTH:g} on both sides "
        f"({camera.confusion_mm:.4f} mm, {negative.confusion_mm:.4f} mm)",
    ]
    return "\n".join([*lines, "", stages_text(plan), *answers_text(plan, answers)])


def sides_table(plan: Plan, answers: Answers) -> list[Sequence[str]]:
    """Camera and negative beside each other, focus at the first mark."""
    camera, negative = plan.setup.camera, plan.setup.negative
    return [
        ("", "footage", "negative"),
        ("picture area", _mm(camera), _mm(negative)),
        ("focal length", f"{camera.focal_mm:.2f} mm", f"{negative.focal_mm:.2f} mm"),
        ("stop", f"f/{camera.stop:.3g}", f"f/{negative.stop:.3g}"),
        ("entrance pupil", f"{camera.entrance_pupil_mm:.2f} mm", f"{negative.entrance_pupil_mm:.2f} mm"),
        *_field(answers),
        ("hyperfocal", metres(answers.camera.hyperfocal_m), metres(answers.negative.hyperfocal_m)),
    ]


def stages_text(plan: Plan) -> str:
    """The three numbers of every stage, and its note."""
    table: list[Sequence[str]] = [_HEAD]
    for stage in plan.stages:
        table.append((_status(stage), "", "", "", ""))
        if stage.planned is not None:
            for row in stage.planned.rows:
                numbers = (number(row.footage), number(row.negative), number(row.difference))
                table.append((f"  {row.quantity}", row.unit, *numbers))
    notes = [f"{name}: {note}" for name, note in plan.notes.items()]
    return "\n".join([*aligned(table), *([""] if notes else []), *notes])


def differences_text(plan: Plan) -> str:
    """One line a stage: whether it acts, and its first difference."""
    lines = []
    for stage in plan.stages:
        said = _status(stage)
        if stage.acts and stage.planned is not None and stage.planned.rows:
            row = stage.planned.rows[0]
            told = (number(row.footage), number(row.negative), number(row.difference))
            said += f": {row.quantity}, footage {told[0]}, negative {told[1]}, difference {told[2]} {row.unit}"
        elif stage.planned is not None and stage.planned.note:
            said = f"{stage.name}: {stage.planned.note}"
        lines.append(said)
    return "\n".join([*lines, *(f"{name}: {plan.notes[name]}" for name in ("frame", "depth") if name in plan.notes)])


def preset_text(preset: PresetFile) -> str:
    """Every key of a preset with its value and what it means."""
    lines = [preset.title]
    for name in type(preset).model_fields:
        table = getattr(preset, name)
        if isinstance(table, BaseModel):
            lines += ["", f"[{name}]", *_keys(table)]
        elif table is None:
            lines += ["", f"[{name}] is left out: the stage is off"]
    if preset.negative.format is not None:
        lines += ["", record_text(preset.negative.format, formats()[preset.negative.format])]
    return "\n".join([*lines, "", record_text(preset.negative.stock, stocks()[preset.negative.stock])])


def record_text(name: str, record: Any) -> str:
    """A format or a stock: every number, and where it comes from."""
    sources = getattr(record, "sources", {})
    lines = [name]
    for field in dataclasses.fields(record):
        if field.name == "sources":
            continue
        lines.append(f"  {field.name} = {_value(getattr(record, field.name))}")
        if field.name in sources:
            lines.append(f"      {sources[field.name]}")
    return "\n".join(lines)


def _keys(table: BaseModel) -> list[str]:
    return aligned(
        [
            (f"  {key}", f"= {_value(getattr(table, key))}", field.description or "")
            for key, field in type(table).model_fields.items()
        ]
    )


def _value(value: Any) -> str:
    """A setting as a preset file would write it."""
    match value:
        case None:
            return "(not given)"
        case bool():
            return str(value).lower()
        case str():
            return f'"{value}"'
        case tuple():
            return f"[{', '.join(_value(each) for each in value)}]"
        case _:
            return str(value)


def _field(answers: Answers) -> Iterable[Sequence[str]]:
    if not answers.marks:
        return
    first, camera, negative = answers.marks[0], answers.camera, answers.negative
    where = f" at frame {first.frame}" if len(answers.marks) > 1 else ""
    yield (f"focus{where}", metres(first.focus_m), metres(first.focus_m))
    yield ("in focus from", metres(camera.near_m), metres(negative.near_m))
    yield ("to", metres(camera.far_m), metres(negative.far_m))
    yield ("in all", metres(camera.total_m), metres(negative.total_m))


def short_by(stops: float) -> str:
    """How far the footage's depth of field is from the negative's."""
    if abs(stops) < 0.005:
        return "depth of field: the footage has the negative's"
    if stops > 0.0:
        return f"depth of field: the footage is {stops:.2f} stops too deep"
    return (
        f"depth of field: the footage is {-stops:.2f} stops shallower than the negative would be; nothing can be added"
    )


def _status(stage: StagePlan) -> str:
    if stage.planned is None:
        return f"{stage.name}: off"
    return stage.name if stage.acts else f"{stage.name}: {NOTHING}"


def _mm(side: Side) -> str:
    return f"{side.width_mm:.2f} x {side.height_mm:.2f} mm"


def number(value: float | None) -> str:
    if value is None:
        return "-"
    if not math.isfinite(value):
        return "infinity"
    return f"{value:.4g}" if abs(value) < 1000 else f"{value:.0f}"
