"""Grain: its strength against granularity tables, its mean, its independence, and that a place fixes its value."""

from __future__ import annotations

import dataclasses
import math

import numpy as np
import pytest
from conftest import reference
from emulsion_setup import FINE, STOCKS, WIDTHS_MM, make_setup
from numpy.typing import NDArray
from scipy.integrate import quad
from scipy.signal import fftconvolve
from widegauge.frame import Frame
from widegauge.kernels.bands import for_bands
from widegauge.kernels.philox import gauss_row, gauss_table, philox4x32
from widegauge.kernels.speckle import level_index, levels, speckle_rows
from widegauge.physics import emulsion, granularity
from widegauge.stages import grain
from widegauge.stages.grain import STAGE, GrainPlan

GREY = 0.18


def planned(width_mm: float, width_px: int, *, seed: int = 7, strength: float = 1.0, **facts: object) -> GrainPlan:
    return STAGE.plan(STAGE.settings(seed=seed, strength=strength), make_setup(width_mm, width_px, **facts))


def grey_frame(height: int, width: int, *, level: float = GREY, **place: int) -> Frame:
    return Frame(place.pop("number", 1001), np.full((height, width, 3), level, np.float32), **place)


def density(frame: Frame, channel: int) -> NDArray[np.float64]:
    """Density fluctuation of a grey field, as a microdensitometer would see the negative."""
    return FINE.gamma[channel] * np.log10(frame.rgb[..., channel].astype(np.float64) / GREY)


def test_philox_known_answers() -> None:
    """The compiled generator and the same code as Python."""
    for row in reference("philox")["answer"]:
        words = [np.uint32(int(word, 16)) for word in row["counter"] + row["key"]]
        expected = [int(word, 16) for word in row["words"]]
        assert [int(word) for word in philox4x32(*words)] == expected
        with np.errstate(over="ignore"):
            assert [int(word) for word in philox4x32.py_func(*words)] == expected


def test_gauss_table_is_a_gaussian() -> None:
    """Moments of a million draws against those of N(0, 1), within four standard errors."""
    row = np.empty((3, 350_000), np.float32)
    zero = np.uint32(0)
    gauss_row(row, 0, zero, zero, np.uint32(9), np.uint32(7), zero, gauss_table())
    z = row.astype(np.float64).ravel()
    assert abs(z.mean()) < 4e-3
    assert z.std() == pytest.approx(1.0, abs=3e-3)
    assert np.mean(z**4) / np.mean(z**2) ** 2 == pytest.approx(3.0, abs=0.03)
    assert np.abs(np.corrcoef(row)[np.triu_indices(3, 1)]).max() < 7e-3
    assert np.mean(np.abs(z) > 1.959964) == pytest.approx(0.05, abs=1e-3)


def test_aperture_and_selwyn() -> None:
    table = reference("granularity")
    aperture = table["aperture"]
    area = granularity.circle_area_um2(aperture["diameter_um"])
    assert area == pytest.approx(aperture["area_um2"], abs=aperture["area_digits"])
    for pitch_um, factor in table["selwyn"]["rows"]:
        assert granularity.selwyn_factor(pitch_um) == pytest.approx(factor, abs=table["selwyn"]["digits"])
    for width_mm, pitch_um, factor in table["selwyn_formats"]["rows"]:
        assert 1000.0 * width_mm / 4096 == pytest.approx(pitch_um, abs=0.005)
        assert granularity.selwyn_factor(1000.0 * width_mm / 4096) == pytest.approx(factor, abs=0.005)


def test_selwyn_holds_for_large_pixels_and_fails_for_small() -> None:
    """With point-like clouds the pixel follows Selwyn; clouds of 6 um make small pixels quieter than it says."""
    for pitch_um in (12.0, 18.0, 48.0):
        found = granularity.pixel_factor(pitch_um=pitch_um, cloud_um=0.5)
        assert found == pytest.approx(granularity.selwyn_factor(pitch_um), rel=0.02)
    small = granularity.pixel_factor(pitch_um=3.0, cloud_um=6.0) / granularity.selwyn_factor(3.0)
    assert 0.4 < small < 0.6


