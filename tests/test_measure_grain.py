"""The microdensitometer: noise of known strength and shape comes back, at the level it has, as sure as it says."""

from __future__ import annotations

import math

import numpy as np
import pytest
from conftest import reference
from emulsion_setup import FINE, WIDTHS_MM, make_setup
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter
from scipy.signal import fftconvolve
from widegauge.frame import Frame
from widegauge.measure.granularity import GrainFound, flat_places, measure_grain, patches_at
from widegauge.measure.refusal import RefusalError
from widegauge.stages import grain

PITCH_UM = 16.0
GREY = 0.18


def grainy(
    shape: tuple[int, ...], sigma: float, *, seed: int, level: float = GREY, soft_px: float = 0.0
) -> NDArray[np.float64]:
    """(F, P, H, W, 3) light whose density fluctuates by sigma in every record: D = gamma log10 E."""
    rng = np.random.default_rng(seed)
    noise = rng.normal(0.0, sigma, (*shape, 3))
    if soft_px > 0.0:
        noise = gaussian_filter(noise, (0.0, 0.0, soft_px, soft_px, 0.0), mode="wrap")
    return level * 10.0 ** (noise / np.asarray(FINE.gamma))


def measured(patches: NDArray[np.floating], **facts: float) -> GrainFound:
    return measure_grain(patches, stock=FINE, pitch_um=facts.pop("pitch_um", PITCH_UM), **facts)


def circle(diameter_px: float) -> NDArray[np.float64]:
    """Share of a circle on each pixel, by points on a fine grid: written for these tests."""
    reach = math.ceil(diameter_px / 2.0 + 1.0)
    fine = (np.arange(41 * (2 * reach + 1)) + 0.5) / 41.0 - reach - 0.5
    inside = (fine[:, None] ** 2 + fine[None, :] ** 2 <= diameter_px**2 / 4.0).astype(float)
    share = inside.reshape(2 * reach + 1, 41, 2 * reach + 1, 41).mean(axis=(1, 3))
    return share / share.sum()


@pytest.mark.parametrize("aperture_um", [48.0, 96.0])
def test_white_noise_of_known_sigma(aperture_um: float) -> None:
    """Through a circle white noise falls by the root of the sum of squared shares: within 2 %."""
    found = measured(grainy((3, 2, 256, 256), 0.02, seed=1), aperture_um=aperture_um)
    expected = 20.0 * math.sqrt(float((circle(aperture_um / PITCH_UM) ** 2).sum()))
    assert found.readings[0].aperture_um == aperture_um
    assert found.readings[0].found == pytest.approx([expected] * 3, rel=0.02)
    assert found.pixel.found == pytest.approx([20.0] * 3, rel=0.005)
    flat = 0.02**2 * PITCH_UM**2
    assert found.spectrum.mean(axis=1) == pytest.approx([flat] * 3, rel=0.02)
    assert np.abs(found.spectrum[:, 4:] / flat - 1.0).max() < 6.0 * found.spectrum_error[4]


def test_shaped_noise_of_known_spectrum() -> None:
    """Noise softened by a Gaussian: readings by convolving the two kernels, spectrum by the Gaussian's transform."""
    sigma, soft = 0.05, 1.2
    found = measured(grainy((3, 3, 256, 256), sigma, seed=2, soft_px=soft))
    impulse = np.zeros((65, 65))
    impulse[32, 32] = 1.0
    kernel = gaussian_filter(impulse, soft, mode="wrap")
    assert found.pixel.found == pytest.approx([1000.0 * sigma * math.sqrt((kernel**2).sum())] * 3, rel=0.02)
    for reading in found.readings[:2]:
        both = fftconvolve(kernel, circle(reading.aperture_um / PITCH_UM))
        assert reading.found == pytest.approx([1000.0 * sigma * math.sqrt((both**2).sum())] * 3, rel=0.02)
    cpp = found.frequency_cpmm * PITCH_UM / 1000.0
    expected = sigma**2 * PITCH_UM**2 * np.exp(-4.0 * (math.pi * soft * cpp) ** 2)
    used = cpp < 0.2
    assert (found.spectrum[:, used] / expected[used]).mean() == pytest.approx(1.0, abs=0.03)


def test_selwyn() -> None:
    """sigma sqrt(A) of large apertures is sigma times the pitch (Selwyn's law): records' mean within 4 % or 2 errors."""
    assert reference("granularity")["aperture"]["diameter_um"] == 48.0
    pitch_um = 6.0
    found = measured(grainy((4, 2, 320, 320), 0.02, seed=3), aperture_um=96.0, pitch_um=pitch_um)
    assert [reading.aperture_um for reading in found.readings] == [96.0, 192.0, 384.0]
    for reading in found.readings:
        root_um = reading.aperture_um * math.sqrt(math.pi) / 2.0
        share = max(0.04, 2.0 * float(np.mean(reading.error) / np.mean(reading.found)))
        assert np.mean(reading.found) * root_um == pytest.approx(20.0 * pitch_um, rel=share)


def test_as_sure_as_it_says() -> None:
    """Readings of 20 independent fields scatter by their stated standard error, within 30 %."""
    for soft in (0.0, 0.7):
        pulls = {0: [], 1: []}
        for seed in range(20):
            found = measured(grainy((1, 1, 96, 96), 0.02, seed=100 + seed, soft_px=soft))
            for i, pull in pulls.items():
                pull.append((found.readings[i].found, found.readings[i].error))
        for pull in pulls.values():
            values, errors = (np.array(each) for each in zip(*pull, strict=True))
            assert values.std(axis=0).mean() == pytest.approx(errors.mean(), rel=0.3)


