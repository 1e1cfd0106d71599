"""A shot bound to a plan and a folder, and how one frame of it is finished."""

from __future__ import annotations

import os
import time
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path
from socket import gethostname

from widegauge.errors import MediaError, mistake
from widegauge.media.images import default_kind, extension, write_picture
from widegauge.plan import Plan
from widegauge.plate import Plate
from widegauge.presets import PresetFile
from widegauge.run.record import FrameRecord, file_sha256
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
        return self.out / output_name(self.plate, number, kind=self.kind)


def make_job(plan: Plan, plate: Plate, *, out: Path, proxy: Fraction = Fraction(1)) -> Job:
    """Bind a plan to where its frames go; SettingsError when that is where the sources are."""
    refuse_sources(plate, out)
    return Job(plan, plate, out, output_kind(plate, plan.preset), proxy)


def refuse_sources(plate: Plate, out: Path) -> None:
    """SettingsError when an output folder is where the sources are."""
    folders = {folder.resolve() for folder in {path.parent for path in (*plate.footage.files(), *plate.depth.values())}}
    if out.resolve() in folders:
        raise mistake("--out", "", f'"{out}"', "is the folder of the footage or its depth", "choose another folder")


def output_kind(plate: Plate, preset: PresetFile) -> str:
    """What finished frames are written as."""
    wanted = preset.output.format
    return default_kind(plate.footage.probe.kind) if wanted == "same" else wanted


def output_name(plate: Plate, number: int, *, kind: str) -> str:
    """The file name of a finished frame: the source's stem and number, of movies and folders the shot's."""
    footage = plate.footage
    stem, padding = (footage.name, footage.padding) if footage.is_numbered else (plate.shot.name, 4)
    return f"{stem}.{number:0{padding}d}.{extension(kind)}"


def finish_frame(job: Job, number: int, known: FrameRecord | None) -> tuple[FrameRecord, bool]:
    """Finish one frame, unless ``known`` says that it is done; its record, and whether it was done before.

    MediaError when its footage or depth can't be read, or the frame can't be written.
    """
    try:
        return _finished(job, number, known)
    except OSError as error:
        raise MediaError(f"{error.filename or job.out}: {error.strerror or error}; check that it is there.") from error


def _finished(job: Job, number: int, known: FrameRecord | None) -> tuple[FrameRecord, bool]:
    started = time.perf_counter()
    source = job.plate.footage.fingerprint(number)
    depth = file_sha256(job.plate.depth[number]) if job.plate.depth else ""
    if known is not None and known.holds(job.out, source=source, depth=depth):
        return known, True
    made = render(job.plan, job.plate, number)
    output = job.output(number)
    not_held = write_picture(output, made.picture, kind=job.kind)
    frame = FrameRecord(
        source=source,
        depth=depth,
        output=output.name,
        sha256=file_sha256(output),
        bytes=output.stat().st_size,
        seconds=round(time.perf_counter() - started, 3),
        remarks=dict(made.remarks),
        not_held=not_held,
        checks=made.checks(job.plan, job.plate, kind=job.kind),
        host=gethostname(),
    )
    return frame, False


def workers_for(plate: Plate) -> int:
    """Frames in flight by default: one for each core, as far as memory goes."""
    width, height = plate.footage_px
    fitting = int(_free_bytes() * MEMORY_SHARE / (width * height * BYTES_PER_PX))
    return max(1, min(len(os.sched_getaffinity(0)), fitting))


def _free_bytes() -> int:
    """Memory that programs can have now, on Linux: MemAvailable, what the page cache would give back included."""
    for line in Path("/proc/meminfo").read_text(encoding="ascii").splitlines():
        if line.startswith("MemAvailable:"):
            return int(line.split()[1]) * 1024
    return os.sysconf("SC_AVPHYS_PAGES") * os.sysconf("SC_PAGE_SIZE")
