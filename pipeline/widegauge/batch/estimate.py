"""How long a shot will take and how much it will write, by frames that are finished for it and thrown away."""

from __future__ import annotations

import os
import tempfile
import time
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from statistics import median

from widegauge.batch.work import job_for
from widegauge.run.job import finish_frame
from widegauge.shotlist import Entry

_SAMPLE_BYTES = {"exr-half": 2, "exr-float": 4, "dpx10": 4 / 3, "dpx16": 2, "tiff16": 2, "png16": 2}
_EXTRA_BYTES = 4

_OF_RAW = {"exr-half": (0.2, 0.55), "exr-float": (0.4, 0.9), "png16": (0.4, 0.95)}
"""Least and likely share that is left of a picture where the format compresses: with grain in it, our own scenes keep
0.37 to 0.40, 0.74 and 0.79 to 0.82 of it; half of that, and up to a third more."""

LEAST_OF_MEASURED = 0.8
"""By how much the other frames of a shot are taken to be smaller than those that were measured, at most."""


@dataclass(frozen=True, slots=True)
class Measured:
    """What a frame of a shot takes.

    wall_s, cpu_s  of a frame alone: by the clock, and of all cores together
    setup_s        before the first frame
    bytes          of a finished frame
    pixels         of one
    on             the shot that was measured
    notes          what its plan says of the crop's place and of depth that is far off
    """

    wall_s: float
    cpu_s: float
    setup_s: float
    bytes: int
    pixels: int
    on: str
    notes: tuple[str, ...] = ()

    def frame_s(self, hands: int) -> float:
        """From one finished frame to the next, with so many in flight: the cores limit it, or the hands."""
        return max(self.cpu_s / len(os.sched_getaffinity(0)), self.wall_s / hands)


def measure(entry: Entry, numbers: Sequence[int], *, proxy: str, pixels: int, until_s: float) -> Measured:
    """Finish the first, the middle and the last of ``numbers`` into a folder that is thrown away.

    The middle of three times, since the first frame of a kind loads compiled code; fewer frames when
    ``time.monotonic`` is at ``until_s``. Errors as of ``finish_frame``.
    """
    chosen = sorted({numbers[0], numbers[len(numbers) // 2], numbers[-1]})
    with tempfile.TemporaryDirectory(prefix="widegauge-") as folder:
        begun = time.perf_counter()
        job = job_for(entry, out=Path(folder), proxy=proxy)
        setup_s = time.perf_counter() - begun
        wall, cpu, sizes = [], [], []
        for number in chosen:
            begun, worked = time.perf_counter(), time.process_time()
            frame, _ = finish_frame(job, number, None)
            wall.append(time.perf_counter() - begun)
            cpu.append(time.process_time() - worked)
            sizes.append(frame.bytes)
            if time.monotonic() >= until_s:
                break
    notes = tuple(f"{name}: {job.plan.notes[name]}" for name in ("frame", "depth") if name in job.plan.notes)
    pick = median if len(wall) > 2 else min
    return Measured(pick(wall), pick(cpu), setup_s, max(sizes), pixels, entry.name, notes)


def raw_bytes(kind: str, picture_px: tuple[int, int], *, extra_channels: int) -> tuple[int, int]:
    """Least and likely size of a finished frame, by its kind alone; integer formats keep no more than alpha."""
    width, height = picture_px
    extra = extra_channels * _EXTRA_BYTES if kind.startswith("exr") else 0
    raw = width * height * (3 * _SAMPLE_BYTES[kind] + extra)
    least, likely = _OF_RAW.get(kind, (1.0, 1.0))
    return int(raw * least), int(raw * likely)
