"""widegauge depth scale"""

from __future__ import annotations

import math
from pathlib import Path
from typing import TYPE_CHECKING

import click

from widegauge.cli.depth.options import out_option, preset_option
from widegauge.cli.options import frames_option, shot_argument
from widegauge.errors import Mistake, SettingsError

if TYPE_CHECKING:
    from widegauge.depth.scale import Tape


@click.command("scale")
@shot_argument
@click.argument("maps", type=click.Path(path_type=Path))
@click.option(
    "--kind", required=True, type=click.Choice(["inverse", "distance"]), help="Near is large, or far is large."
)
@click.option(
    "--tape",
    "texts",
    required=True,
    multiple=True,
    metavar="X,Y,METRES[@FRAME]",
    help="A taped distance at x, y (fractions of the footage); inf for the sky of inverse maps.  "
    "[on the shot's first frame]",
)
@out_option
@preset_option
@frames_option
@click.option("--channel", metavar="NAME", help="Of EXR maps.  [the only one, or Z]")
@click.option("--invalid", type=float, metavar="VALUE", help="The value that means not known.  [none]")
@click.option("--proportional", is_flag=True, help="The maps are right but for one factor: one tape is enough.")
@click.option("--drifting", is_flag=True, help="A line for each frame with tapes, passing smoothly into the next.")
@click.option("--refit", is_flag=True, help="First bring each frame onto the first: what stands still keeps its value.")
def command(
    shot: Path,
    maps: Path,
    kind: str,
    texts: tuple[str, ...],
    out: Path,
    preset: str,
    frames: str | None,
    channel: str | None,
    invalid: float | None,
    proportional: bool,
    drifting: bool,
    refit: bool,
) -> None:
    """Turn relative depth MAPS of SHOT into metres by taped distances.

    Inverse maps are taken as a straight line in 1 / distance, distance maps as one in the distance. Tape one point
    at the focus distance, one near and one far. Of three or more tapes, one that is wrong is named and left out.
    """
    from widegauge.report.depthtext import doubts, line_text, tapes_text
    from widegauge.run.depthmaps.blur import blur_scale
    from widegauge.run.depthmaps.scale import fit_tapes, open_maps, write_scaled
    from widegauge.run.depthmaps.write import open_without_depth, refuse_sources, shot_lines

    tapes = read_tapes(texts, kind=kind, fewest=1 if proportional else 2, drifting=drifting)
    plate = open_without_depth(shot, frames=frames)
    scale_px_m = blur_scale(plate, preset)
    opened = open_maps(
        maps, plate, channel=channel, is_inverse=kind == "inverse", invalid=invalid, tapes=tapes, out=out
    )
    refuse_sources(out, plate)
    scaled = fit_tapes(plate, opened, tapes, is_proportional=proportional, is_drifting=drifting, is_refit=refit)
    click.echo("\n".join(tapes_text(scaled.tapes, scale_px_m)))
    for number, line in scaled.lines:
        click.echo(f"{line_text(line)}{f', frame {number}' if len(scaled.lines) > 1 else ''}")
    click.echo("\n".join(doubts(scaled.tapes, scaled.reaches)), err=True)
    for number in write_scaled(plate, opened, scaled, out=out):
        click.echo(f"frame {number}: done", err=True)
    click.echo(f"\n{shot_lines(plate.shot, plate.footage, out)}")


def read_tapes(
    texts: tuple[str, ...], *, kind: str, fewest: int, drifting: bool = False, is_network: bool = False
) -> list[Tape]:
    """Tapes as written; SettingsError with every one that cannot be read, or is too lonely."""
    from widegauge.depth.scale import Tape

    tapes, wrong = [], []
    for text in texts:
        place, _, frame = text.partition("@")
        try:
            x, y, metres = (float(part) for part in place.split(","))
            tape = Tape(x, y, metres, int(frame) if frame else None)
        except ValueError:
            wrong.append(Mistake("--tape", "", text, "is not X,Y,METRES or X,Y,METRES@FRAME", "write 0.31,0.72,2.1"))
            continue
        if not (0.0 <= x <= 1.0 and 0.0 <= y <= 1.0):
            rule, remedy = "x, y are fractions of the footage", "0 is left or top, 1 right or bottom"
            wrong.append(Mistake("--tape", "", text, rule, remedy))
        if not metres > 0.0 or (math.isinf(metres) and kind == "distance"):
            remedy = "inf is for the sky in inverse maps; give metres" if math.isinf(metres) else "give metres"
            wrong.append(Mistake("--tape", "", text, "the distance is not above 0, or not one", remedy))
        tapes.append(tape)
    remedy = "tape a near and a far point of that frame" + ("" if is_network else "; --proportional needs but one")
    groups = [[t for t in tapes if t.frame == n] for n in {t.frame for t in tapes}] if drifting else [tapes]
    wrong += [
        Mistake("--tape", "", ", ".join(map(str, group)), f"{len(group)} in all, where a line needs {fewest}",
                remedy)
        for group in groups if len(group) < fewest and not wrong
    ]  # fmt: skip
    if wrong:
        raise SettingsError(wrong)
    return tapes
