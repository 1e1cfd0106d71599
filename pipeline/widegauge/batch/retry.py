"""What may pass by itself, and is tried again; and what can't, and is not."""

from __future__ import annotations

import errno
import os
import shutil
from pathlib import Path
from typing import Literal

from widegauge.batch.work import Done
from widegauge.run.job import Job

PAUSES_S = (1.0, 4.0, 16.0, 64.0, 256.0)
"""A frame rests so long before it is tried again, once and again; others go on. Six tries in as many minutes."""

Cause = Literal["passing", "lasting", "no room"]

_NO_ROOM = {errno.ENOSPC, errno.EDQUOT}
_PASSING = {
    errno.EIO, errno.ESTALE, errno.ETIMEDOUT, errno.EHOSTDOWN, errno.EHOSTUNREACH, errno.ENOTCONN, errno.ENETDOWN,
    errno.ENETUNREACH, errno.ECONNRESET, errno.ECONNABORTED, errno.ECONNREFUSED, errno.EREMOTEIO, errno.ENOLINK,
    errno.EAGAIN, errno.EBUSY, errno.ENODEV, errno.ENXIO, errno.ENOENT, errno.ENOTDIR, errno.EMFILE, errno.ENFILE,
}  # fmt: skip
"""Reasons of a share or a disk that went away; no such file too, since every file was there at the check."""

_CHUNK_BYTES = 1 << 20


def cause_of(done: Done, job: Job, *, frame_bytes: int) -> Cause:
    """Why a frame failed: by the system's own reason, or else by trying its files and the room for its output.

    ``frame_bytes`` is about what the finished frame takes. A file that can be read to its end, but is no picture,
    stays so. May take as long as a share takes to answer.
    """
    if done.fault:
        return "lasting"
    reason = done.errno or _told(done.trouble)
    if not reason:
        try:
            _try(job, done.number, frame_bytes)
        except OSError as error:
            reason = error.errno or 0
    return "no room" if reason in _NO_ROOM else "passing" if reason in _PASSING else "lasting"


def _told(trouble: str) -> int:
    """A reason that a library gives in the system's words only."""
    return next((code for code in (*_NO_ROOM, *_PASSING - {errno.ENOENT}) if os.strerror(code) in trouble), 0)


def _try(job: Job, number: int, frame_bytes: int) -> None:
    """Read what the frame is made from, and reserve room for it; OSError where that fails."""
    footage = job.plate.footage
    if number not in footage.missing_numbers:
        _read(footage.path(number))
    if number in job.plate.depth:
        _read(job.plate.depth[number])
    if shutil.disk_usage(job.out).free < frame_bytes:  # reserving it would take the last of the room from others
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
    probe = job.out / f".{number}.part"
    try:
        with probe.open("wb") as file:
            os.posix_fallocate(file.fileno(), 0, max(frame_bytes, 1))
    finally:
        probe.unlink(missing_ok=True)


def _read(path: Path) -> None:
    with path.open("rb") as file:
        while file.read(_CHUNK_BYTES):
            pass
