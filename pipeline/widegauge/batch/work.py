"""A piece of a night's work: some frames of one shot. Paths travel, pixels never do."""

from __future__ import annotations

import pickle
import traceback
from collections import OrderedDict
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from threading import Lock

from widegauge.errors import WidegaugeError
from widegauge.run.bind import bind
from widegauge.run.job import Job, finish_frame, make_job
from widegauge.run.record import FrameRecord, settings_key
from widegauge.shotlist import Entry

KEPT_JOBS = 8
"""Shots that a process keeps open: those in flight, and some that come back."""


@dataclass(frozen=True, slots=True)
class Work:
    """Frames of one shot, small enough to travel to another machine.

    entry   the shot, as the list has it, with ``frames`` settled
    out     the shot's own output folder
    proxy   "1", "1/4" ...
    key     the record's key of settings, by which both sides see that they read the same facts
    known   what the record says of each frame to be finished, in their order; None for those it doesn't hold
    """

    entry: Entry
    out: Path
    proxy: str
    key: str
    known: Mapping[int, FrameRecord | None]


@dataclass(frozen=True, slots=True)
class Done:
    """What became of one frame.

    frame     its record; None when it failed
    skipped   finished before, and still good
    trouble   a sentence for a person when it failed
    fault     the traceback, when the trouble is a fault of the program's
    errno     the system's own reason for the trouble, where it gave one; else 0
    """

    number: int
    frame: FrameRecord | None
    skipped: bool = False
    trouble: str = ""
    fault: str = ""
    errno: int = 0


def job_for(entry: Entry, *, out: Path, proxy: str) -> Job:
    """Bind a list's entry; SettingsError with every mistake in its files."""
    plan, plate, size = bind(
        entry.shot, entry.preset, overrides=entry.overrides, frames=entry.frames, proxy=proxy, facts=entry.facts
    )
    return make_job(plan, plate, out=out, proxy=size)


def do_work(work: Work) -> tuple[Done, ...]:
    """Finish the frames of a piece of work; never raises: each frame comes back done, or with its trouble."""
    try:
        job = _kept_job(work)
    except Exception as error:
        return tuple(failed(number, error) for number in work.known)
    return tuple(_one(job, number, known) for number, known in work.known.items())


def failed(number: int, error: BaseException) -> Done:
    """What an error says of a frame; one that is not meant for a person is a fault of the program's."""
    code = _errno(error)
    if isinstance(error, WidegaugeError):
        return Done(number, None, trouble=str(error), errno=code)
    if isinstance(error, OSError):
        return Done(number, None, trouble=f"{error.filename or 'a file'}: {error.strerror or error}.", errno=code)
    fault = "".join(traceback.format_exception(error))
    return Done(number, None, trouble=f"a fault in the program ({type(error).__name__}: {error}).", fault=fault)


def keep_job(work: Work, job: Job) -> None:
    """Have this process use a job that is bound already for pieces of the same shot."""
    with _guard:
        _slot(work).job = job


def forget_jobs() -> None:
    """Have this process read shots anew: their files may have changed since an earlier batch."""
    with _guard:
        _kept.clear()


def _one(job: Job, number: int, known: FrameRecord | None) -> Done:
    try:
        frame, skipped = finish_frame(job, number, known)
    except Exception as error:
        return failed(number, error)
    return Done(number, frame, skipped)


def _errno(error: BaseException | None) -> int:
    """The system's own reason, wherever below an error it stands; 0 when there is none."""
    while error is not None:
        if isinstance(error, OSError) and error.errno:
            return error.errno
        error = error.__cause__ or error.__context__
    return 0


class _Slot:
    """Room for one bound shot; its lock is held while it is bound, so that it is bound once."""

    def __init__(self) -> None:
        self.lock = Lock()
        self.job: Job | None = None


_kept: OrderedDict[bytes, _Slot] = OrderedDict()
_guard = Lock()


def _slot(work: Work) -> _Slot:
    words = pickle.dumps((work.entry, work.out, work.proxy, work.key))
    slot = _kept.setdefault(words, _Slot())
    _kept.move_to_end(words)
    while len(_kept) > KEPT_JOBS:
        _kept.popitem(last=False)
    return slot


def _kept_job(work: Work) -> Job:
    """The bound shot, kept from one piece of work to the next for as long as its settings are the same."""
    with _guard:
        slot = _slot(work)
    with slot.lock:
        if slot.job is None:
            job = job_for(work.entry, out=work.out, proxy=work.proxy)
            if settings_key(job.plan, kind=job.kind, proxy=job.proxy) != work.key:
                raise WidegaugeError(
                    f"{work.entry.shot}: here the shot or its preset says something else than where the batch was "
                    "started; see that all machines read the same files, with the same version of widegauge."
                )
            slot.job = job
        return slot.job
