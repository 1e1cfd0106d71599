"""What was planned beside what was found, as one table."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from widegauge.report.words import aligned

WITHIN_FRAC = 0.05
"""How far a number that is found may lie from the planned one."""

_HEAD = ("", "unit", "planned", "found", "+-", "found / planned")


@dataclass(frozen=True, slots=True)
class Checked:
    """One line: a quantity as planned, and as found with the standard error that grain leaves (0: none)."""

    quantity: str
    unit: str
    planned: float
    found: float
    error: float = 0.0

    @property
    def ratio(self) -> float:
        """Found over planned; not a number where nothing was found."""
        return self.found / self.planned

    @property
    def agrees(self) -> bool:
        return abs(self.ratio - 1.0) <= WITHIN_FRAC


def checked_text(parts: Mapping[str, Sequence[Checked]]) -> str:
    """A table with a part for each preset's title, and in the end whether all of it agrees."""
    table: list[Sequence[str]] = [_HEAD]
    off: list[str] = []
    for title, rows in parts.items():
        table.append((title,))
        for row in rows:
            sure = f"{row.error:.1g}" if row.error > 0.0 else ""
            mark = "" if row.agrees else "  off"
            cells = (_number(row.planned), _number(row.found), sure, f"{row.ratio:.3f}{mark}")
            table.append((f"  {row.quantity}", row.unit, *cells))
            if not row.agrees:
                off.append(f"{title}: {row.quantity}")
    count = len(table) - 1 - len(parts)
    within = f"{100.0 * WITHIN_FRAC:g} %"
    said = f"All {count} numbers are found within {within} of the plan."
    if off:
        said = f"{count - len(off)} of {count} numbers are found within {within} of the plan; off are {', '.join(off)}."
    # titles would widen the first column
    width = max(len(row[0]) for row in table if len(row) > 1)
    lines = iter(aligned([row if len(row) > 1 else (row[0][:width],) for row in table]))
    return "\n".join([*(row[0] if len(row) == 1 else line for row, line in zip(table, lines, strict=True)), "", said])


def _number(value: float) -> str:
    return f"{value:.4g}" if math.isfinite(value) else "-"
