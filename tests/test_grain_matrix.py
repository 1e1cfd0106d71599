"""Granularity for every stock, five exposures, three records, three rasters and three formats: predicted against found."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from emulsion_setup import STOCKS, WIDTHS_MM, make_setup
from widegauge.frame import Frame
from widegauge.physics import emulsion, granularity
from widegauge.stages.grain import STAGE

GREY = 0.18
STOPS = (-4.0, -2.0, 0.0, 2.0, 4.0)
BAND_ROWS, COLUMNS = 512, 2048


@pytest.mark.slow
@pytest.mark.parametrize("width_px", [1920, 3840, 6144])
@pytest.mark.parametrize("name", list(WIDTHS_MM))
def test_found_is_predicted_at_every_exposure(name: str, width_px: int) -> None:
    """Read through 48 and 96 um (ISO 10505 states 48): all cells of a raster together within 2 %, each within 2 % and
    three and a half standard errors of a reading on so small a field."""
    ratios: dict[float, list[float]] = {48.0: [], 96.0: []}
    for number, stock in enumerate(STOCKS.values()):
        setup = make_setup(WIDTHS_MM[name], width_px, stock=stock)
        plan = STAGE.plan(STAGE.settings(), setup)
        given = {"pitch_um": setup.pixel_um, "cloud_um": stock.dye_cloud_um, "scan_mtf50_cpmm": setup.scan_mtf50_cpmm}
        factor = granularity.pixel_factor(**given)
        light = np.repeat(GREY * 2.0 ** np.array(STOPS), BAND_ROWS).astype(np.float32)
        rgb = np.ascontiguousarray(np.broadcast_to(light[:, None, None], (len(light), COLUMNS, 3)))
        out = STAGE.apply(plan, Frame(1001 + number, rgb)).rgb
        sigma_d = factor * emulsion.granularity(stock, [stop * np.log10(2.0) for stop in STOPS]) / 1000.0
        for aperture_um in ratios:
            window = granularity.aperture_weights(aperture_um / setup.pixel_um).astype(np.float32)
            border = window.shape[0]
            for c in range(3):
                fluctuation = stock.gamma[c] * np.log10(np.maximum(out[..., c], 1e-6) / rgb[..., c])
                read = cv2.filter2D(fluctuation.astype(np.float32), -1, window)
                for band, stop in enumerate(STOPS):
                    rows = slice(band * BAND_ROWS + border, (band + 1) * BAND_ROWS - border)
                    found = float(read[rows, border:-border].std(dtype=np.float64))
                    predicted = granularity.predicted_reading(
                        plan.taps.astype(np.float64),
                        pixel_sigma=float(sigma_d[c, band]),
                        pitch_um=setup.pixel_um,
                        aperture_um=aperture_um,
                    )
                    independent = BAND_ROWS * COLUMNS / max(1.0, np.pi / 4 * (aperture_um / setup.pixel_um) ** 2)
                    allowed = 0.02 + 3.5 / np.sqrt(2.0 * independent)
                    assert found == pytest.approx(predicted, rel=allowed), (stock.title, stop, c, aperture_um)
                    ratios[aperture_um].append(found / predicted)
    for aperture_um, all_ratios in ratios.items():
        assert np.mean(all_ratios) == pytest.approx(1.0, abs=0.02), aperture_um
        print(f"{name} {width_px}: {aperture_um:g} um mean {np.mean(all_ratios):.4f}, "
              f"{min(all_ratios):.4f} to {max(all_ratios):.4f} over {len(all_ratios)} readings")  # fmt: skip
