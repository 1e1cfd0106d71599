"""The defocus stage: laws, published numbers and the faults that such a stage is known for."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from typing import Any, cast

import numpy as np
import pytest
from conftest import reference
from pydantic import ValidationError
from widegauge.frame import Frame
from widegauge.kernels import bands, discs
from widegauge.kernels.spread import spread
from widegauge.physics import aperture
from widegauge.physics.emulsion import Stock
from widegauge.physics.lens import FocusPull, Side
from widegauge.stages import defocus
from widegauge.stages.stage import Raster, Setup

ROUND = defocus.discs(0, 0.0)


def setup(
    *,
    pupil_mm: float = 20.0,
    own_mm: float = 0.0001,
    focus_m: float = 3.0,
    width: int = 96,
    height: int = 72,
    **other: Any,
) -> Setup:
    """Both sides 36 x 24 mm behind 50 mm, told apart by their pupils."""
    sides = [Side(36.0, 24.0, 50.0, 50.0 / mm) for mm in (own_mm, pupil_mm)]
    raster = Raster(width, height, float(width), 0, 0, width, height, 1.0)
    facts: dict[str, Any] = {"focus": FocusPull(((1, focus_m),)), "has_depth": True} | other
    return Setup(camera=sides[0], negative=sides[1], raster=raster, stock=cast(Stock, None), **facts)


def blur(rgb: np.ndarray, radius: np.ndarray | float, shapes: discs.Discs = ROUND, **other: Any) -> np.ndarray:
    field = np.broadcast_to(np.float32(radius), rgb.shape[:2]).astype(np.float32)
    return spread(rgb, field, shapes, **other)[0]


def noise(height: int, width: int, seed: int = 1) -> np.ndarray:
    return np.random.default_rng(seed).uniform(0.05, 0.9, (height, width, 3)).astype(np.float32)


def point(side: int, level: float = 500.0) -> np.ndarray:
    rgb = np.zeros((side, side, 3), np.float32)
    rgb[side // 2, side // 2] = level
    return rgb


def variance(light: np.ndarray) -> tuple[float, float]:
    """Second moments about the middle along x and y."""
    weight = light.astype(np.float64) / light.sum(dtype=np.float64)
    y, x = np.mgrid[: light.shape[0], : light.shape[1]]
    mx, my = (weight * x).sum(), (weight * y).sum()
    return float((weight * (x - mx) ** 2).sum()), float((weight * (y - my) ** 2).sum())


def scene_radius(height: int, width: int, seed: int = 2) -> np.ndarray:
    """Cut-outs at all kinds of depth over a slope."""
    rng = np.random.default_rng(seed)
    radius = np.broadcast_to(np.linspace(12.0, -3.0, height, dtype=np.float32)[:, None], (height, width)).copy()
    for c in (8.0, 0.0, -6.0, -14.0):
        y, x = rng.integers(0, height - 20), rng.integers(0, width - 20)
        radius[y : y + 18, x : x + 25] = c
    return radius


# ---- laws


def test_a_flat_field_stays_flat_whatever_the_depth_up_to_the_border() -> None:
    flat = np.full((70, 90, 3), 0.18, np.float32)
    for shapes, rim in ((ROUND, (0.0, 0.0, 1.0, 0.0)), (defocus.discs(7, 20.0), (45.0, 35.0, 57.0, 0.5))):
        out = blur(flat, scene_radius(70, 90), shapes, rim=rim)
        assert np.abs(out / 0.18 - 1.0).max() <= 1e-4


@pytest.mark.parametrize("radius", [0.3, 1.0, 2.0, 5.0, 11.0])
def test_light_is_kept_at_one_depth_borders_included(radius: float) -> None:
    rgb = noise(60, 60)
    rgb[30, 2] = 1000.0
    for sign in (-1, 1):
        assert blur(rgb, sign * radius).sum(dtype=np.float64) == pytest.approx(rgb.sum(dtype=np.float64), rel=2e-5)


@pytest.mark.parametrize(("near_px", "far_px"), [(0.63, 1.0), (0.63, 1.21), (0.3, 0.9), (1.2, 1.9), (3.0, 3.5)])
def test_a_small_step_in_depth_takes_no_light_from_a_lamp(near_px: float, far_px: float) -> None:
    """A wall of light before a dark sky, nearly as soft: what its edge loses, in pixels of its light.

    Within one group the two would be averaged: 0.10 pixel lost at 0.63 and 1.21.
    """
    light = np.full((40, 40, 3), 0.2, np.float32)
    radius = np.full((40, 40), far_px, np.float32)
    light[:, :20], radius[:, :20] = 400.0, near_px
    out, _ = spread(light, radius, defocus.discs(0, 0.0))
    assert abs(float((out - light)[20].sum(dtype=np.float64)) / 3.0 / 400.0) < 0.03


def test_what_is_in_focus_stays_bit_for_bit_close_and_strength_zero_does_not_act() -> None:
    rgb = noise(40, 50)
    np.testing.assert_allclose(blur(rgb, 0.0), rgb, rtol=2e-7)
    plan = defocus.plan(defocus.DefocusSettings(strength=0.0), setup())
    assert not plan.acts
    assert "strength" in plan.note


def test_a_round_iris_knows_no_left_and_right() -> None:
    def both(radius: np.ndarray) -> np.ndarray:
        rgb = noise(48, 64)
        flipped = blur(np.ascontiguousarray(rgb[:, ::-1]), np.ascontiguousarray(radius[:, ::-1]))[:, ::-1]
        return np.abs(blur(rgb, radius) - flipped)

    for radius in (0.8, 2.5, -9.0):
        assert both(np.full((48, 64), radius, np.float32)).max() < 1e-5
    # behind a silhouette the first of two equally near samples wins: left and right may differ in white noise
    assert both(scene_radius(48, 64)).mean() < 1e-3


def test_threads_and_frames_in_flight_do_not_change_a_bit(monkeypatch: pytest.MonkeyPatch) -> None:
    rgb, radius = noise(100, 150), scene_radius(100, 150)
    rgb[50, 70] = 5000.0
    once = blur(rgb, radius)
    with ThreadPoolExecutor(3) as at_once:
        for other in at_once.map(lambda _: blur(rgb, radius), range(3)):
            np.testing.assert_array_equal(other, once)
    with ThreadPoolExecutor(1) as one:
        monkeypatch.setattr(bands, "_pool", lambda: one)
        np.testing.assert_array_equal(blur(rgb, radius), once)


def test_inputs_stay_as_they_are_and_lamps_and_negatives_pass() -> None:
    rgb, z = noise(72, 96), np.full((72, 96), 9.0, np.float32)
    rgb[30, 30], rgb[10, 10], z[40:, :30] = 1e4, -0.2, np.inf
    kept = rgb.copy(), z.copy()
    frame = Frame(1, rgb, z)
    out = defocus.apply(defocus.plan(defocus.DefocusSettings(), setup()), frame)
    np.testing.assert_array_equal(rgb, kept[0])
    np.testing.assert_array_equal(z, kept[1])
    assert out.depth_m is z
    assert out.rgb.dtype == np.float32
    assert np.isfinite(out.rgb).all()
    assert blur(np.full((20, 20, 3), -0.1, np.float32), 4.0).max() == pytest.approx(-0.1, rel=1e-4)
    assert blur(np.full((20, 20, 3), 3e6, np.float32), 4.0).max() == pytest.approx(3e6, rel=1e-4)


# ---- points: energy, size, flatness


@pytest.mark.parametrize("radius", [1.0, 1.3, 1.6, 2.0, 2.7, 4.0, 7.3, 12.0, 24.0, 40.0])
def test_a_point_becomes_a_flat_disc_of_its_energy_and_second_moment(radius: float) -> None:
    side = 2 * int(radius + 4) + 1
    for sign in (-1, 1):
        disc = blur(point(side), sign * radius)[..., 0]
        assert disc.sum(dtype=np.float64) == pytest.approx(500.0, rel=5e-3)
        for moment in variance(disc):
            assert moment == pytest.approx(radius**2 / 4, rel=0.03)
        y, x = np.mgrid[:side, :side] - side // 2
        assert disc[np.hypot(x, y) > radius + 1.0].max(initial=0.0) < 1e-6 * 500
        if radius >= 7:
            inner = disc[np.hypot(x, y) < radius - 2.0]
            assert np.ptp(inner) <= 0.005 * inner.mean()
            assert inner.mean() == pytest.approx(500.0 / (np.pi * radius**2), rel=0.01)


def test_texture_does_not_pop_as_focus_passes() -> None:
    rgb = noise(64, 64, seed=5)
    spreads = np.array([blur(rgb, r)[12:-12, 12:-12].std() for r in np.arange(0.0, 6.01, 0.05)])
    steps = spreads[1:] / spreads[:-1] - 1.0
    assert steps.max() <= 1e-4
    assert steps.min() >= -0.06


@pytest.mark.parametrize("row", reference("defocus")["hyperfocal"], ids=lambda row: row["source"][:20])
def test_focused_at_the_published_hyperfocal_distance_infinity_blurs_by_the_circle_of_confusion(
    row: dict[str, Any],
) -> None:
    """The diameter is measured in the picture, by its second moment: diameter^2 / 16."""
    width_px = 121
    width_mm = row["confusion_mm"] * width_px / 24.0
    side = Side(width_mm, width_mm, row["focal_mm"], row["stop"])
    plan = defocus.plan(
        defocus.DefocusSettings(),
        Setup(
            camera=replace(side, stop=1e6),
            negative=side,
            raster=Raster(width_px, width_px, float(width_px), 0, 0, width_px, width_px, 1.0),
            stock=cast(Stock, None),
            focus=FocusPull(((1, row["hyperfocal_m"]),)),
            has_depth=True,
        ),
    )
    far = np.full((width_px, width_px), np.inf, np.float32)
    disc = defocus.apply(plan, Frame(1, point(width_px, 0.9), far)).rgb[..., 0]
    diameter_mm = 4.0 * np.sqrt(np.mean(variance(disc))) * width_mm / width_px
    assert diameter_mm == pytest.approx(row["confusion_mm"], rel=row["tolerance_frac"])


# ---- the iris


@pytest.mark.parametrize("row", reference("defocus")["polygon"], ids=lambda row: str(row["blades"]))
def test_an_iris_has_the_area_of_the_disc_and_the_handbook_s_second_moment(row: dict[str, Any]) -> None:
    corners = aperture.iris_corners(blades=row["blades"], rotation_deg=0.0)
    x, y = corners.T
    area = 0.5 * abs((x * np.roll(y, -1) - y * np.roll(x, -1)).sum())
    assert area == pytest.approx(np.pi, rel=1e-12)
    assert aperture.axis_variance(row["blades"]) == pytest.approx(row["moment_over_area_squared"] * np.pi, rel=1e-9)


def test_the_barrel_hides_the_share_of_two_overlapping_discs() -> None:
    for row in reference("defocus")["overlap"]:
        assert aperture.overlap_frac(row["shift"]) == pytest.approx(row["share"], abs=1e-12)
        assert aperture.barrel_shift(1.0 - row["share"]) == pytest.approx(row["shift"], abs=1e-9)
    assert aperture.overlap_frac(2.5) == 0.0


@pytest.mark.parametrize("blades", [3, 5, 7])
def test_one_corner_is_up_behind_focus_and_down_in_front(blades: int) -> None:
    shapes = defocus.discs(blades, 0.0)
    for sign, up in ((1, True), (-1, False)):
        disc = blur(point(81), sign * 20.0, shapes)[..., 0] > 0.2
        rows = np.nonzero(disc.any(axis=1))[0] - 40
        reach = aperture.corner_radius(blades) * 20.0
        long, short = (-rows.min(), rows.max()) if up else (rows.max(), -rows.min())
        assert long == pytest.approx(reach, abs=1.5)
        assert short == pytest.approx(reach * np.cos(np.pi / blades), abs=1.5)
        tip = np.nonzero(disc[40 - long if up else 40 + long])[0]
        assert abs(tip.mean() - 40) <= 1.0


def test_the_iris_turns_clockwise() -> None:
    disc = blur(point(81), 20.0, defocus.discs(3, 90.0))[..., 0] > 0.2
    columns = np.nonzero(disc.any(axis=0))[0] - 40
    assert columns.max() == pytest.approx(aperture.corner_radius(3) * 20.0, abs=1.5)


def test_discs_narrow_toward_the_corners_smoothly_and_keep_their_light() -> None:
    plan = defocus.plan(defocus.DefocusSettings(optical_vignetting_frac=0.4), setup(width=300, height=200))
    rim = (150.0, 100.0, np.hypot(300, 200) / 2, plan.corner_shift)
    areas = []
    for step in range(0, 21, 2):
        rgb = np.zeros((200, 300, 3), np.float32)
        x, y = 150 + 6 * step, 100 + 4 * step
        rgb[y, x] = 100.0
        disc = blur(rgb, 12.0, rim=rim)[..., 0]
        # the flat field stays flat while clipped discs lean inward, so light moves a little toward the middle
        assert disc.sum(dtype=np.float64) == pytest.approx(100.0, rel=0.05)
        areas.append(disc.sum() / np.median(disc[disc > 0.5 * disc.max()]) / (np.pi * 144))
    assert areas[0] == pytest.approx(1.0, abs=0.02)
    shift_there = plan.corner_shift * np.hypot(120, 80) / rim[2]
    assert areas[-1] == pytest.approx(aperture.overlap_frac(shift_there), abs=0.02)
    assert np.abs(np.diff(areas)).max() < 0.06
    # behind focus the outer side is cut, in front of it the inner one
    rgb = np.zeros((200, 300, 3), np.float32)
    rgb[100, 260] = 100.0
    behind, before = (blur(rgb, sign * 12.0, rim=rim)[..., 0].sum(axis=0) for sign in (1, -1))
    assert (behind * (np.arange(300) - 260)).sum() < -50.0
    assert (before * (np.arange(300) - 260)).sum() > 50.0


# ---- what covers what


def test_nothing_leaks_from_a_sharp_card_onto_a_blurred_wall() -> None:
    rgb = np.full((80, 120, 3), 0.02, np.float32)
    radius = np.full((80, 120), 9.4, np.float32)
    rgb[:, :60], radius[:, :60] = 1.0, 0.0
    out = blur(rgb, radius)[40, :, 0]
    assert (out[[62, 64, 68]] <= 0.025).all()
    np.testing.assert_allclose(out[:59], 1.0, atol=1e-3)


def test_a_blurred_edge_over_a_sharp_wall_follows_the_disc_s_own_integral() -> None:
    """Coverage of a half-plane by a disc: 1/2 - (t sqrt(1 - t^2) + asin t) / pi (a circular segment's area)."""
    r = 24.0
    rgb = np.full((120, 160, 3), 1.0, np.float32)
    radius = np.zeros((120, 160), np.float32)
    rgb[:, :80], radius[:, :80] = 0.0, -r
    out = blur(rgb, radius)[60, :, 0]
    t = np.clip((np.arange(160) + 0.5 - 80.0) / r, -1.0, 1.0)
    open_frac = 0.5 + (t * np.sqrt(1 - t * t) + np.arcsin(t)) / np.pi
    assert np.abs(out - open_frac)[24:-24].max() <= 0.01


def test_what_is_sharp_behind_a_veil_stays_sharp() -> None:
    rgb = np.zeros((120, 160, 3), np.float32)
    rgb[..., :] = np.where(np.arange(160) // 4 % 2, 0.8, 0.2).astype(np.float32)[None, :, None]
    radius = np.zeros((120, 160), np.float32)
    rgb[50:70], radius[50:70] = 0.0, -24.0
    out = blur(rgb, radius)[..., 0]
    for y in (40, 80):
        row, bare = out[y, 40:120], 0.5 * (out[y, 40:120].max() + out[y, 40:120].min())
        veiled = bare / 0.5
        assert (row.max() - row.min()) / (0.6 * veiled) == pytest.approx(0.975, abs=0.075)


def test_a_lamp_half_behind_a_blurred_leaf_is_clipped_not_dimmed() -> None:
    """Through the open part of the lens the lamp shines in full; only its disc is cut (thin-lens geometry)."""
    rgb = np.full((90, 120, 3), 0.02, np.float32)
    radius = np.full((90, 120), 10.0, np.float32)
    rgb[:, :50], radius[:, :50] = 0.05, -10.0
    rgb[45, 54] = 300.0
    disc = blur(rgb, radius)[45, :, 0]
    # rays to x cross the leaf's plane at x - (-10) u with u = (x - 54) / 10: at 2 x - 54; open from x = 52 on
    # (in quarters of the aperture, so the cut is a step or two wide)
    assert disc[56:63].min() > 0.97 * 300.0 / (np.pi * 100.0)
    assert disc[46:49].max() < 0.3 * disc[56:62].mean()


def test_no_lamp_shines_through_a_surface_in_focus_however_rough() -> None:
    """Relief turns into small radii that differ from pixel to pixel; they must not open holes."""
    rng = np.random.default_rng(4)
    rgb = np.full((80, 100, 3), 0.1, np.float32)
    radius = np.full((80, 100), 20.0, np.float32)
    rgb[:, :60, 0] = 0.4
    radius[:, :60] = rng.uniform(0.0, 0.9, (80, 60))
    rgb[20:60:4, 63] = 400.0
    out = blur(rgb, radius)
    assert out[10:-10, 10:56].max() <= 0.4 * 1.01


# ---- the plan


def test_the_plan_says_footage_negative_and_difference_in_quadrature() -> None:
    plan = defocus.plan(defocus.DefocusSettings(), setup(own_mm=12.0, pupil_mm=20.0))
    pupil, radius, on_negative = plan.rows
    assert (pupil.footage, pupil.negative, pupil.difference) == pytest.approx((12.0, 20.0, 16.0))
    # diameter at infinity: f^2 / (N (s - f)) = pupil f / (s - f) (Potmesil & Chakravarty 1981), on 36 mm, 96 px
    for pupil_mm, shown in ((12.0, radius.footage), (20.0, radius.negative), (16.0, radius.difference)):
        assert shown == pytest.approx(pupil_mm * 50.0 / 2950.0 / 2 * 96 / 36.0)
    assert on_negative.negative == pytest.approx(20.0 * 50.0 / 2950.0 / 2)
    assert plan.acts
    assert plan.reach_px == int(np.ceil(3 * radius.difference))
    half = defocus.plan(defocus.DefocusSettings(strength=0.5), setup(own_mm=12.0, pupil_mm=20.0))
    assert half.added_pupil_mm == pytest.approx(8.0)


def test_a_focus_pull_moves_the_plane_in_focus() -> None:
    plan = defocus.plan(defocus.DefocusSettings(), setup(focus=FocusPull(((1, 2.0), (11, 6.0))), pupil_mm=300.0))
    rgb = noise(72, 96)
    z = np.full((72, 96), 3.0, np.float32)
    sharp = [defocus.apply(plan, Frame(n, rgb, z)).rgb.std() for n in (1, 6, 11)]
    assert sharp[1] > 1.5 * sharp[0]
    assert sharp[1] > 1.5 * sharp[2]
    np.testing.assert_allclose(defocus.apply(plan, Frame(6, rgb, z)).rgb, rgb, rtol=1e-6)


@pytest.mark.parametrize(
    ("facts", "word"),
    [
        ({"own_mm": 20.0}, "already as shallow"),
        ({"own_mm": 30.0}, "already as shallow"),
        ({"focus": None}, "[focus]"),
        ({"has_depth": False}, "[depth]"),
    ],
)
def test_the_stage_stands_back_and_says_why(facts: dict[str, Any], word: str) -> None:
    plan = defocus.plan(defocus.DefocusSettings(), setup(**facts))
    assert not plan.acts
    assert plan.reach_px == 0
    assert word in plan.note


@pytest.mark.parametrize(
    "wrong", [{"blades": 2}, {"blades": 17}, {"strength": 1.5}, {"optical_vignetting_frac": -0.1}, {"iris": 5}]
)
def test_settings_out_of_bounds_are_refused(wrong: dict[str, Any]) -> None:
    with pytest.raises(ValidationError):
        defocus.DefocusSettings(**wrong)
