"""`widegauge batch`, end to end: forty shots of which six are broken, resume, watching, exit codes."""

from __future__ import annotations

import json
import os
import shutil
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import av
import numpy as np
import pytest
from conftest import CHECKOUT, SHOT, read_exr, read_exr_rgb, write_exr
from test_finish import digests, run
from widegauge.run.lock import FolderLock

SCENE = CHECKOUT / "sample_frames" / "landing.toml"
BRIEFLY_MEASURED = "from widegauge.batch.check import check; check.__kwdefaults__['measure_s'] = 1.0"
"""For programs that are to be killed or stopped: test frames for the estimate of time are no part of that."""


@pytest.fixture
def listed(make_shot: Callable[..., Path], tmp_path: Path) -> Callable[..., Path]:
    """Make a list of shots a00, a01 ..., each in a folder of its own; returns the list."""

    def make(count: int, *, frames: int = 3, text: str = SHOT, **facts: Any) -> Path:
        make_shot(frames=frames, text=text, **facts)
        lines = ['[all]\npreset = "15-perf-65"\n']
        for i in range(count):
            name = f"a{i:02d}"
            shutil.copytree(tmp_path / "plates", tmp_path / name / "plates")
            (tmp_path / name / f"{name}.toml").write_text(text)
            lines.append(f'[[shot]]\nshot = "{name}/{name}.toml"\n')
        path = tmp_path / "night.toml"
        path.write_text("\n".join(lines))
        return path

    return make


def batch(shot_list: Path, out: Path, *words: object, code: int = 0):
    return run("batch", shot_list, "--out", out, *words, code=code)


def events(log: Path, kind: str | None = None) -> list[dict[str, Any]]:
    lines = [json.loads(line) for line in log.read_text().splitlines()]
    return [line for line in lines if kind in (None, line["event"])]


@pytest.fixture
def tight_disk(tmp_path: Path) -> Iterator[Callable[[int], Path]]:
    """Mount a disk of so many kB, and give a folder on it; where nobody may mount, a folder that can't be made."""
    place = tmp_path / "tight"
    place.mkdir()
    mounted = False

    def make(kilobytes: int) -> Path:
        nonlocal mounted
        words = ["mount", "-t", "tmpfs", "-o", f"size={kilobytes}k", "tmpfs", place]
        mounted = not subprocess.run(words, capture_output=True).returncode
        if not mounted:
            (place / "taken").write_text("a file where a folder should be")
            return place / "taken" / "shot"
        return place / "shot"

    yield make
    if mounted:
        subprocess.run(["umount", place], check=True)


def movie(path: Path) -> None:
    with av.open(str(path), "w") as file:
        stream = file.add_stream("ffv1", rate=24)
        stream.width, stream.height, stream.pix_fmt = 120, 80, "yuv444p10le"
        for _ in range(3):
            picture = av.VideoFrame.from_ndarray(np.full((80, 120, 3), 90, np.uint8), format="rgb24")
            file.mux(stream.encode(picture))
        file.mux(stream.encode())


