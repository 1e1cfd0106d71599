"""Depth maps that a shot file can name: one EXR a frame, in metres, numbered like the footage."""

from __future__ import annotations

import json
import os
from pathlib import Path

from widegauge.errors import MediaError, mistake
from widegauge.frame import Float32
from widegauge.media.footage import Footage
from widegauge.media.writer import write_channel
from widegauge.plate import Plate, open_plate
from widegauge.shot import Shot
from widegauge.tomlfile import read_table, read_toml

CHANNEL = "Z"


def write_depth(path: Path, depth_m: Float32) -> None:
    """Write (H, W) float32 metres as one channel, Z; infinity and not-a-number (not known) stay as they are.

    It is written beside its place and renamed. MediaError when it cannot be written.
    """
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise MediaError(f"{path.parent}: cannot be made ({error.strerror}); choose another folder.") from None
    write_channel(path, depth_m, channel=CHANNEL)


def depth_name(footage: Footage, number: int) -> str:
    """A map's file name: the footage's name and number, with as many digits."""
    return f"{footage.name}.{number:0{footage.padding}d}.exr"


def shot_lines(shot: Shot, footage: Footage, out: Path) -> str:
    """The lines with which a shot file names the maps in ``out``, to be pasted into it."""
    folder = Path(os.path.relpath(out.resolve(), shot.file.resolve().parent)).as_posix()
    name = f"{footage.name}.{'#' * footage.padding}.exr"
    path = name if folder == "." else f"{folder}/{name}"
    return f'[depth]\npath = {json.dumps(path, ensure_ascii=False)}\nchannel = "{CHANNEL}"'


def open_without_depth(path: Path, *, frames: str | None = None) -> Plate:
    """A shot's footage, whatever its file says under [depth]: those maps may be the ones yet to be made.

    SettingsError with every mistake, as for a shot with its depth.
    """
    data = {name: table for name, table in read_toml(path).items() if name != "depth"}
    shot = read_table(Shot, data, file=path, folder=path.parent)
    shot._file = path
    return open_plate(shot, frames=frames)


def refuse_sources(out: Path, plate: Plate) -> None:
    """SettingsError when maps would go where the footage, or the depth that the shot has, lies."""
    folders = {file.parent.resolve() for file in (*plate.footage.files(), *plate.depth.values())}
    if out.resolve() in folders:
        raise mistake("--out", "", f'"{out}"', "is the folder of the footage or its depth", "choose another folder")
