"""widegauge demo"""

from __future__ import annotations

from pathlib import Path

import click

from widegauge.cli.options import proxy_option
from widegauge.errors import mistake

_SAMPLES = Path(__file__).parents[3] / "sample_frames"
_PRESET = "15-perf-65"
_CHART_PRESETS = (_PRESET, "super-16")
"""On the large negative the footage limits resolved detail, on the small one the negative does."""


@click.command("demo")
@click.option(
    "--out", default="out/demo", show_default=True, type=click.Path(path_type=Path), help="Folder for the results."
)
@click.option(
    "--preset", "-p", metavar="NAME", help=f"The negative to finish on.  [default: {_PRESET}; chart: super-16 too]"
)
@click.option(
    "--shot",
    type=click.Path(path_type=Path),
    help="Another shot file.  [default: the sample frames of this checkout]",
)
@click.option("--chart", is_flag=True, help="Finish the test chart; print what was planned beside what is found.")
@proxy_option
def command(out: Path, preset: str | None, shot: Path | None, chart: bool, proxy: str) -> None:
    """Finish the sample frames; write a wipe and a sheet of the stages; say where to look."""
    if shot is None and not _SAMPLES.is_dir():
        rule = "the sample frames come with the source, not with an installed program"
        raise mistake("demo", "--shot", "", rule, "give a shot file, or run it in a checkout")
    if chart:
        _chart(out / "chart", (preset,) if preset else _CHART_PRESETS, shot or _SAMPLES / "chart.toml", proxy)
    else:
        _scene(out, preset or _PRESET, shot or _SAMPLES / "landing.toml", proxy)


def _scene(out: Path, preset: str, shot: Path, proxy: str) -> None:
    from widegauge.cli.progress import watched
    from widegauge.report.table import plan_text
    from widegauge.run.bind import bind
    from widegauge.run.job import make_job
    from widegauge.run.show import show_stages

    plan, plate, size = bind(shot, preset, proxy=proxy)
    click.echo(plan_text(plan))
    job = make_job(plan, plate, out=out / "frames", proxy=size)
    click.echo("\n".join(["", *watched(job), ""]))
    for path, what in show_stages(plan, plate, out=out):
        click.echo(f"{path}: {what}")


def _chart(out: Path, presets: tuple[str, ...], shot: Path, proxy: str) -> None:
    from widegauge.cli.progress import watched
    from widegauge.report.checked import checked_text
    from widegauge.run.bind import bind
    from widegauge.run.chart import check_chart
    from widegauge.run.job import make_job

    parts = {}
    for preset in presets:
        plan, plate, size = bind(shot, preset, proxy=proxy)
        job = make_job(plan, plate, out=out / Path(preset).stem, proxy=size)
        watched(job)
        parts[plan.preset.title] = check_chart(job)
    click.echo(checked_text(parts))
