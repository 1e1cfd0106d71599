"""OpenImageIO, written strictly: beside its place, checked, then renamed.

The library hides failures in four places (opening, writing, closing, and a pending message: PNG on a full disk
answers yes to the first three), takes unknown compressions for its default, and writes today's date. So all four
are looked at, the header is read back, and no date goes in but the footage's own.
"""

from __future__ import annotations

import shutil
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import numpy.typing as npt
import OpenImageIO as oiio

from widegauge.errors import MediaError
from widegauge.frame import Float32
from widegauge.media.attributes import carry, not_held
from widegauge.media.picture import Picture, family
from widegauge.media.reader import Part, Source, opened
from widegauge.media.whole import cut_off

Array = npt.NDArray[np.generic]

HALF_MAX = 65504.0
"""The largest finite half (IEEE 754 binary16)."""

_DPX_NAME, _DPX_DATE = (36, 100), (136, 24)
"""Offset and length of the file's own name and date in a DPX header (SMPTE ST 268, file information header)."""

_OIIO_FORMAT = {"exr": "openexr", "dpx": "dpx", "tiff": "tiff", "png": "png"}
_LOSSLESS_EXR = {"none", "rle", "zip", "zips", "piz"}
_LOSSLESS_TIFF = {"none", "lzw", "zip", "packbits"}
SCARCE = 8
"""A disk with room for fewer pictures than these is nearly full."""

_PNG_LEVEL = 1
"""Footage with grain does not compress: level 1 takes half the time of the library's level 6, and little more room."""


def write(path: Path, picture: Picture, *, kind: str) -> dict[str, object]:
    """Write a picture under a temporary name and rename it; what the format could not hold comes back."""
    form = family(kind)
    layers, lost = _layers(picture, kind)
    wanted = carry(layers[0].spec, picture, kind=kind)
    for layer in layers:
        if "DateTime" not in wanted:
            layer.spec["DateTime"] = ""
    written = _place(path, layers, form, dated="DateTime" in wanted)
    return lost | not_held(wanted, written)


def write_channel(path: Path, plane: Float32, *, channel: str) -> None:
    """Write (H, W) float32 numbers as the only channel of an EXR, as they are; infinity and not-a-number stay."""
    pixels = np.ascontiguousarray(plane[..., None], dtype=np.float32)
    spec = _spec(pixels, (channel,), ["float"])
    spec["compression"], spec["DateTime"] = "zip", ""
    _place(path, [_Layer(spec, pixels)], "exr")


def _place(path: Path, layers: list[_Layer], form: str, *, dated: bool = False) -> oiio.ImageSpec:
    """Write beside the place, check, rename; the header as written."""
    temporary = path.with_name(f".{path.stem}.part{path.suffix}")
    try:
        _write_file(temporary, path, layers, form)
        if form == "dpx":
            _settle_dpx_header(temporary, path.name, dated=dated)
        written = _read_back(temporary, path, layers[0].spec, form)
        _check_whole(temporary, path, layers)
        temporary.replace(path)
    except OSError as error:
        raise _failed(path, error.strerror or str(error)) from None
    finally:
        temporary.unlink(missing_ok=True)
    return written


@dataclass(frozen=True, slots=True)
class _Layer:
    """What goes into one part of a file."""

    spec: oiio.ImageSpec
    pixels: Array


def _layers(picture: Picture, kind: str) -> tuple[list[_Layer], dict[str, object]]:
    """Headers and pixels ready to write, and what had to be left out."""
    form, names = family(kind), picture.extra_names
    if form == "exr":
        return _exr_layers(picture, kind), {}
    lost: dict[str, object] = {}
    if others := [name for name in names if name != "A"]:
        lost["channels"] = others
    codes = np.ascontiguousarray(picture.rgb, dtype=np.float32)
    if picture.extra is not None and "A" in names:
        alpha = picture.extra[..., [names.index("A")]].astype(np.float32)
        codes = np.concatenate((codes, alpha), axis=2)
        if form == "png" and not picture.straight_alpha:
            lost["alpha"] = "colour is multiplied by alpha, as it came"
    bits = 10 if kind == "dpx10" else 16
    spec = _spec(codes, ("R", "G", "B", "A")[: codes.shape[2]], ["uint16"] * codes.shape[2])
    spec["oiio:UnassociatedAlpha"] = int(form == "png" or picture.straight_alpha)
    if form == "dpx":
        spec["oiio:BitsPerSample"] = bits
        spec["oiio:Endian"] = "big"
    elif form == "tiff":
        spec["tiff:write_exif"] = 0
        came = picture.compression if family(picture.kind) == "tiff" else ""
        spec["compression"] = came if came in _LOSSLESS_TIFF else "none"
    else:
        spec["png:compressionLevel"] = _PNG_LEVEL
    return [_Layer(spec, quantised(codes, bits=bits))], lost


