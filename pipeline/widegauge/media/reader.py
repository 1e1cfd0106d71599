"""OpenImageIO, read strictly: what is in a file, and its numbers as they are."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import numpy.typing as npt
import OpenImageIO as oiio

from widegauge.errors import MediaError, mistake
from widegauge.frame import Float32

Array = npt.NDArray[np.generic]

_TRIPLE, _GREY = ("R", "G", "B"), "Y"
_NO_READER = "could not find a format reader"
"""OpenImageIO's words for a file of a kind that it does not know."""

_DPX_BITS = {8, 10, 12, 16}


@dataclass(frozen=True, slots=True)
class Part:
    """One part of a file: its index, its name, and its header."""

    index: int
    name: str
    spec: oiio.ImageSpec

    @property
    def channels(self) -> tuple[str, ...]:
        return tuple(self.spec.channelnames)

    def channel_type(self, channel: int) -> str:
        """OpenImageIO's name of the type in which a channel is stored."""
        formats = self.spec.channelformats
        return str(formats[channel] if formats else self.spec.format)


class Source:
    """An open image file."""

    def __init__(self, path: Path, handle: oiio.ImageInput) -> None:
        self.path, self.format, self._handle = path, handle.format_name(), handle
        self.parts: list[Part] = []
        while handle.seek_subimage(len(self.parts), 0):
            spec = handle.spec()
            self.parts.append(Part(len(self.parts), spec.get_string_attribute("oiio:subimagename"), spec))
        handle.geterror()

    def colour_part(self, part: str | None) -> tuple[Part, tuple[str, ...]]:
        """The part to read a picture from, and its three colour channels (or the only one, grey)."""
        named = [candidate for candidate in self.parts if part is None or candidate.name == part]
        for candidate in named:
            if found := _colour_channels(candidate.channels, None):
                return candidate, found
        for candidate in self.parts if part is not None else ():
            if found := _colour_channels(candidate.channels, part):
                return candidate, found
        raise MediaError(
            f"{self.path}: no R, G, B or Y{f' in part {part!r}' if part else ''}. {self.inventory()}; "
            "name one of its parts or layers that has them."
        )

    def map_part(self, channel: str | None, part: str | None) -> tuple[Part, list[int]]:
        """The part to read a map from, and its channel; of a file without names R, G and B, which are to be equal."""
        for each in self.parts:
            if part is not None and each.name != part:
                continue
            names = each.channels
            for name in (channel,) if channel is not None else (names[0],) if len(names) == 1 else ("Z", "Y"):
                if name in names:
                    return each, [names.index(name)]
            if channel is None and self.format != "openexr" and names[:3] == ("R", "G", "B"):
                return each, [0, 1, 2]
        where = f" in part {part!r}" if part is not None else ""
        raise MediaError(f'{self.path}: no channel "{channel or "Z"}"{where}. {self.inventory()}; name one of them.')

    def size_px(self, part: Part) -> tuple[int, int]:
        """Width and height of the raster that is read: the display window where the format has one."""
        spec = part.spec
        return (spec.full_width, spec.full_height) if self.format == "openexr" else (spec.width, spec.height)

    def inventory(self) -> str:
        """What the file holds, for a message."""
        if len(self.parts) == 1:
            return f"Its channels are {', '.join(self.parts[0].channels)}"
        return "Its parts are " + "; ".join(f'"{p.name or p.index}" with {", ".join(p.channels)}' for p in self.parts)

    def kind(self, part: Part, channel: str) -> str:
        """Which of the kinds of picture a part is, by its colour."""
        stored = part.channel_type(part.channels.index(channel))
        bits = part.spec.get_int_attribute("oiio:BitsPerSample")
        match self.format, stored:
            case "openexr", "half" | "float" if not part.spec.deep:
                return f"exr-{stored}"
            case "dpx" | "cineon", "uint8":
                return "dpx8"
            case "dpx" | "cineon", "uint16" if bits in _DPX_BITS:
                return f"dpx{bits}"
            case "tiff" | "png", "uint8" | "uint16":
                return f"{self.format}{stored[4:]}"
            case "tiff", "half" | "float" | "double":
                return "tiff-float"
            case "jpeg", "uint8":
                return "jpeg"
        depth = " deep" if part.spec.deep else ""
        raise MediaError(f"{self.path}:{depth} {stored} {self.format} is not read. Convert it to flat EXR.")

    def numbers(self, part: Part, channels: list[int]) -> Array:
        """Channels (H, W, N) on the display window as the file holds them: uint32 and integers by their codes.

        float32 for half, float and 10- or 12-bit codes; where integer and float channels meet, float64 holds both.
        """
        types = [part.channel_type(channel) for channel in channels]
        if len(set(types)) == 1 or not any(name.startswith("uint") for name in types):
            return self._on_display(part, self._read(part, channels, types[0]))
        columns = [self.numbers(part, [channel]).astype(np.float64) for channel in channels]
        return np.concatenate(columns, axis=2)

    def _read(self, part: Part, channels: list[int], stored: str) -> Array:
        wanted = stored if stored.startswith("uint") else "float"
        first, stop = min(channels), max(channels) + 1
        pixels = self._handle.read_image(part.index, 0, first, stop, wanted)
        trouble = self._handle.geterror() or oiio.geterror()
        if pixels is None or trouble:
            raise broken(self.path, trouble)
        if self.format in ("dpx", "cineon") and stored == "uint16":
            pixels = pixels >> (16 - (part.spec.get_int_attribute("oiio:BitsPerSample") or 16))
        at = [channel - first for channel in channels]
        whole = at == list(range(pixels.shape[2]))
        return np.ascontiguousarray(pixels if whole else pixels[..., at])

    def _on_display(self, part: Part, pixels: Array) -> Array:
        spec = part.spec
        x, y = spec.x - spec.full_x, spec.y - spec.full_y
        size = (spec.full_height, spec.full_width)
        if self.format != "openexr" or (x, y, *pixels.shape[:2]) == (0, 0, *size):
            return pixels
        window = np.zeros((*size, pixels.shape[2]), dtype=pixels.dtype)
        y0, y1, x0, x1 = max(y, 0), min(y + spec.height, size[0]), max(x, 0), min(x + spec.width, size[1])
        if y1 > y0 and x1 > x0:
            window[y0:y1, x0:x1] = pixels[y0 - y : y1 - y, x0 - x : x1 - x]
        return window

    def white(self, part: Part, channel: str) -> float:
        """The highest code of an integer channel; 1 for floats."""
        stored = part.channel_type(part.channels.index(channel))
        if not stored.startswith("uint") or self.format == "openexr":
            return 1.0
        bits = 8 if stored == "uint8" else 16
        if self.format in ("dpx", "cineon"):
            bits = part.spec.get_int_attribute("oiio:BitsPerSample") or bits
        return float(2**bits - 1)