def test_density_of_the_level() -> None:
    """Mid-grey lies on the stock's aim; a stop more on the straight line by 0.3 gamma; below the toe on base and fog."""
    grey = measured(grainy((1, 1, 64, 64), 0.01, seed=4))
    assert grey.density == pytest.approx(FINE.grey_density, abs=0.01)
    assert grey.exposure_stops == pytest.approx(0.0, abs=0.02)
    brighter = measured(grainy((1, 1, 64, 64), 0.01, seed=4), negative_stops=1.0)
    assert np.subtract(brighter.density, grey.density) == pytest.approx(0.301 * np.asarray(FINE.gamma), abs=0.006)
    dark = measured(np.random.default_rng(5).normal(2e-4, 1e-5, (1, 1, 64, 64, 3)))
    assert dark.density == pytest.approx(FINE.density[0], abs=0.003)
    toe = 0.18 * 10.0 ** FINE.log_exposure[0]
    assert dark.pixel.found == pytest.approx(1000.0 * np.asarray(FINE.gamma) * 1e-5 / toe / math.log(10.0), rel=0.05)


def test_shading_is_no_grain() -> None:
    """A patch whose light varies by a seventh reads as an even one, within 1 %."""
    patches = grainy((2, 1, 256, 256), 0.01, seed=6)
    y, x = np.mgrid[-1:1:256j, -1:1:256j]
    shade = (1.0 + 0.04 * x - 0.03 * y - 0.04 * (x * x + y * y))[..., None]
    even, uneven = measured(patches), measured(patches * shade)
    assert uneven.readings[0].found == pytest.approx(even.readings[0].found, rel=0.01)


def test_correlations() -> None:
    """A known share of common noise; frames that repeat."""
    rng = np.random.default_rng(7)
    own, common = rng.normal(0.0, 0.01, (2, 1, 256, 256, 3)), rng.normal(0.0, 0.01, (2, 1, 256, 256, 1))
    mixed = math.sqrt(0.7) * own + math.sqrt(0.3) * common
    found = measured(GREY * 10.0 ** (mixed / np.asarray(FINE.gamma)))
    assert found.channels[np.triu_indices(3, 1)] == pytest.approx([0.3] * 3, abs=0.01)
    assert found.between_frames is not None
    assert np.abs(found.between_frames).max() < 4.0 * found.correlation_error
    still = np.repeat(grainy((1, 1, 64, 64), 0.01, seed=8), 2, axis=0)
    assert measured(still).between_frames == pytest.approx([1.0] * 3)
    assert measured(still[:1]).between_frames is None


@pytest.mark.parametrize("width_mm", WIDTHS_MM.values(), ids=WIDTHS_MM.keys())
def test_finds_the_grain_stage(width_mm: float) -> None:
    """Blind: from finished pixels and the stock alone, found and predicted agree within 2 % (or 3 errors) at UHD."""
    setup = make_setup(width_mm, 3840, scan_mtf50_cpmm=60.0)
    planned = grain.STAGE.plan(grain.STAGE.settings(seed=7), setup)
    frames = [
        grain.STAGE.apply(planned, Frame(number, np.full((384, 384, 3), GREY, np.float32))).rgb for number in (1, 2, 3)
    ]
    found = measured(np.stack(frames)[:, None], pitch_um=setup.pixel_um, scan_mtf50_cpmm=60.0)
    for reading in (found.pixel, *found.readings[:2]):
        for sigma, error, predicted in zip(reading.found, reading.error, reading.predicted, strict=True):
            assert sigma == pytest.approx(predicted, abs=max(0.02 * predicted, 3.0 * error))
    assert found.channels == pytest.approx(found.coupling, abs=0.02)


def test_flat_places_leave_texture_out() -> None:
    rng = np.random.default_rng(9)
    scene = np.full((256, 512, 3), 0.05)
    scene[:, 256:] = 0.8
    y, x = np.mgrid[:128, :256]
    scene[:128, :256] *= (1.0 + 0.3 * np.sin(x / 9.0) * np.sin(y / 7.0))[..., None]
    frame = scene * 10.0 ** rng.normal(0.0, 0.01, scene.shape)
    groups = flat_places(frame)
    assert [len(group) for group in groups] == [8, 16]
    assert all(y >= 128 and x < 256 for x, y in groups[0])
    patches = patches_at([frame, frame], groups[0], width_px=64, height_px=64)
    assert patches.shape == (2, 8, 64, 64, 3)


def test_refused() -> None:
    with pytest.raises(RefusalError, match="too small"):
        measured(grainy((1, 1, 40, 90), 0.01, seed=1))
    y, x = np.mgrid[:128, :128]
    wavy = grainy((1, 1, 128, 128), 0.01, seed=1) * (1.0 + 0.1 * np.sin(x / 6.0) * np.cos(y / 7.0))[..., None]
    with pytest.raises(RefusalError, match="not flat"):
        measured(wavy)
    with pytest.raises(RefusalError, match="no light"):
        measured(np.zeros((1, 1, 64, 64, 3)))
    with pytest.raises(RefusalError, match="not numbers"):
        measured(np.full((1, 1, 64, 64, 3), np.nan))
    with pytest.raises(RefusalError, match="wider than a quarter"):
        measured(grainy((1, 1, 64, 64), 0.01, seed=1), aperture_um=400.0)
