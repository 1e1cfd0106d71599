"""A group of commands that imports a command's module only when it is called."""

from __future__ import annotations

import importlib
from collections.abc import Mapping
from typing import Any

import click


class LazyGroup(click.Group):
    """Commands by module name: each module of ``package`` holds one as ``command``.

    ``verbs`` maps a command's name to its line of help, so that help imports nothing.
    """

    def __init__(self, *args: Any, package: str, verbs: Mapping[str, str], **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self._package, self._verbs = package, verbs

    def list_commands(self, ctx: click.Context) -> list[str]:
        return list(self._verbs)

    def get_command(self, ctx: click.Context, name: str) -> click.Command | None:
        if name not in self._verbs:
            return None
        command: click.Command = importlib.import_module(f"{self._package}.{name}").command
        return command

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        with formatter.section("Commands"):
            formatter.write_dl(list(self._verbs.items()))
