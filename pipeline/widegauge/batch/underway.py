"""One shot of the night on its way: which frames wait, which fly, what became of them; and what to say of it."""

from __future__ import annotations

import time
from collections import Counter, deque
from collections.abc import Iterable
from dataclasses import replace
from pathlib import Path

from widegauge.batch.mend import BadFrames, mend
from widegauge.batch.outcome import Outcome, Status
from widegauge.batch.work import Done, Work, failed, job_for
from widegauge.errors import MediaError, WidegaugeError
from widegauge.media.footage import listed
from widegauge.run.job import Job
from widegauge.run.output import Output
from widegauge.run.record import FrameRecord
from widegauge.shotlist import Entry
from widegauge.units import parse_frames

OPENING = -1
"""Stands for a frame's number while a shot is being opened."""

GUESSED_BYTES_PER_PX = 6
"""Of a finished frame before one is there: three channels of 16 bits."""


class Unreadable(WidegaugeError):
    """A shot that could be bound at the check, and can't now."""


class Underway:
    """A shot between waiting and its outcome. Only the night's own thread calls it, but for ``opened``.

    waiting   frames that nobody has yet
    resting   frames that are tried again, each not before its time
    away      how many are with the crew; how many failed and are ``looked_into``
    halted    why no more frames are begun
    good      frames that are finished, ``before`` of them before this run
    troubles  a sentence for each frame that failed for good
    mended    what stands in for such a frame
    """

    def __init__(self, entry: Entry, out: Path) -> None:
        self.entry, self.out = entry, out
        self.opening = False
        self.outcome: Outcome | None = None
        self.numbers = _listed(entry.frames)
        self.waiting: deque[int] = deque()
        self.resting: dict[int, float] = {}
        self.away = self.looked_into = 0
        self.halted = ""
        self.good: set[int] = set()
        self.before = 0
        self.troubles: dict[int, str] = {}
        self.faults: set[int] = set()
        self.mended: dict[int, str] = {}
        self.tries: Counter[int] = Counter()
        self.worked, self.worked_s = 0, 0.0
        self._job: Job | None = None
        self._output: Output | None = None
        self._began_s = self._latest_s = 0.0

    def opened(self, proxy: str) -> tuple[Job, Output]:
        """Bind the shot and take its folder; may take seconds, so in a thread of its own.

        Unreadable when its files can't be bound now, though they could at the check; else errors as of ``Output``.
        """
        try:
            job = job_for(self.entry, out=self.out, proxy=proxy)
        except (WidegaugeError, OSError) as error:
            raise Unreadable(str(error)) from error
        return job, Output(job)

    def begin(self, job: Job, output: Output) -> None:
        self._job, self._output = job, output
        self.numbers = job.plate.footage.numbers
        self.resting.clear()
        if not self.halted:
            self.waiting.extend(self.numbers)

    def halt(self, why: str) -> None:
        """Begin no more frames; those away still land."""
        self.halted = self.halted or why
        self.waiting.clear()
        self.resting.clear()

    @property
    def may_open(self) -> bool:
        rests_until_s = self.resting.get(OPENING, 0.0)
        return not (self.outcome or self.opening or self.is_open or self.halted) and rests_until_s <= time.monotonic()

    @property
    def is_spent(self) -> bool:
        """Whether there is nothing left to wait for."""
        return not (self.opening or self.waiting or self.resting or self.away or self.looked_into)

    def has_work(self) -> bool:
        """Whether a frame is ready for the crew; those that have rested come first."""
        if self.is_open:
            now_s = time.monotonic()
            for number in sorted((n for n, until_s in self.resting.items() if until_s <= now_s), reverse=True):
                del self.resting[number]
                self.waiting.appendleft(number)
        return bool(self.waiting)

    @property
    def is_open(self) -> bool:
        return self._output is not None

    @property
    def has_begun(self) -> bool:
        return self._began_s > 0.0

    @property
    def job(self) -> Job:
        if self._job is None:
            raise RuntimeError(f"{self.entry.name} is not bound")
        return self._job

    @property
    def done(self) -> int:
        return len(self.good) + len(self.mended)

    @property
    def disk(self) -> int:
        """The device that its folder is on, or will be; -1 when it does not answer."""
        place = self.out.absolute()
        while not place.exists() and place != place.parent:
            place = place.parent
        try:
            return place.stat().st_dev
        except OSError:
            return -1

    @property
    def frame_bytes(self) -> int:
        """About what a finished frame takes on disk."""
        raster = self.job.plan.setup.raster
        return max((frame.bytes for frame in self._frames.values()), default=0) or (
            raster.width_px * raster.height_px * GUESSED_BYTES_PER_PX
        )

    def take(self, count: int, proxy: str) -> Work:
        """The next frames, for the crew."""
        numbers = [self.waiting.popleft() for _ in range(min(count, len(self.waiting)))]
        self.away += len(numbers)
        self._began_s = self._began_s or time.monotonic()
        key = self._output.record.key if self._output else ""
        return Work(self.entry, self.out, proxy, key, {n: self._frames.get(n) for n in numbers})

    def keep(self, done: Done, *, hands: int) -> None:
        """A frame that is finished, with so many in flight; MediaError when its record can't be written."""
        if done.frame is None or self._output is None:
            return
        if done.skipped:
            self.before += 1
        else:
            self.worked += 1
            self.worked_s += done.frame.seconds
            self._output.add(done.number, replace(done.frame, hands=hands))
        self._latest_s = time.monotonic()
        self.good.add(done.number)

    def fail(self, done: Done) -> None:
        """A frame that failed for good."""
        self.troubles[done.number] = done.trouble
        if done.fault:
            self.faults.add(done.number)

    def mend(self, way: BadFrames) -> None:
        """Have something stand in for frames that failed; a fault in the program is never covered up."""
        if way == "fail" or self._output is None:
            return
        for number in sorted(self.troubles.keys() - self.faults):
            try:
                frame = mend(
                    self.job, number, way=way, good=self.good, frames=self._frames, trouble=self.troubles[number]
                )
                self._output.add(number, frame)
            except Exception as error:
                self.troubles[number] = failed(number, error).trouble
            else:
                del self.troubles[number]
                self.mended[number] = frame.mended

    def end(self, *, why: str = "", status: Status = "stopped") -> Outcome:
        """Save its record, let its folder go, and say what became of it.

        ``why`` it did not come to its own end, and what it is called then.
        """
        record = None
        if self._output is not None:
            if self.done == len(self.numbers):
                try:
                    self._output.complete()
                except MediaError as error:
                    why, status = str(error), "failed"
            self._output.close()
            record = self._output.record.path if self._output.record.path.is_file() else None
        status, sentence = self._said(why, status)
        self.outcome = Outcome(
            self.entry,
            status,
            sentence,
            self.out,
            record,
            total=len(self.numbers),
            done=self.done,
            before=self.before,
            troubles=dict(sorted(self.troubles.items())),
            mended=dict(sorted(self.mended.items())),
            seconds=max(0.0, self._latest_s - self._began_s),
        )
        self._job = self._output = None
        self.waiting.clear()
        return self.outcome

    def refuse(self, sentence: str) -> Outcome:
        """It can't begin."""
        self.outcome = Outcome(self.entry, "refused", sentence, self.out, total=len(self.numbers))
        return self.outcome

    def _said(self, why: str, status: Status) -> tuple[Status, str]:
        total, failed = len(self.numbers), sorted(self.troubles)
        if why and not self.has_begun:
            return "waiting", f"Not begun. {why}"
        counted = f"{self.done} of {total} frames are finished"
        if failed:
            which = f"frame {failed[0]} failed" if len(failed) == 1 else f"{len(failed)} failed ({listed(failed)})"
            first = f"{which}: {self.troubles[failed[0]]}"
            said = f"{counted}; {first} {why or 'Put it right, and the same command does the rest.'}"
            return "failed", said + self._left_standing()
        if why:
            return status, f"{counted}. {why}" + self._left_standing()
        if self.mended:
            before = f" ({self.before} before this run)" if self.before else ""
            stands = f"In place of {listed(self.mended)}, which failed, stands {_what(self.mended.values())}."
            return "finished", f"{total} of {total} frames written, {len(self.good)} of them finished{before}. {stands}"
        if self.before == total:
            return "finished", f"All {total} frames were done before." if total > 1 else "Its frame was done before."
        before = f", {self.before} were done before" if self.before else ""
        noun = "frames" if total > 1 else "frame"
        return "finished", f"{total - self.before} of {total} {noun} finished{before}."

    def _left_standing(self) -> str:
        """What an earlier run put in place of frames that this one did not finish either."""
        earlier = {n: frame.mended for n, frame in self._frames.items() if frame.mended and n not in self.mended}
        mended = {n: earlier[n] for n in self.numbers if n in earlier}
        if not mended:
            return ""
        return f" In place of {listed(mended)} still stands {_what(mended.values())}, from an earlier run."

    @property
    def _frames(self) -> dict[int, FrameRecord]:
        return self._output.record.frames if self._output is not None else {}


def _listed(frames: str | None) -> tuple[int, ...]:
    """Frames that a list asks for, as far as it says; binding says it for certain."""
    try:
        return tuple(parse_frames(frames)) if frames else ()
    except ValueError:
        return ()


def _what(mended: Iterable[str]) -> str:
    """What stands in for frames, from their records."""
    return "black" if all(what.startswith("black") for what in mended) else "a copy of a frame beside it"
