"""Find a picture before and after: two files, two sequences, a processing record, or a shot rendered on the spot."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from pydantic import ValidationError

from widegauge.errors import MediaError, Mistake, SettingsError, mistake
from widegauge.frame import Float32
from widegauge.media.encoding import LINEAR, bake, check_primaries, check_transfer
from widegauge.media.footage import Footage, open_footage
from widegauge.media.images import read_picture
from widegauge.plan import Plan, make_plan
from widegauge.plate import Plate, heal, open_plate
from widegauge.presets import Preset, PresetFile
from widegauge.report.pair import Pair
from widegauge.report.stills import View
from widegauge.run.pictures import framed_light, stage_pictures
from widegauge.run.record import open_record, read_record
from widegauge.shot import load_shot
from widegauge.units import parse_scale

EXR_PRIMARIES = "ITU-R BT.709"
"""Taken for an EXR when nobody says otherwise; the captions say so."""

CHANGED = "The shot file or the program has changed since these frames were finished; stages are as they would be now."


@dataclass(frozen=True, slots=True)
class Finished:
    """A shot that was finished, by its record: where its frames lie, and whether the record still fits."""

    plan: Plan
    plate: Plate
    files: dict[int, Path]
    notes: tuple[str, ...] = ()


def files_pair(
    before: Path,
    after: Path,
    *,
    number: int | None = None,
    encoding: str | None = None,
    primaries: str | None = None,
    exposure_stops: float = 0.0,
) -> Pair:
    """A pair of stills, or frame ``number`` of two sequences (the middle one of those that both have).

    SettingsError where an encoding is missing, sizes differ or no frame is in both; MediaError for unreadable files.
    """
    footages = (open_footage(before, missing="hold"), open_footage(after, missing="hold"))
    numbers = _numbers(before, after, footages, number)
    wrong: list[Mistake] = []
    for path, footage in zip((before, after), footages, strict=True):
        wrong += _unstated(path, footage, encoding=encoding, primaries=primaries)
    _refuse(wrong)
    sizes = [(footage.probe.width_px, footage.probe.height_px) for footage in footages]
    if sizes[0] != sizes[1]:
        rule = f"is {sizes[1][0]} x {sizes[1][1]}, but {before.name} is {sizes[0][0]} x {sizes[0][1]}"
        raise mistake(after, "", None, rule, "compare by the processing record, which knows how the frame was cut")
    space = primaries or EXR_PRIMARIES
    light = []
    for footage, wanted in zip(footages, numbers, strict=True):
        curve = bake(encoding or LINEAR, space, stretched=footage.probe.stretched)
        light.append(heal(curve.decode(footage.read(wanted).rgb))[0])
    is_shot = len(footages[0].numbers) > 1 or len(footages[1].numbers) > 1
    assumed = "" if primaries else f"Primaries are taken as {EXR_PRIMARIES}; --primaries says otherwise."
    return Pair(
        title=f"{before.name}, {after.name}",
        number=numbers[1] if is_shot else None,
        names=("before", "after"),
        before=light[0],
        after=light[1],
        view=View(space, exposure_stops),
        notes=(assumed,) if assumed else (),
    )


def common_numbers(before: Path, after: Path) -> list[int]:
    """Frame numbers that two sequences both have, or of two stills the second's; SettingsError when there are none."""
    footages = (open_footage(before, missing="hold"), open_footage(after, missing="hold"))
    _, first = _numbers(before, after, footages, None)
    return _common(*footages) or [first]


def open_finished(record: Path, *, shot: Path | None = None) -> Finished:
    """A finished shot by its processing record; ``shot`` is where its shot file lies now, if that was moved.

    SettingsError for a file that is no record, a shot file that is not found, or a record without frames.
    """
    data = _record_data(record)
    place = shot or (record.parent / str(data["shot_at"]) if "shot_at" in data else None)
    if place is None or not place.is_file():
        looked = "the record does not say where it lies" if place is None else f"looked for {place}"
        raise mistake(record, "shot_file", f'"{data["shot_file"]}"', f"not found ({looked})", "say it with --shot FILE")
    try:
        settings = data["settings"]
        preset: PresetFile = Preset.model_validate_json(
            json.dumps(settings["preset"] | {"title": data["plan"]["preset"]})
        )
        proxy, kind = parse_scale(settings["proxy"]), settings["kind"]
        files = {int(number): record.parent / frame["output"] for number, frame in data["frames"].items()}
    except (ValidationError, ValueError, KeyError, TypeError, AttributeError):
        raise _no_record(record) from None
    files = {number: path for number, path in sorted(files.items()) if path.is_file()}
    if not files:
        raise mistake(record, "frames", None, "none of its frames are there", "run the same finish command again")
    opened: list[tuple[Plan, Plate]] = []
    wrong: list[SettingsError] = []
    for facts in (None, _told_by(data)):
        try:
            plate = open_plate(load_shot(place, over=facts))
            opened.append((make_plan(plate, preset, proxy=proxy), plate))
        except SettingsError as error:
            wrong.append(error)
        else:
            if open_record(record, opened[-1][0], kind=kind, proxy=proxy).frames:
                return Finished(*opened[-1], files)
    if not opened:
        raise wrong[0]
    return Finished(*opened[0], files, (CHANGED,))


