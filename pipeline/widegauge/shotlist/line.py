"""A line of a list as a person writes it, and the entries that all its lines come to."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Annotated, Any

from pydantic import Field, field_validator

from widegauge.errors import Mistake, SettingsError
from widegauge.shotlist.entry import Entry
from widegauge.tomlfile import Frames, Table, read_table

_UNSAFE = re.compile(r'[<>:"|?*\\\x00-\x1f\x7f]')
"""Characters that one of the usual file systems, or a network share, does not take in a name."""


class Defaults(Table):
    """What every shot of a list takes over where its own line says nothing."""

    preset: str | None = Field(None, min_length=1, description="a preset's name, or a file beside the list")
    priority: int = Field(0, description="a whole number; higher goes first")
    handles: Annotated[int, Field(ge=0)] = Field(0, description="frames more at both ends, as far as the footage goes")
    set: Annotated[tuple[str, ...], Field(strict=False)] = Field(
        (), description='a list of "stage.key=value", laid over the preset'
    )


class Line(Defaults):
    """One shot."""

    shot: str = Field(min_length=1, description="the shot file, relative to the list")
    out: str | None = Field(
        None, min_length=1, description="its folder below the night's output, else the shot file's name"
    )
    frames: Frames | None = Field(None, description='"1001-1048" or "1001-1048x2"; the shot file\'s own when left out')

    @field_validator("out")
    @classmethod
    def _safe(cls, text: str | None) -> str | None:
        if text is not None and (trouble := unsafe(text)):
            raise ValueError(f"{trouble}; write plain words, or an absolute path for another disk")
        return text


def unsafe(name: str) -> str:
    """Why a name is no good as a folder below the output; "" when it is."""
    if Path(name).is_absolute():
        return ""
    for part in name.split("/"):
        if part in ("", ".", ".."):
            return "does not name a folder below the output"
        if _UNSAFE.search(part) or part != part.strip(" .") or len(part.encode()) > 200:
            return "is not good as a folder's name everywhere"
    return ""


@dataclass(frozen=True, slots=True)
class Shared:
    """What the lines of a list share: the ``folder`` in which their paths begin, and what holds where they say nothing.

    ``preset`` holds where the defaults don't name one either.
    """

    folder: Path
    defaults: Defaults
    preset: str | None


def read_entry(at: str, told: Any, shared: Shared, *, wrong: Sequence[Mistake] = ()) -> Entry:
    """The entry of a line from its cells; with all that is ``wrong`` with it where it can't be used."""
    mistakes = list(wrong)
    preset = None
    try:
        line = read_table(Line, told, file=at)
        preset = line.preset or shared.defaults.preset
        if preset is None and shared.preset is None:
            remedy = "name one on the line, for the whole list, or with --preset"
            mistakes.append(Mistake(at, "preset", "", "no preset is named", remedy))
    except SettingsError as error:
        mistakes.extend(error.mistakes)
    if mistakes:
        return _unusable(at, told, shared, mistakes)
    said, shot = line.model_fields_set, shared.folder / line.shot
    return Entry(
        at=at,
        name=line.out or shot.stem,
        shot=shot,
        preset=shared.preset or "" if preset is None else beside(preset, shared.folder),
        priority=line.priority if "priority" in said else shared.defaults.priority,
        frames=line.frames,
        handles=line.handles if "handles" in said else shared.defaults.handles,
        overrides=(*shared.defaults.set, *line.set),
    )


def _unusable(at: str, told: Any, shared: Shared, wrong: Sequence[Mistake]) -> Entry:
    """A line that can't be used, by the name that it would have had, else by its place: "line 7"."""
    said = {key: value for key, value in told.items() if isinstance(value, str)} if isinstance(told, Mapping) else {}
    shot = said.get("shot", "")
    name = said.get("out") or Path(shot).stem
    if not name or unsafe(name):
        name = place(at)
    return Entry(at, name, shared.folder / shot, said.get("preset", ""), wrong=tuple(wrong))


def place(at: str) -> str:
    """Where a line stands, without the list's name."""
    return at.rpartition(", ")[2]


def usable(entries: Sequence[Entry], *, wrong: Sequence[Mistake] = ()) -> tuple[Entry, ...]:
    """The entries of a list; one that would write where an earlier one does is wrong, and goes by its place.

    SettingsError with every mistake when something is ``wrong`` with the list itself, or no line can be used.
    """
    settled = [
        replace(entry, name=place(entry.at), wrong=(*entry.wrong, clash)) if clash else entry
        for entry, clash in zip(entries, _clashes(entries), strict=True)
    ]
    if wrong or all(entry.wrong for entry in settled):
        raise SettingsError([*wrong, *(each for entry in settled for each in entry.wrong)])
    return tuple(settled)


def beside(preset: str, folder: Path) -> str:
    """A preset's name as it is; a file's path relative to ``folder``."""
    path = Path(preset)
    return str(folder / path) if path.suffix == ".toml" or path.parent != Path() else preset


def _clashes(entries: Sequence[Entry]) -> Iterator[Mistake | None]:
    """For each entry the mistake that an earlier one has its folder; upper and lower case are one name."""
    first: dict[str, Entry] = {}
    for entry in entries:
        other = first.setdefault(entry.name.casefold(), entry)
        if other is entry:
            yield None
            continue
        if (other.shot, other.preset, other.overrides) == (entry.shot, entry.preset, entry.overrides):
            rule = f"this shot is on the list already, with the same preset ({other.at})"
            remedy = "take one of the two out, or let the first take the frames of both"
        else:
            rule, remedy = f"would be written to the folder of {other.at}", 'give it another one with "out"'
        yield Mistake(entry.at, "out", f'"{entry.name}"', rule, remedy)
