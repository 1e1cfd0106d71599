"""A crew of processes, on this machine or on many, by dask.distributed: paths travel there, records come back."""

from __future__ import annotations

import asyncio
import logging
import re
import threading
import time
from collections import defaultdict
from collections.abc import Callable, Mapping
from concurrent.futures import CancelledError, Future
from contextlib import AsyncExitStack
from dataclasses import replace
from pathlib import Path
from typing import Any

from widegauge.batch.crew import CrewLost, Task
from widegauge.batch.work import Done, Work
from widegauge.batch.worker import OutOfSight, Terms, Unfit, finish_there, get_ready, see_versions, terms_of
from widegauge.errors import Mistake, SettingsError, mistake
from widegauge.shotlist.line import beside

PIECE_S = 4.0
"""A piece of work is of so many frames that it takes about so long. What a piece costs besides, some 15 ms in all
processes together, is then next to nothing; and no more than this is done again when a process or the scheduler is
lost."""

MOST_FRAMES = 16

ANSWER_S = 10.0
"""A scheduler that has not answered by then is not there, and neither is a worker."""

EMPTY_S = 300.0
"""A cluster without workers for so long is lost; a machine that starts anew is back by then."""

PROOFS = 2
"""So many processes a frame must end before it is given up: the first may have been ended by another frame."""

_NO_CTRL_C = "import signal; signal.signal(signal.SIGINT, signal.SIG_IGN)"
"""Run in each process that is started here: on a terminal Ctrl-C reaches it too, but frames are to end."""

_LOOK_S = 2.0
_CLOSE_S = 15.0
_MOST_LOCAL = 256
_WHERE = re.compile(r"(?:tcp|tls)://\S+:\d+|local:(\d+)")

Say = Callable[[str], None]
Workers = Mapping[str, Mapping[str, Any]]


def open_cluster(where: str, *, out: Path, warn: Say) -> Cluster:
    """Processes at "tcp://HOST:PORT", or N new ones here at "local:N", for a batch that holds the lock of ``out``.

    ``warn`` is told in a sentence, by some thread, of workers that come later and don't fit. SettingsError when
    distributed is not installed, nobody answers, or a worker that is there doesn't fit.
    """
    found = _WHERE.fullmatch(where)
    if not found or (found[1] and not 1 <= int(found[1]) <= _MOST_LOCAL):
        raise _wrong(where, "is no cluster", f"write tcp://HOST:PORT, or local:N with N from 1 to {_MOST_LOCAL}")
    try:
        import distributed  # noqa: F401
    except ImportError:
        remedy = "install it here and on all machines: pip install 'widegauge[cluster]'"
        raise _wrong(where, "needs dask.distributed, which is not installed", remedy) from None
    for name in ("distributed", "distributed.client"):  # what they would say is said in sentences of ours
        logging.getLogger(name).setLevel(logging.CRITICAL)
    return Cluster(where, terms_of(out), warn)


