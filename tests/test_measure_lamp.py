"""Lamps: discs and edges of known blur, and rings traced ray by ray, come back."""

from __future__ import annotations

import numpy as np
import pytest
from conftest import reference
from edge_targets import Array, disc, edge, gaussian
from widegauge.measure.blur import measure_edge_blur, measure_lamp_blur
from widegauge.measure.halation import measure_halation
from widegauge.measure.lamp import find_lamp
from widegauge.measure.refusal import RefusalError

RADII = (2.0, 3.0, 5.0, 8.0, 13.0, 20.0, 30.0)
WITHIN = 0.02


def lamp(
    side: int, radius_px: float, *, at: tuple[float, float] = (0.3, -0.2), level: float = 5.0, ground: float = 0.01
) -> Array:
    """(S, S, 3): a disc near the middle, each pixel the mean of 8 x 8 points."""
    inside = (np.arange(8) + 0.5) / 8.0 - 0.5
    place = (np.arange(side)[:, None] + inside).ravel() - (side - 1) / 2.0
    share = (np.hypot(place[None, :] - at[0], place[:, None] - at[1]) <= radius_px).astype(float)
    share = share.reshape(side, 8, side, 8).mean(axis=(1, 3))
    return np.repeat((ground + level * share)[..., None], 3, axis=2)


def returned_rays(
    side: int, radius_px: float, index: float, *, lamp_px: float, rays: int = 3_000_000
) -> tuple[Array, float]:
    """(S, S) light that comes back from a lamp's disc of unit light, traced ray by ray, and all of it.

    Lambert's law: sin^2 of the angle is even in 0 to 1. Fresnel's equations in their form with angles (Wikipedia,
    'Fresnel equations'): sin^2(i - t)/sin^2(i + t) and tan^2(i - t)/tan^2(i + t), halved and added.
    """
    rng = np.random.default_rng(1)
    twice_thickness = radius_px * np.sqrt(index * index - 1.0)
    even = (np.arange(rays) + rng.random(rays)) / rays
    angle = np.arcsin(np.sqrt(even))
    sine = index * np.sin(angle)
    out = np.arcsin(np.minimum(sine, 1.0))
    across = (np.sin(angle - out) / np.sin(angle + out)) ** 2
    along = (np.tan(angle - out) / np.tan(angle + out)) ** 2
    weight = np.where(sine >= 1.0, 1.0, 0.5 * (across + along)) / rays
    reach, turn = twice_thickness * np.tan(angle), rng.random(rays) * 2.0 * np.pi
    start, start_turn = lamp_px * np.sqrt(rng.random(rays)), rng.random(rays) * 2.0 * np.pi
    x = np.rint(reach * np.cos(turn) + start * np.cos(start_turn) + (side - 1) / 2.0 + 0.3).astype(np.int64)
    y = np.rint(reach * np.sin(turn) + start * np.sin(start_turn) + (side - 1) / 2.0 - 0.2).astype(np.int64)
    seen = (x >= 0) & (y >= 0) & (x < side) & (y < side)
    light = np.bincount(y[seen] * side + x[seen], weights=weight[seen], minlength=side * side)
    return light.reshape(side, side), float(weight.sum())


@pytest.mark.parametrize("radius_px", RADII)
def test_blur_of_a_lamp(radius_px: float) -> None:
    """Discs of 2 to 30 pixels, quiet and noisy: within 2 % (or 4 errors)."""
    picture = lamp(int(5 * radius_px + 40), radius_px)
    quiet = measure_lamp_blur(picture)
    assert {each.name for each in quiet.channels} == {"R", "G", "B", "Y"}
    for each in quiet.channels:
        assert each.radius_px == pytest.approx(radius_px, rel=WITHIN)
    rng = np.random.default_rng(3)
    noisy = measure_lamp_blur(picture + rng.normal(0.0, 0.02, picture.shape)).channel("G")
    assert noisy.radius_px == pytest.approx(radius_px, abs=max(WITHIN * radius_px, 4.0 * noisy.error_px))
    assert noisy.error_px < 0.05 * radius_px


@pytest.mark.parametrize("angle_deg", [5.0, 40.0, 85.0])
@pytest.mark.parametrize("radius_px", [2.0, 5.0, 12.0, 30.0])
def test_blur_of_an_edge(radius_px: float, angle_deg: float) -> None:
    side = int(5 * radius_px + 60)
    picture = edge(side, side, angle_deg, disc(radius_px))
    assert measure_edge_blur(picture).channel("G").radius_px == pytest.approx(radius_px, rel=WITHIN)
    rng = np.random.default_rng(4)
    noisy = measure_edge_blur(picture + rng.normal(0.0, 0.004, picture.shape)).channel("Y")
    assert noisy.radius_px == pytest.approx(radius_px, abs=max(WITHIN * radius_px, 4.0 * noisy.error_px))