@contextmanager
def opened(path: Path) -> Iterator[Source]:
    """Open an image; SettingsError when it is not there, MediaError when it cannot be read."""
    if path.is_dir():
        raise mistake(path, "", None, "is a folder", "Name a picture in it")
    if not path.is_file():
        raise mistake(path, "", None, "there is no such file", "Check the name and the folder")
    straight = oiio.ImageSpec()
    straight["oiio:UnassociatedAlpha"] = 1
    try:
        handle = oiio.ImageInput.open(str(path), straight)
    except OSError as error:
        raise broken(path, str(error)) from None
    if handle is None:
        raise broken(path, oiio.geterror())
    try:
        yield Source(path, handle)
    finally:
        handle.close()


def broken(path: Path, trouble: str) -> MediaError:
    """The error for a file that cannot be read, with the library's reason on one line."""
    reason = " ".join(trouble.split()) or "no reason given"
    try:
        with path.open("rb") as file:
            empty = not file.read(1)
    except OSError as error:
        return MediaError(f"{path}: cannot be opened ({error.strerror}). Check its permissions.")
    if empty:
        return MediaError(f"{path}: is empty. Copy it again from its source.")
    if _NO_READER in reason:
        return MediaError(f"{path}: is no picture that is read here. Take EXR, DPX, TIFF, PNG or JPEG.")
    return MediaError(f"{path}: cannot be read ({reason}). Copy it again from its source.")


def as_codes(numbers: Array, white: float) -> Float32:
    """Integer codes as float32 with full scale at 1; floats as they are."""
    codes = numbers.astype(np.float32)
    if white != 1.0:
        codes /= np.float32(white)
    return codes


def _colour_channels(channels: tuple[str, ...], layer: str | None) -> tuple[str, ...]:
    """The names of R, G, B (or Y alone) in a part, of a layer when one is named, else plain ones first."""
    if layer is not None:
        layers = [f"{layer}."]
    else:
        layers = ["", *dict.fromkeys(name[:-1] for name in channels if name.endswith(".R"))]
    for prefix in layers:
        if all(prefix + name in channels for name in _TRIPLE):
            return tuple(prefix + name for name in _TRIPLE)
        if prefix + _GREY in channels:
            return (prefix + _GREY,)
    return ()
