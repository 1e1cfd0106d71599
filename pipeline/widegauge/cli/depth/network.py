"""widegauge depth network"""

from __future__ import annotations

import click

from widegauge.errors import mistake


@click.command("network")
def command() -> None:
    """To come."""
    raise mistake("depth network", "", "", "is not there yet", "it is being built")
