"""The lab report of a night: a page for people and a JSON file for programs, from outcomes and the shots' records.

``OUT/batch.json`` has these keys; paths are relative to OUT, times are UTC in ISO 8601:

    widegauge            version
    started, ended       times; seconds is between them
    sentence             the night in a sentence; remarks are more of them
    exit_code            0 all shots are finished, 1 some are not
    counts               shots, finished, flagged (of those finished), frames, frames_done, stand_ins (of those done)
    shots[]              failures first, then those with flags, then the rest:
      name, at           its folder's name, and where it stands in the list
      shot, preset       the shot file, null where the line can't be used; the preset as the list names it
      status             finished | failed | refused | stopped | waiting
      sentence           what was done, or why not and what to do
      frames             total, done, before (of these, done before this run)
      troubles, mended   sentences by frame number
      flags[]            name, frames, worst, found, limit, unit, sentence, look
      seconds            a_frame (the middle of them all; null when none is finished), this_run
      folder, record     paths; record is null where there is none
      differences[]      stage, quantity, unit, footage, negative, difference
      shown_frame        the frame that the page shows; null when none
"""

from __future__ import annotations

import json
import os
import shlex
import statistics
from collections.abc import Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import asdict, dataclass, replace
from datetime import UTC, datetime
from fractions import Fraction
from pathlib import Path
from typing import Any

from widegauge import __version__
from widegauge.batch.flag import Flag
from widegauge.batch.flags import flags_for
from widegauge.batch.outcome import Outcome
from widegauge.batch.proof import proof
from widegauge.errors import WidegaugeError
from widegauge.media.footage import listed
from widegauge.report.batchcheck import duration
from widegauge.report.lab import FlagPart, NightPart, ShotPart, lab_page
from widegauge.report.stills import Bytes
from widegauge.report.table import number
from widegauge.run.record import FrameRecord, read_record, replace_text
from widegauge.units import parse_frames

PAGE, DATA = "batch.html", "batch.json"

HANDS = 2
"""Pairs that are read at a time: each holds two large pictures in memory."""

_GROUPS = ("Not finished", "Finished, to be looked at", "Finished")


