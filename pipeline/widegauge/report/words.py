"""Lengths and columns as text."""

from __future__ import annotations

import math
from collections.abc import Sequence

FOOT_M = 0.3048
"""Exact (international foot)."""


def metres(value: float | None) -> str:
    """A distance to the centimetre, to the millimetre below 1 m and to its tenth below 0.5 m; "-" for None."""
    if value is None:
        return "-"
    if math.isinf(value):
        return "infinity"
    return f"{value:.2f} m" if abs(value) >= 1.0 else f"{value:.3f} m" if abs(value) >= 0.5 else f"{value:.4f} m"


def feet(value: float | None) -> str:
    """A distance in feet and inches, to the quarter inch; "-" for None."""
    if value is None:
        return "-"
    if math.isinf(value):
        return "infinity"
    whole, rest = divmod(round(value / FOOT_M * 48.0), 48)
    inches, quarter = divmod(rest, 4)
    small = f"{inches}{('', '¼', '½', '¾')[quarter]} in"
    return f"{whole} ft {small}" if whole else small


def percent(frac: float) -> str:
    """A share to a thousandth of a per cent: a pixel of a large frame is some 0.02 %."""
    return f"{100.0 * frac:.3f} %"


def aligned(rows: Sequence[Sequence[str]]) -> list[str]:
    """Cells in columns as wide as their widest."""
    widths = [max(len(row[i]) for row in rows if i < len(row)) for i in range(max(len(row) for row in rows))]
    return ["  ".join(cell.ljust(widths[i]) for i, cell in enumerate(row)).rstrip() for row in rows]
