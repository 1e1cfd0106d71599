"""From a relative map's values to metres: the line through taped distances, and which tape does not lie on it.

An inverse map is a straight line in 1 / distance, whatever its unit: 1/Z = slope q + intercept. A relative distance
map is one in the distance: Z = slope q + intercept. Two tapes give the line. Three or more also tell whether they
agree, and which one does not: each is left out in turn, and the one without which the others agree is wrong.

With three tapes any two lie on a line, so the numbers alone can't tell. Then it must be something else: a line that
runs the wrong way, puts what the map shows behind infinity (or behind the lens), or asks that the tape at the focus
distance be wrong, though the lens was focused there, is no line.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from widegauge.errors import MediaError
from widegauge.frame import Float32

TAPE_FRAC = 0.03
"""Standard error of a taped distance, as a share of it (common practice, no source: an arm's length at 15 m)."""
MAP_FRAC = 0.01
"""Standard error of a map's value, as a share of what the tapes span."""
FOCUS_FRAC, FOCUS_TIMES = 0.03, 4.0
"""A tape so near the focus distance is the focus, and counts as so many times surer: its blur must be none."""
WRONG_SIGMA = 2.5
"""Tapes disagree where they lie so many standard errors off the line (root mean square, a degree of freedom)."""
BEYOND_FRAC = 0.05
"""The map's far end may lie beyond infinity by this share of its near end's 1 / distance: noise."""
SAME_FRAC = 1e-6
"""Values that differ by less than this share of the largest are the same."""
INFINITY_M = 1e9
"""Farther than this is infinity, and not a number with rounding in it."""
PATCH_PX = 5
"""A tape's place is read as the median of so many pixels each way."""

Float64 = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Line:
    """What a value means: 1/Z = slope q + intercept of an inverse map, Z = slope q + intercept of a distance map."""

    slope: float
    intercept: float
    is_inverse: bool

    def metres(self, values: Float32) -> Float32:
        """Distances (float32); at and beyond infinity is infinity, at and behind the lens not-a-number."""
        found = values.astype(np.float64) * self.slope + self.intercept
        if self.is_inverse:
            with np.errstate(divide="ignore"):
                found = np.where(found > INFINITY_M**-1, 1.0 / found, np.where(np.isnan(found), np.nan, np.inf))
        return np.where(found > 0.0, found, np.nan).astype(np.float32)

    def metres_at(self, value: float) -> float:
        """The distance that one value means."""
        return float(self.metres(np.asarray([value], dtype=np.float32))[0])


@dataclass(frozen=True, slots=True)
class Fit:
    """A line through tapes.

    wrong     index of the tape that was left out, or None
    is_sure   whether it must be that one, or is only the likeliest
    """

    line: Line
    wrong: int | None = None
    is_sure: bool = True


@dataclass(frozen=True, slots=True)
class Tape:
    """A taped distance: x, y as fractions of the footage, metres (infinity: sky), frame (None: the shot's first)."""

    x: float
    y: float
    metres: float
    frame: int | None = None

    def __str__(self) -> str:
        return f"{self.x:g},{self.y:g},{self.metres:g}" + ("" if self.frame is None else f"@{self.frame}")


@dataclass(frozen=True, slots=True)
class Found:
    """A tape beside what its line makes of its place.

    found_m   distance in the scaled map
    value     of the map
    focus_m   where the lens was focused then, or None
    is_wrong  left out of its line
    is_sure   whether that must be so; else it is the likeliest
    """

    tape: Tape
    value: float
    found_m: float
    focus_m: float | None
    is_wrong: bool
    is_sure: bool

    @property
    def is_at_focus(self) -> bool:
        return self.focus_m is not None and bool(is_at_focus(np.array([self.tape.metres]), np.array([self.focus_m]))[0])


def is_at_focus(metres: Float64, focus_m: Float64) -> npt.NDArray[np.bool_]:
    """Whether taped distances are the focus distance."""
    with np.errstate(invalid="ignore"):  # both may be infinity
        return np.asarray(np.abs(metres / focus_m - 1.0) <= FOCUS_FRAC)


def fit_line(
    values: Sequence[float],
    metres: Sequence[float],
    *,
    is_inverse: bool,
    focus_m: Sequence[float] | None = None,
    is_proportional: bool = False,
    ends: tuple[float, float] | None = None,
) -> Fit:
    """The line through taped places: ``values`` of the map there, and ``metres`` (infinity: sky; inverse maps only).

    Weighted least squares in the map's own measure (1/Z, or Z); one wrong tape is found and left out.
    ``focus_m`` is where the lens was focused when each was taped (a frame's focus). ``is_proportional`` takes the
    intercept for 0. ``ends`` are the smallest and largest value that the map holds.
    MediaError where no line can be had, with what to tape instead.
    """
    q, z = np.asarray(values, dtype=np.float64), np.asarray(metres, dtype=np.float64)
    at_focus = np.zeros(q.size, dtype=bool) if focus_m is None else is_at_focus(z, np.asarray(focus_m, np.float64))
    y = 1.0 / z if is_inverse else z
    tapes = _Tapes(q, y, _sigma(y, at_focus), is_inverse, is_proportional)
    _refuse_too_few(tapes)
    everyone = np.ones(q.size, dtype=bool)
    if tapes.freedom(everyone) == 0 or tapes.off(everyone) <= WRONG_SIGMA:
        line = tapes.line(everyone)
        if line.slope <= 0.0:
            raise MediaError(_runs_backwards(is_inverse))
        return Fit(line)
    fits = list(_each_left_out(tapes))
    agreeing = [(i, line) for i, line, off in fits if off <= WRONG_SIGMA and _is_plausible(line, ends)]
    if len(agreeing) > 1 and at_focus.sum() == 1:  # two that claim it may be one that is wrong
        agreeing = [(i, line) for i, line in agreeing if not at_focus[i]] or agreeing
    if not agreeing:
        raise MediaError(
            "the tapes disagree, and leaving one out does not help: more than one is wrong, or the map is not "
            f"{'an inverse' if is_inverse else 'a distance'} map; tape them again, with x, y where the tape ended, "
            "or state the other kind"
        )
    if len(agreeing) == 1:
        return Fit(agreeing[0][1], agreeing[0][0])
    index, line = min(agreeing, key=lambda each: _far_end(each[1], ends))
    return Fit(line, index, is_sure=False)


@dataclass(frozen=True, slots=True)
class _Tapes:
    """Places on a line: map value, its measure (1/Z or Z) and that one's standard error."""

    q: Float64
    y: Float64
    sigma: Float64
    is_inverse: bool
    is_proportional: bool

    def freedom(self, used: npt.NDArray[np.bool_]) -> int:
        return int(used.sum()) - (1 if self.is_proportional else 2)

    def line(self, used: npt.NDArray[np.bool_]) -> Line:
        """Weighted least squares through the used ones."""
        q, y, w = self.q[used], self.y[used], self.sigma[used] ** -2.0
        q0, y0 = (0.0, 0.0) if self.is_proportional else (np.average(q, weights=w), np.average(y, weights=w))
        slope = np.sum(w * (q - q0) * (y - y0)) / np.sum(w * (q - q0) ** 2)
        return Line(float(slope), float(y0 - slope * q0), self.is_inverse)

    def off(self, used: npt.NDArray[np.bool_]) -> float:
        """How many standard errors the used ones lie off their line, a degree of freedom; 0 where there is none."""
        line = self.line(used)
        residual = (self.q * line.slope + line.intercept - self.y) / self.sigma
        return math.sqrt(float(np.sum(residual[used] ** 2)) / self.freedom(used)) if self.freedom(used) else 0.0

    def differs(self, used: npt.NDArray[np.bool_]) -> bool:
        """Whether the used ones have values that a line can go through."""
        q = self.q[used]
        apart = np.abs(q).max() if self.is_proportional else np.ptp(q)
        return bool(apart > SAME_FRAC * max(float(np.abs(q).max()), 1e-30))


def _sigma(y: Float64, at_focus: npt.NDArray[np.bool_]) -> Float64:
    """Standard error of each tape in the map's measure."""
    sigma = np.hypot(TAPE_FRAC * y, MAP_FRAC * max(float(np.ptp(y)), 0.1 * float(y.max())))
    return np.asarray(np.where(at_focus, sigma / FOCUS_TIMES, sigma), dtype=np.float64)


def _each_left_out(tapes: _Tapes) -> Iterator[tuple[int, Line, float]]:
    """Each tape with the line of the others, and how far off that the others are."""
    for i in range(tapes.q.size):
        others = np.arange(tapes.q.size) != i
        if tapes.differs(others):
            yield i, tapes.line(others), tapes.off(others)


def _is_plausible(line: Line, ends: tuple[float, float] | None) -> bool:
    """Whether a line runs the right way and keeps what the map shows between the lens and infinity."""
    if line.slope <= 0.0:
        return False
    if ends is None:
        return True
    low, high = (line.slope * q + line.intercept for q in ends)
    return low >= -BEYOND_FRAC * high if line.is_inverse else low > 0.0


def _far_end(line: Line, ends: tuple[float, float] | None) -> float:
    """How far a line is from one that puts the map's far end at infinity (inverse), or its 0 at the lens."""
    if line.is_inverse and ends is not None:
        low, high = (line.slope * q + line.intercept for q in ends)
        return abs(low) / high
    return abs(line.intercept)


def _refuse_too_few(tapes: _Tapes) -> None:
    everyone = np.ones(tapes.q.size, dtype=bool)
    if tapes.freedom(everyone) < 0:
        raise MediaError("one tape gives no line; tape a near and a far point (or say that the map is proportional)")
    if not np.isfinite(tapes.q).all():
        raise MediaError("the depth map is not known at a taped place; tape a place where it is")
    if not tapes.differs(everyone):
        raise MediaError("the depth map has no two different values at the taped places; tape a near and a far point")
    if not tapes.is_proportional and np.ptp(tapes.y) <= SAME_FRAC * np.abs(tapes.y).max():
        raise MediaError("all tapes say the same distance; tape a near and a far point")


def value_at(values: Float32, x: float, y: float) -> float:
    """The median of what is known in PATCH_PX x PATCH_PX values around x, y (fractions); not-a-number for none."""
    height, width = values.shape
    row, column = min(int(y * height), height - 1), min(int(x * width), width - 1)
    half = PATCH_PX // 2
    patch = values[max(0, row - half) : row + half + 1, max(0, column - half) : column + half + 1]
    known = patch[np.isfinite(patch)]
    return float(np.median(known)) if known.size else math.nan


def _runs_backwards(is_inverse: bool) -> str:
    if is_inverse:
        return (
            "values rise with the taped distance, but in an inverse map near is large: state the kind as distance, "
            "or look whether two tapes were exchanged"
        )
    return (
        "values fall with the taped distance, but in a distance map far is large: state the kind as inverse, "
        "or look whether two tapes were exchanged"
    )
