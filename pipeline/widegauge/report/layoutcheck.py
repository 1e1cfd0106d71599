"""The check of a layout, drawn over its frame: outlines, horizon, distances along the ground, and blur."""

from __future__ import annotations

import math
from dataclasses import dataclass

import cv2
import numpy as np
from PIL import Image, ImageDraw

from widegauge.depth.cutout import Mask
from widegauge.depth.ground import Plane
from widegauge.report.stills import Bytes, captioned, font

DISTANCES_M = (0.5, 0.7, 1, 1.5, 2, 3, 4, 5, 7, 10, 15, 20, 30, 50, 100)
"""Lines along the ground."""

SHAPES_RGB = ((240, 228, 66), (86, 180, 233), (230, 159, 0), (204, 121, 167), (0, 158, 115), (213, 94, 0))
"""M. Okabe and K. Ito, "Color universal design", 2008: colours that stay apart for colour-blind eyes."""
LINE_RGB = (245, 245, 245)
DIMMED = 0.75
NEAR_FOCUS = 0.06
"""No line stands closer to the one at focus: ln of the ratio of the distances."""
PAD = 0.3
"""Around a label's text, of its size."""

Box = tuple[float, float, float, float]
Colour = tuple[int, int, int]


@dataclass(frozen=True, slots=True)
class Outline:
    """One thing on the frame.

    inside                                  (H, W), as it goes into the depth map
    nearest_inverse_m, farthest_inverse_m   1/Z of its nearest and farthest pixel
    how                                     how its distance is known
    feet                                    where it touches the ground, in pixels
    """

    name: str
    inside: Mask
    nearest_inverse_m: float
    farthest_inverse_m: float
    how: str
    feet: tuple[tuple[float, float], ...]
    confidence: float


@dataclass(frozen=True, slots=True)
class Facts:
    """One frame of a layout.

    horizon_px       the horizon's y at the left and right edge
    ground           inverse depth of the ground
    blur_scale_px_m  kappa of the negative's blur radius in pixels of the finished frame; None without focus
    finished_frac    the finished frame's width over the footage's
    """

    number: int
    horizon_px: tuple[float, float]
    tilt_deg: float
    camera_height_m: float
    ground: Plane
    backing_m: float
    focus_m: float | None
    blur_scale_px_m: float | None
    preset: str
    finished_frac: float
    outlines: tuple[Outline, ...]

    def blur_px(self, inverse_m: float) -> float | None:
        """Signed blur radius on the finished frame; below 0 in front of focus."""
        if self.blur_scale_px_m is None or self.focus_m is None:
            return None
        return self.blur_scale_px_m * (1.0 / self.focus_m - inverse_m)


def layout_check(picture: Bytes, facts: Facts) -> Bytes:
    """A frame (sRGB bytes) with its layout drawn over it, and a caption that says how to read it."""
    sheet = _Sheet(picture, facts)
    sheet.horizon()
    sheet.ground()
    for i, each in enumerate(facts.outlines):
        sheet.thing(each, SHAPES_RGB[i % len(SHAPES_RGB)])
    return captioned(sheet.written(), _caption(facts))


