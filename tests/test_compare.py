"""Before and after: the difference in stops, the stills, the contact sheets, and what is refused."""

from __future__ import annotations

import itertools
import json
import shlex
from collections.abc import Callable
from pathlib import Path

import colour
import cv2
import imageio.v3 as iio
import numpy as np
import pytest
from conftest import SHOT, write_exr
from matplotlib import colormaps
from test_finish import finish, run
from test_readme import README, block
from widegauge.report.compare import (
    depth_map,
    difference_map,
    difference_stops,
    differs_most,
    radius_map,
    ramp_colours,
    rounded_up,
    with_scale,
)
from widegauge.report.pair import Pair, look_at, number_rows, write_stills
from widegauge.report.stills import View

VIEW = View("ITU-R BT.709")
STILLS = ("wipe", "beside", "detail", "difference")


@pytest.fixture
def light() -> np.ndarray:
    return np.random.default_rng(3).uniform(0.05, 0.8, (64, 96, 3)).astype(np.float32)


@pytest.mark.parametrize("stops", [-2.0, -0.5, 0.0, 0.25, 1.0])
def test_a_gain_is_found_in_stops(light: np.ndarray, stops: float) -> None:
    before = light.copy()
    found = difference_stops(light, light * np.float32(2.0**stops), VIEW)[1]
    for number in (found.mean, found.low, found.high, found.of_mean):
        assert number == pytest.approx(stops, abs=1e-5)
    np.testing.assert_array_equal(light, before)


def test_the_sign_turns_with_the_order(light: np.ndarray) -> None:
    other = np.ascontiguousarray(light[::-1])
    forth, back = difference_stops(light, other, VIEW)[0], difference_stops(other, light, VIEW)[0]
    np.testing.assert_allclose(forth, -back, atol=1e-6)
    assert forth.dtype == np.float32


@pytest.mark.parametrize("primaries", ["ITU-R BT.709", "ITU-R BT.2020", "ACEScg"])
def test_luminance_is_that_of_the_standard(primaries: str) -> None:
    """Against CIE Y as colour-science works it out (RGB_to_XYZ, CAT02 to D65), for colours within sRGB."""
    rng = np.random.default_rng(5)
    srgb = rng.uniform(0.1, 0.9, (2, 8, 8, 3))
    spaces = colour.RGB_COLOURSPACES
    pair = [colour.RGB_to_RGB(rgb, spaces["sRGB"], spaces[primaries], "CAT02") for rgb in srgb]
    y = [colour.RGB_to_XYZ(rgb, spaces["sRGB"])[..., 1] for rgb in srgb]
    found, _ = difference_stops(*(rgb.astype(np.float32) for rgb in pair), View(primaries))
    np.testing.assert_allclose(found, np.log2(y[1] / y[0]), atol=2e-3)


def test_noise_around_black_is_no_difference() -> None:
    """Light below 0.18 x 2^-8 counts as that; the view's exposure moves the floor with it."""
    dark, darker = (np.full((4, 4, 3), level, np.float32) for level in (5e-4, -1e-3))
    assert difference_stops(dark, darker, VIEW)[1].mean == 0.0
    brighter = difference_stops(dark, darker, View("ITU-R BT.709", 4.0))[1].mean
    assert brighter == pytest.approx(np.log2(0.18 * 2.0**-12 / 5e-4), abs=1e-4)


def test_the_map_is_cividis_and_even() -> None:
    """Colours against matplotlib's table of cividis (Nunez, Anderton & Renslow 2018); lightness rises evenly, in grey too."""
    assert [tuple(int(c[i : i + 2], 16) for i in (1, 3, 5)) for c in ramp_colours(256)] == [
        pytest.approx(tuple(255 * v for v in colormaps["cividis"](i)[:3]), abs=1.5) for i in range(256)
    ]
    rgb = np.array([[int(c[i : i + 2], 16) / 255 for i in (1, 3, 5)] for c in ramp_colours(17)])
    lightness = colour.XYZ_to_Lab(colour.sRGB_to_XYZ(rgb))[:, 0]
    steps = np.diff(lightness)
    assert steps.min() > 0.6 * steps.mean()
    assert steps.max() < 1.4 * steps.mean()


