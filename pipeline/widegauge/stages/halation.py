"""halation: light that comes back from the film base, as a ring of fixed size in millimetres."""

from __future__ import annotations

import dataclasses
import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from widegauge.frame import Float32, Frame
from widegauge.kernels.bands import for_bands
from widegauge.kernels.fourier import convolve, kernel_spectrum, mix_rows, padded_shape
from widegauge.physics import base
from widegauge.stages.stage import NOTHING, Row, Settings, Setup, Stage

REACH_SHARE = 0.99
"""Share of the returned light that falls within the stage's reach, where that is not too far."""

LARGEST_REACH_PX = 256
SMALLEST_RETURN = 1e-7
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
        note=_note(acts, reach_px < far_px, reach_px),
        acts=acts,
        reach_px=reach_px if acts else 0,
        px_per_mm=setup.px_per_mm,
        thickness_mm=stock.base_thickness_mm,
        index=stock.base_index,
        return_frac=added,
    )


def apply(plan: HalationPlan, frame: Frame) -> Frame:
    height, width = frame.rgb.shape[:2]
    shape = padded_shape(height, width, plan.reach_px)
    spectrum, whole = _spectrum(plan.px_per_mm, plan.thickness_mm, plan.index, plan.reach_px, shape)
    out = np.empty_like(frame.rgb)
    for c in range(3):
        added = convolve(frame.rgb[..., c], spectrum, shape=shape, pad_px=plan.reach_px)
        share = np.float32(plan.return_frac[c] * whole)

        def task(y0: int, y1: int, c: int = c, added: Float32 = added, share: np.float32 = share) -> None:
            mix_rows(out, frame.rgb, added, c, share, y0, y1)

        for_bands(height, task)
    return dataclasses.replace(frame, rgb=out)


@lru_cache(maxsize=2)
def _spectrum(
    px_per_mm: float, thickness_mm: float, index: float, reach_px: int, shape: tuple[int, int]
) -> tuple[Float32, float]:
    """The ring's response for a padded shape, brought to 1 at zero frequency, and the sum it had before."""
    kernel = base.pixel_kernel(px_per_mm=px_per_mm, thickness_mm=thickness_mm, index=index, reach_px=reach_px)
    whole = float(kernel.sum())
    return kernel_spectrum((kernel / whole).astype(np.float32), shape), whole


def _note(acts: bool, cut: bool, reach_px: int) -> str:
    if not acts:
        return NOTHING
    far = f" Light that returns farther than {reach_px} px away is left out." if cut else ""
    return f"The footage is taken as free of halation.{far}"


STAGE = Stage("halation", HalationSettings, plan, apply)
