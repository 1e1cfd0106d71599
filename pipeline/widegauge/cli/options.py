"""Options that several verbs share."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any, TypeVar

import click

F = TypeVar("F", bound=Callable[..., Any])


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
