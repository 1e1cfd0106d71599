"""The check of a layout, drawn over its frame: outlines, horizon, distances along the ground, and blur."""

from __future__ import annotations

import math
import textwrap
from dataclasses import dataclass

import cv2
import numpy as np
import numpy.typing as npt
from PIL import Image, ImageDraw

from widegauge.depth.cutout import Mask
from widegauge.depth.ground import Plane
from widegauge.report.leaders import Colour, Label, columns, draw_leaders, place_within, with_columns
from widegauge.report.stills import Bytes, captioned, font

DISTANCES_M = (0.5, 0.7, 1, 1.5, 2, 3, 4, 5, 7, 10, 15, 20, 30, 50, 100)
"""Lines along the ground."""

SHAPES_RGB = ((240, 228, 66), (86, 180, 233), (230, 159, 0), (204, 121, 167), (0, 158, 115), (213, 94, 0))
"""M. Okabe and K. Ito, "Color universal design", 2008: colours that stay apart for colour-blind eyes."""
LINE_RGB = (245, 245, 245)
DIMMED = 0.75
NEAR_FOCUS = 0.06
"""No line stands closer to the one at focus: ln of the ratio of the distances."""
DASHES: tuple[tuple[float, ...], ...] = ((), (1.0, 0.5), (0.3, 0.4))
"""An outline's parts on and off in turn, of the text's size; eighteen things differ in colour or in this."""
DARK = (16, 16, 16)
LEAST_WIDTH_PX = 960
"""Smaller frames are enlarged by a whole number."""
NAME_LETTERS = 32

Box = tuple[float, float, float, float]
Float64 = npt.NDArray[np.float64]
Line = tuple[Float64, Mask, tuple[Box, str], int]
"""Its y over x, where it is seen, its label, and its width (0: dashed)."""


@dataclass(frozen=True, slots=True)
class Outline:
    """One thing on the frame.

    inside                                  (H, W), as it goes into the depth map
    seen                                    (H, W), the part of it that nothing nearer hides
    nearest_inverse_m, farthest_inverse_m   1/Z of its nearest and farthest pixel
    how                                     how its distance is known
    feet                                    where it touches the ground, in pixels
    """

    name: str
    inside: Mask
    seen: Mask
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
    outlines: tuple[Outline, ...]

    def blur_px(self, inverse_m: float) -> float | None:
        """Signed blur radius on the finished frame; below 0 in front of focus."""
        if self.blur_scale_px_m is None or self.focus_m is None:
            return None
        return self.blur_scale_px_m * (1.0 / self.focus_m - inverse_m)


