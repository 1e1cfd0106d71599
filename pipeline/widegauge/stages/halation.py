"""halation: light that comes back from the film base, as a ring of fixed size in millimetres."""

from __future__ import annotations

import dataclasses
import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from widegauge.frame import Float32, Frame
from widegauge.kernels.bands import for_bands
from widegauge.kernels.overlap import convolve, spectra
from widegauge.kernels.pyramid import (
    correction,
    filter_reduced,
    frequencies,
    halvings_for,
    mix_enlarged_rows,
    reduced_shape,
)
from widegauge.kernels.spectrum import packed
from widegauge.physics import base
from widegauge.stages.stage import NOTHING, Row, Settings, Setup, Stage

REACH_SHARE = 0.99
"""Share of the returned light that falls within the stage's reach, where that is not too far."""

LARGEST_REACH_PX = 128
"""Overscan is dear to the stages before; light of lamps farther outside the frame is a veil too thin to see."""

SMALLEST_RETURN = 1e-7
VEIL_SAMPLES = 7.0
"""Reduced pixels across the seen depth of the diffuse source: its response is then below 1e-8 at their Nyquist."""

VEIL_DEPTHS = 16.0
"""The picture is mirrored for this many depths; 0.4 % of the returned light lies beyond and wraps round."""

RECORDS = ("R", "G", "B")


class HalationSettings(Settings):
    """How light returns from the base; strength scales it."""


@dataclass(frozen=True, slots=True)
class HalationPlan:
    """Returned light: the base's geometry, and how much comes back in each record."""

    rows: tuple[Row, ...]
    note: str
    acts: bool
    reach_px: int
    px_per_mm: float
    thickness_mm: float
    index: float
    return_frac: tuple[float, float, float]


def plan(settings: HalationSettings, setup: Setup) -> HalationPlan:
    """The ring from the stock's base, and how much light comes back in each record."""
    stock = setup.stock
    geometry = {"thickness_mm": stock.base_thickness_mm, "index": stock.base_index}
    ring_mm = base.ring_radius_mm(**geometry)
    far_px = base.radius_of_share_mm(REACH_SHARE, **geometry) * setup.px_per_mm
    negative = stock.halation_return_frac
    added = (negative[0] * settings.strength, negative[1] * settings.strength, negative[2] * settings.strength)
    acts = max(added) > SMALLEST_RETURN
    rows = [
        Row("ring radius", "mm", None, ring_mm, ring_mm if acts else None),
        Row("ring radius", "px", None, ring_mm * setup.px_per_mm, ring_mm * setup.px_per_mm if acts else None),
    ]
    rows += [Row(f"light returned {RECORDS[c]}", "share of the light", 0.0, negative[c], added[c]) for c in range(3)]
    reach_px = min(LARGEST_REACH_PX, math.ceil(far_px))
    return HalationPlan(
        rows=tuple(rows),
        note="The footage is taken as free of halation." if acts else NOTHING,
        acts=acts,
        reach_px=reach_px if acts else 0,
        px_per_mm=setup.px_per_mm,
        thickness_mm=stock.base_thickness_mm,
        index=stock.base_index,
        return_frac=added,
    )


def apply(plan: HalationPlan, frame: Frame) -> Frame:
    """Lay returned light over a frame, (E + r h * E) / (1 + r) with h of sum 1: linear, and a flat field stays."""
    height, width = frame.rgb.shape[:2]
    optics = _optics(plan.px_per_mm, plan.thickness_mm, plan.index, height, width)
    small = filter_reduced(frame.rgb, optics.veil, pad_px=optics.pad_px, halvings=optics.halvings)
    out = convolve(frame.rgb, optics.hole, reach_px=optics.hole_reach_px)
    share = np.array([(r / optics.returned_frac, r) for r in plan.return_frac], np.float32)

    def task(y0: int, y1: int) -> None:
        mix_enlarged_rows(out, frame.rgb, small, optics.halvings, share, y0, y1)

    for_bands(height, task)
    return dataclasses.replace(frame, rgb=out)


@dataclass(frozen=True, slots=True)
class _Optics:
    """Returned light as two filters: a smooth veil at reduced size, less a small hole at full size."""

    halvings: int
    pad_px: int
    veil: Float32
    hole: Float32
    hole_reach_px: int
    returned_frac: float


@lru_cache(maxsize=2)
def _optics(px_per_mm: float, thickness_mm: float, index: float, height: int, width: int) -> _Optics:
    depth_px = 2.0 * thickness_mm * px_per_mm
    halvings = halvings_for(depth_px, per_width=VEIL_SAMPLES)
    pad_px = math.ceil(VEIL_DEPTHS * depth_px)
    shape = reduced_shape(height, width, pad_px, halvings)
    cpmm = frequencies(shape, halvings) * px_per_mm
    veil = base.veil_response(cpmm, thickness_mm=thickness_mm) * correction(shape, halvings)
    hole = base.hole_kernel(px_per_mm=px_per_mm, thickness_mm=thickness_mm, index=index)
    return _Optics(
        halvings=halvings,
        pad_px=pad_px,
        veil=packed(veil),
        hole=spectra([hole] * 3),
        hole_reach_px=hole.shape[0] // 2,
        returned_frac=1.0 - float(hole.sum()),
    )


STAGE = Stage("halation", HalationSettings, plan, apply)
