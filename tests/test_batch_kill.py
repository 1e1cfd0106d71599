"""A night killed with SIGKILL at random moments: every finished frame is right, none is lost, none is worked twice."""

from __future__ import annotations

import json
import random
import signal
import subprocess
import sys
import time
from collections import Counter
from pathlib import Path
from statistics import median

import pytest
from test_batch import BRIEFLY_MEASURED, batch, listed
from test_finish import digests
from widegauge.run.record import read_record

__all__ = ["listed"]

KILLS = 20
SHOTS, FRAMES = 8, 24
"""More frames than a quick machine finishes between so many kills."""
HANDS = 2
SEED = 6


class Log:
    """The log of all runs, read on from where it was read to."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self._read = 0
        self._worked: Counter[tuple[str, int]] = Counter()

    def worked(self) -> Counter[tuple[str, int]]:
        """How often each frame was worked."""
        if self.path.exists():
            with self.path.open("rb") as file:
                file.seek(self._read)
                whole = b"".join(line for line in file if line.endswith(b"\n"))
            self._read += len(whole)
            events = [json.loads(line) for line in whole.splitlines()]
            done = [e for e in events if e["event"] == "frame done" and not e["before"]]
            self._worked.update((e["shot"], e["frame"]) for e in done)
        return self._worked


def _start(shot_list: Path, out: Path, log: Path) -> subprocess.Popen[bytes]:
    words = ["batch", str(shot_list), "--out", str(out), "--log", str(log), "--workers", str(HANDS)]
    return subprocess.Popen(
        [sys.executable, "-c", f"{BRIEFLY_MEASURED}; from widegauge.cli import main; main({words!r})"],
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
    )


def _known(out: Path) -> dict[Path, int]:
    """Frames that records and journals hold, with when their files were written."""
    known = {}
    for folder in (path for path in out.iterdir() if path.is_dir()):
        for record in folder.glob("*.record.json"):
            for frame in read_record(record)["frames"].values():
                known[folder / frame["output"]] = (folder / frame["output"]).stat().st_mtime_ns
    return known


@pytest.mark.slow
def test_killed_at_twenty_random_moments(listed, tmp_path: Path) -> None:
    """Moments are drawn over the frames of the night, so that kills fall while frames are in flight.

    Each is a number of frames and a part of the time that a frame takes, so that no machine is too quick for it.
    What a frame's work is counted by: the log of all runs (a line after each frame that was worked), and the files
    themselves (a frame that is in a record is never written again). A frame may be worked twice only if it was in
    flight when the night was killed.
    """
    draw = random.Random(SEED)
    shot_list = listed(SHOTS, frames=FRAMES, width=240, height=160)
    batch(shot_list, tmp_path / "undisturbed", "--workers", HANDS)
    records = [read_record(path) for path in (tmp_path / "undisturbed").glob("*/*.record.json")]
    frame_s = median(frame["seconds"] for record in records for frame in record["frames"].values())
    out, log = tmp_path / "out", Log(tmp_path / "log.jsonl")
    killed = in_flight = 0
    while killed < KILLS:
        before = _known(out) if out.exists() else {}
        child = _start(shot_list, out, log.path)
        # the first and last frames of a shot come up too
        wanted, rest_s = sum(log.worked().values()) + draw.randint(0, 7), draw.uniform(0.0, frame_s)
        until_s = time.monotonic() + 120
        while child.poll() is None and sum(log.worked().values()) < wanted and time.monotonic() < until_s:
            time.sleep(0.005)
        time.sleep(rest_s)
        child.send_signal(signal.SIGKILL)
        child.wait()
        if child.returncode != -signal.SIGKILL:
            pytest.fail(f"the night was over after {killed} kills: exit code {child.returncode}")
        killed += 1
        after = _known(out)
        assert before.items() <= after.items(), "a frame of the record was written again, or forgotten"
        on_disk = {path for path in out.rglob("pier.*.exr") if not path.name.startswith(".")}
        unknown = on_disk - after.keys()
        assert len(unknown) <= HANDS, f"{unknown} were finished and nothing knows of them"
        in_flight += len(unknown)
        for name in sorted(path.name for path in out.iterdir() if path.is_dir()):
            whole, right = digests(out / name), digests(tmp_path / "undisturbed" / name)
            assert whole == {key: value for key, value in right.items() if key in whole}
    batch(shot_list, out, "--log", log.path, "--workers", HANDS)
    for folder in (tmp_path / "undisturbed").iterdir():
        if folder.is_dir():
            assert digests(out / folder.name) == digests(folder)
            frames = [
                _lasting(read_record(side / folder.name / f"{folder.name}.record.json"))
                for side in (out, folder.parent)
            ]
            assert frames[0] == frames[1]
    assert not [path for path in out.rglob(".*") if path.name != ".batch.state.json"]
    worked = log.worked()
    assert len(worked) >= SHOTS * FRAMES - KILLS * HANDS, "only lines of frames in flight may be lost with a kill"
    assert set(worked.values()) == {1}, "a frame that the log has as done was worked again"
    assert in_flight + SHOTS * FRAMES - len(worked) <= KILLS * HANDS
    print(f"{killed} kills, {in_flight} frames were on disk and in no record: worked twice, as they were in flight")


def _lasting(record: dict) -> dict:
    """A record without what may differ from run to run: times."""
    return {number: {k: v for k, v in frame.items() if k != "seconds"} for number, frame in record["frames"].items()}
