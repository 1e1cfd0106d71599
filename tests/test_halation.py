"""Halation: the ring's size, its light, and what a filter must not do."""

from __future__ import annotations

import dataclasses
import math
from concurrent.futures import ThreadPoolExecutor

import cv2
import numpy as np
import pytest
from conftest import reference
from emulsion_setup import FINE, WIDTHS_MM, make_setup
from scipy.integrate import quad
from widegauge.frame import Frame
from widegauge.physics import base
from widegauge.stages import grain, mtf
from widegauge.stages.halation import STAGE, HalationPlan

ACETATE = {"thickness_mm": 0.142, "index": 1.48}


def planned(width_mm: float, width_px: int, strength: float = 1.0) -> HalationPlan:
    return STAGE.plan(STAGE.settings(strength=strength), make_setup(width_mm, width_px))


def lamp(side: int, at: tuple[int, int], light: float = 1e5) -> Frame:
    rgb = np.zeros((side, side, 3), np.float32)
    rgb[at] = light
    return Frame(1, rgb)


def test_textbook_halos() -> None:
    for row in reference("halation")["exercise"]:
        found = base.index_from_ring(thickness_mm=row["thickness_mm"], radius_mm=row["radius_mm"])
        assert found == pytest.approx(row["index"], abs=row["digits"])
        back = base.ring_radius_mm(thickness_mm=row["thickness_mm"], index=found)
        assert back == pytest.approx(row["radius_mm"], rel=1e-9)


def test_film_bases() -> None:
    for row in reference("halation")["base"]:
        angle_deg = math.degrees(base.critical_angle_rad(row["index"]))
        assert angle_deg == pytest.approx(row["critical_deg"], abs=0.005)
        found = base.ring_radius_mm(thickness_mm=row["thickness_mm"], index=row["index"])
        assert found == pytest.approx(row["radius_mm"], abs=row["digits"])


def test_rings_in_pixels() -> None:
    rows = reference("halation")["pixels"]
    for width_mm, radius_px, percent in rows["rows"]:
        found_mm = base.ring_radius_mm(**ACETATE)
        assert found_mm * 4096 / width_mm == pytest.approx(radius_px, abs=rows["digits_px"])
        assert 100.0 * found_mm / width_mm == pytest.approx(percent, abs=0.0006)


def test_fresnel() -> None:
    row = reference("halation")["fresnel"]
    assert base.reflectance(0.0, index=row["index"]) == pytest.approx(row["reflectance"], abs=row["digits"])
    edge = math.tan(base.critical_angle_rad(1.48))
    assert base.reflectance([edge * 1.0001, 9.0], index=1.48) == pytest.approx([1.0, 1.0])
    assert float(base.reflectance(edge * 0.98, index=1.48)) < 0.6


def test_light_within_a_radius_is_the_integral() -> None:
    """Closed forms against quadrature of the returned light, and the total: cos^2 theta_c = 1 - 1/n^2."""
    ring = base.ring_radius_mm(**ACETATE)

    def ray(r: float) -> float:
        return 2.0 * math.pi * r * float(base.returned_light(r, **ACETATE))

    total = quad(ray, ring, math.inf)[0]
    assert total == pytest.approx(base.total_reflection_frac(1.48), rel=1e-6)
    within = quad(ray, ring, 1.0)[0]
    assert within / total == pytest.approx(float(base.share_within(1.0, **ACETATE)), rel=1e-6)
    assert base.radius_of_share_mm(float(base.share_within(1.0, **ACETATE)), **ACETATE) == pytest.approx(1.0)


@pytest.mark.parametrize("order", [1, 2, 3])
def test_rays_traced_through_the_base(order: int) -> None:
    """A million rays from a diffuse point, by Snell's law and Fresnel's sine and tangent form: light in each ring."""
    thickness_mm, index = ACETATE["thickness_mm"], ACETATE["index"]
    rng = np.random.default_rng(8)
    inside = np.arcsin(np.sqrt(rng.random(1_000_000)))
    sin_out = index * np.sin(inside)
    outside = np.arcsin(np.minimum(sin_out, 1.0))
    less, more = inside - outside, inside + outside
    back = 0.5 * ((np.sin(less) / np.sin(more)) ** 2 + (np.tan(less) / np.tan(more)) ** 2)
    back[sin_out >= 1.0] = 1.0
    place, light = np.zeros_like(inside), np.ones_like(inside)
    for _ in range(order):
        place += 2.0 * thickness_mm * np.tan(inside)
        light *= back
    edges = order * np.array([0.0, 0.1, 0.2, 0.25, 0.26, 0.28, 0.32, 0.4, 0.6, 1.0, 2.0])
    found = np.histogram(place, edges, weights=light)[0] / 1_000_000
    for first, last, share in zip(edges[:-1], edges[1:], found, strict=True):
        expected = quad(
            lambda r: 2.0 * math.pi * r * float(base.returned_light(r, **ACETATE, order=order)),
            first,
            last,
            points=[order * 0.2603],
        )[0]
        assert share == pytest.approx(expected, rel=0.02, abs=2e-4)


