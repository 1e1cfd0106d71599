"""From the words that name a shot and a preset to a plan, with every mistake of both at once."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from fractions import Fraction
from pathlib import Path
from typing import Any, TypeVar

from widegauge.errors import Mistake, SettingsError
from widegauge.plan import Plan, make_plan
from widegauge.plate import Plate, open_plate
from widegauge.presets import load_preset
from widegauge.shot import load_shot
from widegauge.units import parse_frames, parse_scale

T = TypeVar("T")


def bind(
    shot: Path,
    preset: str,
    *,
    overrides: tuple[str, ...] = (),
    frames: str | None = None,
    proxy: str = "1",
    facts: Mapping[str, Mapping[str, Any]] | None = None,
) -> tuple[Plan, Plate, Fraction]:
    """The plan for a shot file and a preset; SettingsError with the mistakes of both, and of the options.

    ``facts`` are tables laid over the shot file's.
    """
    wrong: list[Mistake] = []

    def each(read: Callable[[], T]) -> T | None:
        try:
            return read()
        except SettingsError as error:
            wrong.extend(error.mistakes)
        return None

    size = each(lambda: _option("--proxy", proxy, parse_scale))
    each(lambda: _option("--frames", frames, parse_frames) if frames else None)
    read = each(lambda: load_shot(shot, over=facts))
    settings = each(lambda: load_preset(preset, overrides=overrides))
    plate = each(lambda: open_plate(read, frames=frames)) if read and not wrong else None
    if size is None or settings is None or plate is None:
        raise SettingsError(wrong)
    return make_plan(plate, settings, proxy=size), plate, size


def _option(name: str, text: str, parse: Callable[[str], T]) -> T:
    try:
        return parse(text)
    except ValueError as error:
        raise SettingsError([Mistake(name, "", f'"{text}"', str(error), "see --help")]) from None
