"""widegauge measure"""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

import click

from widegauge.cli.options import STOPS, Number
from widegauge.errors import MediaError, mistake

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
        click.option("--pixel-um", type=Number(), metavar="UM", help="Pixel pitch on the negative."),
    ):
        function = option(function)
    return function


def _png(ctx: click.Context, option: click.Parameter, plot: Path | None) -> Path | None:
    if plot is not None and plot.suffix.lower() != ".png":
        raise mistake("--plot", "", f'"{plot}"', "plots are PNG pictures", "give a name that ends in .png")
    return plot


def _results(function: F) -> F:
    for option in (
        click.option("--plot", type=click.Path(path_type=Path), callback=_png, metavar="FILE.png", help="Draw a plot."),
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

    where = parse_region(region)
    whole = open_light(image, encoding=encoding)
    pitch_um = pitch(whole.full_px, stated_um=pixel_um, preset=_preset(preset), format_name=format_name)
    light = whole.cut(where)
    light.refuse_clipped()
    found = asked(image, lambda: measure_edge(light.rgb))
    text, data = edge_text(found, pixel_um=pitch_um), edge_data(found, pixel_um=pitch_um)
    _say(image, light.region, text, data, as_json, doubts=found.doubts)
    _draw(plot, "edge", found, title=f"{image.name}, slanted edge", pixel_um=pitch_um)


@command.command("grain")
@click.argument("images", nargs=-1, required=True, type=click.Path(path_type=Path))
@click.option("--preset", "-p", required=True, metavar="NAME", help="The preset that says stock, format and scan.")
@click.option(
    "--region", "regions", multiple=True, metavar="X,Y,W,H", help="A flat part; repeatable.  [default: found]"
)
@click.option(
    "--aperture-um", type=Number(), default=48.0, show_default=True, metavar="UM", help="Of the densitometer."
)
@click.option("--pixel-um", type=Number(), metavar="UM", help="Pixel pitch on the negative.  [default: by the preset]")
@click.option("--exposure-stops", type=STOPS, default=0.0, show_default=True, help="As the shot file has it.")
@_encoding
@_results
def grain(
    images: tuple[Path, ...],
    preset: str,
    regions: tuple[str, ...],
    aperture_um: float,
    pixel_um: float | None,
    exposure_stops: float,
    encoding: str | None,
    plot: Path | None,
    as_json: bool,
) -> None:
    """Granularity in flat parts of IMAGES (frames of one shot), as a microdensitometer would read the negative."""
    from widegauge.presets import load_preset, stocks
    from widegauge.report.measured import grain_data, grain_text
    from widegauge.run.examine import find_grain, open_lights, parse_region
    from widegauge.run.examine import pixel_um as pitch

    settings = load_preset(preset)
    where = [region for region in map(parse_region, regions) if region is not None]
    lights = open_lights(images, encoding=encoding)
    pitch_um = pitch(lights[0].full_px, stated_um=pixel_um, preset=settings, format_name=None) or 0.0
    found = find_grain(
        lights, where, preset=settings, pitch_um=pitch_um, aperture_um=aperture_um, footage_stops=exposure_stops
    )
    stock = stocks()[settings.negative.stock]
    text = grain_text(found, pixel_um=pitch_um, stock=stock.title)
    doubts = tuple(dict.fromkeys(doubt for each in found for doubt in each.doubts))
    _say(images[0], None, text, grain_data(found, pixel_um=pitch_um), as_json, doubts=doubts)
    title = f"{images[0].name}, grain on {stock.title}, {pitch_um:.2f} um a pixel"
    _draw(plot, "grain", found, stock, title=title)


@command.command("halation")
@click.argument("image", type=click.Path(path_type=Path))
@_at
@click.option("--reach-px", type=Number(), metavar="PX", help="How far around the lamp to look.")
@_encoding
@_scale
@_results
def halation(
    image: Path,
    at: str | None,
    reach_px: float | None,
    encoding: str | None,
    pixel_um: float | None,
    preset: str | None,
    format_name: str | None,
    plot: Path | None,
    as_json: bool,
) -> None:
    """Radius of the ring around a lamp in IMAGE, and the share of its light that came back."""
    from widegauge.measure.halation import ACETATE_INDEX, measure_halation
    from widegauge.physics import base
    from widegauge.presets import stocks
    from widegauge.report.measured import halation_data, halation_text
    from widegauge.run.examine import asked, halation_reach_px, open_light, parse_place
    from widegauge.run.examine import pixel_um as pitch

    place, settings = parse_place(at), _preset(preset)
    light = open_light(image, encoding=encoding)
    pitch_um = pitch(light.full_px, stated_um=pixel_um, preset=settings, format_name=format_name)
    stock = None if settings is None else stocks()[settings.negative.stock]
    index = ACETATE_INDEX if stock is None else stock.base_index
    reach = halation_reach_px(reach_px, pitch_um)
    light.refuse_clipped_lamp(place)
    found = asked(image, lambda: measure_halation(light.rgb, at=place, reach_px=reach, index=index))
    expected = None if stock is None else base.ring_radius_mm(thickness_mm=stock.base_thickness_mm, index=index)
    text = halation_text(found, pixel_um=pitch_um, expected_mm=expected)
    _say(image, None, text, halation_data(found, pixel_um=pitch_um), as_json, doubts=found.doubts)
    _draw(plot, "halation", found, title=f"{image.name}, around the lamp", pixel_um=pitch_um)


@command.command("blur")
@click.argument("image", type=click.Path(path_type=Path))
@_at
@_region
@click.option(
    "--less-px", type=Number(), default=0.0, help="Radius to take off in quadrature: what was blurred before."
)
@_encoding
@_scale
@_results
def blur(
    image: Path,
    at: str | None,
    region: str | None,
    less_px: float,
    encoding: str | None,
    pixel_um: float | None,
    preset: str | None,
    format_name: str | None,
    plot: Path | None,
    as_json: bool,
) -> None:
    """Blur radius in IMAGE: of an edge in --region, or of a lamp (--at, or the brightest)."""
    from widegauge.measure.blur import measure_edge_blur, measure_lamp_blur
    from widegauge.report.measured import blur_data, blur_text
    from widegauge.run.examine import asked, open_light, parse_place, parse_region
    from widegauge.run.examine import pixel_um as pitch

    place, where = parse_place(at), parse_region(region)
    if place is not None and where is not None:
        raise mistake("--at", "", at, "a lamp and an edge at once", "give --at for a lamp, or --region for an edge")
    if less_px < 0.0:
        raise mistake("--less-px", "", less_px, "a radius is not below 0", "give pixels")
    whole = open_light(image, encoding=encoding)
    pitch_um = pitch(whole.full_px, stated_um=pixel_um, preset=_preset(preset), format_name=format_name)
    light = whole.cut(where)
    if where is None:
        light.refuse_clipped_lamp(place)
        found = asked(image, lambda: measure_lamp_blur(light.rgb, at=place, less_px=less_px))
    else:
        light.refuse_clipped()
        found = asked(image, lambda: measure_edge_blur(light.rgb, less_px=less_px))
    text, data = blur_text(found, pixel_um=pitch_um), blur_data(found, pixel_um=pitch_um)
    _say(image, where, text, data, as_json, doubts=found.doubts)
    _draw(plot, "blur", found, light.rgb, title=f"{image.name}, blur", pixel_um=pitch_um)


@command.command("noise")
@click.argument("footage", type=click.Path(path_type=Path))
@click.option("--exposure-stops", type=STOPS, default=0.0, show_default=True, help="As the shot file has it.")
@_encoding
@_results
def noise(footage: Path, exposure_stops: float, encoding: str | None, plot: Path | None, as_json: bool) -> None:
    """Noise of FOOTAGE itself against exposure: a shot file, numbered frames, a folder or a movie."""
    from widegauge.measure.noise import find_noise
    from widegauge.report.measured import noise_data, noise_text
    from widegauge.run.examine import footage_frames

    found = find_noise(footage_frames(footage, encoding=encoding))
    if not found.rows:
        raise MediaError(f"{footage}: nothing is flat enough to read noise from. Take frames with even walls or sky.")
    if not any(sigma > 0.0 for _, sigma in found.rows):
        raise MediaError(
            f"{footage}: coded too coarsely to show noise: most neighbouring pixels are equal. "
            "Take the original, with more bits."
        )
    text = noise_text(found, exposure_stops=exposure_stops)
    _say(footage, None, text, noise_data(found), as_json, doubts=found.doubts)
    _draw(plot, "noise", found, title=f"{footage.name}, noise of the footage", exposure_stops=exposure_stops)


def _preset(name: str | None) -> PresetFile | None:
    from widegauge.presets import load_preset

    return None if name is None else load_preset(name)


def _say(
    image: Path,
    region: tuple[int, int, int, int] | None,
    text: str,
    data: dict[str, Any],
    as_json: bool,
    *,
    doubts: tuple[str, ...] = (),
) -> None:
    import json

    if as_json:
        head = {"file": str(image), "region": None if region is None else list(region)}
        click.echo(json.dumps(head | data | {"doubts": list(doubts)}, indent=2))
    else:
        click.echo("\n".join((text, *([""] if doubts else []), *(f"doubt: {doubt}" for doubt in doubts))))


def _draw(path: Path | None, kind: str, *found: Any, **words: Any) -> None:
    """Draw what was found, by the plot of that kind, when a place for it was given."""
    if path is None:
        return
    from widegauge.report import plots

    try:
        getattr(plots, f"{kind}_plot")(path, *found, **words)
    except OSError as error:
        raise MediaError(f"{path}: can't be written ({error.strerror}). Choose another place, or free some.") from error