@dataclass(frozen=True, slots=True)
class _Shot:
    """An outcome with what its record and its frames say."""

    outcome: Outcome
    frames: Mapping[int, FrameRecord]
    flags: tuple[Flag, ...]
    plan: Mapping[str, Any]
    proxy: Fraction
    pair: tuple[Bytes, Bytes] | None = None
    pair_said: str = ""

    @property
    def group(self) -> int:
        return 0 if self.outcome.status != "finished" else 1 if self.flags else 2

    @property
    def shown(self) -> int | None:
        """The frame that most flags are about, else the middle one; never one in whose place something stands."""
        made = [n for n in sorted(self.frames) if not (self.frames[n].mended or n in self.outcome.mended)]
        there = [n for n in made if (self.outcome.out / self.frames[n].output).is_file()]
        if not there:
            return None
        told = [n for flag in self.flags for n in {flag.worst, *flag.frames} if n in there]
        worst = [flag.worst for flag in self.flags if flag.worst in there]
        return max(worst, key=told.count) if worst else there[len(there) // 2]


def write_report(
    out: Path,
    outcomes: Sequence[Outcome],
    *,
    started: datetime | str,
    ended: datetime | str,
    remarks: Sequence[str] = (),
) -> tuple[Path, Path]:
    """Write ``out/batch.html`` and ``out/batch.json``; times are aware, or ISO 8601 as ``run.clock`` gives them.

    Everything but the outcomes is read from the shots' folders, so that a report can be made again. OSError when it
    can't be written.
    """
    begun, over = (_time(each) for each in (started, ended))
    shots = sorted((_read(outcome) for outcome in outcomes), key=lambda shot: shot.group)
    with ThreadPoolExecutor(HANDS, thread_name_prefix="proof") as pool:
        shots = list(pool.map(_with_pair, shots))
    data = _data(shots, out, begun=begun, over=over, remarks=remarks)
    out.mkdir(parents=True, exist_ok=True)
    replace_text(out / PAGE, lab_page(_night(shots, data, out, begun=begun, over=over)))
    replace_text(out / DATA, json.dumps(data, indent=1, ensure_ascii=False))
    return out / PAGE, out / DATA


def _read(outcome: Outcome) -> _Shot:
    """A record that can't be read is as none."""
    try:
        data = read_record(outcome.record) if outcome.record is not None else {}
        every = {int(n): FrameRecord(**frame) for n, frame in data.get("frames", {}).items()}
        plan, proxy = data.get("plan", {}), Fraction(data.get("settings", {}).get("proxy", "1"))
        wanted = set(parse_frames(outcome.entry.frames)) if outcome.entry.frames else set(every)
    except (OSError, ValueError, TypeError, AttributeError):
        every, plan, proxy, wanted = {}, {}, Fraction(1), set()
    frames = {n: every[n] for n in sorted(every) if n in wanted}
    return _Shot(outcome, frames, tuple(flags_for(frames, mended=outcome.mended)), plan, proxy)


def _with_pair(shot: _Shot) -> _Shot:
    shown = shot.shown
    if shown is None:
        return shot
    finished = shot.outcome.out / shot.frames[shown].output
    try:
        pair = proof(shot.outcome.entry, finished, number=shown, proxy=shot.proxy)
    except (WidegaugeError, OSError) as error:
        return replace(shot, pair_said=f"Frame {shown} can't be shown: {error}")
    about = next((flag.name for flag in shot.flags if shown == flag.worst), "")
    why = f"for the flag: {about}" if about else "the middle one" if len(shot.frames) > 1 else "the only one"
    return replace(shot, pair=pair, pair_said=f"Frame {shown}, {why}.")


def _data(
    shots: Sequence[_Shot], out: Path, *, begun: datetime, over: datetime, remarks: Sequence[str]
) -> dict[str, Any]:
    finished = [shot for shot in shots if shot.outcome.status == "finished"]
    counts = {
        "shots": len(shots),
        "finished": len(finished),
        "flagged": sum(bool(shot.flags) for shot in finished),
        "frames": sum(shot.outcome.total for shot in shots),
        "frames_done": sum(shot.outcome.done for shot in shots),
        "stand_ins": sum(len(shot.outcome.mended) for shot in shots),
    }
    seconds = (over - begun).total_seconds()
    return {
        "widegauge": __version__,
        "started": _utc(begun),
        "ended": _utc(over),
        "seconds": round(seconds, 3),
        "sentence": _sentence(counts, seconds, before=sum(shot.outcome.before for shot in shots)),
        "remarks": list(remarks),
        "exit_code": 0 if len(finished) == len(shots) else 1,
        "counts": counts,
        "shots": [_shot_data(shot, out) for shot in shots],
    }


def _shot_data(shot: _Shot, out: Path) -> dict[str, Any]:
    outcome, entry = shot.outcome, shot.outcome.entry
    flags = [asdict(flag) | {"frames": list(flag.frames), "look": _look(flag, outcome)} for flag in shot.flags]
    return {
        "name": entry.name,
        "at": entry.at,
        "shot": None if entry.wrong else _relative(entry.shot, out),
        "preset": entry.preset,
        "status": outcome.status,
        "sentence": outcome.sentence,
        "frames": {"total": outcome.total, "done": outcome.done, "before": outcome.before},
        "troubles": {str(n): said for n, said in outcome.troubles.items()},
        "mended": {str(n): said for n, said in outcome.mended.items()},
        "flags": flags,
        "seconds": {"a_frame": _frame_s(shot), "this_run": round(outcome.seconds, 3)},
        "folder": _relative(outcome.out, out),
        "record": None if outcome.record is None else _relative(outcome.record, out),
        "differences": [{"stage": stage} | row for stage, rows in shot.plan.get("stages", {}).items() for row in rows],
        "shown_frame": shot.shown,
    }


def _sentence(counts: Mapping[str, int], seconds: float, *, before: int) -> str:
    """The night in words: what is done, how long it took, and what needs somebody."""
    shots, finished, flagged = counts["shots"], counts["finished"], counts["flagged"]
    which = f"All {shots} shots are" if finished == shots else f"{finished} of {shots} shots are"
    frames = (
        f"{counts['frames_done']} of {counts['frames']} frames" if finished != shots else f"{counts['frames']} frames"
    )
    earlier = f", {before} of them before this run," if before else ""
    if stand_ins := counts["stand_ins"]:
        earlier = f", {stand_ins} of them held or black{f' and {before} finished before this run' if before else ''},"
    failed = shots - finished
    needs = []
    if failed:
        needs.append(f"{failed} {'shots need' if failed > 1 else 'shot needs'} somebody")
    if flagged:
        needs.append(f"{flagged} finished {'ones have' if flagged > 1 else 'one has'} something to look at")
    rest = "; ".join(needs) or "nothing needs anybody"
    if shots == 1:
        which = "The shot is" if finished else "The shot is not"
    return f"{which} finished: {frames}{earlier} in {duration(seconds)}. {rest[0].upper()}{rest[1:]}."


def _night(shots: Sequence[_Shot], data: Mapping[str, Any], out: Path, *, begun: datetime, over: datetime) -> NightPart:
    counts = data["counts"]
    here, there = begun.astimezone(), over.astimezone()
    held = f", {counts['stand_ins']} of them held or black" if counts["stand_ins"] else ""
    facts = [
        ("begun", here.strftime("%-d %B %Y, %H:%M")),
        ("ended", there.strftime("%H:%M" if here.date() == there.date() else "%-d %B, %H:%M")),
        ("shots finished", f"{counts['finished']} of {counts['shots']}"),
        ("frames written", f"{counts['frames_done']} of {counts['frames']}{held}"),
        ("to be looked at", f"{counts['flagged']} {'shot' if counts['flagged'] == 1 else 'shots'}"),
    ]
    pairs = list(zip(shots, data["shots"], strict=True))
    groups = [
        (name, [_part(shot, shot_data, out) for shot, shot_data in pairs if shot.group == i])
        for i, name in enumerate(_GROUPS)
    ]
    return NightPart("Lab report", data["sentence"], facts, groups, data["remarks"])


def _part(shot: _Shot, data: Mapping[str, Any], out: Path) -> ShotPart:
    outcome = shot.outcome
    frame_s = data["seconds"]["a_frame"]
    facts = [
        ("preset", str(shot.plan.get("preset") or data["preset"])),
        ("in the list", data["at"]),
        ("size", "" if shot.proxy == 1 else f"a preview, {shot.proxy} of the footage's size"),
        ("a frame", "" if frame_s is None else f"{frame_s:.1f} s, the middle of {len(shot.frames)}"),
        ("this run", f"{duration(outcome.seconds)} from first to last" if outcome.seconds else ""),
        ("frames are in", data["folder"] if shot.frames else ""),
        ("record", data["record"] or ""),
        ("shot file", data["shot"] or ""),
    ]
    notes = [f"{stage}: {said}" for stage, said in shot.plan.get("notes", {}).items()]
    if shot.pair is None and shot.pair_said:
        notes.append(shot.pair_said)
    return ShotPart(
        name=outcome.entry.name,
        status=_status(shot),
        sentence=outcome.sentence,
        frames=_frames(outcome),
        flags=[FlagPart(flag.name, flag.sentence, _look(flag, outcome), listed(flag.frames)) for flag in shot.flags],
        troubles=[(str(n), said) for n, said in sorted(outcome.troubles.items())],
        pair=shot.pair,
        pair_said=shot.pair_said,
        differences=_differences(shot.plan),
        notes=notes,
        facts=[(name, value) for name, value in facts if value],
    )


def _status(shot: _Shot) -> str:
    match shot.outcome.status:
        case "finished" if shot.flags:
            return f"finished, {len(shot.flags)} {'flags' if len(shot.flags) > 1 else 'flag'}"
        case "refused":
            return "refused, nothing begun" + (" this time" if shot.frames else "")
        case "waiting":
            return "not begun"
        case status:
            return status


def _frames(outcome: Outcome) -> str:
    counted = f"{outcome.done} of {outcome.total}" if outcome.total else ""
    return f"{counted}, {outcome.stand_ins}" if outcome.mended else counted


def _differences(plan: Mapping[str, Any]) -> list[Sequence[str]]:
    """One telling row a stage: its first with a difference."""
    table: list[Sequence[str]] = [("stage", "quantity", "footage", "negative", "difference")]
    for stage, rows in plan.get("stages", {}).items():
        row = next((row for row in rows if row["difference"]), rows[0] if rows else None)
        if row is None:
            table.append((stage, "off", "", "", ""))
            continue
        said = row["quantity"] + (row["unit"] and f", {row['unit']}")
        table.append((stage, said, *(number(row[side]) for side in ("footage", "negative", "difference"))))
    return table if len(table) > 1 else []


def _look(flag: Flag, outcome: Outcome) -> str:
    """Where to look, with the record's own path in the command."""
    record = outcome.record or outcome.out / f"{outcome.entry.shot.stem}.record.json"
    return flag.look.replace("RECORD", shlex.quote(str(record)))


def _frame_s(shot: _Shot) -> float | None:
    worked = [frame.seconds for frame in shot.frames.values() if not frame.mended]
    return round(statistics.median(worked), 3) if worked else None


def _relative(path: Path, out: Path) -> str:
    return os.path.relpath(path.absolute(), out.absolute())


def _time(value: datetime | str) -> datetime:
    return value if isinstance(value, datetime) else datetime.fromisoformat(value)


def _utc(value: datetime) -> str:
    return value.astimezone(UTC).isoformat(timespec="seconds").replace("+00:00", "Z")
