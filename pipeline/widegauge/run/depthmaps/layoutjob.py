"""A layout and the shot that it belongs to, held against each other."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path

from widegauge.depth.cutout import Bytes
from widegauge.depth.ground import Stand, horizon_of_tilt, horizon_through
from widegauge.depth.layoutfile import Layout, load_layout
from widegauge.errors import Mistake, SettingsError
from widegauge.media.footage import listed
from widegauge.physics.lens import FocusPull, Side, blur_scale_px_m, image_distance_mm
from widegauge.plan import geometry
from widegauge.plate import Plate
from widegauge.presets import load_preset
from widegauge.report.stills import View
from widegauge.run.depthmaps.small import light_at, shrink_of
from widegauge.run.depthmaps.write import open_without_depth
from widegauge.stages.stage import Raster

SETTLED_FRAMES = 2
"""A found distance is the median over so many frames on either side."""


@dataclass(frozen=True)
class Job:
    """A shot and a layout that fit each other.

    shrink      by which whole number pictures and maps are smaller than the footage
    is_quick    distances found from feet settle over the frames on the way only, and none is read for that alone
    only_first  of the frames asked for
    """

    plate: Plate
    layout: Layout
    file: Path
    preset: str
    shrink: int = 1
    is_quick: bool = False
    only_first: bool = False

    @property
    def size_px(self) -> tuple[int, int]:
        """Width and height of pictures and maps."""
        width, height = self.plate.footage_px
        return width // self.shrink, height // self.shrink

    @cached_property
    def wanted(self) -> tuple[int, ...]:
        """The frames to lay out."""
        there = set(self.plate.numbers)
        wanted = tuple(n for n in self.plate.footage.numbers if n in there)
        return wanted[:1] if self.only_first else wanted

    @property
    def first(self) -> int:
        """The frame that the ground was read on."""
        said = self.layout.ground.frame
        return self.plate.numbers[0] if said is None else said

    @cached_property
    def on_the_way(self) -> tuple[int, ...]:
        """The frames to go through: those wanted, those drawn on, and what lies between."""
        among = {*self.wanted, self.first, *(each.frame for each in self.layout.cutout)}
        numbers = self.plate.numbers
        more = 0 if self.is_quick else SETTLED_FRAMES
        low = max(0, numbers.index(min(self.wanted)) - more)
        high = min(len(numbers) - 1, numbers.index(max(self.wanted)) + more)
        return numbers[min(low, numbers.index(min(among))) : max(high, numbers.index(max(among))) + 1]

    @property
    def camera_height_m(self) -> float:
        height_m = self.layout.ground.camera_height_m or self.plate.shot.set.camera_height_m
        assert height_m is not None
        return height_m

    def picture(self, number: int) -> Bytes:
        """A frame as sRGB bytes, for cutting out, following and looking at."""
        light = light_at(self.plate, number, self.shrink)
        return View(self.plate.shot.footage.primaries, self.plate.shot.footage.exposure_stops)(light)

    def focus_m(self, number: int) -> float | None:
        """Where focus lies; None when the shot does not say, or reads it from depth."""
        pull = self._pull
        return None if pull is None else pull.distance_m(number)

    def focal_px(self, number: int) -> float:
        """The image distance behind the focal reducer, in pixels of the picture."""
        focus_m = self.focus_m(number)
        image_mm = image_distance_mm(
            focal_mm=self.plate.shot.lens.focal_behind_reducer_mm, focus_m=math.inf if focus_m is None else focus_m
        )
        return image_mm * self.size_px[0] / self.plate.shot.camera.sensor_mm[0]

    def stand(self, number: int, horizon_px: tuple[float, float]) -> Stand:
        width, height = self.size_px
        return Stand(width, height, self.focal_px(number), horizon_px, self.camera_height_m)

    def drawn_horizon_px(self) -> tuple[float, float]:
        """The horizon on the frame that it was read on."""
        width, height = self.size_px
        horizon = self.layout.ground.horizon
        if isinstance(horizon, tuple):
            (x0, y0), (x1, y1) = horizon
            return horizon_through(((x0 * width, y0 * height), (x1 * width, y1 * height)), width)
        if horizon is not None:
            return horizon * height, horizon * height
        tilt_deg = self.layout.ground.tilt_deg
        tilt_deg = self.plate.shot.set.tilt_deg if tilt_deg is None else tilt_deg
        assert tilt_deg is not None
        return horizon_of_tilt(tilt_deg=tilt_deg, focal_px=self.focal_px(self.first), height_px=height, width_px=width)

    def blur_scale_px_m(self, focus_m: float) -> float:
        """kappa of the negative's signed blur radius, kappa (1/s - 1/Z), in pixels of the finished frame."""
        camera, negative, _ = self._geometry
        return blur_scale_px_m(
            pupil_mm=negative.entrance_pupil_mm,
            focal_mm=camera.focal_mm,
            focus_m=focus_m,
            width_px=self.finished_width_px,
            width_mm=camera.width_mm,
        )

    @property
    def finished_width_px(self) -> float:
        """Width of the finished frame, before rounding."""
        return self._geometry[2].exact_width_px

    @cached_property
    def _geometry(self) -> tuple[Side, Side, Raster]:
        return _geometry(self.plate, self.preset)

    @cached_property
    def _pull(self) -> FocusPull | None:
        focus = self.plate.shot.focus
        if focus is None or focus.point is not None:
            return None
        return focus.pull_m(self.plate.shot.lens.focal_behind_reducer_mm, None)


