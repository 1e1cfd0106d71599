"""Depth with the faults it comes with, cleaned: what it then costs, that it stands still, and where its edges lie."""

from __future__ import annotations

import sys
from collections.abc import Callable
from functools import cache
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest
from click.testing import CliRunner
from conftest import CHECKOUT, read_exr, read_exr_rgb, write_exr
from test_defocus_truth import KAPPA as LARGE_KAPPA
from test_defocus_truth import scene
from thinlens import near_edges, psnr_db
from widegauge.cli import main
from widegauge.depth import clean
from widegauge.depth.steady import carried
from widegauge.frame import Float32
from widegauge.kernels import settle
from widegauge.kernels.spread import spread
from widegauge.plate import open_plate
from widegauge.run.depthmaps.clean import Cleaner, cleaner
from widegauge.run.depthmaps.write import write_depth
from widegauge.shot import load_shot
from widegauge.stages import defocus

FOCUS_M = 4.2
KAPPA = 20.33
"""What the negative's lens adds to the sample shot on 15-perf 65 mm at f/2.8 (`defocus.plan(...).scale_px_m(4.2)`)."""

FAULTS: dict[str, dict[str, Any]] = {
    "noise": {"noise_frac": 0.02},
    "soft": {"soft_px": 2.0},
    "half": {"half": True},
    "8 bit": {"bits": 8},
    "all": {"noise_frac": 0.02, "soft_px": 2.0, "half": True, "bits": 8},
}


