"""Instruments in the conditions of real pictures: right, or a refusal, or a doubt in words; never wrong and sure.

The truths are Gaussian spreads and white noise made here: a step through a Gaussian of sigma s is erf, its blur radius
2 s; noise of a known sigma. Common practice, no source: how strong shading, clipping and sharpening are.
"""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt
import pytest
from scipy.ndimage import gaussian_filter
from scipy.special import erf
from widegauge.measure.blur import measure_edge_blur, measure_lamp_blur
from widegauge.measure.edge import measure_edge
from widegauge.measure.granularity import measure_grain
from widegauge.measure.halation import measure_halation
from widegauge.measure.noise import find_noise
from widegauge.measure.refusal import RefusalError
from widegauge.presets import stocks

Float64 = npt.NDArray[np.float64]

SIGMA_PX, HEIGHT, WIDTH, FINE = 1.5, 120, 100, 8
ACROSS, DOWN = np.linspace(-1, 1, WIDTH)[None, :], np.linspace(-1, 1, HEIGHT)[:, None]


def _step(offset_px: Float64) -> Float64:
    return np.asarray(0.5 * (1.0 + erf(offset_px / (SIGMA_PX * math.sqrt(2.0)))))


def _edge(step=_step, *, dark: float = 0.1, bright: float = 0.5) -> Float64:
    """An edge at 5 degrees, each pixel the mean of 8 x 8 points."""
    y, x = (np.arange(HEIGHT * FINE) + 0.5) / FINE, (np.arange(WIDTH * FINE) + 0.5) / FINE
    turn = math.radians(5.0)
    offset = (x[None, :] - WIDTH / 2) * math.cos(turn) - (y[:, None] - HEIGHT / 2) * math.sin(turn)
    share = step(offset).reshape(HEIGHT, FINE, WIDTH, FINE).mean(axis=(1, 3))
    return np.asarray(dark + (bright - dark) * share)


def _grey(light: Float64) -> npt.NDArray[np.float32]:
    return np.repeat(light[..., None], 3, axis=2).astype(np.float32)


def _gaussian_mtf50_cpp() -> float:
    """Where exp(-2 (pi s f)^2) times the pixel's sinc is one half."""
    f = np.linspace(0.001, 1.0, 100_000)
    return float(f[np.argmin(np.abs(np.exp(-2.0 * (np.pi * SIGMA_PX * f) ** 2) * np.sinc(f) - 0.5))])


def test_an_even_edge_leaves_no_doubt() -> None:
    found = measure_edge(_grey(_edge()))
    assert found.doubts == ()
    assert found.channel("Y").mtf50_cpp == pytest.approx(_gaussian_mtf50_cpp(), rel=0.005)
    assert measure_edge_blur(_grey(_edge())).doubts == ()


@pytest.mark.parametrize(
    "shade",
    [
        1.0 + 0.02 * ACROSS,
        1.0 + 0.1 * ACROSS,
        1.0 - 0.1 * ACROSS,
        1.0 + 0.3 * DOWN,
        1.0 + 0.1 * (ACROSS + DOWN),
        1.0 - 0.1 * (ACROSS**2 + DOWN**2),
    ],
    ids=["2 %", "10 %", "-10 %", "along the edge", "diagonal", "falling off"],
)
def test_shading_is_taken_out_and_said(shade: Float64) -> None:
    """Before, 10 % of shading across the region made a blur of 3 pixels read 7.7."""
    picture = _grey(_edge() * shade)
    edge, blur = measure_edge(picture), measure_edge_blur(picture)
    assert edge.channel("Y").mtf50_cpp == pytest.approx(_gaussian_mtf50_cpp(), rel=0.01)
    assert blur.channel("Y").radius_px == pytest.approx(2.0 * SIGMA_PX, rel=0.01)
    assert "unevenly lit" in edge.doubts[0]
    assert "unevenly lit" in blur.doubts[0]


def test_a_wall_lit_from_one_side_is_taken_out() -> None:
    light = _edge()
    picture = _grey(light + np.where(light > 0.3, 0.03, 0.0) * ACROSS)
    assert measure_edge_blur(picture).channel("Y").radius_px == pytest.approx(2.0 * SIGMA_PX, rel=0.02)


def test_long_tails_of_a_spread_are_no_shading() -> None:
    """A spread with a twentieth of its light in a wide exponential: odd about the edge, so it is left alone."""

    def step(offset: Float64) -> Float64:
        tail = 0.5 + 0.5 * np.sign(offset) * (1.0 - np.exp(-np.abs(offset) / 20.0))
        return 0.95 * _step(offset) + 0.05 * tail

    assert measure_edge(_grey(_edge(step))).doubts == ()


@pytest.mark.parametrize(("gap_px", "share"), [(6.0, 0.5), (20.0, 0.5), (20.0, 0.1), (30.0, 0.05)])
def test_a_second_edge_is_refused_however_faint(gap_px: float, share: float) -> None:
    picture = _grey(_edge(lambda x: (1.0 - share) * _step(x) + share * _step(x - gap_px)))
    for instrument in (measure_edge, measure_edge_blur):
        with pytest.raises(RefusalError, match="two edges"):
            instrument(picture)


def test_sharpening_is_told_and_has_no_blur_radius() -> None:
    light = _edge()
    picture = _grey(light + (light - gaussian_filter(light, 3.0, mode="nearest")))
    assert "sharpened" in measure_edge(picture).doubts[0]
    with pytest.raises(RefusalError, match="sharpened"):
        measure_edge_blur(picture)