def test_blur_of_other_shapes_is_their_second_moment() -> None:
    """A Gaussian of sigma has the moment of a disc of twice sigma, as a lamp and as an edge."""
    side, sigma = 121, 4.0
    y, x = np.mgrid[:side, :side] - side // 2
    picture = np.repeat((0.01 + 3.0 * np.exp(-(x * x + y * y) / (2.0 * sigma**2)))[..., None], 3, axis=2)
    assert measure_lamp_blur(picture).channel("G").radius_px == pytest.approx(2.0 * sigma, rel=0.03)
    found = measure_edge_blur(edge(120, 120, 5.0, gaussian(sigma))).channel("G")
    assert found.radius_px == pytest.approx(2.0 * sigma, rel=0.03)


def test_blur_that_was_there_before_is_taken_off() -> None:
    found = measure_lamp_blur(lamp(100, 10.0), less_px=6.0).channel("G")
    assert found.radius_px == pytest.approx(8.0, rel=WITHIN)


def test_the_lamp_that_is_meant() -> None:
    """Two lamps: the brighter without a place, the other with one beside it; neither changes the picture."""
    picture = np.concatenate([lamp(90, 6.0, level=5.0), lamp(90, 9.0, level=2.0)], axis=1)
    before = picture.copy()
    assert measure_lamp_blur(picture).channel("G").radius_px == pytest.approx(6.0, rel=WITHIN)
    assert measure_lamp_blur(picture, at=(130, 50)).channel("G").radius_px == pytest.approx(9.0, rel=WITHIN)
    assert np.array_equal(picture, before)
    assert find_lamp(picture).x_px == pytest.approx(44.5 + 0.3, abs=0.05)


@pytest.mark.parametrize("row", reference("halation")["base"], ids=lambda row: f"n {row['index']}")
@pytest.mark.parametrize("radius_px", [14.0, 40.0])
def test_ring_traced_ray_by_ray(row: dict[str, float], radius_px: float) -> None:
    """Ring radius within 1 pixel, and the share of light within 2 %, R, G and B with shares of 1, 0.3 and 0.05 %."""
    side, lamp_px = int(8 * radius_px) | 1, 3.0
    light, total = returned_rays(side, radius_px, row["index"], lamp_px=lamp_px)
    shape = lamp(side, lamp_px, level=1.0, ground=0.0)
    shape /= shape[..., 0].sum()
    shares = np.array([0.01, 0.003, 0.0005])
    picture = 0.02 + 8000.0 * (shape * (1.0 - shares) + light[..., None] / total * shares)
    before = picture.copy()
    found = measure_halation(picture, reach_px=3.9 * radius_px, index=row["index"])
    assert np.array_equal(picture, before)
    assert found.radius_px == pytest.approx(radius_px, abs=0.5)
    for ring, share in zip(found.rings[:3], shares, strict=True):
        assert ring.radius_px == pytest.approx(radius_px, abs=1.0)
        assert ring.returned_frac == pytest.approx(share, rel=WITHIN)
        assert ring.background == pytest.approx(0.02, rel=0.02)


def test_ring_in_noise_beside_a_neighbour() -> None:
    """Noise, and another lamp in the same picture: the radius within 1 pixel, the share within 4 errors or 5 %."""
    light, total = returned_rays(241, 30.0, 1.48, lamp_px=3.0)
    shape = lamp(241, 3.0, level=1.0, ground=0.0)
    shape /= shape[..., 0].sum()
    picture = 0.02 + 8000.0 * (0.99 * shape + 0.01 * light[..., None] / total)
    picture[40:44, 160:164] = 3.0
    picture += np.random.default_rng(6).normal(0.0, 0.002, picture.shape)
    found = measure_halation(picture, reach_px=110.0)
    assert found.radius_px == pytest.approx(30.0, abs=1.0)
    ring = found.rings[0]
    assert ring.returned_frac == pytest.approx(0.01, abs=max(0.0005, 4.0 * ring.returned_error))
    assert 0.0 < ring.returned_error < 0.0005


def test_refused() -> None:
    flat = np.full((120, 120, 3), 0.2)
    with pytest.raises(RefusalError, match="no lamp"):
        measure_lamp_blur(flat)
    with pytest.raises(RefusalError, match="no ring"):
        measure_halation(lamp(161, 3.0) + np.random.default_rng(7).normal(0.0, 0.001, (161, 161, 3)))
    with pytest.raises(RefusalError, match="border"):
        measure_lamp_blur(lamp(60, 8.0, at=(26.0, 0.0)))
    with pytest.raises(RefusalError, match="outside"):
        measure_lamp_blur(lamp(60, 5.0), at=(80, 10))
    with pytest.raises(RefusalError, match="not numbers"):
        measure_halation(np.full((60, 60, 3), np.nan))
    with pytest.raises(RefusalError, match="in sight"):
        measure_halation(lamp(60, 8.0))
