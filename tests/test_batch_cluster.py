"""The night's batch on many processes: the same bytes as on one machine, whoever is killed on the way."""

from __future__ import annotations

import contextlib
import hashlib
import json
import os
import pickle
import re
import signal
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterable, Iterator
from contextlib import AbstractContextManager
from dataclasses import replace
from pathlib import Path

import pytest
from click.testing import CliRunner, Result
from conftest import small_shot
from test_batch import BRIEFLY_MEASURED
from widegauge.batch import worker
from widegauge.batch.cluster import open_cluster
from widegauge.batch.work import Done, Work, do_work, job_for
from widegauge.batch.worker import OutOfSight, Terms, Unfit, finish_there, join, terms_of
from widegauge.cli import main
from widegauge.errors import SettingsError
from widegauge.run.lock import LOCK_NAME, FolderLock
from widegauge.run.record import settings_key
from widegauge.shotlist import Entry

FRAMES = 12


def list_of_two(folder: Path) -> Path:
    """A list with two shots of the same footage, long enough to be disturbed."""
    small_shot(folder, frames=FRAMES, width=360, height=240)
    listed = folder / "night.toml"
    listed.write_text(
        '[all]\npreset = "15-perf-65"\n[[shot]]\nshot = "pier.toml"\n'
        '[[shot]]\nshot = "pier.toml"\nout = "again"\nset = ["grain.seed=9"]\n'
    )
    return listed


@pytest.fixture
def shots(tmp_path: Path) -> Path:
    return list_of_two(tmp_path)


@pytest.fixture(scope="module")
def undisturbed(tmp_path_factory: pytest.TempPathFactory) -> dict[str, str]:
    """Digests of what threads of one process make of the list."""
    folder = tmp_path_factory.mktemp("undisturbed")
    assert batch(list_of_two(folder), folder / "out").exit_code == 0
    made = digests(folder / "out")
    assert len(made) == 2 * FRAMES
    return made


def batch(shots: Path, out: Path, *words: object) -> Result:
    """Run the command in this process; it must not break down."""
    done = CliRunner().invoke(main, ["batch", str(shots), "--out", str(out), *map(str, words)])
    if done.exception is not None and not isinstance(done.exception, SystemExit):
        raise done.exception
    return done


def digests(out: Path) -> dict[str, str]:
    return {
        str(p.relative_to(out)): hashlib.sha256(p.read_bytes()).hexdigest() for p in sorted(out.glob("*/[!.]*.exr"))
    }


def leftovers(out: Path) -> list[str]:
    return [path.name for path in out.rglob(".*") if "part" in path.name or path.name == LOCK_NAME]


def times(out: Path, names: Iterable[str]) -> dict[str, int]:
    return {name: (out / name).stat().st_mtime_ns for name in names}


def program(shots: Path, out: Path, *words: str) -> AbstractContextManager[subprocess.Popen[bytes]]:
    """The command in a process of its own; by small pieces, so that there is always one left."""
    code = (
        f"{BRIEFLY_MEASURED}; import sys, widegauge.batch.cluster as c; c.PIECE_S = 0.1; "
        "from widegauge.cli import main; main(sys.argv[1:])"
    )
    return started("-c", code, "batch", str(shots), "--out", str(out), *words)


def dask(*words: object, **environ: str) -> AbstractContextManager[subprocess.Popen[bytes]]:
    """A program of dask's, as a person starts it on a machine."""
    return started("-m", "dask", *map(str, words), **environ)


@contextlib.contextmanager
def started(*words: str, **environ: str) -> Iterator[subprocess.Popen[bytes]]:
    """Python with these words; ended with all that it started."""
    process = subprocess.Popen(
        [sys.executable, *words],
        env=os.environ | environ,
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
        start_new_session=True,
    )
    try:
        yield process
    finally:
        with contextlib.suppress(ProcessLookupError):
            os.killpg(process.pid, signal.SIGKILL)
        process.wait()


@contextlib.contextmanager
def machines(
    folder: Path, *, workers: int = 2, preload: str = "", **environ: str
) -> Iterator[tuple[str, subprocess.Popen[bytes]]]:
    """A scheduler and workers on loopback; the scheduler's address and process."""
    told = folder / "scheduler.json"
    options = ["--host", "127.0.0.1", "--port", 0, "--no-dashboard", "--scheduler-file", told]
    with contextlib.ExitStack() as stack:
        scheduler = stack.enter_context(dask("scheduler", *options, **environ))
        until_s, address = time.monotonic() + 60, ""
        while not address and time.monotonic() < until_s:
            time.sleep(0.05)
            with contextlib.suppress(OSError, ValueError):  # not written yet, or half of it
                address = json.loads(told.read_text())["address"]
        if workers:
            stack.enter_context(workers_at(address, folder, count=workers, preload=preload))
            with client(address) as asking:
                asking.wait_for_workers(workers, timeout=60)
        yield address, scheduler


