"""Granularity: a microdensitometer that reads finished frames as if they were the negative.

Linear light is turned into density: the level by the stock's curve, fluctuations by its straight-line gamma, D = gamma
log10 E, because that is how grain lies in the picture at every level. RMS granularity is 1000 times the standard
deviation of D through a round aperture (ISO 10505: 48 um). Selwyn's law makes sigma sqrt(A) the same for all apertures
that are large against grains and pixels; the noise power spectrum is the squared Fourier modulus for an area (J. C.
Dainty and R. Shaw, Image Science, 1974). What is predicted is what the pixels of such a raster would show: the
stock's dye clouds, the pixel's own aperture and the scan, with nothing of the footage's own noise.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from itertools import pairwise

import numpy as np
import numpy.typing as npt
from scipy.signal import fftconvolve

from widegauge.measure.doubt import grain_doubts
from widegauge.measure.refusal import RefusalError
from widegauge.physics import emulsion, granularity
from widegauge.physics.emulsion import Stock
from widegauge.physics.granularity import READING_APERTURE_UM, SPECTRUM_SAMPLES

Float64 = npt.NDArray[np.float64]

TILE_PX = SPECTRUM_SAMPLES
"""Side of the squares that the spectrum is taken from: the sampling of the predicted one."""

LARGEST_APERTURE_SHARE = 0.25
"""Apertures are not read above this share of a patch's shorter side: too few places would be independent."""

SHADING_TERMS = 6
"""Terms of the surface (1, x, y, x^2, xy, y^2) that is taken from every patch before its noise is read."""

NO_NOISE = 1e-6
"""Standard deviation of density below which there is no grain at all."""

MOST_EQUAL_FRAC = 0.1
"""Share of pixels with just the same highest or lowest value above which they are clipped; of 8-bit codes in a
narrow spread some share it by chance."""

LOWEST_RING = 3
"""Waves of fewer periods than this across a tile are left out of spectra: the surface has taken part of them."""

MOST_RELIEF = (1.6, 2.6)
"""Noise power of the longest waves over that of longer ones, and of these over shorter ones, above which a patch
counts as not flat. White noise has 0.9 and 1.0, noise softened by a Gaussian of 0.8 pixels 1.0 and 1.5; relief whose
power falls with the square of the frequency 4 and 5.5 (simulated)."""

RELIEF_SIGMA = (0.57, 0.5)
"""Standard deviation of these ratios for a single tile of noise (simulated); four of them are allowed on top."""

_LONGEST_CPP, _LONGER_CPP, _SHORTER_CPP = (0.014, 0.041), (0.042, 0.08), (0.11, 0.17)


@dataclass(frozen=True, slots=True)
class Reading:
    """1000 sigma_D of R, G, B through a round aperture: found, its standard error, and predicted from the stock."""

    aperture_um: float
    found: tuple[float, ...]
    error: tuple[float, ...]
    predicted: tuple[float, ...]


@dataclass(frozen=True, slots=True)
class GrainFound:
    """The grain of patches at one level of light.

    exposure_stops       level of green above mid-grey on the negative
    density              of R, G, B, by the stock's curve
    frames, patches      how many were read
    readings             the nominal aperture first, then larger ones
    pixel                1000 sigma_D of single pixels (aperture_um is the pitch)
    frequency_cpmm       (K,) of the spectra
    spectrum, predicted_spectrum   (3, K) in um^2 D^2, radial means
    spectrum_error       (K,) relative standard error
    channels, coupling   (3, 3) correlation between records: found, and the stock's
    between_frames       correlation of the records between neighbouring frames; None with one frame
    correlation_error    standard error of a correlation
    doubts               what makes the numbers less sure, a sentence each
    """

    exposure_stops: float
    density: tuple[float, ...]
    frames: int
    patches: int
    readings: tuple[Reading, ...]
    pixel: Reading
    frequency_cpmm: Float64
    spectrum: Float64
    predicted_spectrum: Float64
    spectrum_error: Float64
    channels: Float64
    coupling: Float64
    between_frames: tuple[float, ...] | None
    correlation_error: float
    doubts: tuple[str, ...] = ()


