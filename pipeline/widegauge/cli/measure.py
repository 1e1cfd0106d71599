"""widegauge measure"""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

import click

if TYPE_CHECKING:
    from widegauge.presets import PresetFile

F = TypeVar("F", bound=Callable[..., Any])


@click.group("measure")
def command() -> None:
    """Find the numbers in pictures: edge, grain, halation, blur, noise.

    EXR is taken as linear light; of every other picture say by which curve it is encoded.
    """


def _encoding(function: F) -> F:
    return click.option("--encoding", metavar="NAME", help="The picture's curve, as in a shot file; EXR is linear.")(
        function
    )


def _region(function: F) -> F:
    return click.option("--region", metavar="X,Y,W,H", help="Only this part, in pixels.")(function)


def _at(function: F) -> F:
    return click.option("--at", metavar="X,Y", help="Pixel on or beside the lamp.  [default: the brightest]")(function)


def _scale(function: F) -> F:
    """The ways to say how large a pixel is on the negative."""
    for option in (
        click.option("--format", "format_name", metavar="NAME", help="The negative's format that the picture fills."),
        click.option("--preset", "-p", metavar="NAME", help="A preset whose negative the picture fills."),
        click.option("--pixel-um", type=float, metavar="UM", help="Pixel pitch on the negative."),
    ):
        function = option(function)
    return function


def _results(function: F) -> F:
    for option in (
        click.option("--plot", type=click.Path(path_type=Path), metavar="FILE.png", help="Draw a plot."),
        click.option("--json", "as_json", is_flag=True, help="Print the numbers as JSON."),
    ):
        function = option(function)
    return function


@command.command("edge")
@click.argument("image", type=click.Path(path_type=Path))
@_region
@_encoding
@_scale
@_results
def edge(
    image: Path,
    region: str | None,
    encoding: str | None,
    pixel_um: float | None,
    preset: str | None,
    format_name: str | None,
    plot: Path | None,
    as_json: bool,
) -> None:
    """Spatial frequency response of a slanted edge in IMAGE (ISO 12233), with one edge in the region."""
    from widegauge.measure.edge import measure_edge
    from widegauge.report.measured import edge_data, edge_text
    from widegauge.run.examine import asked, open_light, parse_region
    from widegauge.run.examine import pixel_um as pitch

    _png(plot)
    where = parse_region(region)
    whole = open_light(image, encoding=encoding)
    light = whole.cut(where)
    light.refuse_clipped()
    found = asked(image, lambda: measure_edge(light.rgb))
    pitch_um = pitch(whole.full_px, stated_um=pixel_um, preset=_preset(preset), format_name=format_name)
    _say(image, light.region, edge_text(found, pixel_um=pitch_um), edge_data(found, pixel_um=pitch_um), as_json)
    if plot is not None:
        from widegauge.report.plots import edge_plot

        edge_plot(plot, found, title=f"{image.name}, slanted edge", pixel_um=pitch_um)


def _preset(name: str | None) -> PresetFile | None:
    from widegauge.presets import load_preset

    return None if name is None else load_preset(name)


def _png(plot: Path | None) -> None:
    from widegauge.errors import mistake

    if plot is not None and plot.suffix.lower() != ".png":
        raise mistake("--plot", "", f'"{plot}"', "plots are PNG pictures", "give a name that ends in .png")


def _say(image: Path, region: tuple[int, int, int, int] | None, text: str, data: dict[str, Any], as_json: bool) -> None:
    import json

    if as_json:
        click.echo(
            json.dumps({"file": str(image), "region": None if region is None else list(region)} | data, indent=2)
        )
    else:
        click.echo(text)
