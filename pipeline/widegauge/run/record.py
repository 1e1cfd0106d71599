"""The processing record: what ran on which inputs, so that a rerun skips what is done and redoes what changed."""

from __future__ import annotations

import hashlib
import json
import os
import time
from dataclasses import asdict, dataclass, field
from fractions import Fraction
from functools import cache
from importlib.metadata import version
from pathlib import Path
from typing import Any

from widegauge import __version__
from widegauge.plan import Plan
from widegauge.presets import PresetFile
from widegauge.run.journal import Journal, journal_path, read_journal
from widegauge.shot import Recce

_LIBRARIES = ("numpy", "scipy", "numba", "opencv-python-headless", "openimageio", "colour-science", "av")
_version = cache(version)

SAVE_EVERY_S = 10.0
"""So often at most the whole record is written while frames come in; between, each goes into the journal."""

SAVE_SHARE = 0.02
"""And no oftener than that writing takes this share of the time, however long the shot."""


@dataclass(frozen=True, slots=True)
class FrameRecord:
    """A finished frame: checksums of what it was made from and of what was written.

    ``seconds`` is by the clock, on ``host``, with ``hands`` frames in flight (0: not known).
    ``mended`` says what stands in for a frame that failed, and why; such a frame has no source, so that a rerun tries
    it again.
    """

    source: str
    depth: str
    output: str
    sha256: str
    bytes: int
    seconds: float
    remarks: dict[str, float] = field(default_factory=dict)
    not_held: dict[str, Any] = field(default_factory=dict)
    checks: dict[str, Any] = field(default_factory=dict)
    mended: str = ""
    host: str = ""
    hands: int = 0

    def holds(self, folder: Path, *, source: str, depth: str) -> bool:
        """Whether it was made from these very inputs and its file is still what was written."""
        if (self.source, self.depth) != (source, depth):
            return False
        output = folder / self.output
        return output.is_file() and output.stat().st_size == self.bytes and file_sha256(output) == self.sha256


@dataclass(slots=True)
class Record:
    """A shot's record; ``frames`` by source frame number."""

    path: Path
    key: str
    head: dict[str, Any]
    frames: dict[int, FrameRecord]
    unsaved: bool = False
    """Whether the file does not hold all of the frames: the journal does, or nothing yet."""
    _due_s: float = 0.0
    _journal: Journal = field(init=False)

    def __post_init__(self) -> None:
        self._journal = Journal(journal_path(self.path))

    def add(self, number: int, frame: FrameRecord) -> None:
        """Keep a finished frame: a line in the journal, now and then the whole record; OSError when the disk is full.

        The first one saves the record, so that a journal never lies alone or beside another's record.
        """
        self.frames[number] = frame
        self.unsaved = True
        if time.monotonic() >= self._due_s:
            self.save()
        else:
            self._journal.append(self.key, number, asdict(frame))

    def save(self) -> None:
        """Write the record beside its place and rename it; the journal starts anew."""
        started_s = time.monotonic()
        text = json.dumps(
            self.head | {"key": self.key, "frames": {str(n): asdict(self.frames[n]) for n in sorted(self.frames)}},
            indent=1,
            default=str,
        )
        replace_text(self.path, text, lasting=True)
        self._journal.end()
        self.unsaved = False
        ended_s = time.monotonic()
        self._due_s = ended_s + max(SAVE_EVERY_S, (ended_s - started_s) / SAVE_SHARE)

    def close(self) -> None:
        """Let the journal's file go; what it holds stays."""
        self._journal.close()

    def save_sidecar(self, path: Path) -> None:
        """Write the attributes that the frames' format could not hold; no file when it held them all."""
        kept = {str(n): self.frames[n].not_held for n in sorted(self.frames) if self.frames[n].not_held}
        if kept:
            replace_text(path, json.dumps(kept, indent=1, sort_keys=True, default=str))
        else:
            path.unlink(missing_ok=True)


def library_versions() -> dict[str, str]:
    """Of the libraries that a frame's bytes depend on."""
    return {name: _version(name) for name in _LIBRARIES}