@contextlib.contextmanager
def workers_at(address: str, folder: Path, *, count: int = 1, preload: str = "") -> Iterator[None]:
    """Worker processes of one frame each; they run the text ``preload`` first."""
    path = folder / "preload.py"
    path.write_text(preload)
    each = ["--nworkers", count, "--nthreads", 1, "--memory-limit", 0, "--no-dashboard", "--preload", path]
    with dask("worker", address, *each, "--local-directory", folder / "scratch"):
        yield


@contextlib.contextmanager
def client(address: str):
    from distributed import Client

    asking = Client(address, set_as_default=False)
    try:
        yield asking
    finally:
        asking.close()


def meanwhile(done: Callable[[], int], call: Callable[[], object]) -> threading.Thread:
    """Call once three frames are done."""

    def wait() -> None:
        until_s = time.monotonic() + 120
        while done() < 3 and time.monotonic() < until_s:
            time.sleep(0.03)
        call()

    thread = threading.Thread(target=wait)
    thread.start()
    return thread


def recorded(out: Path) -> set[str]:
    """Frames that records hold, and the journals beside them."""
    found = set()
    for path in (*out.glob("*/*.record.json"), *out.glob("*/.*.journal")):
        found |= {f"{path.parent.name}/{name}" for name in re.findall(r'"output": "([^"]+)"', path.read_text())}
    return found


@pytest.mark.slow
def test_processes_here_make_the_same_bytes_as_threads(
    shots: Path, undisturbed: dict[str, str], tmp_path: Path
) -> None:
    done = batch(shots, tmp_path / "processes", "--cluster", "local:2")
    assert done.exit_code == 0, done.output
    assert digests(tmp_path / "processes") == undisturbed
    assert leftovers(tmp_path / "processes") == []


@pytest.mark.slow
def test_two_workers_killed_on_the_way(shots: Path, undisturbed: dict[str, str], tmp_path: Path) -> None:
    """Both at once with SIGKILL, in the middle of their frames; others come in their place."""
    out = tmp_path / "out"
    with machines(tmp_path) as (address, _):
        with client(address) as asking:
            pids = list(asking.run(os.getpid).values())
        assert len(pids) == 2
        killing = meanwhile(
            lambda: len(list(out.glob("*/[!.]*.exr"))), lambda: [os.kill(pid, signal.SIGKILL) for pid in pids]
        )
        done = batch(shots, out, "--cluster", address)
        killing.join()
        with client(address) as asking:
            assert not set(asking.run(os.getpid).values()) & set(pids)
    assert done.exit_code == 0, done.output
    assert digests(out) == undisturbed
    assert leftovers(out) == []


@pytest.mark.slow
def test_scheduler_killed_and_run_again(shots: Path, undisturbed: dict[str, str], tmp_path: Path) -> None:
    out = tmp_path / "out"
    with machines(tmp_path) as (address, scheduler):
        killing = meanwhile(lambda: len(recorded(out)), scheduler.kill)
        done = batch(shots, out, "--cluster", address)
        killing.join()
    assert done.exit_code == 1
    assert (
        f"The scheduler at {address} is gone; start it and its workers again. The same command goes on" in done.output
    )
    kept = times(out, recorded(out))
    assert 0 < len(kept) < 2 * FRAMES
    assert batch(shots, out).exit_code == 0
    assert digests(out) == undisturbed
    assert times(out, kept) == kept
    assert leftovers(out) == []


@pytest.mark.slow
def test_batch_killed_and_run_again_at_once(shots: Path, undisturbed: dict[str, str], tmp_path: Path) -> None:
    """Workers outlive it: what they are at still must not come between the frames of the next run."""
    out = tmp_path / "out"
    with machines(tmp_path) as (address, _):
        with program(shots, out, "--cluster", address) as running:
            meanwhile(lambda: len(recorded(out)), running.kill).join()
        assert running.returncode == -signal.SIGKILL
        kept = times(out, recorded(out))
        assert 0 < len(kept) < 2 * FRAMES
        done = batch(shots, out, "--cluster", address)
    assert done.exit_code == 0, done.output
    assert digests(out) == undisturbed
    assert times(out, kept) == kept
    assert leftovers(out) == []


