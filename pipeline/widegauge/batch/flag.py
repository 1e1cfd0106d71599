"""A flag, and the words that all flags share."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from widegauge.media.footage import listed


@dataclass(frozen=True, slots=True)
class Flag:
    """One thing to look at.

    name           short, the same for every shot
    frames, worst  those it was found in, and the one to look at
    found, limit   the quantity at its worst, and what is still taken as right, both in ``unit``
    sentence, look what was found, in plain words, and where to look
    """

    name: str
    frames: tuple[int, ...]
    worst: int
    found: float
    limit: float
    unit: str
    sentence: str
    look: str


def frames_named(numbers: Iterable[int]) -> str:
    numbers = list(numbers)
    return f"Frame{'s' if len(numbers) > 1 else ''} {listed(numbers)}"


def was(numbers: Iterable[int], *, past: bool = True) -> str:
    several = len(list(numbers)) > 1
    return ("were" if several else "was") if past else ("are" if several else "is")


def of(some: Iterable[int], of: Iterable[int]) -> str:
    return f"{len(list(some))} of {len(list(of))} frames"


def compare(number: int) -> str:
    return f"widegauge compare RECORD --frame {number} --page look.html"
