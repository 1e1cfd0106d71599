"""Pictures that people look at: a stated view, a wipe between two, a sheet of several."""

from __future__ import annotations

import io
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any

import cv2
import imageio.v3 as iio
import numpy as np
import numpy.typing as npt
from PIL import Image, ImageDraw, ImageFont

from widegauge.frame import Float32

Bytes = npt.NDArray[np.uint8]

PAPER = 24
INK = 235
_MARGIN_PX = 12


@dataclass(frozen=True, slots=True)
class View:
    """How scene-linear light is shown: an exposure, then sRGB; brighter than white is shown as white.

    primaries   the RGB colourspace of the light, by colour-science's name
    """

    primaries: str
    exposure_stops: float = 0.0

    def __call__(self, rgb: Float32) -> Bytes:
        """(H, W, 3) scene-linear light as sRGB bytes (IEC 61966-2-1)."""
        light = np.clip(self.to_srgb(rgb) * np.float32(2.0**self.exposure_stops), 0.0, 1.0)
        shown = np.where(light <= 0.0031308, 12.92 * light, 1.055 * light ** (1.0 / 2.4) - 0.055)
        return np.asarray(np.rint(shown * 255.0), dtype=np.uint8)

    def to_srgb(self, rgb: Float32) -> Float32:
        """(H, W, 3) scene-linear light brought to sRGB's primaries, without the exposure."""
        return np.asarray(np.einsum("hwc,kc->hwk", rgb, _to_srgb(self.primaries), dtype=np.float32))

    def __str__(self) -> str:
        return f"view: sRGB, {self.exposure_stops:+.1f} stops, brighter than white shown as white"


def wipe(before: Bytes, after: Bytes, *, at: float = 0.5) -> Bytes:
    """The left part of one picture beside the right part of the other, with a hairline between them."""
    column = round(before.shape[1] * at)
    joined = np.concatenate([before[:, :column], after[:, column:]], axis=1)
    joined[:, max(0, column - 1) : column] = 255
    return joined


def enlarged(picture: Bytes, *, window: tuple[int, int, int, int], times: int) -> Bytes:
    """A window (x, y, width, height) of a picture, every pixel drawn as a square of ``times`` pixels."""
    x, y, w, h = window
    return np.kron(picture[y : y + h, x : x + w], np.ones((times, times, 1), dtype=np.uint8))


def sheet(pictures: Sequence[tuple[str, Bytes]], *, columns: int, width_px: int, caption: str) -> Bytes:
    """Pictures in rows, standing on one line with their names below, and one caption for all at the foot."""
    cell_w = (width_px - _MARGIN_PX * (columns + 1)) // columns
    small = [(name, to_width(picture, cell_w)) for name, picture in pictures]
    rows = [small[i : i + columns] for i in range(0, len(small), columns)]
    heights = [max(picture.shape[0] for _, picture in row) for row in rows]
    line = 30
    foot = _broken(caption, 15, width_px - 2 * _MARGIN_PX)
    height_px = _MARGIN_PX + sum(height + line + _MARGIN_PX for height in heights) + line * len(foot)
    page = Image.new("RGB", (width_px, height_px), (PAPER,) * 3)
    draw = ImageDraw.Draw(page)
    bottom = _MARGIN_PX
    for row, height in zip(rows, heights, strict=True):
        bottom += height
        for i, (name, picture) in enumerate(row):
            x = _MARGIN_PX + i * (cell_w + _MARGIN_PX)
            page.paste(Image.fromarray(picture), (x, bottom - picture.shape[0]))
            draw.text((x, bottom + 6), _cut(name, 17, cell_w), fill=(INK,) * 3, font=font(17))
        bottom += line + _MARGIN_PX
    for i, text in enumerate(foot):
        draw.text((_MARGIN_PX, bottom + line * i), text, fill=(INK,) * 3, font=font(15))
    return np.asarray(page)


def captioned(picture: Bytes, caption: str) -> Bytes:
    """A picture with text below it, in as many lines as it needs."""
    lines = _broken(caption, 18, picture.shape[1] - 2 * _MARGIN_PX)
    page = Image.new("RGB", (picture.shape[1], picture.shape[0] + 16 + 24 * len(lines)), (PAPER,) * 3)
    page.paste(Image.fromarray(picture), (0, 0))
    draw = ImageDraw.Draw(page)
    for i, text in enumerate(lines):
        draw.text((_MARGIN_PX, picture.shape[0] + 9 + 24 * i), text, fill=(INK,) * 3, font=font(18))
    return np.asarray(page)


def save(path: Path, picture: Bytes) -> None:
    """Write a still for people: PNG, JPEG or WebP by its suffix."""
    path.parent.mkdir(parents=True, exist_ok=True)
    words: dict[str, Any] = {} if path.suffix == ".png" else {"quality": 92}
    # encoded first: on a full disk the library's own writing prints a trace beside our sentence
    encoded = io.BytesIO()
    iio.imwrite(encoded, picture, extension=path.suffix, **words)
    path.write_bytes(encoded.getvalue())


def to_width(picture: Bytes, width_px: int) -> Bytes:
    """A picture at another width: averaged by area when smaller, cubic when larger."""
    height = round(picture.shape[0] * width_px / picture.shape[1])
    way = cv2.INTER_AREA if width_px < picture.shape[1] else cv2.INTER_CUBIC
    return np.asarray(cv2.resize(picture, (width_px, height), interpolation=way), dtype=np.uint8)


def _cut(text: str, size: int, width_px: int) -> str:
    """Text that ends with dots where it is wider than ``width_px``."""
    if font(size).getlength(text) <= width_px:
        return text
    while text and font(size).getlength(f"{text}...") > width_px:
        text = text[:-1]
    return f"{text.rstrip()}..."


def _broken(text: str, size: int, width_px: int) -> list[str]:
    """Text in lines no wider than ``width_px``, broken between words."""
    lines: list[str] = []
    for word in text.split():
        longer = f"{lines[-1]} {word}" if lines else word
        if lines and font(size).getlength(longer) <= width_px:
            lines[-1] = longer
        else:
            lines.append(word)
    return lines


@cache
def _to_srgb(primaries: str) -> Float32:
    """The matrix from an RGB colourspace to sRGB's primaries (colour-science, CAT02)."""
    if primaries in ("ITU-R BT.709", "sRGB"):
        return np.eye(3, dtype=np.float32)
    import colour

    matrix = colour.matrix_RGB_to_RGB(colour.RGB_COLOURSPACES[primaries], colour.RGB_COLOURSPACES["sRGB"], "CAT02")
    return np.asarray(matrix, dtype=np.float32)


@cache
def font(size: int) -> ImageFont.FreeTypeFont | ImageFont.ImageFont:
    """The letters of every still."""
    return ImageFont.load_default(size)
