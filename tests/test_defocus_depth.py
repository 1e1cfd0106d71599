"""Depth as it comes, noise as it stays, and the kernels as plain Python."""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
import pytest
from test_defocus import ROUND, blur, noise, setup
from widegauge.depth import metres
from widegauge.errors import MediaError
from widegauge.frame import Frame
from widegauge.kernels import depthmap, discs, silhouette
from widegauge.kernels.spread import spread
from widegauge.stages import defocus

# ---- depth as it comes


def test_unknown_depth_takes_the_farther_side_and_is_reported() -> None:
    z = np.full((72, 96), 2.0, np.float32)
    z[:, 50:] = 8.0
    whole, _ = defocus.blur_radius_px(z, noise(72, 96), scale_px_m=30.0, focus_m=3.0)
    for invalid in (np.nan, 0.0, -1.0):
        holed = z.copy()
        holed[20:30, 44:56] = invalid
        holed[60:62] = invalid
        got, remarks = defocus.blur_radius_px(holed, noise(72, 96), scale_px_m=30.0, focus_m=3.0)
        np.testing.assert_array_equal(got[20:30, 44:56], whole[0, 60])
        np.testing.assert_array_equal(got[60:62], whole[60:62])
        assert dict(remarks) == {"depth: share unknown, filled from the farther side": (120 + 192) / (72 * 96)}
    assert np.isfinite(
        defocus.blur_radius_px(np.full_like(z, np.inf), noise(72, 96), scale_px_m=30.0, focus_m=3.0)[0]
    ).all()


def test_a_proxys_pixel_takes_the_nearest_surface_that_it_covers() -> None:
    z = np.full((8, 12), np.inf, np.float32)
    z[3, 5], z[6, 9], z[0, 0] = 2.0, np.nan, 4.0
    small = metres.to_plate(z, footage_px=(12, 8), plate_px=(3, 2), name="map")
    np.testing.assert_array_equal(small, [[4.0, 2.0, np.inf], [np.inf, np.inf, np.inf]])
    np.testing.assert_array_equal(metres.to_plate(small, footage_px=(12, 8), plate_px=(12, 8), name="map")[:4, 4:8], 2)


def test_depth_that_is_nowhere_known_is_said_so() -> None:
    frame = Frame(1017, noise(72, 96), np.full((72, 96), np.nan, np.float32))
    with pytest.raises(MediaError, match=r"frame 1017.*no depth is known"):
        defocus.apply(defocus.plan(defocus.DefocusSettings(), setup()), frame)


@pytest.mark.parametrize("inverse", [False, True])
def test_soft_depth_edges_are_snapped_to_their_two_levels_and_slopes_are_left_alone(inverse: bool) -> None:
    z = np.full((60, 80), 9.0, np.float32)
    z[:, :40] = 1.5
    rgb = np.where(z[..., None] < 5, np.float32(0.1), np.float32(0.6)) * np.ones(3, np.float32)
    hard, none = defocus.blur_radius_px(z, rgb, scale_px_m=20.0, focus_m=3.0)
    assert none == ()
    soft = 1 / cv2.GaussianBlur(1 / z, (0, 0), 1.0) if inverse else cv2.GaussianBlur(z, (0, 0), 1.0)
    got, remarks = defocus.blur_radius_px(soft, rgb, scale_px_m=20.0, focus_m=3.0)
    assert np.abs(got - hard).max() < 0.25
    assert 0.02 < dict(remarks)["depth: share on soft edges, snapped"] < 0.12
    slope = np.broadcast_to(np.linspace(1.5, 9.0, 60, dtype=np.float32)[:, None], (60, 80)).copy()
    kept, remarks = defocus.blur_radius_px(slope, rgb, scale_px_m=20.0, focus_m=3.0)
    assert remarks == ()
    np.testing.assert_allclose(kept, 20.0 * (1 / 3.0 - 1 / slope), rtol=1e-5, atol=1e-6)


def test_things_too_near_are_held_at_the_largest_radius() -> None:
    z = np.full((60, 80), 3.0, np.float32)
    z[20:40, 20:40] = 0.05
    got, remarks = defocus.blur_radius_px(z, noise(60, 80), scale_px_m=40.0, focus_m=3.0)
    assert got.min() == -discs.MAX_RADIUS_PX
    assert dict(remarks) == {"defocus: share held at the largest radius": 400 / 4800}
    assert np.isfinite(blur(noise(60, 80), got)).all()


# ---- noise


@pytest.mark.parametrize("radius", [0.5, 1.0, 1.7, 3.0, 6.0, 12.0])
def test_the_noise_that_is_left_is_what_it_says(radius: float) -> None:
    rng = np.random.default_rng(11)
    flat = np.float32(0.5)
    field = np.full((160, 160), radius, np.float32)
    rgb = (flat + 0.05 * rng.standard_normal((160, 160, 3))).astype(np.float32)
    out, left = spread(rgb, field, ROUND)
    inner = np.s_[24:-24, 24:-24]
    measured = out[inner].var() / 0.05**2
    assert left[inner].mean() == pytest.approx(measured, rel=0.15)
    if radius >= 6:
        assert left[inner].mean() == pytest.approx(1 / (np.pi * radius**2), rel=0.05)
    before = np.full((160, 160), 0.5, np.float32)
    plan = defocus.plan(defocus.DefocusSettings(), setup(width=160, height=160))
    frame = Frame(1, rgb, np.full((160, 160), 8.0, np.float32))
    once, half = (defocus.apply(plan, replace(frame, noise_left=n)).noise_left for n in (None, before))
    assert once is not None
    assert half is not None
    np.testing.assert_allclose(half, 0.5 * once, rtol=1e-6)


# ---- kernels as Python


def test_kernels_do_as_python_what_they_do_compiled() -> None:
    z = np.full((12, 16), 8.0, np.float32)
    z[:, :7] = 1.5
    z[4, 9] = np.nan
    got = []
    for run in (lambda f: f, lambda f: f.py_func):
        radius, counts = np.empty_like(z), np.zeros((12, 2), np.int64)
        run(depthmap.signed_radius)(z, 20.0, 1 / 3.0, 128.0, radius, counts, 0, 12)
        run(depthmap.fill_rows)(radius, 0, 12)
        flags = np.empty((12, 16), np.uint8)
        run(silhouette.mark)(radius, flags, 0, 12)
        left, right = np.empty((12, 16), np.int32), np.empty((12, 16), np.int32)
        run(silhouette.nearest_in_row)(flags, left, right, 0, 12)
        got.append((radius, counts, flags, left, right))
    for compiled, plain in zip(*got, strict=True):
        np.testing.assert_allclose(compiled, plain, rtol=1e-6)
    assert got[0][1].sum(axis=0).tolist() == [1, 0]