def test_the_scale_is_stated_and_right(light: np.ndarray) -> None:
    stops, found = difference_stops(light, light * np.float32(2.0**0.4), VIEW)
    shown = difference_map(stops, found)
    assert str(shown.scale) == "-0.5 stops, no difference, +0.5 stops"
    expected = np.array(colormaps["cividis"](round((0.4 / 1.0 + 0.5) * 255))[:3]) * 255
    np.testing.assert_allclose(shown.picture[0, 0], expected, atol=2)
    framed = with_scale(shown)
    assert framed.shape[0] > shown.picture.shape[0]
    np.testing.assert_array_equal(framed[: shown.picture.shape[0]], shown.picture)


@pytest.mark.parametrize(
    ("value", "up"), [(0.1, 0.1), (0.11, 0.15), (1.05, 1.5), (2.0, 2.0), (7.6, 10.0), (31.0, 50.0)]
)
def test_scales_end_on_round_numbers(value: float, up: float) -> None:
    assert rounded_up(value) == pytest.approx(up)


def test_depth_is_even_in_inverse_metres() -> None:
    depth_m = np.array([[1.0, 2.0, np.inf, np.nan]], np.float32).repeat(50, axis=0)
    shown = depth_map(depth_m)
    assert str(shown.scale) == "far: infinity, 2 m, near: 1 m"
    table = np.array([colormaps["cividis"](i)[:3] for i in (255, 128, 0, 0)]) * 255
    np.testing.assert_allclose(shown.picture[0], table, atol=2)
    assert "4 m all over" in str(depth_map(np.full((5, 5), 4.0, np.float32)).scale)


def test_radii_share_a_scale_whatever_their_sign() -> None:
    shown = radius_map(np.array([[-6.0, 0.0, 6.0]], np.float32), largest_px=6.0)
    assert str(shown.scale) == "in focus, 3.75 px, 7.5 px"
    np.testing.assert_array_equal(shown.picture[0, 0], shown.picture[0, 2])


def test_the_window_lies_where_they_differ() -> None:
    before = np.full((400, 600, 3), 90, np.uint8)
    after = before.copy()
    after[250:290, 420:470] = 200
    x, y, w, h = differs_most(before, after)
    assert (w, h) == (160, 160)
    assert x <= 420
    assert x + w >= 470
    assert y <= 250
    assert y + h >= 290
    assert differs_most(before[:50, :70], after[:50, :70])[2:] == (70, 50)


def test_two_stills_by_one_view(tmp_path: Path, light: np.ndarray) -> None:
    """An EXR against one that is a stop brighter; the bytes shown are those of colour-science's sRGB curve."""
    write_exr(tmp_path / "a.exr", light)
    write_exr(tmp_path / "b.exr", light * 2)
    done = run("compare", tmp_path / "a.exr", tmp_path / "b.exr", "--out", tmp_path / "out", "--exposure-stops", "-1")
    assert "mean difference of all pixels  " in done.stdout
    assert "+1.000 stops" in done.stdout
    assert "view: sRGB, -1.0 stops" in done.stdout
    assert "taken as ITU-R BT.709" in done.stdout
    beside = iio.imread(tmp_path / "out" / "beside.png")
    for left, gain in ((0, 0.5), (96 + 12, 1.0)):
        srgb = colour.cctf_encoding(np.clip(light * gain, 0, 1), function="sRGB")
        assert np.abs(beside[:64, left : left + 96].astype(float) - 255 * srgb).max() < 1.0
    wipe = iio.imread(tmp_path / "out" / "wipe.png")
    np.testing.assert_array_equal(wipe[:64, :47], beside[:64, :47])
    np.testing.assert_array_equal(wipe[:64, 48:96], beside[:64, 12 + 96 + 48 : 12 + 96 + 96])
    detail = iio.imread(tmp_path / "out" / "detail.png")
    np.testing.assert_array_equal(detail[: 4 * 64 : 4, : 4 * 96 : 4], beside[:64, :96])
    assert {p.name for p in (tmp_path / "out").iterdir()} == {f"{name}.png" for name in STILLS}


