"""The journal beside a record: each finished frame in a line of its own, so that a killed run forgets none."""

from __future__ import annotations

import errno
import json
import os
from pathlib import Path
from typing import Any


class Journal:
    """Lines that were not saved into the record yet; appending costs the same however long the shot is.

    A line is with the kernel when ``append`` comes back, so that it outlives the program, though not a power cut.
    """

    def __init__(self, path: Path) -> None:
        self._path = path
        self._file: int | None = None

    def append(self, key: str, number: int, frame: dict[str, Any]) -> None:
        """Add a frame's record under the record's key of settings; OSError when the disk is full."""
        if self._file is None:
            self._file = os.open(self._path, os.O_WRONLY | os.O_CREAT | os.O_APPEND, 0o666)
        # the line's end comes first, so that one torn by a full disk does not spoil the next
        line = b"\n" + json.dumps({"key": key, "number": number, "frame": frame}, default=str).encode()
        if os.write(self._file, line) < len(line):
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC), str(self._path))

    def end(self) -> None:
        """Drop the lines: the record holds them all."""
        self.close()
        self._path.unlink(missing_ok=True)

    def close(self) -> None:
        if self._file is not None:
            os.close(self._file)
            self._file = None


def journal_path(record: Path) -> Path:
    """Where a record's journal lies: hidden, beside it."""
    return record.with_name(f".{record.name.removesuffix('.json')}.journal")


def read_journal(record: Path, key: str) -> dict[str, dict[str, Any]]:
    """Frames that a record's journal adds to it, by number; lines of other settings and torn ones are left out."""
    frames: dict[str, dict[str, Any]] = {}
    try:
        lines = journal_path(record).read_bytes().splitlines()
    except OSError:
        return {}
    for line in lines:
        try:
            said = json.loads(line)
            if said["key"] == key:
                frames[str(int(said["number"]))] = said["frame"]
        except (ValueError, KeyError, TypeError):
            continue
    return frames
