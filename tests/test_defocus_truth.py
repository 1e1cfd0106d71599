"""The defocus stage against pictures that it had no part in: ray-traced scenes, and discs drawn by other means."""

from __future__ import annotations

from functools import cache
from typing import Any

import cv2
import numpy as np
import pytest
from test_defocus import setup
from thinlens import depth_m, near_edges, park, psnr_db, shown, texture, trace
from widegauge.frame import Frame
from widegauge.kernels.spread import spread
from widegauge.physics.lens import FocusPull
from widegauge.stages import defocus

FOCUS_M = 3.0
WIDTH, HEIGHT = 480, 320
LARGEST_PX = 12.0
KAPPA = LARGEST_PX / (1 / 1.3 - 1 / FOCUS_M)
SAMPLES = 320


def drawn_disc(radius_px: float) -> np.ndarray:
    """A disc drawn 16 times too large and shrunk by area: a reference that is not this project's."""
    half = int(np.ceil(radius_px)) + 1
    fine = (np.arange((2 * half + 1) * 16) + 0.5) / 16 - half - 0.5
    big = (fine[:, None] ** 2 + fine[None, :] ** 2 <= radius_px**2).astype(np.float64)
    kernel = cv2.resize(big, (2 * half + 1, 2 * half + 1), interpolation=cv2.INTER_AREA)
    return kernel / kernel.sum()


def through_disc(rgb: np.ndarray, radius_px: float) -> np.ndarray:
    return cv2.filter2D(rgb, -1, drawn_disc(radius_px).astype(np.float32), borderType=cv2.BORDER_REFLECT)


def finish(rgb: np.ndarray, z: np.ndarray, own_px: float, wanted_px: float, **settings: Any) -> np.ndarray:
    """The stage on a frame whose own blur at the depth 2 x focus is own_px and should be wanted_px."""
    facts = setup(width=rgb.shape[1], height=rgb.shape[0], focus=FocusPull(((1, FOCUS_M),)))
    per_mm = facts.raster.exact_width_px / facts.camera.width_mm * 50.0 / 2950.0 / 2 / 2
    facts = setup(
        width=rgb.shape[1], height=rgb.shape[0], own_mm=max(own_px / per_mm, 1e-4), pupil_mm=wanted_px / per_mm
    )
    return defocus.apply(defocus.plan(defocus.DefocusSettings(**settings), facts), Frame(1, rgb, z)).rgb


@pytest.mark.parametrize("ratio", [0.5, 0.8, 0.9, 0.95])
def test_the_footage_s_own_blur_is_subtracted_from_texture_in_quadrature(ratio: float) -> None:
    wanted = 12.0
    rgb = texture(np.random.default_rng(3), (0.25, 0.25, 0.25), 0.8)[:200, :200].astype(np.float32)
    footage, truth = through_disc(rgb, ratio * wanted), through_disc(rgb, wanted)
    z = np.full(rgb.shape[:2], 2 * FOCUS_M, np.float32)
    done = psnr_db(finish(footage, z, ratio * wanted, wanted), truth)
    assert done >= {0.5: 44.5, 0.8: 43.0, 0.9: 46.5, 0.95: 51.0}[ratio]
    assert done >= psnr_db(footage, truth) + 3.0
    assert done >= psnr_db(finish(footage, z, 0.0, wanted), truth) + 1.5
    assert done >= psnr_db(through_disc(footage, (1 - ratio) * wanted), truth) + 3.0


@pytest.mark.parametrize("ratio", [0.5, 0.8, 0.9, 0.95])
def test_a_lamp_keeps_the_rim_of_the_disc_that_it_should_have(ratio: float) -> None:
    wanted = 12.0
    rgb = np.full((81, 81, 3), 0.05, np.float32)
    rgb[40, 40] = 30.0 * np.pi * wanted**2
    footage, truth = through_disc(rgb, ratio * wanted), through_disc(rgb, wanted)
    z = np.full(rgb.shape[:2], 2 * FOCUS_M, np.float32)
    got = finish(footage, z, ratio * wanted, wanted)
    assert psnr_db(got, truth) >= psnr_db(footage, truth) + 5.0
    assert psnr_db(got, truth) >= psnr_db(finish(footage, z, 0.0, wanted), truth) + 8.0
    reach = [np.sqrt((picture[..., 0] > 0.5).sum() / np.pi) for picture in (got, truth)]
    assert reach[0] == pytest.approx(reach[1], rel=0.06)
    assert got.sum(dtype=np.float64) == pytest.approx(footage.sum(dtype=np.float64), rel=1e-3)


