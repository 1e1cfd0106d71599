"""Options that several verbs share, and the way from their words to a plan."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from fractions import Fraction
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

import click

from widegauge.errors import Mistake, SettingsError
from widegauge.units import parse_frames, parse_scale

if TYPE_CHECKING:
    from widegauge.plan import Plan
    from widegauge.plate import Plate

F = TypeVar("F", bound=Callable[..., Any])
T = TypeVar("T")


def shot_argument(function: F) -> F:
    return click.argument("shot", type=click.Path(path_type=Path))(function)


def preset_option(function: F) -> F:
    return click.option(
        "--preset",
        "-p",
        required=True,
        metavar="NAME",
        help="A preset's name (see `widegauge presets list`), or a file.",
    )(function)


def set_option(function: F) -> F:
    return click.option(
        "--set",
        "overrides",
        multiple=True,
        metavar="STAGE.KEY=VALUE",
        help="Override one key of the preset; repeatable.",
    )(function)


def frames_option(function: F) -> F:
    return click.option("--frames", metavar="RANGE", help="Only these frames: 1001-1010, or 1001-1048x2.")(function)


def proxy_option(function: F) -> F:
    return click.option("--proxy", default="1", metavar="SIZE", help="A smaller preview: 1/2, 1/4 ...")(function)


def planned(
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
    from widegauge.plan import make_plan
    from widegauge.plate import open_plate
    from widegauge.presets import load_preset
    from widegauge.shot import load_shot

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
