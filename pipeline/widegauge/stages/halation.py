"""halation: light that comes back from the film base, as a ring of fixed size in millimetres."""

from __future__ import annotations

import dataclasses
import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from widegauge.frame import Float32, Frame
from widegauge.kernels.overlap import filter_blocks, spectra
from widegauge.kernels.pyramid import (
    correction,
    filter_reduced,
    frequencies,
    halvings_for,
    mix_enlarged,
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
VEIL_SAMPLES = 3.5
"""Reduced pixels across the seen depth of the diffuse source: its response is then below 1e-4 at their Nyquist."""

VEIL_DEPTHS = 16.0
"""The picture is mirrored for this many depths; 0.4 % of the returned light lies beyond and wraps round."""

LEAST_ORDERS_FRAC = 1e-3
"""Orders of reflection are followed until the next has less than this share of the first's light."""

MOST_ORDERS = 16

RECORDS = ("R", "G", "B")


class HalationSettings(Settings):
    """How light returns from the base; strength scales it."""


@dataclass(frozen=True, slots=True)
class HalationPlan:
    """Returned light: the base's geometry, and how much comes back in each record.

    return_frac     share of the light in the first ring and beyond it
    crossing_frac   what each further order of reflection has of the one before
    """

    rows: tuple[Row, ...]
    note: str
    acts: bool
    reach_px: int
    px_per_mm: float
    thickness_mm: float
    index: float
    return_frac: tuple[float, float, float]
    crossing_frac: tuple[float, float, float]


def plan(settings: HalationSettings, setup: Setup) -> HalationPlan:
    """The ring from the stock's base, and how much light comes back in each record."""
    stock = setup.stock
    geometry = {"thickness_mm": stock.base_thickness_mm, "index": stock.base_index}
    ring_mm = base.ring_radius_mm(**geometry)
    far_px = base.radius_of_share_mm(REACH_SHARE, **geometry) * setup.px_per_mm
    negative = stock.halation_return_frac
    red, green, blue = (base.crossing_frac(share, index=stock.base_index) for share in negative)
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
        note=f"The footage is taken as free of halation. Further rings add {red:.1%} to it in R." if acts else NOTHING,
        acts=acts,
        reach_px=reach_px if acts else 0,
        px_per_mm=setup.px_per_mm,
        thickness_mm=stock.base_thickness_mm,
        index=stock.base_index,
        return_frac=added,
        crossing_frac=(red, green, blue),
    )


def apply(plan: HalationPlan, frame: Frame) -> Frame:
    """Lay returned light over a frame, (E + r h * E) / (1 + r) with h of sum 1: linear, and a flat field stays."""
    rgb = frame.rgb
    optics = _optics(plan.px_per_mm, plan.thickness_mm, plan.index, plan.return_frac, plan.crossing_frac, rgb.shape[:2])
    small = filter_reduced(rgb, optics.smooth, pad_px=optics.pad_px, halvings=optics.halvings)
    out = np.empty_like(rgb)

    def put(hole: Float32, top: int, left: int) -> None:
        mix_enlarged(out, rgb, hole, top, left, small, optics.halvings, optics.share)

    filter_blocks(rgb, np.broadcast_to(optics.hole, (3, *optics.hole.shape)), put, reach_px=optics.hole_reach_px)
    return dataclasses.replace(frame, rgb=out)


@dataclass(frozen=True, slots=True)
class _Optics:
    """Returned light as two filters: what is smooth at reduced size, less the hole in the first ring at full size."""

    halvings: int
    pad_px: int
    smooth: Float32
    hole: Float32
    hole_reach_px: int
    share: Float32


@lru_cache(maxsize=2)
def _optics(
    px_per_mm: float,
    thickness_mm: float,
    index: float,
    return_frac: tuple[float, ...],
    crossing_frac: tuple[float, ...],
    size_px: tuple[int, int],
) -> _Optics:
    """Filters for one size of picture, ``share`` as ``mix_enlarged`` wants it."""
    depth_px = 2.0 * thickness_mm * px_per_mm
    halvings = halvings_for(depth_px, per_width=VEIL_SAMPLES)
    pad_px = math.ceil(VEIL_DEPTHS * depth_px)
    shape = reduced_shape(*size_px, pad_px, halvings)
    reduced = {"px_per_mm": px_per_mm / (1 << halvings), "thickness_mm": thickness_mm, "index": index}
    hole = base.hole_kernel(px_per_mm=px_per_mm, thickness_mm=thickness_mm, index=index)
    returned = 1.0 - float(hole.sum())
    orders = [_order(m, shape, **reduced) for m in range(1, _orders(max(crossing_frac)) + 1)]
    mended = correction(shape, halvings)
    smooth, shares = [], []
    for share, q in zip(return_frac, crossing_frac, strict=True):
        first = share / returned
        light = first * np.sum([q**m * order for m, order in enumerate(orders)], axis=0)
        smooth.append(packed(light * mended))
        shares.append((first, float(light[0, 0]) - first * (1.0 - returned)))
    return _Optics(
        halvings=halvings,
        pad_px=pad_px,
        smooth=np.stack(smooth),
        hole=spectra([hole])[0],
        hole_reach_px=hole.shape[0] // 2,
        share=np.array(shares, np.float32),
    )


def _orders(crossing_frac: float) -> int:
    """How many are followed: q^m is left after m."""
    return max(1, min(MOST_ORDERS, math.ceil(math.log(LEAST_ORDERS_FRAC) / math.log(crossing_frac))))


def _order(m: int, shape: tuple[int, int], px_per_mm: float, *, thickness_mm: float, index: float) -> base.Float64:
    """Response of an order at the places of ``rfft2`` of a reduced picture; of the first without its hole."""
    veil = base.veil_response(frequencies(shape) * px_per_mm, thickness_mm=m * thickness_mm)
    if m == 1:
        return veil
    hole = base.hole_kernel(px_per_mm=px_per_mm, thickness_mm=thickness_mm, index=index, order=m)
    side = hole.shape[0]
    plane = np.zeros(shape)
    plane[:side, :side] = hole
    plane = np.roll(plane, (-(side // 2), -(side // 2)), (0, 1))
    return np.asarray(veil - np.fft.rfft2(plane).real)


STAGE = Stage("halation", HalationSettings, plan, apply)
