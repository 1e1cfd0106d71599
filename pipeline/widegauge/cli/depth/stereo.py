"""widegauge depth stereo"""

from __future__ import annotations

from pathlib import Path

import click

from widegauge.cli.depth.options import out_option, preset_option
from widegauge.cli.options import frames_option, proxy_option, shot_argument


@click.command("stereo")
@shot_argument
@click.argument("right", type=click.Path(path_type=Path))
@out_option
@click.option("--baseline-m", type=float, metavar="M", help="Between the entrance pupils; below 0: RIGHT is the left.")
@click.option("--focal-px", type=float, metavar="PX", help="Focal length in pixels.  [by the shot's lens and sensor]")
@click.option("--converged-m", type=float, metavar="M", help="Where the lens axes cross.  [parallel]")
@click.option("--offset-px", type=float, metavar="PX", help="Added to each disparity, in place of --converged-m.")
@click.option(
    "--calibration", type=click.Path(path_type=Path), metavar="FILE.toml",
    help="Both cameras' matrices, distortion, rotation and translation, in place of the above.",
)  # fmt: skip
@click.option("--nearest-m", type=float, metavar="M", help="Nothing in the frame is nearer.  [found]")
@click.option("--farthest-m", type=float, metavar="M", help="Nothing in the frame is farther.  [infinity]")
@click.option("--right-part", metavar="NAME", help="Part or layer of an EXR that RIGHT is.")
@preset_option
@frames_option
@proxy_option
def command(
    shot: Path,
    right: Path,
    out: Path,
    baseline_m: float | None,
    focal_px: float | None,
    converged_m: float | None,
    offset_px: float | None,
    calibration: Path | None,
    nearest_m: float | None,
    farthest_m: float | None,
    right_part: str | None,
    preset: str,
    frames: str | None,
    proxy: str,
) -> None:
    """Depth of SHOT from RIGHT, the same moments seen from the right: numbered frames, a folder, or a movie.

    The rows of the two views must agree, or a calibration say how they lie. What only the footage sees is filled
    from the farther side. Distances are Z = focal_px baseline_m / (disparity + offset_px).
    """
    from widegauge.run.depthmaps.blur import astray
    from widegauge.run.depthmaps.stereo import Rig, blur_per_px, look, open_pair, write_matched
    from widegauge.run.depthmaps.write import shot_lines

    rig = Rig(focal_px, baseline_m, offset_px, converged_m, calibration, nearest_m, farthest_m)
    pair = open_pair(shot, right, rig, out=out, frames=frames, right_part=right_part, proxy=proxy)
    per_px = blur_per_px(pair, preset)
    width, height = pair.matched_px
    click.echo(
        f"focal length {pair.focal_px * pair.shrink:.1f} px, baseline {pair.baseline_m:.4g} m; maps of {width} x "
        f"{height}" + (f", 1/{pair.shrink} of the footage" if pair.shrink > 1 else "")
    )
    if per_px is not None:
        click.echo(f"a disparity that is 1 px off is {per_px:.2g} px off in blur radius on {preset}")
    for remark in look(pair):
        click.echo(f"note: {remark}", err=True)
    doubt = None
    for number, found in write_matched(pair, out=out):
        click.echo(f"frame {number}: {found.share:.1%} found in both views, {found.nearest_m:.3g} m and farther")
        doubt = doubt or astray(pair.plate, number, found.depth_m)
    if doubt is not None:
        click.echo(
            f"{doubt}. Measure the baseline again, and the distance of the focus; look at the focal length", err=True
        )
    click.echo(f"\n{shot_lines(pair.plate.shot, pair.plate.footage, out)}")
