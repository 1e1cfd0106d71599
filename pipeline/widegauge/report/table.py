"""Plans, presets and stocks as text that a person can read."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Iterable, Sequence
from typing import Any

from pydantic import BaseModel

from widegauge.physics import lens
from widegauge.physics.lens import Side
from widegauge.plan import Plan, StagePlan
from widegauge.presets import PresetFile, formats, stocks
from widegauge.stages.stage import NOTHING

_HEAD = ("", "unit", "footage", "negative", "difference")


def plan_text(plan: Plan) -> str:
    """The two sides, how far the footage falls short, and a table of three numbers for each stage."""
    setup = plan.setup
    camera, negative, raster = setup.camera, setup.negative, setup.raster
    lines = [
        f"{plan.shot.name} on {plan.preset.title}",
        "",
        *aligned(
            [
                ("", "footage", "negative"),
                ("picture area", _mm(camera), _mm(negative)),
                ("focal length", f"{camera.focal_mm:.2f} mm", f"{negative.focal_mm:.2f} mm"),
                ("stop", f"f/{camera.stop:.3g}", f"f/{negative.stop:.3g}"),
                ("entrance pupil", f"{camera.entrance_pupil_mm:.2f} mm", f"{negative.entrance_pupil_mm:.2f} mm"),
                *_field(plan),
            ]
        ),
        "",
        _short_by(plan.depth_of_field_stops),
        f"finished frame {raster.width_px} x {raster.height_px}, {setup.pixel_um:.2f} um a pixel on the negative, "
        f"angle of view {camera.angle_of_view_deg[0]:.1f} x {camera.angle_of_view_deg[1]:.1f} degrees",
    ]
    if setup.focus is not None:
        lines.append(
            f"circle of confusion: picture width / {lens.CONFUSION_PER_WIDTH:g} on both sides "
            f"({camera.confusion_mm:.4f} mm, {negative.confusion_mm:.4f} mm)"
        )
    return "\n".join([*lines, "", stages_text(plan)])


def stages_text(plan: Plan) -> str:
    """The three numbers of every stage, and its note."""
    table: list[Sequence[str]] = [_HEAD]
    for stage in plan.stages:
        table.append((_status(stage), "", "", "", ""))
        if stage.planned is not None:
            for row in stage.planned.rows:
                numbers = (_number(row.footage), _number(row.negative), _number(row.difference))
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
            said += f": {row.quantity} {_number(row.footage)} to {_number(row.negative)} {row.unit}"
        elif stage.planned is not None and stage.planned.note:
            said = f"{stage.name}: {stage.planned.note}"
        lines.append(said)
    return "\n".join(lines)


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


def _field(plan: Plan) -> Iterable[Sequence[str]]:
    focus = plan.setup.focus
    if focus is None:
        return
    number, focus_m = focus.marks[0]
    where = f" at frame {number}" if len(focus.marks) > 1 else ""
    yield (f"focus{where}", _metres(focus_m), _metres(focus_m))
    limits = [
        lens.depth_of_field_m(focal_mm=side.focal_mm, stop=side.stop, confusion_mm=side.confusion_mm, focus_m=focus_m)
        for side in (plan.setup.camera, plan.setup.negative)
    ]
    yield ("in focus from", _metres(limits[0][0]), _metres(limits[1][0]))
    yield ("to", _metres(limits[0][1]), _metres(limits[1][1]))


def _short_by(stops: float) -> str:
    if stops > 0.0:
        return f"depth of field: the footage is {stops:.2f} stops too deep"
    return (
        f"depth of field: the footage is {-stops:.2f} stops shallower than the negative would be; nothing can be added"
    )


def _status(stage: StagePlan) -> str:
    if stage.planned is None:
        return f"{stage.name}: off"
    return stage.name if stage.acts else f"{stage.name}: {NOTHING}"


def aligned(rows: Sequence[Sequence[str]]) -> list[str]:
    """Cells in columns as wide as their widest."""
    widths = [max(len(row[i]) for row in rows if i < len(row)) for i in range(max(len(row) for row in rows))]
    return ["  ".join(cell.ljust(widths[i]) for i, cell in enumerate(row)).rstrip() for row in rows]


def _mm(side: Side) -> str:
    return f"{side.width_mm:.2f} x {side.height_mm:.2f} mm"


def _metres(value: float) -> str:
    return "infinity" if math.isinf(value) else f"{value:.2f} m"


def _number(value: float | None) -> str:
    if value is None:
        return "-"
    if not math.isfinite(value):
        return "infinity"
    return f"{value:.4g}" if abs(value) < 1000 else f"{value:.0f}"
