"""widegauge depth layout"""

from __future__ import annotations

import click

from widegauge.errors import mistake


@click.command("layout")
def command() -> None:
    """To come."""
    raise mistake("depth layout", "", "", "is not there yet", "it is being built")
