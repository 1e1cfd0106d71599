"""Who does the work: threads of this process, or processes on one machine or many."""

from __future__ import annotations

from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from typing import Any, Protocol

from widegauge.batch.work import Done, Work, do_work
from widegauge.errors import WidegaugeError


class CrewLost(WidegaugeError):
    """The crew can't go on: its scheduler or all of its workers are gone. Whole frames stay; a rerun goes on."""

    exit_code = 1


class Task(Protocol):
    """A piece of work that was handed in."""

    def result(self) -> tuple[Done, ...]:
        """What became of it; raises CrewLost when the crew is gone."""

    def add_done_callback(self, call: Callable[[Any], Any]) -> Any:
        """Have ``call`` called with the task when it has ended, in some thread."""


class Crew(Protocol):
    """Takes pieces of work; ``hands`` of them keep it busy, each of about ``block`` frames."""

    @property
    def hands(self) -> int: ...

    @property
    def block(self) -> int: ...

    def submit(self, work: Work) -> Task: ...

    def close(self) -> None: ...


class Threads:
    """Frames in flight as threads of this process: kernels and file libraries release the interpreter's lock."""

    block = 1

    def __init__(self, hands: int) -> None:
        self.hands = hands
        self._pool = ThreadPoolExecutor(hands, thread_name_prefix="frame")

    def submit(self, work: Work) -> Task:
        return self._pool.submit(do_work, work)

    def close(self) -> None:
        self._pool.shutdown(wait=True, cancel_futures=True)
