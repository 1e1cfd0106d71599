"""Granularity: from a microdensitometer's reading through a round aperture to the noise of a pixel.

Lengths in micrometres, frequencies in cycles per micrometre, density fluctuations in D. The noise power spectrum
is that of dye clouds taken as uniform discs, W(f) = W0 [2 J1(pi d f)/(pi d f)]^2, which gives Selwyn's law
(sigma sqrt(A) constant) for apertures that are large against the clouds. Sources: ISO 10505 (48 um aperture, RMS
granularity = 1000 sigma_D); J. C. Dainty and R. Shaw, Image Science (1974) (Selwyn's law, Wiener spectrum);
J. Stephenson and A. Saunders, "Simulating film grain using the noise-power spectrum", TPCG 2007.
"""

from __future__ import annotations

import math
from functools import lru_cache

import numpy as np
import numpy.typing as npt
from scipy.integrate import quad
from scipy.special import j1

from widegauge.physics import transfer

Float64 = npt.NDArray[np.float64]

READING_APERTURE_UM = 48.0
"""Diameter of the aperture through which RMS granularity is read (ISO 10505; makers' data sheets state it too)."""

SPECTRUM_SAMPLES = 64
"""Frequencies across the pixel raster's band: its reciprocal, 1/64 cycle per pixel, resolves kernels of 64 taps."""

CLOUD_ORDERS = 3.0
"""Aliases are summed up to this many cycles per cloud diameter, where W has fallen below 0.2 % of W0."""

MAX_ORDERS = 24
"""No more aliases than these: what pixels so coarse that they would take more lose is 0.4 % of the variance."""

KERNEL_ENERGY = 0.9999
"""Share of a kernel's energy that its taps must hold."""


def circle_area_um2(diameter_um: float) -> float:
    return math.pi * diameter_um * diameter_um / 4.0


def selwyn_factor(pitch_um: float, *, aperture_um: float = READING_APERTURE_UM) -> float:
    """Selwyn's law alone: sigma through a square pixel over sigma through a round aperture, sqrt(A)/p."""
    return math.sqrt(circle_area_um2(aperture_um)) / pitch_um


def reading_loss(*, cloud_um: float, aperture_um: float = READING_APERTURE_UM) -> float:
    """k(a, d): variance read through an aperture a over Selwyn's W0 / A, below 1 for clouds that are not small.

    k = 2 pi A int W(f)/W0 [2 J1(pi a f)/(pi a f)]^2 f df; with u = pi a f this is int 2 J1(u)^2/u jinc^2(u d/a) du.
    """

    def integrand(u: float) -> float:
        return 2.0 * float(j1(u)) ** 2 / u * float(transfer.disc(u / math.pi, diameter=cloud_um / aperture_um)) ** 2

    total = sum(quad(integrand, a, a + 5.0, limit=50)[0] for a in np.arange(1e-9, 200.0, 5.0))
    return float(total)


def spectrum_level_um2(sigma: float, *, cloud_um: float, aperture_um: float = READING_APERTURE_UM) -> float:
    """W0 = sigma^2 A / k, from the sigma_D read through an aperture."""
    loss = reading_loss(cloud_um=cloud_um, aperture_um=aperture_um)
    return sigma * sigma * circle_area_um2(aperture_um) / loss


