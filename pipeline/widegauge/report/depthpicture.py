"""Depth as a picture: colours even in 1 / distance, contours at round metres or pixels, the line of focus, holes."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import cv2
import numpy as np
import numpy.typing as npt
from PIL import Image, ImageDraw

from widegauge.frame import Float32
from widegauge.report.compare import coloured, rounded_up
from widegauge.report.stills import INK, PAPER, Bytes, font
from widegauge.report.words import metres

Mask = npt.NDArray[np.bool_]
Polyline = npt.NDArray[np.float64]

ROUND_METRES = (1.0, 1.2, 1.5, 2.0, 2.5, 3.0, 4.0, 5.0, 6.0, 8.0)
"""Distances at which a contour may lie, times powers of ten."""
CONTOURS = 9
LEAST_WIDTH_PX, MOST_WIDTH_PX = 960, 1920
"""Smaller maps are enlarged by a whole number, larger ones made smaller."""
SMOOTH_PX = 5
"""Contours are drawn of a median over so many pixels: of what a map means, not of its noise."""
FEWEST_PX = 40
"""Contours shorter than this are left out."""
STEP_TIMES = 0.15
"""A contour breaks where the map steps by more than this times the contours' distance: that is an outline."""
_MARGIN_PX, _RAMP_PX, _LETTERS = 14, 20, 17
_DARK, _BRIGHT = (16, 16, 16), (250, 250, 250)


@dataclass(frozen=True, slots=True)
class Contour:
    """A line at a value of a map: its label; dashed lines lie in front of focus, a bold one is the line of focus."""

    value: float
    label: str
    is_dashed: bool = False
    is_bold: bool = False


@dataclass(frozen=True, slots=True)
class Panel:
    """A map as a picture.

    values    (H, W) float32, not-a-number where it is not known; not-a-number never counts
    place     from values to 0..1, dark to bright
    contours  lines; each is marked on the scale too
    title     a sentence above it
    """

    values: Float32
    place: Callable[[Float32], Float32]
    contours: tuple[Contour, ...]
    title: str


def distance_panel(depth_m: Float32, *, focus_m: float | None, title: str) -> Panel:
    """Distances: near bright, even in 1 / distance, contours at round metres, and the line of focus."""
    near, far = ends(depth_m)
    levels = round_metres(near, far)
    lines = [Contour(1.0 / m, f"{m:g} m") for m in levels]
    if focus_m is not None:
        apart = (near - far) / (2.0 * CONTOURS)
        lines = [line for line in lines if abs(line.value - 1.0 / focus_m) > apart]
        lines.append(Contour(1.0 / focus_m, f"focus {metres(focus_m)}", is_bold=True))
    span = max(near - far, 1e-9)
    return Panel(inverse(depth_m), lambda u: ((u - far) / span).astype(np.float32), tuple(lines), title)


def radius_panel(radius_px: Float32, *, focus_m: float, title: str) -> Panel:
    """Blur radii whatever their sign: sharp dark; contours dashed in front of focus, and the line of focus."""
    known = radius_px[np.isfinite(radius_px)]
    low, high = (float(v) for v in np.quantile(known, (0.005, 0.995)))
    largest = max(abs(low), abs(high), 0.1)
    step = rounded_up(largest / 5.0)
    lines = [Contour(0.0, f"focus {metres(focus_m)}", is_bold=True)]
    for n in range(1, 7):
        lines += [Contour(n * step, f"{n * step:g} px")] if n * step < high else []
        lines += [Contour(-n * step, f"{n * step:g} px", is_dashed=True)] if -n * step > low else []
    end = rounded_up(largest)
    return Panel(radius_px, lambda c: (np.abs(c) / np.float32(end)).astype(np.float32), tuple(lines), title)


def page(panels: Sequence[Panel], *, caption: str) -> Bytes:
    """Panels one below another, each with its title and scale, and a caption at the foot."""
    drawn = [_panel(panel) for panel in panels]
    width = max(each.width for each in drawn) + 2 * _MARGIN_PX
    height = sum(each.height + _MARGIN_PX for each in drawn) + 2 * _MARGIN_PX + 24
    sheet = Image.new("RGB", (width, height), (PAPER,) * 3)
    top = _MARGIN_PX
    for each in drawn:
        sheet.paste(each, (_MARGIN_PX, top))
        top += each.height + _MARGIN_PX
    ImageDraw.Draw(sheet).text((_MARGIN_PX, top), caption, fill=(INK,) * 3, font=font(15))
    return np.asarray(sheet)


