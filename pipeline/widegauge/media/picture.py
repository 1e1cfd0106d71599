"""A picture as its file holds it, and what a header says about one."""

from __future__ import annotations

from dataclasses import dataclass, field
from fractions import Fraction

import numpy as np
import numpy.typing as npt

from widegauge.frame import Float32

KINDS = (
    "exr-half", "exr-float", "dpx8", "dpx10", "dpx12", "dpx16", "tiff8", "tiff16", "tiff-float", "png8", "png16",
    "jpeg", "movie",
)  # fmt: skip
"""What footage may come in as."""

WRITTEN_KINDS = ("exr-half", "exr-float", "dpx10", "dpx16", "tiff16", "png16")
"""What finished frames may go out as."""

EXTENSIONS = {"exr": "exr", "dpx": "dpx", "tiff": "tif", "png": "png"}

_SAME = {"dpx8": "dpx10", "dpx12": "dpx16", "tiff8": "tiff16", "tiff-float": "exr-float", "png8": "png16",
         "jpeg": "png16", "movie": "tiff16"}  # fmt: skip


@dataclass(frozen=True, slots=True)
class Picture:
    """One picture in code values, unchanged by any curve.

    rgb              (H, W, 3) float32; integer formats as code / (2^bits - 1), floats as they are. The raster is the
                     display window: what the file does not cover is 0, what lies outside the window is left out
    extra            (H, W, N) or None: alpha and other channels as stored, float32, or uint32 / float64 where an
                     integer channel must keep its bits
    extra_names      a name for each extra channel; alpha is "A"
    attributes       what else the header says, under OpenImageIO's names
    kind             one of KINDS
    extra_types      for each extra channel "half", "float", "uint" or "code" (0 to 1 from an integer format)
    attribute_types  the header's own types of those attributes
    compression      of the file, where a file of the same format can keep it
    grey             one channel was read as R = G = B; it is written as three
    straight_alpha   colour is not multiplied by alpha (PNG always)
    """

    rgb: Float32
    extra: npt.NDArray[np.generic] | None
    extra_names: tuple[str, ...]
    attributes: dict[str, object]
    kind: str
    extra_types: tuple[str, ...] = ()
    attribute_types: dict[str, str] = field(default_factory=dict)
    compression: str = ""
    grey: bool = False
    straight_alpha: bool = False


@dataclass(frozen=True, slots=True)
class Probe:
    """What the header of a picture or movie says.

    width_px, height_px   of the display window
    kind                  one of KINDS
    channels              names, in the part that is read
    rate                  frames a second, or None
    pixel_aspect          width over height of a pixel
    parts                 names of all parts of the file
    attributes            as in Picture
    stretched             code values come with legal range already stretched to 0..1 (movies tagged so)
    """

    width_px: int
    height_px: int
    kind: str
    channels: tuple[str, ...]
    rate: Fraction | None = None
    pixel_aspect: float = 1.0
    parts: tuple[str, ...] = ()
    attributes: dict[str, object] = field(default_factory=dict)
    stretched: bool = False


def default_kind(kind: str) -> str:
    """What frames are written as when the output should be what came in."""
    return _SAME.get(kind, kind)


def extension(kind: str) -> str:
    """The file name's extension for a kind of output, without its dot."""
    return EXTENSIONS[family(kind)]


def family(kind: str) -> str:
    """The file format of a kind: "exr", "dpx", "tiff", "png", "jpeg" or "movie"."""
    for name in ("exr", "dpx", "tiff", "png"):
        if kind.startswith(name):
            return name
    return kind
