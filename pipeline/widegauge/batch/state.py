"""What a night looks like at a moment: for the table, and in a file for who looks on from elsewhere."""

from __future__ import annotations

import json
import os
import socket
import time
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from widegauge import __version__
from widegauge.batch.memory import tree_bytes
from widegauge.batch.night import Night
from widegauge.batch.outcome import Outcome
from widegauge.batch.underway import Underway
from widegauge.errors import mistake
from widegauge.run.clock import utc_now
from widegauge.run.lock import LOCK_NAME, is_held
from widegauge.run.record import replace_text

STATE_NAME = ".batch.state.json"


class State:
    """Keeps count of a night; ``now`` is all of it as plain words and numbers."""

    def __init__(self, *, refused: Sequence[Outcome], seconds: dict[str, float]) -> None:
        """``seconds`` is what the check expects a frame to take, by the shot's name."""
        self.peak_bytes = 0
        self._refused, self._seconds = refused, seconds
        self._started, self._started_s = utc_now(), time.monotonic()

    def now(self, night: Night, *, ended: bool = False) -> dict[str, Any]:
        memory = tree_bytes()
        self.peak_bytes = max(self.peak_bytes, memory)
        shots = [_shot(shot) for shot in night.shots]
        minutes = max(time.monotonic() - self._started_s, 1e-9) / 60
        return {
            "widegauge": __version__,
            "host": socket.gethostname(),
            "process": os.getpid(),
            "started": self._started,
            "updated": utc_now(),
            "ended": ended,
            "stopping": night.stopped and not ended,
            "in_flight": night.in_flight,
            "memory_bytes": memory,
            "peak_bytes": self.peak_bytes,
            "total": sum(shot["total"] for shot in shots),
            "done": sum(shot["done"] for shot in shots),
            "frames_per_minute": sum(shot.worked for shot in night.shots) / minutes,
            "left_s": self._left_s(night.shots, night.hands),
            "shots": shots + [_outcome(outcome) for outcome in self._refused],
        }

    def _left_s(self, shots: Sequence[Underway], hands: int) -> float | None:
        """Frames left, each by its shot's own mean, else by the check, else by the mean of all; None when unknown."""
        worked = sum(shot.worked for shot in shots)
        mean_s = sum(shot.worked_s for shot in shots) / worked if worked else None
        left_s = 0.0
        for shot in shots:
            left = len(shot.waiting) + shot.away + len(shot.resting) if shot.is_open else len(shot.numbers)
            if shot.outcome or not left:
                continue
            each_s = shot.worked_s / shot.worked if shot.worked else self._seconds.get(shot.entry.name, mean_s)
            if each_s is None:
                return None
            left_s += left * each_s
        return left_s / max(hands, 1)


def save_state(out: Path, state: dict[str, Any]) -> None:
    """Replace the state file; a full disk keeps the one before."""
    try:
        replace_text(out / STATE_NAME, json.dumps(state, ensure_ascii=False))
    except OSError:
        return


def read_state(out: Path) -> tuple[dict[str, Any], bool]:
    """The latest state of the night in a folder, and whether its program still runs; SettingsError without one.

    While it is being checked there is none yet, at most that of an earlier run: then only ``checking``, since when.
    """
    state, since = _read(out / STATE_NAME), _read(out / LOCK_NAME).get("since", "")
    running = is_held(out)
    if running and since > state.get("started", ""):
        return {"checking": since}, True
    if not state:
        raise mistake(out, "", None, "holds no batch", "Name the folder that was given as --out")
    return state, running


def _read(path: Path) -> dict[str, Any]:
    """What a file of ours says; nothing when it says nothing."""
    try:
        said = json.loads(path.read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return {}
    return said if isinstance(said, dict) else {}


def _shot(shot: Underway) -> dict[str, Any]:
    if shot.outcome:
        return _outcome(shot.outcome)
    status = "working" if shot.has_begun else "opening" if shot.opening else "waiting"
    return {
        "name": shot.entry.name,
        "status": status,
        "total": len(shot.numbers),
        "done": shot.done,
        "before": shot.before,
        "stand_ins": "",
        "failed": len(shot.troubles),
        "resting": len(shot.resting),
        "sentence": "",
    }


def _outcome(outcome: Outcome) -> dict[str, Any]:
    return {
        "name": outcome.entry.name,
        "status": outcome.status,
        "total": outcome.total,
        "done": outcome.done,
        "before": outcome.before,
        "stand_ins": outcome.stand_ins,
        "failed": len(outcome.troubles),
        "resting": 0,
        "sentence": outcome.sentence,
    }
