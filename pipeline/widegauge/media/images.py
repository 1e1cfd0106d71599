"""Pictures in and out of image files."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from widegauge.errors import MediaError
from widegauge.frame import Float32
from widegauge.media.attributes import pixel_aspect_of, rate_of, read_attributes
from widegauge.media.picture import KINDS, WRITTEN_KINDS, Picture, Probe, default_kind, extension
from widegauge.media.reader import Array, Part, Source, as_codes, opened
from widegauge.media.writer import write

__all__ = [
    "KINDS",
    "WRITTEN_KINDS",
    "Picture",
    "Probe",
    "default_kind",
    "extension",
    "probe",
    "read_channel",
    "read_picture",
    "write_picture",
]


def read_picture(path: Path | str, *, part: str | None = None) -> Picture:
    """Read a picture as code values.

    ``part`` names a part of an EXR file, or a layer in it ("beauty" for beauty.R); without it, the first part that has
    R, G, B or Y, plain names before layers. One channel is read as R = G = B (and written as three). Alpha is neither
    multiplied in nor divided out. The raster is the display window: 0 where the file has no data, and data outside
    it are left out. SettingsError when there is no such file, MediaError when it cannot be read.
    """
    with opened(Path(path)) as source:
        chosen, colour = source.colour_part(part)
        kind = source.kind(chosen, colour[0])
        white = source.white(chosen, colour[0])
        at = [chosen.channels.index(name) for name in colour]
        extra_at = [i for i in range(len(chosen.channels)) if i not in at]
        rgb, extra = _numbers(source, chosen, at, extra_at)
        codes = as_codes(rgb, white)
        values, types = read_attributes(chosen.spec)
        spec = chosen.spec
        return Picture(
            rgb=np.repeat(codes, 3, axis=2) if len(colour) == 1 else np.ascontiguousarray(codes),
            extra=extra if extra is None or white == 1.0 else as_codes(extra, white),
            extra_names=tuple(chosen.channels[i] for i in extra_at),
            attributes=values,
            kind=kind,
            extra_types=tuple(chosen.channel_type(i) if kind.startswith("exr") else "code" for i in extra_at),
            attribute_types=types,
            compression=spec.get_string_attribute("compression") if source.format in ("openexr", "tiff") else "",
            grey=len(colour) == 1,
            straight_alpha=kind.startswith("png") or bool(spec.get_int_attribute("tiff:UnassociatedAlpha")),
        )


def probe(path: Path | str, *, part: str | None = None) -> Probe:
    """Read the header only; errors as for ``read_picture``."""
    with opened(Path(path)) as source:
        chosen, colour = source.colour_part(part)
        values, _ = read_attributes(chosen.spec)
        width_px, height_px = source.size_px(chosen)
        return Probe(
            width_px=width_px,
            height_px=height_px,
            kind=source.kind(chosen, colour[0]),
            channels=chosen.channels,
            rate=rate_of(values),
            pixel_aspect=pixel_aspect_of(values),
            parts=tuple(each.name for each in source.parts),
            attributes=values,
        )


def size_px(path: Path | str, *, part: str | None = None) -> tuple[int, int]:
    """Width and height of any picture or map, from its header; of an EXR's part, else of its first."""
    with opened(Path(path)) as source:
        return source.size_px(next((each for each in source.parts if each.name == part), source.parts[0]))


def read_channel(path: Path | str, channel: str | None, *, part: str | None = None) -> Float32:
    """One channel, (H, W) float32, as plain numbers: integer files give their integers, floats come as they are.

    ``channel`` None takes the only channel, else "Z", else "Y". Colour is refused for a map unless R, G and B are
    equal. The raster is the display window, 0 where the file has no data. MediaError lists the channels there are.
    """
    with opened(Path(path)) as source:
        chosen, at = source.map_part(channel, part)
        values = source.numbers(chosen, at)
        if len(at) > 1 and not (values == values[..., :1]).all():
            raise MediaError(
                f"{path}: R, G and B differ where one value is wanted; save the map as one channel (or as EXR)."
            )
        return _plane(values)


def write_picture(path: Path | str, picture: Picture, *, kind: str) -> dict[str, object]:
    """Write a picture whole or not at all, and return what the format could not hold.

    ``kind`` is one of WRITTEN_KINDS. Halves are rounded to nearest even and clamped to 65504; integer codes are
    rounded and clamped to 0..1. EXR keeps the compression that came in while that is lossless, else zip. Extra
    channels keep name and type in EXR; integer formats hold alpha only. The same picture gives the same bytes.
    MediaError, and no file under that or a temporary name, when it cannot be written.
    """
    if kind not in WRITTEN_KINDS:
        raise ValueError(f"kind is one of {', '.join(WRITTEN_KINDS)}")
    return write(Path(path), picture, kind=kind)


def _numbers(source: Source, part: Part, at: list[int], extra_at: list[int]) -> tuple[Array, Array | None]:
    """Colour and extra channels, read together where they share a type of number."""
    if not extra_at:
        return source.numbers(part, at), None
    integer = [part.channel_type(i).startswith("uint") for i in (*at, *extra_at)]
    if all(integer) or not any(integer):
        together = source.numbers(part, [*at, *extra_at])
        return together[..., : len(at)], np.ascontiguousarray(together[..., len(at) :])
    return source.numbers(part, at), source.numbers(part, extra_at)


def _plane(numbers: Array) -> Float32:
    return np.ascontiguousarray(numbers[..., 0], dtype=np.float32)
