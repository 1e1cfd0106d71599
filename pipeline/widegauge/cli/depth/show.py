"""widegauge depth show"""

from __future__ import annotations

from pathlib import Path

import click

from widegauge.cli.options import shot_argument


@click.command("show")
@shot_argument
@click.option("--preset", "-p", metavar="NAME", help="Also draw the blur radius on this negative.")
@click.option("--frame", type=int, metavar="NUMBER", help="The frame to look at.  [the middle one]")
@click.option("--out", "-o", required=True, type=click.Path(path_type=Path, dir_okay=False), help="A PNG.")
def command(shot: Path, preset: str | None, frame: int | None, out: Path) -> None:
    """Draw SHOT's depth: distances with contours, the line of focus, what is not known, and blur in pixels."""
    from widegauge.plate import open_plate
    from widegauge.report.depthtext import looked_text
    from widegauge.run.depthmaps.blur import focus_of
    from widegauge.run.depthmaps.show import show_depth
    from widegauge.shot import load_shot

    plate = open_plate(load_shot(shot))
    seen = show_depth(plate, focus_of(plate), number=frame, preset=preset, out=out)
    click.echo(
        looked_text(
            seen.number,
            range_m=(seen.near_m, seen.far_m),
            unknown_frac=seen.unknown_frac,
            focus_m=seen.focus_m,
            radius_px=seen.radius_px,
        )
    )
    if seen.doubt:
        click.echo(seen.doubt, err=True)
    click.echo(f"{out}: distances{', and blur' if seen.radius_px else ''}")
