"""One frame of a shot as pictures for people: as shot, framed, and after each further stage."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np

from widegauge.frame import Float32, Frame
from widegauge.plan import Plan
from widegauge.plate import Plate
from widegauge.report.stills import Bytes, View
from widegauge.run.render import Step, on_canvas, steps


@dataclass(frozen=True, slots=True)
class Pictures:
    """A frame on its way.

    shown     (name, picture) as the view shows them: "plate", "framed", then each stage, those that are off too
    framed    (H, W, 3) float32 scene-linear, the footage in the finished frame's shape
    finished  the same after the last stage, with depth and remarks
    """

    shown: tuple[tuple[str, Bytes], ...]
    framed: Float32
    finished: Frame


def stage_pictures(plan: Plan, plate: Plate, number: int, view: View) -> Pictures:
    """Run the stages over one frame and keep what each leaves."""
    way = _way(plan, plate, number)
    whole, framed = next(way).frame, next(way).frame
    last = view(framed.rgb)
    named = [("plate", view(whole.rgb)), ("framed", last)]
    kept: dict[str, Bytes] = {}
    finished = framed
    for step in way:
        finished = step.frame
        kept[step.name] = view(finished.rgb)
    for stage in plan.stages:
        if stage.name != "framing":
            last = kept.get(stage.name, last)
            state = "" if stage.acts else ": off" if stage.planned is None else ": nothing to add"
            named.append((f"+ {stage.name}{state}", last))
    return Pictures(tuple(named), framed.rgb, finished)


def framed_light(plan: Plan, plate: Plate, number: int) -> Float32:
    """The footage in the finished frame's shape, before every other stage, in linear light."""
    way = _way(plan, plate, number)
    next(way)
    return next(way).frame.rgb


def _way(plan: Plan, plate: Plate, number: int) -> Iterator[Step]:
    """The whole plate, then the canvas as "framed" and after each further stage that acts."""
    raster = plan.setup.raster
    has_framing = any(stage.acts and stage.name == "framing" for stage in plan.stages)
    for step in steps(plan, plate, number, plate.read(number)):
        frame = step.frame
        if step.name == "plate":
            yield step
            if has_framing:
                continue
        x_px, y_px = (frame.x_px, frame.y_px) if has_framing else (-raster.crop_x_px, -raster.crop_y_px)
        rgb = on_canvas(raster, frame.rgb, x_px=x_px, y_px=y_px).astype(np.float32, copy=False)
        depth_m = None if frame.depth_m is None else on_canvas(raster, frame.depth_m, x_px=x_px, y_px=y_px)
        name = "framed" if step.name in ("plate", "framing") else step.name
        yield Step(name, replace(frame, rgb=rgb, depth_m=depth_m, extra=None, noise_left=None, x_px=0, y_px=0))
