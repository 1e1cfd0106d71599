"""The night's loop: order, bad frames, what is tried again, full disks, faults, locks."""

from __future__ import annotations

import errno
import json
import os
import shutil
import subprocess
import threading
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from conftest import SHOT, read_exr_rgb
from test_finish import digests, finish
from widegauge.batch import night as night_module
from widegauge.batch import work as work_module
from widegauge.batch.crew import CrewLost, Threads
from widegauge.batch.night import Night
from widegauge.batch.outcome import Outcome
from widegauge.batch.retry import cause_of
from widegauge.batch.work import Done, Work, do_work, job_for
from widegauge.errors import MediaError
from widegauge.run.lock import FolderLock
from widegauge.shotlist import Entry

MakeShot = Callable[..., Path]


class Watcher:
    """Keeps every event, and when it came."""

    def __init__(self) -> None:
        self.events: list[tuple[str, dict[str, Any]]] = []
        self.on: Callable[[str, dict[str, Any]], None] = lambda event, facts: None

    def tell(self, event: str, **facts: Any) -> None:
        self.events.append((event, facts))
        self.on(event, facts)

    def tick(self, night: Night) -> None: ...

    def frames(self, event: str = "frame done") -> list[tuple[str, int]]:
        return [(facts["shot"], facts["frame"]) for kind, facts in self.events if kind == event]


@pytest.fixture
def shots(make_shot: MakeShot, tmp_path: Path) -> Callable[..., list[Entry]]:
    """Shots a, b, c ...: copies of one short shot, each in a folder of its own."""

    def make(count: int, *, frames: int = 3, text: str = SHOT, **facts: Any) -> list[Entry]:
        model = make_shot(frames=frames, text=text, **facts)
        entries = []
        for name in "abcdefgh"[:count]:
            shutil.copytree(tmp_path / "plates", tmp_path / name / "plates")
            shutil.copyfile(model, tmp_path / name / "pier.toml")
            entries.append(
                Entry(
                    f"list, line {name}",
                    name,
                    tmp_path / name / "pier.toml",
                    "15-perf-65",
                    frames=f"1001-{1000 + frames}",
                )
            )
        return entries

    return make


def night(entries: list[Entry], out: Path, watcher: Watcher | None = None, **words: Any) -> dict[str, Outcome]:
    crew = words.pop("crew", None) or Threads(2)
    outcomes = Night(entries, out, crew, watcher or Watcher(), **{"pauses_s": (0.05, 0.1)} | words).run()
    crew.close()
    assert len(outcomes) == len(entries)
    return {outcome.entry.name: outcome for outcome in outcomes}


def spoil(entry: Entry, number: int) -> None:
    (entry.shot.parent / "plates" / f"pier.{number}.exr").write_bytes(b"this is no picture" * 50)


def test_the_same_bytes_as_finish(shots, tmp_path: Path) -> None:
    entries = shots(3)
    outcomes = night(entries, tmp_path / "out")
    finish(entries[0].shot, tmp_path / "alone")
    for name, outcome in outcomes.items():
        assert (outcome.status, outcome.done, outcome.total, outcome.before) == ("finished", 3, 3, 0)
        assert outcome.sentence == "3 of 3 frames finished."
        assert digests(tmp_path / "out" / name) == digests(tmp_path / "alone")
        assert sorted(p.name for p in (tmp_path / "out" / name).glob("*")) == [
            *digests(tmp_path / "alone"),
            "pier.record.json",
        ]
        assert not list((tmp_path / "out" / name).glob(".*"))
    again = night(entries, tmp_path / "out")
    assert {outcome.before for outcome in again.values()} == {3}
    assert again["a"].sentence == "All 3 frames were done before."