def test_reading_loss_by_direct_space() -> None:
    """k(a, d) = A times the covariance of two uniform discs' overlaps: the same number without any transform."""

    def overlap(h: float, diameter: float) -> float:
        r = diameter / 2.0
        if h >= diameter:
            return 0.0
        return (2.0 * r * r * math.acos(h / (2.0 * r)) - h / 2.0 * math.sqrt(4.0 * r * r - h * h)) / (math.pi * r * r)

    cloud_um, aperture_um = 6.0, 48.0
    area = math.pi * cloud_um**2 / 4.0
    direct = quad(lambda h: overlap(h, cloud_um) / area * overlap(h, aperture_um) * 2.0 * math.pi * h, 0.0, cloud_um)[0]
    assert granularity.reading_loss(cloud_um=cloud_um) == pytest.approx(direct, rel=1e-3)


def test_boolean_model_is_flat_then_falls_like_the_clouds() -> None:
    """The Boolean model's covariance (Newson, Delon and Galerne 2017) ends at one cloud's diameter, as ours does.

    Its integral is checked against the table; its normalised shape at low coverage is the disc's own overlap, whose
    transform is the power spectrum used here.
    """
    rows = reference("granularity")["boolean"]["rows"]

    def lens(h: float) -> float:
        return 2.0 * math.acos(min(1.0, h / 2.0)) - h / 2.0 * math.sqrt(max(0.0, 4.0 - h * h))

    for coverage, integral in rows:
        rate = -math.log(1.0 - coverage) / math.pi

        def covariance(h: float, rate: float = rate, coverage: float = coverage) -> float:
            return (1.0 - coverage) ** 2 * math.expm1(rate * lens(h))

        found = quad(lambda h, c=covariance: 2.0 * math.pi * h * c(h), 0.0, 2.0)[0]
        assert found == pytest.approx(integral, abs=5e-5)
    thin = 1e-4 / math.pi
    shape = [math.expm1(thin * lens(h)) / math.expm1(thin * lens(0.0)) for h in (0.5, 1.0, 1.5)]
    side, pixel = 64, 2.0 / 9.0
    spectrum = granularity.pixel_spectrum(pitch_um=pixel, cloud_um=2.0)
    covariance_px = np.real(np.fft.ifft2(spectrum))[0]
    ours = np.interp([0.5, 1.0, 1.5], np.arange(side // 2) * pixel, math.pi * covariance_px[: side // 2])
    assert ours == pytest.approx(shape, abs=0.02)


@pytest.mark.parametrize("scan_cpmm", [0.0, 60.0])
@pytest.mark.parametrize("name", list(WIDTHS_MM))
def test_found_granularity_is_the_predicted(name: str, scan_cpmm: float) -> None:
    """A microdensitometer on a grey field: +-2 % at 48 and 96 um, all three records."""
    width_mm = WIDTHS_MM[name]
    setup = make_setup(width_mm, 3840, scan_mtf50_cpmm=scan_cpmm)
    plan = STAGE.plan(STAGE.settings(), setup)
    factor = granularity.pixel_factor(pitch_um=setup.pixel_um, cloud_um=FINE.dye_cloud_um, scan_mtf50_cpmm=scan_cpmm)
    table = emulsion.granularity(FINE, [0.0])[:, 0] / 1000.0
    frames = [STAGE.apply(plan, grey_frame(900, 1200, number=n)) for n in range(3 if name == "Super 16" else 1)]
    for c in range(3):
        fields = [density(frame, c) for frame in frames]
        assert np.std(fields) == pytest.approx(factor * table[c], rel=0.01)
        for aperture_um in (48.0, 96.0):
            window = granularity.aperture_weights(aperture_um / setup.pixel_um)
            found = np.std([fftconvolve(field, window, mode="valid") for field in fields])
            predicted = granularity.predicted_reading(
                plan.taps.astype(np.float64),
                pixel_sigma=factor * float(table[c]),
                pitch_um=setup.pixel_um,
                aperture_um=aperture_um,
            )
            assert found == pytest.approx(predicted, rel=0.02)


def test_fine_raster_reads_the_stocks_table() -> None:
    """At six times UHD's density on 15-perf 65 the reading through 48 um is the data sheet's: +-3 %."""
    plan = planned(69.6, 6 * 3840, scan_mtf50_cpmm=0.0)
    out = STAGE.apply(plan, grey_frame(1200, 1200))
    window = granularity.aperture_weights(48.0 / (69600.0 / (6 * 3840)))
    table = emulsion.granularity(FINE, [0.0])[:, 0]
    for c in range(3):
        found = 1000.0 * fftconvolve(density(out, c), window, mode="valid").std()
        assert found == pytest.approx(table[c], rel=0.03)


def test_formats_compare_as_predicted() -> None:
    """15-perf 65 against 4-perf 35 at UHD: 2.28 times quieter for 6 um clouds without a scan (Selwyn alone: 2.8)."""
    sigma = {}
    for name in ("15-perf 65", "4-perf 35"):
        out = STAGE.apply(planned(WIDTHS_MM[name], 3840, scan_mtf50_cpmm=0.0), grey_frame(512, 1024))
        sigma[name] = density(out, 1).std()
    found = sigma["4-perf 35"] / sigma["15-perf 65"]
    predicted = [
        granularity.pixel_factor(pitch_um=1000.0 * WIDTHS_MM[name] / 3840, cloud_um=6.0)
        for name in ("4-perf 35", "15-perf 65")
    ]
    assert found == pytest.approx(predicted[0] / predicted[1], rel=0.02)
    assert found < WIDTHS_MM["15-perf 65"] / WIDTHS_MM["4-perf 35"]


@pytest.mark.parametrize("name", list(WIDTHS_MM))
def test_mean_is_kept_over_fourteen_stops(name: str) -> None:
    """Linear mean of each tone within 0.2 % (Super 16: 0.5 %), and within what a mean of so many pixels allows."""
    levels_linear = GREY * 2.0 ** np.arange(-7.5, 7.0)
    rgb = np.repeat(np.repeat(levels_linear[None, :, None], 64, axis=1), 3, axis=2).astype(np.float32)
    frame = Frame(3, np.ascontiguousarray(np.repeat(rgb, 1200, axis=0)))
    plan = planned(WIDTHS_MM[name], 3840)
    out = STAGE.apply(plan, frame).rgb
    blocks = out.reshape(1200, len(levels_linear), 64, 3).mean(axis=(0, 2), dtype=np.float64)
    error = out.reshape(1200, len(levels_linear), 64, 3).std(axis=(0, 2), dtype=np.float64) / math.sqrt(1200 * 64)
    shift = np.abs(blocks / levels_linear[:, None] - 1.0)
    assert np.all(shift < (0.005 if name == "Super 16" else 0.002))
    related = float(plan.taps.sum()) ** 2
    assert np.all(shift < 2e-4 + 4.0 * related * error / levels_linear[:, None])


def test_blacks_and_negatives_get_additive_noise() -> None:
    plan = planned(24.89, 3840)
    for level in (0.0, -0.01, plan.floor):
        out = STAGE.apply(plan, grey_frame(400, 400, level=level)).rgb.astype(np.float64)
        sigma = np.sqrt(plan.want[:, 0].astype(np.float64)) * plan.floor
        assert out.std(axis=(0, 1)) == pytest.approx(sigma, rel=0.02)
        assert np.abs(out.mean(axis=(0, 1)) - level).max() < 5.0 * sigma.max() / 400.0


def test_records_share_only_what_they_should() -> None:
    out = STAGE.apply(planned(69.6, 3840), grey_frame(600, 1000)).rgb
    found = np.corrcoef(np.log(out.astype(np.float64)).reshape(-1, 3).T)
    mix = emulsion.coupling_matrix(FINE)
    assert np.abs(found - mix @ mix.T).max() < 0.01


def test_frames_and_seeds_differ() -> None:
    """Correlation below 0.003 between frames, seeds and places: some four standard errors of so many pixels."""
    plan = planned(69.6, 3840)
    first = np.log(STAGE.apply(plan, grey_frame(1400, 1400, number=1)).rgb)
    for other in (
        STAGE.apply(plan, grey_frame(1400, 1400, number=2)),
        STAGE.apply(planned(69.6, 3840, seed=8), grey_frame(1400, 1400, number=1)),
        STAGE.apply(planned(69.6, 3840, seed=7 + 2**40), grey_frame(1400, 1400, number=1)),
        STAGE.apply(plan, grey_frame(1400, 1400, number=1, x_px=64)),
    ):
        for c in range(3):
            r = np.corrcoef(first[..., c].ravel(), np.log(other.rgb[..., c]).ravel())[0, 1]
            assert abs(r) < 0.003


def test_grain_does_not_repeat_within_a_frame() -> None:
    """Beyond its kernel the field's own correlation is that of chance: below six standard errors at every lag."""
    plan = planned(69.6, 3840)
    field = np.log(STAGE.apply(plan, grey_frame(1024, 1024)).rgb[..., 1].astype(np.float64))
    field -= field.mean()
    related = np.real(np.fft.ifft2(np.abs(np.fft.fft2(field)) ** 2)) / (field.var() * field.size)
    reach = len(plan.taps)
    for lag in range(-reach, reach + 1):
        related[lag, np.arange(-reach, reach + 1)] = 0.0
    assert np.abs(related).max() < 6.0 / 1024


def test_a_place_fixes_the_grain() -> None:
    """A window of a frame, left of and above the picture too, equals the frame's; so do any bands of rows."""
    plan = planned(12.52, 1920)
    rgb = np.random.default_rng(1).random((150, 210, 3), dtype=np.float32)
    whole = STAGE.apply(plan, Frame(9, rgb, x_px=-20, y_px=-30)).rgb
    window = STAGE.apply(plan, Frame(9, np.ascontiguousarray(rgb[41:120, 33:175]), x_px=13, y_px=11)).rgb
    assert np.array_equal(whole[41:120, 33:175], window)
    for rows in (1, 7, 150):
        out = np.empty_like(rgb)

        def task(y0: int, y1: int, out: NDArray[np.float32] = out) -> None:
            speckle_rows(
                out, rgb, rgb.view(np.int32), np.empty((0, 0), np.float32), y0, y1, -20, -30, np.uint32(9),
                np.uint32(grain.STREAM), np.uint32(7), np.uint32(0), gauss_table(), plan.taps, plan.mix, plan.want,
                plan.have, plan.base, np.float32(plan.floor), np.float32(1.0),
            )  # fmt: skip

        for_bands(150, task, rows=rows)
        assert np.array_equal(out, whole)


def test_compiled_equals_python() -> None:
    """The loop as Python on a few pixels; float32 sums may round differently, so to 1e-6."""
    plan = planned(12.52, 1920)
    rgb = np.random.default_rng(2).random((2, 3, 3), dtype=np.float32)
    rgb[0, 0] = (0.0, -0.1, 1e-6)
    left = np.full((2, 3), 0.5, np.float32)
    common = (
        np.uint32(9), np.uint32(1), np.uint32(7), np.uint32(0), gauss_table(), plan.taps, plan.mix, plan.want,
        plan.have, plan.base, np.float32(plan.floor), np.float32(0.7),
    )  # fmt: skip
    fast, slow = np.empty_like(rgb), np.empty_like(rgb)
    speckle_rows(fast, rgb, rgb.view(np.int32), left, 0, 2, 5, 6, *common)
    with np.errstate(over="ignore"):
        speckle_rows.py_func(slow, rgb, rgb.view(np.int32), left, 0, 2, 5, 6, *common)
    assert np.abs(fast - slow).max() < 1e-6


def test_only_what_is_missing_is_added() -> None:
    """Footage with noise below the negative's ends at the negative's; above it, pixels pass bit for bit."""
    rng = np.random.default_rng(11)
    want = math.sqrt(float(planned(69.6, 3840).want[1, level_index(GREY) - planned(69.6, 3840).base])) * GREY
    for share, expected in ((0.6, want), (1.5, 1.5 * want)):
        sigma = share * want
        plan = planned(69.6, 3840, noise=((0.01, sigma), (1.0, sigma)))
        noisy = rng.normal(GREY, sigma, (700, 700, 3)).astype(np.float32)
        out = STAGE.apply(plan, Frame(1, noisy)).rgb
        assert out[..., 1].astype(np.float64).std() == pytest.approx(expected, rel=0.01)
        if share > 1.0:
            assert np.array_equal(out[..., 1], noisy[..., 1])


def test_noise_that_other_stages_took_away_is_made_up() -> None:
    """The finished noise is the greater of both, sharp or blurred: a footage noisier than the negative stays even."""
    want = math.sqrt(float(planned(69.6, 3840).want[1, level_index(GREY) - planned(69.6, 3840).base])) * GREY
    plan = planned(69.6, 3840, noise=((0.01, 1.5 * want), (1.0, 1.5 * want)))
    left = np.zeros((400, 400), np.float32)
    left[:, 200:] = 1.0
    out = STAGE.apply(plan, dataclasses.replace(grey_frame(400, 400), noise_left=left)).rgb[..., 1].astype(np.float64)
    assert out[:, :200].std() == pytest.approx(1.5 * want, rel=0.02)
    assert np.all(out[:, 200:] == np.float32(GREY))


def test_strength_and_identity() -> None:
    full = STAGE.apply(planned(69.6, 3840), grey_frame(400, 400)).rgb.astype(np.float64)
    half = STAGE.apply(planned(69.6, 3840, strength=0.5), grey_frame(400, 400)).rgb.astype(np.float64)
    assert np.log(half[..., 1]).std() == pytest.approx(0.5 * np.log(full[..., 1]).std(), rel=1e-3)
    none = planned(69.6, 3840, strength=0.0)
    assert not none.acts
    assert none.note
    frame = Frame(1, np.random.default_rng(0).random((50, 60, 3), dtype=np.float32))
    assert np.array_equal(STAGE.apply(none, frame).rgb, frame.rgb)


def test_exposure_moves_grain_along_the_curve() -> None:
    """A footage gain of one stop puts 0.09 where 0.18 was; over-exposing the negative makes grey finer."""
    plain, lifted = planned(69.6, 3840), planned(69.6, 3840, exposure_stops=1.0)
    assert lifted.floor == pytest.approx(plain.floor / 2.0)
    assert lifted.rows[2].negative == pytest.approx(plain.rows[2].negative)
    over = planned(69.6, 3840, negative_stops=1.0)
    assert over.rows[2].negative < plain.rows[2].negative


@pytest.mark.parametrize("name", ["15-perf 65", "Super 16"])
def test_proxy_agrees_in_strength_and_spectrum(name: str) -> None:
    """Full size averaged 2 x 2 against a proxy of one half: sigma and neighbour correlation within 2 %."""
    width_mm = WIDTHS_MM[name]
    full = np.log(STAGE.apply(planned(width_mm, 3840), grey_frame(1200, 1200)).rgb[..., 1].astype(np.float64))
    smaller = full.reshape(600, 2, 600, 2).mean(axis=(1, 3))
    proxy = np.log(STAGE.apply(planned(width_mm, 1920), grey_frame(600, 600)).rgb[..., 1].astype(np.float64))

    def next_to(field: NDArray[np.float64]) -> float:
        return float(np.corrcoef(field[:, :-1].ravel(), field[:, 1:].ravel())[0, 1])

    assert proxy.std() == pytest.approx(smaller.std(), rel=0.02)
    assert next_to(proxy) == pytest.approx(next_to(smaller), abs=0.02)


def test_input_unchanged_and_contiguous_float32() -> None:
    frame = Frame(1, np.random.default_rng(0).random((64, 80, 3), dtype=np.float32))
    before = frame.rgb.copy()
    out = STAGE.apply(planned(69.6, 1920), frame)
    assert np.array_equal(frame.rgb, before)
    assert out.rgb.dtype == np.float32
    assert out.rgb.flags.c_contiguous


def test_levels_follow_the_float_grid() -> None:
    middle = levels(0.01, 100)
    assert [level_index(value) - level_index(0.01) for value in middle] == list(range(100))


@pytest.mark.parametrize("name", sorted(STOCKS))
def test_rows_add_in_quadrature(name: str) -> None:
    plan = planned(24.89, 3840, stock=STOCKS[name], noise=((0.18, 0.004),))
    assert len(plan.rows) == 4
    for row in plan.rows:
        assert row.footage is not None
        assert row.negative is not None
        assert row.difference is not None
        assert row.difference == pytest.approx(math.sqrt(max(0.0, row.negative**2 - row.footage**2)))
    assert plan.rows[1].footage == pytest.approx(0.004 / 0.18 / math.log(2.0))


@pytest.mark.slow
def test_clouds_dropped_at_random() -> None:
    """Discs of 6 um dropped at random, by counting alone: pixel over aperture, and the next pixel, as predicted.

    No spectrum and no transfer function: points in micrometre cells, discs as masks, pixels and apertures as means.
    Eight fields of 3 mm; the aperture's sigma is then known to 0.4 %.
    """
    pitch_um, side_um = 18, 2988
    y, x = np.mgrid[-3:4, -3:4]
    cloud = (np.hypot(y, x) <= 3.0).astype(np.float64)
    y, x = np.mgrid[-24:25, -24:25]
    aperture = (np.hypot(y, x) <= 24.0).astype(np.float64)
    cloud_um = 2.0 * math.sqrt(cloud.sum() / math.pi)
    aperture_um = 2.0 * math.sqrt(aperture.sum() / math.pi)
    rng = np.random.default_rng(12)
    pixels, readings, neighbours = [], [], []
    for _ in range(8):
        layer = fftconvolve(rng.poisson(0.05, (side_um, side_um)).astype(np.float64), cloud, mode="same")
        field = layer.reshape(side_um // pitch_um, pitch_um, side_um // pitch_um, pitch_um).mean(axis=(1, 3))[
            1:-1, 1:-1
        ]
        pixels.append(field.var())
        neighbours.append(np.mean((field[:, 1:] - field.mean()) * (field[:, :-1] - field.mean())))
        readings.append(fftconvolve(layer, aperture / aperture.sum(), mode="valid")[::6, ::6].var())
    found = math.sqrt(np.mean(pixels) / np.mean(readings))
    spectrum = granularity.pixel_spectrum(pitch_um=pitch_um, cloud_um=cloud_um)
    level = granularity.spectrum_level_um2(1.0, cloud_um=cloud_um, aperture_um=aperture_um)
    assert found == pytest.approx(math.sqrt(float(spectrum.mean()) * level), rel=0.015)
    predicted = float(np.real(np.fft.ifft2(spectrum))[0, 1] / spectrum.mean())
    assert np.mean(neighbours) / np.mean(pixels) == pytest.approx(predicted, abs=0.008)
