"""Read a shot list, whatever it is written in."""

from __future__ import annotations

import re
from collections.abc import Callable
from pathlib import Path

from widegauge.errors import Mistake, SettingsError, mistake
from widegauge.shotlist.entry import Entry
from widegauge.shotlist.line import Defaults, Shared, read_entry, usable
from widegauge.shotlist.sheet import read_sheet
from widegauge.tomlfile import nearest, read_table, read_toml

_HEAD = re.compile(r"^\s*\[\[\s*shot\s*\]\]", re.MULTILINE)


def load_list(
    path: Path,
    *,
    preset: str | None = None,
    shots: Path | None = None,
    on_remark: Callable[[str], None] = lambda _: None,
) -> tuple[Entry, ...]:
    """The shots of a list, in its order, lines that can't be used among them.

    SettingsError with every mistake when the list itself can't be read, or no line of it can be used. ``preset``
    serves shots that name none. ``shots`` is the folder of shot files for a timeline's clips. ``on_remark`` is called
    with a sentence for each thing that was left out.
    """
    path = path.absolute()
    match path.suffix.lower():
        case ".toml":
            return _from_toml(path, preset=preset)
        case ".csv" | ".tsv" | ".txt":
            shared = Shared(path.parent, Defaults(), preset)
            rows, wrong = read_sheet(path, on_remark)
            return usable([read_entry(at, cells, shared, wrong=its) for at, cells, its in rows], wrong=wrong)
        case ".otio" | ".otioz" | ".otiod":
            from widegauge.shotlist.timeline import read_timeline

            return read_timeline(path, preset=preset, shots=shots, on_remark=on_remark)
        case ".xlsx" | ".xls" | ".ods" | ".numbers":
            raise mistake(path, "", None, "a spreadsheet's own file is not read", 'save it as "CSV UTF-8"')
    raise mistake(path, "", None, "is no shot list by its name", "name it .toml, .csv or .otio, by what is in it")


def _from_toml(path: Path, *, preset: str | None) -> tuple[Entry, ...]:
    """``[[shot]]`` tables, and ``[all]`` with what they share."""
    data = read_toml(path)
    wrong: list[Mistake] = []
    defaults = Defaults()
    for name in sorted(data.keys() - {"all", "shot"}):
        wrong.append(Mistake(str(path), name, "", "not a known key", nearest(name, ["all", "shot"])))
    try:
        defaults = read_table(Defaults, data.get("all", {}), file=f"{path.name}, [all]")
    except SettingsError as error:
        wrong.extend(error.mistakes)
    tables = data.get("shot", [])
    if not isinstance(tables, list) or not tables:
        wrong.append(Mistake(str(path), "shot", "", "the list has no shots", "begin each with [[shot]]"))
        tables = []
    shared = Shared(path.parent, defaults, preset)
    placed = zip(_places(path, len(tables)), tables, strict=True)
    return usable([read_entry(at, told, shared) for at, told in placed], wrong=wrong)


def _places(path: Path, count: int) -> list[str]:
    """Where each shot stands: its line, or its number where the heads can't be told apart."""
    text = path.read_text(encoding="utf-8")
    heads = [text.count("\n", 0, head.end()) + 1 for head in _HEAD.finditer(text)]
    if len(heads) == count:
        return [f"{path.name}, line {line}" for line in heads]
    return [f"{path.name}, shot {i + 1}" for i in range(count)]
