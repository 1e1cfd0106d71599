"""mtf: formulae against tables, the finished edge against min(footage, negative), and never any sharpening."""

from __future__ import annotations

import math

import numpy as np
import pytest
from conftest import reference
from emulsion_setup import FINE, WIDTHS_MM, make_setup
from numpy.typing import NDArray
from scipy.special import erf, j1
from widegauge.frame import Frame
from widegauge.physics import transfer
from widegauge.stages.mtf import STAGE, MtfPlan

Float64 = NDArray[np.float64]
ANGLES_DEG = (5.0, 40.0, 85.0)
BLUR_PX = 0.35


def camera(sigma_px: float) -> tuple[tuple[float, float], ...]:
    """A camera whose response is a Gaussian of this sigma."""
    f = np.linspace(0.0, 0.75, 151)
    return tuple((float(a), float(b)) for a, b in zip(f, np.exp(-2.0 * (math.pi * sigma_px * f) ** 2), strict=True))


def planned(width_mm: float, width_px: int, *, strength: float = 1.0, **facts: object) -> MtfPlan:
    facts.setdefault("camera_mtf", camera(BLUR_PX))
    return STAGE.plan(STAGE.settings(strength=strength), make_setup(width_mm, width_px, **facts))


def slanted_edge(angle_deg: float, sigma_px: float, side: int = 300) -> NDArray[np.float32]:
    """An edge of contrast 9:1 whose response is that Gaussian, exactly, at any angle."""
    along = np.arange(side) - (side - 1) / 2.0
    angle = math.radians(angle_deg)
    distance = along[None, :] * math.cos(angle) + along[:, None] * math.sin(angle)
    edge = 0.05 + 0.4 * (0.5 + 0.5 * erf(distance / (sigma_px * math.sqrt(2.0))))
    return np.repeat(edge[..., None], 3, axis=2).astype(np.float32)


def edge_response(edge: NDArray[np.float32], angle_deg: float) -> tuple[Float64, Float64]:
    """Frequency (cycles per pixel) and response across a slanted edge of known angle (ISO 12233's e-SFR).

    Pixels are projected on the edge's normal into four bins a pixel; differences of neighbouring bins; a window; the
    modulus of the transform. Bin and difference each take sinc(f/4), which is put back.
    """
    side = edge.shape[0]
    along = np.arange(side) - (side - 1) / 2.0
    angle = math.radians(angle_deg)
    across = along[None, :] * math.cos(angle) + along[:, None] * math.sin(angle)
    down = along[:, None] * math.cos(angle) - along[None, :] * math.sin(angle)
    used = (np.abs(across) < 0.35 * side) & (np.abs(down) < 0.3 * side)
    bins = np.round(4.0 * across[used]).astype(int)
    bins -= bins.min()
    spread = np.diff(np.bincount(bins, weights=edge[used]) / np.bincount(bins))
    response = np.abs(np.fft.rfft(spread * np.hanning(len(spread)), 4096))
    f = np.fft.rfftfreq(4096, 0.25)
    return f, response / response[0] / np.maximum(np.sinc(f / 4.0) ** 2, 0.1)


def test_parts_against_tables() -> None:
    table = reference("mtf")
    for x, response in table["diffraction"]["rows"]:
        found = transfer.diffraction(x / (4.0 * transfer.WAVELENGTH_MM), stop=4.0)
        assert found == pytest.approx(response, abs=table["diffraction"]["digits"])
    for stop, cutoff in table["cutoff"]["rows"]:
        assert 1.0 / (transfer.WAVELENGTH_MM * stop) == pytest.approx(cutoff, abs=table["cutoff"]["digits"])
        assert transfer.diffraction(cutoff + 0.06, stop=stop) == 0.0
        assert transfer.diffraction(0.99 * cutoff, stop=stop) > 0.0
    for f, response in table["pixel"]["rows"]:
        slope = math.pi * 0.000005  # the last printed digit of the frequency
        assert transfer.pixel(f) == pytest.approx(response, abs=table["pixel"]["digits"] + slope)
    for sigma, response in table["gaussian"]["rows"]:
        assert transfer.gaussian(0.5, sigma=sigma) == pytest.approx(response, abs=table["gaussian"]["digits"])
    row = table["emulsion"]
    for f, response in row["rows"]:
        found = transfer.emulsion(f, mtf50_cpmm=row["mtf50_cpmm"], power=row["power"])
        assert found == pytest.approx(response, abs=row["digits"])


