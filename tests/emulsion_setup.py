"""A shot and a negative brought to one scale, made on the spot for the tests of the emulsion's stages."""

from __future__ import annotations

import tomllib
from pathlib import Path
from typing import Any

from pydantic import TypeAdapter
from widegauge.physics.emulsion import Stock
from widegauge.physics.lens import Side
from widegauge.stages.stage import Raster, Setup

WIDTHS_MM = {"15-perf 65": 69.6, "4-perf 35": 24.89, "Super 16": 12.52}
STOCKS: dict[str, Stock] = {
    name: TypeAdapter(Stock).validate_python(table)
    for name, table in tomllib.loads(
        (Path(__file__).parents[1] / "presets" / "stocks.toml").read_text(encoding="utf-8")
    ).items()
}
FINE = STOCKS["fine-grain daylight"]


def make_setup(width_mm: float, width_px: int, *, stock: Stock = FINE, scale: float = 1.0, **facts: Any) -> Setup:
    """Setup of a 16:9 picture ``width_px`` wide that lies ``width_mm`` wide on the negative."""
    height_px = round(width_px * 9 / 16)
    return Setup(
        camera=Side(17.3, 17.3 * 9 / 16, 25.0, 2.0),
        negative=Side(width_mm, width_mm * 9 / 16, 25.0 * width_mm / 17.3, 2.8),
        raster=Raster(width_px, height_px, float(width_px), 0, 0, width_px, height_px, scale),
        stock=stock,
        **facts,
    )