def test_by_priority_then_by_the_list(shots, tmp_path: Path) -> None:
    """Whenever a piece is handed in, no shot before it in the queue that is open has frames that wait."""
    a, b, c, d = shots(4)
    entries = [a, b, Entry(c.at, c.name, c.shot, c.preset, priority=5, frames=c.frames), d]
    crew = Threads(1)
    batch = Night(entries, tmp_path / "out", crew, Watcher())
    assert [shot.entry.name for shot in batch.shots] == ["c", "a", "b", "d"]
    inner, handed = crew.submit, []

    def submit(work: Work) -> Any:
        handed.append(work.entry.name)
        before = batch.shots[: [shot.entry.name for shot in batch.shots].index(work.entry.name)]
        assert not [shot.entry.name for shot in before if shot.is_open and shot.waiting]
        return inner(work)

    crew.submit = submit  # type: ignore[method-assign]
    batch.run()
    crew.close()
    assert len(handed) == 12


def test_a_shot_is_said_to_begin_when_its_first_frame_is(shots, tmp_path: Path, monkeypatch) -> None:
    """Not when it is opened, which is well before: one after the other with one frame in flight."""
    monkeypatch.setattr(night_module, "OPEN_AHEAD", 1)  # in the list's order
    watcher = Watcher()
    night(shots(3), tmp_path / "out", watcher, crew=Threads(1))
    told = [(event, facts["shot"]) for event, facts in watcher.events if event in ("shot started", "shot ended")]
    assert told == [(event, name) for name in "abc" for event in ("shot started", "shot ended")]


class Meeting(Threads):
    """Two threads; each piece of work waits until one of the other shot is being worked on too."""

    def __init__(self) -> None:
        super().__init__(2)
        self.meet = threading.Barrier(2)

    def submit(self, work: Work) -> Any:
        return self._pool.submit(self._do, work)

    def _do(self, work: Work) -> tuple[Done, ...]:
        self.meet.wait(timeout=60)
        return do_work(work)


def test_the_next_shot_begins_while_the_last_frame_of_the_one_before_flies(shots, tmp_path: Path) -> None:
    """Shots of one frame: if a shot had to end before the next one begins, nobody would come to the meeting."""
    outcomes = night(shots(4, frames=1), tmp_path / "out", crew=Meeting())
    assert {o.status for o in outcomes.values()} == {"finished"}


def test_a_bad_frame_fails_its_shot_and_no_other(shots, tmp_path: Path) -> None:
    entries = shots(2)
    spoil(entries[0], 1002)
    watcher = Watcher()
    outcomes = night(entries, tmp_path / "out", watcher)
    assert outcomes["b"].status == "finished"
    bad = outcomes["a"]
    assert (bad.status, bad.done, list(bad.troubles)) == ("failed", 2, [1002])
    assert bad.sentence.startswith("2 of 3 frames are finished; frame 1002 failed: ")
    assert "pier.1002.exr" in bad.sentence
    assert bad.sentence.endswith("Put it right, and the same command does the rest.")
    assert not watcher.frames("retry"), "a broken file is not tried again"
    shutil.copyfile(tmp_path / "plates" / "pier.1002.exr", tmp_path / "a" / "plates" / "pier.1002.exr")
    again = night(entries, tmp_path / "out")["a"]
    assert (again.status, again.before, again.sentence) == (
        "finished",
        2,
        "1 of 3 frames finished, 2 were done before.",
    )
    assert digests(tmp_path / "out" / "a") == digests(tmp_path / "out" / "b")


