"""What happens in a night, as lines of JSON."""

from __future__ import annotations

import json
import os
from pathlib import Path
from typing import Any

from widegauge.errors import MediaError
from widegauge.run.clock import utc_now


class Log:
    """Adds a line for each event to a file; the lines of earlier runs stay. MediaError when it can't be opened.

    Each line is with the kernel when ``write`` comes back. A full disk costs lines, never the night: ``lost`` counts.
    """

    def __init__(self, path: Path | None) -> None:
        self.lost = 0
        self._file: int | None = None
        if path is not None:
            try:
                path.parent.mkdir(parents=True, exist_ok=True)
                self._file = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_APPEND, 0o666)
            except OSError as error:
                raise MediaError(
                    f"{path}: the log can't be written ({error.strerror}). Choose another file."
                ) from error

    def write(self, event: str, **facts: Any) -> None:
        if self._file is None:
            return
        line = json.dumps({"at": utc_now(), "event": event} | facts, default=str, ensure_ascii=False) + "\n"
        try:
            os.write(self._file, line.encode())
        except OSError:
            self.lost += 1

    def close(self) -> None:
        if self._file is not None:
            os.close(self._file)
            self._file = None