def test_disc_against_airy() -> None:
    row = reference("mtf")["disc"]
    assert transfer.disc(row["zero"], diameter=1.0) == pytest.approx(0.0, abs=1e-5)
    assert transfer.disc(row["half"], diameter=1.0) == pytest.approx(0.5, abs=1e-5)
    assert transfer.disc(np.linspace(1.3, 2.2, 901), diameter=1.0).min() == pytest.approx(row["lobe"], abs=5e-5)
    assert transfer.disc(0.0, diameter=5.0) == 1.0


def test_no_lens_beats_diffraction() -> None:
    f = np.linspace(0.0, 120.0, 200)
    assert np.all(transfer.lens(f, mtf50_cpmm=80.0, stop=22.0) <= transfer.diffraction(f, stop=22.0) + 1e-12)
    assert transfer.lens(80.0, mtf50_cpmm=80.0, stop=2.8) == pytest.approx(0.5)


@pytest.mark.parametrize("angle_deg", ANGLES_DEG)
def test_the_measurement_itself(angle_deg: float) -> None:
    """Edges of known response read to 1 % up to Nyquist before any stage touches them."""
    f, found = edge_response(slanted_edge(angle_deg, BLUR_PX)[..., 1], angle_deg)
    used = f <= 0.5
    assert np.abs(found - transfer.gaussian(f, sigma=BLUR_PX))[used].max() < 0.01


@pytest.mark.parametrize("angle_deg", ANGLES_DEG)
@pytest.mark.parametrize(("name", "width_px"), [("15-perf 65", 3840), ("4-perf 35", 1920), ("Super 16", 1920)])
def test_edge_is_the_lesser_of_both(name: str, width_px: int, angle_deg: float) -> None:
    """Each record's edge within 0.03 of min(footage, negative) up to Nyquist."""
    plan = planned(WIDTHS_MM[name], width_px)
    assert plan.acts
    out = STAGE.apply(plan, Frame(1, slanted_edge(angle_deg, BLUR_PX))).rgb
    px_per_mm = width_px / WIDTHS_MM[name]
    for c in range(3):
        f, found = edge_response(out[..., c], angle_deg)
        negative = (
            2.0 ** -((f * px_per_mm / 80.0) ** 1.5)
            / (1.0 + (f * px_per_mm / FINE.mtf50_cpmm[c]) ** 2)
            * 2.0 ** -((f * px_per_mm / 60.0) ** 2)
        )
        expected = np.minimum(transfer.gaussian(f, sigma=BLUR_PX), negative)
        assert np.abs(found - expected)[f <= 0.5].max() < 0.03
        assert out[..., c].min() > 0.05 - 0.01 * 0.4
        assert out[..., c].max() < 0.45 + 0.01 * 0.4


