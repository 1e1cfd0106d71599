"""A line of a list as a person writes it, and the entries that all its lines come to."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
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


def read_line(data: Mapping[str, Any], at: str) -> Line:
    """A line from its cells; SettingsError with every mistake in it."""
    return read_table(Line, data, file=at)


def settle(
    lines: Sequence[tuple[str, Line]], *, defaults: Defaults, folder: Path, preset: str | None
) -> tuple[Entry, ...]:
    """Entries from lines and where each stands; paths are relative to ``folder``.

    What a line leaves out comes from ``defaults``, its preset at last from ``preset``. SettingsError with every line
    that has no preset, or would write where another does.
    """
    wrong: list[Mistake] = []
    entries: list[Entry] = []
    for at, line in lines:
        said = line.model_fields_set
        name = line.preset or defaults.preset
        if name is None and preset is None:
            rule, remedy = "no preset is named", "name one on the line, for the whole list, or with --preset"
            wrong.append(Mistake(at, "preset", "", rule, remedy))
        shot = folder / line.shot
        entries.append(
            Entry(
                at=at,
                name=line.out or shot.stem,
                shot=shot,
                preset=preset or "" if name is None else beside(name, folder),
                priority=line.priority if "priority" in said else defaults.priority,
                frames=line.frames,
                handles=line.handles if "handles" in said else defaults.handles,
                overrides=(*defaults.set, *line.set),
            )
        )
    wrong.extend(shared_folders(entries))
    if wrong:
        raise SettingsError(wrong)
    return tuple(entries)


def beside(preset: str, folder: Path) -> str:
    """A preset's name as it is; a file's path relative to ``folder``."""
    path = Path(preset)
    return str(folder / path) if path.suffix == ".toml" or path.parent != Path() else preset


def shared_folders(entries: Sequence[Entry]) -> list[Mistake]:
    """A mistake for each entry that would write where an earlier one does; upper and lower case are one name."""
    wrong: list[Mistake] = []
    first: dict[str, Entry] = {}
    for entry in entries:
        other = first.setdefault(entry.name.casefold(), entry)
        if other is entry:
            continue
        if (other.shot, other.preset, other.overrides) == (entry.shot, entry.preset, entry.overrides):
            rule = f"this shot is on the list already, with the same preset ({other.at})"
            remedy = "take one of the two out, or let the first take the frames of both"
        else:
            rule, remedy = f"would be written to the folder of {other.at}", 'give it another one with "out"'
        wrong.append(Mistake(entry.at, "out", f'"{entry.name}"', rule, remedy))
    return wrong
