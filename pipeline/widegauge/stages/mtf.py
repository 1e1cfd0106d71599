"""mtf: bring resolved detail down to what the large negative would have kept; never up."""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass

import numpy as np

from widegauge.frame import Float32, Frame
from widegauge.kernels.overlap import convolve, spectra
from widegauge.physics import transfer
from widegauge.stages.stage import NOTHING, Row, Settings, Setup, Stage

STEP_CPP = 1.0 / 1024.0
NYQUIST_CPP = 0.5
FARTHEST_CPMM = 500.0
"""Past any MTF50 of a lens, an emulsion or a raster here."""

RECORDS = ("R", "G", "B")
_FREQUENCIES_CPP = np.arange(0.0, 1.14, STEP_CPP)

VISIBLE_RESPONSE = 0.01
"""A response lowered by less than this anywhere counts as nothing: slanted edges are measured no finer."""

FARTHEST_PX = 24
"""No tap of the kernel lies farther out; one that falls as film's does has lost its weight by then."""


class MtfSettings(Settings):
    """How resolved detail is brought down; strength s takes the s-th power of the response that is added."""


@dataclass(frozen=True, slots=True)
class MtfPlan:
    """What is taken: responses of the three records on a tile, and the share of white noise that they leave."""

    rows: tuple[Row, ...]
    note: str
    acts: bool
    reach_px: int
    response: Float32
    noise_gain: float


def plan(settings: MtfSettings, setup: Setup) -> MtfPlan:
    """For each record min(1, negative / footage), so that the finished response is the lesser of the two."""
    added = [_added(setup, record, settings.strength) for record in range(3)]
    lowered = [response is not None for response in added]
    kernels = [_kernel(response) for response in added]
    reach_px = max(_reach_px(kernel) for kernel in kernels)
    used = slice(FARTHEST_PX - reach_px, FARTHEST_PX + reach_px + 1)
    kernels = [kernel[used, used] for kernel in kernels]
    acts = any(lowered)
    return MtfPlan(
        rows=_rows(setup, added),
        note=_note(lowered, settings.strength, bool(setup.camera_mtf)),
        acts=acts,
        reach_px=reach_px if acts else 0,
        response=spectra(kernels),
        noise_gain=float(np.mean([np.sum(kernel * kernel) for kernel in kernels])),
    )


def apply(plan: MtfPlan, frame: Frame) -> Frame:
    """Filter a frame, and tell how much of the footage's noise is left."""
    rgb = convolve(frame.rgb, plan.response, reach_px=plan.reach_px)
    gain = np.float32(plan.noise_gain)
    left = np.full(rgb.shape[:2], gain, np.float32) if frame.noise_left is None else frame.noise_left * gain
    return dataclasses.replace(frame, rgb=rgb, noise_left=left)


def _added(setup: Setup, record: int, strength: float) -> transfer.Float64 | None:
    """The response to lay over a record, at ``_FREQUENCIES_CPP``; None where it would lower too little to see."""
    footage = footage_response(_FREQUENCIES_CPP, setup)
    negative = negative_response(_FREQUENCIES_CPP * setup.px_per_mm, setup, record)
    response = transfer.remaining(target=negative, source=footage) ** strength
    used = _FREQUENCIES_CPP <= NYQUIST_CPP
    lowered = float(np.max(footage[used] * (1.0 - response[used])))
    beyond = np.minimum(response, np.interp(NYQUIST_CPP, _FREQUENCIES_CPP, response))
    return np.where(used, response, beyond) if lowered >= VISIBLE_RESPONSE else None


def footage_response(cpp: transfer.Float64, setup: Setup) -> transfer.Float64:
    """The footage's response on the finished raster; only its square pixels limit it when nothing is stated."""
    as_shot = cpp * setup.raster.scale
    return transfer.tabulated(as_shot, rows=setup.camera_mtf) if setup.camera_mtf else transfer.pixel(as_shot)


def negative_response(cpmm: transfer.Float64, setup: Setup, record: int) -> transfer.Float64:
    """Lens x emulsion x scan of one record of the negative."""
    stock = setup.stock
    return np.asarray(
        transfer.lens(cpmm, mtf50_cpmm=setup.lens_mtf50_cpmm, stop=setup.negative.stop)
        * transfer.emulsion(cpmm, mtf50_cpmm=stock.mtf50_cpmm[record], power=stock.mtf_power)
        * transfer.scan(cpmm, mtf50_cpmm=setup.scan_mtf50_cpmm)
    )


def _rows(setup: Setup, added: list[transfer.Float64 | None]) -> tuple[Row, ...]:
    """MTF50 and the response at Nyquist, by record; the difference is the response that the stage lays over."""
    far = np.arange(0.0, FARTHEST_CPMM, 0.05)
    nyquist = np.array([NYQUIST_CPP])
    footage = transfer.frequency_at(footage_response(far / setup.px_per_mm, setup), far)
    at_nyquist = float(footage_response(nyquist, setup)[0])
    halves, ends = [], []
    for c, response in enumerate(added):
        negative = transfer.frequency_at(negative_response(far, setup, c), far)
        laid_over = None if response is None else transfer.frequency_at(response, _FREQUENCIES_CPP * setup.px_per_mm)
        halves.append(Row(f"MTF50 {RECORDS[c]}", "cycles/mm", footage, negative, laid_over))
        lowered = None if response is None else float(response[round(NYQUIST_CPP / STEP_CPP)])
        quantity = f"response at {NYQUIST_CPP * setup.px_per_mm:.1f} cycles/mm (Nyquist) {RECORDS[c]}"
        negative_end = float(negative_response(nyquist * setup.px_per_mm, setup, c)[0])
        ends.append(Row(quantity, "", at_nyquist, negative_end, lowered))
    return tuple(halves + ends)


def _note(lowered: list[bool], strength: float, stated: bool) -> str:
    if strength == 0.0:
        return NOTHING
    limits = "" if stated else "Camera MTF not stated: taken as its square pixels alone. "
    by = ", ".join(record for record, low in zip(RECORDS, lowered, strict=True) if low)
    rest = ", ".join(record for record, low in zip(RECORDS, lowered, strict=True) if not low)
    if not by:
        return f"{limits}The footage limits, not the negative: {NOTHING}, and nothing is sharpened."
    other = f"; in {rest} the footage limits" if rest else ""
    return f"{limits}The negative limits in {by}{other}."


def _kernel(response: transfer.Float64 | None) -> transfer.Float64:
    if response is None:
        kernel = np.zeros((2 * FARTHEST_PX + 1, 2 * FARTHEST_PX + 1))
        kernel[FARTHEST_PX, FARTHEST_PX] = 1.0
        return kernel
    return transfer.kernel_of_spots(response, step_cpp=STEP_CPP, reach_px=FARTHEST_PX)


def _reach_px(kernel: transfer.Float64) -> int:
    """Distance along rows and columns of the farthest tap."""
    return max(1, int(np.abs(np.flatnonzero(kernel.any(axis=1)) - FARTHEST_PX).max()))


STAGE = Stage("mtf", MtfSettings, plan, apply)