def _exr_layers(picture: Picture, kind: str) -> list[_Layer]:
    """One part; a second for integer channels that stand beside others, since one buffer cannot hold both."""
    extra, names = picture.extra, picture.extra_names
    types = [_exr_type(picture, i, kind) for i in range(len(names))]
    floats = [i for i, name in enumerate(types) if name != "uint"] if extra is not None else []
    integers = [i for i, name in enumerate(types) if name == "uint"] if extra is not None else []
    stored = ["half" if kind == "exr-half" else "float"] * 3 + [types[i] for i in floats]
    columns = [np.asarray(picture.rgb, dtype=np.float32)]
    if extra is not None and floats:
        columns.append(extra[..., floats].astype(np.float32))
    pixels: Array = np.ascontiguousarray(np.concatenate(columns, axis=2) if len(columns) > 1 else columns[0])
    if "half" in stored:
        at = [i for i, name in enumerate(stored) if name == "half"]
        if len(at) == len(stored):
            pixels = to_half(pixels)
        else:
            pixels = pixels.copy()
            pixels[..., at] = to_half(pixels[..., at])
    spec = _spec(pixels, ("R", "G", "B", *(names[i] for i in floats)), stored)
    came = picture.compression if family(picture.kind) == "exr" else ""
    keeps = came in _LOSSLESS_EXR or (came == "pxr24" and set(stored) == {"half"})
    spec["compression"] = came if keeps else "zip"
    layers = [_Layer(spec, pixels)]
    if extra is not None and integers:
        ids = np.ascontiguousarray(extra[..., integers].astype(np.uint32))
        beside = _spec(ids, tuple(names[i] for i in integers), ["uint"] * len(integers))
        beside["compression"] = spec.get_string_attribute("compression")
        spec["oiio:subimagename"], beside["oiio:subimagename"] = "rgb", "uint"
        layers.append(_Layer(beside, ids))
    return layers


def to_half(pixels: Array) -> npt.NDArray[np.float16]:
    """Nearest half, ties to even; finite numbers beyond 65504 become 65504, infinity and not-a-number stay."""
    with np.errstate(over="ignore"):
        half = pixels.astype(np.float16)
    too_big = np.isinf(half)
    if too_big.any():
        too_big &= np.isfinite(pixels)
        half[too_big] = np.copysign(np.float16(HALF_MAX), half[too_big])
    return half


def quantised(codes: Float32, *, bits: int) -> npt.NDArray[np.uint16]:
    """Codes of ``bits`` bits filled up to 16, as the library wants them; nearest, clamped, not-a-number to 0."""
    white = np.float32(2**bits - 1)
    scaled = np.rint(np.clip(np.nan_to_num(codes, nan=0.0), 0.0, 1.0) * white).astype(np.uint16)
    if bits == 16:
        return np.asarray(scaled)
    # 10 bits from a 16-bit rounding are one code off for four codes in ten: fill up by repeating the upper bits
    return np.asarray((scaled << (16 - bits)) | (scaled >> (2 * bits - 16)))


def _spec(pixels: Array, names: tuple[str, ...], types: list[str]) -> oiio.ImageSpec:
    height, width, count = pixels.shape
    one_type = len(set(types)) == 1
    spec = oiio.ImageSpec(width, height, count, types[0] if one_type else "float")
    spec.channelnames = names
    if not one_type:
        spec.channelformats = tuple(oiio.TypeDesc(name) for name in types)
    spec.alpha_channel = names.index("A") if "A" in names else -1
    return spec


