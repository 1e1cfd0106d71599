"""widegauge batch"""

from __future__ import annotations

import os
import subprocess
import sys
from collections.abc import Callable, Sequence
from contextlib import ExitStack, closing
from functools import partial
from pathlib import Path
from shutil import get_terminal_size
from typing import TYPE_CHECKING, Any

import click

from widegauge.cli.options import proxy_option

if TYPE_CHECKING:
    from widegauge.batch.check import Checked
    from widegauge.batch.crew import Crew
    from widegauge.batch.mend import BadFrames
    from widegauge.batch.outcome import Outcome

FOLDER = click.Path(path_type=Path, file_okay=False)
FILE = click.Path(path_type=Path, dir_okay=False)


@click.command("batch")
@click.argument("shot_list", metavar="[LIST]", required=False, type=FILE)
@click.option("--out", "-o", type=FOLDER, help="Folder for the night: a folder a shot, and the lab report.")
@click.option("--preset", "-p", metavar="NAME", help="For shots whose line in the list names none.")
@click.option("--shots", type=FOLDER, help="Where shot files lie that a timeline's clips name.")
@click.option(
    "--dry-run",
    is_flag=True,
    help="Check, print what would be done, and do nothing. Test frames are finished for the estimate and thrown away.",
)
@click.option("--strict", is_flag=True, help="Begin none when one shot is refused.")
@click.option(
    "--workers", default=0, type=click.IntRange(0, 256), help="Frames in flight; 0: as cores and memory allow."
)
@click.option(
    "--cluster", metavar="WHERE", help="Processes on many machines, tcp://HOST:PORT, or on this one, local:N."
)
@click.option(
    "--bad-frames",
    type=click.Choice(["fail", "hold", "black"]),
    default="fail",
    show_default=True,
    help="A frame that can't be made fails its shot, or the frame before it, or black, stands in.",
)
@proxy_option
@click.option("--log", type=FILE, help="Add every event to this file, a line of JSON each.")
@click.option("--then", metavar="COMMAND", help="Run at the end; $WIDEGAUGE_REPORT and $WIDEGAUGE_EXIT_CODE are set.")
@click.option(
    "--status", metavar="OUT", type=FOLDER, help="Say how the batch in OUT is getting on; from another terminal."
)
def command(
    shot_list: Path | None,
    out: Path | None,
    preset: str | None,
    shots: Path | None,
    dry_run: bool,
    strict: bool,
    workers: int,
    cluster: str | None,
    bad_frames: BadFrames,
    proxy: str,
    log: Path | None,
    then: str | None,
    status: Path | None,
) -> None:
    """Finish the shots of LIST (TOML, CSV or a timeline): check first, run, resume, report.

    All shots are checked before the first frame; the good ones run, the others are reported. The same command again
    goes on where it stopped. Exit codes: 0 all shots are finished; 1 some are not; 2 nothing could start.
    """
    if status is not None:
        from widegauge.batch.state import read_state
        from widegauge.report.nighttext import state_text

        state, running = read_state(status)
        click.echo(state_text(state, running=running))
        return
    if shot_list is None or out is None:
        raise click.UsageError("name a LIST and a folder with --out; or --status OUT to look at a batch")
    if workers and cluster:
        raise click.UsageError("--workers is for this process; a cluster's workers are counted in --cluster")
    from widegauge.batch.check import check
    from widegauge.report.batchcheck import WIDTH, check_text
    from widegauge.run.lock import FolderLock
    from widegauge.shotlist import load_list

    say, wide = partial(click.echo, err=True), min(WIDTH, get_terminal_size((WIDTH, 24)).columns)
    left_out: list[str] = []

    def leave_out(said: str) -> None:
        left_out.append(said)
        say(said)

    entries = load_list(shot_list, preset=preset, shots=shots, on_remark=leave_out)
    with ExitStack() as stack:
        if not dry_run:
            stack.callback(FolderLock(out).release)
        say(f"checking {len(entries)} shot{'s' if len(entries) > 1 else ''}")
        try:
            checked = check(entries, out, proxy=proxy, on_wait=say, hands=workers, mending=bad_frames != "fail")
        except KeyboardInterrupt:
            say("stopped while checking; nothing was begun")
            sys.exit(130)
        if dry_run:
            click.echo(check_text(checked, width=wide))
            sys.exit(1 if checked.refused else 0)
        say(f"{check_text(checked, width=wide)}\n")
        if strict and checked.refused:
            say("nothing was begun, as --strict asks")
            sys.exit(2)
        report, code = _night(
            checked, out, workers, cluster, bad_frames=bad_frames, proxy=proxy, log=log, remarks=left_out
        )
    if then:
        _hand_on(then, report, code)
    sys.exit(code)


