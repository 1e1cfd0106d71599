"""What a header says besides pixels: read, carried from format to format, and checked after writing."""

from __future__ import annotations

import math
from fractions import Fraction

import OpenImageIO as oiio

from widegauge.media.picture import Picture, family

TIMECODE = "smpte:TimeCode"
RATE = "framesPerSecond"
"""OpenEXR's standard attribute; the library knows it as FramesPerSecond elsewhere but passes EXR's name through."""

_DPX_RATE = "dpx:FrameRate"
_OTHER_RATES = ("FramesPerSecond", _DPX_RATE, "dpx:TemporalFrameRate")
PIXEL_ASPECT = "PixelAspectRatio"

_ABOUT_THE_FILE = {
    "compression", "name", "type", "chunkCount", "planarconfig", "capDate", "oiio:subimages", "oiio:subimagename",
    "oiio:RowsPerChunk", "oiio:BitsPerSample", "oiio:ColorSpace", "oiio:UnassociatedAlpha", "oiio:updirection",
    "openexr:lineOrder", "openexr:chunkCount", "openexr:version", "openexr:roundingmode", "openexr:levelmode",
    "openexr:dwaCompressionLevel", "openexr:compressor", "dataWindow", "displayWindow", "channels", "tiles",
    "tiff:Compression", "tiff:PhotometricInterpretation", "tiff:PlanarConfiguration", "tiff:RowsPerStrip",
    "tiff:UnassociatedAlpha", "tiff:ColorSpace", "jpeg:subsampling", "jpeg:ColorSpace",
    "dpx:ImageDescriptor", "dpx:Packing", "dpx:DittoKey", "dpx:Version", "dpx:EndOfLinePadding",
    "dpx:EndOfImagePadding", "dpx:TimeCode", "dpx:RawData", "dpx:LowData", "dpx:HighData",
}  # fmt: skip
"""Facts of one file's layout: true of that file only, so they are not carried (dpx:TimeCode repeats smpte:TimeCode)."""


_SAYS_NOTHING: dict[str, object] = {PIXEL_ASPECT: 1.0, "screenWindowCenter": (0.0, 0.0), "screenWindowWidth": 1.0}
"""What an absent attribute means anyway."""


def read_attributes(spec: oiio.ImageSpec) -> tuple[dict[str, object], dict[str, str]]:
    """All attributes worth carrying, and their types by OpenImageIO's names."""
    values: dict[str, object] = {}
    types: dict[str, str] = {}
    for attribute in spec.extra_attribs:
        if attribute.name not in _ABOUT_THE_FILE and isinstance(attribute.value, int | float | str | tuple):
            values[attribute.name] = attribute.value
            types[attribute.name] = str(attribute.type)
    return values, types


def rate_of(attributes: dict[str, object]) -> Fraction | None:
    """Frames a second, from an EXR's or a DPX's header; None where it says nothing sensible."""
    for name in (RATE, *_OTHER_RATES):
        value = attributes.get(name)
        if isinstance(value, tuple) and len(value) == 2 and value[0] > 0 and value[1] > 0:
            return Fraction(int(value[0]), int(value[1]))
        if isinstance(value, float) and 1.0 <= value <= 1000.0:
            return rate_from_float(value)
    return None


def rate_from_float(value: float) -> Fraction:
    """24000/1001 for 23.976, 24 for 24.0: the float's nearest rate of either family (common practice, no source)."""
    whole = round(value)
    if abs(value - whole) < 1e-4:
        return Fraction(whole)
    slowed = round(value * 1.001)
    if abs(value - slowed * 1000.0 / 1001.0) < 0.002:
        return Fraction(slowed * 1000, 1001)
    return Fraction(value).limit_denominator(1001)


def pixel_aspect_of(attributes: dict[str, object]) -> float:
    """Width over height of a pixel; 1 where the header says nothing sensible."""
    value = attributes.get(PIXEL_ASPECT)
    return float(value) if isinstance(value, float) and 0.1 <= value <= 10.0 else 1.0


def carry(spec: oiio.ImageSpec, picture: Picture, *, kind: str) -> dict[str, object]:
    """Put a picture's attributes into a header to be written, and return those that it should hold."""
    wanted = {name: value for name, value in picture.attributes.items() if name not in _ABOUT_THE_FILE}
    if wanted.get("Orientation") == 1:
        del wanted["Orientation"]
    types = dict(picture.attribute_types)
    rate = rate_of(wanted)
    if rate is not None and family(kind) == "exr" and RATE not in wanted:
        wanted[RATE], types[RATE] = (rate.numerator, rate.denominator), "rational"
        wanted.pop("FramesPerSecond", None)
    if rate is not None and family(kind) == "dpx":
        wanted.setdefault(_DPX_RATE, float(rate))
        wanted.pop(RATE, None)
    for name, value in wanted.items():
        if types.get(name):
            spec.attribute(name, oiio.TypeDesc(types[name]), value)
        else:
            spec[name] = value
    return wanted


def not_held(wanted: dict[str, object], written: oiio.ImageSpec) -> dict[str, object]:
    """Those of the wanted attributes that a written file does not give back, and that say more than nothing."""
    held = _SAYS_NOTHING | {attribute.name: attribute.value for attribute in written.extra_attribs}
    return {name: value for name, value in wanted.items() if name not in held or not _same(value, held[name])}


def _same(a: object, b: object) -> bool:
    if isinstance(a, tuple) and isinstance(b, tuple):
        return len(a) == len(b) and all(map(_same, a, b))
    if isinstance(a, float) and isinstance(b, int | float):
        return math.isclose(a, b, rel_tol=1e-6) or (math.isnan(a) and math.isnan(b))
    return a == b
