"""Edges of soft maps, made hard on smaller ones and brought back to the plate: finer than those maps' pixels."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from widegauge.depth.clean import on_plate

WIDTH, HEIGHT = 240, 160
NEAR, FAR = -12.0, -2.0


def slanted(degrees: float) -> np.ndarray:
    """Whether each pixel lies nearer than a straight edge through the middle."""
    y, x = np.mgrid[0:HEIGHT, 0:WIDTH] + 0.5
    a = np.radians(degrees)
    return np.asarray((x - WIDTH / 2) * np.cos(a) + (y - HEIGHT / 2) * np.sin(a) <= 0.0)


def small_maps(near: np.ndarray, *, sigma_px: float) -> tuple[np.ndarray, np.ndarray]:
    """A soft map at half the size, and the same with hard edges."""
    radius = cv2.GaussianBlur(np.where(near, NEAR, FAR).astype(np.float32), (0, 0), sigma_px)
    soft = cv2.resize(radius, (WIDTH // 2, HEIGHT // 2), interpolation=cv2.INTER_AREA)
    hard = np.where(soft < (NEAR + FAR) / 2, NEAR, FAR).astype(np.float32)
    return hard, soft


@pytest.mark.parametrize("degrees", [0.0, 12.0, 33.0, 78.0, 90.0])
@pytest.mark.parametrize("sigma_px", [1.0, 2.0])
def test_a_straight_edge_comes_back_to_its_pixels(degrees: float, sigma_px: float) -> None:
    near = slanted(degrees)
    hard, soft = small_maps(near, sigma_px=sigma_px)
    found = on_plate(hard, soft, (WIDTH, HEIGHT))
    assert set(np.unique(found)) == {np.float32(NEAR), np.float32(FAR)}
    blocks = cv2.resize(hard, (WIDTH, HEIGHT), interpolation=cv2.INTER_NEAREST_EXACT)
    off, before = (int(np.count_nonzero((each == np.float32(NEAR)) ^ near)) for each in (found, blocks))
    length = WIDTH if degrees > 45 else HEIGHT
    assert off <= 0.2 * length
    assert off <= before


def test_a_thin_thing_keeps_its_hard_shape() -> None:
    """Four pixels wide, softened by 2: halfway between the levels there is little left of it."""
    near = np.zeros((HEIGHT, WIDTH), bool)
    near[:, 100:104] = True
    _, soft = small_maps(near, sigma_px=2.0)
    hard = np.where(near[::2, ::2], np.float32(NEAR), np.float32(FAR))
    found = on_plate(hard, soft, (WIDTH, HEIGHT))
    np.testing.assert_array_equal(found == np.float32(NEAR), near)


def test_what_is_not_known_in_the_soft_map_decides_nothing() -> None:
    hard, soft = small_maps(slanted(33.0), sigma_px=2.0)
    lacking = np.full_like(soft, np.nan)
    blocks = cv2.resize(hard, (WIDTH, HEIGHT), interpolation=cv2.INTER_NEAREST_EXACT)
    np.testing.assert_array_equal(on_plate(hard, lacking, (WIDTH, HEIGHT)), blocks)
    assert on_plate(hard, soft, (WIDTH // 2, HEIGHT // 2)) is hard
