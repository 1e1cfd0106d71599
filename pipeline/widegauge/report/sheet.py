"""The set-up sheet: one page of a shot's plan for the crew, as a single HTML file to print or send."""

from __future__ import annotations

from collections.abc import Sequence
from html import escape
from pathlib import Path

from widegauge.advice.answers import Answers
from widegauge.advice.field import picture_at_focus_m
from widegauge.errors import MediaError
from widegauge.plan import Plan
from widegauge.report.advice import ground_table, model_lines, reach_notes, reach_table, reading_text
from widegauge.report.chart import framing_chart
from widegauge.report.markup import list_html, table_html
from widegauge.report.section import section
from widegauge.report.table import number, short_by, sides_table
from widegauge.report.words import feet, metres
from widegauge.stages.stage import NOTHING

STYLE = r"""
:root { --ink: #111; --soft: #555; --paper: #fff; }
* { box-sizing: border-box; }
body { margin: 0 auto; padding: 1.2rem; max-width: 62rem; background: var(--paper); color: var(--ink);
  font: 0.86rem/1.4 system-ui, sans-serif; font-variant-numeric: tabular-nums; }
h1 { font-size: 1.35rem; font-weight: 600; margin: 0; }
h2 { font-size: 0.86rem; font-weight: 600; margin: 0 0 0.25rem; }
p, ul { margin: 0 0 0.4rem; }
ul { list-style: none; padding: 0; }
li { padding-left: 1em; text-indent: -1em; }
li::before { content: "\2013"; display: inline-block; width: 1em; text-indent: 0; }
header { border-bottom: 1.5px solid var(--ink); padding-bottom: 0.4rem; margin-bottom: 0.7rem; }
section, figure { margin: 0 0 0.9rem; break-inside: avoid; }
.columns { display: grid; grid-template-columns: 21rem 1fr; column-gap: 1.8rem; align-items: start; }
.scroll { overflow-x: auto; }
table { border-collapse: collapse; width: 100%; }
th, td { text-align: left; font-weight: 400; padding: 0.1rem 0.7rem 0.1rem 0; vertical-align: baseline; }
thead th { color: var(--soft); border-bottom: 1px solid var(--ink); }
tbody tr + tr > * { border-top: 0.5px solid #bbb; }
td:last-child, th:last-child { padding-right: 0; }
small { color: var(--soft); font-size: inherit; }
svg { display: block; width: 100%; height: auto; }
svg path, svg rect { fill: none; stroke: var(--ink); stroke-width: 0.7; }
svg .heavy { stroke-width: 1.6; }
svg .heavydash { stroke-width: 1.6; stroke-dasharray: 7 4; }
svg .dash { stroke-dasharray: 5 3; }
svg .dot { stroke-dasharray: 1.2 2.6; }
svg .axis { stroke-dasharray: 14 3 2 3; stroke-width: 0.6; }
svg .paper { fill: var(--paper); stroke: none; }
svg text { font-size: 10.5px; fill: var(--ink); }
@media (max-width: 44rem) {
  body { padding: 0.8rem; }
  .columns { display: block; }
  .wide > svg { min-width: 40rem; }
  td, th { padding-right: 0.45rem; }
}
@page { margin: 9mm; }
@media print {
  body { padding: 0; max-width: none; font-size: 7.4pt; line-height: 1.26; }
  h1 { font-size: 12pt; } h2 { font-size: 7.6pt; margin-bottom: 0.4mm; }
  header { padding-bottom: 1mm; margin-bottom: 1.6mm; }
  section, figure { margin-bottom: 2mm; }
  p, ul { margin-bottom: 0.6mm; }
  th, td { padding: 0 2mm 0 0; }
  .columns { display: grid; grid-template-columns: 66mm 1fr; column-gap: 6mm; }
  .wide > svg { min-width: 0; }
  .scroll { overflow: visible; }
  .pairs ul { columns: 2; column-gap: 6mm; }
  .pairs li { break-inside: avoid; }
  .full { font-size: 6.7pt; line-height: 1.2; }
  .full .wide > svg { width: 80%; margin: auto; }
  .full section, .full figure { margin-bottom: 1.4mm; }
  .full .columns { grid-template-columns: 61mm 1fr; column-gap: 5mm; }
}
"""

