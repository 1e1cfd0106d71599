"""What `finish` says on screen at the end, and `compare` of a shot that a timeline bound to other media."""

from __future__ import annotations

import shutil
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner
from conftest import SHOT
from test_media_movies import save_movie
from widegauge import presets
from widegauge.cli import main
from widegauge.errors import SettingsError
from widegauge.run.bind import bind
from widegauge.run.compare import open_finished
from widegauge.run.finish import finish
from widegauge.run.job import make_job


def _finished(*words: object) -> str:
    done = CliRunner().invoke(main, ["finish", *map(str, words)])
    assert done.exit_code == 0, done.output
    return done.output


@pytest.mark.parametrize(("white", "clips"), [(1000, True), (940, False)])
def test_what_a_movie_s_output_clips_is_said_with_its_share(tmp_path: Path, white: int, clips: bool) -> None:
    """Code 940 of 10 bits is white, 1000 lies above (ITU-R BT.709-6); a fourth of the picture has it."""
    luma, grey = np.full((32, 48), 400, dtype=np.uint16), np.full((32, 48), 512, dtype=np.uint16)
    luma[:, :12] = white
    save_movie(tmp_path / "m.mkv", [[luma, grey, grey]], "yuv444p10le", matrix=1, colour_range=1)
    shot = tmp_path / "m.toml"
    shot.write_text(SHOT.replace("plates/pier.####.exr", "m.mkv", 1).replace("linear", "sRGB").split("[depth]")[0])
    words = (shot, "--preset", "15-perf-65", "--set", "framing.enabled=false", "--out")
    said = _finished(*words, tmp_path / "tiff")
    assert ("above white and clips up to 25 % of the pixels (frame 1)" in said) == clips
    assert "clips" not in _finished(*words, tmp_path / "exr", "--set", "output.format=exr-half")


def test_a_record_of_other_media_is_compared_with_those(make_shot, tmp_path: Path) -> None:
    """A timeline's media take the place of the shot file's path, which may be gone."""
    shot = make_shot(frames=2)
    other = tmp_path / "other"
    shutil.copytree(shot.parent / "plates", other)
    facts = {"footage": {"path": str(other / "pier.####.exr"), "frames": None}}
    plan, plate, size = bind(shot, "15-perf-65", facts=facts)
    job = make_job(plan, plate, out=tmp_path / "out", proxy=size)
    finish(job, workers=1)
    found = open_finished(job.record_path)
    assert found.notes == ()
    assert found.plate.footage.path(plate.numbers[0]).parent == other


def test_a_base_sends_back_no_more_than_total_reflection(monkeypatch: pytest.MonkeyPatch) -> None:
    """1 - 1/n^2 of a diffuse source is totally reflected (physics/base.py)."""
    name, stock = next(iter(presets.stocks().items()))
    monkeypatch.setattr(
        presets, "read_records", lambda *_, **__: {name: replace(stock, halation_return_frac=(0.6, 0.0, 0.0))}
    )
    with pytest.raises(SettingsError, match="total reflection"):
        presets.stocks.__wrapped__()
