"""Flicker: what changes in one frame and not in its neighbours, and not in the footage."""

from __future__ import annotations

from collections.abc import Iterator, Mapping

import numpy as np
import numpy.typing as npt

from widegauge.batch.flag import Flag, compare, of
from widegauge.run.record import FrameRecord

Float64 = npt.NDArray[np.float64]

GRAIN_ERRORS = 5.0
"""Standard errors of grain that are allowed: beyond, one frame in two million by chance."""

FLICKER_STOPS = 0.02
"""A frame's change of level may differ so much from its neighbours': a quarter of one printer light, which is 0.025
log exposure or 0.083 stops (common practice, no source)."""

BLUR_OCTAVES = 0.12
"""A part's detail, after against before, may differ so much from its neighbours' (8 %), over what the footage does."""

DETAIL_STOPS = 0.02
"""Laid under the detail of a part: less than that is noise, and its ratio says nothing about blur."""

NEAR = 2
"""So many frames on each side say what one should be like."""

FEWEST_STEPS = 3
"""Steps from frame to frame around one of which the middle is a slope; from fewer, one odd frame would make it."""

AS_STRANGE = 0.75
"""A frame is told that is at least so strange as the strangest of its neighbours."""

ONE_SIDED = 2.0
"""The first and the last frame have neighbours on one side only, which foretell half as well: limits times this."""


def level_flicker(lit: Mapping[int, FrameRecord]) -> Iterator[Flag]:
    """Frames whose level changed otherwise than their neighbours'."""
    numbers = list(lit)
    if not numbers:
        return
    changes = np.array([lit[n].checks["light_stops"] for n in numbers])
    errors = np.array([error_stops(lit[n]) for n in numbers])
    limits = FLICKER_STOPS * _doubt(len(numbers)) + errors
    odd = odd_ones(changes, np.broadcast_to(limits[:, None], changes.shape))
    if odd:
        at, found, limit = _worst(odd)
        yield Flag(
            "level flickers",
            tuple(numbers[i] for i in odd),
            numbers[at],
            found,
            limit,
            "stops",
            f"Frame {numbers[at]} came out {abs(found):.3f} stops {'brighter' if found > 0.0 else 'darker'} than its "
            f"neighbours, and the footage did not; in {of(odd, lit)}.",
            compare(numbers[at]),
        )


def blur_flicker(lit: Mapping[int, FrameRecord]) -> Iterator[Flag]:
    """Frames that lost more or less detail than their neighbours; what the footage's own detail does is allowed."""
    numbers = list(lit)
    if not numbers:
        return
    before, after = (
        np.log2(np.array([lit[n].checks[f"detail_{side}"] for n in numbers]) + DETAIL_STOPS)
        for side in ("before", "after")
    )
    limits = BLUR_OCTAVES * _doubt(len(numbers))[:, None] + np.abs(strangeness(before))
    odd = odd_ones(after - before, limits)
    if odd:
        at, found, limit = _worst(odd)
        yield Flag(
            "blur flickers",
            tuple(numbers[i] for i in odd),
            numbers[at],
            found,
            limit,
            "octaves of detail",
            f"Frame {numbers[at]} has {100.0 * abs(2.0**found - 1.0):.0f} % {'more' if found > 0.0 else 'less'} fine "
            f"detail than its neighbours in a part of the picture, and the footage has not; in {of(odd, lit)}. "
            "Depth that jumps does this.",
            f"hold the depth of frame {numbers[at]} against the frames beside it, then {compare(numbers[at])}",
        )


def error_stops(frame: FrameRecord) -> float:
    """What grain and spread light can do to a frame's mean light."""
    grain, spread = frame.checks["light_error_stops"]
    return GRAIN_ERRORS * float(grain) + float(spread)


def odd_ones(values: Float64, limits: Float64) -> dict[int, tuple[float, float]]:
    """Frames in which one of (frames, parts) values is stranger than its limit: by how much, and the limit.

    An odd frame makes those beside it look odd by half, so only the stranger ones of neighbours are told.
    """
    strange = strangeness(values)
    over = np.abs(strange) / limits
    part, most = over.argmax(axis=1), over.max(axis=1)
    around = np.nanmax([_shifted(most, by) for by in range(-NEAR, NEAR + 1)], axis=0, initial=0.0)
    picked = np.flatnonzero((most > 1.0) & (most > AS_STRANGE * around))
    return {int(i): (float(strange[i, part[i]]), float(limits[i, part[i]])) for i in picked}


def strangeness(values: Float64) -> Float64:
    """How far each of (frames, parts) values lies from the median of its neighbours, along their common slope.

    A steady drift is not strange; of a sudden step both sides are, by half. 0 for fewer than three frames.
    """
    if len(values) <= NEAR:
        return np.zeros_like(values)
    steps = np.concatenate([np.diff(values, axis=0), np.full_like(values[:1], np.nan)])
    near = np.stack([_shifted(steps, by) for by in range(-2 * NEAR, 2 * NEAR) if by not in (-1, 0)])
    near[:, np.isnan(near).sum(axis=0) > len(near) - FEWEST_STEPS] = 0.0
    slope = np.nanmedian(near, axis=0)
    foretold = [_shifted(values, by) - slope * by for by in range(-NEAR, NEAR + 1) if by]
    return np.asarray(values - np.nanmedian(np.stack(foretold), axis=0))


def _shifted(values: Float64, by: int) -> Float64:
    """The values of the frames ``by`` places later; not-a-number beyond the ends."""
    found = np.full(values.shape, np.nan)
    if by > 0:
        found[:-by] = values[by:]
    else:
        found[-by:] = values[: max(0, len(values) + by)]
    return found


def _worst(odd: Mapping[int, tuple[float, float]]) -> tuple[int, float, float]:
    at = max(odd, key=lambda i: abs(odd[i][0]))
    return at, *odd[at]


def _doubt(count: int) -> Float64:
    return np.where(np.isin(np.arange(count), (0, count - 1)), ONE_SIDED, 1.0)
