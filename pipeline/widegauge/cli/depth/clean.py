"""widegauge depth clean"""

from __future__ import annotations

from pathlib import Path

import click

from widegauge.cli.depth.options import out_option, preset_option
from widegauge.cli.options import frames_option, proxy_option, shot_argument


@click.command("clean")
@shot_argument
@out_option
@preset_option
@frames_option
@proxy_option
@click.option(
    "--window", type=click.Choice(["1", "3", "5"]), default="5", show_default=True, help="Frames in each median."
)
@click.option(
    "--align",
    "align_px",
    type=click.FloatRange(0.0, 8.0),
    metavar="PX",
    help="How far edges may move to the plate's.  [a pixel of a smaller or soft map; 0 for a hard one]",
)
def command(
    shot: Path, out: Path, preset: str, frames: str | None, proxy: str, window: str, align_px: float | None
) -> None:
    """Settle SHOT's own depth: noise by a median, flicker by one over time, edges by the plate.

    Maps smaller than the footage come out at its size, or the proxy's. What is not known is filled from the farther
    side.
    """
    from widegauge.plate import open_plate
    from widegauge.report.depthtext import cleaned_text
    from widegauge.run.depthmaps.blur import blur_scale, focus_of
    from widegauge.run.depthmaps.clean import cleaner, write_cleaned
    from widegauge.run.depthmaps.write import refuse_sources, shot_lines
    from widegauge.shot import load_shot

    plate = open_plate(load_shot(shot), frames=frames)
    refuse_sources(out, plate)
    focus = focus_of(plate)
    scale_px_m = blur_scale(plate, preset)(float("inf") if focus is None else focus.nearest_m)
    made = cleaner(plate, scale_px_m=scale_px_m, window=int(window), align_px=align_px, proxy=proxy)
    for told in write_cleaned(made, out=out):
        click.echo(
            cleaned_text(
                told.number,
                noise_frac=told.noise_frac,
                softness_px=told.softness_px,
                frames=told.frames,
                remarks=told.remarks,
            ),
            err=True,
        )
    click.echo(shot_lines(plate.shot, plate.footage, out))
