"""Run a loop over bands of rows on every core, with the same bits whatever the number of cores."""

from __future__ import annotations

import os
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from functools import cache

BAND_ROWS = 32


_threads = os.cpu_count() or 1


def use_threads(count: int) -> None:
    """Take so many threads from now on, one for each core unless said: for a process that has the machine in part."""
    global _threads
    _threads = count
    _pool.cache_clear()


@cache
def _pool() -> ThreadPoolExecutor:
    return ThreadPoolExecutor(max_workers=_threads, thread_name_prefix="band")


def for_bands(height: int, task: Callable[[int, int], None], *, rows: int = BAND_ROWS) -> None:
    """Call ``task(y0, y1)`` for each band of ``rows`` rows of ``height``; the first error is raised.

    The pool is shared by all frames in flight, so the machine is never asked for more threads than it has
    cores. A task must write to its own rows only, must release the GIL to gain anything, and must not call
    ``for_bands`` itself.
    """
    starts = range(0, height, rows)
    if len(starts) == 1:
        task(0, height)
        return
    for done in [_pool().submit(task, y0, min(y0 + rows, height)) for y0 in starts]:
        done.result()
