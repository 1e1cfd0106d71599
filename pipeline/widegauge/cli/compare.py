"""widegauge compare"""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from widegauge.cli.options import STOPS, proxy_option
from widegauge.errors import SettingsError, mistake

if TYPE_CHECKING:
    from widegauge.report.pair import Pair


@click.command("compare")
@click.argument("before", type=click.Path(path_type=Path))
@click.argument("after", required=False, type=click.Path(path_type=Path))
@click.option("--out", "-o", type=click.Path(path_type=Path, file_okay=False), help="Folder for the stills.")
@click.option("--page", type=click.Path(path_type=Path), metavar="FILE.html", help="Write one page to look at or send.")
@click.option("--contact", type=click.Path(path_type=Path), metavar="FILE.png", help="Write a contact sheet.")
@click.option("--frame", "number", type=int, metavar="N", help="Frame to show.  [default: the middle one]")
@click.option("--preset", "-p", "presets", multiple=True, metavar="NAME", help="Of a shot file; repeat for --contact.")
@click.option("--shot", type=click.Path(path_type=Path), help="Where a record's shot file lies now.")
@click.option("--encoding", metavar="NAME", help="The files' curve, as in a shot file; EXR is linear.")
@click.option("--primaries", metavar="NAME", help="The files' RGB colourspace; of EXR, ITU-R BT.709 is taken.")
@click.option("--exposure-stops", type=STOPS, metavar="STOPS", help="Gain of the view.  [default: by preset, else 0]")
@proxy_option
def command(before: Path, after: Path | None, number: int | None, **words: Any) -> None:
    """Show BEFORE and AFTER: a wipe, side by side, 400 % where they differ most, and the difference in stops.

    Two stills or two sequences; or BEFORE alone: the X.record.json of a finished shot, or a shot file with
    --preset, which is finished here and now. Both pictures are shown as sRGB by one view, which the captions state.
    """
    from widegauge.report.pair import look_at, look_text, write_stills

    out, page, contact = words["out"], words["page"], words["contact"]
    _check(before, after, number=number, **words)
    if out is None and page is None and contact is None:
        out = Path("compared")
    if contact is not None:
        _contact(before, after, contact, number=number, **words)
    if out is None and page is None:
        return
    look = look_at(_pair(before, after, number=number, **words))
    click.echo(look_text(look))
    if out is not None:
        for path, what in write_stills(look, out=out):
            click.echo(f"{path}: {what}")
    if page is not None:
        from widegauge.report.page import write_page

        size = write_page(page, look)
        click.echo(f"{page}: page, {size / 1e6:.1f} MB, loads nothing")


def _pair(before: Path, after: Path | None, *, number: int | None, **words: Any) -> Pair:
    from widegauge.run import compare

    stops = words["exposure_stops"]
    if after is not None:
        return compare.files_pair(
            before,
            after,
            number=number,
            encoding=words["encoding"],
            primaries=words["primaries"],
            exposure_stops=stops or 0.0,
        )
    if _is_shot(before):
        from widegauge.run.bind import bind

        plan, plate, _ = bind(before, words["presets"][0], proxy=words["proxy"])
        return compare.rendered_pair(plan, plate, number=number, exposure_stops=stops)
    return compare.finished_pair(compare.open_finished(before, shot=words["shot"]), number=number, exposure_stops=stops)


def _contact(before: Path, after: Path | None, path: Path, *, number: int | None, **words: Any) -> None:
    """First, middle and last frame of a shot or two sequences; of a shot file, one frame on each preset."""
    from widegauge.report.contact import preset_sheet, save_sheet, shot_sheet
    from widegauge.run import compare
    from widegauge.run.bind import bind

    stops = words["exposure_stops"]
    if after is None and _is_shot(before):
        pairs = []
        for preset in words["presets"]:
            plan, plate, _ = bind(before, preset, proxy=words["proxy"])
            pairs.append(compare.rendered_pair(plan, plate, number=number, exposure_stops=stops))
        save_sheet(path, preset_sheet(pairs))
        click.echo(f"{path}: frame {pairs[0].number} as shot, and on each of {len(pairs)} negatives")
        return
    if after is None:
        shot = compare.open_finished(before, shot=words["shot"])
        numbers = compare.spread_over(list(shot.files))
        pairs = [compare.quick_pair(shot, number=each, exposure_stops=stops) for each in numbers]
    else:
        numbers = compare.spread_over(compare.common_numbers(before, after))
        pairs = [_pair(before, after, number=each, **words) for each in numbers]
    save_sheet(path, shot_sheet(pairs))
    click.echo(f"{path}: frames {', '.join(map(str, numbers))}, before above, after below")


def _check(before: Path, after: Path | None, **words: Any) -> None:
    """Refuse what does not go together, all at once."""
    wrong: list[SettingsError] = []
    presets, contact = words["presets"], words["contact"]
    is_alone = after is None
    is_shot = is_alone and _is_shot(before)
    if is_alone and not is_shot and before.suffix != ".json":
        rule = "is one picture, and nothing says what to compare it with"
        wrong.append(mistake(before, "", None, rule, "give AFTER too, a *.record.json alone, or a shot file"))
    if is_shot and not presets:
        wrong.append(mistake(before, "--preset", None, "a shot file says nothing of the negative", "name a preset"))
    if presets and not is_shot:
        wrong.append(mistake("--preset", "", presets[0], "only finishes a shot file", "leave it out here"))
    if len(presets) > 1 and (words["out"] is not None or words["page"] is not None or contact is None):
        rule = "several presets make a contact sheet, not stills or a page"
        wrong.append(mistake("--preset", "", ", ".join(presets), rule, "give --contact FILE.png, no --out or --page"))
    if words["shot"] is not None and (not is_alone or is_shot):
        wrong.append(mistake("--shot", "", words["shot"], "only goes with a record", "leave it out here"))
    if is_alone and (words["encoding"] or words["primaries"]):
        rule = "the shot file says what its code values mean"
        wrong.append(mistake("--encoding, --primaries", "", None, rule, "leave them out here"))
    if words["proxy"] != "1" and not is_shot:
        wrong.append(mistake("--proxy", "", words["proxy"], "only goes with a shot file", "leave it out here"))
    for option, path, suffixes in (("--page", words["page"], (".html", ".htm")), ("--contact", contact, (".png",))):
        if path is not None and path.suffix.lower() not in suffixes:
            wrong.append(mistake(option, "", path, f"does not end in {suffixes[0]}", f"name it *{suffixes[0]}"))
    if wrong:
        raise SettingsError([each for error in wrong for each in error.mistakes])


def _is_shot(path: Path) -> bool:
    return path.suffix.lower() == ".toml"