@pytest.mark.parametrize(("name", "width_px"), [("15-perf 65", 3840), ("4-perf 35", 1920), ("Super 16", 3840)])
def test_noise_is_never_raised_and_its_share_is_told(name: str, width_px: int) -> None:
    plan = planned(WIDTHS_MM[name], width_px)
    noise = np.random.default_rng(5).normal(0.2, 0.01, (512, 512, 3)).astype(np.float32)
    frame = STAGE.apply(plan, Frame(1, noise))
    before, after = (np.abs(np.fft.rfft2(x[..., 1] - x[..., 1].mean())) ** 2 for x in (noise, frame.rgb))
    coarse = [x[:512, :256].reshape(32, 16, 32, 8).sum(axis=(1, 3)) for x in (before, after)]
    assert np.all(coarse[1] <= coarse[0] * 10.0**0.01)
    share = float(np.mean(frame.rgb.var(axis=(0, 1)) / noise.var(axis=(0, 1))))
    assert plan.noise_gain == pytest.approx(share, rel=0.02)
    assert frame.noise_left is not None
    assert frame.noise_left == pytest.approx(plan.noise_gain)
    again = STAGE.apply(plan, Frame(1, noise, noise_left=np.full((512, 512), 0.5, np.float32)))
    assert again.noise_left == pytest.approx(0.5 * plan.noise_gain)


@pytest.mark.parametrize(("name", "width_px"), [("15-perf 65", 3840), ("4-perf 35", 1920), ("Super 16", 1920)])
def test_lamps_get_no_dark_ring(name: str, width_px: int) -> None:
    """A small lamp as the camera would blur it: nothing below black by more than 0.02 % of its peak."""
    plan = planned(WIDTHS_MM[name], width_px)
    y, x = np.mgrid[-60:61, -60:61]
    for shift in (0.0, 0.25, 0.5):
        lamp = 1000.0 * np.exp(-((x - shift) ** 2 + (y - shift) ** 2) / (2.0 * BLUR_PX**2))
        out = STAGE.apply(plan, Frame(1, np.repeat(lamp[..., None], 3, axis=2).astype(np.float32))).rgb
        assert np.all(out.min(axis=(0, 1)) > -2e-4 * out.max(axis=(0, 1)))


@pytest.mark.parametrize(("name", "width_px"), [("4-perf 35", 3840), ("Super 16", 1920), ("Super 16", 3840)])
def test_a_lamp_glows_as_on_film(name: str, width_px: int) -> None:
    """A lamp of one pixel: light beyond 4.5 and 8.5 px, by record: that of the negative's own point spread, within 30 %.

    Of a response M it is 1 - 2 pi R times the integral of M(f) J1(2 pi f R) (J. W. Goodman, Introduction to Fourier
    Optics: the Hankel transform, integrated). Nowhere is it darker than farther out, and it is round.
    """
    plan = planned(WIDTHS_MM[name], width_px)
    y, x = np.mgrid[-40:41, -40:41]
    lamp = np.zeros((81, 81, 3), np.float32)
    lamp[40, 40] = 1.0
    out = STAGE.apply(plan, Frame(1, lamp)).rgb.astype(np.float64)
    f, step = np.linspace(0.0, 4.0, 8001, retstep=True)
    px_per_mm = width_px / WIDTHS_MM[name]
    for c in range(3):
        negative = (
            2.0 ** -((f * px_per_mm / 80.0) ** 1.5)
            / (1.0 + (f * px_per_mm / FINE.mtf50_cpmm[c]) ** 2)
            * 2.0 ** -((f * px_per_mm / 60.0) ** 2)
        )
        for radius_px in (4.5, 8.5):
            within = 2.0 * math.pi * radius_px * step * float(np.sum(negative * j1(2.0 * math.pi * f * radius_px)))
            found = float(out[..., c][np.hypot(y, x) > radius_px].sum())
            assert found == pytest.approx(1.0 - within, rel=0.3)
        middle = out[40, 40:64, c]
        assert np.all(np.diff(middle) < 1e-9)
        assert out[40, 45, c] == pytest.approx(out[43, 44, c], rel=0.02)


@pytest.mark.parametrize("name", list(WIDTHS_MM))
def test_a_lamp_takes_no_light_from_the_dark(name: str) -> None:
    """4000 times white on 0.003: what lies around it may gain, not lose more than a float's rounding of the lamp."""
    light = np.full((256, 256, 3), 0.003, np.float32)
    light[126:130, 126:130] = 4000.0
    out = STAGE.apply(planned(WIDTHS_MM[name], 1920), Frame(1, light)).rgb
    assert out.min() > 0.003 - 4000.0 * 3e-7