class Cluster:
    """Made by ``open_cluster``. A thread of its own talks to the scheduler."""

    def __init__(self, where: str, terms: Terms, warn: Say) -> None:
        self.hands = self.block = 1
        self._where, self._terms, self._warn = where, terms, warn
        self._known: set[str] = set()
        self._cpus: dict[str, str] = {}
        self._lost = ""
        started: Future[None] = Future()
        self._thread = threading.Thread(target=self._run, args=(started,), name="cluster", daemon=True)
        self._thread.start()
        started.result()

    def submit(self, work: Work) -> Task:
        entry = replace(work.entry, shot=work.entry.shot.absolute(), preset=beside(work.entry.preset, Path.cwd()))
        there = replace(work, entry=entry, out=work.out.absolute())
        return asyncio.run_coroutine_threadsafe(self._finished(there), self._loop)

    def close(self) -> None:
        """End the processes that were started here; others end the frame that they are at."""
        self._loop.call_soon_threadsafe(self._over.set)
        self._thread.join(_CLOSE_S)

    def _run(self, started: Future[None]) -> None:
        try:
            asyncio.run(self._live(started))
        except Exception as error:
            if not started.done():
                started.set_exception(error)

    async def _live(self, started: Future[None]) -> None:
        self._loop, self._over, self._gone = asyncio.get_running_loop(), asyncio.Event(), asyncio.Event()
        self._reviewing, self._suspected = asyncio.Lock(), asyncio.Lock()
        async with AsyncExitStack() as stack:
            await self._start(stack)
            started.set_result(None)
            watching = asyncio.create_task(self._watch())
            await self._over.wait()
            watching.cancel()

    async def _start(self, stack: AsyncExitStack) -> None:
        from distributed import Client, LocalCluster

        address: Any = self._where
        if self._where.startswith("local:"):
            local = LocalCluster(
                n_workers=int(self._where.removeprefix("local:")),
                threads_per_worker=1,
                memory_limit=0,
                preload=_NO_CTRL_C,
                dashboard_address="127.0.0.1:0",
                silence_logs=logging.CRITICAL,
                asynchronous=True,
            )
            address = await stack.enter_async_context(local)
        client = Client(address, asynchronous=True, timeout=ANSWER_S, set_as_default=False)
        try:
            self._client = await stack.enter_async_context(client)
        except (OSError, TimeoutError):
            remedy = "start one there with: dask scheduler, or correct the address"
            raise _wrong(self._where, f"no scheduler answers within {ANSWER_S:g} s", remedy) from None
        try:
            await self._client.wait_for_workers(1, timeout=ANSWER_S)
        except TimeoutError:
            remedy = f"start some on each machine with: dask worker {self._where}"
            raise _wrong(self._where, "its scheduler has no workers", remedy) from None
        wrong = await self._scheduler_wrong() or await self._look_over(await self._workers())
        if wrong:
            where = f'"{self._where}"'
            raise SettingsError([Mistake("--cluster", "", where, f"{at} {e.args[0]}", e.args[1]) for at, e in wrong])

    async def _scheduler_wrong(self) -> list[tuple[str, Unfit]]:
        """It reads every piece of work on its way, so it needs the same program."""
        try:
            await self._client.run_on_scheduler(see_versions, self._terms)
        except Exception as error:
            return [("its scheduler", _unfit(error))]
        return []

    async def _workers(self) -> Workers:
        told = await asyncio.wait_for(self._client.scheduler.identity(n_workers=-1), EMPTY_S)
        workers: Workers = told["workers"]
        # a piece of work more for each process, so that it never waits for its next one
        self.hands = max(1, sum(worker["nthreads"] + 1 for worker in workers.values()))
        return workers

    async def _look_over(self, workers: Workers) -> list[tuple[str, Unfit]]:
        """Have processes that are new get ready; the addresses of those that can't, and why."""
        new = workers.keys() - self._known
        self._known = set(workers)
        hosts: dict[str, list[str]] = defaultdict(list)
        for address, worker in workers.items():
            hosts[worker["host"]].append(address)
        wrong: list[tuple[str, Unfit]] = []
        for host, there in hosts.items():
            if not (asked := [address for address in there if address in new]):
                continue
            answers = await self._client.run(get_ready, self._terms, len(there), workers=asked, on_error="return")
            for address, answer in answers.items():
                if isinstance(answer, OSError):  # it is gone again
                    self._known.discard(address)
                elif isinstance(answer, Exception):
                    wrong.append((address, _unfit(answer)))
                elif answer not in self._cpus:
                    self._cpus[answer] = host
                    self._compare_cpus()
        return wrong

    def _compare_cpus(self) -> None:
        if len(self._cpus) > 1:
            types = ", ".join(f"{name} on {at}" for name, at in self._cpus.items())
            self._warn(f"workers have different types of CPU ({types}): their frames may differ in the last bits")

    async def _review(self) -> Workers:
        """Look over workers that came since, and send away those that will never fit."""
        async with self._reviewing:
            workers = await self._workers()
            for address, unfit in await self._look_over(workers):
                self._warn(f"worker {address} {unfit}")
                if not isinstance(unfit, OutOfSight):
                    await self._client.retire_workers(workers=[address])
            return workers

    async def _watch(self) -> None:
        """Follow workers that come and go; notice when none are left, or the scheduler is gone."""
        seen_s = time.monotonic()
        while not self._lost:
            await asyncio.sleep(_LOOK_S)
            try:
                if await self._review():
                    seen_s = time.monotonic()
                elif time.monotonic() - seen_s > EMPTY_S:
                    self._lose(f"The cluster at {self._where} has had no workers for {EMPTY_S:g} s; start some again.")
            except (OSError, TimeoutError, CancelledError, AttributeError):
                if self._client.status != "running":
                    self._lose()

    def _lose(self, sentence: str = "") -> CrewLost:
        self._lost = (
            self._lost or sentence or (f"The scheduler at {self._where} is gone; start it and its workers again.")
        )
        self._gone.set()
        return CrewLost(self._lost)

    async def _finished(self, work: Work) -> tuple[Done, ...]:
        """Have a piece of work done; each frame alone when its process was lost, so that only one that does it fails.

        A scheduler suspects all that a lost process had, also what only waited there.
        """
        from distributed import KilledWorker

        try:
            return await self._fitting(work)
        except KilledWorker:
            pieces = [replace(work, known={number: known}) for number, known in work.known.items()]
        done: list[Done] = []
        for piece in pieces:
            async with self._suspected:
                done += await self._alone(piece)
        return tuple(done)

    async def _alone(self, work: Work) -> tuple[Done, ...]:
        """Have a suspected frame done while no other is; it fails when ``PROOFS`` processes or more are lost by it."""
        from distributed import KilledWorker

        lost = 0
        while lost < PROOFS:
            try:
                return await self._fitting(work)
            except KilledWorker as error:
                lost += error.allowed_failures + 1
                last = error.last_worker.address
        trouble = (
            f"{lost} worker processes ended while they were at it, the last one at {last}: most likely for want of "
            "memory. Start fewer workers there."
        )
        return tuple(Done(number, None, trouble=trouble) for number in work.known)

    async def _fitting(self, work: Work) -> tuple[Done, ...]:
        """Have a piece of work done: by others when its process doesn't fit."""
        while True:
            try:
                return await self._asked(work)
            except Unfit:
                self._known.clear()
                await asyncio.sleep(_LOOK_S)  # until the watch has found it, and sent it away

    async def _asked(self, work: Work) -> tuple[Done, ...]:
        if self._lost:
            raise CrewLost(self._lost)
        task = self._client.submit(finish_there, work, self._terms, pure=False)
        answer, gone = asyncio.ensure_future(task.result()), asyncio.ensure_future(self._gone.wait())
        try:
            await asyncio.wait((answer, gone), return_when=asyncio.FIRST_COMPLETED)
            if not answer.done():
                raise CrewLost(self._lost)
            done: tuple[Done, ...] = answer.result()
            self.block = _frames_of_a_piece(done) or self.block
            return done
        except CancelledError:  # distributed's, when it has lost its scheduler
            raise self._lose() from None
        finally:
            gone.cancel()
            answer.cancel()
            task.release()


def _frames_of_a_piece(latest: tuple[Done, ...]) -> int:
    """How many frames make a good piece, by the latest ones; those that were done before take no time."""
    seconds = [0.0 if done.skipped else done.frame.seconds for done in latest if done.frame]
    if not seconds:
        return 0
    return max(1, round(min(MOST_FRAMES, PIECE_S * len(seconds) / max(sum(seconds), 1e-3))))


def _unfit(error: Exception) -> Unfit:
    if isinstance(error, Unfit):
        return error
    return Unfit(f"can't run this widegauge ({error})", "install the same versions on all machines")


def _wrong(where: str, rule: str, remedy: str) -> SettingsError:
    return mistake("--cluster", "", f'"{where}"', rule, remedy)
