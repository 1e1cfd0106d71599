"""A shot's output folder while frames are written to it: one writer, no leftovers, and its record."""

from __future__ import annotations

from collections.abc import Callable
from contextlib import suppress
from pathlib import Path

from widegauge.errors import MediaError, mistake
from widegauge.run.job import Job
from widegauge.run.lock import FolderLock
from widegauge.run.record import FrameRecord, open_record, strangers


class Output:
    """Opened for a job and held until ``close``.

    SettingsError when another program writes there, or when frames would lie mixed with others; MediaError when
    nothing can be written there.
    """

    def __init__(self, job: Job) -> None:
        self._lock = FolderLock(job.out)
        try:
            _clear(job.out)
            self.record = open_record(job.record_path, job.plan, kind=job.kind, proxy=job.proxy)
            names = {job.output(n).name for n in job.plate.footage.numbers}
            if mixed := strangers(job.out, self.record, names, proxy=job.proxy):
                raise mistake("--out", "", f'"{job.out}"', *mixed)
        except BaseException:
            self._lock.release()
            raise
        self._sidecar = job.sidecar_path

    def add(self, number: int, frame: FrameRecord) -> None:
        """Keep a finished frame's record; MediaError when it can't be written."""
        self._saved(lambda: self.record.add(number, frame))

    def complete(self) -> None:
        """Save the record and what the frames' format could not hold; MediaError when they can't be written."""
        self._saved(self.record.save)
        self._saved(lambda: self.record.save_sidecar(self._sidecar))

    def close(self) -> None:
        """Save what only the journal holds, if there is room, and let the folder go."""
        try:
            with suppress(OSError):
                if self.record.unsaved:
                    self.record.save()
        finally:
            self.record.close()
            self._lock.release()

    def _saved(self, save: Callable[[], None]) -> None:
        try:
            save()
        except OSError as error:
            raise MediaError(
                f"{self.record.path}: can't be written ({error.strerror}). Free some space and run again."
            ) from error


def _clear(out: Path) -> None:
    """Remove what a killed run left under temporary names."""
    try:
        for leftover in out.glob(".*.part*"):
            leftover.unlink()
    except OSError as error:
        raise MediaError(f"{out}: can't write there ({error.strerror}). Choose another --out.") from error