@lru_cache(maxsize=8)
def pixel_spectrum(*, pitch_um: float, cloud_um: float, scan_mtf50_cpmm: float = 0.0) -> Float64:
    """Power spectrum of density on a raster of square pixels for W0 = 1, aliases folded in; its mean is the variance.

    Returns (64, 64) float64 at the frequencies of ``numpy.fft.fftfreq(64)`` in cycles per pixel, in 1/um^2: the
    grain's own spectrum times the pixel's sinc^2 and, if there is a scan, the square of its MTF. The array is kept for
    whoever asks next, and can't be written to.
    """
    orders = min(MAX_ORDERS, max(2, math.ceil(CLOUD_ORDERS * pitch_um / cloud_um)))
    half = SPECTRUM_SAMPLES // 2
    alias = np.arange(-orders, orders + 1)
    cpp = (np.arange(half + 1)[:, None] / SPECTRUM_SAMPLES + alias[None, :]).ravel()
    per_um = np.hypot(cpp[:, None], cpp[None, :]) / pitch_um
    box = transfer.pixel(cpp) ** 2
    power = transfer.disc(per_um, diameter=cloud_um) ** 2 * box[:, None] * box[None, :]
    power *= transfer.scan(1000.0 * per_um, mtf50_cpmm=scan_mtf50_cpmm) ** 2
    quadrant = power.reshape(half + 1, alias.size, half + 1, alias.size).sum(axis=(1, 3)) / (pitch_um * pitch_um)
    mirrored = np.minimum(np.arange(SPECTRUM_SAMPLES), SPECTRUM_SAMPLES - np.arange(SPECTRUM_SAMPLES))
    spectrum: Float64 = quadrant[np.ix_(mirrored, mirrored)]
    spectrum.flags.writeable = False
    return spectrum


def pixel_factor(*, pitch_um: float, cloud_um: float, scan_mtf50_cpmm: float = 0.0) -> float:
    """sigma_D of a pixel over sigma_D read through the 48 um aperture; Selwyn's factor for pixels that are large."""
    spectrum = pixel_spectrum(pitch_um=pitch_um, cloud_um=cloud_um, scan_mtf50_cpmm=scan_mtf50_cpmm)
    return math.sqrt(float(spectrum.mean()) * spectrum_level_um2(1.0, cloud_um=cloud_um))


def separable_kernel(spectrum: Float64) -> Float64:
    """Taps k with sum k^2 = 1 so that white noise filtered by k along rows and columns has nearly this spectrum.

    The kernel of the square root of the spectrum is split by singular values (the first holds all but some 1e-4
    of the energy) and cut where its taps hold ``KERNEL_ENERGY``. Odd length, symmetric.
    """
    kernel = np.fft.fftshift(np.real(np.fft.ifft2(np.sqrt(spectrum))))
    left, _, _ = np.linalg.svd(kernel)
    taps = left[:, 0] * np.sign(left[SPECTRUM_SAMPLES // 2, 0])
    centre, energy = SPECTRUM_SAMPLES // 2, float(np.sum(taps * taps))
    reach = 0
    while float(np.sum(taps[centre - reach : centre + reach + 1] ** 2)) < KERNEL_ENERGY * energy:
        reach += 1
    cut = taps[centre - reach : centre + reach + 1]
    cut = 0.5 * (cut + cut[::-1])
    return np.asarray(cut / math.sqrt(float(np.sum(cut * cut))))


def predicted_reading(
    kernel: npt.NDArray[np.float64], *, pixel_sigma: float, pitch_um: float, aperture_um: float = READING_APERTURE_UM
) -> float:
    """sigma_D that a round aperture reads on a raster whose pixels have this sigma and this separable kernel.

    The raster is taken as square patches of constant density; the aperture's centre lies on a pixel's centre.
    """
    weights = aperture_weights(aperture_um / pitch_um)
    n = weights.shape[0] + 2 * len(kernel)
    taps = np.abs(np.fft.fft(kernel, n)) ** 2
    window = np.abs(np.fft.fft2(weights, (n, n))) ** 2
    return pixel_sigma * math.sqrt(float(np.mean(window * taps[:, None] * taps[None, :])))


def aperture_weights(diameter_px: float, *, samples: int = 32) -> Float64:
    """Share of a round aperture that lies on each pixel around the one on which it is centred; sums to 1."""
    reach = math.ceil(diameter_px / 2.0 + 0.5)
    offset = (np.arange(samples * (2 * reach + 1)) + 0.5) / samples - (reach + 0.5)
    inside = np.hypot(offset[:, None], offset[None, :]) <= diameter_px / 2.0
    side = 2 * reach + 1
    weights = inside.reshape(side, samples, side, samples).mean(axis=(1, 3))
    return np.asarray(weights / weights.sum())
