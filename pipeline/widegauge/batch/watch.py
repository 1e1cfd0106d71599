"""Who looks on a night: the log, the state file, and a screen."""

from __future__ import annotations

import time
from collections.abc import Mapping
from pathlib import Path
from typing import Any, Protocol

from widegauge.batch.events import Log
from widegauge.batch.night import Night
from widegauge.batch.state import State, save_state

SHOW_EVERY_S, SAVE_EVERY_S = 0.5, 1.0


class Screen(Protocol):
    def tell(self, event: str, facts: Mapping[str, Any]) -> None: ...

    def show(self, state: Mapping[str, Any]) -> None: ...


class Watch:
    """Passes every event to the log and the screen, and now and then the state to the screen and its file."""

    def __init__(self, out: Path, state: State, log: Log, screen: Screen) -> None:
        self._out, self._state, self._log, self._screen = out, state, log, screen
        self._show_s = self._save_s = 0.0

    def tell(self, event: str, **facts: Any) -> None:
        self._log.write(event, **facts)
        self._screen.tell(event, facts)

    def tick(self, night: Night) -> None:
        now_s = time.monotonic()
        if now_s < self._show_s:
            return
        self._show_s = now_s + SHOW_EVERY_S
        state = self._state.now(night)
        self._screen.show(state)
        if now_s >= self._save_s:
            self._save_s = now_s + SAVE_EVERY_S
            save_state(self._out, state)

    def end(self, night: Night) -> dict[str, Any]:
        """The last state, shown and saved."""
        state = self._state.now(night, ended=True)
        self._screen.show(state)
        save_state(self._out, state)
        return state
