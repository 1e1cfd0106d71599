"""What the footage can't give, in plain words."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from widegauge.physics import transfer
from widegauge.physics.stops import t_number
from widegauge.plan import Plan
from widegauge.stages.mtf import FARTHEST_CPMM, footage_response, negative_response

LIMITING_RESPONSE = 0.1
"""A pattern at a tenth of its contrast is at the limit of being resolved; common practice, no source."""

GREEN = 1
_CPMM = np.arange(0.0, FARTHEST_CPMM, 0.05)


@dataclass(frozen=True, slots=True)
class Detail:
    """Resolved detail in the green record.

    negative_cycles             across the picture, to a tenth of full response
    nyquist_cycles              across the picture, at most, by the footage's pixels
    footage_cpmm, negative_cpmm MTF50 on the negative's scale; held at the farthest frequency looked at
    """

    negative_cycles: float
    nyquist_cycles: float
    footage_cpmm: float
    negative_cpmm: float

    @property
    def share_frac(self) -> float:
        """Share of the negative's cycles that the footage has pixels for."""
        return min(1.0, self.nyquist_cycles / self.negative_cycles)


def detail(plan: Plan) -> Detail:
    """Compare the negative's response with the footage's pixels and response."""
    setup = plan.setup
    response = negative_response(_CPMM, setup, GREEN)
    limit_cpmm = float(np.interp(-LIMITING_RESPONSE, -response, _CPMM))
    return Detail(
        negative_cycles=limit_cpmm * setup.negative.width_mm,
        nyquist_cycles=setup.raster.exact_width_px / max(1.0, setup.raster.scale) / 2.0,
        footage_cpmm=transfer.frequency_at(footage_response(_CPMM / setup.px_per_mm, setup), _CPMM) or FARTHEST_CPMM,
        negative_cpmm=transfer.frequency_at(response, _CPMM) or FARTHEST_CPMM,
    )


def limits(plan: Plan) -> tuple[str, ...]:
    """A sentence for everything that the negative would have and the footage can't be given, and for what it keeps."""
    return (_depth(plan), *_detail(plan), *_noise(plan))


def _depth(plan: Plan) -> str:
    stops = plan.depth_of_field_stops
    if stops > 0.0:
        return f"Depth of field: too deep by {stops:.2f} stops, which defocus can add."
    if stops > -0.005:
        return "Depth of field: the footage has the negative's already."
    lens = plan.shot.lens
    match = lens.focal_mm / plan.setup.negative.entrance_pupil_mm
    mark = (
        f"T{t_number(match, transmittance=lens.transmittance or 1.0):.2g}"
        if lens.marked_stop.is_t
        else f"f/{match:.2g}"
    )
    return (
        f"Depth of field: already shallower, by {-stops:.2f} stops, and it can't be made deeper; "
        f"the lens set to {mark} would have the negative's."
    )


def _detail(plan: Plan) -> tuple[str, str]:
    found = detail(plan)
    negative, pixels = _thousands(found.negative_cycles), _thousands(2.0 * found.nyquist_cycles)
    if found.share_frac < 1.0:
        first = (
            f"Pixels: too few. The negative would resolve {negative} cycles across the picture (green, to a tenth of "
            f"full response), {pixels} pixels hold {_thousands(found.nyquist_cycles)} at most, "
            f"{100.0 * found.share_frac:.0f} % of them; the rest can't be made up."
        )
    else:
        first = f"Pixels: enough, {pixels} for the {negative} cycles across the picture that the negative resolves."
    numbers = f"MTF50 {found.footage_cpmm:.1f} cycles/mm on the negative's scale against {found.negative_cpmm:.1f}"
    if found.footage_cpmm < found.negative_cpmm:
        return first, f"Detail: already softer ({numbers}), and nothing is sharpened."
    return first, f"Detail: finer than the negative's ({numbers}), which mtf brings down."


def _noise(plan: Plan) -> tuple[str, ...]:
    for stage in plan.stages:
        if stage.name == "grain" and stage.planned is not None:
            for row in stage.planned.rows:
                if row.footage and row.negative and "G" in row.quantity and row.footage > row.negative:
                    return (
                        f"Grain: at mid-grey already noisier than the negative would be grainy ({row.footage:.2g} "
                        f"against {row.negative:.2g} {row.unit}); noise is not taken away.",
                    )
    return ()


def _thousands(value: float) -> str:
    return f"{value:,.0f}".replace(",", "\u00a0")