class _Sheet:
    """The frame while it is drawn on; labels are kept apart, and written last."""

    def __init__(self, picture: Bytes, facts: Facts) -> None:
        self.height, self.width = picture.shape[:2]
        self.size = max(13, round(self.width / 96))
        self.facts = facts
        self._page = Image.fromarray((picture * DIMMED).astype(np.uint8))
        self._draw = ImageDraw.Draw(self._page)
        self._labels: list[tuple[Box, str, Colour]] = []
        self._covered = np.zeros((self.height, self.width), bool)
        for each in facts.outlines:
            self._covered |= each.inside

    def horizon(self) -> None:
        """A dashed line."""
        (left, right), dash = self.facts.horizon_px, self.size
        for x in range(0, self.width, 2 * dash):
            ends = [(at, left + (right - left) * at / self.width) for at in (x, x + dash)]
            self._draw.line(ends, fill=LINE_RGB, width=max(2, self.size // 8))
        inverse_m = 1.0 / self.facts.backing_m
        text = f"horizon; above it {_metres(self.facts.backing_m)}{_blur(self.facts, inverse_m)}"
        self._labels.append((self._box((self.width, right - 1.7 * self.size), text, from_right=True), text, LINE_RGB))

    def ground(self) -> None:
        """A line along the ground at each round distance, as far as the backing, hidden by what stands before it."""
        facts, covered = self.facts, self._covered
        focus = () if facts.focus_m is None else (facts.focus_m,)
        round_m = [d for d in DISTANCES_M if all(abs(math.log(d / f)) > NEAR_FOCUS for f in focus)]
        x = np.arange(self.width) + 0.5
        for distance_m in (*focus, *round_m):
            if facts.ground.down == 0.0 or distance_m > facts.backing_m:
                continue
            y = (1.0 / distance_m - facts.ground.at_corner - facts.ground.across * x) / facts.ground.down
            seen = (y >= 0.0) & (y < self.height)
            seen[seen] &= ~covered[y[seen].astype(int), np.flatnonzero(seen)]
            if not seen.any():
                continue
            there, in_focus = np.flatnonzero(seen), distance_m in focus
            text = f"focus {distance_m:g} m" if in_focus else f"{distance_m:g} m{_blur(facts, 1.0 / distance_m)}"
            box = self._box((float(there[-1]), float(y[there[-1]]) - self.size / 2.0), text, from_right=True)
            if self._meets(box):
                continue
            for run in np.split(there, np.flatnonzero(np.diff(there) > 1) + 1):
                ends = [(float(x[i]), float(y[i])) for i in (run[0], run[-1])]
                self._draw.line(ends, fill=LINE_RGB, width=max(3, self.size // 5) if in_focus else 1)
            self._labels.append((box, text, LINE_RGB))

    def thing(self, each: Outline, rgb: Colour) -> None:
        """Its outline, a cross at each foot, and its name, distance and blur above it."""
        edges, _ = cv2.findContours(each.inside.astype(np.uint8), cv2.RETR_LIST, cv2.CHAIN_APPROX_NONE)
        for edge in edges:
            ring = [(int(x), int(y)) for x, y in edge[:, 0]]
            self._line([*ring, ring[0]], rgb)
        arm = self.size * 0.6
        for x, y in each.feet:
            self._line([(x - arm, y), (x + arm, y)], rgb)
            self._line([(x, y - arm), (x, y + arm)], rgb)
        ends = each.nearest_inverse_m, each.farthest_inverse_m
        near, far = (_metres(math.inf if v == 0.0 else 1.0 / v) for v in ends)
        span = near if near == far else f"{near.removesuffix(' m')} to {far}"
        sure = "" if each.confidence == 1.0 else f", confidence {each.confidence:.2f}"
        text = f"{each.name}\n{span}, {each.how}{sure}"
        blur = self.facts.blur_px(sum(ends) / 2.0)
        if blur is not None:
            text += f"\nblur radius {abs(blur):.1f} px{_side(blur)}"
        self._labels.append((self._beside(each.inside, text), text, rgb))

    def written(self) -> Bytes:
        """The sheet, its labels on dark grounds."""
        pad = self.size * PAD
        for box, text, rgb in self._labels:
            left, top, _, _ = self._draw.multiline_textbbox((0, 0), text, font=font(self.size))
            self._draw.rectangle(box, fill=(16, 16, 16))
            self._draw.multiline_text((box[0] + pad - left, box[1] + pad - top), text, font=font(self.size), fill=rgb)
        return np.asarray(self._page)

    def _line(self, points: list[tuple[float, float]], rgb: Colour) -> None:
        for ink, wide in (((0, 0, 0), max(3, self.size // 5)), (rgb, max(1, self.size // 9))):
            self._draw.line(points, fill=ink, width=wide)

    def _box(self, at: tuple[float, float], text: str, *, from_right: bool = False) -> Box:
        """The dark ground of a text that ends at a point, or has its middle there."""
        left, top, right, bottom = self._draw.multiline_textbbox((0, 0), text, font=font(self.size))
        wide, high, pad = right - left, bottom - top, self.size * PAD
        x = at[0] - wide - 2.0 * pad if from_right else at[0] - wide / 2.0 - pad
        return x, at[1] - pad, x + wide + 2.0 * pad, at[1] + high + pad

    def _beside(self, inside: Mask, text: str) -> Box:
        """Where a shape's text goes: above, right, left or below it, where it hides least; else down from its top."""
        rows, columns = np.flatnonzero(inside.any(axis=1)), np.flatnonzero(inside.any(axis=0))
        left, right, top, bottom = columns[0], columns[-1], rows[0], rows[-1]
        x0, y0, x1, y1 = self._box((0.0, 0.0), text)
        wide, high, gap = x1 - x0, y1 - y0, self.size / 2.0
        middle = (left + right - wide) / 2.0
        places = [(middle, top - high - gap), (right + gap, top), (left - wide - gap, top), (middle, bottom + gap)]
        boxes = [self._within(x, y, wide, high) for x, y in places]
        free = [box for box in boxes if not self._meets(box)]
        if free:
            return min(free, key=self._hidden)
        x, y, _, _ = self._within(middle, float(top), wide, high)
        while y + high < self.height and self._meets((x, y, x + wide, y + high)):
            y += self.size / 4.0
        return x, y, x + wide, y + high

    def _within(self, x: float, y: float, wide: float, high: float) -> Box:
        x, y = min(max(x, 0.0), self.width - wide), min(max(y, 0.0), self.height - high)
        return x, y, x + wide, y + high

    def _hidden(self, box: Box) -> int:
        """Pixels of things that a label would hide."""
        x0, y0, x1, y1 = (max(0, int(edge)) for edge in box)
        return int(np.count_nonzero(self._covered[y0:y1, x0:x1]))

    def _meets(self, box: Box) -> bool:
        return any(
            box[0] < other[2] and other[0] < box[2] and box[1] < other[3] and other[1] < box[3]
            for other, _, _ in self._labels
        )


def _caption(facts: Facts) -> str:
    parts = [
        f"Frame {facts.number}. Lens {facts.camera_height_m:g} m above the ground, tilt {facts.tilt_deg:+.1f} degrees "
        "(below 0 looks down). Thin lines: distance along the lens axis where the ground is. Crosses: where a thing "
        "touches the ground."
    ]
    if facts.focus_m is not None:
        parts.append(
            f"Thick line: focus, {_metres(facts.focus_m)}. Blur is the radius that {facts.preset} gives, in pixels of "
            "the finished frame."
        )
    else:
        parts.append("The shot does not say where focus lies, so that no blur is shown.")
    return " ".join(parts)


def _blur(facts: Facts, inverse_m: float) -> str:
    blur = facts.blur_px(inverse_m)
    return "" if blur is None else f", blur {abs(blur):.1f} px"


def _side(blur_px: float) -> str:
    return ", in focus" if abs(blur_px) < 0.5 else " behind focus" if blur_px > 0.0 else " in front of focus"


def _metres(distance_m: float) -> str:
    return (
        "infinity" if math.isinf(distance_m) else f"{distance_m:.2f} m" if distance_m < 10.0 else f"{distance_m:.1f} m"
    )
