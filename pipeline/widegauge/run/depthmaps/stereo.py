"""Depth from a second view: the pair opened and looked at, each frame matched, and written in metres."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import TypeVar

import numpy as np

from widegauge.depth import metres, stereo
from widegauge.depth.rectify import Rectified, load_calibration, rectify
from widegauge.errors import MediaError, Mistake, SettingsError, mistake
from widegauge.frame import Float32
from widegauge.media.footage import listed, open_footage
from widegauge.physics.lens import image_distance_mm
from widegauge.plate import Plate
from widegauge.run.depthmaps.blur import blur_scale
from widegauge.run.depthmaps.small import light_at, shrink_of
from widegauge.run.depthmaps.write import depth_name, open_without_depth, refuse_sources, write_depth
from widegauge.shot import Shot

T = TypeVar("T")

WIDEST_PX = 2560
"""Wider views are matched, and maps written, at the largest whole fraction of their size that is no wider."""
LOWER_PX, SPREAD_PX = 1.0, 2.0
"""How much lower one view may show things than the other, and how much that may differ over the frame."""
SAME_PX = 0.3
"""Two views in which nearly all lies closer together than this, by columns, are one view."""
MOST_FRAC = 0.8
"""Nothing is looked for that lies farther apart in the two views than this share of their width."""
FEWEST_FRAC, FEWEST_TEXTURE_FRAC = 0.2, 0.02
"""Where less of the frame than this is found in the other view, or has any texture, the rest would be guesswork."""


@dataclass(frozen=True, slots=True)
class Rig:
    """How the two cameras stood, as told.

    focal_px      of both, in pixels of the footage; None: by the shot's lens and sensor
    baseline_m    between the entrance pupils; below 0: the other camera stood to the left
    offset_px     Z = focal_px baseline_m / (d + offset_px)
    converged_m   the distance at which the lens axes cross, in place of offset_px
    calibration   a file, in place of all the others
    nearest_m, farthest_m   of what is in the frame; found where None
    """

    focal_px: float | None = None
    baseline_m: float | None = None
    offset_px: float | None = None
    converged_m: float | None = None
    calibration: Path | None = None
    nearest_m: float | None = None
    farthest_m: float | None = None


@dataclass(frozen=True, slots=True)
class Pair:
    """A pair, opened.

    plate, other   the footage and its second view
    shrink         views are matched at 1 / shrink of their size
    focal_px, baseline_m, offset_px   at that size; of the rectified views where the pair is calibrated
    nearest_m, farthest_m             as told, or None
    rectified      None for a pair that is
    """

    plate: Plate
    other: Plate
    shrink: int
    focal_px: float
    baseline_m: float
    offset_px: float
    nearest_m: float | None
    farthest_m: float | None
    rectified: Rectified | None

    @property
    def matched_px(self) -> tuple[int, int]:
        """Width and height of the maps."""
        width, height = self.plate.footage_px
        return width // self.shrink, height // self.shrink

    @property
    def is_mirrored(self) -> bool:
        """The other camera stood to the left: the views are matched as a mirror shows them."""
        return self.baseline_m < 0.0

    @property
    def plain_offset_px(self) -> float:
        """Offset of the views as they are matched."""
        return -self.offset_px if self.is_mirrored else self.offset_px

    def disparity_px(self, distance_m: float) -> float:
        """Disparity that something at a distance has, in the views as they are matched."""
        return self.focal_px * abs(self.baseline_m) / distance_m - self.plain_offset_px

    def views(self, number: int) -> tuple[stereo.Bytes, stereo.Bytes]:
        """A frame's two views, ready to be matched."""
        shown = []
        for plate in (self.plate, self.other):
            shown.append(stereo.shown(light_at(plate, number, self.shrink)))
        if self.rectified is not None:
            shown = list(self.rectified.views(*shown))
        left, right = (np.ascontiguousarray(view[:, ::-1]) if self.is_mirrored else view for view in shown)
        return left, right


