"""mtf: bring resolved detail down to what the large negative would have kept; never up."""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from widegauge.frame import Float32, Frame
from widegauge.kernels.fourier import filter_radial
from widegauge.physics import transfer
from widegauge.stages.stage import NOTHING, Row, Settings, Setup, Stage

STEP_CPP = 1.0 / 1024.0
NYQUIST_CPP = 0.5
RECORDS = ("R", "G", "B")

VISIBLE_RESPONSE = 0.01
"""A response lowered by less than this anywhere counts as nothing: slanted edges are measured no finer."""

TAIL_FRAC = 1e-4
"""Share of a point's light that a single pixel beyond the stage's reach may get."""

LARGEST_REACH_PX = 64


class MtfSettings(Settings):
    """How resolved detail is brought down; strength s takes the s-th power of the response that is added."""


@dataclass(frozen=True, slots=True)
class MtfPlan:
    """What is taken: (3, N) responses at multiples of ``STEP_CPP``, and the share of white noise that they leave."""

    rows: tuple[Row, ...]
    note: str
    acts: bool
    reach_px: int
    response: Float32
    noise_gain: float


def plan(settings: MtfSettings, setup: Setup) -> MtfPlan:
    cpp = np.arange(0.0, 0.7085, STEP_CPP)
    footage = _footage(cpp, setup)
    negative = [_negative(cpp * setup.px_per_mm, setup, record) for record in range(3)]
    added = [transfer.remaining(target=target, source=footage) ** settings.strength for target in negative]
    used = cpp <= NYQUIST_CPP
    lowered = max(float(np.max(footage[used] * (1.0 - g[used]))) for g in added)
    acts = lowered >= VISIBLE_RESPONSE
    return MtfPlan(
        rows=_rows(cpp, footage, negative, added if acts else [np.ones_like(cpp)] * 3, setup.px_per_mm),
        note=_note(acts, footage, negative, used, settings.strength, bool(setup.camera_mtf)),
        acts=acts,
        reach_px=_reach_px(added) if acts else 0,
        response=np.asarray(added, dtype=np.float32),
        noise_gain=_noise_gain(cpp, added) if acts else 1.0,
    )


def apply(plan: MtfPlan, frame: Frame) -> Frame:
    rgb = filter_radial(frame.rgb, plan.response, step_cpp=STEP_CPP, pad_px=plan.reach_px)
    gain = np.float32(plan.noise_gain)
    left = np.full(rgb.shape[:2], gain, np.float32) if frame.noise_left is None else frame.noise_left * gain
    return dataclasses.replace(frame, rgb=rgb, noise_left=left)


def _footage(cpp: transfer.Float64, setup: Setup) -> transfer.Float64:
    """The footage's response on the finished raster; only its square pixels limit it when nothing is stated."""
    as_shot = cpp * setup.raster.scale
    return transfer.tabulated(as_shot, rows=setup.camera_mtf) if setup.camera_mtf else transfer.pixel(as_shot)


def _negative(cpmm: transfer.Float64, setup: Setup, record: int) -> transfer.Float64:
    """Lens x emulsion x scan of one record of the negative."""
    stock = setup.stock
    return np.asarray(
        transfer.lens(cpmm, mtf50_cpmm=setup.lens_mtf50_cpmm, stop=setup.negative.stop)
        * transfer.emulsion(cpmm, mtf50_cpmm=stock.mtf50_cpmm[record], power=stock.mtf_power)
        * transfer.scan(cpmm, mtf50_cpmm=setup.scan_mtf50_cpmm)
    )


def _rows(
    cpp: transfer.Float64,
    footage: transfer.Float64,
    negative: list[transfer.Float64],
    added: list[transfer.Float64],
    px_per_mm: float,
) -> tuple[Row, ...]:
    def mtf50(response: transfer.Float64) -> float | None:
        return transfer.frequency_at(response, cpp * px_per_mm)

    nyquist = round(NYQUIST_CPP / STEP_CPP)
    halves = [
        Row(f"MTF50 {RECORDS[c]}", "cycles/mm", mtf50(footage), mtf50(negative[c]), mtf50(added[c])) for c in range(3)
    ]
    ends = [
        Row(
            f"response at {NYQUIST_CPP * px_per_mm:.1f} cycles/mm (Nyquist) {RECORDS[c]}",
            "",
            float(footage[nyquist]),
            float(negative[c][nyquist]),
            float(added[c][nyquist]),
        )
        for c in range(3)
    ]
    return tuple(halves + ends)


def _note(
    acts: bool,
    footage: transfer.Float64,
    negative: list[transfer.Float64],
    used: npt.NDArray[np.bool_],
    strength: float,
    stated: bool,
) -> str:
    if strength == 0.0:
        return NOTHING
    limits = "" if stated else "camera MTF not stated: taken as its square pixels alone. "
    if not acts:
        return f"{limits}The footage limits, not the negative: {NOTHING}, and nothing is sharpened."
    by = [RECORDS[c] for c in range(3) if np.any(footage[used] - negative[c][used] >= VISIBLE_RESPONSE)]
    rest = [record for record in RECORDS if record not in by]
    other = f"; in {', '.join(rest)} the footage limits" if rest else ""
    return f"{limits}The negative limits in {', '.join(by)}{other}."


def _kernel(response: transfer.Float64, size: int = 256) -> transfer.Float64:
    f = np.fft.fftfreq(size)
    grid = np.interp(np.hypot(f[:, None], f[None, :]), np.arange(len(response)) * STEP_CPP, response)
    return np.asarray(np.fft.fftshift(np.real(np.fft.ifft2(grid))))


def _reach_px(added: list[transfer.Float64]) -> int:
    """Distance along rows and columns beyond which no pixel gets more than ``TAIL_FRAC`` of a point's light."""
    reach = 1
    for response in added:
        weight = np.abs(_kernel(response))
        middle = weight.shape[0] // 2
        rows = np.flatnonzero(weight.max(axis=1) > TAIL_FRAC) - middle
        reach = max(reach, int(np.abs(rows).max()))
    return min(reach, LARGEST_REACH_PX)


def _noise_gain(cpp: transfer.Float64, added: list[transfer.Float64]) -> float:
    """Share of white noise's variance that is left, mean of the three records: the mean of the response squared."""
    f = np.fft.fftfreq(256)
    radius = np.hypot(f[:, None], f[None, :])
    return float(np.mean([np.mean(np.interp(radius, cpp, response) ** 2) for response in added]))


STAGE = Stage("mtf", MtfSettings, plan, apply)
