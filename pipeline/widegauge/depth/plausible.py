"""Whether a line through taped distances makes sense of the whole map, and how firmly the tapes hold its ends."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from widegauge.depth.scale import (
    BEYOND_FRAC,
    FOCUS_TIMES,
    MAP_FRAC,
    TAPE_FRAC,
    Fit,
    Line,
    is_at_focus,
)
from widegauge.errors import MediaError
from widegauge.frame import Float32

END_FRAC = 0.01
"""A map's ends leave out this share of its values: specks."""
MOST_BEYOND_FRAC, MOST_BEHIND_FRAC = 0.75, 0.25
"""A line that puts more of the picture beyond infinity (which may be sky), or behind the lens, is refused."""


@dataclass(frozen=True, slots=True)
class Reach:
    """What a line makes of a whole map.

    near_m, far_m      its ends; infinity is legal
    near_off, far_off  the standard error that tapes and map leave there in 1/Z, as a share of the near end's 1/Z
    beyond_frac        share of what is known that comes out beyond infinity (inverse) or behind the lens (distance)
    """

    is_inverse: bool
    near_m: float
    far_m: float
    near_off: float
    far_off: float
    beyond_frac: float


def ends_of(maps: Sequence[Float32]) -> tuple[float, float]:
    """The smallest and largest known value of some maps, specks left out."""
    low, high = np.quantile(np.concatenate([each[np.isfinite(each)] for each in maps]), [END_FRAC, 1.0 - END_FRAC])
    return float(low), float(high)


def ends_m(depth_m: Float32) -> tuple[float, float]:
    """The nearest and farthest of a map in metres, specks left out; infinity is legal."""
    with np.errstate(divide="ignore"):
        inverse = (np.float32(1.0) / depth_m)[depth_m > 0.0]
        far, near = np.quantile(inverse, [END_FRAC, 1.0 - END_FRAC])
        return float(1.0 / near), float(1.0 / far)


def reach_of(
    fit: Fit,
    maps: Sequence[Float32],
    *,
    values: Sequence[float],
    metres: Sequence[float],
    focus_m: Sequence[float] | None = None,
    is_proportional: bool = False,
) -> Reach:
    """How a fit through ``values`` taped as ``metres`` carries over whole maps; arguments as for fit_line.

    MediaError where nearly all of them would be out of range, with what to tape instead.
    """
    line = fit.line
    low, high = ends_of(maps)
    beyond_frac = _beyond_frac(line, maps, high)
    near, far = (high, low) if line.is_inverse else (low, high)
    used = np.arange(len(values)) != (-1 if fit.wrong is None else fit.wrong)
    q, z = np.asarray(values, np.float64)[used], np.asarray(metres, np.float64)[used]
    at_focus = np.zeros(q.size, bool) if focus_m is None else is_at_focus(z, np.asarray(focus_m, np.float64)[used])
    y = 1.0 / z if line.is_inverse else z
    tape = TAPE_FRAC * y / np.where(at_focus, FOCUS_TIMES, 1.0)
    sigma = np.hypot(tape, line.slope * MAP_FRAC * (high - low))
    columns = [q] if is_proportional else [q, np.ones_like(q)]
    spread = np.linalg.pinv(np.stack(columns, axis=1) / sigma[:, None])
    offs = [float(np.linalg.norm(np.array([end, 1.0])[: len(columns)] @ spread)) for end in (near, far)]
    near_m, far_m = line.metres_at(near), line.metres_at(far)
    if np.isnan(near_m):  # behind the lens, which beyond_frac tells
        near_m = float(np.nanmin(line.metres(np.concatenate([each.ravel() for each in maps]))))
        offs[0] = 0.0
    if not line.is_inverse:  # an error of Z is one of 1/Z by 1 / Z squared
        offs = [off / end**2 for off, end in zip(offs, (near_m, far_m), strict=True)]
    return Reach(line.is_inverse, near_m, far_m, offs[0] * near_m, offs[1] * near_m, beyond_frac)


def refuse_out_of_range(line: Line, values: Float32) -> None:
    """MediaError where a line puts nearly all of a map beyond infinity, with what to tape instead."""
    _beyond_frac(line, [values], ends_of([values])[1])


def _beyond_frac(line: Line, maps: Sequence[Float32], high: float) -> float:
    """Share of the known values that mean no distance, where noise around infinity does; MediaError for most."""
    floor = -BEYOND_FRAC * max(0.0, line.slope * high + line.intercept) if line.is_inverse else 0.0
    known = np.concatenate([each[np.isfinite(each)] for each in maps])
    frac = float(np.mean(known * line.slope + line.intercept < floor))
    if frac > (MOST_BEYOND_FRAC if line.is_inverse else MOST_BEHIND_FRAC):
        where = "beyond infinity" if line.is_inverse else "behind the lens"
        raise MediaError(
            f"through these tapes {100.0 * frac:.0f} % of the picture comes out {where}; tape the nearest and the "
            "farthest thing of the frame, in metres, and look at each one's x, y"
        )
    return frac
