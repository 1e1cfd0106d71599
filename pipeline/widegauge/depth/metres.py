"""From a depth map's values to metres along the lens axis, and from any whole ratio of sizes to the plate's."""

from __future__ import annotations

import numpy as np

from widegauge.depth.plausible import MOST_BEHIND_FRAC, refuse_out_of_range
from widegauge.depth.scale import Line, fit_line, value_at
from widegauge.errors import MediaError
from widegauge.frame import Float32


def distance_m(values: Float32, *, metres_per_unit: float, invalid: float | None) -> Float32:
    """Values that are distances; ``invalid`` ones become not-a-number, infinity stays.

    MediaError for distances below 0 that are not marked as invalid.
    """
    below = values < 0.0 if invalid is None else (values < 0.0) & (values != np.float32(invalid))
    if below.any():
        raise MediaError(
            f"{np.count_nonzero(below)} depth values are below 0 (smallest {values[below].min():g}); "
            "distances are above 0: check depth.kind, or state depth.invalid"
        )
    return _marked(values * np.float32(metres_per_unit), values, invalid)


def disparity_m(
    values: Float32, *, focal_px: float, baseline_m: float, offset_px: float, invalid: float | None
) -> Float32:
    """Z = focal_px baseline_m / (d + offset_px) of a rectified pair; infinity where d + offset is 0.

    MediaError where a quarter of what is known would lie behind the lens.
    """
    known = np.isfinite(values) if invalid is None else np.isfinite(values) & (values != np.float32(invalid))
    behind = float(np.mean(values[known] + np.float32(offset_px) < 0.0)) if known.any() else 0.0
    if behind > MOST_BEHIND_FRAC:
        raise MediaError(
            f"{100.0 * behind:.0f} % of the disparities are below {0.0 - offset_px:g} px, which lies behind the lens: "
            "near things have large ones. Check depth.offset_px and its sign, or give the other view's maps"
        )
    with np.errstate(divide="ignore"):
        metres = np.float32(focal_px * baseline_m) / (values + np.float32(offset_px))
    return _marked(metres, values, invalid)


def inverse_m(values: Float32, *, slope: float, intercept: float, invalid: float | None) -> Float32:
    """1/Z = slope q + intercept; beyond infinity (1/Z at or below 0) is infinity."""
    return _marked(Line(slope, intercept, is_inverse=True).metres(values), values, invalid)


def fit_inverse(
    values: Float32, taped: tuple[tuple[float, float, float], ...], *, invalid: float | None = None
) -> tuple[float, float]:
    """Slope and intercept of 1/Z = a q + b through taped distances (x, y as fractions; metres).

    MediaError when no line goes through them, one of three or more does not lie on it, or most of the map would lie
    beyond infinity.
    """
    if invalid is not None:
        values = np.where(values == np.float32(invalid), np.float32(np.nan), values)
    fit = fit_line([value_at(values, x, y) for x, y, _ in taped], [m for *_, m in taped], is_inverse=True)
    if fit.wrong is not None:
        x, y, metres = taped[fit.wrong]
        raise MediaError(
            f"the taped distances disagree; {'' if fit.is_sure else 'most likely '}{metres:g} m at {x:g}, {y:g} is "
            "wrong. Tape it again or take it out; `widegauge depth scale` shows how far off each is"
        )
    refuse_out_of_range(fit.line, values)
    return fit.line.slope, fit.line.intercept


def to_plate(depth_m: Float32, *, footage_px: tuple[int, int], plate_px: tuple[int, int], name: str) -> Float32:
    """A map at the plate's (width, height), each value one of its own: never interpolated.

    A plate's pixel that covers several of the map's has light of them all; it takes the nearest surface, since light
    of a near thing left at a far one's depth would vanish behind the near thing when both are blurred. The map may be
    smaller than the footage by a whole ratio; any other size is a MediaError with both sizes.
    """
    height, width = depth_m.shape
    if not fits(depth_px=(width, height), footage_px=footage_px):
        raise MediaError(sizes_differ(name, depth_px=(width, height), footage_px=footage_px))
    if (width, height) == plate_px:
        return depth_m
    for axis in (0, 1):
        depth_m = _resampled(depth_m, plate_px[1 - axis], axis)
    return np.ascontiguousarray(depth_m)


def fits(*, depth_px: tuple[int, int], footage_px: tuple[int, int]) -> bool:
    """Whether a map's size is the footage's, or smaller by one whole ratio."""
    ratio = footage_px[0] // depth_px[0]
    return ratio >= 1 and footage_px == (depth_px[0] * ratio, depth_px[1] * ratio)


def sizes_differ(name: str, *, depth_px: tuple[int, int], footage_px: tuple[int, int]) -> str:
    """The sentence for a depth map of another size."""
    return (
        f"{name}: depth is {depth_px[0]} x {depth_px[1]}, the footage {footage_px[0]} x {footage_px[1]}. "
        "Give depth of the footage's size, or smaller by a whole ratio."
    )


def at_point(depth_m: Float32, point: tuple[float, float]) -> float:
    """The median of known depth in 5 x 5 pixels around x, y (fractions); MediaError where none is known."""
    height, width = depth_m.shape
    x, y = min(int(point[0] * width), width - 1), min(int(point[1] * height), height - 1)
    patch = depth_m[max(0, y - 2) : y + 3, max(0, x - 2) : x + 3]
    known = patch[np.isfinite(patch) & (patch > 0.0)]
    if known.size == 0:
        raise MediaError(f"focus.point {point[0]:g}, {point[1]:g} lies where no depth is known; move it, or tape it")
    return float(np.median(known))


def _marked(metres: Float32, values: Float32, invalid: float | None) -> Float32:
    metres = metres.astype(np.float32, copy=False)
    unknown = np.isnan(values) | (metres <= 0.0)
    if invalid is not None:
        unknown |= values == np.float32(invalid)
    return np.where(unknown, np.float32(np.nan), metres)


def _resampled(depth_m: Float32, count: int, axis: int) -> Float32:
    """``count`` values along an axis: of fewer than there are, each the smallest known one of those that it covers."""
    source = depth_m.shape[axis]
    starts = np.arange(count) * source / count
    if count >= source:
        middles = np.minimum((starts + 0.5 * source / count).astype(np.intp), source - 1)
        return np.asarray(np.take(depth_m, middles, axis=axis))
    return np.asarray(np.fmin.reduceat(depth_m, np.rint(starts).astype(np.intp), axis=axis))
