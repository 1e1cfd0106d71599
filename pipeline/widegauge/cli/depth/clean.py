"""widegauge depth clean"""

from __future__ import annotations

import click

from widegauge.errors import mistake


@click.command("clean")
def command() -> None:
    """To come."""
    raise mistake("depth clean", "", "", "is not there yet", "it is being built")
