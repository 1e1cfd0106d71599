"""widegauge finish"""

from __future__ import annotations

from pathlib import Path

import click

from widegauge.cli.options import (
    frames_option,
    preset_option,
    proxy_option,
    set_option,
    shot_argument,
)


@click.command("finish")
@shot_argument
@preset_option
@click.option(
    "--out", "-o", required=True, type=click.Path(path_type=Path, file_okay=False), help="Folder for the frames."
)
@frames_option
@proxy_option
@set_option
@click.option(
    "--workers", default=0, type=click.IntRange(0, 256), help="Frames in flight; 0: as cores and memory allow."
)
def command(
    shot: Path,
    preset: str,
    out: Path,
    frames: str | None,
    proxy: str,
    overrides: tuple[str, ...],
    workers: int,
) -> None:
    """Run the stages of a preset over SHOT and write the frames back in the encoding they came in.

    A rerun of the same command skips the frames that are done and redoes what changed.
    """
    from widegauge.cli.progress import watched
    from widegauge.report.table import differences_text
    from widegauge.run.bind import bind
    from widegauge.run.job import make_job

    plan, plate, size = bind(shot, preset, overrides=overrides, frames=frames, proxy=proxy)
    click.echo(differences_text(plan), err=True)
    job = make_job(plan, plate, out=out, proxy=size)
    click.echo("\n".join(watched(job, workers=workers)))