@cache
def scene(shift: float = 0.0) -> dict[str, Any]:
    park_ = park(width=WIDTH, height=HEIGHT)
    z = depth_m(park_, shift=shift)
    return {
        "park": park_,
        "rgb": trace(park_, kappa=0.0, focus_m=FOCUS_M, samples=64, shift=shift),
        "z": z,
        "radius": (KAPPA * (1 / FOCUS_M - 1 / z)).astype(np.float32),
        "truth": trace(park_, kappa=KAPPA, focus_m=FOCUS_M, samples=SAMPLES, shift=shift),
    }


def through_stage(rgb: np.ndarray, z: np.ndarray, **settings: Any) -> np.ndarray:
    # at 2 x focus the radius is kappa / (2 s)
    return finish(rgb, z, 0.0, KAPPA / 2 / FOCUS_M, **settings)


def gathered(rgb: np.ndarray, radius: np.ndarray) -> np.ndarray:
    """The simplest method, for comparison: every pixel averages over a disc of its own radius."""
    out = rgb.copy()
    levels = np.round(np.abs(radius) * 2) / 2
    for level in np.unique(levels[levels > 0.5]):
        mask = levels == level
        out[mask] = through_disc(rgb, float(level))[mask]
    return out


@pytest.mark.slow
def test_the_traced_scene() -> None:
    s = scene()
    band = near_edges(s["radius"])
    got = through_stage(s["rgb"], s["z"])
    whole, edges, elsewhere = psnr_db(got, s["truth"]), psnr_db(got, s["truth"], band), psnr_db(got, s["truth"], ~band)
    simple = gathered(s["rgb"], s["radius"])
    print(
        f"traced scene: {whole:.2f} dB, edges {edges:.2f}, elsewhere {elsewhere:.2f}; gather {psnr_db(simple, s['truth']):.2f}"
    )
    assert whole >= 38.5
    assert edges >= 34.1
    assert elsewhere >= 45.0
    assert whole >= psnr_db(simple, s["truth"]) + 2.8
    assert edges >= psnr_db(simple, s["truth"], band) + 3.5


@pytest.mark.slow
def test_with_the_true_hidden_surface_what_is_left_is_the_compositing() -> None:
    s = scene()
    hidden_z = depth_m(s["park"], skip=1)
    hidden = trace(s["park"], kappa=0.0, focus_m=FOCUS_M, samples=64, skip=1)
    radius = (KAPPA * (1 / FOCUS_M - 1 / hidden_z)).astype(np.float32)
    got, _ = spread(s["rgb"], s["radius"], defocus.discs(0, 0.0), hidden_rgb=hidden, hidden_radius_px=radius)
    assert psnr_db(got, s["truth"]) >= 41.0
    assert psnr_db(got, s["truth"], near_edges(s["radius"])) >= 37.0


@pytest.mark.slow
def test_seven_blades_point_the_right_way_in_front_of_focus_and_behind() -> None:
    s = scene()
    truth = trace(s["park"], kappa=KAPPA, focus_m=FOCUS_M, samples=SAMPLES, blades=7)
    got = psnr_db(through_stage(s["rgb"], s["z"], blades=7), truth)
    assert got >= 37.8
    assert got > psnr_db(through_stage(s["rgb"], s["z"], blades=7, rotation_deg=180.0), truth) + 0.4
    assert got > psnr_db(through_stage(s["rgb"], s["z"]), truth)


@pytest.mark.slow
@pytest.mark.parametrize("inverse", [False, True])
def test_soft_depth_costs_little(inverse: bool) -> None:
    s = scene()
    z = s["z"]
    soft = 1 / cv2.GaussianBlur(1 / z, (0, 0), 1.0) if inverse else cv2.GaussianBlur(z, (0, 0), 1.0)
    hard, got = (psnr_db(through_stage(s["rgb"], d), s["truth"]) for d in (z, soft))
    print(f"soft depth ({'inverse' if inverse else 'distance'}): {got:.2f} dB against {hard:.2f}")
    assert got >= hard - 0.7


@pytest.mark.slow
def test_nothing_flickers_while_the_camera_pans() -> None:
    off = [
        (shown(through_stage(s["rgb"], s["z"])) - shown(s["truth"]))[24:-24, 24:-24]
        for s in (scene(shift) for shift in (0.0, 1 / 3, 2 / 3))
    ]
    change = np.abs(np.concatenate([off[1] - off[0], off[2] - off[1]]))
    print(f"change of error in a pan: rms {np.sqrt((change**2).mean()):.4f}, 99.9 % {np.percentile(change, 99.9):.3f}")
    assert np.sqrt((change**2).mean()) <= 0.005
    assert np.percentile(change, 99.9) <= 0.05
