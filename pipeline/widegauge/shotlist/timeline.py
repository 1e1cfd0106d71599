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
from widegauge.shotlist.line import Defaults, Shared, read_entry, unsafe, usable
from widegauge.tomlfile import read_table

OURS = "widegauge"
"""Our key in the metadata of a timeline or a clip."""

_UNSAFE = re.compile(r"[^\w .()+=@,-]+")


@dataclass(frozen=True, slots=True)
class _Found:
    """A clip that becomes a shot; ``is_named`` where its metadata says its folder."""

    entry: Entry
    media: Media
    is_named: bool


def read_timeline(
    path: Path, *, preset: str | None, shots: Path | None, on_remark: Callable[[str], None]
) -> tuple[Entry, ...]:
    """A shot for each enabled clip with media; ``on_remark`` hears of the others.

    A clip's shot file is the one that its metadata names, else NAME.toml of the clip's or its media's name in
    ``shots`` ("shots" beside the timeline when None). Media, frames, rate and missing frames are the clip's.
    SettingsError with every mistake when the timeline can't be read, or none of its clips can be used.
    """
    roots = _timelines(path)
    wrong: list[Mistake] = []
    defaults = Defaults()
    try:
        defaults = read_table(Defaults, _said(roots[0]), file=f'{path.name}, metadata["{OURS}"]')
    except SettingsError as error:
        wrong.extend(error.mistakes)
    shared = Shared(path.parent, defaults, preset)
    found: list[_Found] = []
    for at, clip in _clips(path, roots, on_remark):
        try:
            media = media_of(clip, folder=path if path.is_dir() else path.parent)
        except SkipError as skipped:
            on_remark(f"{at}: left out, {skipped}")
            continue
        if media.is_clamped:
            on_remark(f"{at}: asks for more than its media holds; the frames that there are will be finished")
        found.append(_shot(at, clip, media, shared, shots or path.parent / "shots"))
    if not found:
        remedy = "relink the clips, and export the timeline again"
        wrong.append(Mistake(str(path), "", "", "no clip of a video track has media that can be read", remedy))
    return usable([each.entry for each in _named_apart(found, on_remark)], wrong=wrong)


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


def _shot(at: str, clip: Any, media: Media, shared: Shared, shots: Path) -> _Found:
    said = _said(clip)
    wrong = []
    if (frames := said.pop("frames", None)) is not None:
        rule = "a clip's frames are its source range"
        wrong.append(Mistake(at, f"{OURS}.frames", str(frames), rule, "take it out"))
    name = _plain(clip.name, media)
    stems = dict.fromkeys((name, _plain(media.name, media)))
    there = [shots / f"{stem}.toml" for stem in stems if (shots / f"{stem}.toml").is_file()]
    is_named = "out" in said
    told = {"shot": str(there[0] if there else shots / f"{name}.toml"), "out": name} | said | {"frames": media.frames}
    entry = read_entry(at, told, shared, wrong=wrong)
    return _Found(replace(entry, facts={"footage": media.facts}), media, is_named)


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
        other = taken.get(each.entry.name.casefold())
        if other is not None and other.media != each.media and not each.is_named:
            name = f"{each.entry.name}_{each.media.frames or 'all'}"
            each = replace(each, entry=replace(each.entry, name=name))
            other = taken.get(name.casefold())
        if other is not None and replace(each.entry, at=other.entry.at) == other.entry:
            on_remark(f"{each.entry.at}: the same frames as {other.entry.at}; they are finished once")
            continue
        taken.setdefault(each.entry.name.casefold(), each)
        kept.append(each)
    return kept