def test_nothing_where_the_footage_limits() -> None:
    """A soft camera on a sharp negative: the stage is out, and says why."""
    plan = planned(69.6, 3840, camera_mtf=camera(0.7))
    assert not plan.acts
    assert plan.reach_px == 0
    assert "footage limits" in plan.note
    assert all(row.difference is None for row in plan.rows)


def test_a_record_that_is_not_limited_passes_bit_for_bit() -> None:
    plan = planned(69.6, 3840)
    rgb = np.random.default_rng(0).random((300, 280, 3), dtype=np.float32)
    out = STAGE.apply(plan, Frame(1, rgb)).rgb
    assert "limits in R" in plan.note
    assert not np.array_equal(out[..., 0], rgb[..., 0])
    assert np.array_equal(out[..., 2], rgb[..., 2])


@pytest.mark.parametrize("shape", [(64, 64), (270, 333), (5, 700)])
def test_flat_and_light_are_kept(shape: tuple[int, int]) -> None:
    plan = planned(12.52, 1920)
    flat = np.full((*shape, 3), 0.18, np.float32)
    assert np.abs(STAGE.apply(plan, Frame(1, flat)).rgb / 0.18 - 1.0).max() < 2e-6
    dots = np.zeros((*shape, 3), np.float32)
    dots[shape[0] // 2, shape[1] // 2] = 100.0
    total = STAGE.apply(plan, Frame(1, dots)).rgb.sum(axis=(0, 1), dtype=np.float64)
    assert total == pytest.approx([100.0] * 3, rel=1e-4)


def test_mirror_in_mirror_out() -> None:
    plan = planned(24.89, 1920)
    rgb = np.random.default_rng(0).random((120, 160, 3), dtype=np.float32)
    out = STAGE.apply(plan, Frame(1, rgb)).rgb
    turned = STAGE.apply(plan, Frame(1, np.ascontiguousarray(rgb[::-1, ::-1]))).rgb
    assert np.abs(out - turned[::-1, ::-1]).max() < 1e-6


def test_not_stated_is_said_and_is_the_bare_pixel() -> None:
    plan = planned(12.52, 1920, camera_mtf=())
    assert "not stated" in plan.note
    assert plan.rows[3].footage == pytest.approx(2.0 / math.pi, rel=1e-6)


def test_a_proxy_has_the_same_numbers_in_mm() -> None:
    """Half size, half scale: the same responses at the same cycles/mm, so the same MTF50 rows."""
    full, half = planned(12.52, 1920), planned(12.52, 960, scale=0.5)
    for a, b in zip(full.rows[:3], half.rows[:3], strict=True):
        assert a.negative == pytest.approx(b.negative, rel=1e-3)
        if a.footage is not None and b.footage is not None:
            assert a.footage == pytest.approx(b.footage, rel=1e-3)


def test_strength_takes_the_power() -> None:
    whole, half, none = (planned(24.89, 1920, strength=s) for s in (1.0, 0.5, 0.0))
    for a, b in zip(whole.rows[3:], half.rows[3:], strict=True):
        assert a.difference is not None
        assert b.difference is not None
        assert b.difference == pytest.approx(math.sqrt(a.difference))
    assert not none.acts


def test_input_unchanged_same_bytes_again() -> None:
    rgb = np.random.default_rng(0).random((150, 170, 3), dtype=np.float32)
    before = rgb.copy()
    plan = planned(24.89, 1920)
    first, second = STAGE.apply(plan, Frame(1, rgb)).rgb, STAGE.apply(plan, Frame(1, rgb)).rgb
    assert np.array_equal(rgb, before)
    assert np.array_equal(first, second)
    assert first.dtype == np.float32
    assert first.flags.c_contiguous
