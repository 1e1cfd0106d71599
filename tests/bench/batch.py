"""The night's batch: frames a minute by threads and by processes, what it costs beside plain finish, peak memory.

    python tests/bench/batch.py [--frames 4] [--width 3840] [--height 2560] [--pairs 4] [--part scaling|overhead]

Frames: half-float EXR with depth, every stage, UHD by default; and the sample scene's eight. Every line is a program of
its own, timed after a first frame on each hand. CPU is that of the whole process tree. Memory is the sum of its
proportional set sizes (PSS: pages that several share are counted once), looked at twice a second from before the
first frame. Overhead is the median of pairs run in turn, from binding the shot to its saved record.
"""

from __future__ import annotations

import argparse
import json
import os
import platform
import statistics
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Sequence
from contextlib import ExitStack, closing
from importlib.metadata import version
from pathlib import Path
from typing import Any

from finish import SHOT, make_plates

SCENE = Path(__file__).parents[2] / "sample_frames" / "landing.toml"
PRESET = "15-perf-65"
ONE_CORE = ("threads", 1, 1)
TWO_CORES = (("threads", 2, 2), ("processes", 2, 2))
ALONE = (("threads", 1, 2), ("processes", 1, 2))
"""Of what, how many, on how many cores. One frame in flight uses a second core for parts of its way."""


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--frames", type=int, default=4)
    parser.add_argument("--width", type=int, default=3840)
    parser.add_argument("--height", type=int, default=2560)
    parser.add_argument("--pairs", type=int, default=4)
    parser.add_argument("--part", choices=["scaling", "overhead"])
    parser.add_argument("--child", help=argparse.SUPPRESS)
    given = parser.parse_args()
    if given.child:
        asked = json.loads(given.child)
        print(json.dumps(CHILDREN[asked.pop("run")](**asked)))
        return
    print(f"{platform.machine()}, {os.cpu_count()} cores, load {os.getloadavg()[0]:.1f}, Python {platform.python_version()},",
          ", ".join(f"{name} {version(name)}" for name in ("numpy", "numba", "openimageio", "distributed")))  # fmt: skip
    with tempfile.TemporaryDirectory() as folder:
        place = Path(folder)
        if given.part != "overhead":
            (place / "plates").mkdir()
            make_plates(place / "plates", given.frames, given.width, given.height)
            shot = place / "bench.toml"
            shot.write_text(SHOT.format(w=24.0, h=24.0 * given.height / given.width))
            what = f"{given.frames} frames of {given.width} x {given.height}"
            scaling(place, shot, what, (ONE_CORE, *ALONE, *TWO_CORES))
            scaling(place, SCENE, "the sample scene, 8 frames", (ONE_CORE, *TWO_CORES))
        if given.part != "scaling":
            overhead(place, given.pairs)


def scaling(place: Path, shot: Path, what: str, crews: Sequence[tuple[str, int, int]]) -> None:
    print(f"\n{what}\n{'crew':14}{'cores':>6}{'frames/min':>12}{'s a frame':>11}{'CPU s a frame':>15}{'efficiency':>12}"
          f"{'peak GB':>9}")  # fmt: skip
    alone = 0.0
    for kind, count, cores in crews:
        found = child(run="rate", kind=kind, count=count, cores=cores, shot=str(shot), out=str(place / "out"))
        rate = found["frames"] / found["seconds"] * 60
        alone = alone or rate
        share = f"{rate / alone / cores:.0%}" if cores > 1 else "-"
        print(f"{count} {kind:12}{cores:6}{rate:12.1f}{60 / rate:11.2f}{found['cpu'] / found['frames']:15.2f}{share:>12}"
              f"{found['peak'] / 1e9:9.2f}", flush=True)  # fmt: skip
    print(f"efficiency: against the first line, times the cores. A frame in flight may take {found['bound'] / 1e9:.2f} GB "
          "(run/job.py), a process some 0.3 GB besides")  # fmt: skip


def overhead(place: Path, pairs: int) -> None:
    found = child(run="compare", pairs=pairs, place=str(place))
    print(f"\nbatch beside finish: the sample scene, 8 frames, two in flight, {pairs} pairs in turn")
    for unit in ("seconds", "cpu"):
        plain, night = (statistics.median(pair[unit] for pair in found[name]) for name in ("finish", "night"))
        ratios = [b[unit] / a[unit] for a, b in zip(found["finish"], found["night"], strict=True)]
        print(f"{'CPU' if unit == 'cpu' else 'wall'}: finish {plain:.2f} s, batch {night:.2f} s; "
              f"batch costs {statistics.median(ratios) - 1:+.1%} (from {min(ratios) - 1:+.1%} to {max(ratios) - 1:+.1%})")  # fmt: skip


def child(**asked: Any) -> dict[str, Any]:
    """Run one line in a program of its own."""
    words = [sys.executable, __file__, "--child", json.dumps(asked)]
    ended = subprocess.run(words, capture_output=True, text=True, check=False)
    if ended.returncode:
        raise SystemExit(ended.stderr)
    return dict(json.loads(ended.stdout.splitlines()[-1]))


