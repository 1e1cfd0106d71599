"""Options that several verbs share."""

from __future__ import annotations

import math
from collections.abc import Callable
from pathlib import Path
from typing import Any, TypeVar

import click

F = TypeVar("F", bound=Callable[..., Any])


class Number(click.FloatRange):
    """A finite number, within bounds that may be left out."""

    name = "number"

    def _describe_range(self) -> str:
        """Nothing in --help where nothing bounds it."""
        return "" if self.min is None and self.max is None else super()._describe_range()

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Any:
        number = super().convert(value, param, ctx)
        if not math.isfinite(number):
            self.fail(f"{number} is not a finite number.", param, ctx)
        return number


STOPS = Number(-16.0, 16.0)
"""A gain that a picture may be shown with, or a shot exposed by."""


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
