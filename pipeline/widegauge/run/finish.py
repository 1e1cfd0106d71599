"""Finish a shot: run the stages over its frames, several at a time, and keep a record."""

from __future__ import annotations

import os
import time
from collections.abc import Callable
from concurrent.futures import FIRST_COMPLETED, Future, ThreadPoolExecutor, wait
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path

from widegauge.errors import MediaError, mistake
from widegauge.media.images import default_kind, extension, write_picture
from widegauge.plan import Plan
from widegauge.plate import Plate
from widegauge.run.record import FrameRecord, Record, file_sha256, open_record, strangers
from widegauge.run.render import render

BYTES_PER_PX = 120
"""Memory that a frame in flight takes for each pixel of its plate: 80 measured by tests/bench, half more kept."""

MEMORY_SHARE = 0.5
"""Share of the memory that is free at the start which frames in flight may take together."""


@dataclass(frozen=True, slots=True)
class Job:
    """A shot bound to a plan, an output folder and a file format."""

    plan: Plan
    plate: Plate
    out: Path
    kind: str
    proxy: Fraction

    @property
    def record_path(self) -> Path:
        return self.out / f"{self.plan.shot.name}.record.json"

    @property
    def sidecar_path(self) -> Path:
        return self.out / f"{self.plan.shot.name}.attributes.json"

    def output(self, number: int) -> Path:
        """Where a finished frame goes."""
        footage = self.plate.footage
        numbered = footage.is_numbered
        stem = footage.name if numbered else self.plan.shot.name
        padding = footage.padding if numbered else 4
        return self.out / f"{stem}.{number:0{padding}d}.{extension(self.kind)}"


@dataclass(frozen=True, slots=True)
class Progress:
    """A frame that was finished, or found to be done already."""

    number: int
    seconds: float
    skipped: bool
    done: int
    total: int
    remarks: dict[str, float]


def make_job(plan: Plan, plate: Plate, *, out: Path, proxy: Fraction = Fraction(1)) -> Job:
    """Bind a plan to where its frames go; SettingsError when that is where the sources are."""
    folders = {path.parent.resolve() for path in (*plate.footage.files(), *plate.depth.values())}
    if out.resolve() in folders:
        raise mistake("--out", "", f'"{out}"', "is the folder of the footage or its depth", "choose another folder")
    wanted = plan.preset.output.format
    kind = default_kind(plate.footage.probe.kind) if wanted == "same" else wanted
    return Job(plan, plate, out, kind, proxy)


def finish(job: Job, *, workers: int = 0, on_frame: Callable[[Progress], None] = lambda _: None) -> Record:
    """Finish every frame of the footage's range that the record does not hold already.

    ``workers`` frames are in flight at a time (0: as many as cores and memory allow). A frame that fails, or
    Ctrl-C, stops the shot: frames in flight are finished and kept, then the error is raised.
    """
    workers = workers or workers_for(job.plate)
    _prepare(job.out, job.output(0).suffix)
    record = open_record(job.record_path, job.plan, kind=job.kind, proxy=job.proxy)
    numbers = job.plate.footage.numbers
    mixed = strangers(job.out, record, {job.output(number).name for number in numbers})
    if mixed:
        rule = f"holds {mixed[0]} (of {len(mixed)}) made with other settings, or from another shot"
        raise mistake("--out", "", f'"{job.out}"', rule, "choose another folder, or finish the whole shot anew")
    waiting = iter(numbers)
    flying: set[Future[tuple[int, FrameRecord, bool]]] = set()
    stopped: BaseException | None = None
    done = 0
    with ThreadPoolExecutor(workers, thread_name_prefix="frame") as pool:
        while True:
            while stopped is None and len(flying) < workers and (number := next(waiting, None)) is not None:
                flying.add(pool.submit(_finish_frame, job, record, number))
            if not flying:
                break
            try:
                landed, flying = wait(flying, return_when=FIRST_COMPLETED)
            except KeyboardInterrupt as interrupt:
                stopped = stopped or interrupt
                continue
            for future in landed:
                if (error := future.exception()) is not None:
                    stopped = stopped or error
                    continue
                number, frame, skipped = future.result()
                done += 1
                if not skipped:
                    record.frames[number] = frame
                    _save(record)
                on_frame(Progress(number, frame.seconds, skipped, done, len(numbers), frame.remarks))
    if stopped is not None:
        raise stopped
    _save(record)
    record.save_sidecar(job.sidecar_path)
    return record


def workers_for(plate: Plate) -> int:
    """Frames in flight by default: one for each core, as far as memory goes."""
    width, height = plate.footage_px
    fitting = int(_free_bytes() * MEMORY_SHARE / (width * height * BYTES_PER_PX))
    return max(1, min(len(os.sched_getaffinity(0)), fitting))


def _finish_frame(job: Job, record: Record, number: int) -> tuple[int, FrameRecord, bool]:
    """Finish one frame, unless the record says that it is done; its number, its record, and whether it was."""
    started = time.perf_counter()
    source = job.plate.footage.fingerprint(number)
    depth = file_sha256(job.plate.depth[number]) if job.plate.depth else ""
    if record.is_done(number, source=source, depth=depth):
        return number, record.frames[number], True
    picture, remarks = render(job.plan, job.plate, number)
    output = job.output(number)
    not_held = write_picture(output, picture, kind=job.kind)
    frame = FrameRecord(
        source=source,
        depth=depth,
        output=output.name,
        sha256=file_sha256(output),
        bytes=output.stat().st_size,
        seconds=round(time.perf_counter() - started, 3),
        remarks=dict(remarks),
        not_held=not_held,
    )
    return number, frame, False


def _prepare(out: Path, suffix: str) -> None:
    """Make the output folder, and clear what a killed run left in it under temporary names."""
    try:
        out.mkdir(parents=True, exist_ok=True)
        for leftover in out.glob(f".*.part{suffix}"):
            leftover.unlink()
    except OSError as error:
        raise MediaError(f"{out}: can't write there ({error.strerror}). Choose another --out.") from None


def _save(record: Record) -> None:
    try:
        record.save()
    except OSError as error:
        raise MediaError(
            f"{record.path}: can't be written ({error.strerror}). Free some space and run again."
        ) from None


def _free_bytes() -> int:
    """Memory that programs can have now, on Linux: MemAvailable, what the page cache would give back included."""
    for line in Path("/proc/meminfo").read_text(encoding="ascii").splitlines():
        if line.startswith("MemAvailable:"):
            return int(line.split()[1]) * 1024
    return os.sysconf("SC_AVPHYS_PAGES") * os.sysconf("SC_PAGE_SIZE")
