"""Stocks: plausible curves, a source for every number, and what is read off them."""

from __future__ import annotations

import dataclasses
import math

import numpy as np
import pytest
from conftest import reference
from emulsion_setup import STOCKS
from widegauge.physics import emulsion
from widegauge.physics.emulsion import Stock

NAMES = sorted(STOCKS)


def test_four_kinds_are_there() -> None:
    assert set(NAMES) >= {
        "fine-grain daylight",
        "medium-speed daylight",
        "medium-speed tungsten",
        "high-speed tungsten",
    }


@pytest.mark.parametrize("name", NAMES)
def test_every_number_has_a_source(name: str) -> None:
    fields = {field.name for field in dataclasses.fields(Stock)} - {"title", "sources"}
    assert set(STOCKS[name].sources) == fields
    assert all(len(text) > 10 for text in STOCKS[name].sources.values())


@pytest.mark.parametrize("name", NAMES)
def test_tables_fit_together(name: str) -> None:
    stock = STOCKS[name]
    assert len(stock.density) == len(stock.log_exposure) >= 12
    assert len(stock.granularity) == len(stock.granularity_density)
    assert np.all(np.diff(stock.log_exposure) > 0)
    assert np.all(np.diff(stock.granularity_density) > 0)
    assert np.all(np.diff(np.array(stock.density), axis=0) >= 0)
    assert stock.granularity_density[0] == 0.0


@pytest.mark.parametrize("name", NAMES)
def test_curve_passes_through_grey_with_its_gamma(name: str) -> None:
    """A straight line of the stated gamma for two stops either side of grey (0.01 D), a toe and a shoulder beyond."""
    stock = STOCKS[name]
    x = np.array([-2.0, -1.0, 0.0, 1.0, 2.0]) * emulsion.LOG10_PER_STOP
    line = np.array(stock.grey_density)[:, None] + np.array(stock.gamma)[:, None] * x
    found = emulsion.density(stock, x)
    assert found[:, 2] == pytest.approx(stock.grey_density, abs=1e-9)
    assert np.abs(found[:, 1:] - line[:, 1:]).max() < 0.01
    assert np.abs(found[:, 0] - line[:, 0]).max() < 0.03
    range_stops = (stock.log_exposure[-1] - stock.log_exposure[0]) / emulsion.LOG10_PER_STOP
    assert 13.0 < range_stops < 16.0
    toe, shoulder = emulsion.density(stock, [-9.0, 9.0]).T
    assert toe == pytest.approx(stock.density[0])
    assert shoulder == pytest.approx(stock.density[-1])


def test_a_stop_is_point_18_density() -> None:
    row = reference("granularity")["curve"]
    assert row["gamma"] * math.log10(2.0) == pytest.approx(row["density_per_stop"], abs=row["digits"])
    stock = STOCKS["fine-grain daylight"]
    assert stock.gamma[1] == row["gamma"]
    one_stop = np.diff(emulsion.density(stock, [0.0, emulsion.LOG10_PER_STOP])[1])[0]
    assert one_stop == pytest.approx(row["density_per_stop"], abs=row["digits"])


@pytest.mark.parametrize("name", NAMES)
def test_values_lie_in_the_class(name: str) -> None:
    """Ranges from memory, typical: base and fog R < G < B, red record softest, blue grainiest, red returns most."""
    stock = STOCKS[name]
    low = stock.density[0]
    assert 0.1 < low[0] < 0.25
    assert 0.45 < low[1] < 0.65
    assert 0.75 < low[2] < 0.95
    assert min(stock.gamma) > 0.5
    assert max(stock.gamma) < 0.7
    assert stock.mtf50_cpmm[0] < stock.mtf50_cpmm[1] < stock.mtf50_cpmm[2]
    middle = emulsion.granularity(stock, [0.0])[:, 0]
    assert 3.0 < middle[1] < 7.5
    assert middle[1] < middle[0] < 1.3 * middle[1]
    assert middle[1] < middle[2] < 2.1 * middle[1]
    assert stock.halation_return_frac[0] > stock.halation_return_frac[1] > stock.halation_return_frac[2] > 0


def test_faster_is_grainier() -> None:
    grains = [emulsion.granularity(STOCKS[n], [0.0])[1, 0] for n in ("fine-grain daylight", "medium-speed daylight")]
    assert grains[0] < grains[1] < emulsion.granularity(STOCKS["high-speed tungsten"], [0.0])[1, 0]


def test_noise_in_exposure_is_noise_in_density_over_gamma() -> None:
    """Worked by hand: 4.0 / 1000 at gamma 0.6 is 0.004 x 2.302585 / 0.6 = 0.0153506."""
    stock = dataclasses.replace(STOCKS["fine-grain daylight"], granularity=((4.0, 4.0, 4.0),) * 7, gamma=(0.6,) * 3)
    assert emulsion.exposure_noise(stock, [0.0])[:, 0] == pytest.approx(0.0153506, rel=1e-5)


def test_exposure_shifts_grey() -> None:
    assert emulsion.log_exposure(0.09, footage_stops=1.0) == pytest.approx(0.0, abs=1e-12)
    assert emulsion.log_exposure(0.18, negative_stops=1.0) == pytest.approx(math.log10(2.0))
    stock = STOCKS["fine-grain daylight"]
    toe = emulsion.toe_linear(stock, footage_stops=1.0, negative_stops=0.5)
    back = emulsion.log_exposure(toe, footage_stops=1.0, negative_stops=0.5)
    assert back == pytest.approx(stock.log_exposure[0])


def test_coupling_keeps_energy() -> None:
    for stock in STOCKS.values():
        mix = emulsion.coupling_matrix(stock)
        assert np.sum(mix * mix, axis=1) == pytest.approx(1.0)
        assert 1.0 - np.diag(mix) ** 2 == pytest.approx(stock.coupling)
