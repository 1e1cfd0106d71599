"""Lamps with soft rims before a dim sky: blurring must not make light below any that was there."""

from __future__ import annotations

import numpy as np
import pytest
from widegauge.frame import Frame
from widegauge.physics.lens import FocusPull, Side
from widegauge.presets import stocks
from widegauge.stages import defocus
from widegauge.stages.framing import lay_out
from widegauge.stages.stage import Setup


def _plan(width: int, height: int) -> defocus.DefocusPlan:
    raster = lay_out(footage_px=(width, height), ratio=width / height, fit="crop")
    camera, negative = Side(24.0, 16.0, 24.0, 8.0), Side(69.6, 46.4, 69.6, 2.8)
    setup = Setup(
        camera, negative, raster, stocks()["fine-grain daylight"], focus=FocusPull(((0, 4.2),)), has_depth=True
    )
    return defocus.plan(defocus.DefocusSettings(), setup)


@pytest.mark.parametrize("lamp_m", [2.0, 4.2, 7.6])
@pytest.mark.parametrize("dim_rim", [1.0, 0.3])
def test_a_lamp_before_the_sky_leaves_no_dark_ring(lamp_m: float, dim_rim: float) -> None:
    """A lamp 400 times white, averaged over pixels at its rim and darker towards it, with hard depth at pixel centres."""
    height, width = 120, 180
    y, x = np.mgrid[0:height, 0:width]
    r = np.hypot(x - 90.3, y - 60.4)
    share = np.clip(8.5 - r, 0.0, 1.0)
    lamp = 400.0 * (dim_rim + (1 - dim_rim) * np.sqrt(np.clip(1 - (r / 8.5) ** 2, 0.0, 1.0)))
    light = (0.3 * (1 - share) + lamp * share).astype(np.float32)
    frame = Frame(1, np.repeat(light[..., None], 3, axis=2), np.where(r < 8.0, lamp_m, np.inf).astype(np.float32))
    out = defocus.apply(_plan(width, height), frame)
    assert out.rgb.min() >= 0.3 * 0.98
    assert out.rgb.max() <= light.max() * 1.001
    assert out.rgb.sum(dtype=np.float64) == pytest.approx(frame.rgb.sum(dtype=np.float64), rel=0.02)
