"""Maps over time: what a place's value was in the frames around, carried along the picture's motion."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
import numpy.typing as npt

from widegauge.depth.carry import motion
from widegauge.frame import Float32

Bytes = npt.NDArray[np.uint8]
Mask = npt.NDArray[np.bool_]

SAME_LIGHT = 24
"""A place is the same one in another frame where no channel of its picture, as bytes, differs by more than this."""
CUT_SHARE = 0.5
"""Where less than this share of a frame is found again, the picture has changed: nothing is carried over."""
TUKEY = 4.685
"""Beyond so many standard errors a value has no weight (J. W. Tukey's biweight at 95 % efficiency)."""
ROUNDS = 12
FEWEST = 64


@dataclass(frozen=True, slots=True)
class Change:
    """What became of a map's values: after = gain x before + offset."""

    gain: float
    offset: float

    def undone(self, values: Float32) -> Float32:
        """Values as they would have been before."""
        return ((values - self.offset) / self.gain).astype(np.float32)

    def then(self, later: Change) -> Change:
        """This change and a later one."""
        return Change(self.gain * later.gain, later.gain * self.offset + later.offset)


def shown(light: Float32) -> Bytes:
    """Scene-linear light as bytes that flow and comparisons work on: x / (x + 0.18), so that lamps have room."""
    bright = np.maximum(light, 0.0)
    return np.asarray(np.rint(bright / (bright + np.float32(0.18)) * np.float32(255.0)), dtype=np.uint8)


def carried(maps: Sequence[Float32], pictures: Sequence[Bytes], at: int) -> list[Float32]:
    """Maps (h, w) of neighbouring frames as seen from frame ``at``: nearest values along the flow, never interpolated.

    Not-a-number where there and back do not agree, or the picture is another; all of a map where there was a cut.
    """
    return [
        values if i == at else _carried(values, pictures[i], pictures[at])
        for i, values in enumerate(maps)
    ]  # fmt: skip


def unchanged(before: Float32, after: Float32, light_before: Float32, light_after: Float32) -> Change:
    """The change of values from one frame to the next, from what is in both: most of it stands still.

    Robust least squares (Tukey's biweight). No change where too little is found again.
    """
    came = _carried(before, shown(light_before), shown(light_after))
    both = np.isfinite(came) & np.isfinite(after)
    if np.count_nonzero(both) < FEWEST:
        return Change(1.0, 0.0)
    x, y = came[both].astype(np.float64), after[both].astype(np.float64)
    every = max(1, x.size // 50_000)
    x, y = x[::every], y[::every]
    weight = np.ones_like(x)
    gain, offset = 1.0, float(np.median(y - x))
    for _ in range(ROUNDS):
        residual = y - gain * x - offset
        spread = 1.4826 * float(np.median(np.abs(residual)))
        if spread > 0.0:
            weight = np.maximum(1.0 - (residual / (TUKEY * spread)) ** 2, 0.0) ** 2
        x0, y0 = np.average(x, weights=weight), np.average(y, weights=weight)
        square = float(np.sum(weight * (x - x0) ** 2))
        if square <= 0.0:
            return Change(1.0, float(y0 - x0))
        gain = float(np.sum(weight * (x - x0) * (y - y0))) / square
        offset = float(y0 - gain * x0)
    return Change(gain, offset) if gain > 0.0 else Change(1.0, 0.0)


def _carried(values: Float32, before: Bytes, after: Bytes) -> Float32:
    """A map of the frame before as seen from the frame after."""
    height, width = values.shape
    full_height, full_width = after.shape[:2]
    step = motion(before, after)
    back = cv2.resize(step.back, (width, height), interpolation=cv2.INTER_LINEAR)
    sure = cv2.resize(step.sure.astype(np.uint8), (width, height), interpolation=cv2.INTER_NEAREST) > 0
    x = np.arange(width, dtype=np.float32)[None, :] + back[..., 0] * np.float32(width / full_width)
    y = np.arange(height, dtype=np.float32)[:, None] + back[..., 1] * np.float32(height / full_height)
    size = (width, height)
    a, b = (cv2.resize(picture, size, interpolation=cv2.INTER_AREA) for picture in (before, after))
    there = cv2.remap(a, x, y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    red, green, blue = cv2.split(cv2.absdiff(there, b))
    sure &= cv2.max(cv2.max(red, green), blue) <= SAME_LIGHT
    sure &= (x > -0.5) & (x < width - 0.5) & (y > -0.5) & (y < height - 0.5)
    if sure.mean() < CUT_SHARE:
        return np.full_like(values, np.nan)
    came = cv2.remap(values, x, y, cv2.INTER_NEAREST, borderMode=cv2.BORDER_REPLICATE)
    return np.where(sure, came, np.float32(np.nan))
