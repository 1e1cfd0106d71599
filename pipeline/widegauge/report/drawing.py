"""The few strokes that drafted drawings need, as plain SVG: lines, dimension lines, scales, labels.

Coordinates are SVG's (x right, y down). Strokes take their look from the page's style by class: ``thin``, ``heavy``,
``dash``, ``dot``, ``axis``. Labels come last, so that lines are interrupted where they stand.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from html import escape

TICK = 3.5
"""Half length of the oblique stroke that ends a dimension line."""

CHARACTER = 5.7
"""Mean width of a character at the page's size of letters in a drawing, 10.5 units; measured on a sans-serif."""

Point = tuple[float, float]


def line(a: Point, b: Point, kind: str = "thin") -> str:
    return f'<path class="{kind}" d="M{_n(a[0])} {_n(a[1])}L{_n(b[0])} {_n(b[1])}"/>'


def path(points: Iterable[Point], kind: str = "thin") -> str:
    """An open line through points."""
    return f'<path class="{kind}" d="M{" ".join(f"{_n(x)} {_n(y)}" for x, y in points)}"/>'


def box(x: float, y: float, width: float, height: float, kind: str = "thin") -> str:
    return f'<rect class="{kind}" x="{_n(x)}" y="{_n(y)}" width="{_n(width)}" height="{_n(height)}"/>'


def label(at: Point, text: str, *, anchor: str = "start", turn_deg: float = 0.0) -> str:
    """Text at its baseline, on a patch of paper that interrupts lines beneath; ``anchor`` is start, middle or end."""
    turned = f' transform="rotate({_n(turn_deg)} {_n(at[0])} {_n(at[1])})"' if turn_deg else ""
    width = CHARACTER * len(text) + 4.0
    left = at[0] - {"start": 2.0, "middle": width / 2.0, "end": width - 2.0}[anchor]
    patch = f'<rect class="paper" x="{_n(left)}" y="{_n(at[1] - 9.0)}" width="{_n(width)}" height="11.5"{turned}/>'
    said = f'<text x="{_n(at[0])}" y="{_n(at[1])}" text-anchor="{anchor}"{turned}>{escape(text)}</text>'
    return patch + said


def dimension(x0: float, x1: float, y: float, *, open_end: bool = False, kind: str = "thin") -> str:
    """A level dimension line with oblique end strokes; an open end runs on past the drawing and has an arrow."""
    drawn = line((x0, y), (x1, y), kind) + _tick(x0, y)
    if open_end:
        return drawn + path([(x1 - 5.0, y - 2.5), (x1, y), (x1 - 5.0, y + 2.5)])
    return drawn + _tick(x1, y)


def upright(x: float, y0: float, y1: float) -> str:
    """An upright dimension line."""
    return line((x, y0), (x, y1)) + _tick(x, y0) + _tick(x, y1)


def clipped(inside: str, name: str, x: float, y: float, width: float, height: float) -> str:
    """Strokes cut off at a rectangle; ``name`` is unique on the page."""
    rect = f'<rect x="{_n(x)}" y="{_n(y)}" width="{_n(width)}" height="{_n(height)}"/>'
    return f'<clipPath id="{name}">{rect}</clipPath><g clip-path="url(#{name})">{inside}</g>'


def drawing(inside: Iterable[str], *, width: float, height: float, title: str) -> str:
    """A whole drawing that fills its column; ``title`` is read aloud."""
    return (
        f'<svg viewBox="0 0 {_n(width)} {_n(height)}" role="img" aria-label="{escape(title, quote=True)}">'
        f"{''.join(inside)}</svg>"
    )


def round_step(span: float, *, most: int) -> float:
    """The smallest of 1, 2, 5 x 10^n that divides a span into ``most`` parts or fewer."""
    if not span > 0.0:
        return 1.0
    power = 10.0 ** math.floor(math.log10(span / most))
    return next(step * power for step in (1.0, 2.0, 5.0, 10.0, 20.0) if span / (step * power) <= most + 1e-9)


def _tick(x: float, y: float) -> str:
    return line((x - TICK, y + TICK), (x + TICK, y - TICK))


def _n(value: float) -> str:
    return f"{value:.2f}".rstrip("0").rstrip(".")
