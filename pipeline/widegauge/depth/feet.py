"""Where things touch the ground, and how far away that makes them over a shot."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from widegauge.depth.cutout import Mask
from widegauge.physics.lens import FocusPull

SOLE_FRAC = 0.02
"""The part of a thing's height, from its lowest point, whose middle is its foot's x."""
FEWEST_PX = 2
"""A row with fewer pixels is a splinter, and no foot."""


@dataclass(frozen=True, slots=True)
class Foot:
    """The lowest point of a thing in pixels; ``cut_off`` where the frame ends before it does."""

    x_px: float
    y_px: float
    cut_off: bool


def foot_of(inside: Mask) -> Foot:
    """Where a shape (H, W) touches the ground: its lowest row, whose lower edge counts."""
    height = inside.shape[0]
    counts = np.count_nonzero(inside, axis=1)
    rows = np.flatnonzero(counts >= FEWEST_PX)
    if rows.size == 0:
        return Foot(inside.shape[1] / 2.0, float(height), True)
    low, high = int(rows[-1]), int(rows[0])
    sole = inside[max(high, low - round(SOLE_FRAC * (low - high))) : low + 1]
    x_px = float(np.nonzero(sole)[1].mean()) + 0.5
    return Foot(x_px, low + 1.0, low >= height - 1)


def settled(found: dict[int, float | None], *, drawn: list[int], reach: int) -> dict[int, float]:
    """1/Z by frame: the median over ``reach`` frames on either side; where none of them knows, held from the nearest.

    Nearest on the way from the frames that it was ``drawn`` on (in order, all of them known), so that what is held
    does not depend on which other frames are asked for.
    """
    numbers = sorted(found)
    known = {n: value for n, value in found.items() if value is not None}
    out = {}
    for i, number in enumerate(numbers):
        near = [known[n] for n in numbers[max(0, i - reach) : i + reach + 1] if n in known]
        on_the_way = [n for n in known if (n <= number or n <= drawn[-1]) and (n >= number or n >= drawn[0])]
        out[number] = float(np.median(near)) if near else known[min(on_the_way, key=lambda n: abs(n - number))]
    return out


def taped_m(marks: tuple[tuple[int, float], ...], frame: int) -> float:
    """A distance between taped marks (frame, metres): linear in 1/distance, held beyond, as a focus pull is."""
    return FocusPull(marks).distance_m(frame)
