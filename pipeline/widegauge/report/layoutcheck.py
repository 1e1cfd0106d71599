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
Box = tuple[float, float, float, float]


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
    height, width = picture.shape[:2]
    page = Image.fromarray((picture * DIMMED).astype(np.uint8))
    draw = ImageDraw.Draw(page)
    size = max(13, round(width / 96))
    covered = np.zeros((height, width), bool)
    for each in facts.outlines:
        covered |= each.inside
    taken: list[Box] = []
    _horizon(draw, facts, width, size, taken)
    _ground(draw, facts, covered, size, taken)
    drawn = np.asarray(page).copy()
    for i, each in enumerate(facts.outlines):
        edges, _ = cv2.findContours(each.inside.astype(np.uint8), cv2.RETR_LIST, cv2.CHAIN_APPROX_NONE)
        cv2.drawContours(drawn, edges, -1, (0, 0, 0), max(3, size // 4), cv2.LINE_AA)
        cv2.drawContours(drawn, edges, -1, SHAPES_RGB[i % len(SHAPES_RGB)], max(1, size // 9), cv2.LINE_AA)
    page = Image.fromarray(drawn)
    draw = ImageDraw.Draw(page)
    for i, each in enumerate(facts.outlines):
        _thing(draw, facts, each, SHAPES_RGB[i % len(SHAPES_RGB)], size, (width, height), taken)
    return captioned(np.asarray(page), _caption(facts))


def _horizon(draw: ImageDraw.ImageDraw, facts: Facts, width: int, size: int, taken: list[Box]) -> None:
    left, right = facts.horizon_px
    dash = size
    for x in range(0, width, 2 * dash):
        ends = [left + (right - left) * min(at, width) / width for at in (x, x + dash)]
        draw.line([(x, ends[0]), (x + dash, ends[1])], fill=LINE_RGB, width=max(2, size // 8))
    text = f"horizon; above it {_metres(facts.backing_m)}{_blur(facts, 1.0 / facts.backing_m)}"
    _write(
        draw, _box(draw, (width - size, right - 1.5 * size), text, size, from_right=True), text, size, LINE_RGB, taken
    )


def _ground(
    draw: ImageDraw.ImageDraw,
    facts: Facts,
    covered: Mask,
    size: int,
    taken: list[Box],
) -> None:
    """A line along the ground at each round distance as far as the backing, hidden by what stands in front of it."""
    height, width = covered.shape
    focus = () if facts.focus_m is None else (facts.focus_m,)
    lines = [d for d in DISTANCES_M if all(abs(math.log(d / f)) > 0.06 for f in focus)]
    x = np.arange(width) + 0.5
    for distance_m in sorted({*lines, *focus}, key=lambda d: (d not in focus, d)):
        if facts.ground.down == 0.0 or distance_m > facts.backing_m:
            continue
        y = (1.0 / distance_m - facts.ground.at_corner - facts.ground.across * x) / facts.ground.down
        seen = (y >= 0.0) & (y < height)
        seen[seen] &= ~covered[y[seen].astype(int), np.flatnonzero(seen)]
        if not seen.any():
            continue
        in_focus = distance_m in focus
        right_most = int(np.flatnonzero(seen)[-1])
        text = f"{'focus ' if in_focus else ''}{distance_m:g} m{'' if in_focus else _blur(facts, 1.0 / distance_m)}"
        spot = (min(right_most, width - size), float(y[right_most]) - size / 2.0)
        room = _room(draw, spot, text, size, taken, from_right=True)
        if room is None:
            continue
        runs = np.split(np.flatnonzero(seen), np.flatnonzero(np.diff(np.flatnonzero(seen)) > 1) + 1)
        for run in runs:
            ends = [(float(x[i]), float(y[i])) for i in (run[0], run[-1])]
            draw.line(ends, fill=LINE_RGB, width=max(3, size // 5) if in_focus else 1)
        _write(draw, room, text, size, LINE_RGB, taken)


def _thing(
    draw: ImageDraw.ImageDraw,
    facts: Facts,
    each: Outline,
    rgb: tuple[int, int, int],
    size: int,
    frame_px: tuple[int, int],
    taken: list[Box],
) -> None:
    """Its name, distance and blur in its upper part, a mark at each foot, and a disc of the blur's true size."""
    for x, y in each.feet:
        arm = size * 0.6
        for ends in ([(x - arm, y), (x + arm, y)], [(x, y - arm), (x, y + arm)]):
            draw.line(ends, fill=(0, 0, 0), width=max(4, size // 4))
            draw.line(ends, fill=rgb, width=max(2, size // 8))
    near, far = each.nearest_inverse_m, each.farthest_inverse_m
    middle = (near + far) / 2.0
    ends_m = [_metres(math.inf if v == 0.0 else 1.0 / v) for v in (near, far)]
    span = ends_m[0] if ends_m[0] == ends_m[1] else f"{ends_m[0].removesuffix(' m')} to {ends_m[1]}"
    sure = "" if each.confidence == 1.0 else f", confidence {each.confidence:.2f}"
    text = f"{each.name}\n{span}, {each.how}{sure}"
    blur = facts.blur_px(middle)
    if blur is not None:
        text += f"\nblur radius {abs(blur):.1f} px{_side(blur)}"
    rows, columns = np.nonzero(each.inside)
    lines = text.count("\n") + 1
    above = (float(columns.mean()), float(rows.min()) - (1.3 * lines + 0.8) * size)
    _write(draw, _moved_room(draw, above, text, size, taken, frame_px), text, size, rgb, taken)


def _box(draw: ImageDraw.ImageDraw, at: tuple[float, float], text: str, size: int, *, from_right: bool = False) -> Box:
    """The dark ground of a text: ending at a point, or with its middle over it."""
    left, top, right, bottom = draw.multiline_textbbox((0, 0), text, font=font(size))
    wide, high, pad = right - left, bottom - top, size * 0.3
    x = at[0] - wide if from_right else at[0] - wide / 2.0
    return x - pad, at[1] - pad, x + wide + pad, at[1] + high + pad


def _room(
    draw: ImageDraw.ImageDraw,
    at: tuple[float, float],
    text: str,
    size: int,
    taken: list[Box],
    *,
    from_right: bool = False,
) -> Box | None:
    """Where a text goes; None where another one lies already."""
    box = _box(draw, at, text, size, from_right=from_right)
    return None if any(_meet(box, other) for other in taken) else box


def _moved_room(
    draw: ImageDraw.ImageDraw,
    at: tuple[float, float],
    text: str,
    size: int,
    taken: list[Box],
    frame_px: tuple[int, int],
) -> Box:
    """Where a text goes, kept within the frame and moved down past others."""
    x0, y0, x1, y1 = _box(draw, at, text, size)
    right = min(max(-x0, 0.0), frame_px[0]) - max(x1 - frame_px[0], 0.0)
    y0, high = max(y0, 0.0), y1 - y0
    while y0 + high < frame_px[1] and any(_meet((x0 + right, y0, x1 + right, y0 + high), other) for other in taken):
        y0 += size * 0.25
    return x0 + right, y0, x1 + right, y0 + high


def _meet(a: Box, b: Box) -> bool:
    return a[0] < b[2] and b[0] < a[2] and a[1] < b[3] and b[1] < a[3]


def _write(
    draw: ImageDraw.ImageDraw, box: Box, text: str, size: int, rgb: tuple[int, int, int], taken: list[Box]
) -> None:
    left, top, _, _ = draw.multiline_textbbox((0, 0), text, font=font(size))
    pad = size * 0.3
    taken.append(box)
    draw.rectangle(box, fill=(16, 16, 16))
    draw.multiline_text((box[0] + pad - left, box[1] + pad - top), text, font=font(size), fill=rgb)


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