def inverse(depth_m: Float32) -> Float32:
    """1 / distance, 0 at infinity, not-a-number where it is not known."""
    with np.errstate(divide="ignore"):
        return np.where(depth_m > 0.0, np.float32(1.0) / depth_m, np.float32(np.nan)).astype(np.float32)


def ends(depth_m: Float32) -> tuple[float, float]:
    """The largest and smallest 1 / distance, half a per cent left out at each end."""
    known = inverse(depth_m)
    known = known[np.isfinite(known)]
    far, near = (float(v) for v in np.quantile(known, (0.005, 0.995)))
    return near, far


def round_metres(near: float, far: float) -> list[float]:
    """About CONTOURS round distances whose inverses lie evenly between two (1 / m); fewer where few are round."""
    if near - far < 1e-3 * near:
        return []
    powers = range(math.floor(math.log10(1.0 / near)) - 1, 4)
    round_ones = np.array([step * 10.0**power for power in powers for step in ROUND_METRES])
    inside = round_ones[(1.0 / round_ones < near) & (1.0 / round_ones > max(far, 1e-4))]
    if not inside.size:
        return []
    wanted = np.linspace(near, far, CONTOURS + 2)[1:-1]
    chosen = {float(inside[np.argmin(np.abs(1.0 / inside - u))]) for u in wanted}
    return sorted(chosen)


def _panel(panel: Panel) -> Image.Image:
    values = _at_size(panel.values)
    height, width = values.shape
    unknown = np.isnan(values)
    picture = coloured(np.nan_to_num(panel.place(values), nan=0.0))
    picture[unknown] = _hatching(height, width)[unknown]
    canvas = Image.fromarray(_with_lines(picture, values, panel))
    sheet = Image.new("RGB", (width, height + 112), (PAPER,) * 3)
    draw = ImageDraw.Draw(sheet)
    draw.text((0, 4), panel.title, fill=(INK,) * 3, font=font(_LETTERS))
    sheet.paste(canvas, (0, 32))
    _scale(sheet, panel, values, top=32 + height + 8)
    return sheet


