"""What goes wrong with files: one line each, no half frame, no temporary left."""

from __future__ import annotations

import os
import struct
import subprocess
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import OpenEXR
import pytest
from conftest import write_exr
from widegauge.errors import MediaError, SettingsError
from widegauge.media.images import WRITTEN_KINDS, Picture, extension, probe, read_channel, read_picture, write_picture
from widegauge.media.movies import Movie

RNG = np.random.default_rng(3)
NOISE = Picture(RNG.random((300, 400, 3), dtype=np.float32), None, (), {}, "exr-float")


@pytest.fixture
def small_disk(tmp_path: Path) -> Iterator[Path]:
    """A file system of 256 kB, where the machine lets us mount one."""
    place = tmp_path / "small"
    place.mkdir()
    command = ["mount", "-t", "tmpfs", "-o", "size=256k", "tmpfs", str(place)]
    try:
        mounted = os.geteuid() == 0 and subprocess.run(command, capture_output=True, check=False).returncode == 0
    except FileNotFoundError:
        mounted = False
    if not mounted:
        pytest.skip("mounting a small file system needs root and the right to mount")
    yield place
    subprocess.run(["umount", str(place)], check=True)


def one_line(error: pytest.ExceptionInfo[MediaError], path: Path) -> None:
    text = str(error.value)
    assert text.startswith(f"{path}: ")
    assert "\n" not in text
    assert text.endswith(".")


@pytest.mark.parametrize("kind", WRITTEN_KINDS)
def test_a_truncated_file_is_an_error(tmp_path: Path, kind: str) -> None:
    path = tmp_path / f"a.{extension(kind)}"
    write_picture(path, NOISE, kind=kind)
    path.write_bytes(path.read_bytes()[: path.stat().st_size // 2])
    with pytest.raises(MediaError) as error:
        read_picture(path)
    one_line(error, path)


def test_a_truncated_jpeg_is_an_error(tmp_path: Path) -> None:
    import cv2

    path = tmp_path / "a.jpg"
    cv2.imwrite(str(path), RNG.integers(0, 255, (200, 200, 3)).astype(np.uint8))
    path.write_bytes(path.read_bytes()[:9000])
    with pytest.raises(MediaError) as error:
        read_picture(path)
    one_line(error, path)


@pytest.mark.parametrize("name", ["a.exr", "a.dpx", "a.tif", "a.png", "a.jpg"])
@pytest.mark.parametrize("content", [b"", b"This is a text file under another name.\n" * 100])
@pytest.mark.parametrize("read", [read_picture, probe, lambda path: read_channel(path, None)])
def test_empty_files_and_text_under_a_picture_s_name(tmp_path: Path, name: str, content: bytes, read) -> None:  # type: ignore[no-untyped-def]
    path = tmp_path / name
    path.write_bytes(content)
    with pytest.raises(MediaError) as error:
        read(path)
    one_line(error, path)
    assert ("is empty" in str(error.value)) == (content == b"")


@pytest.mark.parametrize("content", [b"", b"no movie at all\n" * 99])
def test_a_movie_that_is_none(tmp_path: Path, content: bytes) -> None:
    path = tmp_path / "a.mov"
    path.write_bytes(content)
    with pytest.raises(MediaError) as error:
        Movie(path)
    one_line(error, path)


def test_a_file_that_is_not_there_is_a_mistake_found_before_the_first_frame(tmp_path: Path) -> None:
    for read in (read_picture, probe, lambda path: read_channel(path, "Z")):
        with pytest.raises(SettingsError, match="there is no such file"):
            read(tmp_path / "nope.exr")


def test_a_file_that_must_not_be_read(tmp_path: Path) -> None:
    if os.geteuid() == 0:
        pytest.skip("root may read everything")
    path = tmp_path / "a.exr"
    write_picture(path, NOISE, kind="exr-half")
    path.chmod(0)
    with pytest.raises(MediaError, match="permissions") as error:
        read_picture(path)
    one_line(error, path)


def test_chroma_on_a_smaller_raster_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "a.exr"
    channels = {name: np.zeros((8, 8), np.float16) for name in ("Y", "BY", "RY")}
    with OpenEXR.File({"compression": OpenEXR.NO_COMPRESSION, "type": OpenEXR.scanlineimage}, channels) as file:
        file.write(str(path))
    data = bytearray(path.read_bytes())
    for name in (b"BY\0", b"RY\0"):
        # OpenEXR file layout, chlist: name, type (4 bytes), pLinear and reserved (4), xSampling, ySampling
        at = data.index(name) + len(name) + 8
        assert data[at : at + 8] == struct.pack("<ii", 1, 1)
        data[at : at + 8] = struct.pack("<ii", 2, 2)
    path.write_bytes(data)
    with pytest.raises(MediaError) as error:
        read_picture(path)
    one_line(error, path)


@pytest.mark.parametrize("kind", WRITTEN_KINDS)
def test_a_full_disk_is_an_error_and_leaves_the_old_frame_and_nothing_else(small_disk: Path, kind: str) -> None:
    path = small_disk / f"a.{extension(kind)}"
    path.write_bytes(b"old")
    with pytest.raises(MediaError, match="cannot be written") as error:
        write_picture(path, NOISE, kind=kind)
    one_line(error, path)
    assert [(file.name, file.read_bytes()) for file in small_disk.iterdir()] == [(path.name, b"old")]


@pytest.mark.parametrize("kind", WRITTEN_KINDS)
def test_a_folder_that_is_not_there(tmp_path: Path, kind: str) -> None:
    path = tmp_path / "nope" / f"a.{extension(kind)}"
    with pytest.raises(MediaError, match="cannot be written") as error:
        write_picture(path, NOISE, kind=kind)
    one_line(error, path)
    assert list(tmp_path.iterdir()) == []


def test_a_folder_in_the_way(tmp_path: Path) -> None:
    path = tmp_path / "a.exr"
    path.mkdir()
    with pytest.raises(MediaError, match="cannot be written"):
        write_picture(path, NOISE, kind="exr-half")
    assert [file.name for file in tmp_path.iterdir()] == ["a.exr"]


def test_only_kinds_that_are_written(tmp_path: Path) -> None:
    with pytest.raises(ValueError, match="dpx10"):
        write_picture(tmp_path / "a.jpg", NOISE, kind="jpeg")


def test_overwriting_gives_the_new_frame(tmp_path: Path) -> None:
    path = tmp_path / "a.exr"
    write_exr(path, np.zeros((4, 4, 3), np.float32))
    write_picture(path, NOISE, kind="exr-float")
    np.testing.assert_array_equal(read_picture(path).rgb, NOISE.rgb)
    assert [file.name for file in tmp_path.iterdir()] == ["a.exr"]
