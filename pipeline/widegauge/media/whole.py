"""Whether a picture is there and whole, without reading its pixels: its header, and what says that it was cut off.

What is found is a file that doesn't open, has no picture or map in it, or ends too early. A damaged block of pixels
in a file of the right length is found only when it is read.
"""

from __future__ import annotations

import os
import struct
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import OpenImageIO as oiio

from widegauge.errors import MediaError
from widegauge.media.reader import Source, opened

HEAD_BYTES = 1 << 14
"""Read at first; an EXR with a long header or table is read further."""

_EXR_LINES = {"none": 1, "rle": 1, "zips": 1, "zip": 16, "pxr24": 16, "piz": 32, "b44": 32, "b44a": 32, "dwaa": 32,
              "dwab": 256}  # fmt: skip
"""Lines of a block by compression (OpenEXR, "File Layout" and "Technical Introduction")."""

_LONG_TABLE, _TILED, _DEEP, _PARTS = 1 << 16, 0x200, 0x800, 0x1000
"""Entries beyond which a table is no table; flags of the version field (OpenEXR, "File Layout")."""


@dataclass(frozen=True, slots=True)
class Look:
    """What a file's header says.

    picture_px, kind   of the picture in it; None and "" when none was asked for
    map_px             of the map in it; None when none was asked for
    """

    picture_px: tuple[int, int] | None
    kind: str
    map_px: tuple[int, int] | None


def look(path: Path, *, picture: bool, part: str | None = None, plane: tuple[str | None, str | None] | None) -> Look:
    """Look at the header of a picture, of a map (``plane``: channel and part), or of a file that is both.

    SettingsError when there is no such file, MediaError when it can't be read, lacks what is asked for, or was cut
    off.
    """
    with opened(path) as source:
        picture_px, kind, map_px = None, "", None
        if picture:
            chosen, colour = source.colour_part(part)
            picture_px, kind = source.size_px(chosen), source.kind(chosen, colour[0])
        if plane is not None:
            map_px = source.size_px(source.map_part(*plane)[0])
        if lacks := cut_off(source):
            raise MediaError(f"{path}: was cut off: {lacks}. Copy it again from its source, or render it again.")
    return Look(picture_px, kind, map_px)


def cut_off(source: Source) -> str:
    """What is not there of a file that ends too early; "" when nothing says so."""
    with source.path.open("rb", buffering=0) as file:
        size = os.fstat(file.fileno()).st_size

        def read(start: int, count: int) -> bytes:
            return os.pread(file.fileno(), count, start)

        match source.format:
            case "openexr":
                return _exr_lacks(source, size, read)
            case "dpx":
                head = read(0, 20)
                stated = struct.unpack_from(">I" if head[:4] == b"SDPX" else "<I", head, 16)[0]
                return f"{stated} bytes are stated, {size} are there" if size < stated != 0xFFFFFFFF else ""
            case "png":
                tail = read(max(0, size - 4096), 4096)
                return "" if 0 <= tail.rfind(b"IEND") <= len(tail) - 8 else "it has no end"
            case "jpeg":
                return "" if b"\xff\xd9" in read(max(0, size - 4096), 4096) else "it has no end"
            case "tiff" if source.parts[0].spec.get_string_attribute("compression") == "none":
                wanted = source.parts[0].spec.image_bytes(True)
                return f"its pixels take {wanted} bytes, {size} are there" if size < wanted else ""
    return ""


def _exr_lacks(source: Source, size: int, read: Callable[[int, int], bytes]) -> str:
    """By the table of blocks behind the header: each has its place within the file, and the last one its length."""
    head = read(0, HEAD_BYTES)
    flags = struct.unpack_from("<I", head, 4)[0]
    counts = [_blocks(part.spec) for part in source.parts]
    if not all(0 < count < _LONG_TABLE for count in counts):
        return ""
    need = 8 * sum(counts)
    while (start := _headers_end(head, flags)) is None or start + need > len(head):
        if len(head) >= size:
            return "its table of blocks is not there"
        head = read(0, 4 * len(head))
    table = struct.unpack_from(f"<{need // 8}Q", head, start)
    written = [place for place in table if place]
    if len(written) < len(table):
        return f"{len(table) - len(written)} of {len(table)} blocks were never written"
    last = max(table)
    end = last
    if not flags & _DEEP:
        before = (4 if flags & _PARTS else 0) + (16 if flags & _TILED else 4)
        length = read(last + before, 4)
        end = last + before + 4 + struct.unpack("<I", length)[0] if len(length) == 4 else size + 1
    if end > size:
        lost = sum(place >= size for place in table) or 1
        return f"{lost} of {len(table)} blocks lie beyond its end"
    return ""


def _blocks(spec: oiio.ImageSpec) -> int:
    """Blocks of a part: as stated, else by its tiles or lines; 0 when none of them says."""
    if stated := spec.get_int_attribute("openexr:chunkCount") or spec.get_int_attribute("chunkCount"):
        return int(stated)
    if spec.tile_width and spec.tile_height:
        smaller_too = spec.get_int_attribute("openexr:levelmode") != 0
        return 0 if smaller_too else -(-spec.width // spec.tile_width) * -(-spec.height // spec.tile_height)
    lines = 0 if spec.deep else _EXR_LINES.get(spec.get_string_attribute("compression"), 0)
    return -(-spec.height // lines) if lines else 0


def _headers_end(head: bytes, flags: int) -> int | None:
    """Where the headers end; None when that lies beyond what was read."""
    at = 8
    try:
        while True:
            if head[at] == 0:
                at += 1
                if not flags & _PARTS or head[at] == 0:
                    return at + (1 if flags & _PARTS else 0)
                continue
            kind = head.index(0, at) + 1
            length = head.index(0, kind) + 1
            at = length + 4 + struct.unpack_from("<I", head, length)[0]
    except (IndexError, ValueError, struct.error):
        return None