@pytest.mark.parametrize("way", ["hold", "black"])
def test_something_stands_in_for_a_bad_frame_and_that_is_said(shots, tmp_path: Path, way: str) -> None:
    entries = shots(1, text=SHOT.replace('encoding = "linear"', 'encoding = "ACEScct"'))
    spoil(entries[0], 1002)
    out = tmp_path / "out" / "a"
    outcome = night(entries, tmp_path / "out", bad_frames=way)["a"]
    what = {"hold": "a copy of a frame beside it", "black": "black"}[way]
    assert outcome.status == "finished"
    stands = f"In place of 1002, which failed, stands {what}."
    assert outcome.sentence == f"3 of 3 frames written, 2 of them finished. {stands}"
    assert outcome.stand_ins == {"hold": "1 held", "black": "1 black"}[way]
    record = json.loads((out / "pier.record.json").read_text())["frames"]["1002"]
    assert record["mended"] == outcome.mended[1002]
    assert record["mended"].startswith({"hold": "a copy of frame 1001, since ", "black": "black, since "}[way])
    assert "pier.1002.exr" in record["mended"]
    if way == "hold":
        assert (out / "pier.1002.exr").read_bytes() == (out / "pier.1001.exr").read_bytes()
    else:
        # ACEScct has 0 at 0.0729055341958355 (S-2016-001, 4.4: 10.5402377416545 x 0 + 0.0729055341958355)
        np.testing.assert_allclose(read_exr_rgb(out / "pier.1002.exr"), 0.0729055341958355, atol=3e-5)
        assert read_exr_rgb(out / "pier.1002.exr").shape == read_exr_rgb(out / "pier.1001.exr").shape
    # without the policy it is tried again, and what stands there is still said
    again = night(entries, tmp_path / "out")["a"]
    assert (again.status, again.before, again.done, list(again.troubles)) == ("failed", 2, 2, [1002])
    assert again.sentence.startswith("2 of 3 frames are finished; frame 1002 failed: ")
    assert again.sentence.endswith(f" In place of 1002 still stands {what}, from an earlier run.")
    assert json.loads((out / "pier.record.json").read_text())["frames"]["1002"]["mended"] == record["mended"]
    again = night(entries, tmp_path / "out", bad_frames=way)["a"]
    assert again.sentence == f"3 of 3 frames written, 2 of them finished (2 before this run). {stands}"
    shutil.copyfile(tmp_path / "plates" / "pier.1002.exr", tmp_path / "a" / "plates" / "pier.1002.exr")
    again = night(entries, tmp_path / "out", bad_frames=way)["a"]
    assert (again.before, again.done, again.mended) == (2, 3, {})
    assert again.sentence == "1 of 3 frames finished, 2 were done before."
    assert digests(out)["pier.1002.exr"] not in (digests(out)["pier.1001.exr"], "")


def test_nothing_stands_in_where_nothing_is_finished(shots, tmp_path: Path) -> None:
    """Footage of one frame, spoilt when its turn comes: there is no frame to hold."""
    entries = shots(1, frames=1)
    watcher = Watcher()
    watcher.on = lambda event, _: spoil(entries[0], 1001) if event == "shot started" else None
    outcome = night(entries, tmp_path / "out", watcher, bad_frames="hold")["a"]
    assert (outcome.status, outcome.done, outcome.mended) == ("failed", 0, {})
    assert outcome.sentence.startswith("0 of 1 frames are finished; frame 1001 failed: ")


def test_a_share_that_comes_back(shots, tmp_path: Path, monkeypatch) -> None:
    """Footage goes away when its first frame is done, and comes back when one of the other shot's is done."""
    monkeypatch.setattr(night_module, "OPEN_AHEAD", 1)  # a first
    entries = shots(2, frames=6)
    watcher, away = Watcher(), threading.Event()

    def leave(event: str, facts: dict[str, Any]) -> None:
        if event == "frame done" and facts["shot"] == "a" and not away.is_set():
            away.set()
            (tmp_path / "a" / "plates").rename(tmp_path / "a" / "gone")
        if event == "frame done" and facts["shot"] == "b" and (tmp_path / "a" / "gone").exists():
            (tmp_path / "a" / "gone").rename(tmp_path / "a" / "plates")

    watcher.on = leave
    outcomes = night(entries, tmp_path / "out", watcher, crew=Threads(1), pauses_s=(0.3,) * 100)
    assert {o.status for o in outcomes.values()} == {"finished"}
    assert watcher.frames("retry")
    assert {name for name, _ in watcher.frames("retry")} == {"a"}
    order = [name for name, _ in watcher.frames()]
    assert order.index("b") < len(order) - 1 - order[::-1].index("a"), "b's frames went on while a's rested"
    assert digests(tmp_path / "out" / "a") == digests(tmp_path / "out" / "b")


def test_a_share_that_does_not_come_back(shots, tmp_path: Path) -> None:
    entries = shots(2)
    (tmp_path / "a" / "plates" / "pier.1003.exr").rename(tmp_path / "1003")
    watcher = Watcher()
    outcomes = night(entries, tmp_path / "out", watcher)
    assert outcomes["b"].status == "finished"
    assert outcomes["a"].status == "refused"
    assert "1 of 3 frames are missing: 1003" in outcomes["a"].sentence
    assert len(watcher.frames("retry")) == 2