def measure_grain(
    patches: npt.NDArray[np.floating],
    *,
    stock: Stock,
    pitch_um: float,
    scan_mtf50_cpmm: float = 0.0,
    footage_stops: float = 0.0,
    negative_stops: float = 0.0,
    aperture_um: float = READING_APERTURE_UM,
) -> GrainFound:
    """The grain of flat patches.

    patches          (F, P, H, W, 3) scene-linear light: the same P patches in F frames, H and W at least 64
    pitch_um         of the pixels on the negative
    scan_mtf50_cpmm  of the scan, for the prediction; 0 for none
    footage_stops    gain that brings mid-grey to 0.18; negative_stops over-exposes the negative

    RefusalError when patches are too small, not flat, or mostly without light.
    """
    frames, count, height, width = patches.shape[:4]
    if min(height, width) < TILE_PX:
        raise RefusalError(
            f"a region of {width} x {height} pixels is too small for grain", f"take at least {TILE_PX} x {TILE_PX}"
        )
    stops = {"footage_stops": footage_stops, "negative_stops": negative_stops}
    level, noise = _density_noise(patches, stock, stops)
    if noise.std() < NO_NOISE:
        raise RefusalError("the region has no grain at all: its pixels are alike", "choose a picture that has some")
    relief = flatness(noise[..., 1])
    if relief > 1.0:
        raise RefusalError(
            f"the region is not flat: its long waves are {relief:.1f} times as strong as noise could have them",
            "choose an evenly lit, untextured region",
        )
    _refuse_clipped(patches)
    spectrum = _spectra(noise)
    wanted = _wanted(pitch_um, stock.dye_cloud_um, scan_mtf50_cpmm)
    at_48 = np.array([math.sqrt(float(np.mean(_granularity(stock, level[..., c], c) ** 2))) for c in range(3)])
    apertures = [aperture_um * 2.0**i for i in range(4)]
    apertures = [a for a in apertures if a <= LARGEST_APERTURE_SHARE * min(height, width) * pitch_um]
    if not apertures:
        raise RefusalError(
            f"an aperture of {aperture_um:g} um is wider than a quarter of the region",
            "choose a larger region, or a smaller aperture",
        )
    f, radial, radial_error = _radial(spectrum, noise)
    mixing = emulsion.coupling_matrix(stock)
    together, between = _correlations(noise)
    mean_level = level.mean(axis=(0, 1))
    together_error = math.sqrt(_tied(np.ones((1, 1)), radial[1]) / (max(1, frames - 1) * noise[0, ..., 0].size))
    return GrainFound(
        exposure_stops=float(mean_level[1]) / emulsion.LOG10_PER_STOP,
        density=tuple(float(emulsion.density(stock, mean_level[c : c + 1])[c, 0]) for c in range(3)),
        frames=frames,
        patches=count,
        readings=tuple(_read(noise, radial, a, pitch_um, _predicted(wanted, a / pitch_um) * at_48) for a in apertures),
        pixel=_read(noise, radial, None, pitch_um, math.sqrt(float(wanted.mean())) * at_48),
        frequency_cpmm=f * 1000.0 / pitch_um,
        spectrum=radial * pitch_um**2,
        predicted_spectrum=_radial_mean(wanted)[1] * (at_48[:, None] / 1000.0) ** 2 * pitch_um**2,
        spectrum_error=radial_error,
        channels=together,
        coupling=mixing @ mixing.T,
        between_frames=between,
        correlation_error=together_error,
        doubts=grain_doubts(noise, between, together_error),
    )


def _refuse_clipped(patches: npt.NDArray[np.floating]) -> None:
    """Refuse pixels of which many share the highest or the lowest value."""
    for plane in np.moveaxis(patches, -1, 0):
        for word, end, remedy in (("highest", plane.max(), "lower"), ("lowest", plane.min(), "higher")):
            share = float((plane == end).mean())
            if share > MOST_EQUAL_FRAC:
                raise RefusalError(
                    f"clipped: {100 * share:.0f} % of the region's pixels have just the same {word} value",
                    f"expose {remedy}, or choose another region",
                )


