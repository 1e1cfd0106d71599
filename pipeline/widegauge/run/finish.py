"""Finish a shot: run the stages over its frames, several at a time, and keep a record."""

from __future__ import annotations

from collections.abc import Callable
from concurrent.futures import Future, ThreadPoolExecutor
from contextlib import closing
from dataclasses import dataclass, replace
from functools import partial

from widegauge.run.ctrlc import CtrlC
from widegauge.run.intray import InTray
from widegauge.run.job import Job, finish_frame, workers_for
from widegauge.run.output import Output
from widegauge.run.record import FrameRecord, Record

Landed = Future[tuple[FrameRecord, bool]]


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
    Ctrl-C, stops the shot: frames in flight are finished and kept, then the error is raised. A second Ctrl-C raises
    at once.
    """
    workers = workers or workers_for(job.plate)
    numbers = job.plate.footage.numbers
    waiting = iter(numbers)
    in_flight = done = 0
    failed: Exception | None = None
    tray = InTray()

    def landed(number: int, task: Landed) -> None:
        nonlocal in_flight, done, failed
        in_flight -= 1
        try:
            frame, skipped = task.result()
            done += 1
            if not skipped:
                output.add(number, replace(frame, hands=workers))
            on_frame(Progress(number, frame.seconds, skipped, done, len(numbers), frame.remarks))
        except Exception as error:
            failed = failed or error

    pool = ThreadPoolExecutor(workers, thread_name_prefix="frame")
    with closing(Output(job)) as output, CtrlC() as ctrl_c:
        try:
            while True:
                while not (failed or ctrl_c.asked) and in_flight < workers:
                    if (number := next(waiting, None)) is None:
                        break
                    task = pool.submit(finish_frame, job, number, output.record.frames.get(number))
                    tray.when_ended(task, partial(landed, number))
                    in_flight += 1
                if not in_flight:
                    break
                tray.look()
        finally:
            pool.shutdown(wait=in_flight == 0, cancel_futures=True)
        if failed is not None:
            raise failed
        if ctrl_c.asked and done < len(numbers):
            raise KeyboardInterrupt
        output.complete()
        return output.record