RIGS = (
    "Virtual weight first: shoot light, and give the move its inertia afterwards. Mass on the rig comes last.",
    "If mass is added: rated hardware only, inside every marked working-load limit, counting the whole load (camera, "
    "lens, battery, ballast, monitor) and what moving it adds. A head has two numbers, its largest payload and its "
    "counterbalance range; ballast must fit both. Bolted or strapped, never loose.",
    "A second, independent safety on anything overhead or on a vehicle.",
    "Adding mass changes lifting, tipping and braking loads: have a qualified grip or rigger approve it, keep people "
    "out of the swing, and follow local codes. No ballast on the head or the shoulder.",
    "Lifting by one person at 40 cm reach: 14.4 kg before every other factor of NIOSH 94-110's equation lowers it.",
)

MOST_MARKS = 10
"""Marks of a focus pull that fit on the page."""


def write_sheet(path: Path, plan: Plan, answers: Answers, *, title: str) -> None:
    """Write the sheet; MediaError when the file can't be written."""
    beside = path.with_name(path.name + ".part")
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        beside.write_text(sheet(plan, answers, title=title), encoding="utf-8")
        beside.replace(path)
    except OSError as error:
        raise MediaError(f"{path}: can't be written ({error.strerror})") from None


def sheet(plan: Plan, answers: Answers, *, title: str) -> str:
    """The whole page; nothing in it is fetched from anywhere."""
    lens = plan.shot.lens
    reducer = "" if lens.focal_reducer == 1.0 else f", focal reducer {lens.focal_reducer:g}x"
    short = short_by(plan.depth_of_field_stops).capitalize()
    summary = f"{lens.focal_mm:g} mm at {lens.stop}{reducer}.{_stand(plan)} {short}."
    left = [
        _figure(framing_chart(plan), "The frame"),
        _section("Focus marks, from the entrance pupil", table_html(_marks(answers))),
    ]
    right = [
        _section("Both sides", table_html(sides_table(plan, answers)), _confusion(plan)),
        _section("What each stage adds", table_html(_stages(plan))),
        _section("What the footage can and can't give", list_html((*answers.limits, _scale(plan, answers)))),
    ]
    if answers.ground:
        left.append(_section("The floor, at the frame's bottom edge", table_html(_floor(plan, answers))))
    below = []
    if answers.reaches:
        notes = f"<p><small>{escape(' '.join(reach_notes(answers.reaches)))}</small></p>"
        table = table_html(reach_table(answers.reaches))
        below.append(_section("Lenses for the negative's view and depth of field on this camera", table, notes))
    if answers.model is not None:
        head, *lines = model_lines(answers.model)
        below.append(_section(head, list_html(lines)))
    rig_kg = plan.shot.camera.rig_kg
    heavy = "Heavy rigs" if rig_kg is None else f"Heavy rigs (this one weighs {rig_kg:g} kg)"
    below.append(_section(heavy, list_html(RIGS), kind="pairs"))
    return "".join(
        [
            '<!doctype html>\n<html lang="en">\n<head>\n<meta charset="utf-8">\n',
            '<meta name="viewport" content="width=device-width, initial-scale=1">\n',
            f"<title>{escape(title)}: set-up sheet</title>\n<style>{STYLE}</style>\n</head>\n",
            '<body class="full">\n' if answers.reaches or answers.model is not None else "<body>\n",
            f"<header><h1>{escape(title)}</h1><p>On {escape(plan.preset.title)}. {escape(summary)}</p></header>\n",
            f'<figure class="scroll wide">{section(plan, answers)}</figure>\n',
            f'<div class="columns"><div>{"".join(left)}</div>\n<div>{"".join(right)}</div></div>\n',
            *below,
            "\n</body>\n</html>\n",
        ]
    )


