"""Options that several of depth's verbs share."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any, TypeVar

import click

F = TypeVar("F", bound=Callable[..., Any])

DEFAULT_PRESET = "15-perf-65"


def preset_option(function: F) -> F:
    """The negative by whose blur depth is judged."""
    return click.option(
        "--preset",
        "-p",
        default=DEFAULT_PRESET,
        show_default=True,
        metavar="NAME",
        help="The negative by whose blur depth is judged: a preset's name, or a file.",
    )(function)


def out_option(function: F) -> F:
    return click.option(
        "--out", "-o", required=True, type=click.Path(path_type=Path, file_okay=False), help="Folder for the maps."
    )(function)
