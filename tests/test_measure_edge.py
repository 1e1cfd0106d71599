"""Slanted edges of known response come back; a second way to measure agrees; what is no edge is refused."""

from __future__ import annotations

import numpy as np
import pytest
from conftest import reference
from edge_targets import Array, Profile, box, disc, distances, edge, gaussian, of_response, sharp, spline_response
from scipy.special import j1
from widegauge.measure.edge import FREQUENCY_CPP, EdgeFound, measure_edge
from widegauge.measure.refusal import RefusalError
from widegauge.measure.spread import BIN_PX

REFERENCE = reference("edge")
ANGLES = (5.0, 40.0, 85.0)
F = FREQUENCY_CPP
USED = F <= 0.5
WITHIN = 0.01
"""What the instrument is held to, up to Nyquist."""


def response_at(found: EdgeFound, frequency_cpp: float) -> float:
    return float(np.interp(frequency_cpp, F, found.channel("G").response))


def farthest(found: EdgeFound, expected: Array) -> float:
    return float(np.abs(found.channel("G").response - expected)[USED].max())


@pytest.mark.parametrize("angle_deg", ANGLES)
def test_pixel_box(angle_deg: float) -> None:
    found = measure_edge(edge(100, 90, angle_deg, sharp))
    assert found.line.angle_deg == pytest.approx(angle_deg, abs=0.02)
    assert farthest(found, box(F, angle_deg)) < WITHIN
    for frequency, value in REFERENCE["box"]["rows"]:
        assert box(np.array([frequency]), 0.0)[0] == pytest.approx(value, abs=REFERENCE["box"]["digits"])
        if angle_deg != 40.0:
            assert response_at(found, frequency) == pytest.approx(value, abs=WITHIN)


@pytest.mark.parametrize("angle_deg", ANGLES)
@pytest.mark.parametrize(("sigma", "nyquist"), REFERENCE["gaussian"]["rows"])
def test_gaussian(angle_deg: float, sigma: float, nyquist: float) -> None:
    expected = np.exp(-2.0 * (np.pi * sigma * F) ** 2)
    assert np.interp(0.5, F, expected) == pytest.approx(nyquist, abs=REFERENCE["gaussian"]["digits"])
    found = measure_edge(edge(100, 90, angle_deg, gaussian(sigma)))
    assert farthest(found, expected * box(F, angle_deg)) < WITHIN
    half = float(np.interp(-0.5, -(expected * box(F, angle_deg)), F))
    assert found.channel("Y").mtf50_cpp == pytest.approx(half, rel=0.01)


CUTOFF_CPP = 0.55


def perfect_lens(f: Array) -> Array:
    x = np.clip(f / CUTOFF_CPP, 0.0, 1.0)
    return 2.0 / np.pi * (np.arccos(x) - x * np.sqrt(1.0 - x * x))


@pytest.fixture(scope="module")
def diffracted() -> Profile:
    return of_response(perfect_lens, cutoff_cpp=CUTOFF_CPP, reach_px=90.0)


@pytest.mark.parametrize("angle_deg", ANGLES)
def test_diffraction(angle_deg: float, diffracted: Profile) -> None:
    """A perfect lens whose cut-off, 1/(lambda N), lies at 0.55 cycles per pixel."""
    found = measure_edge(edge(120, 110, angle_deg, diffracted))
    assert farthest(found, perfect_lens(F) * box(F, angle_deg)) < WITHIN
    for share, value in REFERENCE["diffraction"]["rows"]:
        expected = value * box(np.array([share * CUTOFF_CPP]), angle_deg)[0]
        assert response_at(found, share * CUTOFF_CPP) == pytest.approx(expected, abs=WITHIN)


@pytest.mark.parametrize("angle_deg", ANGLES)
def test_defocus_disc(angle_deg: float) -> None:
    """A blur circle of 4 pixels: its half, its first zero and the lobe beyond."""
    diameter = 4.0
    z = np.pi * diameter * np.maximum(F, 1e-9)
    expected = np.abs(2.0 * j1(z) / z) * box(F, angle_deg)
    found = measure_edge(edge(120, 110, angle_deg, disc(diameter / 2.0)))
    assert farthest(found, expected) < WITHIN
    row = REFERENCE["disc"]
    half, zero = row["half"] / diameter, row["zero"] / diameter
    assert response_at(found, half) / box(np.array([half]), angle_deg)[0] == pytest.approx(0.5, abs=WITHIN)
    assert response_at(found, zero) < WITHIN
    lobe = 1.635 / diameter
    assert response_at(found, lobe) / box(np.array([lobe]), angle_deg)[0] == pytest.approx(row["lobe"], abs=WITHIN)


def test_derivative_factor() -> None:
    """The correction that is divided out, against the standard's taps."""
    for frequency, factor in REFERENCE["derivative"]["rows"]:
        taps = np.array([-0.5, 0.0, 0.5]) / BIN_PX
        at = np.array([-1.0, 0.0, 1.0]) * BIN_PX
        seen = abs(np.sum(taps * np.exp(2j * np.pi * frequency * at)) / (2j * np.pi * frequency))
        assert 1.0 / seen == pytest.approx(factor, abs=REFERENCE["derivative"]["digits"])
        assert 1.0 / np.sinc(2.0 * frequency * BIN_PX) == pytest.approx(factor, abs=REFERENCE["derivative"]["digits"])