def _marks(answers: Answers) -> list[Sequence[str]]:
    """Every distance that somebody may want to find on a lens or on the floor, in both measures."""
    rows: list[tuple[str, float | None]] = []
    if len(answers.marks) == 1:
        mark = answers.marks[0]
        rows = [
            ("focus", mark.focus_m),
            ("negative: from", mark.negative.near_m),
            ("negative: to", mark.negative.far_m),
        ]
        rows += [("footage: from", mark.camera.near_m), ("footage: to", mark.camera.far_m)]
    else:
        rows = [(f"focus at frame {mark.frame}", mark.focus_m) for mark in answers.marks[:MOST_MARKS]]
    rows += [
        ("negative: hyperfocal", answers.negative.hyperfocal_m),
        ("footage: hyperfocal", answers.camera.hyperfocal_m),
    ]
    more = len(answers.marks) - MOST_MARKS
    left_out = [(f"and {more} marks more", "", "")] if more > 0 else []
    return [
        ("", "metres", "feet and inches"),
        *((name, metres(value), feet(value)) for name, value in rows),
        *left_out,
    ]


def _floor(plan: Plan, answers: Answers) -> list[Sequence[str]]:
    """The floor's table without pixels and distances along the axis, which the text output has."""
    head, *rows = ground_table(plan, answers)
    names = [name.replace("blur radius, ", "blur, ") for name in head[3:]]
    return [(*head[:2], *names), *((*row[:2], *(cell.split(",")[0] for cell in row[3:])) for row in rows)]


def _stages(plan: Plan) -> list[Sequence[str]]:
    """One telling row a stage: its first with a difference."""
    table: list[Sequence[str]] = [("stage", "quantity", "footage", "negative", "difference")]
    for stage in plan.stages:
        rows = stage.planned.rows if stage.planned is not None else ()
        row = next((each for each in rows if each.difference is not None), rows[0] if rows else None)
        if row is None or not stage.acts:
            table.append((stage.name, "off" if stage.planned is None else NOTHING, "", "", ""))
        else:
            numbers = (number(row.footage), number(row.negative), number(row.difference))
            table.append((stage.name, row.quantity + (row.unit and f", {row.unit}"), *numbers))
    return table


def _scale(plan: Plan, answers: Answers) -> str:
    return reading_text(answers.reading, negative_stop=plan.setup.negative.stop)


def _stand(plan: Plan) -> str:
    """Where the camera stands, as far as the shot says."""
    height_m, tilt_deg = plan.shot.set.camera_height_m, plan.shot.set.tilt_deg
    height = "" if height_m is None else f" Lens {metres(height_m)} ({feet(height_m)}) above the ground."
    if tilt_deg is None:
        return height
    way = f"tilted {abs(tilt_deg):g} degrees {'down' if tilt_deg < 0.0 else 'up'}" if tilt_deg else "level"
    return f"{height[:-1]}, {way}." if height else f" Lens {way}."


def _confusion(plan: Plan) -> str:
    setup = plan.setup
    wide, high = setup.camera.angle_of_view_deg
    held = picture_at_focus_m(plan)
    at_focus = "" if held is None else f" At the plane of focus the picture is {held[0]:.3g} x {held[1]:.3g} m."
    return (
        f"<p><small>Angle of view {wide:.1f} x {high:.1f} degrees.{at_focus} Circle of confusion: picture width / 980, "
        f"{setup.camera.confusion_mm:.4f} and {setup.negative.confusion_mm:.4f} mm. Finished frame "
        f"{setup.raster.width_px} x {setup.raster.height_px} px, {setup.pixel_um:.2f} um a pixel on the negative."
        "</small></p>"
    )


def _figure(svg: str, name: str) -> str:
    return f"<figure><h2>{escape(name)}</h2>{svg}</figure>\n"


def _section(name: str, *inside: str, kind: str = "") -> str:
    return f"<section{kind and f' class={kind}'}><h2>{escape(name)}</h2>{''.join(inside)}</section>\n"
