"""Stops, ratios, frame numbers and rates: the few notations that people write by hand."""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from fractions import Fraction

_STOP = re.compile(r"^\s*(f/|T)\s*(\d+(?:\.\d+)?)\s*$")
_RANGE = re.compile(r"^\s*(\d+)(?:\s*-\s*(\d+)(?:\s*x\s*(\d+))?)?\s*$")

MOST_FRAMES = 1_000_000
"""Of a range: eleven hours and a half at 24 frames a second."""


@dataclass(frozen=True, slots=True)
class Stop:
    """A lens's stop as marked: an f-number, or a T-number when ``is_t`` holds."""

    number: float
    is_t: bool

    def f_number(self, *, transmittance: float = 1.0) -> float:
        """The f-number: N = T sqrt(transmittance) (Wikipedia, "f-number", section T-stops)."""
        return self.number * math.sqrt(transmittance) if self.is_t else self.number

    def __str__(self) -> str:
        return f"T{self.number:g}" if self.is_t else f"f/{self.number:g}"


def parse_stop(text: str) -> Stop:
    """Read "f/2.8" or "T1.5"; ValueError on anything else, and on zero."""
    match = _STOP.match(text)
    if not match or float(match[2]) <= 0:
        raise ValueError('a stop is written "f/2.8" or "T1.5"')
    return Stop(float(match[2]), match[1] == "T")


def parse_ratio(text: str) -> float:
    """Read a frame ratio, "1.43" or "16:9"; ValueError outside 0.2 to 5."""
    parts = text.split(":")
    try:
        ratio = float(parts[0]) / float(parts[1]) if len(parts) == 2 else float(text)
    except (ValueError, ZeroDivisionError):
        ratio = math.nan
    if not 0.2 <= ratio <= 5.0:
        raise ValueError('a ratio is written "1.43" or "16:9" and lies between 0.2 and 5')
    return ratio


def parse_frames(text: str) -> range:
    """Read a frame range, "1001", "1001-1048" or "1001-1048x2" (both ends included); ValueError otherwise."""
    match = _RANGE.match(text)
    if not match:
        raise ValueError('frames are written "1001-1048" or "1001-1048x2"')
    first, last, step = int(match[1]), int(match[2] or match[1]), int(match[3] or 1)
    if last < first or step < 1:
        raise ValueError("the last frame comes before the first, or the step is 0")
    if (last - first) // step >= MOST_FRAMES:
        raise ValueError(f"a range holds at most {MOST_FRAMES} frames")
    return range(first, last + 1, step)


def parse_rate(text: str) -> Fraction:
    """Read a frame rate, "24" or "24000/1001"; ValueError unless it is above 0."""
    try:
        rate = Fraction(text)
    except (ValueError, ZeroDivisionError):
        rate = Fraction(0)
    if rate <= 0:
        raise ValueError('a rate is written "24" or "24000/1001"')
    return rate


def parse_scale(text: str) -> Fraction:
    """Read the size of a proxy, "1/4" or "1"; ValueError outside (0, 1]."""
    try:
        scale = Fraction(text)
    except (ValueError, ZeroDivisionError):
        scale = Fraction(0)
    if not 0 < scale <= 1:
        raise ValueError('a proxy is written "1/4" and is not larger than 1')
    return scale


def stops_between(a: float, b: float) -> float:
    """Stops from ``a`` up to ``b``, both in linear light: log2(b / a)."""
    return math.log2(b / a)
