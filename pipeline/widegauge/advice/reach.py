"""The other way round: which lenses on this camera would give the negative's view and depth of field."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass

from widegauge.advice.field import blur_at_infinity_frac
from widegauge.physics import stops
from widegauge.plan import Plan

REDUCERS = (1.0, 0.71, 0.64)
"""Magnifications of the focal reducers that are made for small sensors; common practice, no source."""

SAME_STOP = 0.05
"""A twentieth of a stop: no iris is set more finely."""


@dataclass(frozen=True, slots=True)
class Reach:
    """A lens that would do, by its own marks, and what the nearest full stop on it leaves short.

    reducer                    magnification of the focal reducer behind it
    focal_mm, stop, t_number   exact; the T-number only where the shot gives a transmittance
    mark, full_stop            the nearest full stop's marking and its exact f-number
    short_stops                what the full stop falls short of the negative's depth of field; below 0: it goes past
    blur_frac, wanted_frac     blur diameter at infinity over the width, at the full stop and as wanted
    image_circle_mm            diameter that the lens must cover
    """

    reducer: float
    focal_mm: float
    stop: float
    t_number: float | None
    mark: str
    full_stop: float
    short_stops: float
    blur_frac: float | None
    wanted_frac: float | None
    image_circle_mm: float

    @property
    def on_a_full_stop(self) -> bool:
        return abs(self.short_stops) < SAME_STOP

    @property
    def is_rare(self) -> bool:
        """Faster than lenses usually are."""
        return self.stop < stops.FASTEST_USUAL


def reaches(plan: Plan, extra_reducers: Iterable[float] = ()) -> tuple[Reach, ...]:
    """One lens for each focal reducer, none (1.0) first."""
    camera, wanted_mm = plan.setup.camera, plan.setup.negative.entrance_pupil_mm
    transmittance = plan.shot.lens.transmittance
    found = []
    for reducer in sorted({*REDUCERS, *extra_reducers, plan.shot.lens.focal_reducer}, key=lambda m: (m != 1.0, -m)):
        focal_mm = camera.focal_mm / reducer
        exact = focal_mm / wanted_mm
        index = stops.nearest_full_stop(exact)
        full = stops.full_stop(index)
        found.append(
            Reach(
                reducer=reducer,
                focal_mm=focal_mm,
                stop=exact,
                t_number=None if transmittance is None else stops.t_number(exact, transmittance=transmittance),
                mark=f"f/{stops.MARKS[index]}",
                full_stop=full,
                short_stops=stops.stops_slower(full, exact),
                blur_frac=blur_at_infinity_frac(plan, focal_mm / full),
                wanted_frac=blur_at_infinity_frac(plan, wanted_mm),
                image_circle_mm=math.hypot(camera.width_mm, camera.height_mm) / reducer,
            )
        )
    return tuple(found)