def _exr_type(picture: Picture, channel: int, kind: str) -> str:
    stored = picture.extra_types[channel] if channel < len(picture.extra_types) else "float"
    return {"code": kind.removeprefix("exr-")}.get(stored, stored)


def _write_file(temporary: Path, path: Path, layers: list[_Layer], form: str) -> None:
    out = oiio.ImageOutput.create(_OIIO_FORMAT[form])
    if out is None:
        raise _failed(path, oiio.geterror())
    specs = [layer.spec for layer in layers]
    opened = out.open(str(temporary), specs[0]) if len(specs) == 1 else out.open(str(temporary), tuple(specs))
    for i, layer in enumerate(layers):
        if i and opened:
            opened = out.open(str(temporary), layer.spec, "AppendSubimage")
        if not opened or not out.write_image(np.ascontiguousarray(layer.pixels)):
            trouble = out.geterror()
            out.close()
            raise _failed(path, trouble)
    closed, trouble = out.close(), out.geterror() or oiio.geterror()
    if not closed or trouble:
        raise _failed(path, trouble)


def _read_back(temporary: Path, path: Path, meant: oiio.ImageSpec, form: str) -> oiio.ImageSpec:
    """The header as written; MediaError when it is not what was meant."""
    handle = oiio.ImageInput.open(str(temporary))
    if handle is None:
        raise _failed(path, oiio.geterror())
    found = handle.spec()
    handle.close()
    layout = [(s.width, s.height, tuple(s.channelnames), str(s.format)) for s in (meant, found)]
    details = [tuple(map(str, s.channelformats)) for s in (meant, found)]
    for name in ("compression",) if form in ("exr", "tiff") else ("oiio:BitsPerSample",) if form == "dpx" else ():
        details[0] += (str(meant.getattribute(name)),)
        details[1] += (str(found.getattribute(name)),)
    if layout[0] != layout[1] or details[0] != details[1]:
        raise _failed(path, f"wrote {layout[1]} {details[1]} in place of {layout[0]} {details[0]}")
    return found


def _check_whole(temporary: Path, path: Path, layers: list[_Layer]) -> None:
    """MediaError when not all of a picture reached the disk.

    Libraries flush their last bytes in silence: on a full disk one file in fifty was cut off, and no call had failed.
    The end is looked at always, every pixel only where room is scarce.
    """
    with opened(temporary) as source:
        lacks = cut_off(source)
        if not lacks and shutil.disk_usage(temporary.parent).free < SCARCE * temporary.stat().st_size:
            same = all(_is_held(source, part, layer) for part, layer in zip(source.parts, layers, strict=True))
            lacks = "" if same else "what was read back is not what was written"
    if lacks:
        raise _failed(path, f"{lacks}; the disk may be full")


def _is_held(source: Source, part: Part, layer: _Layer) -> bool:
    at = [part.channels.index(name) for name in layer.spec.channelnames]
    found = source.numbers(part, at)
    shift = 16 - (layer.spec.get_int_attribute("oiio:BitsPerSample") or 16) if source.format == "dpx" else 0
    wanted = np.right_shift(layer.pixels, shift) if shift else layer.pixels
    return np.array_equal(found, wanted, equal_nan=found.dtype.kind == "f")


def _settle_dpx_header(temporary: Path, name: str, *, dated: bool) -> None:
    """Give a DPX its final name in place of the temporary one, and no date unless the footage has one."""
    with temporary.open("r+b") as file:
        file.seek(_DPX_NAME[0])
        file.write(name.encode("ascii", "replace")[: _DPX_NAME[1] - 1].ljust(_DPX_NAME[1], b"\0"))
        if not dated:
            file.seek(_DPX_DATE[0])
            file.write(bytes(_DPX_DATE[1]))


def _failed(path: Path, trouble: str) -> MediaError:
    reason = " ".join(trouble.split()) or "the library gives no reason"
    return MediaError(f"{path}: cannot be written ({reason}). Check the folder, its permissions and the space left.")
