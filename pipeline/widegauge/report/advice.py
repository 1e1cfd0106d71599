"""What a plan is asked, as text: reach, floor, scale and limits."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence

from widegauge.advice.answers import Answers
from widegauge.advice.ground import GroundRow
from widegauge.advice.reach import Reach
from widegauge.advice.scale import ModelShot, Reading
from widegauge.physics.lens import CONFUSION_PER_WIDTH
from widegauge.physics.miniature import LIFE_SIZE_STOP, MODEL_SCALE
from widegauge.physics.stops import FASTEST_USUAL
from widegauge.plan import Plan
from widegauge.report.words import aligned, metres, percent


def answers_text(plan: Plan, answers: Answers) -> list[str]:
    """Blocks of text, each with an empty line before it."""
    lines: list[str] = []
    if len(answers.marks) > 1:
        lines += ["", "Depth of field at every focus mark", *aligned(marks_table(answers))]
    lines += ["", "What the footage can and can't give", *(f"  {said}" for said in answers.limits)]
    lines += ["", reading_text(answers.reading, negative_stop=plan.setup.negative.stop)]
    if answers.ground:
        lines += [
            "",
            "The floor: where the bottom of the frame meets the ground",
            *aligned(ground_table(plan, answers)),
        ]
    if answers.reaches:
        lines += ["", "Lenses for the negative's view and depth of field on this camera"]
        lines += [*aligned(reach_table(answers.reaches)), *(f"  {said}" for said in reach_notes(answers.reaches))]
    if answers.model is not None:
        lines += ["", *model_lines(answers.model)]
    return lines


def marks_table(answers: Answers) -> list[Sequence[str]]:
    """Head and a row for each mark of a focus pull."""
    head = ("  frame", "focus", "footage in focus from", "to", "negative in focus from", "to")
    rows: list[Sequence[str]] = [head]
    for mark in answers.marks:
        limits = (mark.camera.near_m, mark.camera.far_m, mark.negative.near_m, mark.negative.far_m)
        rows.append((f"  {mark.frame}", metres(mark.focus_m), *(metres(limit) for limit in limits)))
    return rows


def ground_table(plan: Plan, answers: Answers) -> list[Sequence[str]]:
    """Head and a row for each frame; blur radii as lengths on the negative and in pixels."""
    head = ("  frame", "level distance", "along the axis", "blur radius, footage", "blur radius, negative")
    return [head, *(_ground_row(row, plan) for row in answers.ground)]


def reach_table(reaches: Iterable[Reach]) -> list[Sequence[str]]:
    """Head and a row for each focal reducer."""
    head = ("  reducer", "focal length", "exact stop", "full stop", "short by", "blur at infinity", "wanted", "covers")
    return [head, *(_reach_row(each) for each in reaches)]


def reach_notes(reaches: Sequence[Reach]) -> list[str]:
    """Which of the lenses sit on a full stop, and which hardly exist."""
    notes = ["Blur is the disc's diameter over the picture's width; covers: the image circle that the lens must fill."]
    good = [_behind(each) for each in reaches if each.on_a_full_stop and not each.is_rare]
    if good:
        notes.append(f"On a full stop, to a twentieth: {', '.join(good)}.")
    rare = [_behind(each) for each in reaches if each.is_rare]
    if rare:
        notes.append(
            f"Faster than f/{FASTEST_USUAL} lenses are rare (common practice, no source): {', '.join(rare)}; "
            "what is short there is defocus's to add."
        )
    return notes


def reading_text(reading: Reading, *, negative_stop: float) -> str:
    """One sentence on the scale that the finished picture reads as."""
    base = f"4-perf 35 mm at f/{LIFE_SIZE_STOP:g}"
    if reading.soft is False:
        return f"Scale: neither infinity nor the frame's bottom is soft enough to tell one by (against {base})."
    said = f"Scale: blur grows {reading.finished:.1f} times as fast with depth as on {base}"
    said += f" (footage: {reading.footage:.1f})"
    if reading.is_model:
        calm = negative_stop * reading.finished / MODEL_SCALE
        return (
            f"{said}: a wide view will read as a model of about 1:{reading.finished:.0f} (from 1:{MODEL_SCALE:g} on; "
            f"common practice, no source). f/{math.ceil(calm * 10.0) / 10.0:g} on the negative keeps it below."
        )
    return (
        f"{said}, short of the 1:{MODEL_SCALE:g} from where a wide view reads as a model (common practice, no source)."
    )


def model_lines(model: ModelShot) -> list[str]:
    """How to make the shot on a model."""
    lines = [
        f"On a 1:{model.scale:g} model, to keep looking full size",
        f"  this sensor: {model.focal_mm:.2f} mm at f/{model.stop:.3g}, focus {metres(model.focus_m)}, "
        f"{model.rate:.1f} frames a second",
        "  at full stops, picture widths: "
        + ", ".join(f"f/{mark} {_width(width_mm)}" for mark, width_mm in model.widths_mm),
    ]
    if model.is_diffracted:
        lines.append(
            "  Diffraction will be softer than the circle of confusion on any sensor: "
            f"{percent(model.diffraction_frac)} of the width against {percent(1.0 / CONFUSION_PER_WIDTH)}. "
            "A wider stop and several focus passes, or a larger model, are the ways out."
        )
    return lines


def _ground_row(row: GroundRow, plan: Plan) -> Sequence[str]:
    if math.isinf(row.ground_m):
        return (f"  {row.ratio:.2f}", "never: it looks at or above the horizon", "", "", "")
    blur = (blur_text(frac, plan) for frac in (row.camera_frac, row.negative_frac))
    return (f"  {row.ratio:.2f}", metres(row.ground_m), metres(row.axis_m), *blur)


def blur_text(frac: float | None, plan: Plan) -> str:
    """A blur radius on the negative and in pixels of the finished frame."""
    if frac is None:
        return "-"
    setup = plan.setup
    return (
        f"{abs(frac) * setup.negative.width_mm:.3f} mm, {percent(abs(frac))}, "
        f"{abs(frac) * setup.raster.exact_width_px:.1f} px"
    )


def _reach_row(each: Reach) -> Sequence[str]:
    exact = f"f/{each.stop:.2f}" + ("" if each.t_number is None else f" (T{each.t_number:.2f})")
    short = f"{each.short_stops:.2f} stops" if each.short_stops > -0.005 else f"{-each.short_stops:.2f} past it"
    if each.on_a_full_stop:
        short = "nothing"
    blur, wanted = (("-" if frac is None else percent(frac)) for frac in (each.blur_frac, each.wanted_frac))
    circle = f"{each.image_circle_mm:.1f} mm"
    return (f"  {_reducer(each)}", f"{each.focal_mm:.1f} mm", exact, each.mark, short, blur, wanted, circle)


def _reducer(each: Reach) -> str:
    return "none" if each.reducer == 1.0 else f"{each.reducer:g}x"


def _behind(each: Reach) -> str:
    return "without a reducer" if each.reducer == 1.0 else f"with {each.reducer:g}x"


def _width(width_mm: float) -> str:
    return "any" if math.isinf(width_mm) else f"{width_mm:.3g} mm"