def test_code_values_need_their_meaning(tmp_path: Path, light: np.ndarray) -> None:
    iio.imwrite(tmp_path / "a.png", (light * 255).astype(np.uint8))
    pair = (tmp_path / "a.png", tmp_path / "a.png", "--out", tmp_path / "out")
    said = run("compare", *pair, code=2).stderr
    assert "--encoding" in said
    assert "--primaries" in said
    assert "nearest" in run("compare", *pair, "--encoding", "sRGBB", "--primaries", "sRGB", code=2).stderr
    done = run("compare", *pair, "--encoding", "sRGB", "--primaries", "sRGB")
    assert "+0.000 stops" in done.stdout
    shown = iio.imread(tmp_path / "out" / "beside.png")[:64, :96]
    np.testing.assert_array_equal(shown, (light * 255).astype(np.uint8))


def test_log_is_shown_as_light(tmp_path: Path) -> None:
    """V-Log's published mid-grey, code 433 of 1023 for 18 % (V-Log/V-Gamut reference manual), is shown as sRGB's 118."""
    cv2.imwrite(str(tmp_path / "grey.png"), np.full((20, 30, 3), round(433 / 1023 * 65535), np.uint16))
    words = ("--encoding", "V-Log", "--primaries", "V-Gamut", "--out", tmp_path / "out")
    run("compare", tmp_path / "grey.png", tmp_path / "grey.png", *words)
    np.testing.assert_allclose(iio.imread(tmp_path / "out" / "beside.png")[:20, :30], 118, atol=1)


def test_sequences_meet_in_their_middle(tmp_path: Path, light: np.ndarray) -> None:
    for name, numbers, gain in (("a", range(1, 8), 1.0), ("b", range(3, 6), 2.0)):
        for number in numbers:
            write_exr(tmp_path / f"{name}.{number:04d}.exr", light * np.float32(gain))
    a, b = tmp_path / "a.####.exr", tmp_path / "b.####.exr"
    assert "Frame 4, view" in run("compare", a, b, "--out", tmp_path / "out").stdout
    assert "Frame 3, view" in run("compare", a, b, "--frame", 3, "--out", tmp_path / "out").stdout
    assert "choose from 3 to 5" in run("compare", a, b, "--frame", 7, "--out", tmp_path / "out", code=2).stderr
    done = run("compare", a, b, "--contact", tmp_path / "sheet.png")
    assert "frames 3, 4, 5, before above, after below" in done.stdout
    assert not (tmp_path / "compared").exists()
    sheet = iio.imread(tmp_path / "sheet.png").astype(float)
    assert sheet[400:700].mean() > sheet[20:320].mean() + 10


def test_a_record_shows_what_was_finished(make_shot: Callable[..., Path], tmp_path: Path) -> None:
    """Wipe and numbers come from the finished file itself: one that is repainted is seen, and said."""
    out = tmp_path / "finished"
    finish(make_shot(width=240, height=160), out)
    record = out / "pier.record.json"
    done = run("compare", record, "--out", tmp_path / "stills", "--contact", tmp_path / "sheet.png")
    assert "pier on 15-perf 65 mm" in done.stdout
    assert "Frame 1002" in done.stdout
    assert "has changed" not in done.stdout
    assert iio.imread(tmp_path / "sheet.png").shape[1] == 1920
    before = iio.imread(tmp_path / "stills" / "beside.png")
    write_exr(out / "pier.1002.exr", np.full((160, 229, 3), 0.18, np.float32))
    run("compare", record, "--out", tmp_path / "stills")
    after = iio.imread(tmp_path / "stills" / "beside.png")
    np.testing.assert_array_equal(after[:160, :229], before[:160, :229])
    assert (after[:160, 229 + 12 : 229 + 12 + 229] == 118).all()


def test_a_record_that_was_moved_or_outlived(make_shot: Callable[..., Path], tmp_path: Path) -> None:
    out, shot = tmp_path / "finished", make_shot(frames=1)
    finish(shot, out, "--proxy", "1/2")
    record = out / "pier.record.json"
    moved = tmp_path / "elsewhere" / "deeper"
    moved.parent.mkdir()
    out.rename(moved)
    record = moved / record.name
    assert "--shot FILE" in run("compare", record, code=2).stderr
    said = run("compare", record, "--shot", shot, "--out", tmp_path / "a").stdout
    assert "Frame 1001, at 0.5 of the footage's size" in said
    shot.write_text(SHOT.replace("distance_m = 4.2", "distance_m = 3.0"))
    assert "has changed since" in run("compare", record, "--shot", shot, "--out", tmp_path / "a").stdout
    (moved / "pier.1001.exr").unlink()
    assert "none of its frames" in run("compare", record, "--shot", shot, code=2).stderr
    record.write_text(json.dumps({"frames": 3}))
    assert "not a processing record" in run("compare", record, code=2).stderr


