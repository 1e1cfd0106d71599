"""widegauge depth stereo"""

from __future__ import annotations

import click

from widegauge.errors import mistake


@click.command("stereo")
def command() -> None:
    """To come."""
    raise mistake("depth stereo", "", "", "is not there yet", "it is being built")