def spoiled(
    z: Float32,
    rng: np.random.Generator,
    *,
    noise_frac: float = 0.0,
    soft_px: float = 0.0,
    half: bool = False,
    bits: int = 0,
) -> Float32:
    """Depth as it comes: edges blurred, half the size, white noise, 8 bits of inverse depth, in that order."""
    u = (1 / z).astype(np.float32)
    if soft_px:
        u = cv2.GaussianBlur(u, (0, 0), soft_px)
    if half:
        u = cv2.resize(u, (z.shape[1] // 2, z.shape[0] // 2), interpolation=cv2.INTER_AREA)
    if noise_frac:
        u = u / (1 + noise_frac * rng.standard_normal(u.shape).astype(np.float32))
    if bits:
        top = u.max()
        u = np.rint(u / top * (2**bits - 1)) / (2**bits - 1) * top
    with np.errstate(divide="ignore"):
        return np.where(u > 0, 1 / u, np.inf).astype(np.float32)


SHOT = """
[footage]
path = "plates/s.####.exr"
encoding = "linear"
primaries = "ITU-R BT.709"

[camera]
sensor_mm = [13.2, {height_mm}]
noise = "none"

[lens]
focal_mm = 12.0
stop = "f/2.8"

[focus]
distance_m = {focus_m}

[depth]
path = "maps/z.####.exr"
"""


def shot_of(folder: Path, frames: list[tuple[Float32, Float32]], *, focus_m: float = FOCUS_M) -> Path:
    """A shot file beside frames and maps: (pixels, metres) for each."""
    height, width = frames[0][0].shape[:2]
    for n, (rgb, z) in enumerate(frames, start=1001):
        (folder / "plates").mkdir(parents=True, exist_ok=True)
        write_exr(folder / "plates" / f"s.{n}.exr", rgb.astype(np.float16))
        write_depth(folder / "maps" / f"z.{n}.exr", z)
    path = folder / "s.toml"
    path.write_text(SHOT.format(height_mm=13.2 * height / width, focus_m=focus_m))
    return path


def cleaner_of(path: Path, *, scale_px_m: float = KAPPA, window: int = 5) -> Cleaner:
    return cleaner(open_plate(load_shot(path)), scale_px_m=scale_px_m, window=window)


def radius(z: Float32, scale_px_m: float = KAPPA, focus_m: float = FOCUS_M) -> Float32:
    return (scale_px_m * (1 / focus_m - 1 / z)).astype(np.float32)


@cache
def sample(number: int = 1004) -> tuple[Float32, Float32]:
    """A window of the sample shot: the suitcase, the figure, posts, rope and floor."""
    path = CHECKOUT / "sample_frames" / "plates" / f"landing_010.{number}.exr"
    at = np.s_[500:884, 480:1440]
    return read_exr_rgb(path)[at].astype(np.float32), np.ascontiguousarray(read_exr(path, "Z")[at])


def defocused(rgb: Float32, z: Float32, *, scale_px_m: float = KAPPA, focus_m: float = FOCUS_M) -> Float32:
    c, _ = defocus.blur_radius_px(z, rgb, scale_px_m=scale_px_m, focus_m=focus_m)
    return spread(rgb, c, defocus.discs(0, 0.0))[0]


# ---- what is left of a fault


@pytest.mark.parametrize("fault", FAULTS)
def test_cleaned_depth_of_the_sample_shot_defocuses_like_the_true_one(fault: str, tmp_path: Path) -> None:
    rng = np.random.default_rng(7)
    numbers = (1002, 1003, 1004, 1005, 1006)
    frames = [(sample(n)[0], spoiled(sample(n)[1], rng, **FAULTS[fault])) for n in numbers]
    rgb, z = sample()
    got, _ = cleaner_of(shot_of(tmp_path, frames)).frame(1003)
    want = defocused(rgb, z)
    came = cv2.resize(frames[2][1], (z.shape[1], z.shape[0]), interpolation=cv2.INTER_NEAREST)
    found, before = psnr_db(defocused(rgb, got), want), psnr_db(defocused(rgb, came), want)
    off = np.abs(radius(got) - radius(z))
    print(
        f"{fault}: {found:.2f} dB against the true depth's defocus ({before:.2f} uncleaned), {(off > 1).mean():.2%} off by > 1 px"
    )
    assert found >= 42.0
    assert (off > 1.0).mean() <= 0.015
    assert np.median(off) <= 0.05


@cache
def seen_by_the_large_lens() -> tuple[slice, Float32]:
    """Rows of the sample shot's frame 1004 as the negative's lens draws them: traced, not defocused."""
    sys.path.insert(0, str(CHECKOUT / "sample_frames"))
    import make_scene

    rows = slice(560, 720)
    lens = make_scene.lens_at(1004)._replace(pupil_radius_m=23.62e-3 / 2)
    pitch = make_scene.SENSOR_MM[0] / make_scene.WIDTH_PX / lens.image_mm
    out = np.zeros((make_scene.HEIGHT_PX, make_scene.WIDTH_PX, 3), np.float32)
    scene = make_scene.build_scene()
    make_scene.in_bands(
        rows.stop - rows.start,
        lambda a, b: make_scene._light_rows(
            scene, lens, pitch, 3 / make_scene.RATE_FPS, 1004, 32, rows.start + a, rows.start + b, out
        ),
    )
    return rows, make_scene._soften(out)


@pytest.mark.slow
@pytest.mark.parametrize("fault", FAULTS)
def test_it_costs_less_than_a_decibel_against_the_traced_lens(fault: str, tmp_path: Path) -> None:
    rows, truth = seen_by_the_large_lens()
    rng = np.random.default_rng(7)
    wide = slice(rows.start - 60, rows.stop + 60)
    frames = []
    for n in (1002, 1003, 1004, 1005, 1006):
        path = CHECKOUT / "sample_frames" / "plates" / f"landing_010.{n}.exr"
        z = np.ascontiguousarray(read_exr(path, "Z")[wide])
        frames.append((read_exr_rgb(path)[wide].astype(np.float32), spoiled(z, rng, **FAULTS[fault]), z))
    rgb, z = frames[2][0], frames[2][2]
    got, _ = cleaner_of(shot_of(tmp_path, [frame[:2] for frame in frames])).frame(1003)
    came = cv2.resize(frames[2][1], (z.shape[1], z.shape[0]), interpolation=cv2.INTER_NEAREST)
    inner, band = np.s_[60:-60], near_edges(radius(z))[60:-60]
    drawn = [defocused(rgb, depth)[inner] for depth in (z, came, got)]
    scores = [(round(psnr_db(d, truth[rows]), 2), round(psnr_db(d, truth[rows], band), 2)) for d in drawn]
    print(f"{fault}: whole, edges: true depth {scores[0]}, uncleaned {scores[1]}, cleaned {scores[2]}")
    assert scores[2][0] >= scores[0][0] - 1.0


@pytest.mark.slow
@pytest.mark.parametrize(
    ("fault", "cost_db"), [("noise", 0.3), ("soft", 1.5), ("half", 0.8), ("8 bit", 0.1), ("all", 2.0)]
)
def test_on_a_hard_scene_cleaning_takes_back_most_of_the_cost(fault: str, cost_db: float, tmp_path: Path) -> None:
    """Hairs of 1 to 2.5 px and radii up to 12 px in a picture of 480 x 320: edges blurred by 2 px lose the hairs."""
    s, rng = scene(), np.random.default_rng(7)
    frames = [(s["rgb"], spoiled(s["z"], rng, **FAULTS[fault])) for _ in range(5)]
    got, _ = cleaner_of(shot_of(tmp_path, frames, focus_m=3.0), scale_px_m=LARGE_KAPPA).frame(1003)
    came = cv2.resize(frames[2][1], (480, 320), interpolation=cv2.INTER_NEAREST)
    true, before, after = (
        psnr_db(defocused(s["rgb"], z, scale_px_m=LARGE_KAPPA, focus_m=3.0), s["truth"]) for z in (s["z"], came, got)
    )
    print(f"{fault}: true depth {true:.2f} dB, uncleaned {before:.2f}, cleaned {after:.2f}")
    assert after >= true - cost_db
    assert after >= before - 0.02


# ---- flicker


@pytest.mark.parametrize(("fault", "bar_px"), [("noise", 0.03), ("all", 0.1)])
def test_jittering_depth_of_a_scene_that_stands_still_stands_still(fault: str, bar_px: float, tmp_path: Path) -> None:
    rgb, z = sample()
    rng = np.random.default_rng(9)
    frames = [(rgb, spoiled(z, rng, **FAULTS[fault])) for _ in range(9)]
    made = cleaner_of(shot_of(tmp_path, frames))
    c = np.stack([radius(made.frame(n)[0]) for n in range(1003, 1008)])
    raw = np.stack([radius(frame[1]) for frame in frames[2:7]])
    flicker, before = (float(np.sqrt(each.var(axis=0).mean())) for each in (c, raw))
    print(f"{fault}: flicker of the blur radius {flicker:.3f} px rms, {before:.3f} as it came")
    assert flicker <= bar_px
    assert flicker < before


def test_a_map_without_faults_is_left_as_it_is(tmp_path: Path) -> None:
    made = cleaner_of(shot_of(tmp_path, [sample(n) for n in (1002, 1003, 1004, 1005, 1006)]))
    got, told = made.frame(1003)
    assert (told.frames, told.noise_frac < 0.003, told.softness_px < 0.5) == (1, True, True)
    np.testing.assert_allclose(1 / got, 1 / sample()[1], atol=1e-6)


def test_nothing_is_carried_over_a_cut(tmp_path: Path) -> None:
    rng = np.random.default_rng(3)
    (rgb, z), other = sample(), cv2.GaussianBlur(rng.uniform(0, 1, (384, 960, 3)).astype(np.float32), (0, 0), 2.0)
    frames = [(rgb, spoiled(z, rng, noise_frac=0.02)) for _ in range(3)]
    frames += [(other, spoiled(np.full_like(z, 9.0), rng, noise_frac=0.02)) for _ in range(3)]
    made = cleaner_of(shot_of(tmp_path, frames))
    before, told = made.frame(1003)
    after, told_after = made.frame(1004)
    assert (told.frames, told_after.frames) == (3, 3)
    assert np.median(np.abs(radius(before) - radius(z))) < 0.05
    assert np.abs(radius(after) - radius(np.float32(9.0))).max() < 0.3


# ---- edges


def disc(*, radius_px: float, half: bool = False) -> tuple[Float32, Float32, np.ndarray]:
    """A dark disc before a bright wall, both with some texture; its true depth, and where it is."""
    y, x = np.mgrid[0:240, 0:320]
    inside = np.hypot(x - 160, y - 120) <= radius_px
    rng = np.random.default_rng(2)
    grain = cv2.GaussianBlur(rng.uniform(0.8, 1.2, (240, 320, 3)).astype(np.float32), (0, 0), 1.0)
    rgb = np.where(inside[..., None], np.float32(0.06), np.float32(0.3)) * grain
    return rgb.astype(np.float32), np.where(inside, 1.5, 9.0).astype(np.float32), inside


@pytest.mark.parametrize("fault", ["soft", "half", "all"])
def test_edges_lie_where_the_plate_has_them_or_a_little_outside(fault: str, tmp_path: Path) -> None:
    rgb, z, inside = disc(radius_px=70)
    rng = np.random.default_rng(4)
    made = cleaner_of(shot_of(tmp_path, [(rgb, spoiled(z, rng, **FAULTS[fault])) for _ in range(5)]))
    near = made.frame(1003)[0] < 3.0
    around = 2 * np.pi * 70
    outward = (np.count_nonzero(near & ~inside) - np.count_nonzero(~near & inside)) / around
    print(f"{fault}: edges {outward:+.2f} px outward")
    assert 0.0 <= outward <= 1.0
    away = cv2.distanceTransform((near ^ inside).astype(np.uint8), cv2.DIST_L2, 5).max()
    assert away <= 2.0


def test_a_displaced_edge_comes_back_when_asked(tmp_path: Path) -> None:
    rgb, z, inside = disc(radius_px=70)
    moved = np.roll(z, 2, axis=1)
    path = shot_of(tmp_path, [(rgb, moved)])
    left = cleaner_of(path).frame(1001)[0]
    np.testing.assert_allclose(left, moved, rtol=1e-5)
    asked = cleaner(open_plate(load_shot(path)), scale_px_m=KAPPA, window=1, align_px=3.0).frame(1001)[0]
    assert np.count_nonzero((asked < 3) ^ inside) < 0.25 * np.count_nonzero((moved < 3) ^ inside)


# ---- what is not known


def test_holes_are_filled_from_the_farther_side_and_margins_from_the_nearest(tmp_path: Path) -> None:
    rgb, z, _ = disc(radius_px=70)
    holed = z.copy()
    holed[115:126, 231:245] = 0.0
    holed[:, :12] = np.nan
    holed[:9] = 0.0
    got, told = cleaner_of(shot_of(tmp_path, [(rgb, holed)])).frame(1001)
    np.testing.assert_allclose(got, z, rtol=1e-5)
    assert dict(told.remarks)["unknown and filled"] == pytest.approx(np.mean(~(holed > 0)))


# ---- the parts


def test_noise_and_softness_are_measured() -> None:
    rng = np.random.default_rng(8)
    z = sample()[1]
    for noise_frac in (0.005, 0.02, 0.05):
        c = clean.radius_at_infinity(spoiled(z, rng, noise_frac=noise_frac), KAPPA)
        assert clean.noise_frac(c) == pytest.approx(noise_frac, rel=0.1)
    for soft_px in (1.0, 1.5, 2.0, 3.0):
        c = clean.radius_at_infinity(spoiled(z, rng, soft_px=soft_px), KAPPA)
        assert clean.softness_px(c) == pytest.approx(soft_px, rel=0.25)
    assert clean.softness_px(np.zeros((50, 50), np.float32)) == 0.0


def test_the_median_keeps_a_wire_and_takes_a_speck() -> None:
    c = np.full((40, 60), -2.0, np.float32)
    c[:, 30] = -9.0
    c[10, 10] = -30.0
    out = np.empty_like(c)
    settle.like_median(c, 0.07, 0.15, out, 0, 40)
    assert (out[:, 30] == -9.0).all()
    assert out[10, 10] == -2.0
    slope = np.broadcast_to(np.linspace(-9, -1, 60, dtype=np.float32), (40, 60)).copy()
    settle.like_median(slope, 0.07, 0.15, out, 0, 40)
    np.testing.assert_allclose(out[:, 2:-2], slope[:, 2:-2], atol=1e-6)


def test_kernels_do_as_python_what_they_do_compiled() -> None:
    rng = np.random.default_rng(6)
    c = np.where(np.arange(18) < 9, -8.0, -2.0) + rng.normal(0, 0.1, (14, 18))
    c = c.astype(np.float32)
    c[3, 3] = np.nan
    light = rng.uniform(0, 1, (14, 18, 3)).astype(np.float32)
    away = np.abs(np.arange(18, dtype=np.float32) - 8.5) * np.ones((14, 1), np.float32) - np.float32(0.5)
    known = np.nan_to_num(c, nan=-8.0)
    stack = np.stack([c, c + 1, np.full_like(c, np.nan)])
    got = []
    for run in (lambda f: f, lambda f: f.py_func):
        outs = [np.zeros_like(c) for _ in range(3)]
        run(settle.like_median)(c, 0.05, 0.15, outs[0], 0, 14)
        run(settle.median_over_time)(stack, outs[1], 0, 14)
        run(settle.align)(known, away, light, np.float32(1.0), 2.0, outs[2], 0, 14)
        got.append(outs)
    for compiled, plain in zip(*got, strict=True):
        np.testing.assert_allclose(compiled, plain, rtol=1e-5)
    np.testing.assert_array_equal(got[0][1][0], c[0])


def test_maps_are_carried_by_nearest_values_only() -> None:
    rng = np.random.default_rng(12)
    wide = cv2.GaussianBlur(rng.uniform(0, 255, (120, 200, 3)).astype(np.float32), (0, 0), 1.5)
    wide = np.clip((wide - 127) * 3 + 127, 0, 255).astype(np.uint8)
    levels = np.float32([-8.0, -2.0])
    depth = levels[(np.hypot(*np.mgrid[-60:60, -100:100]) > 30).astype(int)]
    seen = carried([depth[:, 20:180], depth[:, 16:176]], [wide[:, 20:180], wide[:, 16:176]], 1)
    known = np.isfinite(seen[0])
    assert known.mean() > 0.8
    assert set(np.unique(seen[0][known])) <= set(levels)
    assert (seen[0][known] == depth[:, 16:176][known]).mean() > 0.99


# ---- the command


def test_the_command_writes_maps_of_the_footage_s_size(tmp_path: Path) -> None:
    rgb, z, _ = disc(radius_px=70)
    rng = np.random.default_rng(1)
    shot = shot_of(tmp_path, [(rgb, spoiled(z, rng, **FAULTS["all"])) for _ in range(3)])
    done = CliRunner().invoke(main, ["depth", "clean", str(shot), "--out", str(tmp_path / "out"), "--frames", "1002"])
    assert done.exit_code == 0, done.stderr
    assert 'path = "out/s.####.exr"' in done.stdout
    assert "frame 1002: noise" in done.stderr
    assert "median of 3 frames" in done.stderr
    got = read_exr(tmp_path / "out" / "s.1002.exr", "Z")
    assert got.shape == z.shape
    whole = CliRunner().invoke(main, ["depth", "clean", str(shot), "--out", str(tmp_path / "all")])
    assert whole.exit_code == 0
    np.testing.assert_array_equal(read_exr(tmp_path / "all" / "s.1002.exr", "Z"), got)


def test_mistakes_say_what_to_do(make_shot: Callable[..., Path], tmp_path: Path) -> None:
    shot = make_shot(frames=1)
    done = CliRunner().invoke(main, ["depth", "clean", str(shot), "--out", str(tmp_path / "plates")])
    assert (done.exit_code, "choose another folder" in done.stderr) == (2, True)
    shot.write_text(shot.read_text().split("[depth]")[0])
    done = CliRunner().invoke(main, ["depth", "clean", str(shot), "--out", str(tmp_path / "out")])
    assert (done.exit_code, "no depth maps to clean" in done.stderr) == (2, True)
    assert "name them under [depth]" in done.stderr
