"""widegauge presets"""

from __future__ import annotations

from pathlib import Path

import click


@click.group("presets")
def command() -> None:
    """List, show and check presets, and print their schema."""


@command.command("list")
def list_() -> None:
    """Name the presets, formats and stocks."""
    from widegauge.presets import formats, load_preset, preset_names, stocks

    click.echo("presets")
    for name in preset_names():
        click.echo(f"  {name:<22} {load_preset(name).title}")
    click.echo("formats")
    for name, form in formats().items():
        click.echo(f"  {name:<22} {form.picture_mm[0]:g} x {form.picture_mm[1]:g} mm, {form.area} area")
    click.echo("stocks")
    for name, stock in stocks().items():
        click.echo(f"  {name:<22} {stock.title}")


@command.command("show")
@click.argument("name")
def show(name: str) -> None:
    """Explain a preset, a format or a stock: every key with its value, what it means, and its source."""
    from widegauge.presets import formats, load_preset, stocks
    from widegauge.report.table import preset_text, record_text

    if name in formats():
        click.echo(record_text(name, formats()[name]))
    elif name in stocks():
        click.echo(record_text(name, stocks()[name]))
    else:
        click.echo(preset_text(load_preset(name)))


@command.command("check")
@click.argument("files", nargs=-1, required=True, type=click.Path(path_type=Path))
def check(files: tuple[Path, ...]) -> None:
    """Read preset files and list every mistake in them."""
    from widegauge.errors import Mistake, SettingsError
    from widegauge.presets import load_preset

    wrong: list[Mistake] = []
    for file in files:
        try:
            load_preset(str(file))
            click.echo(f"{file}: good")
        except SettingsError as error:
            wrong.extend(error.mistakes)
    if wrong:
        raise SettingsError(wrong)


@command.command("schema")
@click.option("--shot", is_flag=True, help="Of a shot file instead: every key, and what it means.")
def schema(shot: bool) -> None:
    """Print the JSON Schema of a preset file."""
    import json

    from widegauge.presets import schema
    from widegauge.shot import Shot

    click.echo(json.dumps(Shot.model_json_schema() if shot else schema(), indent=2))