def test_a_shot_that_another_program_writes_is_refused_at_once(shots, tmp_path: Path) -> None:
    lock, watcher = FolderLock(tmp_path / "out" / "a"), Watcher()
    outcomes = night(shots(2), tmp_path / "out", watcher)
    lock.release()
    assert outcomes["a"].status == "refused"
    assert f"written to by another widegauge, process {os.getpid()}" in outcomes["a"].sentence
    assert outcomes["b"].status == "finished"
    assert not watcher.frames("retry")


def test_a_fault_in_the_program_fails_the_shot_and_never_the_night(shots, tmp_path: Path, monkeypatch) -> None:
    entries = shots(2)
    honest = work_module.finish_frame

    def faulty(job: Any, number: int, known: Any) -> Any:
        if job.out.name == "a" and number == 1002:
            raise ZeroDivisionError("so it goes")
        return honest(job, number, known)

    monkeypatch.setattr(work_module, "finish_frame", faulty)
    watcher = Watcher()
    outcomes = night(entries, tmp_path / "out", watcher, bad_frames="hold")
    assert outcomes["b"].status == "finished"
    assert (outcomes["a"].status, outcomes["a"].done) == ("failed", 2)
    assert "a fault in the program (ZeroDivisionError: so it goes)" in outcomes["a"].sentence
    (fault,) = [facts["fault"] for event, facts in watcher.events if event == "frame failed"]
    assert "Traceback" in fault
    assert "so it goes" in fault


class FullDisk(Threads):
    """Threads that find the disk full at shot a's second frame, before the others have begun; a real ENOSPC."""

    def __init__(self) -> None:
        super().__init__(2)
        self.full = threading.Event()

    def submit(self, work: Work) -> Any:
        return self._pool.submit(self._do, work)

    def _do(self, work: Work) -> tuple[Done, ...]:
        if work.out.name != "a":
            self.full.wait(timeout=60)
        if work.out.name != "a" or 1001 in work.known:
            return do_work(work)
        try:
            try:
                with Path("/dev/full").open("wb", buffering=0) as file:
                    file.write(b"frame")
            except OSError as error:
                raise MediaError(f"{work.out}: cannot be written ({error.strerror}).") from None
        except MediaError as error:
            self.full.set()
            return tuple(work_module.failed(number, error) for number in work.known)
        raise AssertionError("/dev/full was written to")


def test_a_full_disk_stops_the_shots_that_are_on_it(shots, tmp_path: Path, monkeypatch) -> None:
    monkeypatch.setattr(night_module, "OPEN_AHEAD", 1)  # a first: no other's frame takes the hands that it needs
    entries = shots(3, frames=12)
    outcomes = night(entries, tmp_path / "out", crew=FullDisk())
    assert outcomes["a"].status == "failed"
    assert outcomes["a"].done <= 2
    assert f"{outcomes['a'].done} of 12 frames are finished. Then its disk was full: " in outcomes["a"].sentence
    for name in "bc":
        assert outcomes[name].status in ("waiting", "failed")
        assert "The disk that it shares with a is full. Free some space." in outcomes[name].sentence
    again = night(entries, tmp_path / "out")
    assert {o.status for o in again.values()} == {"finished"}
    assert sum(o.before for o in again.values()) == sum(o.done for o in outcomes.values())


@pytest.fixture
def small_disk(tmp_path: Path) -> Iterator[Path]:
    small = tmp_path / "small"
    small.mkdir()
    if subprocess.run(["mount", "-t", "tmpfs", "-o", "size=1m", "tmpfs", small], capture_output=True).returncode:
        pytest.skip("this machine lets nobody mount a tmpfs")
    try:
        yield small
    finally:
        subprocess.run(["umount", small], check=True)