def test_forty_shots_of_which_six_are_broken(listed, tight_disk, tmp_path: Path) -> None:
    """32 small shots and two of the sample scene are finished; six are broken, each in its own way, and said so."""
    shot_list = listed(38, frames=4)
    names = [f"a{i:02d}" for i in range(38)]
    missing, damaged, depth, key, unreadable, room = names[5], names[11], names[17], names[23], names[29], names[35]
    plates = {name: tmp_path / name / "plates" for name in names}
    (plates[missing] / "pier.1003.exr").unlink()
    spoilt = bytearray((plates[damaged] / "pier.1002.exr").read_bytes())
    spoilt[-2000:-1000] = bytes(1000)
    (plates[damaged] / "pier.1002.exr").write_bytes(spoilt)
    (tmp_path / depth / "depth").mkdir()
    for number in range(1001, 1005):
        rows = 80 if number != 1004 else 66
        z = np.full((rows, 120), 5.0, np.float32)
        write_exr(tmp_path / depth / "depth" / f"pier.{number}.exr", np.zeros((rows, 120, 3), np.float16), z=z)
    own_depth = SHOT.replace('[depth]\npath = "plates/', '[depth]\npath = "depth/')
    (tmp_path / depth / f"{depth}.toml").write_text(own_depth)
    movie(tmp_path / unreadable / "pier.mkv")
    whole = (tmp_path / unreadable / "pier.mkv").read_bytes()
    (tmp_path / unreadable / "pier.mkv").write_bytes(whole[:40] + bytes(len(whole) - 40))
    (tmp_path / unreadable / f"{unreadable}.toml").write_text(
        SHOT.replace("plates/pier.####.exr", "pier.mkv", 1).partition("[depth]")[0]
    )
    text = shot_list.read_text().replace(f'{key}.toml"', f'{key}.toml"\nset = ["grain.strenght=0.5"]')
    full = tight_disk(8)
    text = text.replace(f'{room}.toml"', f'{room}.toml"\nout = "{full}"')
    for out, frames in (("landing_a", "1001-1002"), ("landing_b", "1005")):
        text += f'\n[[shot]]\nshot = "{SCENE}"\nout = "{out}"\nframes = "{frames}"\npriority = 1\n'
    shot_list.write_text(text)

    out, log = tmp_path / "out", tmp_path / "log.jsonl"
    # first, since it compiles what is not compiled yet: the check would have no time left to measure frames by
    words = ["--preset", "15-perf-65", "--proxy", "1/4", "--frames", "1001-1002"]
    run("finish", SCENE, *words, "--out", tmp_path / "alone")
    done = batch(shot_list, out, "--proxy", "1/4", "--log", log, code=1)
    ended = {line["shot"]: line for line in events(log, "shot ended")}
    assert len(ended) == 40
    status = {name: line["status"] for name, line in ended.items()}
    assert sum(each == "finished" for each in status.values()) == 34
    known = {missing: "1003", depth: "66", key: "strenght", unreadable: "pier.mkv", str(full): str(full.parent)}
    for name, said in known.items():
        assert status[name] == "refused", ended[name]
        assert said in ended[name]["sentence"]
    assert status[damaged] == "failed"
    assert ended[damaged]["sentence"].startswith("3 of 4 frames are finished; frame 1002 failed: ")
    assert "pier.1002.exr" in ended[damaged]["sentence"]
    for name, said in known.items():
        assert any(line.startswith(f"{name}: refused.") and said in line for line in done.stdout.splitlines()), name
    assert "40 shots: " in done.stdout
    assert "34 finished" in done.stdout
    good = [name for name in names if status.get(name) == "finished"]
    first = digests(out / good[0])
    assert len(first) == 4
    assert all(digests(out / name) == first for name in good)
    assert digests(out / "landing_a") == digests(tmp_path / "alone")
    assert next(line["shot"] for line in events(log, "frame done")).startswith("landing"), "priority"
    assert not [path for path in out.rglob(".*") if path.name != ".batch.state.json"]


def test_then_runs_with_the_report_and_its_failure_changes_nothing(listed, tmp_path: Path) -> None:
    said = tmp_path / "said"
    then = f'echo "$WIDEGAUGE_EXIT_CODE $WIDEGAUGE_REPORT" > {said}; exit 7'
    done = batch(listed(1), tmp_path / "out", "--then", then)
    code, report = said.read_text().split()
    assert code == "0"
    assert Path(report).is_file()
    assert "the command ended with exit code 7" in done.stderr


