"""A page that compares: one self-contained HTML file with a wipe, every stage, maps, and the numbers."""

from __future__ import annotations

import base64
from collections.abc import Sequence
from dataclasses import dataclass
from html import escape
from pathlib import Path

import imageio.v3 as iio

from widegauge.advice.answers import answers_for
from widegauge.errors import MediaError
from widegauge.plan import Plan
from widegauge.report.compare import Map, Scale, depth_map, difference_map, ramp_colours
from widegauge.report.markup import list_html, table_html
from widegauge.report.pageparts import SCRIPT, STYLE
from widegauge.report.pair import Look, advice, number_rows, radius_maps
from widegauge.report.stills import Bytes, to_width
from widegauge.report.table import number, short_by, sides_table
from widegauge.stages.stage import NOTHING

MOST_BYTES = 4_500_000
"""Of the whole file, so that it can be sent by mail."""

_SIZES = ((1920, 90), (1600, 88), (1600, 78), (1280, 78), (1280, 66), (960, 66), (640, 60))
"""Widest picture and WebP quality to try, best first."""

_RAMP_COLOURS = 9


@dataclass(frozen=True, slots=True)
class Shown:
    """A picture on the page: a short name, what is to be seen in it, and what its colours mean (maps only)."""

    name: str
    picture: Bytes
    said: str
    scale: Scale | None = None


def write_page(path: Path, look: Look) -> int:
    """Write the page and return its size in bytes; MediaError when the file can't be written."""
    text = page(look)
    beside = path.with_name(path.name + ".part")
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        beside.write_text(text, encoding="utf-8")
        beside.replace(path)
    except OSError as error:
        raise MediaError(f"{path}: can't be written ({error.strerror})") from None
    return len(text.encode())


def page(look: Look) -> str:
    """The whole page; nothing in it is fetched from anywhere. Pictures shrink until it is below MOST_BYTES."""
    pictures = shown(look)
    rest = _rest(look)
    for width_px, quality in _SIZES:
        sources = [_lossy(each.picture, width_px=width_px, quality=quality) for each in pictures]
        if sum(map(len, sources)) + len(rest) < MOST_BYTES:
            break
    pair = look.pair
    height, width = look.after.shape[:2]
    names = [each.name for each in pictures]
    left = next(i for i, name in enumerate(names) if name == pair.names[0])
    right = names.index(pair.names[1])
    short = "" if pair.plan is None else f" {_capital(short_by(pair.plan.depth_of_field_stops))}."
    return "".join(
        [
            '<!doctype html>\n<html lang="en">\n<head>\n<meta charset="utf-8">\n',
            '<meta name="viewport" content="width=device-width, initial-scale=1">\n',
            '<meta http-equiv="Content-Security-Policy" content="default-src \'none\'; img-src data:; '
            "style-src 'unsafe-inline'; script-src 'unsafe-inline'\">\n",
            '<link rel="icon" href="data:,">\n',
            f"<title>{escape(pair.title)}: before and after</title>\n<style>{_style()}</style>\n</head>\n<body>\n",
            f"<header><h1>{escape(pair.heading)}</h1><p>{escape(pair.caption + short)}</p></header>\n",
            _wipe(pictures, left=left, right=right, ratio=width / height),
            rest,
            '<section id="all"><h2>Every picture</h2><div class="grid">\n',
            *(_figure(i, each, source) for i, (each, source) in enumerate(zip(pictures, sources, strict=True))),
            "</div></section>\n",
            f"<script>{SCRIPT}</script>\n</body>\n</html>\n",
        ]
    )


def shown(look: Look) -> list[Shown]:
    """The pictures of a page in the order of the chain, then the maps; a stage that adds nothing is left out."""
    pair = look.pair
    first, last = pair.names
    frame = pair.title if pair.number is None else f"frame {pair.number} of {pair.title}"
    pictures: list[Shown] = []
    for name, picture in pair.steps:
        if name == "plate" and picture.shape != look.before.shape:
            pictures.append(Shown("whole plate", picture, f"All of {frame}, before it is cut."))
        elif name.startswith("+ ") and ":" not in name:
            pictures.append(Shown(name, picture, f"{_capital(frame)}, after {name[2:]}."))
    at = 1 if pictures and pictures[0].name == "whole plate" else 0
    pictures.insert(at, Shown(first, look.before, f"{_capital(frame)}, before."))
    pictures.append(Shown(last, look.after, f"{_capital(frame)}, after."))
    found = difference_map(look.stops, look.found)
    pictures.append(_mapped("difference", found, f"How much brighter {last} is than {first}, in stops."))
    if pair.depth_m is not None:
        pictures.append(_mapped("depth", depth_map(pair.depth_m), "Distance from the entrance pupil, even in 1 / m."))
    radii = radius_maps(pair)
    if radii is not None:
        what = "in pixels of the finished frame, by depth and plan"
        pictures.append(_mapped("blur, footage", radii[0], f"Blur radius of the lens on set, {what}."))
        pictures.append(_mapped("blur, negative", radii[1], f"Blur radius of the large negative's lens, {what}."))
    return pictures