def _told_by(data: dict[str, Any]) -> dict[str, dict[str, Any]]:
    """The footage's facts that a timeline may have laid over the shot file's, as the record keeps them."""
    try:
        told = data["settings"]["shot"]["footage"]
        return {"footage": {key: told[key] for key in ("path", "rate", "missing")} | {"frames": None}}
    except (KeyError, TypeError):
        return {}


def finished_pair(shot: Finished, *, number: int | None = None, exposure_stops: float | None = None) -> Pair:
    """A frame of a finished shot (the middle one) with all its stages; what is finished is read from its file."""
    wanted = _wanted(list(shot.files), number)
    pair = rendered_pair(shot.plan, shot.plate, number=wanted, exposure_stops=exposure_stops)
    after = _finished_light(shot, wanted)
    last = ("finished", pair.view(after))
    return replace(pair, after=after, steps=(*pair.steps, last), notes=shot.notes)


def quick_pair(shot: Finished, *, number: int, exposure_stops: float | None = None) -> Pair:
    """A frame of a finished shot without its stages: only read, decoded and cut."""
    view = _view(shot.plan, shot.plate, exposure_stops)
    before = framed_light(shot.plan, shot.plate, number)
    names = ("footage", "finished")
    return Pair(shot.plan.shot.name, number, names, before, _finished_light(shot, number), view, plan=shot.plan)


def rendered_pair(plan: Plan, plate: Plate, *, number: int | None = None, exposure_stops: float | None = None) -> Pair:
    """A frame (the middle one) of a shot, finished here and now."""
    wanted = _wanted([n for n in plate.footage.numbers if n not in plate.footage.missing_numbers], number)
    view = _view(plan, plate, exposure_stops)
    made = stage_pictures(plan, plate, wanted, view)
    return Pair(
        title=plan.shot.name,
        number=wanted,
        names=("footage", "finished"),
        before=made.framed,
        after=made.finished.rgb,
        view=view,
        steps=made.shown,
        plan=plan,
        depth_m=made.finished.depth_m,
        remarks=made.finished.remarks,
    )


def spread_over(numbers: Sequence[int]) -> list[int]:
    """First, middle and last."""
    return sorted({numbers[0], numbers[len(numbers) // 2], numbers[-1]})


def _view(plan: Plan, plate: Plate, exposure_stops: float | None) -> View:
    stops = plan.preset.view.exposure_stops if exposure_stops is None else exposure_stops
    return View(plate.shot.footage.primaries, stops)


def _finished_light(shot: Finished, number: int) -> Float32:
    path, raster = shot.files[number], shot.plan.setup.raster
    rgb, _ = heal(shot.plate.encoding.decode(read_picture(path).rgb))
    height, width = rgb.shape[:2]
    if (width, height) != (raster.width_px, raster.height_px):
        raise MediaError(
            f"{path}: is {width} x {height}, but by its record it is {raster.width_px} x {raster.height_px}; "
            "finish the shot again."
        )
    return rgb


def _record_data(path: Path) -> dict[str, Any]:
    try:
        data = read_record(path)
    except FileNotFoundError:
        raise mistake(path, "", None, "no such file", "check the name") from None
    except (OSError, ValueError):
        raise _no_record(path) from None
    if not isinstance(data, dict) or not {"shot_file", "settings", "plan", "frames"} <= data.keys():
        raise _no_record(path)
    return data


def _no_record(path: Path) -> SettingsError:
    return mistake(path, "", None, "is not a processing record", "take the *.record.json that `widegauge finish` wrote")


def _common(first: Footage, second: Footage) -> list[int]:
    return sorted(
        (set(first.numbers) - set(first.missing_numbers)) & (set(second.numbers) - set(second.missing_numbers))
    )


def _numbers(before: Path, after: Path, footages: tuple[Footage, Footage], number: int | None) -> tuple[int, int]:
    """The frame of each that is shown."""
    if len(footages[0].numbers) == len(footages[1].numbers) == 1:
        return footages[0].numbers[0], footages[1].numbers[0]
    common = _common(*footages)
    if not common:
        rule = f"has no frame number in common with {before.name}"
        raise mistake(after, "", None, rule, "compare sequences with one numbering, or two stills")
    wanted = _wanted(common, number)
    return wanted, wanted


def _wanted(numbers: Sequence[int], number: int | None) -> int:
    if number is None:
        return numbers[len(numbers) // 2]
    if number not in numbers:
        raise mistake("--frame", "", number, "is not there on both sides", f"choose from {numbers[0]} to {numbers[-1]}")
    return number


def _unstated(path: Path, footage: Footage, *, encoding: str | None, primaries: str | None) -> list[Mistake]:
    """What a file that is not linear light needs to be told, and names that are not known."""
    kind = footage.probe.kind
    wrong = []
    for option, value, check, example in (
        ("--encoding", encoding, check_transfer, '--encoding sRGB, --encoding "V-Log", or linear'),
        ("--primaries", primaries, check_primaries, '--primaries "ITU-R BT.709"'),
    ):
        if value is None and not kind.startswith("exr"):
            rule = f"holds code values ({kind}), and nothing says what they mean"
            wrong.append(Mistake(str(path), option, "", rule, f"name it, for example {example}"))
        elif value is not None and (broken := check(value)):
            wrong.append(Mistake(option, "", f'"{value}"', broken, f"for example {example}"))
    return wrong


def _refuse(wrong: list[Mistake]) -> None:
    if wrong:
        raise SettingsError(list(dict.fromkeys(wrong)))
