"""The lab report: one self-contained page of what a night came to, failures first, in words and rules."""

from __future__ import annotations

import base64
from collections.abc import Sequence
from dataclasses import dataclass
from html import escape

import imageio.v3 as iio

from widegauge.report.labparts import STYLE
from widegauge.report.markup import list_html, table_html
from widegauge.report.stills import Bytes, to_width

MOST_BYTES = 7_500_000
"""Of the whole file, so that it can be sent by mail."""

WIDEST_PX = 800
"""Width of a still at most."""

_SIZES = ((800, 82), (720, 78), (640, 74), (560, 66), (480, 60), (400, 55))
"""Width of a still and its WebP quality to try, best first."""

FEW = 2
"""So many frames that failed are told at once; more are folded away."""


@dataclass(frozen=True, slots=True)
class FlagPart:
    """A flag in words: what, what was found, where to look, and in which frames."""

    name: str
    sentence: str
    look: str
    frames: str


@dataclass(frozen=True, slots=True)
class ShotPart:
    """A shot on the page, everything as it is to be read.

    status       a word or two
    sentence     what was done, or what went wrong and what to do; a line each where there are several
    frames       "46 of 48"
    troubles     (frame, sentence) of each frame that failed
    pair         the frame shown, before and after
    pair_said    which frame, and why it
    differences  the table of what the stages added, its head first; empty when nothing is known of it
    facts        (name, value) of everything else
    """

    name: str
    status: str
    sentence: str
    frames: str
    flags: Sequence[FlagPart] = ()
    troubles: Sequence[tuple[str, str]] = ()
    pair: tuple[Bytes, Bytes] | None = None
    pair_said: str = ""
    differences: Sequence[Sequence[str]] = ()
    notes: Sequence[str] = ()
    facts: Sequence[tuple[str, str]] = ()


@dataclass(frozen=True, slots=True)
class NightPart:
    """A night on the page; ``groups`` are (name, shots), failures first, and an empty one is left out."""

    title: str
    sentence: str
    facts: Sequence[tuple[str, str]]
    groups: Sequence[tuple[str, Sequence[ShotPart]]]
    remarks: Sequence[str] = ()


def lab_page(night: NightPart) -> str:
    """The whole page; nothing in it is fetched from anywhere. Stills shrink until it is below MOST_BYTES.

    What needs somebody comes first, then every shot in a line, then the last group.
    """
    shots = [shot for _, group in night.groups for shot in group]
    rest = "".join(_shot(i, shot, ("", "")) for i, shot in enumerate(shots))
    for width_px, quality in _SIZES:
        stills = [_stills(shot, width_px=width_px, quality=quality) for shot in shots]
        if sum(len(each) for two in stills for each in two) + len(rest) < MOST_BYTES:
            break
    *first, last = _groups(night, stills) or [""]
    return "".join(
        [
            '<!doctype html>\n<html lang="en">\n<head>\n<meta charset="utf-8">\n',
            '<meta name="viewport" content="width=device-width, initial-scale=1">\n',
            '<meta name="color-scheme" content="light dark">\n',
            '<meta http-equiv="Content-Security-Policy" content="default-src \'none\'; img-src data:; '
            "style-src 'unsafe-inline'\">\n",
            '<link rel="icon" href="data:,">\n',
            f"<title>{escape(night.title)}</title>\n<style>{STYLE}</style>\n</head>\n<body>\n",
            f"<header><h1>{escape(night.title)}</h1>\n{_facts(night.facts, kind='form')}"
            f'<p class="night">{escape(night.sentence)}</p>\n',
            f'<div class="remarks">{list_html(night.remarks)}</div>' if night.remarks else "",
            f"</header>\n<main>\n{''.join(first)}{_index(night)}{last}</main>\n</body>\n</html>\n",
        ]
    )


def _index(night: NightPart) -> str:
    """Every shot in a line, each leading to its place on the page."""
    lines, i = [], 0
    for name, group in night.groups:
        if group:
            lines.append(f'<tr class="group"><th colspan="4" scope="rowgroup">{escape(name)}</th></tr>')
        for shot in group:
            flags = ", ".join(flag.name for flag in shot.flags)
            lines.append(
                f'<tr><th scope="row"><a href="#shot-{i}">{escape(shot.name)}</a></th><td>{escape(shot.status)}</td>'
                f'<td class="count">{escape(shot.frames)}</td><td>{escape(flags)}</td></tr>'
            )
            i += 1
    head = "".join(f'<th scope="col">{name}</th>' for name in ("shot", "status", "frames", "flags"))
    return (
        f'<section><h2>All shots</h2><div class="scroll"><table class="index"><thead><tr>{head}</tr></thead>'
        f"<tbody>{''.join(lines)}</tbody></table></div></section>\n"
    )


