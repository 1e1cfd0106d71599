"""A quick look at depth: frames and maps smaller by a whole number, so that a shot file can name such maps too."""

from __future__ import annotations

import cv2
import numpy as np

from widegauge.errors import mistake
from widegauge.frame import Float32
from widegauge.plate import Plate, resized
from widegauge.units import parse_scale

LEAST_PX = 64
"""No side of a smaller frame is shorter."""


def shrink_of(proxy: str, footage_px: tuple[int, int]) -> int:
    """By how much "1/4" makes frames smaller; SettingsError where that is not whole, or leaves parts of pixels."""
    whole = [n for n in range(2, 17) if not any(side % n or side // n < LEAST_PX for side in footage_px)]
    remedy = f"write {' or '.join(f'1/{n}' for n in whole)}" if whole else "leave it out"
    try:
        scale = parse_scale(proxy)
    except ValueError as error:
        raise mistake("--proxy", "", proxy, str(error), remedy) from None
    if scale.numerator != 1 or scale.denominator not in (1, *whole):
        rule = f"depth maps are smaller than the footage, {footage_px[0]} x {footage_px[1]}, by a whole number only"
        raise mistake("--proxy", "", proxy, rule, remedy)
    return scale.denominator


def light_at(plate: Plate, number: int, shrink: int) -> Float32:
    """A frame's scene-linear light, smaller by a whole number: each pixel the mean of those that it covers."""
    width, height = plate.footage_px
    return resized(plate.linear(plate.read(number))[0], (width // shrink, height // shrink))


def thinned(values: Float32, size_px: tuple[int, int]) -> Float32:
    """A map's own values at a (width, height), where it is larger than that; each from the middle of its place."""
    if values.shape[1] <= size_px[0]:
        return values
    return np.asarray(cv2.resize(values, size_px, interpolation=cv2.INTER_NEAREST_EXACT), dtype=np.float32)
