"""widegauge plan"""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

import click

from widegauge.cli.options import Number, proxy_option, set_option
from widegauge.errors import Mistake, SettingsError, mistake
from widegauge.units import parse_rate

if TYPE_CHECKING:
    from widegauge.plan import Plan

F = TypeVar("F", bound=Callable[..., Any])

DEFAULT_PRESET = "15-perf-65"
UHD_WIDTH_PX = 3840
MAX_WIDTH_PX = 32768


_FACTS: tuple[tuple[str, str, str, Any, str, str], ...] = (
    ("--sensor", "camera", "sensor_mm", str, "MM", "The part of the sensor that the picture covers: 23.5x15.7."),
    ("--camera-mtf50", "camera", "mtf50_cpp", float, "CPP", "Cycles per pixel at half response."),
    ("--focal", "lens", "focal_mm", float, "MM", "The lens's own focal length."),
    ("--stop", "lens", "stop", str, "STOP", "As marked: f/1.4 or T1.5."),
    ("--transmittance", "lens", "transmittance", float, "SHARE", "With a T-stop: 0.8 to 0.95 is usual."),
    ("--focal-reducer", "lens", "focal_reducer", float, "M", "Magnification of the focal reducer behind the lens."),
    ("--focus", "focus", "distance_m", float, "METRES", "From the entrance pupil; inf for infinity."),
    ("--camera-height", "set", "camera_height_m", float, "METRES", "Of the lens above the ground."),
    ("--tilt", "set", "tilt_deg", float, "DEGREES", "Below 0 looks down."),
)


def _fact_options(function: F) -> F:
    for option, _, key, kind, unit, text in reversed(_FACTS):
        function = click.option(option, key, type=kind, metavar=unit, help=text)(function)
    return function


@click.command("plan")
@click.argument("shot", required=False, type=click.Path(path_type=Path))
@click.option(
    "--preset",
    "-p",
    default=DEFAULT_PRESET,
    show_default=True,
    metavar="NAME",
    help="A preset's name (see `widegauge presets list`), or a file.",
)
@set_option
@proxy_option
@_fact_options
@click.option(
    "--width", metavar="PX", type=click.IntRange(1, MAX_WIDTH_PX), help=f"Footage width without SHOT.  [{UHD_WIDTH_PX}]"
)
@click.option("--rate", metavar="FPS", help="Frame rate without SHOT.  [24]")
@click.option("--format", "format_", metavar="NAME", help="The negative's format, instead of the preset's.")
@click.option("--negative-stop", metavar="F/N", help="The large camera's stop, instead of the preset's.")
@click.option("--negative-focal", type=float, metavar="MM", help="The large camera's lens, instead of --focal, --stop.")
@click.option("--match", is_flag=True, help="Also list the lenses that would give the negative's view and depth.")
@click.option("--reducer", "reducers", multiple=True, metavar="M", type=Number(0.1, 2.0), help="One more for --match.")
@click.option("--model", "model_scale", metavar="1:N", help="Also say how to shoot this on a model of that scale.")
@click.option("--sheet", type=click.Path(path_type=Path, dir_okay=False), help="Write a set-up sheet, one HTML page.")
@click.option("--title", metavar="TEXT", help="What to call the shot.")
@click.option("--json", "as_json", is_flag=True, help="Print the numbers as JSON.")
def command(
    shot: Path | None,
    preset: str,
    overrides: tuple[str, ...],
    proxy: str,
    width: int | None,
    rate: str | None,
    format_: str | None,
    negative_stop: str | None,
    negative_focal: float | None,
    match: bool,
    reducers: tuple[float, ...],
    model_scale: str | None,
    sheet: Path | None,
    title: str | None,
    as_json: bool,
    **facts: Any,
) -> None:
    """What the large negative would need for SHOT, and the difference for each stage.

    Without SHOT the options state the camera: --sensor, --focal and --stop at least. With SHOT they take the place
    of what its file says, to try another lens or stop.
    """
    import json

    from widegauge.advice.answers import answers_for
    from widegauge.recce import parse_model_scale, parse_size, stated
    from widegauge.report.table import plan_text

    scale = None if model_scale is None else stated("--model", model_scale, parse_model_scale)
    if facts["sensor_mm"] is not None:
        facts["sensor_mm"] = stated("--sensor", facts["sensor_mm"], parse_size)
    asked = {"negative.format": format_, "negative.stop": negative_stop}
    layers = (*overrides, *(f'{key}="{value}"' for key, value in asked.items() if value is not None))
    tables = _tables(facts)
    if shot is None:
        if proxy != "1":
            raise mistake("command line", "--proxy", proxy, "needs a shot file", "without one --width says it")
        if negative_focal is not None:
            _refuse({"--focal": facts["focal_mm"], "--stop": facts["stop"]}, "stands beside --negative-focal")
        plan = _without_file(tables, preset, layers, width=width, rate=rate, negative_focal=negative_focal)
    else:
        by_file = {"--width": width, "--rate": rate, "--negative-focal": negative_focal}
        _refuse(by_file, "stands beside a shot file, which says it")
        from widegauge.run.bind import bind

        plan, _, _ = bind(shot, preset, overrides=layers, proxy=proxy, facts=tables)
    answers = answers_for(plan, match=match or bool(reducers), reducers=reducers, model_scale=scale)
    heading = title or ("Untitled shot" if shot is None else plan.shot.name)
    if sheet is not None:
        from widegauge.report.sheet import write_sheet

        write_sheet(sheet, plan, answers, title=heading)
        click.echo(f"{sheet}: the set-up sheet, one page to print or send", err=True)
    click.echo(
        json.dumps(plan.to_json() | answers.to_json(), indent=2) if as_json else plan_text(plan, answers, title=heading)
    )


def _tables(facts: dict[str, Any]) -> dict[str, dict[str, Any]]:
    """The options that were given, as the tables of a shot file."""
    tables: dict[str, dict[str, Any]] = {}
    for _, table, key, *_ in _FACTS:
        if facts[key] is not None:
            tables.setdefault(table, {})[key] = facts[key]
    return tables


def _without_file(
    facts: dict[str, dict[str, Any]],
    preset: str,
    layers: tuple[str, ...],
    *,
    width: int | None,
    rate: str | None,
    negative_focal: float | None,
) -> Plan:
    from widegauge.presets import load_preset
    from widegauge.recce import plan_of, stated, with_matching_lens

    settings = load_preset(preset, overrides=layers)
    if negative_focal is not None:
        facts = with_matching_lens(facts, settings, negative_focal_mm=negative_focal)
    per_second = stated("--rate", rate or "24", parse_rate)
    return plan_of(facts, settings, width_px=width or UHD_WIDTH_PX, rate=per_second)


def _refuse(given: dict[str, Any], rule: str) -> None:
    wrong = [
        Mistake("command line", option, str(value), rule, "leave one out")
        for option, value in given.items()
        if value is not None
    ]
    if wrong:
        raise SettingsError(wrong)