@pytest.mark.parametrize("cut", [lambda x: np.minimum(x, 0.45), lambda x: np.maximum(x, 0.15)])
def test_a_clipped_edge_without_noise_is_lopsided(cut) -> None:
    picture = _grey(cut(_edge()))
    assert "clipped" in measure_edge(picture).doubts[0]
    assert "clipped" in measure_edge_blur(picture).doubts[0]


def test_noise_alone_raises_no_doubt() -> None:
    rng = np.random.default_rng(3)
    light = _edge()
    said = [measure_edge(_grey(light + rng.normal(0.0, 0.02, light.shape))).doubts for _ in range(20)]
    assert sum(bool(each) for each in said) <= 1


def _lamp(*places: tuple[float, float, float]) -> Float64:
    """Gaussian lamps (x, light, width over height) of sigma 2 in the middle row of 160 x 160 pixels."""
    y, x = np.mgrid[:160, :160].astype(np.float64)
    light = np.full((160, 160), 0.01)
    for at, strength, wide in places:
        light += strength * np.exp(-0.5 * (((x - at) / (2.0 * wide)) ** 2 + ((y - 80.0) / 2.0) ** 2))
    return light


def test_lamps_that_are_not_round_are_doubted() -> None:
    assert measure_lamp_blur(_grey(_lamp((80.0, 40.0, 1.0)))).doubts == ()
    for lamps in (((80.0, 40.0, 2.0),), ((80.0, 40.0, 1.0), (86.0, 40.0, 1.0)), ((80.0, 40.0, 1.0), (88.0, 8.0, 1.0))):
        assert "as long as wide" in measure_lamp_blur(_grey(_lamp(*lamps))).doubts[0]


def test_a_lamp_cut_off_at_one_value_is_doubted() -> None:
    assert "same highest value" in measure_lamp_blur(_grey(np.minimum(_lamp((80.0, 40.0, 1.0)), 20.0))).doubts[0]


def _grain(frames: int, *, texture: float = 0.0) -> npt.NDArray[np.float32]:
    rng = np.random.default_rng(11)
    fixed = gaussian_filter(rng.standard_normal((256, 256)), 1.0)
    noise = rng.normal(0.0, 0.02, (frames, 1, 256, 256, 3)) + texture * (fixed / fixed.std())[..., None]
    return (0.18 * 10.0**noise).astype(np.float32)


def _doubts(patches: npt.NDArray[np.float32]) -> str:
    return "; ".join(measure_grain(patches, stock=next(iter(stocks().values())), pitch_um=10.0).doubts)


def test_texture_is_told_from_grain_by_a_second_frame() -> None:
    assert "one frame" in _doubts(_grain(1))
    assert _doubts(_grain(2)) == ""
    assert "in common" in _doubts(_grain(3, texture=0.01))
    twice = np.repeat(_grain(1), 2, axis=0)
    assert "in common" in _doubts(twice)


def test_specks_are_told_and_clips_refused() -> None:
    patches = _grain(2)
    patches[:, :, ::37, ::41] = 3.0
    assert "sigma off" in _doubts(patches)
    with pytest.raises(RefusalError, match="clipped"):
        _doubts(np.minimum(_grain(2), np.float32(0.18)))
    with pytest.raises(RefusalError, match="no grain"):
        _doubts(np.full_like(patches, 0.18))


def test_noise_that_a_camera_smoothed_is_doubted() -> None:
    """A Gaussian of 0.7 pixels leaves a sixth of white noise in diagonal differences."""
    rng = np.random.default_rng(5)
    ramp = np.repeat((0.02 * 2.0 ** np.linspace(0.0, 5.0, 512))[None, :], 512, axis=0)
    noisy = _grey(ramp) + rng.normal(0.0, 0.01, (512, 512, 3)).astype(np.float32)
    assert find_noise([noisy]).doubts == ()
    assert "smoothed" in find_noise([gaussian_filter(noisy, (0.7, 0.7, 0.0))]).doubts[0]


def _halo(*lamps: tuple[float, float], share: float = 0.01) -> npt.NDArray[np.float32]:
    """Lamps (x, light) of sigma 2 with what a diffuse source sends back from 30 pixels on, its own formula.

    A source seen at depth d spreads as d^2 / (pi (d^2 + r^2)^2); beyond r0 = d / sqrt(n^2 - 1) all of it comes back.
    """
    y, x = np.mgrid[:401, :401].astype(np.float64)
    light = np.zeros((401, 401))
    for at, strength in lamps:
        squared = (x - at) ** 2 + (y - 200.0) ** 2
        deep = (30.0 * math.sqrt(1.48**2 - 1.0)) ** 2
        back = np.where(squared >= 900.0, deep / (math.pi * (deep + squared) ** 2), 0.0) / (1.0 - 1.48**-2)
        light += strength * (np.exp(-squared / 8.0) + 8.0 * math.pi * share * back)
    return _grey(light + 0.01)


def test_a_halo_alone_leaves_no_doubt() -> None:
    found = measure_halation(_halo((200.3, 1000.0)))
    assert found.doubts == ()
    assert found.rings[0].returned_frac == pytest.approx(0.01, rel=0.05)


def test_what_spoils_a_halo_is_said() -> None:
    clipped = measure_halation(np.minimum(_halo((200.3, 1000.0)), np.float32(10.0)))
    assert "same highest value" in clipped.doubts[0]
    assert "more than film returns" in clipped.doubts[1]
    beside = measure_halation(_halo((180.0, 1000.0), (230.0, 500.0)), at=(180, 200))
    assert "another light stands 50 pixels away" in beside.doubts[0]


def test_a_halo_cut_by_the_border_is_refused() -> None:
    """Before, the share that came back read -0.08 % and sure to 0.003."""
    with pytest.raises(RefusalError, match="no ring"):
        measure_halation(_halo((60.0, 1000.0)))
