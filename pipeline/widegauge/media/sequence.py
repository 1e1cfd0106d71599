"""Numbered frames on disk: patterns, folders, and single files."""

from __future__ import annotations

import os
import re
import sys
from bisect import bisect_left
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

from widegauge.errors import mistake

IMAGE_EXTENSIONS = {".exr", ".dpx", ".cin", ".tif", ".tiff", ".png", ".jpg", ".jpeg"}

_PLACE = re.compile(r"#+|%(?:0(\d+))?d")
_NUMBER = re.compile(r"(\d+)(?=\D*$)")
_LAST_NUMBER = re.compile(r"(\d+)(?:\.[A-Za-z]\w*)?$")
_SEPARATORS = "._-"

_kept: dict[Path, list[str]] | None = None
"""Names in folders that were listed, sorted, while they are kept."""


@dataclass(frozen=True, slots=True)
class Sequence:
    """Files that differ in their frame number only.

    name       what they share: "landing_010" of landing_010.1001.exr; the folder's name when there is nothing else
    separator  what stands before the number
    padding    digits of the number, leading zeros included
    files      by frame number, in order
    """

    name: str
    separator: str
    padding: int
    files: dict[int, Path]


@contextmanager
def listings_kept() -> Iterator[None]:
    """While this lasts, patterns in one folder share one listing of it: with many shots in a folder it is long."""
    global _kept
    before, _kept = _kept, {}
    try:
        yield
    finally:
        _kept = before


def is_pattern(path: Path) -> bool:
    """Whether a file name stands for many: "####" or "%04d" in it."""
    return _PLACE.search(path.name) is not None


def frame_path(pattern: Path, number: int) -> Path:
    """The file of one frame; a path that is no pattern stands for itself."""
    place = _last_place(pattern.name)
    if place is None:
        return pattern
    digits = f"{number:0{_padding(place)}d}"
    return pattern.with_name(pattern.name[: place.start()] + digits + pattern.name[place.end() :])


def list_frames(path: Path) -> dict[int, Path]:
    """The files by number that a pattern, a folder of frames or a single file stands for; SettingsError as find()."""
    return find(path).files


def anything_at(path: Path) -> bool:
    """Whether a pattern, folder or file stands for anything at all."""
    if is_pattern(path) and not path.exists():
        return any(True for _ in _matching(path))
    return path.is_file() or (path.is_dir() and any(path.iterdir()))


def find(path: Path) -> Sequence:
    """The numbered files behind a pattern, a folder of frames or a single file; SettingsError when there are none."""
    if path.is_dir():
        return _in_folder(path)
    if path.is_file():
        return _single(path)
    if not is_pattern(path):
        raise mistake(path, "", None, "there is no such file", "Check the name and the folder")
    files = dict(sorted(_matching(path)))
    if not files:
        raise mistake(path, "", None, "no frame matches this pattern", "Check the name, and the folder that it is in")
    place = _last_place(path.name)
    assert place is not None
    padding = _padding(place) if place[0].startswith("#") or place[1] else 1
    return _named(path.parent, path.name[: place.start()], path.name[place.end() :], padding, files)


def _last_place(name: str) -> re.Match[str] | None:
    places = list(_PLACE.finditer(name))
    return places[-1] if places else None


def _padding(place: re.Match[str]) -> int:
    return len(place[0]) if place[0].startswith("#") else int(place[1] or 1)


def _matching(pattern: Path) -> Iterator[tuple[int, Path]]:
    """The frames of a pattern by number, in the order of their names."""
    place = _last_place(pattern.name)
    if place is None or not pattern.parent.is_dir():
        return
    padding = _padding(place)
    before, after = pattern.name[: place.start()], pattern.name[place.end() :]
    digits = re.compile(rf"\d{{{padding}}}|[1-9]\d{{{padding},}}")
    names = _listed(pattern.parent)
    for name in names[bisect_left(names, before) : bisect_left(names, before + chr(sys.maxunicode))]:
        if name.endswith(after):
            number = name[len(before) : len(name) - len(after)]
            if digits.fullmatch(number):
                yield int(number), pattern.parent / name


def _listed(folder: Path) -> list[str]:
    """The names in a folder, sorted."""
    if _kept is not None and folder in _kept:
        return _kept[folder]
    names = sorted(os.listdir(folder))  # noqa: PTH208
    if _kept is not None:
        _kept[folder] = names
    return names


def _single(path: Path) -> Sequence:
    number = _LAST_NUMBER.search(path.stem)
    if number is None:
        return Sequence(path.stem, ".", 4, {1: path})
    suffix = path.name[number.end() :]
    return _named(path.parent, path.name[: number.start()], suffix, len(number[1]), {int(number[1]): path})


def _in_folder(folder: Path) -> Sequence:
    groups: dict[tuple[str, str], dict[int, tuple[str, Path]]] = {}
    for file in sorted(folder.iterdir()):
        number = _NUMBER.search(file.stem)
        if file.suffix.lower() not in IMAGE_EXTENSIONS or file.name.startswith(".") or number is None:
            continue
        key = (file.name[: number.start()], file.name[number.end() :])
        groups.setdefault(key, {})[int(number[1])] = (number[1], file)
    if len(groups) != 1:
        found = ", ".join(
            f"{before}{'#' * min(len(digits) for digits, _ in files.values())}{after} "
            f"({len(files)} frame{'s' if len(files) > 1 else ''})"
            for (before, after), files in groups.items()
        )
        rule = f"more than one sequence lies here: {found}" if groups else "no numbered pictures lie here"
        raise mistake(folder, "", None, rule, "Write which one, as a pattern")
    ((before, after), numbered), *_ = groups.items()
    files = {number: file for number, (_, file) in sorted(numbered.items())}
    return _named(folder, before, after, min(len(digits) for digits, _ in numbered.values()), files)


def _named(folder: Path, before: str, after: str, padding: int, files: dict[int, Path]) -> Sequence:
    stem = before.rstrip(_SEPARATORS)
    separator = before[len(stem) :] or "."
    middle = Path(after).stem if after.count(".") > 1 else ""
    name = stem + middle if stem else middle.lstrip(_SEPARATORS) or folder.resolve().name
    return Sequence(name, separator, padding, files)
