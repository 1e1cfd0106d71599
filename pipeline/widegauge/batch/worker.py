"""What a process of a cluster does: it sees that it fits, then finishes frames for as long as their batch lives."""

from __future__ import annotations

import asyncio
import ctypes
import errno
import os
import platform
import socket
import tempfile
import time
from collections import Counter
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace
from functools import lru_cache
from pathlib import Path

from widegauge import __version__
from widegauge.batch.work import Done, Work, do_work, forget_jobs
from widegauge.run.lock import LOCK_NAME
from widegauge.run.record import library_versions

SHARE_S = 10.0
"""A network share may show a new file late, and go away for a moment: so long a process looks for it."""

_LOOK_S = 0.1
_M_TRIM_THRESHOLD, _M_MMAP_THRESHOLD = -1, -3
"""From glibc's malloc.h."""


@dataclass(frozen=True, slots=True)
class Terms:
    """What every process that works for a batch has to agree with.

    lock      the lock in the night's folder
    words     what stands in it: the batch lives for as long as they do
    versions  of widegauge, Python and the libraries that a frame depends on
    """

    lock: Path
    words: str
    versions: tuple[tuple[str, str], ...]


class Unfit(Exception):
    """Why this process can't work for a batch, and what to do about it: Unfit(rule, remedy)."""

    def __str__(self) -> str:
        rule, remedy = self.args
        return f"{rule}; {remedy}."


class OutOfSight(Unfit):
    """It can't now: the batch's folder is not in sight. That may pass."""


def terms_of(out: Path) -> Terms:
    """The terms of a batch that holds the lock of ``out``; OSError when there is none."""
    lock = out.absolute() / LOCK_NAME
    with lock.open("rb") as file:
        os.fsync(file.fileno())  # its writer has it open still, and a share shows others what was closed or synced
        words = file.read().decode()
    return Terms(lock, words, versions())


def versions() -> tuple[tuple[str, str], ...]:
    python = ".".join(platform.python_version_tuple()[:2])
    return (("widegauge", __version__), ("Python", python), *library_versions().items())


def see_versions(terms: Terms) -> None:
    """Unfit names every version that is not the batch's."""
    own = dict(versions())
    unlike = [f"{name} {own.get(name)}, not {wanted}" for name, wanted in terms.versions if own.get(name) != wanted]
    if unlike:
        raise Unfit(f"has {', '.join(unlike)}", "install the same versions on all machines")


async def get_ready(terms: Terms, processes: int) -> str:
    """Join a batch, as one of so many processes on this machine; the type of its CPU. Unfit says why not."""
    from llvmlite import binding  # type: ignore[import-untyped]

    await asyncio.to_thread(join, terms)
    _share_cores(processes)
    _keep_memory()
    return str(binding.get_host_cpu_name())


def finish_there(work: Work, terms: Terms) -> tuple[Done, ...]:
    """Finish the frames of a piece of work; they say so when the batch's folder is out of sight. Raises Unfit only."""
    done: list[Done] = []
    for number, known in work.known.items():
        try:
            join(terms)
            _see(terms)
        except OutOfSight as error:
            done.append(Done(number, None, trouble=f"{terms.lock.parent}: {error}", errno=errno.ESTALE))
        else:
            with _in_flight(terms):
                done += do_work(replace(work, known={number: known}))
    return tuple(done)


@lru_cache(maxsize=4)
def join(terms: Terms) -> None:
    """What is done once before this process works for a batch.

    It sees that versions are the same and that it can write to the batch's folder. Frames that it is at still for an
    earlier run in that folder, one that was killed, are let end: else they would replace their successors. And shots
    that it has read are forgotten, since their files may have changed.
    """
    see_versions(terms)
    _see(terms)
    try:
        tempfile.TemporaryFile(dir=terms.lock.parent).close()
    except OSError as error:
        raise OutOfSight(f"can't write there ({error.strerror})", "check the share and its permissions") from error
    while any(count for other, count in list(_flying.items()) if other.lock == terms.lock and other != terms):
        time.sleep(_LOOK_S)
    forget_jobs()


def _see(terms: Terms) -> None:
    """See that the batch lives, by the words in its lock; OutOfSight when they aren't there for some seconds."""
    until_s = time.monotonic() + SHARE_S
    while not _says(terms):
        if time.monotonic() > until_s:
            rule = f"{socket.gethostname()} does not see the folder of the batch, or the batch has ended"
            raise OutOfSight(rule, "let all machines have footage and output under the same paths")
        time.sleep(_LOOK_S)


def _says(terms: Terms) -> bool:
    try:
        return terms.lock.read_text(encoding="utf-8") == terms.words
    except (OSError, ValueError):
        return False


_flying: Counter[Terms] = Counter()
"""Frames that this process is at, by their batch."""


@contextmanager
def _in_flight(terms: Terms) -> Iterator[None]:
    _flying[terms] += 1
    try:
        yield
    finally:
        _flying[terms] -= 1


def _share_cores(processes: int) -> None:
    """Take this process's share of the machine's cores for the threads within a frame; no bit depends on them."""
    import cv2

    from widegauge.kernels.bands import use_threads

    share = max(1, len(os.sched_getaffinity(0)) // processes)
    use_threads(share)
    cv2.setNumThreads(share)


def _keep_memory() -> None:
    """Let malloc keep what is freed, within glibc's own greatest bounds: arrays of a frame come again with the next.

    dask has its processes give every page back at once (MALLOC_TRIM_THRESHOLD_ in their environment), which costs a
    fifth of a frame's CPU time, for touching new pages.
    """
    mallopt = getattr(ctypes.CDLL(None), "mallopt", None)
    if mallopt is not None:
        mallopt(_M_MMAP_THRESHOLD, 32 << 20)
        mallopt(_M_TRIM_THRESHOLD, 64 << 20)
