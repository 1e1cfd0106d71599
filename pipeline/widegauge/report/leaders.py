"""Labels beside a picture, each with a line to its place: none hides the picture, another label, or crosses a line."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
import numpy.typing as npt
from PIL import Image, ImageDraw

from widegauge.report.stills import PAPER, Bytes, font

Colour = tuple[int, int, int]
Point = tuple[float, float]

PAD = 0.4
"""Around a label's text, and between labels, of the text's size."""
SPACING_PX = 4
_DARK = (16, 16, 16)


@dataclass(frozen=True, slots=True)
class Label:
    """A text and the place in the picture that it is about, in pixels."""

    text: str
    rgb: Colour
    place: Point


@dataclass(frozen=True, slots=True)
class Placed:
    """A label in a column: its top from the picture's, its height, and which side of the picture it is on."""

    label: Label
    top: float
    high: float
    on_left: bool

    def leader(self, width_px: int) -> tuple[Point, Point]:
        """Its line, from the picture's edge to its place."""
        return (0.0 if self.on_left else float(width_px), self.top + self.high / 2.0), self.label.place


def columns(labels: Sequence[Label], *, width_px: int, height_px: int, size: int) -> list[Placed]:
    """Labels in a column on either side of a picture, so that no two meet and no two lines from one side cross.

    On the nearer side while there is room; a column that is longer than the picture goes on below it.
    """
    gap = PAD * size
    high = {id(each): _extent(each.text, size)[1] + 2.0 * gap for each in labels}
    room = int((height_px + gap) / (max(high.values(), default=1.0) + gap))
    left = sorted((each for each in labels if each.place[0] < width_px / 2.0), key=lambda each: each.place[0])
    right = sorted((each for each in labels if each.place[0] >= width_px / 2.0), key=lambda each: each.place[0])
    while len(left) > room > len(right):
        right.insert(0, left.pop())
    while len(right) > room > len(left):
        left.append(right.pop(0))
    return [
        each for side, on_left in ((left, True), (right, False))
        for each in _stacked(side, [high[id(label)] for label in side], gap, height_px, width_px, on_left)
    ]  # fmt: skip


def draw_leaders(picture: Bytes, placed: Sequence[Placed], *, size: int) -> Bytes:
    """A picture with each label's line and a dot at its place."""
    drawn = np.ascontiguousarray(picture)
    thin = max(1, size // 12)
    for each in placed:
        (x0, y0), (x1, y1) = ((round(x * 16), round(y * 16)) for x, y in each.leader(picture.shape[1]))
        for rgb, wide, radius in ((_DARK, thin + 2, 0.34), (each.label.rgb, thin, 0.22)):
            cv2.line(drawn, (x0, y0), (x1, y1), rgb, wide, cv2.LINE_AA, 4)
            cv2.circle(drawn, (x1, y1), round(radius * size * 16), rgb, -1, cv2.LINE_AA, 4)
    return drawn


def with_columns(picture: Bytes, placed: Sequence[Placed], *, size: int) -> Bytes:
    """A picture between its columns of labels."""
    height, width = picture.shape[:2]
    wide = [
        max((_extent(each.label.text, size)[0] for each in placed if each.on_left == side), default=0)
        for side in (True, False)
    ]
    margins = [round(w + 3.0 * PAD * size) if w else 0 for w in wide]
    bottom = max([height, *(round(each.top + each.high) for each in placed)])
    page = Image.new("RGB", (sum(margins) + width, bottom), (PAPER,) * 3)
    page.paste(Image.fromarray(picture), (margins[0], 0))
    draw = ImageDraw.Draw(page)
    for each in placed:
        text_wide = _extent(each.label.text, size)[0]
        inner = margins[0] if each.on_left else margins[0] + width
        x = inner - 2.0 * PAD * size - text_wide if each.on_left else inner + 2.0 * PAD * size
        draw.multiline_text(
            (x, each.top + PAD * size), each.label.text, fill=each.label.rgb, font=font(size), spacing=SPACING_PX,
            align="right" if each.on_left else "left",
        )  # fmt: skip
        bar = inner - 0.8 * PAD * size if each.on_left else inner + 0.8 * PAD * size
        draw.line((bar, each.top, bar, each.top + each.high), fill=each.label.rgb, width=max(2, size // 8))
        draw.line((bar, each.top + each.high / 2.0, inner, each.top + each.high / 2.0), fill=each.label.rgb, width=2)
    return np.asarray(page)


def place_within(inside: npt.NDArray[np.bool_], *, on_left: bool) -> Point:
    """A place well within a shape (H, W), towards a side of the picture: for a line from there to end at."""
    deep = cv2.distanceTransform(np.pad(inside, 1).astype(np.uint8), cv2.DIST_L2, 5)[1:-1, 1:-1]
    rows, columns = np.nonzero(deep >= 0.7 * deep.max())
    from_side = columns if on_left else inside.shape[1] - columns
    i = int(np.argmin(from_side + 0.5 * np.abs(rows - rows.mean())))
    return float(columns[i]) + 0.5, float(rows[i]) + 0.5


def _stacked(
    side: list[Label], high: list[float], gap: float, height_px: int, width_px: int, on_left: bool
) -> list[Placed]:
    """A column of equal places, near the heights of what they are about, given out so that lines are short in all.

    Lines of least total length do not cross: of two that do, the exchanged ones are shorter.
    """
    if not side:
        return []
    from scipy.optimize import linear_sum_assignment

    tall = max(high)
    middles: list[float] = []
    for y in sorted(each.place[1] for each in side):
        middles.append(max(y, middles[-1] + tall + gap if middles else tall / 2.0))
    last = max(height_px - tall / 2.0, tall / 2.0 + (tall + gap) * (len(side) - 1))
    for i in reversed(range(len(middles))):
        middles[i] = min(middles[i], last)
        last = middles[i] - tall - gap
    ends = np.array([(0.0 if on_left else width_px, middle) for middle in middles])
    places = np.array([each.place for each in side])
    which, where = linear_sum_assignment(np.linalg.norm(places[:, None] - ends[None], axis=2))
    return [Placed(side[i], middles[j] - high[i] / 2.0, high[i], on_left) for i, j in zip(which, where, strict=True)]


def _extent(text: str, size: int) -> tuple[float, float]:
    box = ImageDraw.Draw(Image.new("L", (1, 1))).multiline_textbbox((0, 0), text, font=font(size), spacing=SPACING_PX)
    return box[2], box[3]
