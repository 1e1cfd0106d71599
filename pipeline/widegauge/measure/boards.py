"""Boards: find the three boards of the test chart in a picture by their lamps alone.

The boards look alike: in shares of the distance between two lamps everything on them lies where it does on the chart
(sample_frames/make_chart.py), whatever the crop, the raster or the blur.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import numpy.typing as npt
from scipy.ndimage import find_objects, label

from widegauge.measure.refusal import RefusalError
from widegauge.measure.spread import luminance

BOARDS = 3
EDGE = (-0.25, 0.335, 0.5, 0.33)
GREY = (-0.27, 0.84, 0.54, 0.34)
"""x, y, width, height from a board's lamp, y downwards, well inside the patches so that their blurred rims stay out."""

CARD_SHARE = 0.02
"""More of the picture than this is as bright as the brightest card, less than this brighter: lamps."""

LAMP_RATIO = 8.0
"""Even a blurred lamp is so many times as bright as the brightest card."""

MOST_UNEVEN_FRAC = 0.02
"""How much the distances between lamps may differ, and how far the lamps may lie off one row."""

Region = tuple[int, int, int, int]


@dataclass(frozen=True, slots=True)
class Board:
    """One board: a pixel on its lamp, and the parts (x, y, width, height) of its slanted edge and its flat grey."""

    lamp_px: tuple[int, int]
    edge: Region
    grey: Region


def find_boards(rgb: npt.NDArray[np.floating]) -> tuple[Board, ...]:
    """The three boards, from left to right.

    rgb   (H, W, 3) scene-linear light

    RefusalError when there are not three lamps in a row at even distances, or a board is cut off.
    """
    light = luminance(rgb)
    height, width = light.shape
    card = float(np.quantile(light, 1.0 - CARD_SHARE))
    spots, count = label(light > LAMP_RATIO * card)
    sums = np.bincount(spots.ravel(), weights=light.ravel())
    brightest = np.argsort(sums[1:])[::-1][:BOARDS] + 1
    boxes = find_objects(spots)
    places = sorted(
        (0.5 * (x.start + x.stop - 1), 0.5 * (y.start + y.stop - 1)) for y, x in (boxes[n - 1] for n in brightest)
    )
    if count < BOARDS or not _in_a_row(places):
        raise RefusalError("this is no test chart: it has no three lamps in a row", "measure the finished test chart")
    apart = 0.5 * (places[2][0] - places[0][0])
    boards = []
    for x, y in places:
        parts = []
        for left, top, wide, tall in (EDGE, GREY):
            part = (round(x + left * apart), round(y + top * apart), round(wide * apart), round(tall * apart))
            if part[0] < 0 or part[1] < 0 or part[0] + part[2] > width or part[1] + part[3] > height:
                raise RefusalError(
                    "a board of the test chart is cut off", "finish the whole chart, without a tight crop"
                )
            parts.append(part)
        boards.append(Board((round(x), round(y)), parts[0], parts[1]))
    return tuple(boards)


def _in_a_row(places: list[tuple[float, float]]) -> bool:
    if len(places) < BOARDS:
        return False
    steps = [math.dist(a, b) for a, b in pairwise(places)]
    level = max(y for _, y in places) - min(y for _, y in places)
    slack = max(2.0, MOST_UNEVEN_FRAC * max(steps))
    return max(steps) - min(steps) <= slack and level <= slack