@pytest.mark.slow
def test_ctrl_c_lets_frames_end(shots: Path, tmp_path: Path) -> None:
    """On a terminal it reaches every process that was started here, too."""
    out = tmp_path / "out"
    with program(shots, out, "--cluster", "local:2") as running:
        meanwhile(lambda: len(recorded(out)), lambda: os.killpg(running.pid, signal.SIGINT)).join()
        running.wait(60)
    assert running.returncode == 130
    assert 0 < len(digests(out)) < 2 * FRAMES
    assert digests(out).keys() == recorded(out)
    assert leftovers(out) == []


@pytest.mark.slow
def test_a_frame_that_kills_its_workers_fails_alone(shots: Path, tmp_path: Path) -> None:
    """Frames that shared a piece of work with it, or waited at the same process, are done."""
    preload = (
        "import os, signal\n"
        "from widegauge.batch import work, worker\n"
        "def do_work(piece):\n"
        "    if 1006 in piece.known and piece.entry.name == 'again':\n"
        "        os.kill(os.getpid(), signal.SIGKILL)\n"
        "    return work.do_work(piece)\n"
        "worker.do_work = do_work\n"
    )
    out = tmp_path / "out"
    few = {"DASK_DISTRIBUTED__SCHEDULER__ALLOWED_FAILURES": "0"}
    with machines(tmp_path, workers=1, preload=preload, **few) as (address, _):
        done = batch(shots, out, "--cluster", address)
    assert done.exit_code == 1
    assert "frame 1006 failed: 2 worker processes ended while they were at it" in " ".join(done.output.split())
    assert len(digests(out)) == 2 * FRAMES - 1


OTHER_NUMBA = (
    "from widegauge.batch import worker\n"
    "own = dict(worker.versions()) | {'numba': '0.1'}\n"
    "worker.versions = lambda: tuple(own.items())\n"
)


@pytest.mark.slow
def test_a_worker_with_other_versions_is_refused(shots: Path, tmp_path: Path) -> None:
    with machines(tmp_path, workers=1, preload=OTHER_NUMBA) as (address, _):
        done = batch(shots, tmp_path / "out", "--cluster", address)
    assert done.exit_code == 2
    assert f'--cluster = "{address}": tcp://' in done.output
    assert "has numba 0.1, not " in done.output
    assert digests(tmp_path / "out") == {}


@pytest.mark.slow
def test_a_worker_with_other_versions_that_comes_later_is_sent_away(piece: Work, tmp_path: Path) -> None:
    said: list[str] = []
    with held(piece.out.parent) as out, machines(tmp_path, workers=1) as (address, _):
        crew = open_cluster(address, out=out, warn=said.append)
        with workers_at(address, tmp_path, preload=OTHER_NUMBA), client(address) as asking:
            until_s = time.monotonic() + 60
            while not (said and crew.hands == 2) and time.monotonic() < until_s:
                time.sleep(0.1)
            assert len(asking.scheduler_info()["workers"]) == 1
        done = crew.submit(piece).result()
        crew.close()
    assert [each.trouble for each in done] == ["", ""]
    assert len(said) == 1
    assert re.fullmatch(
        r"worker tcp://\S+ has numba 0\.1, not \S+; install the same versions on all machines\.", said[0]
    )


@pytest.mark.slow
def test_a_scheduler_without_workers(tmp_path: Path, monkeypatch) -> None:
    monkeypatch.setattr("widegauge.batch.cluster.ANSWER_S", 2.0)
    no_workers = pytest.raises(SettingsError, match=r"its scheduler has no workers\. start some on each machine with")
    with held(tmp_path / "out") as out, machines(tmp_path, workers=0) as (address, _), no_workers:
        open_cluster(address, out=out, warn=print)


@pytest.mark.parametrize("where", ["local:0", "local:1000", "local:two", "tcp://here", "here:8786", "http://here:80"])
def test_what_is_no_cluster(where: str, tmp_path: Path) -> None:
    with held(tmp_path / "out") as out, pytest.raises(SettingsError, match=r"is no cluster\. write tcp://HOST:PORT"):
        open_cluster(where, out=out, warn=print)


def test_nobody_answers(tmp_path: Path, monkeypatch) -> None:
    monkeypatch.setattr("widegauge.batch.cluster.ANSWER_S", 0.5)
    with socket.socket() as free, held(tmp_path / "out") as out:
        free.bind(("127.0.0.1", 0))
        where = f"tcp://127.0.0.1:{free.getsockname()[1]}"
        with pytest.raises(SettingsError, match=r"no scheduler answers within 0\.5 s. start one there"):
            open_cluster(where, out=out, warn=print)


def test_distributed_is_not_installed(tmp_path: Path, monkeypatch) -> None:
    monkeypatch.setitem(sys.modules, "distributed", None)
    with held(tmp_path / "out") as out, pytest.raises(SettingsError, match=r"pip install 'widegauge\[cluster\]'"):
        open_cluster("local:2", out=out, warn=print)


