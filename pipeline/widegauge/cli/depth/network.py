"""widegauge depth network"""

from __future__ import annotations

from pathlib import Path

import click

from widegauge.cli.depth.options import out_option, preset_option
from widegauge.cli.options import frames_option, proxy_option, shot_argument


@click.command("network")
@shot_argument
@click.option("--model", required=True, type=click.Path(path_type=Path), metavar="FILE.onnx", help="The network.")
@out_option
@click.option("--kind", type=click.Choice(["inverse", "metric"]), help="What it gives: near is large, or metres.")
@click.option(
    "--tape", "texts", multiple=True, metavar="X,Y,METRES[@FRAME]",
    help="Of an inverse one: a taped distance at x, y (fractions of the footage); inf for the sky.  "
    "[on the shot's first frame]",
)  # fmt: skip
@click.option(
    "--input-px", metavar="WxH", help="Size it is given.  [the file's; any: about 518x518 in the frame's shape]"
)
@click.option("--mean", metavar="R,G,B", help="Taken from codes 0 to 1.  [0.485,0.456,0.406]")
@click.option("--spread", metavar="R,G,B", help="Then divided by.  [0.229,0.224,0.225]")
@click.option("--layout", type=click.Choice(["NCHW", "NHWC"]), help="Where its channels are.  [by the file]")
@click.option("--output", metavar="NAME", help="Of several outputs, the one with depth.")
@click.option("--tiles", default="1x1", show_default=True, metavar="COLSxROWS", help="Show it parts, for more detail.")
@click.option("--window", default=3, show_default=True, help="Frames over which values settle along the motion.")
@preset_option
@frames_option
@proxy_option
def command(
    shot: Path,
    model: Path,
    out: Path,
    kind: str | None,
    texts: tuple[str, ...],
    input_px: str | None,
    mean: str | None,
    spread: str | None,
    layout: str | None,
    output: str | None,
    tiles: str,
    window: int,
    preset: str,
    frames: str | None,
    proxy: str,
) -> None:
    """Depth of SHOT by a single-picture network of your own choice.

    What is not told is read from the network's own metadata (kind, input_px, mean, spread, layout, output). An
    inverse network's maps become metres by taped distances; without tapes they are written as they are.
    """
    from widegauge.cli.depth.scale import read_tapes
    from widegauge.depth.network import Wants
    from widegauge.report.depthtext import doubts, line_text, tapes_text
    from widegauge.run.depthmaps import network
    from widegauge.run.depthmaps.blur import astray, blur_scale
    from widegauge.run.depthmaps.write import shot_lines

    tapes = read_tapes(texts, kind="inverse", fewest=2, is_network=True) if texts else []
    wants = Wants(kind, input_px, layout, mean, spread, output)
    job = network.open_job(
        shot, model, wants, out=out, frames=frames, tiles=tiles, window=window, tapes=tapes, proxy=proxy
    )
    scale_px_m = blur_scale(job.plate, preset)
    doubt = None
    for number, depth_m in network.write_maps(job):
        click.echo(f"frame {number}: seen", err=True)
        doubt = doubt or (astray(job.plate, number, depth_m) if job.is_metric else None)
    width, height = job.map_px
    click.echo(f"{job.network.kind} maps of {width} x {height}: {job.maps}")
    if doubt is not None:
        click.echo(f"{doubt}. Tape two or more distances, and give them with --kind inverse", err=True)
    if job.is_metric:
        click.echo(f"\n{shot_lines(job.plate.shot, job.plate.footage, out)}")
        return
    if not tapes:
        click.echo("they are relative: tape two or more distances, and give them here", err=True)
        click.echo(f'\n{shot_lines(job.plate.shot, job.plate.footage, job.maps)}\nkind = "inverse"\ninvalid = nan')
        click.echo("taped = [[0.50, 0.60, 2.1], [0.80, 0.40, 9.5]]    # x, y, metres: put your own here")
        return
    scaled = network.scale(job)
    click.echo("\n".join(tapes_text(scaled.tapes, scale_px_m)))
    for _, line in scaled.lines:
        click.echo(line_text(line))
    click.echo("\n".join(doubts(scaled.tapes, scaled.reaches)), err=True)
    network.write_scaled(job, scaled)
    click.echo(f"\n{shot_lines(job.plate.shot, job.plate.footage, out)}")
