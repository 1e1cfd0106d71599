"""Nonsense in every way to depth: a sentence that says what to measure or check, and never a traceback."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import cv2
import numpy as np
import pytest
import stereo_pair as made
from click.testing import CliRunner, Result
from conftest import write_exr
from test_depth_network import red
from widegauge.cli import main
from widegauge.depth.metres import disparity_m, fit_inverse
from widegauge.errors import MediaError


def run(*words: object) -> Result:
    done = CliRunner().invoke(main, ["depth", *map(str, words)])
    if done.exception and not isinstance(done.exception, SystemExit):
        raise done.exception
    return done


# ---- show


def with_depth(shot: Path, depth: str) -> Path:
    shot.write_text(shot.read_text().split("[depth]")[0] + f"[depth]\n{depth}\n")
    return shot


@pytest.mark.parametrize(
    ("depth", "code", "said"),
    [
        ("constant_m = 60.0", 0, "the map is 60.00 m everywhere. Check depth.constant_m, and the tape of the focus"),
        ('path = "q.####.png"', 0, "Check depth.kind, depth.metres_per_unit"),
        ('path = "q.####.png"\nkind = "disparity"\nfocal_px = 90\nbaseline_m = 0.2', 0, "depth.focal_px, depth.basel"),
        ('path = "q.####.png"\nkind = "disparity"\nfocal_px = 90\nbaseline_m = 9\noffset_px = -60000', 3, "its sign"),
        ('path = "q.####.png"\nkind = "disparity"', 2, "both are in the pair's calibration"),
        ('path = "q.####.png"\nkind = "inverse"\ntaped = [[0.5, 0.9, 2.0]]', 2, "needs two or more taped distances"),
        ('path = "q.####.png"\nkind = "inverse"\ntaped = [[0.5, 0.9, 9.0], [0.5, 0.1, 2.0]]', 3, "were exchanged"),
        ('path = "q.####.png"\nkind = "inverse"\ntaped = [[0.5, 0.9, 2.0], [0.5, 0.1, 2.0]]', 3, "a near and a far"),
        ('path = "q.####.png"\nkind = "inverse"\ntaped = [[0.5, 0.9, 2.0], [0.1, 0.9, 9.0]]', 3, "no two different"),
        ('path = "q.####.png"\nkind = "inverse"\ntaped = [[0.5, 0.9, 200], [0.5, 0.1, 900]]', 0, "depth.taped, and"),
        ('path = "q.####.png"\nchannel = "Z"\nconstant_m = 2', 2, "give exactly one of the two"),
    ],
)
def test_looking_at_depth_that_makes_no_sense(make_shot: Callable[..., Path], depth: str, code: int, said: str) -> None:
    shot = make_shot(frames=1)
    rows = np.rint(np.linspace(2000, 50000, 80)).astype(np.uint16)
    cv2.imwrite(str(shot.parent / "q.1001.png"), np.repeat(rows[:, None], 120, axis=1))
    done = run("show", with_depth(shot, depth), "--out", shot.parent / "x.png")
    assert done.exit_code == code, done.output
    assert said in done.stderr
    assert (shot.parent / "x.png").is_file() == (code == 0)


def test_a_frame_that_is_not_there_is_not_shown(make_shot: Callable[..., Path]) -> None:
    shot = with_depth(make_shot(frames=2), "constant_m = 4.0")
    done = run("show", shot, "--frame", 99, "--out", shot.parent / "x.png")
    assert (done.exit_code, "its frames are 1001-1002" in done.stderr) == (2, True)


def test_a_tape_on_what_is_not_known_is_refused() -> None:
    q = np.repeat(np.linspace(0.1, 0.9, 40, dtype=np.float32)[:, None], 60, axis=1)
    q[:10] = 0.0
    with pytest.raises(MediaError, match="not known at a taped place; tape a place where it is"):
        fit_inverse(q, ((0.5, 0.9, 1.2), (0.5, 0.1, 9.0)), invalid=0.0)


def test_disparities_behind_the_lens_are_refused() -> None:
    d = np.linspace(-10, 30, 400, dtype=np.float32).reshape(20, 20)
    with pytest.raises(MediaError, match=r"26 % of the disparities are below 0 px.*offset_px and its sign"):
        disparity_m(d - np.float32(0.2), focal_px=100.0, baseline_m=0.1, offset_px=0.0, invalid=None)
    assert np.isfinite(disparity_m(d, focal_px=100.0, baseline_m=0.1, offset_px=11.0, invalid=None)).all()


# ---- layout

CARD = '[[cutout]]\nname = "card"\nframe = 1001\noutline = [[0.2, 0.4], [0.5, 0.4], [0.5, 0.7], [0.2, 0.7]]\n'


@pytest.mark.parametrize(
    ("text", "code", "said"),
    [
        ("", 2, "measure from the ground to the middle of the lens"),
        ("[ground]\ncamera_height_m = 0\nhorizon = 0.3\n", 2, "must be above 0"),
        ("[ground]\ncamera_height_m = 1.0\nhorizon = 216\n", 2, "as a fraction of the height, not pixels"),
        ("[ground]\ncamera_height_m = 1.0\nhorizon = nan\n", 2, "as a fraction of the height, not pixels"),
        ("[ground]\ncamera_height_m = 1.0\nhorizon = 1.2\n", 0, "no ground is seen on frame 1001"),
        ("[ground]\ncamera_height_m = 1.0\nhorizon = 0.3\nbacking_m = 0.1\n", 0, "read the horizon again, and tape"),
        ("[ground]\ncamera_height_m = 130\nhorizon = 0.3\n", 0, "Measure the camera height again"),
        ("[ground]\ncamera_height_m = 1.0\nhorizon = -1.5\n", 0, "Measure the camera height again"),
        ("[ground]\ncamera_height_m = 1.0\nhorizon = 0.3\n" + CARD + "level_m = 5.0\n", 2, "seen below the horizon"),
        ("[ground]\ncamera_height_m = 1.0\nhorizon = 0.8\n" + CARD + "level_m = -1.5\n", 2, "seen above the horizon"),
        ("[ground]\ncamera_height_m = 1.0\nhorizon = 0.3\n" + CARD + "level_m = nan\n", 2, "is not a finite number"),
    ],
)
def test_a_layout_that_makes_no_sense(make_shot: Callable[..., Path], text: str, code: int, said: str) -> None:
    shot = make_shot(frames=1)
    shot.with_name("layout.toml").write_text(text)
    done = run("layout", shot, shot.with_name("layout.toml"), "--check", shot.parent / "check.png")
    assert done.exit_code == code, done.output
    assert said in done.stderr


# ---- stereo


@pytest.mark.parametrize(
    ("words", "code", "said"),
    [
        (("--baseline-m", 0), 2, "measure from entrance pupil to entrance pupil"),
        (("--baseline-m", "nan"), 2, "--baseline-m = nan: is not a finite number"),
        (("--baseline-m", 0.1, "--offset-px", "inf"), 2, "--offset-px = inf: is not a finite number"),
        (("--baseline-m", 0.1, "--focal-px", "nan"), 2, "--focal-px = nan: is not a finite number"),
        (("--baseline-m", -made.BASELINE_M), 2, "the views are swapped"),
        (("--baseline-m", made.BASELINE_M, "--offset-px", -400), 2, "look at its sign"),
        (("--baseline-m", 400 * made.BASELINE_M), 0, "Measure the baseline again"),
    ],
)
def test_a_pair_that_makes_no_sense(tmp_path: Path, words: tuple[object, ...], code: int, said: str) -> None:
    for name, view in (("left", made.left()), ("right", made.right())):
        write_exr(tmp_path / f"{name}.1001.exr", view)
    (tmp_path / "pair.toml").write_text(
        '[footage]\npath = "left.####.exr"\nencoding = "linear"\nprimaries = "ITU-R BT.709"\n'
        '[camera]\nsensor_mm = [13.2, 8.8]\n[lens]\nfocal_mm = 15.0\nstop = "f/2.8"\n[focus]\ndistance_m = 3.0\n'
    )
    done = run("stereo", tmp_path / "pair.toml", tmp_path / "right.####.exr", *words, "--out", tmp_path / "depth")
    assert done.exit_code == code, done.output
    assert said in done.stderr


# ---- network


def test_tapes_of_a_network_that_make_no_sense(make_shot: Callable[..., Path]) -> None:
    shot = make_shot(frames=1, width=240, height=160)
    shot.write_text(shot.read_text().split("[depth]")[0])
    model = red(shot.parent / "red.onnx", stated={"kind": "inverse"})
    words = ("network", shot, "--model", model, "--out", shot.parent / "depth", "--window", 1)
    lonely = run(*words, "--tape", "0.5,0.5,4.2")
    assert (lonely.exit_code, "--proportional" in lonely.stderr) == (2, False)
    assert "tape a near and a far point" in lonely.stderr
    same = run(*words, "--tape", "0.2,0.2,4.2", "--tape", "0.8,0.8,4.2")
    assert same.exit_code == 2
    assert "all tapes say the same distance" in same.stderr
    assert "`widegauge depth scale` takes them with other tapes" in same.stderr
    metric = run(*words, "--kind", "metric")
    assert (metric.exit_code, "Tape two or more distances" in metric.stderr) == (0, True)