def _mapped(name: str, made: Map, said: str) -> Shown:
    return Shown(name, made.picture, said, made.scale)


def _wipe(pictures: Sequence[Shown], *, left: int, right: int, ratio: float) -> str:
    sides = "".join(
        f'<div role="group" aria-label="{side.capitalize()} of the line" data-side="{side}"><span>{side} of the '
        f"line</span>{''.join(_button(i, each.name, i == at) for i, each in enumerate(pictures))}</div>\n"
        for side, at in (("left", left), ("right", right))
    )
    return (
        f'<figure id="wipe" style="--ratio: {ratio:.5f}" hidden>\n'
        '<div id="frame" tabindex="0" role="slider" aria-label="Line between two pictures" aria-valuemin="0" '
        'aria-valuemax="100" aria-valuenow="50">'
        '<img id="under" alt=""><img id="over" alt=""><div id="line"></div></div>\n'
        '<figcaption><span id="leftsaid"></span><span id="rightsaid"></span></figcaption>\n'
        f"{sides}"
        '<p class="keys">The pointer, a finger, or the left and right arrow keys move the line (with Shift ten times '
        "as far; Home, End). Up and down step through the pictures on the right while the frame has the focus; 1 to 9 "
        "choose one.</p>\n</figure>\n"
    )


def _button(i: int, name: str, pressed: bool) -> str:
    return f'<button type="button" data-picture="{i}" aria-pressed="{str(pressed).lower()}">{escape(name)}</button>'


def _figure(i: int, each: Shown, source: str) -> str:
    height, width = each.picture.shape[:2]
    scale = "" if each.scale is None else _scale(each.scale)
    alt = each.said if each.scale is None else f"{each.said} From dark to bright: {each.scale}."
    return (
        f'<figure><img id="p{i}" src="{source}" width="{width}" height="{height}" alt="{escape(alt)}" '
        f'data-name="{escape(each.name)}"><figcaption><b>{escape(each.name)}</b> {escape(each.said)}{scale}'
        "</figcaption></figure>\n"
    )


def _scale(scale: Scale) -> str:
    marks = "".join(f"<span>{escape(words)}</span>" for _, words in scale.marks)
    return f'<span class="scale"><span class="ramp"></span><span class="marks">{marks}</span></span>'


def _rest(look: Look) -> str:
    """The crop, which is kept exactly, and the tables."""
    pair = look.pair
    x, y, w, h = look.window
    crops = "".join(
        f'<figure><img class="crop" src="{_exact(picture[y : y + h, x : x + w])}" width="{w}" height="{h}" '
        f'alt="{escape(f"{_capital(name)}, {look.where}")}"><figcaption>{escape(name)}</figcaption></figure>'
        for name, picture in zip(pair.names, (look.before, look.after), strict=True)
    )
    parts = [
        f'<section><h2>Where they differ most: {escape(look.where)}</h2><div class="pair">{crops}</div></section>\n',
        '<div class="columns">\n',
        _section("What is found", table_html([("", ""), *number_rows(look)]), list_html(advice(look))),
    ]
    if pair.plan is not None:
        sides = sides_table(pair.plan, answers_for(pair.plan))
        parts.append(_section("Both sides", table_html(sides)))
        parts.append(_section("What each stage adds", table_html(_stages(pair.plan)), list_html(_notes(pair.plan))))
    if pair.remarks:
        rows = [("", ""), *((what, f"{value:.4g}") for what, value in pair.remarks)]
        parts.append(_section("Remarks on this frame", table_html(rows)))
    return "".join([*parts, "</div>\n"])


def _stages(plan: Plan) -> list[Sequence[str]]:
    rows: list[Sequence[str]] = [("stage", "quantity", "footage", "negative", "difference")]
    for stage in plan.stages:
        planned = stage.planned
        if planned is None or not stage.acts:
            rows.append((stage.name, "off" if planned is None else NOTHING, "", "", ""))
            continue
        for i, row in enumerate(planned.rows):
            said = row.quantity + (row.unit and f", {row.unit}")
            numbers = (number(row.footage), number(row.negative), number(row.difference))
            rows.append((stage.name if i == 0 else "", said, *numbers))
    return rows


def _notes(plan: Plan) -> list[str]:
    return [f"{name}: {note}" for name, note in plan.notes.items()]


def _section(name: str, *inside: str) -> str:
    return f"<section><h2>{escape(name)}</h2>{''.join(inside)}</section>\n"


def _style() -> str:
    return STYLE.replace("RAMP", ", ".join(ramp_colours(_RAMP_COLOURS)))


def _lossy(picture: Bytes, *, width_px: int, quality: int) -> str:
    small = picture if picture.shape[1] <= width_px else to_width(picture, width_px)
    return _data("webp", iio.imwrite("<bytes>", small, extension=".webp", quality=quality))


def _exact(picture: Bytes) -> str:
    return _data("png", iio.imwrite("<bytes>", picture, extension=".png"))


def _data(kind: str, data: bytes) -> str:
    return f"data:image/{kind};base64,{base64.b64encode(data).decode()}"


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]
