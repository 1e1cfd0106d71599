"""Two pictures held against each other: where they differ most, by how many stops, and maps of numbers."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from PIL import Image, ImageDraw

from widegauge.frame import Float32
from widegauge.report.stills import INK, PAPER, Bytes, View, font

DETAIL_PX = 160
"""Width and height of the part that is shown enlarged."""

MID_GREY = 0.18
FLOOR_STOPS = 8.0
"""Light further below mid-grey than this is taken as just so far below: noise around black is no difference."""

LUMINANCE = (0.2126, 0.7152, 0.0722)
"""Of linear light with sRGB's primaries (IEC 61966-2-1; ITU-R BT.709-6, item 3.2)."""

SCALE_STEPS = (1.0, 1.5, 2.0, 3.0, 5.0, 7.5, 10.0)
_GAP_PX = 12
_RAMP_PX = 18


@dataclass(frozen=True, slots=True)
class Scale:
    """What the colours of a map mean: its ends, and marks between them as (place 0..1, words)."""

    marks: tuple[tuple[float, str], ...]

    def __str__(self) -> str:
        return ", ".join(words for _, words in self.marks)


@dataclass(frozen=True, slots=True)
class Map:
    """Numbers as colours: dark blue low, grey in the middle, yellow high, and even in lightness throughout."""

    picture: Bytes
    scale: Scale


@dataclass(frozen=True, slots=True)
class Difference:
    """Signed difference of luminance in stops, above 0 where the finished picture is brighter.

    mean, low, high   mean, 1st and 99th percentile over the picture
    of_mean           stops between the mean lights of the two pictures
    """

    mean: float
    low: float
    high: float
    of_mean: float


def difference_stops(before: Float32, after: Float32, view: View) -> tuple[Float32, Difference]:
    """log2 of the ratio of luminances (H, W) float32, and its numbers; both pictures scene-linear, of one size.

    Light more than FLOOR_STOPS below mid-grey (as viewed) is raised to that level.
    """
    floor = np.float32(MID_GREY * 2.0 ** (-FLOOR_STOPS - view.exposure_stops))
    weights = np.asarray(LUMINANCE, dtype=np.float32)
    old, new = (view.to_srgb(rgb) @ weights for rgb in (before, after))
    stops = np.log2(np.maximum(new, floor) / np.maximum(old, floor)).astype(np.float32, copy=False)
    low, high = np.percentile(stops, (1.0, 99.0))
    tiny = float(floor)
    of_mean = math.log2(max(float(new.mean(dtype=np.float64)), tiny) / max(float(old.mean(dtype=np.float64)), tiny))
    return stops, Difference(float(stops.mean(dtype=np.float64)), float(low), float(high), of_mean)


def difference_map(stops: Float32, found: Difference) -> Map:
    """The signed difference as colours, over a scale that holds all but 2 % of the pixels."""
    end = rounded_up(max(abs(found.low), abs(found.high), 0.1))
    marks = ((0.0, f"{-end:+g} stops"), (0.5, "no difference"), (1.0, f"{end:+g} stops"))
    return Map(coloured(stops / np.float32(2.0 * end) + np.float32(0.5)), Scale(marks))


def depth_map(depth_m: Float32) -> Map:
    """Depth as colours, even in 1 / distance, near bright; distances that are not known are drawn as far."""
    inverse = np.where(depth_m > 0.0, 1.0 / np.where(depth_m > 0.0, depth_m, 1.0), 0.0).astype(np.float32)
    near, far = float(np.percentile(inverse, 99.5)), float(np.percentile(inverse, 0.5))
    if near <= far:
        even = np.full(inverse.shape, 0.5, dtype=np.float32)
        return Map(coloured(even), Scale(((0.5, f"{_metres(near)} all over"),)))
    middle = (near + far) / 2.0
    marks = ((0.0, f"far: {_metres(far)}"), (0.5, _metres(middle)), (1.0, f"near: {_metres(near)}"))
    return Map(coloured((inverse - np.float32(far)) / np.float32(near - far)), Scale(marks))


