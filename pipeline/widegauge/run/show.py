"""Show a shot's stages on one frame: a wipe, a sheet, and the place where the pictures differ most."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import numpy as np

from widegauge.plan import Plan
from widegauge.plate import Plate
from widegauge.report.compare import differs_most
from widegauge.report.stills import View, captioned, enlarged, save, sheet, wipe
from widegauge.run.pictures import stage_pictures

DETAIL_TIMES = 4


def show_stages(plan: Plan, plate: Plate, *, out: Path) -> Iterator[tuple[Path, str]]:
    """Write the pictures for the middle frame of the range; each one's path, and what to look for in it."""
    numbers = plate.footage.numbers
    number = numbers[len(numbers) // 2]
    view = View(plate.shot.footage.primaries, plan.preset.view.exposure_stops)
    pictures = stage_pictures(plan, plate, number, view).shown
    before, after = pictures[1][1], pictures[-1][1]
    caption = f"frame {number}. {view}"

    path = out / "wipe.png"
    save(path, captioned(wipe(before, after), f"left: footage, right: {plan.preset.title}. {caption}"))
    yield path, "left of the line the footage, right of it the finished frame"

    path = out / "stages.png"
    save(path, sheet(pictures, columns=3, width_px=1920, caption=caption))
    yield path, "the plate, and the picture after each stage"

    window = differs_most(before, after)
    pair = [enlarged(picture, window=window, times=DETAIL_TIMES) for picture in (before, after)]
    path = out / "detail.png"
    where = f"400 %, {window[2]} x {window[3]} pixels at {window[0]}, {window[1]}"
    save(path, captioned(np.concatenate(pair, axis=1), f"footage, finished: {where}. {caption}"))
    yield path, f"the part that changes most, {where}"