@pytest.mark.parametrize("angle_deg", [5.0, -7.3, 33.0, 61.7, 86.0])
def test_second_way_agrees(angle_deg: float) -> None:
    """A noisy edge measured without bins or corrections, by a spline through its pixels: the same within .01."""
    rng = np.random.default_rng(11)
    clean = edge(150, 150, angle_deg, gaussian(0.6), contrast=(0.2, 0.8))
    noisy = clean + rng.normal(0.0, 0.001, clean.shape)
    found = measure_edge(noisy)
    second = spline_response(noisy[..., 1], angle_deg, F)
    assert np.abs(found.channel("G").response - second)[USED].max() < WITHIN


def test_iso_style_target() -> None:
    """A slanted square of 4:1 contrast as on ISO 12233's chart: its four sides agree and are the pixel x Gaussian."""
    side, size, turn_deg, sigma = 90.0, 200, 5.0, 0.5
    profile = gaussian(sigma)
    mirrored = [distances(size, size, turn_deg + 90.0 * i, sub=4, at=(0.4, -0.3)) for i in range(4)]
    inside = np.prod([profile(side / 2.0 - d) for d in mirrored], axis=0)
    inside = inside.reshape(size, 4, size, 4).mean(axis=(1, 3))
    chart = np.repeat((0.8 - 0.6 * inside)[..., None], 3, axis=2)
    middle, half = size // 2, 30
    shift = round(side / 2.0)
    expected = np.exp(-2.0 * (np.pi * sigma * F) ** 2) * box(F, turn_deg)
    for dx, dy in ((shift, 0), (-shift, 0), (0, shift), (0, -shift)):
        x, y = middle + dx, middle + dy
        found = measure_edge(chart[y - half : y + half, x - half : x + half])
        assert farthest(found, expected) < WITHIN


def test_noise_is_told() -> None:
    """Errors scatter as the stated standard error says: their rms over it is 1 within 25 %, at several frequencies."""
    rng = np.random.default_rng(2)
    clean = edge(80, 60, 5.0, gaussian(0.5), contrast=(0.2, 0.8))
    expected = np.exp(-2.0 * (np.pi * 0.5 * F) ** 2) * box(F, 5.0)
    squares, halves = [], []
    for _ in range(30):
        found = measure_edge(clean + rng.normal(0.0, 0.005, clean.shape)).channel("G")
        assert found.noise == pytest.approx(0.005, rel=0.1)
        squares.append(((found.response - expected) / np.maximum(found.error, 1e-9))[[16, 32, 48]] ** 2)
        assert found.mtf50_cpp is not None
        assert found.mtf50_error is not None
        halves.append((found.mtf50_cpp, found.mtf50_error))
    assert np.sqrt(np.mean(squares)) == pytest.approx(1.0, abs=0.25)
    assert np.std([half for half, _ in halves]) == pytest.approx(np.mean([error for _, error in halves]), rel=0.35)


def test_channels_have_their_own_response() -> None:
    """Blue softer and shifted by lateral colour: each channel its own response; input unchanged."""
    sigmas = (0.5, 0.4, 1.0)
    rgb = np.stack([edge(100, 90, 6.0, gaussian(s))[..., 0] for s in sigmas], axis=-1)
    rgb[..., 2] = np.roll(rgb[..., 2], 1, axis=1)
    rgb = rgb[:, 2:].astype(np.float32)
    before = rgb.copy()
    found = measure_edge(rgb)
    assert np.array_equal(rgb, before)
    for name, sigma in zip("RGB", sigmas, strict=True):
        expected = np.exp(-2.0 * (np.pi * sigma * F) ** 2) * box(F, 6.0)
        assert np.abs(found.channel(name).response - expected)[USED].max() < WITHIN


def test_turned_and_mirrored_alike() -> None:
    plain = edge(100, 90, 7.0, gaussian(0.7))
    first = measure_edge(plain).channel("G").response
    for other in (plain[::-1], plain[:, ::-1], plain.transpose(1, 0, 2), 1.0 - plain):
        assert np.abs(measure_edge(other).channel("G").response - first)[USED].max() < 2e-3


def test_specks_are_left_out() -> None:
    clean = edge(100, 90, 5.0, gaussian(0.7))
    speckled = clean.copy()
    speckled[10, 12] = 50.0
    speckled[70, 60] = 30.0
    first, second = measure_edge(clean).channel("G").response, measure_edge(speckled).channel("G").response
    assert np.abs(first - second)[USED].max() < 2e-3


_RNG = np.random.default_rng(5)
REFUSED = {
    "no edge": np.full((60, 60, 3), 0.5),
    "no straight edge": _RNG.normal(0.5, 0.1, (60, 60, 3)),
    "contrast too low": edge(60, 60, 5.0, gaussian(0.5), contrast=(0.5, 0.52)),
    "not flat": edge(60, 60, 5.0, gaussian(15.0)),
    "see the same places": edge(60, 60, 0.0, gaussian(0.5)),
    "same places": edge(60, 60, 45.0, gaussian(0.5)),
    "two edges": edge(80, 80, 5.0, lambda d: 0.5 * gaussian(0.7)(d - 15.0) + 0.5 * gaussian(0.7)(d + 20.0)),
    "clipped": np.minimum(
        edge(90, 80, 5.0, gaussian(0.7), contrast=(0.2, 1.4)) + _RNG.normal(0, 0.01, (90, 80, 1)), 1.0
    ),
    "too small": edge(12, 40, 5.0, gaussian(0.5)),
    "too noisy": edge(150, 30, 5.0, gaussian(0.5), contrast=(0.4, 0.6)) + _RNG.normal(0, 0.07, (150, 30, 1)),
    "not numbers": np.full((60, 60, 3), np.nan),
}


@pytest.mark.parametrize("said", REFUSED)
def test_refused(said: str) -> None:
    with pytest.raises(RefusalError, match=said) as refused:
        measure_edge(REFUSED[said])
    assert refused.value.remedy