def test_a_shot_on_several_negatives(make_shot: Callable[..., Path], tmp_path: Path) -> None:
    """One cell for the footage and one for each negative; the same call with one preset writes stills."""
    shot = make_shot(frames=1)
    presets = [word for name in ("15-perf-65", "5-perf-65", "super-16") for word in ("--preset", name)]
    done = run("compare", shot, *presets, "--contact", tmp_path / "sheet.png")
    assert "on each of 3 negatives" in done.stdout
    assert "several presets" in run("compare", shot, *presets, code=2).stderr
    run("compare", shot, "-p", "15-perf-65", "--out", tmp_path / "out")
    assert (tmp_path / "out" / "difference.png").is_file()


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["a.exr"], "nothing says what to compare it with"),
        (["pier.toml"], "name a preset"),
        (["a.exr", "b.exr", "--preset", "15-perf-65"], "only finishes a shot file"),
        (["a.exr", "b.exr", "--page", "p.pdf"], "does not end in .html"),
        (["a.exr", "b.exr", "--contact", "p.jpg"], "does not end in .png"),
        (["a.exr", "b.exr", "--shot", "pier.toml"], "only goes with a record"),
        (["pier.toml", "--preset", "15-perf-65", "--encoding", "sRGB"], "the shot file says"),
        (["a.exr", "b.exr", "--proxy", "1/2"], "only goes with a shot file"),
        (["nothing.record.json"], "no such file"),
    ],
)
def test_what_does_not_go_together(words: list[str], said: str) -> None:
    assert said in run("compare", *words, code=2).stderr


def test_sizes_must_agree(tmp_path: Path, light: np.ndarray) -> None:
    write_exr(tmp_path / "a.exr", light)
    write_exr(tmp_path / "b.exr", np.ascontiguousarray(light[:, :90]))
    said = run("compare", tmp_path / "a.exr", tmp_path / "b.exr", code=2).stderr
    assert all(str(size) in said for size in ("96 x 64", "90 x 64"))


def test_noise_is_measured_on_both(tmp_path: Path) -> None:
    """Known white noise on mid-grey, sigma 0.002 and 0.006: in stops sigma / level / ln 2, within 5 %."""
    rng = np.random.default_rng(4)
    sigmas = (0.002, 0.006)
    lights = [rng.normal(0.18, sigma, (256, 256, 3)).astype(np.float32) for sigma in sigmas]
    rows = dict(number_rows(look_at(Pair("grey", None, ("before", "after"), *lights, VIEW))))
    said = next(value for name, value in rows.items() if name.startswith("noise per pixel"))
    found = [float(word.removesuffix("stops")) for word in said.split(",")]
    assert found == pytest.approx([sigma / 0.18 / np.log(2.0) for sigma in sigmas], rel=0.05)


@pytest.mark.parametrize("shape", [(1, 1), (2, 300), (9, 5)])
def test_pictures_of_a_few_pixels(tmp_path: Path, shape: tuple[int, int]) -> None:
    rgb = np.full((*shape, 3), 0.2, np.float32)
    look = look_at(Pair("tiny", None, ("before", "after"), rgb, rgb, VIEW))
    assert look.found.mean == 0.0
    assert len(list(write_stills(look, out=tmp_path))) == 4


def test_differences_add_up(light: np.ndarray) -> None:
    """From a to b and from b to c makes from a to c."""
    lights = [light * np.float32(gain) for gain in (0.5, 1.0, 3.0)]
    for a, b, c in itertools.permutations(lights, 3):
        ab, bc, ac = (difference_stops(x, y, VIEW)[1].mean for x, y in ((a, b), (b, c), (a, c)))
        assert ab + bc == pytest.approx(ac, abs=1e-5)


def test_readme_shows_how(make_shot: Callable[..., Path], tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """README's command after the ones above it, in the folder that they leave."""
    finish(make_shot(frames=1), tmp_path / "finished")
    monkeypatch.chdir(tmp_path)
    program, *words = shlex.split(block(README, "show"))
    assert program == ".venv/bin/widegauge"
    assert "loads nothing" in run(*words).stdout
    assert (tmp_path / "pier_page.html").stat().st_size > 10_000
