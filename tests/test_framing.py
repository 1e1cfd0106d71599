"""Framing: the finished ratio, where the crop sits, and what is kept around it."""

from __future__ import annotations

import numpy as np
import pytest
from widegauge.frame import Frame
from widegauge.physics.emulsion import Stock
from widegauge.physics.lens import Side
from widegauge.stages import framing
from widegauge.stages.framing import FramingSettings, lay_out
from widegauge.stages.stage import Setup


@pytest.mark.parametrize("footage_px", [(1920, 1280), (4096, 2160), (3840, 2160), (1277, 901), (1080, 1920)])
@pytest.mark.parametrize("ratio", [1.43, 1.66, 1.85, 2.2, 2.39, 1.0])
@pytest.mark.parametrize("fit", ["crop", "pad"])
def test_the_finished_ratio_is_right_to_half_a_pixel(footage_px: tuple[int, int], ratio: float, fit: str) -> None:
    raster = lay_out(footage_px=footage_px, ratio=ratio, fit=fit)
    off_px = min(abs(raster.width_px - raster.height_px * ratio), abs(raster.height_px - raster.width_px / ratio))
    assert off_px <= 0.5
    inside = raster.width_px <= footage_px[0] and raster.height_px <= footage_px[1]
    around = raster.width_px >= footage_px[0] and raster.height_px >= footage_px[1]
    assert inside if fit == "crop" else around


def test_crop_position_and_eye_height() -> None:
    given = {"footage_px": (1000, 1000), "ratio": 2.0, "fit": "crop"}
    assert lay_out(**given, crop_position=(0.5, 0.0)).crop_y_px == 0
    assert lay_out(**given, crop_position=(0.5, 1.0)).crop_y_px == 500
    # eyes at 400 px, the upper third of a 500 px frame is 166.7 px below its top
    assert lay_out(**given, eye_height=0.4).crop_y_px == 233
    assert lay_out(**given, eye_height=0.0).crop_y_px == 0
    assert lay_out(**given, eye_height=1.0).crop_y_px == 500


def test_zoom_and_width_and_proxy() -> None:
    raster = lay_out(footage_px=(4000, 2000), ratio=2.0, fit="crop", zoom=2.0, width_px=1000, proxy=0.5)
    assert (raster.width_px, raster.height_px) == (500, 250)
    assert (raster.plate_width_px, raster.plate_height_px) == (1000, 500)
    assert raster.scale == pytest.approx(0.25)


def _setup(stock: Stock, **given) -> Setup:
    side = Side(10.0, 5.0, 10.0, 2.0)
    return Setup(camera=side, negative=side, raster=lay_out(**given), stock=stock)


@pytest.fixture
def stock() -> Stock:
    from widegauge.presets import stocks

    return stocks()["fine-grain daylight"]


def test_the_window_and_its_overscan(stock: Stock) -> None:
    from dataclasses import replace

    rng = np.random.default_rng(1)
    rgb = rng.random((60, 100, 3), dtype=np.float32)
    depth = rng.random((60, 100), dtype=np.float32)
    setup = _setup(stock, footage_px=(100, 60), ratio=1.0, fit="crop")
    setup = replace(setup, raster=replace(setup.raster, overscan_px=8))
    planned = framing.plan(FramingSettings(ratio="1.0"), setup)
    out = framing.apply(planned, Frame(1, rgb, depth, extra=rgb[..., :1]))
    assert (out.x_px, out.y_px) == (-8, 0)
    np.testing.assert_array_equal(out.rgb, rgb[:, 12:88])
    np.testing.assert_array_equal(out.depth_m, depth[:, 12:88])
    assert out.extra.shape == (60, 76, 1)


def test_strength_goes_a_share_of_the_way() -> None:
    assert FramingSettings(ratio="2.0", strength=0.0).finished_ratio(1.5) == 1.5
    assert FramingSettings(ratio="2.0", strength=0.5).finished_ratio(1.5) == 1.75
