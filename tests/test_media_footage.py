"""Numbered frames, folders and single pictures: what is found, what is missing, what is read."""

from __future__ import annotations

import hashlib
from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest
from conftest import write_exr
from widegauge.errors import MediaError, SettingsError
from widegauge.media.footage import anything_at, frame_path, list_frames, listed, open_footage


def save(folder: Path, name: str, level: float, size: tuple[int, int] = (4, 6), **header: object) -> None:
    write_exr(folder / name, np.full((*size, 3), level, dtype=np.float32), **header)


@pytest.fixture
def shot(tmp_path: Path) -> Path:
    """landing_010: frames 998 to 1003, of which 1001 is missing, beside files that do not belong."""
    for number in (998, 999, 1000, 1002, 1003):
        save(tmp_path, f"landing_010.{number:04d}.exr", number, framesPerSecond=Fraction(25))
    save(tmp_path, "landing_020.0998.exr", 1.0)
    save(tmp_path, "landing_010.99.exr", 1.0)
    (tmp_path / "landing_010.0998.exr.txt").write_text("notes")
    return tmp_path


@pytest.mark.parametrize("pattern", ["landing_010.####.exr", "landing_010.%04d.exr"])
def test_a_pattern_finds_its_frames_and_no_others(shot: Path, pattern: str) -> None:
    footage = open_footage(shot / pattern, missing="hold")
    assert (footage.name, footage.separator, footage.padding) == ("landing_010", ".", 4)
    assert footage.is_numbered
    assert footage.numbers == footage.all_numbers == tuple(range(998, 1004))
    assert footage.missing_numbers == (1001,)
    assert footage.rate == 25
    assert footage.path(1000) == shot / "landing_010.1000.exr"
    assert sorted(list_frames(shot / pattern)) == [998, 999, 1000, 1002, 1003]
    assert len(footage.files()) == 5
    assert footage.read(1003).rgb[0, 0, 0] == 1003.0


def test_numbers_may_outgrow_their_padding(tmp_path: Path) -> None:
    for number in (9999, 10000):
        save(tmp_path, f"a.{number:04d}.exr", number)
    save(tmp_path, "a.01000.exr", 0.0)
    assert list(list_frames(tmp_path / "a.####.exr")) == [9999, 10000]
    assert frame_path(tmp_path / "a.####.exr", 10000).name == "a.10000.exr"
    assert frame_path(tmp_path / "a.%04d.exr", 7).name == "a.0007.exr"
    assert frame_path(tmp_path / "still.exr", 7).name == "still.exr"


def test_all_missing_frames_are_named_at_once(shot: Path) -> None:
    with pytest.raises(SettingsError, match=r"1001, 1004-1006") as error:
        open_footage(shot / "landing_010.####.exr", frames="1000-1006")
    assert "998 to 1003" in str(error.value)
    with pytest.raises(SettingsError, match=r"1 of 6 frames are missing: 1001"):
        open_footage(shot / "landing_010.####.exr")
    assert open_footage(shot / "landing_010.####.exr", frames="998-1000").missing_numbers == (1001,)


def test_a_range_with_a_step_leaves_the_whole_shot_known(shot: Path) -> None:
    footage = open_footage(shot / "landing_010.####.exr", frames="998-1002x2", rate=Fraction(24000, 1001))
    assert footage.numbers == (998, 1000, 1002)
    assert footage.all_numbers == tuple(range(998, 1004))
    assert footage.rate == Fraction(24000, 1001)
    with pytest.raises(SettingsError, match="frames are written"):
        open_footage(shot / "landing_010.####.exr", frames="from 5")
    with pytest.raises(SettingsError, match="none of the footage's frames"):
        open_footage(shot / "landing_010.####.exr", frames="1-5", missing="hold")


