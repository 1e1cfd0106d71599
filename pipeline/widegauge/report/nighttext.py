"""A night's batch in words: the table on a terminal, the lines elsewhere, and what came of it."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from datetime import datetime
from typing import Any

from widegauge.report.batchcheck import duration
from widegauge.report.words import aligned

State = Mapping[str, Any]
"""What a night looks like at a moment, as its state file has it."""

_FIRST = ("working", "opening", "failed", "refused", "stopped")
"""Where there is no room for all, these shots are shown, and those nearest to the ones in work."""

HEAD = ("shot", "status", "frames", "")


def local(utc: str) -> str:
    """A time in UTC as the clock on the wall has it."""
    return datetime.fromisoformat(utc).astimezone().strftime("%d %B, %H:%M:%S")


def shot_rows(state: State, *, most: int | None = None) -> list[tuple[str, str, str, str]]:
    """A row a shot; ``most`` keeps those that matter now and counts the others."""
    shots: list[State] = state["shots"]
    at = range(len(shots))
    kept = set(at)
    if most is not None and len(shots) > most:
        now = next((i for i in at if shots[i]["status"] in ("working", "opening")), 0)
        kept = set(sorted(at, key=lambda i: (shots[i]["status"] not in _FIRST, abs(i - now)))[: max(1, most - 1)])
    rows = [_row(shots[i]) for i in at if i in kept]
    rest = [shots[i]["status"] for i in at if i not in kept]
    if rest:
        rows.append((f"{len(rest)} more", counted(rest), "", ""))
    return rows


def counted(statuses: Iterable[str]) -> str:
    """How many of each: "12 finished, 3 waiting"."""
    listed = list(statuses)
    return ", ".join(f"{listed.count(status)} {status}" for status in dict.fromkeys(listed))


def effort(state: State) -> str:
    """What the night took, in a line."""
    pace = f"{state['frames_per_minute']:.1f} frames a minute; " if state["frames_per_minute"] else ""
    return f"{pace}memory at most {state['peak_bytes'] / 1e9:.1f} GB"


def summary(state: State) -> str:
    """One line on all of it."""
    gigabytes = [f"{state[key] / 1e9:.1f}" for key in ("memory_bytes", "peak_bytes")]
    said = [f"{state['done']} of {state['total']} frames", f"{state['frames_per_minute']:.1f} a minute"]
    if not state["ended"]:
        said += [
            f"{duration(state['left_s'])} left" if state["left_s"] else "time left is not known yet",
            f"{state['in_flight']} in flight",
        ]
    said.append(f"memory {gigabytes[0]} GB, at most {gigabytes[1]} GB")
    stopping = "; stopping when the frames in flight are finished" if state["stopping"] else ""
    return ", ".join(said) + stopping


def state_text(state: State, *, running: bool) -> str:
    """A night seen from elsewhere, by its state file; ``running`` is whether its program is still there."""
    if since := state.get("checking"):
        return f"begun {local(since)}; the list is being checked, and no frame is begun yet"
    who = f"process {state['process']} on {state['host']}"
    if state["ended"]:
        how = f"ended {local(state['updated'])}"
    elif running:
        how = f"is running ({who}), last heard of {local(state['updated'])}"
    else:
        how = f"was running until about {local(state['updated'])} and is no longer ({who}); the same command goes on"
    lines = [f"begun {local(state['started'])}, {how}", "", *aligned([HEAD, *shot_rows(state)]), "", summary(state)]
    said = [f"{shot['name']}: {_flat(shot['sentence'])}" for shot in state["shots"] if _is_trouble(shot)]
    return "\n".join(lines + ([""] if said else []) + said)


def outcome_lines(shots: Sequence[State]) -> list[str]:
    """What came of each shot, those that need somebody first; shots of which the same is to be said share a line."""
    ordered = sorted(shots, key=lambda shot: not _is_trouble(shot))
    alike: dict[tuple[str, str], list[str]] = {}
    for shot in ordered:
        alike.setdefault((shot["status"], _flat(shot["sentence"])), []).append(shot["name"])
    said = [f"{', '.join(names)}: {status}. {text}" for (status, text), names in alike.items()]
    return [f"{len(shots)} shots: {counted(shot['status'] for shot in ordered)}", *said]


def event_line(event: str, facts: Mapping[str, Any]) -> str | None:
    """An event for people; None for those that the table or the summary tells."""
    shot = facts.get("shot")
    match event:
        case "shot started":
            return f"{shot}: begun, {facts['frames']} frame{'s' if facts['frames'] != 1 else ''}"
        case "shot ended" if facts["status"] not in ("stopped", "waiting"):  # all at once, and told at the end
            return f"{shot}: {facts['status']}. {_flat(facts['sentence'])}"
        case "frame failed":
            return f"{shot}, frame {facts['frame']}: {facts['trouble']}"
        case "retry":
            what = "opening it" if facts["frame"] < 0 else f"frame {facts['frame']}"
            return f"{shot}, {what}: {facts['trouble']} Tried again in {facts['after_s']:g} s."
        case "cluster":
            return str(facts["sentence"])
    return None


def _row(shot: State) -> tuple[str, str, str, str]:
    remarks = []
    if shot["before"]:
        remarks.append(f"{shot['before']} done before")
    if shot.get("stand_ins"):
        remarks.append(shot["stand_ins"])
    if shot["failed"]:
        remarks.append(f"{shot['failed']} failed")
    if shot["resting"]:
        remarks.append("opened again soon" if shot["status"] == "waiting" else f"{shot['resting']} tried again soon")
    frames = "" if shot["status"] == "refused" and not shot["total"] else f"{shot['done']} of {shot['total'] or '?'}"
    return shot["name"], shot["status"], frames, ", ".join(remarks)


def _flat(sentence: str) -> str:
    return " ".join(sentence.split("\n"))


def _is_trouble(shot: State) -> bool:
    return shot["status"] in ("failed", "refused", "stopped", "waiting") and bool(shot["sentence"])