def open_job(
    shot: Path,
    layout: Path,
    *,
    preset: str,
    frames: str | None = None,
    proxy: str = "1",
    is_quick: bool = False,
    only_first: bool = False,
) -> Job:
    """Read both files and hold them against each other; SettingsError with every mistake.

    ``frames`` is a part of the shot's range.
    """
    wrong: list[Mistake] = []
    read, plate, shrink = None, None, 1
    try:
        read = load_layout(layout)
    except SettingsError as error:
        wrong.extend(error.mistakes)
    try:
        plate = open_without_depth(shot, frames=frames)
        _geometry(plate, preset)
        shrink = shrink_of(proxy, plate.footage_px)
    except SettingsError as error:
        wrong.extend(error.mistakes)
    if read is None or plate is None or wrong:
        raise SettingsError(wrong)
    job = Job(plate, read, layout, preset, shrink, is_quick, only_first)
    wrong = list(_at_odds(job))
    if wrong:
        raise SettingsError(wrong)
    return job


def _geometry(plate: Plate, preset: str) -> tuple[Side, Side, Raster]:
    return geometry(
        plate.shot,
        load_preset(preset),
        footage_px=plate.footage_px,
        pixel_aspect=plate.footage.probe.pixel_aspect,
    )


def _at_odds(job: Job) -> Iterator[Mistake]:
    """What a layout says that its shot does not bear out."""
    ground, onset, numbers = job.layout.ground, job.plate.shot.set, job.plate.numbers
    if ground.camera_height_m is None and onset.camera_height_m is None:
        yield Mistake(
            str(job.file), "ground.camera_height_m", "", "is required, here or under the shot's [set]",
            "measure from the ground to the middle of the lens, in metres",
        )  # fmt: skip
    if ground.horizon is None and ground.tilt_deg is None and onset.tilt_deg is None:
        yield Mistake(
            str(job.file), "ground.horizon", "", "neither the horizon nor the tilt is known",
            "give the y of the horizon (where things as high as the lens are seen), or lay a level on the camera and "
            "give tilt_deg",
        )  # fmt: skip
    try:
        job.focus_m(job.plate.numbers[0])
    except ValueError as error:
        yield Mistake(str(job.plate.shot.file), "focus", "", str(error), "check the tape, in metres")
    span = f"its frames are {listed(numbers)}"
    if job.first not in numbers:
        yield Mistake(str(job.file), "ground.frame", str(ground.frame), "is no frame of the shot", span)
    for i, each in enumerate(job.layout.cutout):
        if each.frame not in numbers:
            yield Mistake(
                str(job.file), f'cutout[{i}].frame (of "{each.name}")', str(each.frame), "is no frame of the shot", span
            )
        if each.level_m is not None and each.level_m == (ground.camera_height_m or onset.camera_height_m):
            rule = "lies at the lens's own height, where it is seen as a line"
            yield Mistake(str(job.file), f'cutout[{i}].level_m (of "{each.name}")', str(each.level_m), rule,
                          "measure both heights again")  # fmt: skip