def test_the_same_command_goes_on_and_redoes_what_changed(listed, tmp_path: Path) -> None:
    shot_list, out, log = listed(3), tmp_path / "out", tmp_path / "log.jsonl"
    batch(shot_list, out, "--log", log)
    assert len([line for line in events(log, "frame done") if not line["before"]]) == 9
    plate = tmp_path / "a01" / "plates" / "pier.1002.exr"
    write_exr(plate, read_exr_rgb(plate).astype(np.float16) * np.float16(2), z=read_exr(plate, "Z"))
    (out / "a02" / "pier.1003.exr").write_bytes(b"spoilt")
    log.unlink()
    done = batch(shot_list, out, "--log", log)
    redone = [(line["shot"], line["frame"]) for line in events(log, "frame done") if not line["before"]]
    assert sorted(redone) == [("a01", 1002), ("a02", 1003)]
    assert "a00: finished. All 3 frames were done before." in done.stdout
    shot_list.write_text(shot_list.read_text().replace('a00.toml"', 'a00.toml"\nset = ["grain.seed=8"]'))
    log.unlink()
    batch(shot_list, out, "--log", log)
    redone = [(line["shot"], line["frame"]) for line in events(log, "frame done") if not line["before"]]
    assert sorted(redone) == [("a00", 1001), ("a00", 1002), ("a00", 1003)]


class TestNothingStarts:
    """Exit code 2, and no frame."""

    def test_a_bad_list(self, tmp_path: Path) -> None:
        (tmp_path / "night.toml").write_text("[[shot]]\nshut = 1\n")
        assert "shut" in batch(tmp_path / "night.toml", tmp_path / "out", code=2).stderr
        assert not (tmp_path / "out").exists()

    def test_another_batch_is_running(self, listed, tmp_path: Path) -> None:
        lock = FolderLock(tmp_path / "out")
        done = batch(listed(1), tmp_path / "out", code=2)
        lock.release()
        assert f"written to by another widegauge, process {os.getpid()} on" in done.stderr
        assert not digests(tmp_path / "out" / "a00")

    def test_strict(self, listed, tmp_path: Path) -> None:
        shot_list = listed(2)
        (tmp_path / "a01" / "plates" / "pier.1002.exr").unlink()
        done = batch(shot_list, tmp_path / "out", "--strict", code=2)
        assert "nothing was begun" in done.stderr
        assert "1002" in done.stderr
        assert not digests(tmp_path / "out" / "a00")
        batch(shot_list, tmp_path / "out", code=1)
        assert len(digests(tmp_path / "out" / "a00")) == 3

    def test_words_that_do_not_go_together(self, listed, tmp_path: Path) -> None:
        run("batch", code=2)
        run("batch", listed(1), code=2)
        batch(tmp_path / "night.toml", tmp_path / "out", "--workers", 2, "--cluster", "local:2", code=2)


def test_a_dry_run_does_nothing(listed, tmp_path: Path) -> None:
    shot_list = listed(2)
    done = batch(shot_list, tmp_path / "out", "--dry-run")
    assert "a01" in done.stdout
    assert not (tmp_path / "out").exists()
    (tmp_path / "a01" / "plates" / "pier.1002.exr").unlink()
    assert "1002" in batch(shot_list, tmp_path / "out", "--dry-run", code=1).stdout


def test_bad_frames_black(listed, tmp_path: Path) -> None:
    """A frame that the check knows to be bad does not keep its shot from running where something may stand in."""
    shot_list = listed(1)
    (tmp_path / "a00" / "plates" / "pier.1002.exr").write_bytes(b"this is no picture" * 100)
    done = batch(shot_list, tmp_path / "out", "--bad-frames", "black")
    assert "In place of 1002, which failed, stands black." in done.stdout
    assert not read_exr_rgb(tmp_path / "out" / "a00" / "pier.1002.exr").any()


