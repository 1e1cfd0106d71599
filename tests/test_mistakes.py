"""What people write wrongly, by classes of mistakes: a sentence each time, never a traceback."""

from __future__ import annotations

import errno
import json
import math
import os
import shutil
from pathlib import Path

import pytest
from click.testing import CliRunner
from conftest import SHOT
from widegauge import presets
from widegauge.cli import main
from widegauge.errors import SettingsError
from widegauge.physics.lens import FocusPull
from widegauge.presets import load_preset
from widegauge.shot import load_shot
from widegauge.tomlfile import read_toml
from widegauge.units import parse_frames


def _asked(*words: object) -> tuple[int, str]:
    done = CliRunner().invoke(main, [str(word) for word in words])
    assert done.exception is None or isinstance(done.exception, SystemExit), done.exc_info
    return done.exit_code, done.output


@pytest.mark.parametrize("ends", ["\n", "\r\n"])
def test_a_byte_order_mark_and_both_line_ends_are_read(tmp_path: Path, ends: str) -> None:
    """Editors on Windows write a mark before the first letter, and end lines with two characters."""
    file = tmp_path / "a.toml"
    file.write_bytes(b"\xef\xbb\xbf" + ends.join(('title = "Fähre"', "n = 2", "")).encode())
    assert read_toml(file) == {"title": "Fähre", "n": 2}


@pytest.mark.parametrize(
    ("content", "said"),
    [
        ("n = 1".encode("utf-16"), "save it as UTF-8"),
        ("# Fähre\n".encode("latin-1"), "save it as UTF-8"),
        (b"n = " + b"[" * 4000 + b"]" * 4000, "brackets within brackets"),
        (b"n = 1 1", "line 1"),
    ],
)
def test_what_is_not_toml_is_said_so(tmp_path: Path, content: bytes, said: str) -> None:
    file = tmp_path / "a.toml"
    file.write_bytes(content)
    with pytest.raises(SettingsError, match=said):
        read_toml(file)


def test_a_folder_in_place_of_a_file_is_called_one(tmp_path: Path) -> None:
    code, said = _asked("plan", tmp_path)
    assert (code, "is a folder" in said) == (2, True)


@pytest.mark.parametrize(
    ("old", "new", "key"),
    [
        ("focal_mm = 9.0", "focal_mm = 1e-300", "lens.focal_mm"),
        ('encoding = "linear"', 'encoding = "linear"\nexposure_stops = 1e300', "footage.exposure_stops"),
        ('encoding = "linear"', 'encoding = "linear"\nframes = "0-999999999999"', "footage.frames"),
        ('noise = "none"', "noise = [[0.0, 1.0], [nan, nan]]", "camera.noise[1][0]"),
    ],
)
def test_numbers_beyond_all_sense_are_refused(make_shot, old: str, new: str, key: str) -> None:
    with pytest.raises(SettingsError) as caught:
        load_shot(make_shot(frames=1, text=SHOT.replace(old, new, 1)))
    assert key in {mistake.key for mistake in caught.value.mistakes}


@pytest.mark.parametrize(
    ("value", "keys"),
    [('"x"', ["camera.noise"]), ("3", ["camera.noise"]), ('[["a", 0.1]]', ["camera.noise[0][0]"])],
)
def test_a_key_that_may_be_a_word_or_rows_is_explained_once(make_shot, value: str, keys: list[str]) -> None:
    with pytest.raises(SettingsError) as caught:
        load_shot(make_shot(frames=1, text=SHOT.replace('noise = "none"', f"noise = {value}")))
    assert [mistake.key for mistake in caught.value.mistakes] == keys


def test_a_negative_is_no_speck() -> None:
    with pytest.raises(SettingsError, match="at least 1"):
        load_preset("15-perf-65", overrides=["negative.picture_mm=[1e-9, 1e-9]"])


@pytest.mark.parametrize("text", ["grane.strength=1", "grain.strngth=1", "negative.picture_mm=[0, 1]"])
def test_a_mistake_of_set_names_set(text: str) -> None:
    with pytest.raises(SettingsError) as caught:
        load_preset("15-perf-65", overrides=[text])
    assert {mistake.file for mistake in caught.value.mistakes} == {"--set"}