def layout_check(picture: Bytes, facts: Facts) -> Bytes:
    """A frame (sRGB bytes) with its layout drawn over it, labels beside it, and a caption that says how to read it."""
    times = -(-LEAST_WIDTH_PX // picture.shape[1])
    sheet = _Sheet(cv2.resize(picture, None, fx=times, fy=times, interpolation=cv2.INTER_CUBIC), facts, times)
    return captioned(sheet.drawn(), _caption(facts))


def style(i: int) -> tuple[Colour, tuple[float, ...]]:
    """The colour and dashes of the i-th thing."""
    return SHAPES_RGB[i % len(SHAPES_RGB)], DASHES[(i + i // len(SHAPES_RGB)) % len(DASHES)]


class _Sheet:
    """The frame while it is drawn on, ``times`` as large as it is."""

    def __init__(self, picture: Bytes, facts: Facts, times: int) -> None:
        self.height, self.width = picture.shape[:2]
        self.size = max(13, round(self.width / 96))
        self.facts, self.times = facts, times
        self._picture = (picture * DIMMED).astype(np.uint8)
        self._things = [(each, _enlarged(each.inside, times), _enlarged(each.seen, times)) for each in facts.outlines]
        self._covered = np.zeros((self.height, self.width), bool)
        for _, inside, _ in self._things:
            self._covered |= inside

    def drawn(self) -> Bytes:
        """The whole sheet: lines of the ground, outlines, lines from labels, labels."""
        styles = [style(i) for i in range(len(self._things))]
        labels = [self._label(thing, rgb) for thing, (rgb, _) in zip(self._things, styles, strict=True)]
        placed = columns(labels, width_px=self.width, height_px=self.height, size=self.size)
        self._hides = self._covered.copy()
        for each in placed:
            self._hides |= draw_leaders(np.zeros_like(self._picture), [each], size=self.size).any(axis=2)
        lines = self._lines()
        for y, seen, _, wide in lines:
            self._line_of_ground(y, seen, wide)
        for thing, (rgb, dash) in zip(self._things, styles, strict=True):
            self._outline(*thing, rgb, dash)
        leading = draw_leaders(self._picture, placed, size=self.size)
        return with_columns(self._written(leading, lines), placed, size=self.size)

    def _lines(self) -> list[Line]:
        """The horizon, and a line along the ground at each round distance, as far as the backing.

        Hidden by what stands before it; left out where its label finds no room.
        """
        facts, x = self.facts, np.arange(self.width) + 0.5
        left, right = (y * self.times for y in facts.horizon_px)
        inverse_m = 1.0 / facts.backing_m
        wanted = [(left + (right - left) * x / self.width,
                   f"horizon; above it {_metres(facts.backing_m)}{_blur(facts, inverse_m)}", 0)]  # fmt: skip
        focus = () if facts.focus_m is None else (facts.focus_m,)
        round_m = [d for d in DISTANCES_M if all(abs(math.log(d / f)) > NEAR_FOCUS for f in focus)]
        for distance_m in (*focus, *round_m):
            if facts.ground.down == 0.0 or distance_m > facts.backing_m:
                continue
            y = (1.0 / distance_m - facts.ground.at_corner - facts.ground.across * x / self.times) / facts.ground.down
            in_focus = distance_m in focus
            text = f"focus {distance_m:.3g} m" if in_focus else f"{distance_m:g} m{_blur(facts, 1.0 / distance_m)}"
            wanted.append((y * self.times, text, max(3, self.size // 5) if in_focus else 1))
        self._boxes: list[Box] = []
        lines: list[Line] = []
        for y, text, wide in wanted:
            seen = (y >= 0.0) & (y < self.height)
            if wide:
                seen[seen] &= ~self._covered[y[seen].astype(int), np.flatnonzero(seen)]
            box = self._beside(y, seen, text)
            if box is not None:
                self._boxes.append(box)
                lines.append((y, seen, (box, text), wide))
        return lines

    def _beside(self, y: Float64, seen: Mask, text: str) -> Box | None:
        """Where a line's label goes: on it, as far right as hides nothing, or else the least; None without room."""
        wide, high = self._extent(text)
        best: tuple[int, Box] | None = None
        for x in range(self.width - math.ceil(wide), -1, -self.size):
            under = slice(x, x + math.ceil(wide))
            if not seen[under].any():
                continue
            top = min(max(float(y[under].mean()) - high / 2.0, 0.0), self.height - high)
            box = (float(x), top, x + wide, top + high)
            if any(_meet(box, other) for other in self._boxes):
                continue
            hidden = int(np.count_nonzero(self._hides[int(top) : math.ceil(top + high), under]))
            if best is None or hidden < best[0]:
                best = hidden, box
            if hidden == 0:
                break
        return None if best is None else best[1]

    def _line_of_ground(self, y: Float64, seen: Mask, wide: int) -> None:
        """A line where it is seen; the horizon (width 0) dashed."""
        on = seen if wide else seen & (np.arange(self.width) // self.size % 2 == 0)
        there = np.flatnonzero(on)
        for run in np.split(there, np.flatnonzero(np.diff(there) > 1) + 1) if there.size else ():
            self._stroke(np.stack((run + 0.5, y[run]), axis=1), LINE_RGB, wide or max(2, self.size // 8))

    def _outline(self, each: Outline, inside: Mask, seen: Mask, rgb: Colour, dash: tuple[float, ...]) -> None:
        """A thing's outline where nothing nearer hides it, and a cross at each foot."""
        edges, _ = cv2.findContours(inside.astype(np.uint8), cv2.RETR_LIST, cv2.CHAIN_APPROX_NONE)
        thick = max(1, self.size // 9)
        for edge in edges:
            ring = np.concatenate((edge[:, 0], edge[:1, 0]))
            shown = seen[ring[:, 1], ring[:, 0]] if seen.any() else np.ones(len(ring), bool)
            on = shown & _dashed(len(ring), [part * self.size for part in dash])
            for kept, colour, wide in ((shown, DARK, thick + 2), (on, rgb, thick)):
                there = np.flatnonzero(kept)
                for run in np.split(there, np.flatnonzero(np.diff(there) > 1) + 1) if there.size else ():
                    self._stroke(ring[run] + 0.5, colour, wide)
        arm = self.size * 0.6
        for x, y in ((x * self.times, y * self.times) for x, y in each.feet):
            for colour, wide in ((DARK, thick + 2), (rgb, thick)):
                self._stroke(np.array([(x - arm, y), (x + arm, y)]), colour, wide)
                self._stroke(np.array([(x, y - arm), (x, y + arm)]), colour, wide)

    def _label(self, thing: tuple[Outline, Mask, Mask], rgb: Colour) -> Label:
        each, inside, seen = thing
        ends = each.nearest_inverse_m, each.farthest_inverse_m
        near, far = (_metres(math.inf if v == 0.0 else 1.0 / v) for v in ends)
        span = near if near == far else f"{near.removesuffix(' m')} to {far}"
        lines = [*textwrap.wrap(each.name, NAME_LETTERS), f"{span}, {each.how}"]
        blur = self.facts.blur_px(sum(ends) / 2.0)
        if blur is not None:
            lines.append(f"blur radius {abs(blur):.1f} px{_side(blur)}")
        if each.confidence != 1.0:
            lines.append(f"confidence {each.confidence:.2f}")
        if not seen.any():
            lines.append("hidden by what is nearer")
            seen = inside
        x, _ = place_within(seen, on_left=True)
        y, _ = place_within(seen, on_left=False)
        return Label("\n".join(lines), rgb, place_within(seen, on_left=x + y < self.width))

    def _written(self, picture: Bytes, lines: list[Line]) -> Bytes:
        """The picture with the labels of its lines, on dark grounds."""
        page = Image.fromarray(picture)
        draw = ImageDraw.Draw(page)
        for _, _, (box, text), _ in lines:
            draw.rectangle(box, fill=DARK)
            middle = (box[0] + box[2]) / 2.0, (box[1] + box[3]) / 2.0
            draw.text(middle, text, font=font(self.size), fill=LINE_RGB, anchor="mm")
        return np.asarray(page)

    def _stroke(self, points: Float64, rgb: Colour, wide: int) -> None:
        cv2.polylines(self._picture, [np.rint(points * 16.0 - 8.0).astype(np.int32)], False, rgb, wide, cv2.LINE_AA, 4)

    def _extent(self, text: str) -> tuple[float, float]:
        return font(self.size).getlength(text) + self.size * 0.8, self.size * 1.4


def _enlarged(inside: Mask, times: int) -> Mask:
    return np.repeat(np.repeat(inside, times, axis=0), times, axis=1) if times > 1 else inside


def _dashed(count: int, parts: list[float]) -> Mask:
    """Which of so many points along a line are drawn: parts on and off in turn; all where there are none."""
    if not parts:
        return np.ones(count, bool)
    ends = np.cumsum(parts)
    return np.asarray(np.searchsorted(ends, np.arange(count) % ends[-1], side="right") % 2 == 0)


def _meet(a: Box, b: Box) -> bool:
    return a[0] < b[2] and b[0] < a[2] and a[1] < b[3] and b[1] < a[3]


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