@pytest.fixture
def started(tmp_path: Path) -> Iterator[Callable[..., subprocess.Popen[str]]]:
    """Start a batch in a process of its own, and wait until so many frames are done."""
    children: list[subprocess.Popen[str]] = []

    def start(shot_list: Path, out: Path, *words: object, frames: int) -> subprocess.Popen[str]:
        log = tmp_path / "log.jsonl"
        said = ["batch", str(shot_list), "--out", str(out), "--log", str(log), *map(str, words)]
        child = subprocess.Popen(
            [sys.executable, "-c", f"{BRIEFLY_MEASURED}; from widegauge.cli import main; main({said!r})"],
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
        )
        children.append(child)
        until_s = time.monotonic() + 120
        while child.poll() is None and time.monotonic() < until_s:
            if log.exists() and len(events(log, "frame done")) >= frames:
                break
            time.sleep(0.02)
        return child

    yield start
    for child in children:
        child.kill()
        child.communicate()


def test_ctrl_c(listed, started, tmp_path: Path) -> None:
    """Frames in flight are finished, the report is written, exit code 130; the same command goes on."""
    shot_list, out = listed(3, frames=6, width=480, height=320), tmp_path / "out"
    child = started(shot_list, out, frames=2)
    child.send_signal(signal.SIGINT)
    said, complained = child.communicate(timeout=120)
    assert child.returncode == 130, complained
    assert "Ctrl-C came first. The same command goes on from here." in said
    assert said.splitlines()[-1].startswith("report: ")
    log = tmp_path / "log.jsonl"
    assert events(log)[-1]["exit_code"] == 130
    kept = {path: path.stat().st_mtime_ns for path in out.rglob("pier.*.exr")}
    assert 2 <= len(kept) < 18
    assert len(kept) == len(events(log, "frame done"))
    assert not [path for path in out.rglob(".*") if path.name != ".batch.state.json"]
    batch(shot_list, out)
    assert kept == {path: path.stat().st_mtime_ns for path in kept}
    assert len(list(out.rglob("pier.*.exr"))) == 18


def test_a_second_ctrl_c_ends_at_once(listed, started, tmp_path: Path) -> None:
    shot_list, out = listed(1, frames=4, width=1800, height=1200), tmp_path / "out"
    child = started(shot_list, out, frames=1)
    child.send_signal(signal.SIGINT)
    time.sleep(0.05)
    child.send_signal(signal.SIGINT)
    _, complained = child.communicate(timeout=120)
    assert child.returncode == 130, complained
    assert "Traceback" not in complained
    FolderLock(out).release()


def test_status_while_it_runs_when_it_was_killed_and_when_it_ended(listed, started, tmp_path: Path) -> None:
    shot_list, out = listed(2, frames=24, width=480, height=320), tmp_path / "out"
    child = started(shot_list, out, frames=2)
    until_s = time.monotonic() + 30
    while "working" not in (running := run("batch", "--status", out).stdout) and time.monotonic() < until_s:
        time.sleep(0.1)
    assert f"is running (process {child.pid} on " in running
    assert "working" in running
    assert "of 48 frames" in running
    child.send_signal(signal.SIGKILL)
    child.wait()
    gone = run("batch", "--status", out).stdout
    assert "was running until about" in gone
    assert "and is no longer" in gone
    batch(shot_list, out)
    ended = run("batch", "--status", out).stdout
    assert ", ended " in ended
    assert "48 of 48 frames" in ended
    assert "holds no batch" in run("batch", "--status", tmp_path / "nowhere", code=2).stderr


def test_the_log(listed, tmp_path: Path) -> None:
    """One event a line, times in UTC as ISO 8601 has them; a second run adds to it."""
    from datetime import datetime, timedelta

    shot_list, log = listed(2), tmp_path / "logs" / "log.jsonl"
    batch(shot_list, tmp_path / "out", "--log", log)
    kinds = [line["event"] for line in events(log)]
    assert kinds[0] == "batch started"
    assert kinds[-1] == "batch ended"
    assert kinds.count("shot started") == kinds.count("shot ended") == 2
    assert kinds.count("frame done") == 6
    times = [datetime.fromisoformat(line["at"]) for line in events(log)]
    assert times == sorted(times)
    assert {at.utcoffset() for at in times} == {timedelta(0)}
    batch(shot_list, tmp_path / "out", "--log", log)
    assert len(events(log)) == 2 * len(kinds)
