"""Full stops: exact powers of the square root of two, and the numbers that are marked for them.

Source: Wikipedia, "f-number" (the full-stop series and its markings; ISO 517 governs the markings of still lenses).
"""

from __future__ import annotations

import math

MARKS = ("1", "1.4", "2", "2.8", "4", "5.6", "8", "11", "16", "22", "32", "45", "64")
"""What stands on a lens for 2^(0/2), 2^(1/2), 2^(2/2) ..."""

FASTEST_USUAL = 0.95
"""Common practice, no source: faster lenses are rare, and hardly any covers a large sensor."""


def full_stop(index: int) -> float:
    """The exact f-number of the full stop at ``index`` (0: f/1): 2^(index / 2)."""
    return float(2.0 ** (index / 2.0))


def nearest_full_stop(stop: float) -> int:
    """Index of the marked full stop that lies nearest, counted in stops; held at f/1 and at f/64."""
    return min(max(round(2.0 * math.log2(stop)), 0), len(MARKS) - 1)


def t_number(stop: float, *, transmittance: float) -> float:
    """T = N / sqrt(transmittance) (Wikipedia, "f-number", section T-stops)."""
    return stop / math.sqrt(transmittance)


def stops_slower(stop: float, wanted: float) -> float:
    """Stops by which one f-number is slower than another, 2 log2(stop / wanted); below 0 it is faster."""
    return 2.0 * math.log2(stop / wanted)