def test_set_takes_one_key_at_a_time() -> None:
    with pytest.raises(SettingsError, match=r"grain\.strength"):
        load_preset("15-perf-65", overrides=["grain.strength=0.5\nseed=3"])


def test_a_range_without_end_is_refused() -> None:
    with pytest.raises(ValueError, match="at most"):
        parse_frames("0-999999999999")


def test_a_pull_from_infinity_starts_there() -> None:
    """Linear in 1/distance: a quarter of the way from infinity to 3 m lies at 12 m."""
    pull = FocusPull(((1001, math.inf), (1005, 3.0)))
    assert pull.distance_m(1001) == math.inf
    assert pull.distance_m(1002) == pytest.approx(12.0)
    assert FocusPull(((1, math.inf), (3, math.inf))).distance_m(2) == math.inf


@pytest.mark.parametrize("number", ["nan", "inf", "1e300"])
@pytest.mark.parametrize(
    "words",
    [
        ("compare", "a.exr", "b.exr", "--exposure-stops"),
        ("measure", "noise", "a.exr", "--exposure-stops"),
        ("plan", "--sensor", "23.5x15.7", "--focal", "24", "--stop", "f/2", "--match", "--reducer"),
    ],
)
def test_numbers_of_options_are_finite_and_within_bounds(words: tuple[str, ...], number: str) -> None:
    code, said = _asked(*words, number)
    assert (code, words[-1] in said) == (2, True)


def test_a_reducer_that_is_none_is_refused_before_it_divides() -> None:
    code, said = _asked("plan", "--sensor", "23.5x15.7", "--negative-focal", "50", "--focal-reducer", "0")
    assert (code, "--focal-reducer" in said) == (2, True)


def test_what_is_no_picture_is_not_called_broken(tmp_path: Path) -> None:
    (tmp_path / "a.toml").write_text("x = 1\n")
    assert "is no picture" in _asked("measure", "edge", tmp_path / "a.toml")[1]
    assert "is a folder" in _asked("measure", "edge", tmp_path)[1]


@pytest.mark.parametrize(
    "spoilt", [{"frames": []}, {"shot_at": 3}, {"settings": {"proxy": "0", "kind": "exr-half", "preset": {}}}]
)
def test_a_spoilt_record_is_told_from_a_crash(make_shot, tmp_path: Path, spoilt: dict[str, object]) -> None:
    shot = make_shot(frames=1)
    assert _asked("finish", shot, "--preset", "15-perf-65", "--out", tmp_path / "out")[0] == 0
    record = next((tmp_path / "out").glob("*.record.json"))
    record.write_text(json.dumps(json.loads(record.read_text()) | spoilt))
    assert _asked("compare", record, "--out", tmp_path / "stills")[0] == 2


def test_stills_of_other_numbers_make_a_contact_sheet_and_sequences_do_not(make_shot, tmp_path: Path) -> None:
    plates = make_shot(frames=2).parent / "plates"
    first, second = sorted(plates.glob("*.exr"))
    sheet = tmp_path / "sheet.png"
    assert _asked("compare", first, second, "--contact", sheet)[0] == 0
    assert sheet.stat().st_size > 0
    for number in (1, 2):
        shutil.copy(first, tmp_path / f"other.{number}.exr")
    code, said = _asked("compare", plates / "pier.####.exr", tmp_path / "other.#.exr", "--contact", sheet)
    assert (code, "no frame number in common" in said) == (2, True)


def test_a_full_disk_is_a_sentence(monkeypatch: pytest.MonkeyPatch) -> None:
    """Wherever it shows; what is nobody's fault but the program's keeps its traceback."""

    def fail(number: int) -> None:
        raise OSError(number, os.strerror(number), "a.png")

    for number, code in ((errno.ENOSPC, 3), (errno.ENOTDIR, 3), (errno.EINVAL, 1)):
        monkeypatch.setattr(presets, "preset_names", lambda number=number: fail(number))
        done = CliRunner().invoke(main, ["presets", "list"])
        assert done.exit_code == code
        assert ("space left" in done.output) == (code == 3)