def settings_key(plan: Plan, *, kind: str, proxy: Fraction) -> str:
    """A checksum of everything that decides a frame's pixels but the frame itself."""
    stamp = json.dumps(
        [__version__, settings_of(plan.shot, plan.preset, kind=kind, proxy=proxy) | {"setup": asdict(plan.setup)}],
        sort_keys=True,
        default=str,
    )
    return hashlib.sha256(stamp.encode()).hexdigest()


def settings_of(shot: Recce, preset: PresetFile, *, kind: str, proxy: Fraction) -> dict[str, Any]:
    """What a record keeps of the settings: all that decides a frame's pixels and that a person wrote."""
    facts = shot.model_dump(mode="json", by_alias=True)
    facts["footage"].pop("frames")
    told = preset.model_dump(mode="json", exclude={"title", "view"})
    return {"preset": told, "shot": facts, "kind": kind, "proxy": str(proxy)}


def open_record(path: Path, plan: Plan, *, kind: str, proxy: Fraction) -> Record:
    """The record at ``path`` if it was made with the same settings, else a new one."""
    key = settings_key(plan, kind=kind, proxy=proxy)
    head = {
        "widegauge": __version__,
        "libraries": library_versions(),
        "shot_file": plan.shot.file.name,
        "shot_at": os.path.relpath(plan.shot.file.resolve(), path.parent.resolve()),
        "settings": settings_of(plan.shot, plan.preset, kind=kind, proxy=proxy),
        "plan": plan.to_json(),
    }
    return Record(path, key, head, _frames_of(path, key), unsaved=bool(read_journal(path, key)))


def read_record(path: Path) -> Any:
    """A record as it is in its file, with what a killed run's journal adds; OSError and ValueError as for any JSON."""
    data = json.loads(path.read_text(encoding="utf-8"))
    if isinstance(data, dict) and isinstance(data.get("frames"), dict):
        data["frames"] |= read_journal(path, str(data.get("key")))
    return data


def strangers(folder: Path, record: Record, outputs: set[str], *, proxy: Fraction) -> tuple[str, str] | None:
    """What is wrong with a folder in whose finished frames this run's would lie mixed, and a remedy.

    They are frames of this shot at another size, or made with other settings where the run does not replace them, and
    frames of another shot that it would replace.
    """
    mixed: set[str] = set()
    resized: dict[str, str] = {}
    for path in folder.glob("*.record.json"):
        try:
            data = read_record(path)
            names = {frame["output"] for frame in data["frames"].values() if (folder / frame["output"]).exists()}
            same_shot, same_settings = path == record.path, data["key"] == record.key
            size = str(data["settings"]["proxy"])
        except (OSError, ValueError, KeyError, TypeError):
            continue
        if not same_shot:
            mixed |= names & outputs
        elif size != str(proxy):
            resized |= dict.fromkeys(names, size)
        elif not same_settings:
            mixed |= names - outputs
    if resized:
        name = min(resized)
        size = "full size" if resized[name] == "1" else f"{resized[name]} size"
        return f"holds {name} (of {len(resized)}) at {size}", "choose another folder, or delete what lies there"
    if mixed:
        rule = f"holds {min(mixed)} (of {len(mixed)}) made with other settings, or from another shot"
        return rule, "choose another folder, or finish the whole shot anew"
    return None


def file_sha256(path: Path) -> str:
    """SHA-256 of a file's bytes."""
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def replace_text(path: Path, text: str, *, lasting: bool = False) -> None:
    """Write a text beside its place and rename it, so that nobody ever reads half of it; OSError leaves nothing.

    ``lasting``: on the disk itself before it is renamed, so that a power cut does not empty it.
    """
    beside = path.with_name(f".{path.name}.part")
    try:
        with beside.open("w", encoding="utf-8") as file:
            file.write(text)
            file.flush()
            if lasting:
                os.fsync(file.fileno())
        beside.replace(path)
    except BaseException:
        beside.unlink(missing_ok=True)
        raise


def _frames_of(path: Path, key: str) -> dict[int, FrameRecord]:
    try:
        data = read_record(path)
        if data["key"] != key:
            return {}
        return {int(n): FrameRecord(**frame) for n, frame in data["frames"].items()}
    except (OSError, ValueError, KeyError, TypeError):
        return {}
