"""Depth from a second view: against made scenes whose depth is known, and a published pair with its disparity."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

import cv2
import imageio.v3 as iio
import numpy as np
import pytest
import skimage.data
import stereo_pair as made
from click.testing import CliRunner
from conftest import read_exr, reference, write_exr
from test_defocus_truth import finish
from thinlens import psnr_db, trace
from widegauge.cli import main
from widegauge.depth import stereo
from widegauge.physics.lens import blur_scale_px_m
from widegauge.plate import open_plate
from widegauge.run.depthmaps.stereo import _shrink
from widegauge.shot import load_shot

LARGEST_PX = 15.5
KAPPA = LARGEST_PX / (1 / 1.3 - 1 / made.FOCUS_M)
"""Of the made scene: the nearest leaf gets a blur radius of 15.5 px (the bars of the method's study)."""

SHOT = """
[footage]
path = "left.####.exr"
encoding = "linear"
primaries = "ITU-R BT.709"

[camera]
sensor_mm = [12.0, 8.0]
noise = "none"

[lens]
focal_mm = 15.0
stop = "f/2.8"

[focus]
distance_m = 3.0
"""
TOLD = ("--focal-px", made.FOCAL_PX, "--baseline-m", made.BASELINE_M)


def run(*words: object, code: int = 0) -> str:
    done = CliRunner().invoke(main, ["depth", "stereo", *map(str, words)])
    if done.exception is not None and not isinstance(done.exception, SystemExit):
        raise done.exception
    assert done.exit_code == code, done.output
    return " ".join(done.output.split())


def pair(folder: Path, first: np.ndarray, second: np.ndarray, number: int = 1001) -> tuple[Path, Path]:
    """A shot file and its second view."""
    write_exr(folder / f"left.{number}.exr", first)
    write_exr(folder / f"right.{number}.exr", second)
    (folder / "pair.toml").write_text(SHOT)
    return folder / "pair.toml", folder / "right.####.exr"


def made_depth(folder: Path, first: np.ndarray, second: np.ndarray, *words: object) -> np.ndarray:
    shot, other = pair(folder, first, second)
    run(shot, other, *words, "--out", folder / "depth")
    return read_exr(folder / "depth" / "left.1001.exr", "Z")


def blur_error_px(found_m: np.ndarray, truth_m: np.ndarray) -> np.ndarray:
    return np.abs(KAPPA * (1 / truth_m - 1 / found_m))


def holds(error_px: np.ndarray, what: str) -> None:
    """The bars: median within 0.15 px of blur radius, more than 1 px off in at most 8 % of the frame."""
    print(f"{what}: blur radius off by {np.median(error_px):.3f} px (median), by > 1 px in {(error_px > 1).mean():.2%}")
    assert np.median(error_px) <= 0.15
    assert (error_px > 1.0).mean() <= 0.08


# ---- made pairs


def test_a_made_pair_gives_its_depth(tmp_path: Path) -> None:
    holds(blur_error_px(made_depth(tmp_path, made.left(), made.right(), *TOLD), made.truth_m()), "parallel")


def test_a_range_that_is_told_does_as_well(tmp_path: Path) -> None:
    found = made_depth(tmp_path, made.left(), made.right(), *TOLD, "--nearest-m", 1.2, "--farthest-m", 20)
    holds(blur_error_px(found, made.truth_m()), "range told")


@pytest.mark.parametrize("told", ["--converged-m", "--offset-px"])
def test_a_converged_pair_gives_the_same(tmp_path: Path, told: str) -> None:
    value = 3.0 if told == "--converged-m" else made.FB_PX_M / 3.0
    found = made_depth(tmp_path, made.left(), made.right(3.0), *TOLD, told, value)
    holds(blur_error_px(found, made.truth_m()), "converged")


def test_a_view_from_the_left_is_told_by_the_baseline_s_sign(tmp_path: Path) -> None:
    mirrored = [np.ascontiguousarray(view[:, ::-1]) for view in (made.left(), made.right())]
    words = ("--focal-px", made.FOCAL_PX, "--baseline-m", -made.BASELINE_M)
    found = made_depth(tmp_path, *mirrored, *words)
    straight = tmp_path / "straight"
    straight.mkdir()
    np.testing.assert_array_equal(found[:, ::-1], made_depth(straight, made.left(), made.right(), *TOLD))


def test_views_of_other_exposure_are_brought_together(tmp_path: Path) -> None:
    found = made_depth(tmp_path, made.left(), made.right() * np.float32(2.0**-1.7), *TOLD)
    holds(blur_error_px(found, made.truth_m()), "1.7 stops apart")


def test_turned_cameras_with_bent_lines_give_depth_on_the_footage_s_own_raster(tmp_path: Path) -> None:
    first, second, z, inside = made.turned_pair()
    (tmp_path / "rig.toml").write_text(made.calibration())
    found = made_depth(tmp_path, first, second, "--calibration", tmp_path / "rig.toml")
    assert found.shape == first.shape[:2]
    holds(blur_error_px(found, z)[inside], "calibrated")


def test_depth_is_the_same_in_a_movie_s_codes(tmp_path: Path) -> None:
    """Eight bits of sRGB in place of linear light."""
    for name, view in (("left", made.left()), ("right", made.right())):
        light = np.clip(view, 0.0, 1.0)
        codes = np.where(light <= 0.0031308, 12.92 * light, 1.055 * np.maximum(light, 0.0031308) ** (1 / 2.4) - 0.055)
        iio.imwrite(tmp_path / f"{name}.1001.png", np.rint(codes * 255.0).astype(np.uint8))
    (tmp_path / "pair.toml").write_text(SHOT.replace("left.####.exr", "left.####.png").replace('"linear"', '"sRGB"'))
    run(tmp_path / "pair.toml", tmp_path / "right.####.png", *TOLD, "--out", tmp_path / "depth")
    holds(blur_error_px(read_exr(tmp_path / "depth" / "left.1001.exr", "Z"), made.truth_m()), "sRGB, 8 bit")


@pytest.mark.slow
def test_defocus_from_it_is_near_that_from_the_truth(tmp_path: Path) -> None:
    found = made_depth(tmp_path, made.left(), made.right(), *TOLD)
    clean = trace(made.scene(), kappa=0.0, focus_m=made.FOCUS_M, samples=64)
    lens = trace(made.scene(), kappa=KAPPA, focus_m=made.FOCUS_M, samples=320)
    got, best = (psnr_db(finish(clean, z, 0.0, KAPPA / 2 / made.FOCUS_M), lens) for z in (found, made.truth_m()))
    print(f"defocus from the pair: {got:.2f} dB against the ray-traced lens; from the true depth {best:.2f}")
    assert got >= 34.5


# ---- a published pair


@pytest.fixture(scope="module")
def motorcycle(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Any]:
    """The pair as a shot: a lens of 17.5 mm on a sensor 13.2 mm wide sees its field of view; focus on the machine."""
    folder = tmp_path_factory.mktemp("motorcycle")
    first, second, disparity = skimage.data.stereo_motorcycle()
    iio.imwrite(folder / "left.1001.png", first)
    iio.imwrite(folder / "right.1001.png", second)
    known = np.isfinite(disparity)
    write_exr(folder / "published.1001.exr", first.astype(np.float32), z=np.where(known, disparity, np.nan))
    facts = reference("stereo")["motorcycle"]
    shot = SHOT.replace("left.####.exr", "left.####.png").replace('"linear"', '"sRGB"')
    shot = (
        shot.replace("[12.0, 8.0]", "[13.2, 8.907]").replace("focal_mm = 15.0", "focal_mm = 17.5").replace("3.0", "2.6")
    )
    (folder / "pair.toml").write_text(shot)
    published = f'\n[depth]\npath = "published.####.exr"\nkind = "disparity"\nfocal_px = {facts["focal_px"]}\n'
    published += f"baseline_m = {facts['baseline_m']}\noffset_px = {facts['offset_px']}\ninvalid = nan\n"
    (folder / "published.toml").write_text(shot + published)
    with np.errstate(divide="ignore"):
        inverse_m = (disparity.astype(np.float64) + facts["offset_px"]) / (facts["focal_px"] * facts["baseline_m"])
    return {"folder": folder, "known": known, "inverse_m": inverse_m, "facts": facts}


def within_1px(found_m: np.ndarray, pair: dict[str, Any], *, finished_px: int) -> tuple[float, float]:
    """Share of the known pixels within 1 px of blur radius on 15-perf 65 mm at f/2.8, and the median error."""
    scale = blur_scale_px_m(
        pupil_mm=17.5 * 69.6 / 13.2 / 2.8, focal_mm=17.5, focus_m=2.6, width_px=finished_px, width_mm=13.2
    )
    error_px = scale * np.abs(1 / found_m - pair["inverse_m"])[pair["known"]]
    return float((error_px <= 1.0).mean()), float(np.median(error_px))


@pytest.mark.parametrize("finished_px", [741, 3840])
def test_the_published_pair_s_blur_by_matching(motorcycle: dict[str, Any], finished_px: int) -> None:
    folder, facts = motorcycle["folder"], motorcycle["facts"]
    words = [
        word for key in ("focal_px", "baseline_m", "offset_px") for word in (f"--{key.replace('_', '-')}", facts[key])
    ]
    run(folder / "pair.toml", folder / "right.####.png", *words, "--out", folder / "depth")
    share, median_px = within_1px(
        read_exr(folder / "depth" / "left.1001.exr", "Z"), motorcycle, finished_px=finished_px
    )
    print(f"published pair, {finished_px} px wide: {share:.2%} within 1 px of blur radius, median {median_px:.3f} px")
    assert share >= 0.90
    assert median_px <= 0.15


def test_the_published_disparity_gives_all_of_it(motorcycle: dict[str, Any]) -> None:
    plate = open_plate(load_shot(motorcycle["folder"] / "published.toml"))
    share, median_px = within_1px(plate.depth_m(1001), motorcycle, finished_px=3840)
    assert share == 1.0
    assert median_px < 1e-4


# ---- its parts


def test_holes_take_the_farther_side() -> None:
    disparity = np.full((40, 60), 4.0, np.float32)
    disparity[:, 30:] = 20.0
    disparity[10:30, 22:36] = np.nan
    disparity[34:36] = np.nan
    got = stereo.filled(disparity)
    assert (got[12:28, 24:34] == 4.0).all()
    assert (got[34:36, 5:28] == 4.0).all()
    assert np.isfinite(got).all()


def test_what_only_one_view_sees_is_not_believed() -> None:
    first, second = (stereo.shown(view) for view in (made.left(), made.right()))
    found = stereo.match(first, second, lowest_px=3.0, highest_px=50.0)
    column = np.arange(made.WIDTH)[None, :] - made.FB_PX_M / made.truth_m()
    beyond = column < -1.0
    hidden = np.isnan(found[beyond]).mean()
    print(f"outside the other view: {beyond.mean():.1%}, of which {hidden:.1%} not believed")
    assert hidden > 0.85
    known = np.isfinite(found)
    error = np.abs(found - made.FB_PX_M / made.truth_m())[known]
    print(
        f"matched {known.mean():.1%}, off by {np.median(error):.3f} px (median), by > 1 px in {(error > 1).mean():.2%}"
    )
    assert known.mean() > 0.85
    assert (error > 1.0).mean() < 0.04


def test_inputs_stay_and_threads_do_not_matter() -> None:
    first, second = (stereo.shown(view) for view in (made.left(), made.right()))
    before = first.copy(), second.copy()
    threads = cv2.getNumThreads()
    found = []
    for count in (1, 2, 5):
        cv2.setNumThreads(count)
        found.append(stereo.match(first, second, lowest_px=3.0, highest_px=50.0))
    cv2.setNumThreads(threads)
    np.testing.assert_array_equal(found[0], found[1])
    np.testing.assert_array_equal(found[0], found[2])
    np.testing.assert_array_equal(first, before[0])
    np.testing.assert_array_equal(second, before[1])


def test_large_views_are_matched_at_a_whole_fraction() -> None:
    assert [_shrink(size) for size in ((1920, 1080), (3840, 2160), (6144, 3240), (8192, 4320), (5000, 2999))] == [
        1, 2, 3, 4, 1,
    ]  # fmt: skip


# ---- what is wrong, in a sentence


def test_rows_that_do_not_agree_are_measured(tmp_path: Path) -> None:
    shot, other = pair(tmp_path, made.left(), np.roll(made.right(), 4, axis=0))
    said = run(shot, other, *TOLD, "--out", tmp_path / "depth", code=2)
    found = re.search(r"(\d+\.\d) px lower", said)
    assert found, said
    assert float(found[1]) == pytest.approx(4.0, abs=0.3)
    assert "move it up by that, or give --calibration" in said
    assert not (tmp_path / "depth").exists()


def test_a_near_limit_in_the_lens_s_face_does_no_harm(tmp_path: Path) -> None:
    found = made_depth(tmp_path, made.left(), made.right(), *TOLD, "--nearest-m", 0.01)
    assert (blur_error_px(found, made.truth_m()) > 1.0).mean() < 0.2


def test_a_turned_view_asks_for_a_calibration(tmp_path: Path) -> None:
    middle = (made.WIDTH / 2, made.HEIGHT / 2)
    turned = cv2.warpAffine(made.right(), cv2.getRotationMatrix2D(middle, 1.0, 1.0), (made.WIDTH, made.HEIGHT))
    shot, other = pair(tmp_path, made.left(), turned)
    assert "chequerboard" in run(shot, other, *TOLD, "--out", tmp_path / "depth", code=2)


def test_a_calibration_of_another_pair_is_noticed(tmp_path: Path) -> None:
    (tmp_path / "rig.toml").write_text(made.calibration())
    shot, other = pair(tmp_path, made.left(), made.right())
    said = run(shot, other, "--calibration", tmp_path / "rig.toml", "--out", tmp_path / "depth", code=2)
    assert "after rectification rows do not agree" in said
    assert "calibrate the pair again" in said


def test_the_same_view_twice_is_noticed(tmp_path: Path) -> None:
    shot, other = pair(tmp_path, made.left(), made.left())
    said = run(shot, other, *TOLD, "--out", tmp_path / "depth", code=2)
    assert "it is the same view" in said


def test_swapped_views_are_noticed(tmp_path: Path) -> None:
    shot, other = pair(tmp_path, made.right(), made.left())
    said = run(shot, other, *TOLD, "--out", tmp_path / "depth", code=2)
    assert "the views are swapped" in said
    assert "--baseline-m below 0" in said


def test_nothing_to_match_is_said_with_what_to_measure_instead(tmp_path: Path) -> None:
    flat = np.full((120, 160, 3), 0.18, np.float32)
    shot, other = pair(tmp_path, flat, flat)
    (tmp_path / "pair.toml").write_text(SHOT.replace("[12.0, 8.0]", "[12.0, 9.0]"))
    said = run(shot, other, *TOLD, "--out", tmp_path / "depth", code=3)
    assert "found in the other view, too little" in said
    assert "camera height" in said


def test_all_that_is_told_wrong_is_said_at_once(tmp_path: Path) -> None:
    shot, other = pair(tmp_path, made.left(), made.right()[:-20])
    told = "--baseline-m 0 --focal-px -3 --offset-px 1 --converged-m 4 --nearest-m 9 --farthest-m 2"
    said = run(shot, other, *told.split(), "--out", tmp_path / "depth", code=2)
    for part in ("show no depth", "--focal-px = -3", "--converged-m", "exchange the two", "480 x 300"):
        assert part in said, said
    assert "entrance pupil" in run(shot, other, "--out", tmp_path / "depth", code=2)
    said = run(shot, other, "--calibration", tmp_path / "none.toml", "--baseline-m", 1, "--out", tmp_path, code=2)
    for part in ("stands beside --calibration", "no such file", "folder of the footage"):
        assert part in said, said


def test_frames_that_the_other_view_lacks_are_listed(tmp_path: Path) -> None:
    shot, other = pair(tmp_path, made.left(), made.right())
    for number in (1002, 1003):
        write_exr(tmp_path / f"left.{number}.exr", made.left())
    said = run(shot, other, *TOLD, "--out", tmp_path / "depth", code=2)
    assert "no frame 1002-1003" in said


@pytest.mark.parametrize(
    ("old", "new", "rule"),
    [
        ("rotation = [[", "rotation = [[3.0, 0.0, 0.0], [0.0, 1.0, 0.0], [0.0, 0.0, 1.0]]\n# [[", "is no rotation"),
        ("translation_m = [", "translation_m = [0.0, 0.0, 0.0]\n# [", "two views from one place"),
        ("translation_m = [", "translation_m = [0.0, 0.1, 0.0]\n# [", "one camera stands above the other"),
        ("distortion = [", "distortion = [1.0, 2.0, 3.0]\n# [", "give 4, 5, 8, 12 or 14"),
        ("size_px = [480, 320]", "size_px = [480, 270]", "calibrate in the recording mode"),
        ("matrix = [[560.0, 0.0", "matrix = [[-560.0, 0.0", "is no camera matrix"),
        ("[other]", "[second]", "is required"),
    ],
)
def test_a_calibration_is_read_with_care(tmp_path: Path, old: str, new: str, rule: str) -> None:
    text = made.calibration().replace(old, new, 1)
    (tmp_path / "rig.toml").write_text(text)
    shot, other = pair(tmp_path, *made.turned_pair()[:2])
    words = (shot, other, "--calibration", tmp_path / "rig.toml", "--out", tmp_path / "depth")
    assert rule in run(*words, code=2)
