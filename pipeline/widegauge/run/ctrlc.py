"""Ctrl-C as a wish to stop in good order, not as an error that may strike anywhere."""

from __future__ import annotations

import signal
import threading
from types import FrameType
from typing import Any, Self


class CtrlC:
    """While entered, the first Ctrl-C sets ``asked``; a second one raises KeyboardInterrupt where the program is."""

    def __init__(self) -> None:
        self.asked = False
        self._before: Any = None

    def __enter__(self) -> Self:
        if threading.current_thread() is threading.main_thread():
            self._before = signal.signal(signal.SIGINT, self._note)
        return self

    def __exit__(self, *_: object) -> None:
        if self._before is not None:
            signal.signal(signal.SIGINT, self._before)

    def _note(self, number: int, frame: FrameType | None) -> None:
        if self.asked:
            raise KeyboardInterrupt
        self.asked = True