@dataclass(frozen=True, slots=True)
class Matched:
    """A frame's depth, (h, w) metres, everywhere known; and the share that was found in the other view."""

    depth_m: Float32
    share: float

    @property
    def nearest_m(self) -> float:
        """The nearest thing, a thousandth of the frame left out."""
        return float(np.quantile(self.depth_m, 0.001, method="nearest"))


def open_pair(
    shot: Path,
    right: Path,
    rig: Rig,
    *,
    out: Path,
    frames: str | None = None,
    right_part: str | None = None,
    proxy: str = "1",
) -> Pair:
    """Open a shot and its second view; SettingsError with every mistake in what was told of the two cameras."""
    wrong = list(_contradictions(rig))

    def each(read: Callable[[], T]) -> T | None:
        try:
            return read()
        except SettingsError as error:
            wrong.extend(error.mistakes)
        return None

    plate = each(lambda: open_without_depth(shot, frames=frames))
    calibration = None if rig.calibration is None else each(partial(load_calibration, rig.calibration))
    other = None if plate is None else each(partial(_other, plate, right, part=right_part))
    for opened in (plate, other):
        if opened is not None:
            each(partial(refuse_sources, out, opened))
    small = None if plate is None else each(partial(shrink_of, proxy, plate.footage_px))
    if wrong or plate is None or other is None or small is None:
        raise SettingsError(wrong)
    shrink = max(small, _shrink(plate.footage_px))
    rectified = None
    if calibration is not None and rig.calibration is not None:
        width, height = plate.footage_px
        rectified = rectify(calibration, size_px=(width // shrink, height // shrink), file=rig.calibration)
        focal_px, baseline_m, offset_px = rectified.focal_px, rectified.baseline_m, 0.0
    else:
        focal_px = (rig.focal_px or lens_focal_px(plate.shot, width_px=plate.footage_px[0])) / shrink
        baseline_m, offset_px = rig.baseline_m or 0.0, (rig.offset_px or 0.0) / shrink
        if rig.converged_m is not None:
            offset_px = focal_px * baseline_m / rig.converged_m
    return Pair(plate, other, shrink, focal_px, baseline_m, offset_px, rig.nearest_m, rig.farthest_m, rectified)


def lens_focal_px(shot: Shot, *, width_px: int) -> float:
    """The footage's focal length in pixels: the lens's image distance where it is focused, on the sensor."""
    focal_mm = shot.lens.focal_behind_reducer_mm
    focus_m = shot.focus.distance_m if shot.focus is not None else None
    return image_distance_mm(focal_mm=focal_mm, focus_m=focus_m or math.inf) * width_px / shot.camera.sensor_mm[0]


def look(pair: Pair) -> list[str]:
    """Look at the first frame: SettingsError for views that do not lie as was told; remarks where they nearly don't."""
    number = pair.plate.footage.numbers[0]
    left, right = pair.views(number)
    rows = stereo.find_rows(left, right)
    if rows is None:
        return ["too few corners are found in both views to tell whether their rows agree; look at the map"]
    lower_px, spread_px = rows.lower_px * pair.shrink, rows.spread_px * pair.shrink
    said = f"the other view shows things {abs(lower_px):.1f} px {'lower' if lower_px > 0.0 else 'higher'}"
    if spread_px > 0.5:
        said += f", and {spread_px:.1f} px more or less over the frame"
    if abs(rows.lower_px) > LOWER_PX or rows.spread_px > SPREAD_PX:
        if pair.rectified is not None:
            remedy = "calibrate the pair again as it stood, at the focus and zoom of the shot"
        elif rows.spread_px > SPREAD_PX:
            remedy = "shoot a chequerboard with both cameras as they stood, and give --calibration"
        else:
            remedy = f"move it {'up' if lower_px > 0.0 else 'down'} by that, or give --calibration"
        done = "after rectification " if pair.rectified is not None else ""
        raise mistake("RIGHT", "", f'"{pair.other.shot.footage.path}"', f"{done}rows do not agree: {said}", remedy)
    if float(np.mean(rows.columns + pair.plain_offset_px < -1.0)) > 0.5:
        if pair.plain_offset_px < 0.0:
            raise mistake(
                "--offset-px", "", f"{pair.offset_px * pair.shrink:.4g}",
                "puts things behind the camera",
                "look at its sign; or measure where the lens axes cross, and give --converged-m instead",
            )  # fmt: skip
        raise mistake(
            "RIGHT", "", f'"{pair.other.shot.footage.path}"',
            "things lie farther right in it than in the footage, as if behind the camera: the views are swapped",
            "name the view from the right; where the other camera did stand to the left, give --baseline-m below 0",
        )  # fmt: skip
    if pair.plain_offset_px == 0.0 and float(np.quantile(np.abs(rows.columns), 0.95)) < SAME_PX:
        raise mistake(
            "RIGHT", "", f'"{pair.other.shot.footage.path}"',
            "shows everything where the footage shows it: it is the same view, or all is too far away to tell",
            "name the view from beside it; for far things `widegauge depth layout` needs a camera height only",
        )  # fmt: skip
    return [f"{said}: near the limit of {LOWER_PX:g} px"] if abs(rows.lower_px) > 0.5 * LOWER_PX else []


def blur_per_px(pair: Pair, preset: str) -> float | None:
    """Error of the blur radius, in finished pixels, for one pixel of disparity (of the footage): blur is affine in it.

    None where the shot does not say where it is focused.
    """
    focus = pair.plate.shot.focus
    if focus is None or focus.point is not None:
        return None
    focus_m = focus.pull_m(pair.plate.shot.lens.focal_behind_reducer_mm, None).marks[0][1]
    scale_px_m = blur_scale(pair.plate, preset)(focus_m)
    return scale_px_m / (pair.focal_px * pair.shrink * abs(pair.baseline_m))


def match(pair: Pair, number: int) -> Matched:
    """A frame's depth; MediaError where too little of it is found in the other view, with what to do instead."""
    left, right = pair.views(number)
    low, high = _range(pair, left, right) or (0.0, 0.0)
    known = np.full(left.shape, np.nan, np.float32)
    if high > low and stereo.textured_share(left) >= FEWEST_TEXTURE_FRAC:
        known = stereo.match(left, right, lowest_px=low, highest_px=high)
    in_view = np.ones(left.shape, bool)
    if pair.rectified is not None:
        seen = [pair.rectified.seen(i) for i in (0, 1)]
        in_view, beside = (view[:, ::-1] if pair.is_mirrored else view for view in seen)
        column = np.arange(left.shape[1])[None, :] - np.rint(np.nan_to_num(known)).astype(np.intp)
        there = np.take_along_axis(beside, np.clip(column, 0, left.shape[1] - 1), axis=1)
        known = np.where(in_view & there, known, np.float32(np.nan))
    share = float(np.isfinite(known[in_view]).mean())
    if share < FEWEST_FRAC:
        raise MediaError(
            f"frame {number}: {share:.0%} of it is found in the other view, too little for depth. Light and texture "
            "are what it needs: check that both views are the same moment and in focus, give --nearest-m and "
            "--farthest-m, or measure the camera height instead and use `widegauge depth layout`."
        )
    whole = np.maximum(stereo.filled(known), np.float32(-pair.plain_offset_px))
    if pair.is_mirrored:
        whole = np.ascontiguousarray(whole[:, ::-1])
    depth_m = metres.disparity_m(
        whole,
        focal_px=pair.focal_px,
        baseline_m=abs(pair.baseline_m),
        offset_px=pair.plain_offset_px,
        invalid=None,
    )
    return Matched(depth_m if pair.rectified is None else pair.rectified.depth_m(depth_m), share)


def write_matched(pair: Pair, *, out: Path) -> Iterator[tuple[int, Matched]]:
    """Match and write each frame; its number and what was found, when it is done."""
    footage = pair.plate.footage
    for number in footage.numbers:
        if number not in footage.missing_numbers:
            found = match(pair, number)
            write_depth(out / depth_name(footage, number), found.depth_m)
            yield number, found


def _range(pair: Pair, left: stereo.Bytes, right: stereo.Bytes) -> tuple[float, float] | None:
    """Smallest and largest disparity to look for: as told, else as found."""
    farthest_px = pair.disparity_px(pair.farthest_m or math.inf)
    if pair.nearest_m is not None:
        return farthest_px - 1.0, min(pair.disparity_px(pair.nearest_m) + 1.0, MOST_FRAC * left.shape[1])
    return stereo.find_range(left, right, lowest_px=farthest_px - 1.0)


def _contradictions(rig: Rig) -> Iterator[Mistake]:
    """What was told of the two cameras that cannot be."""
    told = {"--focal-px": rig.focal_px, "--baseline-m": rig.baseline_m, "--offset-px": rig.offset_px,
            "--converged-m": rig.converged_m}  # fmt: skip
    if rig.calibration is not None:
        for option, value in told.items():
            if value is not None:
                yield Mistake(
                    option, "", f"{value:g}", "stands beside --calibration, which says it", "give one of the two"
                )
    elif rig.baseline_m is None:
        remedy = "measure from entrance pupil to entrance pupil, in metres; or give --calibration"
        yield Mistake("--baseline-m", "", "", "is required without --calibration", remedy)
    elif rig.baseline_m == 0.0:
        rule = "two views from one place show no depth"
        yield Mistake("--baseline-m", "", "0", rule, "measure from entrance pupil to entrance pupil, in metres")
    if rig.converged_m is not None and rig.offset_px is not None:
        rule = "stands beside --offset-px, which says the same"
        yield Mistake("--converged-m", "", f"{rig.converged_m:g}", rule, "give one of the two")
    for option, value in told.items():
        if value is not None and not math.isfinite(value) and option != "--converged-m":
            yield Mistake(option, "", f"{value:g}", "is not a finite number", "measure it, or leave it out")
    for option, value in (
        ("--focal-px", rig.focal_px), ("--converged-m", rig.converged_m), ("--nearest-m", rig.nearest_m),
        ("--farthest-m", rig.farthest_m),
    ):  # fmt: skip
        if value is not None and not value > 0.0 and not (math.isnan(value) and option == "--focal-px"):
            yield Mistake(option, "", f"{value:g}", "is not above 0", "leave it out if it is not known")
    if (rig.nearest_m or 0.0) >= (rig.farthest_m or math.inf):
        rule = "is not nearer than --farthest-m"
        yield Mistake("--nearest-m", "", f"{rig.nearest_m:g}", rule, "exchange the two")


def _other(plate: Plate, right: Path, *, part: str | None) -> Plate:
    """The second view as a plate: the shot's facts with other files; SettingsError where they do not go together."""
    facts = plate.shot.footage
    footage = open_footage(right, rate=facts.rate_or_none, missing="hold", part=part)
    there = set(footage.all_numbers) - set(footage.missing_numbers)
    lacking = [n for n in plate.footage.numbers if n not in there and n not in plate.footage.missing_numbers]
    wrong = []
    if lacking:
        rule = f"has no frame {listed(lacking)}; its frames are {listed(there)}"
        wrong.append(Mistake("RIGHT", "", f'"{right}"', rule, "number both views alike, or give --frames"))
    size = footage.probe.width_px, footage.probe.height_px
    if size != plate.footage_px:
        rule = f"is {size[0]} x {size[1]}, the footage {plate.footage_px[0]} x {plate.footage_px[1]}"
        wrong.append(Mistake("RIGHT", "", f'"{right}"', rule, "give both views at one size"))
    if wrong:
        raise SettingsError(wrong)
    shot = plate.shot.model_copy(update={"footage": facts.model_copy(update={"path": str(right), "part": part})})
    return Plate(shot, footage, plate.numbers, {})


def _shrink(size_px: tuple[int, int]) -> int:
    """By what whole number views are made smaller for matching; 1 where none divides both sides."""
    for shrink in range(1, 9):
        if size_px[0] / shrink <= WIDEST_PX and not any(side % shrink for side in size_px):
            return shrink
    return 1
