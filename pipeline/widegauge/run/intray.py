"""One thread that decides, many that work: what they have finished is left for it to look at, in turn."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial
from queue import Empty, SimpleQueue
from typing import Any, Protocol, TypeVar

T = TypeVar("T", bound="Ending")


class Ending(Protocol):
    """Something that ends in some thread: a future."""

    def add_done_callback(self, call: Callable[[Any], Any], /) -> Any: ...


class InTray:
    """Calls that other threads leave for one thread to make, in the order in which they came."""

    def __init__(self) -> None:
        self._calls: SimpleQueue[Callable[[], None]] = SimpleQueue()

    def when_ended(self, task: T, call: Callable[[T], None]) -> None:
        """Leave ``call(task)`` in the tray once the task has ended."""
        task.add_done_callback(lambda _: self._calls.put(partial(call, task)))

    def look(self, *, wait_s: float | None = None) -> None:
        """Wait for a call, at most so long (None: for ever), then make all that are there."""
        try:
            self._calls.get(timeout=wait_s)()
            while True:
                self._calls.get_nowait()()
        except Empty:
            return
