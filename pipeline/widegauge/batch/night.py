"""The night: one queue of frames over all shots, one thread that decides, many hands that work."""

from __future__ import annotations

import time
from collections.abc import Callable, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import replace
from functools import partial
from pathlib import Path
from typing import Any, Protocol

from widegauge.batch.crew import Crew, CrewLost, Task
from widegauge.batch.mend import BadFrames
from widegauge.batch.outcome import Outcome
from widegauge.batch.retry import PAUSES_S, Cause, cause_of
from widegauge.batch.underway import OPENING, Underway, Unreadable
from widegauge.batch.work import Done, Work, failed, keep_job
from widegauge.errors import MediaError
from widegauge.run.intray import InTray
from widegauge.run.job import Job
from widegauge.run.output import Output
from widegauge.shotlist import Entry, in_order

TICK_S = 0.5

OPEN_AHEAD = 2
"""Shots that are bound before their turn comes, so that no hand waits for a shot to open."""

AGAIN = "The same command goes on from here."


class Watcher(Protocol):
    """Whoever looks on: told of everything that happens, and asked to look again twice a second."""

    def tell(self, event: str, **facts: Any) -> None: ...

    def tick(self, night: Night) -> None: ...


class Night:
    """Finishes the frames of many shots, in the order of their priority and then of the list.

    A frame that fails fails its shot when the shot's other frames are done, unless ``bad_frames`` has something
    stand in; what may pass is tried again after ``pauses_s``, while others go on. Only this thread writes records.
    Once ``asked`` says so, no more frames are begun, and the night ends when those in flight are finished.
    """

    def __init__(
        self,
        entries: Sequence[Entry],
        out: Path,
        crew: Crew,
        watcher: Watcher,
        *,
        proxy: str = "1",
        bad_frames: BadFrames = "fail",
        pauses_s: Sequence[float] = PAUSES_S,
        asked: Callable[[], bool] = lambda: False,
    ) -> None:
        self.shots = [Underway(entry, out / entry.name) for entry in in_order(entries)]
        self.in_flight = 0
        self.lost = ""
        self.stopped = False
        self._crew, self._proxy, self._bad_frames, self._pauses_s = crew, proxy, bad_frames, pauses_s
        self._asked = asked
        self._watcher, self._tell = watcher, watcher.tell
        self._tray = InTray()
        self._openers = ThreadPoolExecutor(OPEN_AHEAD, thread_name_prefix="open")
        self._lookers = ThreadPoolExecutor(OPEN_AHEAD, thread_name_prefix="look")

    def run(self) -> tuple[Outcome, ...]:
        """Work until all is done or can't be; an outcome for each shot, in the night's order."""
        try:
            while not self._is_over():
                self._open_ahead()
                while self.in_flight < self.hands and (shot := self._next()) is not None:
                    self._hand_in(shot)
                self._tray.look(wait_s=TICK_S)
                self.stopped = self.stopped or self._asked()
                self._watcher.tick(self)
        finally:
            self._openers.shutdown(wait=False, cancel_futures=True)
            self._lookers.shutdown(wait=False, cancel_futures=True)
        why = self.lost or "Ctrl-C came first."
        for shot in self.shots:
            if shot.outcome is None:
                self._ended(shot.end(why=f"{why} {AGAIN}"))
        return tuple(shot.outcome for shot in self.shots if shot.outcome)

    @property
    def hands(self) -> int:
        return self._crew.hands

    def _is_over(self) -> bool:
        if self.lost:
            return not any(shot.opening for shot in self.shots)
        if self.stopped:
            return not any(shot.opening or shot.away or shot.looked_into for shot in self.shots)
        return all(shot.outcome for shot in self.shots)

    def _open_ahead(self) -> None:
        if self.stopped or self.lost:
            return
        ahead = sum(shot.opening or (shot.is_open and not shot.has_begun) for shot in self.shots)
        closed = [shot for shot in self.shots if shot.may_open]
        for shot in closed[: max(0, OPEN_AHEAD - ahead)]:
            shot.opening = True
            self._tray.when_ended(self._openers.submit(shot.opened, self._proxy), partial(self._opened, shot))

    def _opened(self, shot: Underway, task: Future[tuple[Job, Output]]) -> None:
        shot.opening = False
        try:
            job, output = task.result()
        except Exception as error:
            if shot.halted:
                self._settle(shot)
                return
            done = failed(OPENING, error)
            passing = isinstance(error, Unreadable) or done.errno
            if not (passing and self._again(shot, done)):
                self._ended(shot.refuse(" ".join(done.trouble.split("\n"))), fault=done.fault)
            return
        shot.begin(job, output)
        self._settle(shot)

    def _next(self) -> Underway | None:
        """The first shot in the queue that has frames for the crew now."""
        if self.stopped or self.lost:
            return None
        return next((shot for shot in self.shots if shot.has_work()), None)

    def _hand_in(self, shot: Underway) -> None:
        if not shot.has_begun:
            self._tell("shot started", shot=shot.entry.name, frames=len(shot.numbers), out=str(shot.out))
        work = shot.take(self._crew.block, self._proxy)
        keep_job(work, shot.job)
        self.in_flight += 1
        self._tray.when_ended(self._crew.submit(work), partial(self._landed, shot, work))

    def _landed(self, shot: Underway, work: Work, task: Task) -> None:
        self.in_flight -= 1
        try:
            landed = task.result()
        except CrewLost as error:
            self.lost = str(error)
            return
        except Exception as error:
            landed = tuple(failed(number, error) for number in work.known)
        shot.away -= len(landed)
        for done in landed:
            if done.frame is not None:
                self._keep(shot, done)
            else:
                shot.looked_into += 1  # by reading files that may hang: not in this thread
                looking = self._lookers.submit(cause_of, done, shot.job, frame_bytes=shot.frame_bytes)
                self._tray.when_ended(looking, partial(self._looked_into, shot, done))
        self._settle(shot)

    def _keep(self, shot: Underway, done: Done) -> None:
        try:
            shot.keep(done, hands=self.hands)
        except MediaError as error:
            unkept = failed(done.number, error)
            self._weigh(shot, unkept, cause_of(unkept, shot.job, frame_bytes=0))
            return
        seconds = done.frame.seconds if done.frame and not done.skipped else 0.0
        self._tell("frame done", shot=shot.entry.name, frame=done.number, before=done.skipped, seconds=seconds)

    def _looked_into(self, shot: Underway, done: Done, task: Future[Cause]) -> None:
        shot.looked_into -= 1
        self._weigh(shot, done, "lasting" if task.exception() else task.result())
        self._settle(shot)

    def _weigh(self, shot: Underway, done: Done, cause: Cause) -> None:
        """Decide what happens to a frame that failed; those of a shot that is halted are left to the next run."""
        if cause == "no room":
            self._no_room(shot, done)
        elif not shot.halted and not (cause == "passing" and self._again(shot, done)):
            tried = f" It was tried {shot.tries[done.number]} times." if cause == "passing" else ""
            shot.fail(replace(done, trouble=done.trouble + tried))
            self._tell("frame failed", shot=shot.entry.name, frame=done.number, trouble=done.trouble, fault=done.fault)

    def _again(self, shot: Underway, done: Done) -> bool:
        """Have a frame (or the opening of a shot) rest before its next try; whether it gets one."""
        tries = shot.tries[done.number] = shot.tries[done.number] + 1
        if tries > len(self._pauses_s):
            return False
        pause_s = self._pauses_s[tries - 1]
        shot.resting[done.number] = time.monotonic() + pause_s
        self._tell("retry", shot=shot.entry.name, frame=done.number, trouble=done.trouble, after_s=pause_s, tries=tries)
        return True

    def _no_room(self, shot: Underway, done: Done) -> None:
        """Stop every shot on a full disk; those on other disks go on."""
        disk = shot.disk
        for other in self.shots:
            if other.outcome or other.disk != disk:
                continue
            shared = f"The disk that it shares with {shot.entry.name} is full."
            full = f"Then its disk was full: {done.trouble}" if other is shot else shared
            other.halt(f"{full} Free some space. {AGAIN}")
            self._settle(other)

    def _settle(self, shot: Underway) -> None:
        """End a shot that has nothing left to wait for."""
        if not shot.is_spent or shot.outcome:
            return
        if shot.halted:
            self._ended(shot.end(why=shot.halted, status="failed"))
        else:
            shot.mend(self._bad_frames)
            self._ended(shot.end())

    def _ended(self, outcome: Outcome, *, fault: str = "") -> None:
        self._tell(
            "shot ended",
            shot=outcome.entry.name,
            status=outcome.status,
            sentence=outcome.sentence,
            frames=outcome.total,
            done=outcome.done,
            before=outcome.before,
            seconds=round(outcome.seconds, 3),
            fault=fault,
        )
