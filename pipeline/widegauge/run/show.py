"""Show a shot's stages on one frame: a wipe, a sheet, and the place where the pictures differ most."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import cv2
import numpy as np

from widegauge.plan import Plan
from widegauge.plate import Plate
from widegauge.report.stills import Bytes, View, captioned, enlarged, save, sheet, wipe
from widegauge.run.render import on_canvas, steps

DETAIL_PX = 160
"""Width and height of the part that is shown enlarged."""

DETAIL_TIMES = 4


def show_stages(plan: Plan, plate: Plate, *, out: Path) -> Iterator[tuple[Path, str]]:
    """Write the pictures for the middle frame of the range; each one's path, and what to look for in it."""
    numbers = plate.footage.numbers
    number = numbers[len(numbers) // 2]
    view = View(plate.shot.footage.primaries, plan.preset.view.exposure_stops)
    pictures = _pictures(plan, plate, number, view)
    before, after = pictures[1][1], pictures[-1][1]
    caption = f"frame {number}. {view}"

    path = out / "wipe.png"
    save(path, captioned(wipe(before, after), f"left: footage, right: {plan.preset.title}. {caption}"))
    yield path, "left of the line the footage, right of it the finished frame"

    path = out / "stages.png"
    save(path, sheet(pictures, columns=3, width_px=1920, caption=caption))
    yield path, "the plate, and the picture after each stage"

    x, y = _differs_most(before, after)
    window = (x, y, min(DETAIL_PX, before.shape[1]), min(DETAIL_PX, before.shape[0]))
    pair = [enlarged(picture, window=window, times=DETAIL_TIMES) for picture in (before, after)]
    path = out / "detail.png"
    where = f"400 %, {window[2]} x {window[3]} pixels at {x}, {y}"
    save(path, captioned(np.concatenate(pair, axis=1), f"footage, finished: {where}. {caption}"))
    yield path, f"the part that changes most, {where}"


def _pictures(plan: Plan, plate: Plate, number: int, view: View) -> list[tuple[str, Bytes]]:
    """The plate as shot, framed, and after each further stage that is on, as shown by the view."""
    raster = plan.setup.raster
    picture = plate.read(number)
    shown: dict[str, Bytes] = {}
    whole = framed = None
    for step in steps(plan, plate, number, picture):
        frame = step.frame
        if step.name == "plate":
            whole = view(frame.rgb)
            x_px, y_px = -raster.crop_x_px, -raster.crop_y_px
        else:
            x_px, y_px = frame.x_px, frame.y_px
        rgb = on_canvas(raster, frame.rgb, x_px=x_px, y_px=y_px)
        if step.name in ("plate", "framing"):
            framed = view(rgb.astype(np.float32, copy=False))
        else:
            shown[step.name] = view(rgb.astype(np.float32, copy=False))
    assert whole is not None
    assert framed is not None
    named, last = [("plate", whole), ("framed", framed)], framed
    for stage in plan.stages:
        if stage.name == "framing":
            continue
        last = shown.get(stage.name, last)
        state = "" if stage.acts else ": off" if stage.planned is None else ": nothing to add"
        named.append((f"+ {stage.name}{state}", last))
    return named


def _differs_most(before: Bytes, after: Bytes) -> tuple[int, int]:
    """Corner of the square in which two pictures differ most, by the mean of the squared difference."""
    difference = ((before.astype(np.float32) - after.astype(np.float32)) ** 2).sum(axis=-1)
    height, width = difference.shape
    side = (min(DETAIL_PX, width), min(DETAIL_PX, height))
    mean = cv2.boxFilter(difference, cv2.CV_32F, side, anchor=(0, 0), borderType=cv2.BORDER_CONSTANT)
    y, x = divmod(int(np.argmax(mean[: height - side[1] + 1, : width - side[0] + 1])), width - side[0] + 1)
    return x, y