@pytest.mark.skipif(os.geteuid() != 0, reason="mounting a small disk needs the superuser")
def test_a_disk_that_is_really_full(shots, tmp_path: Path, small_disk: Path) -> None:
    """Two shots on a disk of 1 MB, one elsewhere: whole frames stay, the one elsewhere is finished, no leftovers."""
    a, b, c = shots(3, frames=4, width=480, height=320)
    on_small = [Entry(e.at, str(small_disk / e.name), e.shot, e.preset, frames=e.frames) for e in (a, b)]
    outcomes = night([*on_small, c], tmp_path / "out")
    assert outcomes["c"].status == "finished"
    whole = digests(tmp_path / "out" / "c")
    on_it = [outcomes[str(small_disk / name)] for name in "ab"]
    assert {o.status for o in on_it} in ({"failed"}, {"failed", "waiting"})
    assert all("Free some space." in o.sentence for o in on_it)
    assert not list(small_disk.glob("*/.*.part*"))
    for name in "ab":
        left = digests(small_disk / name)
        assert left == {k: v for k, v in whole.items() if k in left}
    for o in on_it:  # a frame may lie there that no room was left to record
        assert o.done <= len(digests(o.out)) < 4
    subprocess.run(["mount", "-o", "remount,size=64m", small_disk], check=True)
    again = night([*on_small, c], tmp_path / "out")
    assert {o.status for o in again.values()} == {"finished"}
    assert digests(small_disk / "a") == digests(small_disk / "b") == whole
    assert not list(small_disk.glob("*/.*"))


class TestCause:
    """What is tried again: the system's own reason decides, or else a try of the files."""

    @pytest.mark.parametrize(
        ("code", "cause"),
        [
            (errno.EIO, "passing"),
            (errno.ESTALE, "passing"),
            (errno.ETIMEDOUT, "passing"),
            (errno.EHOSTDOWN, "passing"),
            (errno.ENOTCONN, "passing"),
            (errno.ENOENT, "passing"),
            (errno.ENOSPC, "no room"),
            (errno.EDQUOT, "no room"),
            (errno.EACCES, "lasting"),
        ],
    )
    def test_by_the_systems_reason(self, shots, tmp_path: Path, code: int, cause: str) -> None:
        job = job_for(shots(1)[0], out=tmp_path / "out", proxy="1")
        assert cause_of(Done(1001, None, trouble="x", errno=code), job, frame_bytes=1) == cause
        if code not in (errno.EACCES, errno.ENOENT):
            told = Done(1001, None, trouble=f"x: cannot be written ({os.strerror(code)})")
            assert cause_of(told, job, frame_bytes=1) == cause

    def test_by_a_try(self, shots, tmp_path: Path) -> None:
        entry = shots(1)[0]
        job = job_for(entry, out=tmp_path / "out", proxy="1")
        job.out.mkdir()
        broken = Done(1002, None, trouble="cannot be read")
        assert cause_of(broken, job, frame_bytes=1000) == "lasting"
        assert cause_of(broken, job, frame_bytes=shutil.disk_usage(tmp_path).free + 2**40) == "no room"
        assert not list(job.out.iterdir())
        (entry.shot.parent / "plates" / "pier.1002.exr").unlink()
        assert cause_of(broken, job, frame_bytes=1000) == "passing"
        assert cause_of(Done(1002, None, trouble="x", fault="Traceback"), job, frame_bytes=1000) == "lasting"


class LostCrew(Threads):
    """Threads that are lost after the third frame."""

    def __init__(self) -> None:
        super().__init__(1)
        self.taken = 0

    def submit(self, work: Work) -> Any:
        self.taken += 1
        return self._pool.submit(self._lose if self.taken > 3 else do_work, work)

    def _lose(self, work: Work) -> tuple[Done, ...]:
        raise CrewLost("The scheduler does not answer.")


def test_a_lost_crew_ends_the_night_and_the_same_command_goes_on(shots, tmp_path: Path) -> None:
    entries = shots(3, frames=4)
    outcomes = night(entries, tmp_path / "out", crew=LostCrew())
    assert {o.status for o in outcomes.values()} == {"stopped", "waiting"}
    assert all(
        o.sentence.endswith("The scheduler does not answer. The same command goes on from here.")
        for o in outcomes.values()
    )
    assert sum(o.done for o in outcomes.values()) == 3
    again = night(entries, tmp_path / "out")
    assert {o.status for o in again.values()} == {"finished"}
    assert sum(o.before for o in again.values()) == 3
