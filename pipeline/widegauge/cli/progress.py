"""Show a shot being finished: a bar with the time left on a terminal, plain lines elsewhere."""

from __future__ import annotations

import contextlib
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

if TYPE_CHECKING:
    from widegauge.run.finish import Progress
    from widegauge.run.job import Job

SHOWN_FRAC = 1e-4
"""Share of a frame's pixels from which a clip is told."""


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
    frames = {n: record.frames[n] for n in job.plate.footage.numbers}
    return [
        f"{counts[False]} finished, {counts[True]} done before: {first} ...",
        *_remarked({n: frame.remarks for n, frame in frames.items()}),
        *_clipped({n: frame.checks for n, frame in frames.items()}, kind=job.kind),
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


def _clipped(checks: dict[int, dict[str, Any]], *, kind: str) -> list[str]:
    """What the output's format cuts off that the footage had, at either end; the worst frame of each."""
    lines = []
    for key, end in (("clipped_high", "above white"), ("clipped_low", "below black")):
        shares = {n: float(check.get(key, 0.0)) for n, check in checks.items()}
        number = max(shares, key=lambda n: shares[n])
        if shares[number] >= SHOWN_FRAC:
            lines.append(
                f"{kind} cannot hold what lies {end} and clips up to {100 * shares[number]:.2g} % of the pixels "
                f"(frame {number}); --set output.format=exr-half keeps it"
            )
    return lines


def _line(progress: Progress) -> str:
    how = "done before" if progress.skipped else f"{progress.seconds:.1f} s"
    return f"frame {progress.number}: {how} ({progress.done} of {progress.total})"
