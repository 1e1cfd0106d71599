"""widegauge plan"""

from __future__ import annotations

from pathlib import Path

import click

from widegauge.cli.options import planned, preset_option, proxy_option, set_option, shot_argument


@click.command("plan")
@shot_argument
@preset_option
@set_option
@proxy_option
@click.option("--json", "as_json", is_flag=True, help="Print the numbers as JSON.")
def command(shot: Path, preset: str, overrides: tuple[str, ...], proxy: str, as_json: bool) -> None:
    """What the large negative would need for SHOT, and the difference for each stage."""
    import json

    from widegauge.report.table import plan_text

    plan, _, _ = planned(shot, preset, overrides=overrides, proxy=proxy)
    click.echo(json.dumps(plan.to_json(), indent=2) if as_json else plan_text(plan))