def rate(kind: str, count: int, cores: int, shot: str, out: str) -> dict[str, Any]:
    os.sched_setaffinity(0, sorted(os.sched_getaffinity(0))[:cores])
    from widegauge.batch.cluster import open_cluster
    from widegauge.batch.crew import Threads
    from widegauge.batch.work import job_for
    from widegauge.run.job import BYTES_PER_PX
    from widegauge.run.lock import FolderLock
    from widegauge.shotlist import Entry

    with tempfile.TemporaryDirectory(dir=Path(out).parent) as folder, ExitStack() as stack:
        place = Path(folder)
        stack.callback(FolderLock(place).release)
        peak = stack.enter_context(closing(Peak()))
        local = kind == "processes"
        crew: Any = open_cluster(f"local:{count}", out=place, warn=print) if local else Threads(count)
        stack.enter_context(closing(crew))
        every = Entry("bench", "timed", Path(shot), PRESET)
        job = job_for(every, out=place / "timed", proxy="1")
        numbers = job.plate.footage.numbers
        # a frame for each process: kernels load, memory is touched
        night(Entry("bench", "warm", Path(shot), PRESET, frames=f"{numbers[0]}-{numbers[count - 1]}"), place, crew)
        cpu_s, started_s = tree_cpu_s(), time.perf_counter()
        night(every, place, crew)
        seconds, cpu_s = time.perf_counter() - started_s, tree_cpu_s() - cpu_s
        width, height = job.plate.footage_px
        return {"frames": len(numbers), "seconds": seconds, "cpu": cpu_s, "peak": peak.bytes, "bound": width * height * BYTES_PER_PX}  # fmt: skip


def compare(pairs: int, place: str) -> dict[str, list[dict[str, float]]]:
    from widegauge.batch.crew import Threads
    from widegauge.run.bind import bind
    from widegauge.run.finish import finish
    from widegauge.run.job import make_job
    from widegauge.shotlist import Entry

    def plain(out: Path) -> None:
        plan, plate, size = bind(SCENE, PRESET)
        finish(make_job(plan, plate, out=out / "landing", proxy=size), workers=2)

    def batch(out: Path) -> None:
        with closing(Threads(2)) as crew:
            night(Entry("bench", "landing", SCENE, PRESET), out, crew)

    found: dict[str, list[dict[str, float]]] = {"finish": [], "night": []}
    for i in range(-1, pairs):
        turn = [("finish", plain), ("night", batch)]
        for name, run in turn if i % 2 else turn[::-1]:
            with tempfile.TemporaryDirectory(dir=place) as folder:
                cpu_s, started_s = time.process_time(), time.perf_counter()
                run(Path(folder))
                spent = {"seconds": time.perf_counter() - started_s, "cpu": time.process_time() - cpu_s}
            if i >= 0:
                found[name].append(spent)
    return found


def night(entry: Any, out: Path, crew: Any) -> None:
    """A night of one shot as the command runs it, with its state file and its lines; all frames have to be finished."""
    from widegauge.batch.events import Log
    from widegauge.batch.night import Night
    from widegauge.batch.state import State
    from widegauge.batch.watch import Watch
    from widegauge.cli.nightscreen import Screen

    with closing(Log(out / "night.jsonl")) as log, Screen(has_log=True) as screen:
        watch = Watch(out, State(refused=(), seconds={}), log, screen)
        outcome = Night([entry], out, crew, watch).run()[0]
        assert outcome.status == "finished", outcome.sentence


def tree() -> list[int]:
    """This process and all below it."""
    found, waiting = [], [os.getpid()]
    while waiting:
        found.append(waiting.pop())
        for children in Path(f"/proc/{found[-1]}").glob("task/*/children"):
            try:
                waiting += map(int, children.read_text().split())
            except OSError:
                continue
    return found


def tree_cpu_s() -> float:
    ticks = 0
    for process in tree():
        fields = Path(f"/proc/{process}/stat").read_text().rpartition(")")[2].split()
        ticks += int(fields[11]) + int(fields[12])
    return ticks / os.sysconf("SC_CLK_TCK")


class Peak:
    """The most that the process tree has held since; ``bytes``."""

    def __init__(self) -> None:
        self.bytes = 0
        self._over = threading.Event()
        self._thread = threading.Thread(target=self._look, daemon=True)
        self._thread.start()

    def close(self) -> None:
        self._over.set()
        self._thread.join()

    def _look(self) -> None:
        while not self._over.wait(0.5):
            self.bytes = max(self.bytes, sum(map(pss_bytes, tree())))


def pss_bytes(process: int) -> int:
    try:
        for line in Path(f"/proc/{process}/smaps_rollup").read_text().splitlines():
            if line.startswith("Pss:"):
                return int(line.split()[1]) * 1024
    except OSError:
        pass
    return 0


CHILDREN = {"rate": rate, "compare": compare}

if __name__ == "__main__":
    main()
