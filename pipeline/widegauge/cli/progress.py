"""Show a shot being finished: a bar with the time left on a terminal, plain lines elsewhere."""

from __future__ import annotations

import contextlib
import sys
from pathlib import Path
from typing import TYPE_CHECKING

import click

if TYPE_CHECKING:
    from widegauge.run.finish import Progress
    from widegauge.run.job import Job


def watched(job: Job, *, workers: int = 0) -> list[str]:
    """Finish a job while showing its progress on standard error; what to say of it in the end, a line each."""
    from widegauge.run.finish import finish
    from widegauge.run.job import workers_for

    total = len(job.plate.footage.numbers)
    in_flight = min(total, workers or workers_for(job.plate))
    counts = {True: 0, False: 0}
    label = f"{job.plan.shot.name}, {total} frames, {in_flight} in flight"
    on_terminal = sys.stderr.isatty()
    if _first_run():
        click.echo("first run: compiling for about half a minute, once", err=True)
    if not on_terminal:
        click.echo(label, err=True)
    hidden = contextlib.nullcontext()
    with click.progressbar(length=total, label=label, file=sys.stderr, show_pos=True) if on_terminal else hidden as bar:

        def on_frame(progress: Progress) -> None:
            counts[progress.skipped] += 1
            if bar is None:
                click.echo(_line(progress), err=True)
            else:
                bar.update(1)
            healed = progress.remarks.get("healed pixels", 0)
            if healed:
                click.echo(f"warning: frame {progress.number}: {healed:g} pixels were not numbers; healed", err=True)

        try:
            record = finish(job, workers=workers, on_frame=on_frame)
        except KeyboardInterrupt:
            click.echo("\nstopped; whole frames stay, the same command goes on from here", err=True)
            sys.exit(130)
    first = job.output(job.plate.footage.numbers[0])
    return [
        f"{counts[False]} finished, {counts[True]} done before: {first} ...",
        *_remarked({n: record.frames[n].remarks for n in job.plate.footage.numbers}),
        f"record: {job.record_path}",
    ]


def _first_run() -> bool:
    """Whether the kernels have not been compiled yet."""
    from widegauge import kernels

    return not any(Path(kernels.__file__).parent.joinpath("__pycache__").glob("*.nbi"))


def _remarked(remarks: dict[int, dict[str, float]]) -> list[str]:
    """For each kind of remark, the frame that has most of it."""
    kinds = {kind for remark in remarks.values() for kind in remark}
    lines = []
    for kind in sorted(kinds):
        number = max(remarks, key=lambda n: remarks[n].get(kind, 0.0))
        lines.append(f"{kind}: up to {remarks[number][kind]:.4g} (frame {number})")
    return lines


def _line(progress: Progress) -> str:
    how = "done before" if progress.skipped else f"{progress.seconds:.1f} s"
    return f"frame {progress.number}: {how} ({progress.done} of {progress.total})"
