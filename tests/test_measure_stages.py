"""Blind: what the stages were asked to add is found again in their pixels by the instruments."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from edge_targets import box, edge, sharp
from emulsion_setup import FINE, make_setup
from test_measure_lamp import lamp
from widegauge.frame import Frame
from widegauge.measure.blur import measure_edge_blur, measure_lamp_blur
from widegauge.measure.edge import FREQUENCY_CPP, measure_edge
from widegauge.measure.halation import measure_halation
from widegauge.physics.lens import FocusPull
from widegauge.stages import defocus, halation, mtf

F = FREQUENCY_CPP
USED = F <= 0.5


@pytest.mark.parametrize("angle_deg", [5.0, 40.0, 85.0])
def test_edge_after_mtf(angle_deg: float) -> None:
    """A pixel-sharp edge on Super 16: the smaller of footage and negative in every record, within .03 to Nyquist.

    The negative's response is written out here: lens 2^-(f/80)^1.5, emulsion 1/(1 + (f/f50)^2), scan 2^-(f/60)^2.
    """
    setup = make_setup(12.52, 1920, scan_mtf50_cpmm=60.0)
    planned = mtf.STAGE.plan(mtf.STAGE.settings(), setup)
    sharp_edge = edge(200, 180, angle_deg, sharp).astype(np.float32)
    found = measure_edge(mtf.STAGE.apply(planned, Frame(1, sharp_edge)).rgb[50:150, 40:140])
    f = F * setup.px_per_mm
    for c, name in enumerate("RGB"):
        negative = 2.0 ** -((f / 80.0) ** 1.5) * 2.0 ** -((f / 60.0) ** 2) / (1.0 + (f / FINE.mtf50_cpmm[c]) ** 2)
        expected = box(F, angle_deg) * np.minimum(1.0, negative / np.abs(np.sinc(F)).clip(1e-6))
        assert np.abs(found.channel(name).response - expected)[USED].max() < 0.03


@pytest.mark.parametrize("depth_m", [1.5, 2.5, 8.0, 30.0])
def test_blur_after_defocus(depth_m: float) -> None:
    """An edge gets sqrt(negative^2 - camera^2), worked from pupils here, within 2 %."""
    setup = replace(make_setup(69.6, 1920), focus=FocusPull(((1, 4.2),)), has_depth=True)
    planned = defocus.STAGE.plan(defocus.STAGE.settings(), setup)
    picture = edge(200, 200, 5.0, sharp).astype(np.float32)
    frame = Frame(1, picture, depth_m=np.full(picture.shape[:2], depth_m, np.float32))
    found = measure_edge_blur(defocus.STAGE.apply(planned, frame).rgb).channel("G").radius_px
    focal_mm, image_mm = 25.0, 25.0 * 4200.0 / (4200.0 - 25.0)
    pupil_mm = np.sqrt((focal_mm * 69.6 / 17.3 / 2.8) ** 2 - (focal_mm / 2.0) ** 2)
    expected = pupil_mm / 2.0 * image_mm * abs(1.0 / 4200.0 - 1.0 / (1000.0 * depth_m)) * 1920 / 17.3
    assert found == pytest.approx(expected, rel=0.02)


def test_lamp_after_defocus() -> None:
    """A dim lamp's disc is as large as an edge's blur; its own 4 pixels are taken off in quadrature."""
    setup = replace(make_setup(69.6, 1920), focus=FocusPull(((1, 4.2),)), has_depth=True)
    planned = defocus.STAGE.plan(defocus.STAGE.settings(), setup)
    before = lamp(120, 4.0, level=0.4, ground=0.01).astype(np.float32)
    after = defocus.STAGE.apply(planned, Frame(1, before, depth_m=np.full((120, 120), 30.0, np.float32))).rgb
    own = measure_lamp_blur(before).channel("G").radius_px
    assert own == pytest.approx(4.0, rel=0.02)
    assert measure_lamp_blur(after, less_px=own).channel("G").radius_px == pytest.approx(9.62, rel=0.02)


@pytest.mark.parametrize(("width_mm", "ring_px"), [(69.6, 14.36), (24.89, 40.16)])
def test_ring_after_halation(width_mm: float, ring_px: float) -> None:
    """0.2603 mm (acetate of 0.142 mm) at UHD, within 1 pixel; the shares of the stock, within 2 %."""
    setup = make_setup(width_mm, 3840)
    planned = halation.STAGE.plan(halation.STAGE.settings(), setup)
    picture = lamp(401, 3.0, level=300.0, ground=0.02).astype(np.float32)
    found = measure_halation(halation.STAGE.apply(planned, Frame(1, picture)).rgb, reach_px=1.5 * setup.px_per_mm)
    assert found.radius_px == pytest.approx(ring_px, abs=1.0)
    for ring, share in zip(found.rings, FINE.halation_return_frac, strict=False):
        assert ring.returned_frac == pytest.approx(share, rel=0.02)
