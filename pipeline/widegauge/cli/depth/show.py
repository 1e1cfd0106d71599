"""widegauge depth show"""

from __future__ import annotations

import click

from widegauge.errors import mistake


@click.command("show")
def command() -> None:
    """To come."""
    raise mistake("depth show", "", "", "is not there yet", "it is being built")