def test_orders_add_up_to_what_returns() -> None:
    """The first returns q H = r, H = 1 - 1/n^2 = 0.5435 (worked by hand); no film returns more than it lets in."""
    for returned, q in ((0.0004, 0.000736), (0.008, 0.01472), (0.2, 0.368), (0.6, 0.9)):
        assert base.crossing_frac(returned, index=1.48) == pytest.approx(q, rel=1e-3)


def test_veil_is_the_transform_of_the_diffuse_source() -> None:
    """z K1(z) against a direct Hankel transform of (2t)^2 / (pi ((2t)^2 + r^2)^2)."""
    from scipy.special import j0

    depth = 2.0 * ACETATE["thickness_mm"]
    for f in (0.2, 1.0, 2.0):

        def ray(r: float, f: float = f) -> float:
            return 2.0 * r * depth * depth / (depth * depth + r * r) ** 2 * float(j0(2.0 * math.pi * f * r))

        direct = sum(quad(ray, a, a + 0.5)[0] for a in np.arange(0.0, 40.0, 0.5))
        assert float(base.veil_response(f, thickness_mm=0.142)) == pytest.approx(direct, abs=2e-5)


@pytest.mark.parametrize(("format_name", "width_px"), [("15-perf 65", 3840), ("4-perf 35", 1920), ("Super 16", 1920)])
def test_ring_of_a_lamp(format_name: str, width_px: int) -> None:
    """A point: its ring begins where predicted and is brightest just beyond; symmetric; as much light as planned."""
    width_mm = WIDTHS_MM[format_name]
    plan = planned(width_mm, width_px)
    radius_px = base.ring_radius_mm(**ACETATE) * width_px / width_mm
    side = 2 * int(9 * radius_px) + 1
    at = (side // 2, side // 2 - 1)
    out = STAGE.apply(plan, lamp(side, at)).rgb.astype(np.float64)
    for c in range(3):
        returned = plan.return_frac[c]
        halo = out[..., c] * (1.0 + returned) / 1e5 / returned
        assert out[at[0], at[1], c] == pytest.approx(1e5 / (1.0 + returned), rel=3e-4)
        halo[at] = 0.0
        y, x = np.mgrid[:side, :side]
        r = np.hypot(y - at[0], x - at[1])
        rings = np.arange(0.0, 2.0 * radius_px, 1.0)
        profile = np.array([halo[(r >= a - 0.5) & (r < a + 0.5)].mean() for a in rings])
        steepest = int(np.diff(profile).argmax())
        assert abs(0.5 * (rings[steepest] + rings[steepest + 1]) - radius_px) <= 1.0
        assert radius_px - 0.5 <= rings[profile.argmax()] <= radius_px + 1.5
        inside = profile[2 : int(0.6 * radius_px)]
        assert inside.max() < 0.5 * profile.max()
        assert halo.min() > -1e-3 * profile.max()
        beyond = 3.0 * radius_px
        share = float(base.share_within(beyond * width_mm / width_px, **ACETATE))
        tail = base.total_reflection_frac(1.48) * (1.0 - share)
        whole = 1.0 - float(base.hole_kernel(px_per_mm=width_px / width_mm, **ACETATE).sum())
        within = 1.0 - tail / whole
        within += returned / 0.5435 * float(base.share_within(0.5 * beyond * width_mm / width_px, **ACETATE))
        assert halo[r <= beyond].sum() == pytest.approx(within, abs=0.005)
        reach = int(2.0 * radius_px)
        middle = halo[at[0] - reach : at[0] + reach + 1, at[1] - reach : at[1] + reach + 1]
        for mirrored in (middle[::-1], middle[:, ::-1], middle.T):
            assert np.abs(middle - mirrored).max() < 0.02 * profile.max()


def test_kernel_against_the_formula_pixel_by_pixel() -> None:
    """Veil less hole, as the stage lays it down, against returned light averaged over each pixel."""
    px_per_mm = 1920 / 24.89
    plan = planned(24.89, 1920)
    side, at = 201, (100, 100)
    halo = STAGE.apply(plan, lamp(side, at)).rgb[..., 0].astype(np.float64) * (1.0 + plan.return_frac[0]) / 1e5
    offsets = (np.arange(8) + 0.5) / 8 - 0.5
    y, x = np.mgrid[:side, :side] - 100.0
    truth = np.mean(
        [base.returned_light(np.hypot(y + a, x + b) / px_per_mm, **ACETATE) for a in offsets for b in offsets], axis=0
    )
    truth *= plan.return_frac[0] / px_per_mm**2
    truth /= 1.0 - float(base.hole_kernel(px_per_mm=px_per_mm, **ACETATE).sum())
    halo[at] = truth[at]
    assert np.abs(halo - truth).max() < 0.02 * truth.max()


@pytest.mark.parametrize(("width_mm", "width_px"), [(69.6, 3840), (24.89, 1920), (12.52, 960)])
def test_orders_of_a_film_without_backing(width_mm: float, width_px: int) -> None:
    """A fifth of the light returns at once: rings at r0, 2 r0, 3 r0 by the formula, and as much light as planned.

    The rings after the first are drawn at reduced size, with edges some 0.15 r0 wide.
    """
    stock = dataclasses.replace(FINE, halation_return_frac=(0.2, 0.1, 0.05))
    plan = STAGE.plan(STAGE.settings(), make_setup(width_mm, width_px, stock=stock))
    px_per_mm = width_px / width_mm
    radius_px = base.ring_radius_mm(**ACETATE) * px_per_mm
    reach, near = int(9 * radius_px), int(4 * radius_px)
    out = STAGE.apply(plan, lamp(2 * reach + 1, (reach, reach))).rgb.astype(np.float64) / 1e5
    y, x = np.mgrid[-near : near + 1, -near : near + 1]
    middle = slice(reach - near, reach + near + 1)
    ring = np.round(np.hypot(y, x)).astype(int)
    fine = (np.arange(4) + 0.5) / 4 - 0.5
    mm = np.stack([np.hypot(y + a, x + b) for a in fine for b in fine]) / px_per_mm
    orders = [base.returned_light(mm, **ACETATE, order=m).mean(axis=0) / px_per_mm**2 for m in range(1, 7)]
    radius = np.arange(2, int(3.7 * radius_px))
    whole = 1.0 - float(
        base.hole_kernel(px_per_mm=px_per_mm, **ACETATE).sum()
    )  # what r is split over: H, and Fresnel's 4 %
    for c, returned in enumerate(plan.return_frac):
        assert out[..., c].sum() == pytest.approx(1.0, rel=1e-3)
        q = base.crossing_frac(returned, index=1.48)
        law = sum(q**m * order for m, order in enumerate(orders, start=1))
        found, expected = (
            np.bincount(ring.ravel(), light.ravel())[radius] / np.bincount(ring.ravel())[radius]
            for light in (out[middle, middle, c] * (1.0 + returned / (1.0 - q)), law)
        )
        expected *= returned / q / whole
        first = radius < 1.7 * radius_px
        assert found[first] == pytest.approx(expected[first], abs=0.015 * expected.max())
        assert found == pytest.approx(expected, abs=0.035 * expected.max())


@pytest.mark.parametrize("shape", [(270, 480), (97, 131), (40, 600)])
def test_flat_stays_flat(shape: tuple[int, int]) -> None:
    rgb = np.full((*shape, 3), 0.18, np.float32)
    out = STAGE.apply(planned(69.6, 1920), Frame(1, rgb)).rgb
    assert np.abs(out / 0.18 - 1.0).max() < 1e-6
    assert out.dtype == np.float32
    assert out.flags.c_contiguous


def test_light_is_kept() -> None:
    rng = np.random.default_rng(3)
    rgb = np.zeros((420, 420, 3), np.float32)
    rgb[200:220, 200:220] = rng.uniform(1.0, 50.0, (20, 20, 3))
    out = STAGE.apply(planned(69.6, 1920), Frame(1, rgb)).rgb
    assert out.sum(axis=(0, 1), dtype=np.float64) == pytest.approx(rgb.sum(axis=(0, 1), dtype=np.float64), rel=5e-4)


def test_linear_without_threshold() -> None:
    rgb = np.random.default_rng(4).random((128, 160, 3), dtype=np.float32)
    rgb[40, 60] = 300.0
    plan = planned(24.89, 1280)
    once, twice = STAGE.apply(plan, Frame(1, rgb)).rgb, STAGE.apply(plan, Frame(1, 2.0 * rgb)).rgb
    assert np.abs(twice - 2.0 * once).max() < 1e-5
    other = np.roll(rgb, 17, axis=1)
    both = STAGE.apply(plan, Frame(1, rgb + other)).rgb
    assert np.abs(both - once - STAGE.apply(plan, Frame(1, other)).rgb).max() < 1e-4


def test_nothing_wraps_round() -> None:
    """A lamp in a corner leaves nothing in the opposite one (as a share of the lamp)."""
    out = STAGE.apply(planned(69.6, 1920), lamp(300, (0, 0), 1e6)).rgb
    assert np.abs(out[-40:, -40:]).max() / 1e6 < 1e-8


def test_a_lamp_keeps_its_halo_at_half_size() -> None:
    """Halo of a square lamp, full size averaged 2 x 2, against a proxy of one half."""
    rgb = np.zeros((400, 400, 3), np.float32)
    rgb[190:210, 190:210] = 100.0
    full = STAGE.apply(planned(69.6, 1920), Frame(1, rgb)).rgb
    small = rgb.reshape(200, 2, 200, 2, 3).mean(axis=(1, 3))
    proxy = STAGE.apply(planned(69.6, 960), Frame(1, np.ascontiguousarray(small))).rgb
    made_smaller = full.reshape(200, 2, 200, 2, 3).mean(axis=(1, 3))
    dark = np.ones((200, 200), bool)
    dark[95:105, 95:105] = False
    assert np.abs(proxy - made_smaller)[dark].max() < 0.03 * made_smaller[dark].max()


def test_strength_scales_what_comes_back() -> None:
    whole, half, none = planned(69.6, 1920), planned(69.6, 1920, 0.5), planned(69.6, 1920, 0.0)
    assert half.return_frac == pytest.approx([0.5 * value for value in whole.return_frac])
    assert whole.acts
    assert half.acts
    assert not none.acts
    assert none.note
    assert none.rows[2].difference == 0.0


def test_input_unchanged_and_same_bytes_again() -> None:
    rgb = np.random.default_rng(5).random((150, 220, 3), dtype=np.float32)
    before = rgb.copy()
    frame = Frame(1, rgb)
    first, second = (STAGE.apply(planned(12.52, 960), frame).rgb for _ in range(2))
    assert np.array_equal(rgb, before)
    assert np.array_equal(first, second)


def test_same_bytes_for_any_threads_and_for_frames_at_once() -> None:
    """All three stages of the emulsion: one thread or two in transforms, frames in turn or four at once."""
    rng = np.random.default_rng(6)
    frames = [Frame(n, rng.random((300, 500, 3), dtype=np.float32)) for n in range(6)]
    setup = make_setup(12.52, 1920)
    for stage in (STAGE, mtf.STAGE, grain.STAGE):
        plan = stage.plan(stage.settings(), setup)
        cv2.setNumThreads(1)
        serial = [stage.apply(plan, frame).rgb for frame in frames]
        cv2.setNumThreads(2)
        with ThreadPoolExecutor(4) as pool:
            at_once = list(pool.map(lambda frame, s=stage, p=plan: s.apply(p, frame).rgb, frames))
        assert all(np.array_equal(a, b) for a, b in zip(serial, at_once, strict=True))


def test_plan_explains() -> None:
    plan = planned(69.6, 3840)
    rows = {row.quantity + row.unit: row for row in plan.rows}
    assert rows["ring radiusmm"].negative == pytest.approx(0.2603, abs=5e-5)
    assert rows["ring radiuspx"].negative == pytest.approx(0.2603 * 3840 / 69.6, abs=0.005)
    assert rows["light returned Rshare of the light"].difference == plan.return_frac[0] == 0.008
    assert 0 < plan.reach_px <= 128