def test_a_missing_frame_is_held_or_black(shot: Path) -> None:
    held = open_footage(shot / "landing_010.####.exr", frames="996-1005", missing="hold")
    assert [int(held.read(n).rgb[0, 0, 0]) for n in (996, 1001, 1002, 1005)] == [998, 1000, 1002, 1003]
    assert held.path(1001) == held.path(1000)
    assert held.fingerprint(1001) == held.fingerprint(1000)
    black = open_footage(shot / "landing_010.####.exr", missing="black")
    assert black.read(1001).rgb.shape == (4, 6, 3)
    assert not black.read(1001).rgb.any()
    assert black.read(1001).kind == "exr-float"
    assert black.fingerprint(1001) != black.fingerprint(1000)


def test_fingerprint_is_the_file_s_sha256(shot: Path) -> None:
    footage = open_footage(shot / "landing_010.####.exr", missing="hold")
    expected = hashlib.sha256((shot / "landing_010.1002.exr").read_bytes()).hexdigest()
    assert footage.fingerprint(1002) == expected


def test_a_folder_of_one_sequence(tmp_path: Path) -> None:
    folder = tmp_path / "pier"
    folder.mkdir()
    for number in (1, 2, 10):
        save(folder, f"{number:02d}.exr", number)
    (folder / "notes.txt").write_text("7")
    footage = open_footage(folder, missing="hold")
    assert (footage.name, footage.padding, footage.is_numbered) == ("pier", 2, False)
    assert footage.all_numbers == tuple(range(1, 11))
    assert list(list_frames(folder)) == [1, 2, 10]
    assert footage.read(10).rgb[0, 0, 0] == 10.0


def test_a_folder_of_more_or_less_than_one_sequence_says_what_is_there(shot: Path, tmp_path: Path) -> None:
    with pytest.raises(SettingsError, match=r"landing_010\.##\.exr \(6 frames\), landing_020\.####\.exr \(1 frame\)"):
        open_footage(shot)
    (tmp_path / "empty").mkdir()
    with pytest.raises(SettingsError, match="no numbered pictures lie here"):
        open_footage(tmp_path / "empty")


def test_a_number_in_the_middle_keeps_the_rest_of_the_name(tmp_path: Path) -> None:
    save(tmp_path, "frame-000003.color.exr", 3.0)
    save(tmp_path, "frame-000003.depth.exr", 3.0)
    footage = open_footage(tmp_path / "frame-######.color.exr")
    assert (footage.name, footage.separator, footage.padding, footage.numbers) == ("frame.color", "-", 6, (3,))


def test_a_single_picture_is_a_shot_of_one_frame(tmp_path: Path) -> None:
    save(tmp_path, "landing.1007.exr", 7.0)
    save(tmp_path, "still.exr", 1.0)
    assert open_footage(tmp_path / "landing.1007.exr").numbers == (1007,)
    still = open_footage(tmp_path / "still.exr")
    assert (still.name, still.numbers, still.rate) == ("still", (1,), 24)


def test_a_frame_of_another_size_is_an_error_with_both_sizes(tmp_path: Path) -> None:
    save(tmp_path, "a.0001.exr", 1.0)
    save(tmp_path, "a.0002.exr", 1.0, size=(4, 8))
    footage = open_footage(tmp_path / "a.####.exr")
    with pytest.raises(MediaError, match=r"a\.0002\.exr: is 8 x 4, but a\.0001\.exr is 6 x 4"):
        footage.read(2)


def test_nothing_there(tmp_path: Path) -> None:
    for name, rule in (("a.####.exr", "no frame matches"), ("a.exr", "no such file"), ("nope/a.##.exr", "no frame")):
        assert not anything_at(tmp_path / name)
        with pytest.raises(SettingsError, match=rule):
            open_footage(tmp_path / name)
    save(tmp_path, "a.0001.exr", 1.0)
    assert anything_at(tmp_path / "a.####.exr")
    assert anything_at(tmp_path)


def test_numbers_are_listed_for_people() -> None:
    assert listed([5, 1, 2, 3, 9, 8]) == "1-3, 5, 8-9"
