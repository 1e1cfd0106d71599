"""Noise: a known noise on real photographs is found again; a picture without any reads nearly none."""

from __future__ import annotations

import numpy as np
import pytest
import skimage.data
from numpy.typing import NDArray
from widegauge.measure.noise import find_noise, measure_noise

Float32 = NDArray[np.float32]


def photograph(name: str, smaller: int) -> Float32:
    """One of scikit-image's photographs as scene-linear light (IEC 61966-2-1), averaged down to lose its own noise."""
    code = getattr(skimage.data, name)()[..., :3].astype(np.float64) / 255.0
    light = np.where(code <= 0.04045, code / 12.92, ((code + 0.055) / 1.055) ** 2.4)
    height, width = (n // smaller * smaller for n in light.shape[:2])
    cells = light[:height, :width].reshape(height // smaller, smaller, width // smaller, smaller, 3)
    return cells.mean(axis=(1, 3)).astype(np.float32)


@pytest.mark.parametrize("sigma", [0.002, 0.005, 0.01, 0.02])
def test_known_noise_on_a_photograph(sigma: float) -> None:
    """Even noise on a photograph of a night launch: every level within 15 %."""
    still = photograph("rocket", 1)
    rng = np.random.default_rng(3)
    frames = [still + rng.normal(0.0, sigma, still.shape).astype(np.float32) for _ in range(3)]
    rows = [(level, found) for level, found in measure_noise(frames) if 0.005 < level < 0.2]
    assert len(rows) >= 6
    for _, found in rows:
        assert found == pytest.approx(sigma, rel=0.15)


def test_photon_noise_on_a_photograph() -> None:
    """Variance that grows with light, sigma^2 = 1e-6 + 4e-4 L, on an eye's fundus: within 15 % from 0.01 up."""
    still = photograph("retina", 2)
    rng = np.random.default_rng(4)
    sigma = np.sqrt(1e-6 + 4e-4 * still)
    frames = [(still + sigma * rng.standard_normal(still.shape)).astype(np.float32) for _ in range(3)]
    rows = [(level, found) for level, found in measure_noise(frames) if 0.01 < level < 0.2]
    assert len(rows) >= 6
    for level, found in rows:
        assert found == pytest.approx(float(np.sqrt(1e-6 + 4e-4 * level)), rel=0.15)


def test_smooth_picture_has_none() -> None:
    y, x = np.mgrid[:300, :400].astype(np.float32)
    smooth = np.repeat((0.02 + 0.5 * x / 400 + 0.2 * y / 300)[..., None], 3, axis=2)
    rows = measure_noise([smooth])
    assert rows
    assert max(sigma for _, sigma in rows) < 1e-6


def test_clipped_parts_do_not_hide_noise() -> None:
    """White clipped hard: levels below keep their noise."""
    rng = np.random.default_rng(5)
    x = np.linspace(0.05, 1.6, 800, dtype=np.float32)
    ramp = np.repeat(np.repeat(x[None, :, None], 400, axis=0), 3, axis=2)
    frame = np.minimum(ramp + rng.normal(0.0, 0.01, ramp.shape).astype(np.float32), np.float32(1.0))
    for level, found in measure_noise([frame]):
        if level < 0.9:
            assert found == pytest.approx(0.01, rel=0.15)


def test_rows_rise_and_say_how_sure() -> None:
    rng = np.random.default_rng(6)
    x = np.geomspace(0.01, 1.0, 600).astype(np.float32)
    ramp = np.repeat(np.repeat(x[None, :, None], 300, axis=0), 3, axis=2)
    found = find_noise([(ramp + rng.normal(0.0, 0.004, ramp.shape)).astype(np.float32) for _ in range(2)])
    levels = [level for level, _ in found.rows]
    assert levels == sorted(levels)
    assert len(found.rows) == len(found.cells) == len(found.error)
    assert found.frames == 2
    assert all(0.0 < error < 0.06 for error in found.error)


def test_nothing_flat_enough() -> None:
    assert measure_noise([]) == ()
    assert measure_noise([np.zeros((8, 8, 3), np.float32)]) == ()
