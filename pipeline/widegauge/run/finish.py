"""Finish a shot: run the stages over its frames, several at a time, and keep a record."""

from __future__ import annotations

from collections.abc import Callable
from concurrent.futures import FIRST_COMPLETED, Future, ThreadPoolExecutor, wait
from dataclasses import dataclass
from pathlib import Path

from widegauge.errors import MediaError, mistake
from widegauge.run.job import Job, finish_frame, workers_for
from widegauge.run.record import FrameRecord, Record, open_record, strangers


@dataclass(frozen=True, slots=True)
class Progress:
    """A frame that was finished, or found to be done already."""

    number: int
    seconds: float
    skipped: bool
    done: int
    total: int
    remarks: dict[str, float]


def finish(job: Job, *, workers: int = 0, on_frame: Callable[[Progress], None] = lambda _: None) -> Record:
    """Finish every frame of the footage's range that the record does not hold already.

    ``workers`` frames are in flight at a time (0: as many as cores and memory allow). A frame that fails, or
    Ctrl-C, stops the shot: frames in flight are finished and kept, then the error is raised.
    """
    workers = workers or workers_for(job.plate)
    _prepare(job.out, job.output(0).suffix)
    record = open_record(job.record_path, job.plan, kind=job.kind, proxy=job.proxy)
    numbers = job.plate.footage.numbers
    mixed = strangers(job.out, record, {job.output(number).name for number in numbers})
    if mixed:
        rule = f"holds {mixed[0]} (of {len(mixed)}) made with other settings, or from another shot"
        raise mistake("--out", "", f'"{job.out}"', rule, "choose another folder, or finish the whole shot anew")
    waiting = iter(numbers)
    flying: dict[Future[tuple[FrameRecord, bool]], int] = {}
    stopped: BaseException | None = None
    done = 0
    with ThreadPoolExecutor(workers, thread_name_prefix="frame") as pool:
        while True:
            while stopped is None and len(flying) < workers and (number := next(waiting, None)) is not None:
                flying[pool.submit(finish_frame, job, number, record.frames.get(number))] = number
            if not flying:
                break
            try:
                landed, _ = wait(flying, return_when=FIRST_COMPLETED)
            except KeyboardInterrupt as interrupt:
                stopped = stopped or interrupt
                continue
            for future in landed:
                number = flying.pop(future)
                if (error := future.exception()) is not None:
                    stopped = stopped or error
                    continue
                frame, skipped = future.result()
                done += 1
                if not skipped:
                    record.frames[number] = frame
                    _save(record)
                on_frame(Progress(number, frame.seconds, skipped, done, len(numbers), frame.remarks))
    if stopped is not None:
        raise stopped
    _save(record)
    record.save_sidecar(job.sidecar_path)
    return record


def _prepare(out: Path, suffix: str) -> None:
    """Make the output folder, and clear what a killed run left in it under temporary names."""
    try:
        out.mkdir(parents=True, exist_ok=True)
        for leftover in out.glob(f".*.part{suffix}"):
            leftover.unlink()
    except OSError as error:
        raise MediaError(f"{out}: can't write there ({error.strerror}). Choose another --out.") from None


def _save(record: Record) -> None:
    try:
        record.save()
    except OSError as error:
        raise MediaError(
            f"{record.path}: can't be written ({error.strerror}). Free some space and run again."
        ) from None
