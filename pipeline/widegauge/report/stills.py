"""Pictures that people look at: a stated view, a wipe between two, a sheet of several."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache
from pathlib import Path

import cv2
import imageio.v3 as iio
import numpy as np
import numpy.typing as npt
from PIL import Image, ImageDraw, ImageFont

from widegauge.frame import Float32

Bytes = npt.NDArray[np.uint8]

_PAPER = 24
_INK = 235
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
        light = np.einsum("hwc,kc->hwk", rgb, _to_srgb(self.primaries), dtype=np.float32)
        light = np.clip(light * np.float32(2.0**self.exposure_stops), 0.0, 1.0)
        shown = np.where(light <= 0.0031308, 12.92 * light, 1.055 * light ** (1.0 / 2.4) - 0.055)
        return np.asarray(np.rint(shown * 255.0), dtype=np.uint8)

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
    """Pictures in rows, each with its name below, and one caption for all at the foot."""
    cell_w = (width_px - _MARGIN_PX * (columns + 1)) // columns
    small = [(name, _to_width(picture, cell_w)) for name, picture in pictures]
    cell_h = max(picture.shape[0] for _, picture in small)
    line = 30
    rows = -(-len(small) // columns)
    page = Image.new("RGB", (width_px, _MARGIN_PX + rows * (cell_h + line + _MARGIN_PX) + line), (_PAPER,) * 3)
    draw = ImageDraw.Draw(page)
    for i, (name, picture) in enumerate(small):
        x = _MARGIN_PX + (i % columns) * (cell_w + _MARGIN_PX)
        y = _MARGIN_PX + (i // columns) * (cell_h + line + _MARGIN_PX)
        page.paste(Image.fromarray(picture), (x, y))
        draw.text((x, y + cell_h + 6), name, fill=(_INK,) * 3, font=_font(17))
    draw.text((_MARGIN_PX, page.height - line), caption, fill=(_INK,) * 3, font=_font(15))
    return np.asarray(page)


def captioned(picture: Bytes, caption: str) -> Bytes:
    """A picture with a line of text below it."""
    page = Image.new("RGB", (picture.shape[1], picture.shape[0] + 40), (_PAPER,) * 3)
    page.paste(Image.fromarray(picture), (0, 0))
    ImageDraw.Draw(page).text((_MARGIN_PX, picture.shape[0] + 9), caption, fill=(_INK,) * 3, font=_font(18))
    return np.asarray(page)


def save(path: Path, picture: Bytes) -> None:
    """Write a still for people: PNG, JPEG or WebP by its suffix."""
    path.parent.mkdir(parents=True, exist_ok=True)
    if path.suffix == ".png":
        iio.imwrite(path, picture)
    else:
        iio.imwrite(path, picture, quality=92)


def _to_width(picture: Bytes, width_px: int) -> Bytes:
    height = round(picture.shape[0] * width_px / picture.shape[1])
    way = cv2.INTER_AREA if width_px < picture.shape[1] else cv2.INTER_CUBIC
    return np.asarray(cv2.resize(picture, (width_px, height), interpolation=way), dtype=np.uint8)


@cache
def _to_srgb(primaries: str) -> Float32:
    """The matrix from an RGB colourspace to sRGB's primaries (colour-science, CAT02)."""
    if primaries in ("ITU-R BT.709", "sRGB"):
        return np.eye(3, dtype=np.float32)
    import colour

    matrix = colour.matrix_RGB_to_RGB(colour.RGB_COLOURSPACES[primaries], colour.RGB_COLOURSPACES["sRGB"], "CAT02")
    return np.asarray(matrix, dtype=np.float32)


@cache
def _font(size: int) -> ImageFont.FreeTypeFont | ImageFont.ImageFont:
    return ImageFont.load_default(size)