def _night(
    checked: Checked,
    out: Path,
    workers: int,
    cluster: str | None,
    *,
    bad_frames: BadFrames,
    proxy: str,
    log: Path | None,
    remarks: Sequence[str],
) -> tuple[Path, int]:
    """Run the good shots and write the lab report; its path, and the exit code."""
    from widegauge.batch.events import Log
    from widegauge.batch.night import Night
    from widegauge.batch.state import State
    from widegauge.batch.watch import Watch
    from widegauge.cli.nightscreen import Screen
    from widegauge.report.batchcheck import folded
    from widegauge.report.nighttext import effort, outcome_lines, summary
    from widegauge.run.clock import utc_now
    from widegauge.run.ctrlc import CtrlC

    started = utc_now()
    with ExitStack() as stack:
        ctrl_c = stack.enter_context(CtrlC())
        lines = stack.enter_context(closing(Log(log)))
        screen = stack.enter_context(Screen(has_log=log is not None))
        watch = Watch(out, State(refused=checked.refused, seconds=checked.seconds), lines, screen)
        try:
            crew = _crew(checked, workers, cluster, out=out, warn=lambda said: watch.tell("cluster", sentence=said))
            stack.enter_context(closing(crew))
            night = Night(
                checked.good, out, crew, watch, proxy=proxy, bad_frames=bad_frames, asked=lambda: ctrl_c.asked
            )
            shots, refused = len(checked.good), checked.refused
            watch.tell("batch started", out=str(out), shots=shots, refused=len(refused), hands=crew.hands)
            for each in refused:  # the check has told them on the screen
                lines.write("shot ended", shot=each.entry.name, status=each.status, sentence=each.sentence)
            outcomes = (*night.run(), *refused)
            last = watch.end(night)
            code = 130 if night.stopped else 0 if all(each.status == "finished" for each in outcomes) else 1
            watch.tell("batch ended", exit_code=code, done=last["done"], total=last["total"], peak=last["peak_bytes"])
            screen.close()
            told = "\n".join(outcome_lines(last["shots"]))
            click.echo(folded(told, width=get_terminal_size().columns) if sys.stdout.isatty() else told)
            click.echo(summary(last), err=True)
            lost = f"{lines.lost} lines of the log could not be written" if lines.lost else ""
            said = [each for each in (effort(last), night.lost, lost, *remarks) if each]
            click.echo("writing the lab report", err=True)
            page = _report(out, outcomes, started=started, ended=utc_now(), remarks=said)
        except KeyboardInterrupt:  # the second one: frames in flight are let go, as by a kill
            screen.close()
            click.echo("stopped at once; whole frames stay, the same command goes on from here", err=True)
            sys.stdout.flush()
            os._exit(130)
    click.echo(f"report: {page}")
    return page, code


def _crew(checked: Checked, workers: int, cluster: str | None, *, out: Path, warn: Callable[[str], None]) -> Crew:
    if cluster:
        from widegauge.batch.cluster import open_cluster

        return open_cluster(cluster, out=out, warn=warn)
    from widegauge.batch.crew import Threads

    return Threads(workers or checked.hands)


def _report(out: Path, outcomes: Sequence[Outcome], **words: Any) -> Path:
    """Write the lab report; where there is no room for it, say so, and go on."""
    from widegauge.batch.labreport import PAGE, write_report

    try:
        write_report(out, outcomes, **words)
    except OSError as error:
        click.echo(f"{out / PAGE}: the report can't be written ({error.strerror})", err=True)
    return out / PAGE


def _hand_on(then: str, report: Path, code: int) -> None:
    """Run a person's own command through the shell; its failure is stated and changes nothing."""
    words = {"WIDEGAUGE_REPORT": str(report.resolve()), "WIDEGAUGE_EXIT_CODE": str(code)}
    ended = subprocess.run(then, shell=True, env=os.environ | words, check=False).returncode
    if ended:
        click.echo(f"--then: the command ended with exit code {ended}: {then}", err=True)