def _at_size(values: Float32) -> Float32:
    """Nearest values at a size that people can read."""
    height, width = values.shape
    if width > MOST_WIDTH_PX:
        size = (MOST_WIDTH_PX, round(height * MOST_WIDTH_PX / width))
    else:
        times = max(1, -(-LEAST_WIDTH_PX // width))
        size = (width * times, height * times)
    return np.asarray(cv2.resize(values, size, interpolation=cv2.INTER_NEAREST_EXACT), dtype=np.float32)


def _hatching(height: int, width: int) -> Bytes:
    """Slanting stripes for what is not known."""
    y, x = np.indices((height, width))
    stripes = np.where((x + y) % 12 < 3, INK - 60, PAPER + 10).astype(np.uint8)
    return np.repeat(stripes[..., None], 3, axis=2)


def _with_lines(picture: Bytes, values: Float32, panel: Panel) -> Bytes:
    """The picture with its contours and their labels."""
    from contourpy import contour_generator

    drawn = np.ascontiguousarray(picture)
    smooth = cv2.medianBlur(np.nan_to_num(values, nan=0.0), SMOOTH_PX)
    apart = _apart(panel.contours)
    broken = _steps(values, STEP_TIMES * apart)
    find = contour_generator(z=smooth)
    labels: list[tuple[int, int, Contour]] = []
    for line in panel.contours:
        pieces = [piece for whole in find.lines(line.value) for piece in _whole_parts(np.asarray(whole), broken)]
        for piece in pieces:
            _draw(drawn, piece, line)
        if pieces:
            labels += _label_place(max(pieces, key=len), line, labels)
    page = Image.fromarray(drawn)
    draw = ImageDraw.Draw(page)
    for x, y, line in labels:
        _label(draw, x, y, line, page.size)
    return np.asarray(page)


def _apart(contours: Sequence[Contour]) -> float:
    """How far apart neighbouring contours are, in the map's measure: the median."""
    values = sorted(line.value for line in contours)
    return float(np.median(np.diff(values))) if len(values) > 1 else math.inf


def _steps(values: Float32, most: float) -> Mask:
    """Where a map steps within three pixels by more than ``most``, or is not known."""
    window = np.ones((3, 3), np.uint8)
    known = np.nan_to_num(values, nan=0.0)
    step = cv2.dilate(known, window) - cv2.erode(known, window) > most
    return np.asarray(cv2.dilate((step | np.isnan(values)).astype(np.uint8), window) > 0)


def _whole_parts(line: Polyline, broken: Mask) -> list[Polyline]:
    """The parts of a contour that lie on a surface, not on an outline."""
    at = np.rint(line).astype(np.intp)
    kept = ~broken[at[:, 1], at[:, 0]]
    cuts = np.flatnonzero(np.diff(kept.astype(np.int8))) + 1
    parts = np.split(line, cuts)
    return [p for p, keep in zip(parts, np.split(kept, cuts), strict=True) if keep[0] and len(p) >= FEWEST_PX]


def _draw(picture: Bytes, piece: Polyline, line: Contour) -> None:
    """A line that shows on dark and bright: dark with a bright core."""
    points = np.rint(piece * 16.0).astype(np.int32)
    dashes = [points] if not line.is_dashed else [points[i : i + 14] for i in range(0, len(points), 24)]
    for colour, thick in ((_DARK, 7 if line.is_bold else 3), (_BRIGHT, 3 if line.is_bold else 1)):
        cv2.polylines(picture, dashes, False, colour, thick, cv2.LINE_AA, 4)


def _label_place(
    piece: Polyline, line: Contour, taken: Sequence[tuple[int, int, Contour]]
) -> list[tuple[int, int, Contour]]:
    """A place on a line away from other labels, as near its middle as can be; none where there is none."""
    middle = len(piece) // 2
    for i in sorted(range(0, len(piece), 10), key=lambda i: abs(i - middle)):
        x, y = (round(float(v)) for v in piece[i])
        if all(abs(x - u) > 110 or abs(y - v) > 26 for u, v, _ in taken):
            return [(x, y, line)]
    return []


def _label(draw: ImageDraw.ImageDraw, x: int, y: int, line: Contour, size_px: tuple[int, int]) -> None:
    letters = font(_LETTERS)
    half = letters.getlength(line.label) / 2.0 + 5.0
    x = round(min(max(x, half), size_px[0] - half))
    y = min(max(y, 12), size_px[1] - 12)
    fill, ink = (_BRIGHT, _DARK) if line.is_bold else (_DARK, _BRIGHT)
    draw.rectangle((x - half, y - 11, x + half, y + 11), fill=fill)
    draw.text((x, y), line.label, fill=ink, font=letters, anchor="mm")


def _scale(sheet: Image.Image, panel: Panel, values: Float32, *, top: int) -> None:
    """The colours with their values below, and how what is not known is drawn."""
    draw = ImageDraw.Draw(sheet)
    width = sheet.width
    has_holes = bool(np.isnan(values).any())
    right = width - (150 if has_holes else 0)
    ramp = coloured(np.tile(np.linspace(0.0, 1.0, right), (_RAMP_PX, 1)).astype(np.float32))
    sheet.paste(Image.fromarray(ramp), (0, top))
    if has_holes:
        sheet.paste(Image.fromarray(_hatching(_RAMP_PX, 40)), (right + 12, top))
        draw.text((right + 60, top + _RAMP_PX // 2), "not known", fill=(INK,) * 3, font=font(15), anchor="lm")
    last = -math.inf
    marks = sorted(
        (float(panel.place(np.array([[c.value]], np.float32))[0, 0]), -c.is_bold, c.label) for c in panel.contours
    )
    for place, bold, label in marks:
        x = place * (right - 1)
        half = font(15).getlength(label) / 2.0
        if not 0.0 <= place <= 1.0 or (x - half < last + 8.0 and not bold):
            continue
        draw.line((x, top - 4, x, top + _RAMP_PX + 4), fill=_BRIGHT if bold else (INK,) * 3, width=3 if bold else 1)
        at = min(max(x, half), right - half)
        draw.text((at, top + _RAMP_PX + (24 if bold else 6)), label, fill=(INK,) * 3, font=font(15), anchor="ma")
        if not bold:
            last = x + half