def flatness(noise: Float64) -> float:
    """Strength of long waves in (..., H, W), over what noise alone could have: above 1 there is relief."""
    power = _spectra(noise[..., None])[0]
    f = np.fft.fftfreq(TILE_PX)
    radius = np.hypot(f[:, None], f[None, :])
    bands = [
        float(power[(radius >= low) & (radius <= high)].mean())
        for low, high in (_LONGEST_CPP, _LONGER_CPP, _SHORTER_CPP)
    ]
    tiles = max(1, noise.size // TILE_PX**2)
    worst = 0.0
    for (long, short), most, sigma in zip(pairwise(bands), MOST_RELIEF, RELIEF_SIGMA, strict=True):
        if long > 0.0:
            worst = max(worst, long / (short * (most + 4.0 * sigma / math.sqrt(tiles))) if short > 0.0 else math.inf)
    return worst


def flat_places(
    rgb: npt.NDArray[np.floating], *, side_px: int = TILE_PX, most: int = 48, lowest_linear: float = 1e-4
) -> list[list[tuple[int, int]]]:
    """Corners (x, y) of squares that are flat enough to read, grouped by stops of green light, dark to bright.

    All light below ``lowest_linear`` is one group. Squares are judged by ``flatness``; of each group the ``most``
    flattest are kept. Squares with values at or below zero, and those in which light varies by more than a third of
    a stop, are left out.
    """
    groups: dict[int, list[tuple[float, int, int]]] = {}
    height, width = rgb.shape[:2]
    for y in range(0, height - side_px + 1, side_px):
        for x in range(0, width - side_px + 1, side_px):
            green = rgb[y : y + side_px, x : x + side_px, 1].astype(np.float64)
            mean = float(green.mean())
            if mean <= 0.0 or green.min() <= 0.0 or rgb[y : y + side_px, x : x + side_px].min() <= 0.0:
                continue
            quarters = green.reshape(2, side_px // 2, 2, side_px // 2).mean(axis=(1, 3))
            if quarters.max() > 1.25 * quarters.min():
                continue
            noise = _shadeless(np.log10(green)[None])[0]
            if noise.std() == 0.0:
                continue
            relief = flatness(noise)
            if relief <= 1.0:
                groups.setdefault(round(math.log2(max(mean, lowest_linear) / emulsion.MID_GREY_LINEAR)), []).append(
                    (relief, x, y)
                )
    return [[(x, y) for _, x, y in sorted(groups[stop])[:most]] for stop in sorted(groups)]


@lru_cache(maxsize=8)
def _wanted(pitch_um: float, cloud_um: float, scan_mtf50_cpmm: float) -> Float64:
    """(64, 64) power spectrum of pixels for sigma_D = 1 through 48 um; its mean is their variance."""
    level = granularity.spectrum_level_um2(1.0, cloud_um=cloud_um)
    return level * granularity.pixel_spectrum(pitch_um=pitch_um, cloud_um=cloud_um, scan_mtf50_cpmm=scan_mtf50_cpmm)


def _granularity(stock: Stock, log10_exposure: Float64, record: int) -> Float64:
    """1000 sigma_D through 48 um of one record, at log exposures of any shape, flattened."""
    return np.asarray(emulsion.granularity(stock, log10_exposure.ravel())[record])


def _density_noise(patches: npt.NDArray[np.floating], stock: Stock, stops: dict[str, float]) -> tuple[Float64, Float64]:
    """log10 exposure of each patch (F, P, 3), and fluctuations of density (F, P, H, W, 3) without shading.

    Below the toe's light log10 goes on as a straight line, because noise is additive there.
    """
    light = patches.astype(np.float64)
    if not np.isfinite(light).all():
        raise RefusalError("the region holds values that are not numbers", "choose another region, or heal the picture")
    mean = light.mean(axis=(2, 3))
    if (mean <= 0.0).any():
        raise RefusalError("the region has no light", "choose a region brighter than black")
    toe = emulsion.toe_linear(stock, **stops)
    log = np.where(
        light > toe, np.log10(np.maximum(light, toe)), math.log10(toe) + (light / toe - 1.0) / math.log(10.0)
    )
    noise = np.moveaxis(_shadeless(np.moveaxis(log, -1, 0)), 0, -1)
    return emulsion.log_exposure(np.maximum(mean, toe), **stops), noise * np.asarray(stock.gamma)


def _shadeless(planes: Float64) -> Float64:
    """(..., H, W) less the least-squares surface of second order."""
    height, width = planes.shape[-2:]
    basis = _surfaces(height, width)
    flat = planes.reshape(-1, height * width)
    rest: Float64 = flat - (flat @ basis) @ basis.T
    return rest.reshape(planes.shape)


@lru_cache(maxsize=4)
def _surfaces(height: int, width: int) -> Float64:
    """(H W, 6): orthonormal surfaces up to second order."""
    y, x = np.meshgrid(np.linspace(-1, 1, height), np.linspace(-1, 1, width), indexing="ij")
    terms = np.stack([np.ones_like(x), x, y, x * x, x * y, y * y]).reshape(SHADING_TERMS, -1)
    return np.asarray(np.linalg.qr(terms.T)[0])


@lru_cache(maxsize=32)
def _taken(height: int, width: int, diameter_px: float) -> float:
    """Share of the variance of white noise, read through an aperture, that went with the surfaces."""
    weights = granularity.aperture_weights(diameter_px) if diameter_px > 0.0 else np.ones((1, 1))
    surfaces = _surfaces(height, width).T.reshape(SHADING_TERMS, height, width)
    read = fftconvolve(surfaces, weights[None], mode="valid", axes=(1, 2))
    return float((read * read).sum(axis=0).mean() / (weights * weights).sum())


def _tiles(noise: Float64) -> Float64:
    """(..., H, W, C) cut into (N, 64, 64, C) from the middle outwards."""
    height, width, channels = noise.shape[-3:]
    rows, columns = height // TILE_PX, width // TILE_PX
    y, x = (height - rows * TILE_PX) // 2, (width - columns * TILE_PX) // 2
    cut = noise.reshape(-1, height, width, channels)[:, y : y + rows * TILE_PX, x : x + columns * TILE_PX]
    cut = cut.reshape(-1, rows, TILE_PX, columns, TILE_PX, channels).transpose(0, 1, 3, 2, 4, 5)
    return np.ascontiguousarray(cut.reshape(-1, TILE_PX, TILE_PX, channels))


def _spectra(noise: Float64) -> Float64:
    """(C, 64, 64) mean power spectrum under a Hann window; its mean is the variance."""
    ramp = np.hanning(TILE_PX + 1)[:-1]
    window = ramp[:, None] * ramp[None, :]
    tiles = _tiles(noise)
    power = np.zeros((noise.shape[-1], TILE_PX, TILE_PX))
    for tile in tiles:
        power += np.abs(np.fft.fft2(np.moveaxis(tile, -1, 0) * window)) ** 2
    return power / (len(tiles) * float((window * window).sum()))


def _radial_mean(power: Float64) -> tuple[Float64, Float64, Float64]:
    """Frequencies in cycles per pixel up to 1/2, means over rings of (..., 64, 64), and how many values each has."""
    f = np.fft.fftfreq(TILE_PX)
    ring = np.rint(np.hypot(f[:, None], f[None, :]) * TILE_PX).astype(np.int64).ravel()
    number = np.bincount(ring).astype(np.float64)
    k = np.arange(LOWEST_RING, TILE_PX // 2 + 1)
    planes = power.reshape(-1, TILE_PX * TILE_PX)
    means = np.stack([np.bincount(ring, weights=plane)[k] / number[k] for plane in planes])
    return k / TILE_PX, means.reshape(*power.shape[:-2], k.size), number[k]


def _radial(spectrum: Float64, noise: Float64) -> tuple[Float64, Float64, Float64]:
    f, means, number = _radial_mean(spectrum)
    tiles = noise[..., 0].size // TILE_PX**2
    # a Hann window leaves 1/2.25 of the values independent, and half of them mirror the others
    return f, means, np.sqrt(2.0 * 2.25 / (tiles * number))


def _predicted(spectrum: Float64, diameter_px: float) -> float:
    """sigma through a round aperture on a raster with this power spectrum: covariance x the aperture's own."""
    weights = granularity.aperture_weights(diameter_px)
    covariance = np.fft.fftshift(np.real(np.fft.ifft2(spectrum)))
    overlap = fftconvolve(weights, weights[::-1, ::-1])
    half = min(overlap.shape[0] // 2, TILE_PX // 2 - 1)
    middle, centre = overlap.shape[0] // 2, TILE_PX // 2
    cut = overlap[middle - half : middle + half + 1, middle - half : middle + half + 1]
    return math.sqrt(
        float((cut * covariance[centre - half : centre + half + 1, centre - half : centre + half + 1]).sum())
    )


def _read(noise: Float64, radial: Float64, aperture_um: float | None, pitch_um: float, predicted: Float64) -> Reading:
    """One aperture over all its places; None reads single pixels."""
    weights = np.ones((1, 1)) if aperture_um is None else granularity.aperture_weights(aperture_um / pitch_um)
    kept = 1.0 - _taken(noise.shape[2], noise.shape[3], 0.0 if aperture_um is None else aperture_um / pitch_um)
    variances, errors = [], []
    for c in range(3):
        planes = noise[..., c].reshape(-1, *noise.shape[2:4])
        read = planes if aperture_um is None else fftconvolve(planes, weights[None], mode="valid", axes=(1, 2))
        independent = read.size / _tied(weights, radial[c])
        variances.append(float(np.mean(read * read)) / kept)
        errors.append(1.0 / math.sqrt(2.0 * max(1.0, independent)))
    sigma = [1000.0 * math.sqrt(v) for v in variances]
    return Reading(
        aperture_um=pitch_um if aperture_um is None else aperture_um,
        found=tuple(sigma),
        error=tuple(s * e for s, e in zip(sigma, errors, strict=True)),
        predicted=tuple(float(p) for p in predicted),
    )


def _tied(weights: Float64, radial: Float64) -> float:
    """How many places share one independent reading: the sum of the readings' squared correlation over all lags."""
    n = 4 * TILE_PX
    f = np.fft.fftfreq(n)
    radius = np.hypot(f[:, None], f[None, :]) * TILE_PX
    power = (
        np.interp(radius, np.arange(LOWEST_RING, TILE_PX // 2 + 1), radial) * np.abs(np.fft.fft2(weights, (n, n))) ** 2
    )
    mean = float(power.mean())
    return float((power * power).mean()) / (mean * mean) if mean > 0.0 else 1.0


def _correlations(noise: Float64) -> tuple[Float64, tuple[float, ...] | None]:
    """Between records, and between neighbouring frames."""
    flat = noise.reshape(-1, 3)
    norm = np.sqrt(np.maximum((flat * flat).sum(axis=0), 1e-300))
    together = (flat.T @ flat) / np.outer(norm, norm)
    if noise.shape[0] < 2:
        return together, None
    before, after = noise[:-1].reshape(-1, 3), noise[1:].reshape(-1, 3)
    size = np.sqrt(np.maximum((before * before).sum(axis=0) * (after * after).sum(axis=0), 1e-300))
    return together, tuple(float(r) for r in (before * after).sum(axis=0) / size)


def patches_at(
    frames: Sequence[npt.NDArray[np.floating]], corners: Sequence[tuple[int, int]], *, width_px: int, height_px: int
) -> npt.NDArray[np.floating]:
    """(F, P, H, W, 3): the same windows, by their corners (x, y), of several frames."""
    return np.stack([np.stack([frame[y : y + height_px, x : x + width_px] for x, y in corners]) for frame in frames])