def radius_map(radius_px: Float32, *, largest_px: float) -> Map:
    """Blur radius, whatever its sign, as colours from none to ``largest_px``."""
    end = rounded_up(max(largest_px, 0.1))
    marks = ((0.0, "in focus"), (0.5, f"{end / 2.0:g} px"), (1.0, f"{end:g} px"))
    return Map(coloured((np.abs(radius_px) / np.float32(end)).astype(np.float32, copy=False)), Scale(marks))


def with_scale(shown: Map) -> Bytes:
    """A map with its scale below it."""
    picture = shown.picture
    width = picture.shape[1]
    page = Image.new("RGB", (width, picture.shape[0] + 56), (PAPER,) * 3)
    page.paste(Image.fromarray(picture), (0, 0))
    ramp = coloured(np.tile(np.linspace(0.0, 1.0, max(1, width - 2 * _GAP_PX)), (_RAMP_PX, 1)).astype(np.float32))
    y = picture.shape[0] + 8
    page.paste(Image.fromarray(ramp), (_GAP_PX, y))
    draw = ImageDraw.Draw(page)
    for place, words in shown.scale.marks:
        anchor = "la" if place == 0.0 else "ra" if place == 1.0 else "ma"
        x = _GAP_PX + place * (width - 2 * _GAP_PX)
        draw.text((x, y + _RAMP_PX + 5), words, fill=(INK,) * 3, font=font(16), anchor=anchor)
    return np.asarray(page)


def beside(before: Bytes, after: Bytes) -> Bytes:
    """Two pictures of one height with a gap between them."""
    gap = np.full((before.shape[0], _GAP_PX, 3), PAPER, dtype=np.uint8)
    return np.concatenate([before, gap, after], axis=1)


def differs_most(before: Bytes, after: Bytes) -> tuple[int, int, int, int]:
    """The square (x, y, width, height) in which two pictures differ most, by the mean of the squared difference."""
    difference = ((before.astype(np.float32) - after.astype(np.float32)) ** 2).sum(axis=-1)
    height, width = difference.shape
    w, h = min(DETAIL_PX, width), min(DETAIL_PX, height)
    mean = cv2.boxFilter(difference, cv2.CV_32F, (w, h), anchor=(0, 0), borderType=cv2.BORDER_CONSTANT)
    y, x = divmod(int(np.argmax(mean[: height - h + 1, : width - w + 1])), width - w + 1)
    return x, y, w, h


def white_share(rgb: Float32, view: View) -> float:
    """Share of the pixels that the view shows as white, or with a channel at its end."""
    return float(np.mean((view.to_srgb(rgb) * np.float32(2.0**view.exposure_stops) > 1.0).any(axis=-1)))


def ramp_colours(count: int) -> Sequence[str]:
    """Colours along a scale, low to high, as #rrggbb."""
    row = coloured(np.linspace(0.0, 1.0, count)[None].astype(np.float32))[0]
    return ["#{:02x}{:02x}{:02x}".format(*colour) for colour in row]


def rounded_up(value: float) -> float:
    """The next of SCALE_STEPS times a power of ten."""
    power = 10.0 ** math.floor(math.log10(value))
    return next((step * power for step in SCALE_STEPS if value <= step * power * (1.0 + 1e-9)), 10.0 * power)


def coloured(place: Float32) -> Bytes:
    """Places 0..1 (H, W) as colours of cividis (Nunez, Anderton & Renslow 2018), made even for colour-blind eyes."""
    codes = np.rint(np.clip(place, 0.0, 1.0) * np.float32(255.0)).astype(np.uint8)
    return np.ascontiguousarray(cv2.applyColorMap(codes, cv2.COLORMAP_CIVIDIS)[..., ::-1])


def _metres(inverse: float) -> str:
    return "infinity" if inverse <= 1e-6 else f"{1.0 / inverse:.3g} m"
