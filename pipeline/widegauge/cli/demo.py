"""widegauge demo"""

from __future__ import annotations

from pathlib import Path

import click

from widegauge.cli.options import planned, proxy_option

_CHECKOUT = Path(__file__).parents[3]


@click.command("demo")
@click.option(
    "--out", default="out/demo", show_default=True, type=click.Path(path_type=Path), help="Folder for the results."
)
@click.option("--preset", "-p", default="15-perf-65", show_default=True, help="The negative to finish on.")
@click.option(
    "--shot",
    default=_CHECKOUT / "sample_frames" / "landing.toml",
    type=click.Path(path_type=Path),
    help="Another shot file.  [default: the sample frames of this checkout]",
)
@proxy_option
def command(out: Path, preset: str, shot: Path, proxy: str) -> None:
    """Finish the sample frames; write a wipe and a sheet of the stages; say where to look."""
    from widegauge.cli.progress import watched
    from widegauge.report.table import plan_text
    from widegauge.run.finish import make_job
    from widegauge.run.show import show_stages

    plan, plate, size = planned(shot, preset, proxy=proxy)
    click.echo(plan_text(plan))
    job = make_job(plan, plate, out=out / "frames", proxy=size)
    click.echo("\n".join(["", *watched(job), ""]))
    for path, what in show_stages(plan, plate, out=out):
        click.echo(f"{path}: {what}")
