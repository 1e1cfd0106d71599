"""A decoded movie frame's planes to R'G'B' code values, by its own colour tags.

FFmpeg's scaler is not used: between ranges it is up to four 10-bit codes off, and without tags it takes ITU-R BT.601.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from pathlib import Path

import av
import numpy as np
import numpy.typing as npt

from widegauge.errors import MediaError
from widegauge.frame import Float32
from widegauge.kernels.planes import UInt16, planes_to_rgb

LUMA_WEIGHTS = {
    1: (0.2126, 0.0722),  # ITU-R BT.709
    4: (0.30, 0.11),  # United States FCC 73.682
    5: (0.299, 0.114),  # ITU-R BT.601, 625 lines
    6: (0.299, 0.114),  # ITU-R BT.601, 525 lines
    7: (0.212, 0.087),  # SMPTE ST 240
    9: (0.2627, 0.0593),  # ITU-R BT.2020, non-constant luminance
}
"""(KR, KB) by MatrixCoefficients (ITU-T H.273, table 4)."""

UNTAGGED, RGB_MATRIX = 2, 0
LEGAL_RANGE, FULL_RANGE = 1, 2
"""FFmpeg's numbers for a frame's range; 0 is untagged."""

HD_HEIGHT_PX = 720
"""From this height on, untagged footage is taken as ITU-R BT.709, below as BT.601 (common practice, no source)."""

_PLANAR = re.compile(r"yuv(j?)(a?)(\d\d\d)p(\d*)(?:le)?")
_SEMI_PLANAR = re.compile(r"(?:nv(12|16|24)|p([024])(10|12|16)le)")
_GREY = re.compile(r"gray(\d*)(?:le)?")
_GBR = re.compile(r"gbr(a?)p(\d*)(?:le)?")
_PACKED = {
    "rgb24": ("RGB", 8), "bgr24": ("BGR", 8), "rgba": ("RGBA", 8), "bgra": ("BGRA", 8), "argb": ("ARGB", 8),
    "abgr": ("ABGR", 8), "rgb0": ("RGBx", 8), "bgr0": ("BGRx", 8), "0rgb": ("xRGB", 8), "0bgr": ("xBGR", 8),
    "rgb48le": ("RGB", 16), "bgr48le": ("BGR", 16), "rgba64le": ("RGBA", 16), "bgra64le": ("BGRA", 16),
}  # fmt: skip
_REPACKED = {"yuyv422": "yuv422p", "uyvy422": "yuv422p", "yvyu422": "yuv422p", "pal8": "rgb24"}
"""Formats that FFmpeg moves into planes (or looks up in their palette) without touching a value."""


@dataclass(frozen=True, slots=True)
class Tags:
    """Colour tags of a movie: MatrixCoefficients and range, settled where the file leaves them out."""

    matrix: int
    is_legal: bool


def settle_tags(pixel_format: str, *, matrix: int, colour_range: int, height_px: int) -> Tags:
    """Tags as they are, or what untagged footage means: legal range and HD's or SD's matrix, full range for RGB."""
    if _is_rgb(pixel_format):
        return Tags(RGB_MATRIX, colour_range == LEGAL_RANGE)
    full = colour_range == FULL_RANGE or pixel_format.startswith("yuvj")
    if matrix in (UNTAGGED, RGB_MATRIX):
        matrix = 1 if height_px >= HD_HEIGHT_PX else 6
    return Tags(matrix, not full)


def to_rgb(frame: av.VideoFrame, tags: Tags, path: Path) -> tuple[Float32, Float32 | None]:
    """R'G'B' code values (H, W, 3), legal range stretched to 0..1 and beyond, and alpha (H, W, 1) or None.

    Chroma is taken to lie on the left luma sample and between two rows (H.264 and HEVC type 0, their default).
    MediaError for pixel formats and matrices that are not known.
    """
    name = frame.format.name
    if name in _REPACKED:
        frame = frame.reformat(format=_REPACKED[name])
        name = frame.format.name
    if packed := _PACKED.get(name):
        return _from_packed(frame, *packed, is_legal=tags.is_legal)
    if match := _GBR.fullmatch(name):
        bits = int(match[2] or 8)
        green, blue, red, *alpha = [_plane(frame, i) for i in range(4 if match[1] else 3)]
        rgb = _stretched(np.stack((red, green, blue), axis=2), bits, is_legal=tags.is_legal)
        return rgb, _alpha(alpha[0], bits) if alpha else None
    if match := _GREY.fullmatch(name):
        luma = _stretched(_plane(frame, 0)[..., None], int(match[1] or 8), is_legal=tags.is_legal)
        return np.repeat(luma, 3, axis=2), None
    if match := _PLANAR.fullmatch(name):
        bits = int(match[4] or 8)
        alpha_plane = _alpha(_plane(frame, 3), bits) if match[2] else None
        return _from_yuv([_plane(frame, i) for i in range(3)], bits, tags, path), alpha_plane
    if match := _SEMI_PLANAR.fullmatch(name):
        bits = int(match[3] or 8)
        pairs = _plane(frame, 1, samples=2)
        planes = [_plane(frame, 0), *(np.ascontiguousarray(pairs[..., i]) for i in (0, 1))]
        if match[3]:
            planes = [np.right_shift(plane, 16 - bits, dtype=np.uint16) for plane in planes]
        return _from_yuv(planes, bits, tags, path), None
    raise MediaError(f"{path}: pixel format {name} is not read; convert the movie to 4:2:2 or 4:4:4, or to frames.")


def _is_rgb(name: str) -> bool:
    return name in _PACKED or name == "pal8" or _GBR.fullmatch(name) is not None


def _from_yuv(planes: list[UInt16], bits: int, tags: Tags, path: Path) -> Float32:
    weights = LUMA_WEIGHTS.get(tags.matrix)
    if weights is None:
        raise MediaError(f"{path}: matrix {tags.matrix} (ITU-T H.273) is not read; convert the movie to BT.709.")
    kr, kb = weights
    kg = 1.0 - kr - kb
    scale = 2.0 ** (bits - 8)
    top = 2.0**bits - 1.0
    return planes_to_rgb(
        *planes,
        luma_black=16.0 * scale if tags.is_legal else 0.0,
        luma_gain=1.0 / (219.0 * scale if tags.is_legal else top),
        chroma_zero=128.0 * scale,
        chroma_gain=1.0 / (224.0 * scale if tags.is_legal else top),
        matrix=(2.0 * (1.0 - kr), 2.0 * kb * (1.0 - kb) / kg, 2.0 * kr * (1.0 - kr) / kg, 2.0 * (1.0 - kb)),
    )


def _from_packed(frame: av.VideoFrame, order: str, bits: int, *, is_legal: bool) -> tuple[Float32, Float32 | None]:
    pixels = _plane(frame, 0, samples=len(order))
    rgb = _stretched(pixels[..., [order.index(name) for name in "RGB"]], bits, is_legal=is_legal)
    return rgb, _alpha(pixels[..., order.index("A")], bits) if "A" in order else None


def _stretched(codes: UInt16, bits: int, *, is_legal: bool) -> Float32:
    scale = 2.0 ** (bits - 8)
    black, white = (16.0 * scale, 235.0 * scale) if is_legal else (0.0, 2.0**bits - 1.0)
    values = codes.astype(np.float32)
    values -= np.float32(black)
    values /= np.float32(white - black)
    return np.ascontiguousarray(values)


def _alpha(codes: UInt16, bits: int) -> Float32:
    return _stretched(codes[..., None], bits, is_legal=False)


def _plane(frame: av.VideoFrame, index: int, *, samples: int = 1) -> UInt16:
    """A plane (H, W) as uint16, or (H, W, samples) where samples are interleaved."""
    plane = frame.planes[index]
    dtype: type[np.generic] = np.uint16 if max(part.bits for part in frame.format.components) > 8 else np.uint8
    row = np.frombuffer(plane, dtype=dtype).reshape(plane.height, -1)[:, : plane.width * samples]
    values: npt.NDArray[np.generic] = row if samples == 1 else row.reshape(plane.height, plane.width, samples)
    return np.ascontiguousarray(values, dtype=np.uint16)
