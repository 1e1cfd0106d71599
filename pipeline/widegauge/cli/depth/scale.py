"""widegauge depth scale"""

from __future__ import annotations

import click

from widegauge.errors import mistake


@click.command("scale")
def command() -> None:
    """To come."""
    raise mistake("depth scale", "", "", "is not there yet", "it is being built")
