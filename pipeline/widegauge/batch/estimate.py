"""How long a shot will take and how much it will write: by its record, or by frames finished for it and thrown away."""

from __future__ import annotations

import os
import tempfile
import time
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from socket import gethostname
from statistics import fmean, median

from widegauge.batch.work import job_for
from widegauge.run.job import finish_frame
from widegauge.run.record import FrameRecord
from widegauge.shotlist import Entry

_SAMPLE_BYTES = {"exr-half": 2, "exr-float": 4, "dpx10": 4 / 3, "dpx16": 2, "tiff16": 2, "png16": 2}
_EXTRA_BYTES = 4

_OF_RAW = {"exr-half": (0.2, 0.55), "exr-float": (0.4, 0.9), "png16": (0.4, 0.95)}
"""Least and likely share that is left of a picture where the format compresses: with grain in it, our own scenes keep
0.37 to 0.40, 0.74 and 0.79 to 0.82 of it; half of that, and up to a third more."""

LEAST_OF_MEASURED = 0.8
"""By how much the other frames of a shot are taken to be smaller than those that were measured, at most."""


ENOUGH = 3
"""Finished frames that say how long others take: as many as are measured."""


@dataclass(frozen=True, slots=True)
class Measured:
    """What a frame of a shot takes.

    wall_s, cpu_s  of a frame alone: by the clock, and of all cores together
    setup_s        before the first frame
    bytes          of a finished frame
    pixels         of one
    on             the shot that was measured
    notes          what its plan says of the crop's place and of depth that is far off
    by_record      wall_s was found with frames in flight, and says all: cpu_s and setup_s are 0
    """

    wall_s: float
    cpu_s: float
    setup_s: float
    bytes: int
    pixels: int
    on: str
    notes: tuple[str, ...] = ()
    by_record: bool = False

    def frame_s(self, hands: int) -> float:
        """From one finished frame to the next, with so many in flight: the cores limit it, or the hands.

        Frames that took so long each while as many were in flight came at that rate (Little, Oper. Res. 9, 1961).
        """
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
    pick = median if len(wall) > 2 else min
    return Measured(pick(wall), pick(cpu), setup_s, max(sizes), pixels, entry.name, told(job.plan.notes))


def recalled(
    frames: Collection[FrameRecord], notes: Mapping[str, str], *, hands: int, pixels: int, on: str
) -> Measured | None:
    """What finished frames say of those to come, if enough were worked on this machine with as many in flight.

    ``notes`` are those of the record's plan.
    """
    alike = [frame for frame in frames if (frame.host, frame.hands) == (gethostname(), hands)]
    if len(alike) < ENOUGH:
        return None
    seconds, count = median(frame.seconds for frame in alike), round(fmean(frame.bytes for frame in alike))
    return Measured(seconds, 0.0, 0.0, count, pixels, on, told(notes), by_record=True)


def told(notes: Mapping[str, str]) -> tuple[str, ...]:
    """What a plan notes that is worth knowing before the first frame."""
    return tuple(f"{name}: {notes[name]}" for name in ("frame", "depth") if name in notes)


def raw_bytes(kind: str, picture_px: tuple[int, int], *, extra_channels: int) -> tuple[int, int]:
    """Least and likely size of a finished frame, by its kind alone; integer formats keep no more than alpha."""
    width, height = picture_px
    extra = extra_channels * _EXTRA_BYTES if kind.startswith("exr") else 0
    raw = width * height * (3 * _SAMPLE_BYTES[kind] + extra)
    least, likely = _OF_RAW.get(kind, (1.0, 1.0))
    return int(raw * least), int(raw * likely)