@contextlib.contextmanager
def held(out: Path) -> Iterator[Path]:
    lock = FolderLock(out)
    join.cache_clear()
    try:
        yield out
    finally:
        lock.release()


@pytest.fixture
def piece(make_shot, tmp_path: Path) -> Work:
    entry = Entry("night.toml, line 1", "pier", make_shot(), "15-perf-65")
    out = tmp_path / "out" / "pier"
    out.mkdir(parents=True)
    job = job_for(entry, out=out, proxy="1")
    key = settings_key(job.plan, kind=job.kind, proxy=job.proxy)
    return Work(entry, out, "1", key, {1001: None, 1002: None})


def test_a_worker_does_what_a_thread_does(piece: Work) -> None:
    with held(piece.out.parent) as out:
        there = finish_there(piece, terms_of(out))
    here = do_work(replace(piece, known={done.number: done.frame for done in there}))
    assert [done.skipped for done in here] == [True, True]
    assert [done.frame for done in here] == [done.frame for done in there]


def test_what_travels_is_small(piece: Work) -> None:
    with held(piece.out.parent) as out:
        terms = terms_of(out)
        assert len(pickle.dumps((piece, terms))) < 2000
        assert len(pickle.dumps(finish_there(piece, terms))) < 4000


def test_versions_have_to_be_the_same(piece: Work) -> None:
    with held(piece.out.parent) as out:
        terms = terms_of(out)
        names = [name for name, _ in terms.versions]
        assert names[:2] == ["widegauge", "Python"]
        assert {"numpy", "numba", "opencv-python-headless", "openimageio"} < set(names)
        other = replace(terms, versions=(("widegauge", "9.9"), *terms.versions[1:]))
        with pytest.raises(Unfit, match=r"^has widegauge \S+, not 9\.9; install the same versions on all machines\.$"):
            finish_there(piece, other)
        assert str(pickle.loads(pickle.dumps(Unfit("has none", "get some")))) == "has none; get some."


def test_a_folder_of_the_same_name_on_another_disk_is_seen_through(piece: Work, monkeypatch) -> None:
    """The lock there says something else, or there is none: frames come back as troubles that may pass."""
    monkeypatch.setattr(worker, "SHARE_S", 0.2)
    with held(piece.out.parent) as out:
        elsewhere = replace(terms_of(out), words="somebody else's")
        with pytest.raises(OutOfSight):
            join(elsewhere)
        assert all(map(may_pass, finish_there(piece, elsewhere)))
        terms = terms_of(out)
        join(terms)
    done = finish_there(piece, terms)
    assert all(map(may_pass, done))
    assert len(done) == 2
    assert list(piece.out.iterdir()) == []


def may_pass(done: Done) -> bool:
    from widegauge.batch.retry import _PASSING

    return done.frame is None and done.errno in _PASSING and "does not see the folder of the batch" in done.trouble


def test_a_batch_waits_for_frames_that_a_killed_one_left_in_flight(piece: Work) -> None:
    """A worker outlives the batch that it works for, and may be at a frame still when the next one begins."""
    with held(piece.out.parent) as out:
        terms = terms_of(out)
        killed = Terms(terms.lock, "an earlier run", terms.versions)
        joined = threading.Thread(target=join, args=(terms,))
        with worker._in_flight(killed):
            joined.start()
            joined.join(0.5)
            assert joined.is_alive()
        joined.join(5)
        assert not joined.is_alive()


def test_a_new_batch_reads_shots_anew(piece: Work) -> None:
    """A frame that was missing, and held, is there when the next batch begins."""
    text = piece.entry.shot.read_text().replace(
        'primaries = "ITU-R BT.709"', 'primaries = "ITU-R BT.709"\nmissing = "hold"'
    )
    piece.entry.shot.write_text(text)
    job = job_for(piece.entry, out=piece.out, proxy="1")
    piece = replace(
        piece,
        key=settings_key(job.plan, kind=job.kind, proxy=job.proxy),
        entry=replace(piece.entry, frames="1001-1003"),
    )
    plate = piece.entry.shot.parent / "plates" / "pier.1002.exr"
    away = plate.with_name("away")
    plate.rename(away)
    with held(piece.out.parent) as out:
        first = finish_there(piece, terms_of(out))
    away.rename(plate)
    with held(piece.out.parent) as out:
        second = finish_there(piece, terms_of(out))
    sources = [[done.frame.source for done in run if done.frame] for run in (first, second)]
    assert sources[0] == [sources[1][0], sources[1][0]]
    assert sources[1][0] != sources[1][1]
