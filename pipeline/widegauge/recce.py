"""A shot before there is a file: its facts from the command line's options, under the shot file's own rules."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from fractions import Fraction
from pathlib import Path
from typing import Any, TypeVar

from widegauge.errors import Mistake, SettingsError, mistake
from widegauge.plan import Plan, geometry, plan_ahead
from widegauge.presets import PresetFile
from widegauge.shot import Recce
from widegauge.tomlfile import read_table

WHERE = Path("command line")

OPTIONS = {
    "camera": "--sensor",
    "camera.sensor_mm": "--sensor",
    "camera.mtf50_cpp": "--camera-mtf50",
    "lens": "--focal",
    "lens.focal_mm": "--focal",
    "lens.stop": "--stop",
    "lens.transmittance": "--transmittance",
    "lens.focal_reducer": "--focal-reducer",
    "focus.distance_m": "--focus",
    "focus": "--focus",
    "set.camera_height_m": "--camera-height",
    "set.tilt_deg": "--tilt",
}
"""The option that states each key."""

Facts = dict[str, dict[str, Any]]

T = TypeVar("T")


def recce(facts: Facts) -> Recce:
    """A shot's facts from tables as a shot file would have them; SettingsError with every mistake, by option."""
    missing = [
        Mistake(str(WHERE), option, "", "is required without a shot file", remedy)
        for table, key, option, remedy in (
            ("camera", "sensor_mm", "--sensor", "give width and height in mm, 23.5x15.7"),
            ("lens", "focal_mm", "--focal", "give it in mm, or --negative-focal to ask for a lens"),
            ("lens", "stop", "--stop", 'give it as marked, "f/1.4" or "T1.5"'),
        )
        if key not in facts.get(table, {})
    ]
    if missing:
        raise SettingsError(missing)
    read = _by_option(lambda: read_table(Recce, facts, file=WHERE))
    read._file = WHERE
    return read


def plan_of(facts: Facts, preset: PresetFile, *, width_px: int, rate: Fraction) -> Plan:
    """The plan of a shot that only options describe; SettingsError with every mistake, by option."""
    known = recce(facts)
    return _by_option(lambda: plan_ahead(known, preset, footage_px=footage_px(known, width_px=width_px), rate=rate))


def with_matching_lens(facts: Facts, preset: PresetFile, *, negative_focal_mm: float) -> Facts:
    """The facts with the lens that gives a large negative's view and depth of field on the camera's sensor."""
    if not negative_focal_mm > 0.0:
        raise mistake(WHERE, "--negative-focal", negative_focal_mm, "is not above 0", "give millimetres")
    reducer = facts.get("lens", {}).get("focal_reducer", 1.0)
    any_lens = {"focal_mm": 1.0, "stop": "f/1", "focal_reducer": reducer}
    bare = recce({**{name: table for name, table in facts.items() if name != "focus"}, "lens": any_lens})
    camera, negative, _ = geometry(bare, preset, footage_px=footage_px(bare, width_px=10_000))
    focal_mm = negative_focal_mm * camera.width_mm / negative.width_mm
    stop = preset.negative.f_number * camera.width_mm / negative.width_mm
    lens = {"focal_mm": focal_mm / reducer, "stop": f"f/{stop / reducer:.9f}", "focal_reducer": reducer}
    return {**facts, "lens": lens}


def footage_px(facts: Recce, *, width_px: int) -> tuple[int, int]:
    """The raster of footage that covers the sensor with square pixels."""
    width_mm, height_mm = facts.camera.sensor_mm
    return width_px, max(1, round(width_px * height_mm / width_mm))


def parse_size(text: str) -> list[float]:
    """Read a size in millimetres, "23.5x15.7"; ValueError otherwise."""
    parts = text.lower().split("x")
    try:
        width_mm, height_mm = (float(part) for part in parts)
    except ValueError:
        raise ValueError("a size is written 23.5x15.7, in mm") from None
    return [width_mm, height_mm]


def parse_model_scale(text: str) -> float:
    """Read a model's scale, "1:25" or "25", as 25; ValueError outside 1:1 to 1:10000."""
    head, _, tail = text.rpartition(":")
    try:
        scale = float(tail) / float(head or 1)
    except (ValueError, ZeroDivisionError):
        scale = 0.0
    if not 1.0 <= scale <= 1e4:
        raise ValueError("a scale is written 1:25 and lies between 1:1 and 1:10000")
    return scale


def stated(option: str, text: str, parse: Callable[[str], T]) -> T:
    """What an option's text says; SettingsError that names the option."""
    try:
        return parse(text)
    except ValueError as error:
        raise mistake(WHERE, option, f'"{text}"', str(error), "see --help") from None


def _by_option(make: Callable[[], T]) -> T:
    try:
        return make()
    except SettingsError as error:
        raise SettingsError([replace(each, key=OPTIONS.get(each.key, each.key)) for each in error.mistakes]) from None
