"""One writer a folder: a lock that the kernel lets go when its program ends, however it ends."""

from __future__ import annotations

import errno
import fcntl
import json
import os
import socket
import time
from contextlib import suppress
from pathlib import Path

from widegauge.errors import MediaError, mistake
from widegauge.run.clock import utc_now

LOCK_NAME = ".widegauge.lock"

_ASIDE_S = 0.25
"""A look at the lock holds it for a moment: so long a writer tries before it gives up."""


class FolderLock:
    """Makes the folder and holds it until ``release``; SettingsError says who else holds it and since when.

    The file says host, process and start for that sentence only; what keeps others out is the kernel's lock on it.
    """

    def __init__(self, folder: Path) -> None:
        self._path = folder / LOCK_NAME
        until = time.monotonic() + _ASIDE_S
        try:
            folder.mkdir(parents=True, exist_ok=True)
            while (file := _taken(self._path)) is None:
                if time.monotonic() > until:
                    raise mistake(
                        folder,
                        "",
                        None,
                        f"is being written to by {_holder(self._path)}",
                        "Wait for it, or choose another",
                    )
                time.sleep(_ASIDE_S / 10)
        except OSError as error:
            if error.errno in (errno.ENOLCK, errno.EOPNOTSUPP, errno.ENOSYS):
                said = "this file system knows no locks, so two programs could write there at once"
                raise MediaError(f"{folder}: {said} ({error.strerror}). Choose another --out.") from error
            raise MediaError(f"{folder}: can't write there ({error.strerror}). Choose another --out.") from error
        self._file = file
        words = {"host": socket.gethostname(), "process": os.getpid(), "since": utc_now()}
        with suppress(OSError):  # a full disk: the lock holds all the same, it only can't say whose it is
            os.ftruncate(file, 0)
            os.write(file, json.dumps(words).encode())

    def release(self) -> None:
        """Let go, and leave no file behind. Unlinked while locked: see ``_taken`` for who opened it just before."""
        with suppress(OSError):
            self._path.unlink(missing_ok=True)
        os.close(self._file)


def is_held(folder: Path) -> bool:
    """Whether a program writes to the folder now."""
    try:
        file = os.open(folder / LOCK_NAME, os.O_RDONLY)
    except OSError:
        return False
    try:
        fcntl.flock(file, fcntl.LOCK_SH | fcntl.LOCK_NB)
    except BlockingIOError:
        return True
    finally:
        os.close(file)
    return False


def _taken(path: Path) -> int | None:
    """The locked file, or None while another holds it; never one that its last holder has unlinked meanwhile."""
    while True:
        file = os.open(path, os.O_RDWR | os.O_CREAT, 0o666)
        try:
            fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
            with suppress(FileNotFoundError):
                if os.path.samestat(os.fstat(file), path.stat()):
                    return file
        except BlockingIOError:
            os.close(file)
            return None
        except BaseException:
            os.close(file)
            raise
        os.close(file)


def _holder(path: Path) -> str:
    try:
        said = json.loads(path.read_text(encoding="utf-8"))
        return f"another widegauge, process {said['process']} on {said['host']}, since {said['since']}"
    except (OSError, ValueError, KeyError, TypeError):
        return "another widegauge"
