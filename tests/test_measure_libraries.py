"""The instruments against measuring libraries of other people, on the same pictures."""

from __future__ import annotations

from functools import partial

import numpy as np
import pytest
from edge_targets import Array, edge, gaussian
from emulsion_setup import FINE
from microct_iq_toolbox import get_NPS
from quickMTF.SFR_MTF import sfr_mtfcal
from test_measure_grain import GREY, PITCH_UM, grainy, measured
from widegauge.measure.edge import FREQUENCY_CPP, measure_edge

BINS = 4
WINDOW_WIDTHS = 4.0
"""Half the library's Hann window, in widths of the line spread. Its own 1.5 is so narrow that it lifts the response of
a Gaussian by 0.04: a window of half-width L smooths the response over some 1/L cycles per pixel."""


def library_response(light: Array) -> tuple[Array, Array]:
    """Response of a slanted edge by quickMTF (C. Asplund's ISO 12233 code, line and angle found by itself).

    Its correction for the three taps of the derivative is clipped to 1, so it never acts, and it has none for the
    width of a bin: both are divided out here, as sin(x)/x in tests/references/edge.toml.
    """
    library = sfr_mtfcal()
    library.filter_window = partial(library.filter_window, win_width_factor=WINDOW_WIDTHS)
    frequency, response = library.calc_sfr(light, oversampling=BINS)[0].T
    return frequency, response / np.sinc(2.0 * frequency / BINS) / np.sinc(frequency / BINS)


@pytest.mark.parametrize("angle_deg", [5.0, -7.3, 33.0, 85.0])
@pytest.mark.parametrize(("sigma", "noise"), [(0.5, 0.0), (0.8, 0.001), (1.5, 0.001)])
def test_slanted_edge(angle_deg: float, sigma: float, noise: float) -> None:
    """Up to Nyquist within 0.015, of which the library's window takes 0.01; MTF50 within 2 %."""
    light = edge(150, 120, angle_deg, gaussian(sigma), contrast=(0.2, 0.8))
    light = light + np.random.default_rng(3).normal(0.0, noise, light.shape)
    found = measure_edge(light).channel("G")
    frequency, expected = library_response(light[..., 1])
    used = FREQUENCY_CPP <= 0.5
    assert found.response[used] == pytest.approx(np.interp(FREQUENCY_CPP, frequency, expected)[used], abs=0.015)
    assert found.mtf50_cpp == pytest.approx(np.interp(-0.5, -np.minimum.accumulate(expected), frequency), rel=0.02)


@pytest.mark.parametrize("soft_px", [0.0, 0.7])
def test_noise_power_spectrum(soft_px: float) -> None:
    """In um^2 D^2, from 4 to 25 cycles/mm: ours over the CT toolbox's, 1 within 2 % on average, 8 % at each.

    Its rings are numbered here: the axis that it returns is stretched by about 1 %.
    """
    side = 128
    patches = grainy((6, 4, side, side), 0.02, seed=3, soft_px=soft_px)
    found = measured(patches)
    density = FINE.gamma[1] * np.log10(patches[..., 1] / GREY)
    whole = np.array([0, side, 0, side])
    _, expected = get_NPS(1000.0 * density.reshape(-1, side, side), whole, PITCH_UM / 1000.0)
    frequency = (np.arange(len(expected)) + 0.5) / (side * PITCH_UM / 1000.0)
    used = (found.frequency_cpmm > 4.0) & (found.frequency_cpmm < 25.0)
    ratio = found.spectrum[1] / np.interp(found.frequency_cpmm, frequency, expected)
    assert ratio[used].mean() == pytest.approx(1.0, abs=0.02)
    assert ratio[used] == pytest.approx(1.0, abs=0.08)
