"""A list as an OpenTimelineIO timeline: a shot for each clip on a video track.

Time is value over rate, never seconds in floating point. What the columns of a table say stands here in
``metadata["widegauge"]``: of the timeline for all clips, of a clip for itself.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from widegauge.errors import Mistake, SettingsError, mistake
from widegauge.shotlist.clip import Media, SkipError, media_of
from widegauge.shotlist.entry import Entry
from widegauge.shotlist.line import Defaults, Line, read_line, settle, unsafe
from widegauge.tomlfile import read_table

OURS = "widegauge"
"""Our key in the metadata of a timeline or a clip."""

_UNSAFE = re.compile(r"[^\w .()+=@,-]+")


@dataclass(frozen=True, slots=True)
class _Found:
    """A clip that becomes a shot; ``is_named`` where its metadata says its folder."""

    at: str
    line: Line
    media: Media
    is_named: bool


def read_timeline(
    path: Path, *, preset: str | None, shots: Path | None, on_remark: Callable[[str], None]
) -> tuple[Entry, ...]:
    """A shot for each enabled clip with media; ``on_remark`` hears of the others. SettingsError with every mistake.

    A clip's shot file is the one that its metadata names, else NAME.toml of the clip's or its media's name in
    ``shots`` ("shots" beside the timeline when None). Media, frames, rate and missing frames are the clip's.
    """
    roots = _timelines(path)
    wrong: list[Mistake] = []
    defaults = Defaults()
    try:
        defaults = read_table(Defaults, _said(roots[0]), file=f'{path.name}, metadata["{OURS}"]')
    except SettingsError as error:
        wrong.extend(error.mistakes)
    found: list[_Found] = []
    for at, clip in _clips(path, roots, on_remark):
        try:
            media = media_of(clip, folder=path if path.is_dir() else path.parent)
            if media.is_clamped:
                on_remark(f"{at}: asks for more than its media holds; the frames that there are will be finished")
            found.append(_shot(at, clip, media, shots or path.parent / "shots"))
        except SkipError as skipped:
            on_remark(f"{at}: left out, {skipped}")
        except SettingsError as error:
            wrong.extend(error.mistakes)
    found = _named_apart(found, on_remark)
    if not found and not wrong:
        remedy = "relink the clips, and export the timeline again"
        wrong.append(Mistake(str(path), "", "", "no clip of a video track has media that can be read", remedy))
    lines = [(each.at, each.line) for each in found]
    try:
        entries = settle(lines, defaults=defaults, folder=path.parent, preset=preset)
    except SettingsError as error:
        wrong.extend(error.mistakes)
    if wrong:
        raise SettingsError(wrong)
    return tuple(
        replace(entry, facts={"footage": each.media.facts}) for entry, each in zip(entries, found, strict=True)
    )


def _timelines(path: Path) -> list[Any]:
    """The timelines in a file; SettingsError when it, or the library, can't be read."""
    try:
        import opentimelineio as otio
    except ImportError:
        rule = "a timeline is read by OpenTimelineIO, which is not installed"
        raise mistake(path, "", None, rule, "install widegauge[timeline], or write the list as .toml or .csv") from None
    if not path.exists():
        raise mistake(path, "", None, "no such file", "check the name")
    if path.suffix.lower() == ".otioz":
        remedy = "unzip it into a folder, and give the content.otio in there"
        raise mistake(path, "", None, "keeps its media packed, where frames can't be read", remedy)
    try:
        root = otio.adapters.read_from_file(str(path))
    except (OSError, ValueError, KeyError, otio.exceptions.OTIOError) as error:
        said = " ".join(str(error).split())
        raise mistake(path, "", None, f"is no timeline that can be read ({said})", "export it again") from None
    roots = [root] if isinstance(root, otio.schema.Timeline) else []
    if isinstance(root, otio.schema.SerializableCollection):
        roots = [each for each in root if isinstance(each, otio.schema.Timeline)]
    if not roots:
        raise mistake(path, "", None, f"holds no timeline but a {root.schema_name()}", "export the whole timeline")
    return roots


def _clips(path: Path, roots: list[Any], on_remark: Callable[[str], None]) -> Iterator[tuple[str, Any]]:
    """Every clip of every video track, tracks within tracks included, and where it stands."""
    import opentimelineio as otio

    def walk(item: Any, where: str) -> Iterator[tuple[str, Any]]:
        for child in item:
            at = f'{where}, "{child.name}"'
            if not getattr(child, "enabled", True):
                on_remark(f"{at}: left out, it is switched off")
            elif isinstance(child, otio.schema.Clip):
                yield at, child
            elif isinstance(child, otio.core.Composition) and getattr(child, "kind", "Video") == "Video":
                yield from walk(child, at)

    for root in roots:
        for number, track in enumerate(root.video_tracks(), 1):
            where = f"{path.name}, {track.name or f'video track {number}'}"
            if track.enabled:
                yield from walk(track, where)
            else:
                on_remark(f"{where}: left out, it is switched off")


def _said(item: Any) -> dict[str, Any]:
    """What an item's metadata say under our name, as plain tables and lists."""
    told = item.metadata.get(OURS, {})
    if not hasattr(told, "items"):
        return {"": str(told)}
    return {key: list(value) if key == "set" and not isinstance(value, str) else value for key, value in told.items()}


def _shot(at: str, clip: Any, media: Media, shots: Path) -> _Found:
    said = _said(clip)
    if "frames" in said:
        raise mistake(at, f"{OURS}.frames", said["frames"], "a clip's frames are its source range", "take it out")
    name = _plain(clip.name, media)
    stems = dict.fromkeys((name, _plain(media.name, media)))
    there = [shots / f"{stem}.toml" for stem in stems if (shots / f"{stem}.toml").is_file()]
    said.setdefault("shot", str(there[0] if there else shots / f"{name}.toml"))
    line = read_line(said | {"out": said.get("out", name), "frames": media.frames}, at)
    return _Found(at, line, media, is_named="out" in said)


def _plain(name: str, media: Media) -> str:
    """A clip's name as a folder's: without its media's extension and what a file system may not take."""
    name = name.removesuffix(media.suffix) if media.suffix else name
    name = _UNSAFE.sub("_", name or media.name).strip(" ._")[:120]
    return "clip" if unsafe(name) else name


def _named_apart(found: list[_Found], on_remark: Callable[[str], None]) -> list[_Found]:
    """Clips that share a name: the same frames are finished once, others get a folder named by their frames."""
    kept: list[_Found] = []
    taken: dict[str, _Found] = {}
    for each in found:
        other = taken.get(str(each.line.out).casefold())
        if other is not None and other.media != each.media and not each.is_named:
            name = f"{each.line.out}_{each.media.frames or 'all'}"
            each = replace(each, line=each.line.model_copy(update={"out": name}))
            other = taken.get(name.casefold())
        if other is not None and (other.media, other.line) == (each.media, each.line):
            on_remark(f"{each.at}: the same frames as {other.at}; they are finished once")
            continue
        taken.setdefault(str(each.line.out).casefold(), each)
        kept.append(each)
    return kept