def _groups(night: NightPart, stills: Sequence[tuple[str, str]]) -> list[str]:
    """A section a group; "" for an empty one."""
    sections, i = [], 0
    for name, group in night.groups:
        shots = [_shot(i + j, shot, stills[i + j]) for j, shot in enumerate(group)]
        i += len(group)
        sections.append(f"<section><h2>{escape(name)}</h2>\n{''.join(shots)}</section>\n" if shots else "")
    return sections


def _shot(i: int, shot: ShotPart, stills: tuple[str, str]) -> str:
    said = "".join(f"<p>{escape(line)}</p>" for line in shot.sentence.split("\n") if line.strip())
    return "".join(
        [
            f'<article id="shot-{i}"><div class="head"><h3>{escape(shot.name)}</h3><p class="status">',
            f"{escape(shot.status)}</p></div>\n{said}",
            _troubles(shot),
            _flags(shot),
            _pair(shot, stills),
            _more(shot),
            "</article>\n",
        ]
    )


def _troubles(shot: ShotPart) -> str:
    if len(shot.troubles) < FEW:
        return ""
    table = f'<div class="troubles">{table_html([("frame", "what happened"), *shot.troubles])}</div>'
    if len(shot.troubles) <= FEW:
        return table
    return _folded(f"The {len(shot.troubles)} frames that failed", table)


def _flags(shot: ShotPart) -> str:
    if not shot.flags:
        return ""
    items = "".join(
        f"<dt>{escape(flag.name)}</dt><dd>{escape(flag.sentence)} <span>{_look(flag.look)}</span>"
        f"{_which(flag.frames)}</dd>"
        for flag in shot.flags
    )
    return f'<dl class="flags">{items}</dl>\n'


def _which(frames: str) -> str:
    return f'<span class="which">Frames {escape(frames)}.</span>' if "," in frames or "-" in frames else ""


def _look(look: str) -> str:
    """Where to look; a command in it is set as one."""
    words, command, rest = look.partition("widegauge ")
    said = escape(words[:1].upper() + words[1:])
    return f"{said}<code>{escape(command + rest)}</code>" if command else f"{said}."


def _pair(shot: ShotPart, stills: tuple[str, str]) -> str:
    if shot.pair is None:
        return ""
    figures = "".join(
        f'<figure><img src="{source}" width="{picture.shape[1]}" height="{picture.shape[0]}" '
        f'alt="{escape(f"{shot.name}, {name}. {shot.pair_said}")}"><figcaption>{name}</figcaption></figure>'
        for name, picture, source in zip(("footage", "finished"), shot.pair, stills, strict=True)
    )
    return f'<div class="pair">{figures}<p>{escape(shot.pair_said)}</p></div>\n'


def _more(shot: ShotPart) -> str:
    inside = [
        f'<div class="added">{table_html(shot.differences)}</div>' if shot.differences else "",
        list_html(shot.notes) if shot.notes else "",
        _facts(shot.facts),
    ]
    name = "What was added, times and places" if shot.differences else "Times and places"
    return _folded(name, "".join(inside))


def _folded(name: str, inside: str) -> str:
    return f"<details><summary>{escape(name)}</summary>{inside}</details>\n"


def _facts(facts: Sequence[tuple[str, str]], *, kind: str = "facts") -> str:
    items = "".join(f"<div><dt>{escape(name)}</dt><dd>{escape(value)}</dd></div>" for name, value in facts)
    return f'<dl class="{kind}">{items}</dl>\n'


def _stills(shot: ShotPart, *, width_px: int, quality: int) -> tuple[str, str]:
    if shot.pair is None:
        return "", ""
    before, after = (_data(picture, width_px=width_px, quality=quality) for picture in shot.pair)
    return before, after


def _data(picture: Bytes, *, width_px: int, quality: int) -> str:
    small = picture if picture.shape[1] <= width_px else to_width(picture, width_px)
    data = iio.imwrite("<bytes>", small, extension=".webp", quality=quality)
    return f"data:image/webp;base64,{base64.b64encode(data).decode()}"
