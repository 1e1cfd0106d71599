"""A shot's footage and depth, opened: frames as the stages will see them, at working size and in linear light."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import cached_property
from pathlib import Path

import cv2
import numpy as np

from widegauge.depth import metres
from widegauge.errors import MediaError, Mistake, SettingsError
from widegauge.frame import Float32, Frame
from widegauge.media.attributes import RATE
from widegauge.media.encoding import Encoding, bake
from widegauge.media.footage import Footage, list_frames, listed, open_footage
from widegauge.media.images import Picture, read_channel, size_px
from widegauge.shot import Depth, Shot
from widegauge.shot import Footage as FootageFacts
from widegauge.stages.stage import Raster
from widegauge.units import parse_frames

HEAL_REACH_PX = 2
"""A bad pixel is replaced by the mean of the good ones in a square this far around it."""


@dataclass(frozen=True)
class Plate:
    """A shot with its files found: reads any frame of it.

    shot       the facts
    footage    the frames
    numbers    frames of the whole shot that are there: the shot file's own range, whatever part is asked for
    depth      path of the depth map of each frame; empty without maps
    """

    shot: Shot
    footage: Footage
    numbers: tuple[int, ...]
    depth: Mapping[int, Path]

    @property
    def has_depth(self) -> bool:
        return self.shot.depth is not None

    @cached_property
    def encoding(self) -> Encoding:
        """The footage's curve, baked on first use."""
        facts = self.shot.footage
        stretched = self.footage.probe.stretched
        return bake(facts.encoding, facts.primaries, legal=facts.range == "legal", stretched=stretched)

    @property
    def footage_px(self) -> tuple[int, int]:
        """Width and height of the footage as shot."""
        return self.footage.probe.width_px, self.footage.probe.height_px

    def read(self, number: int) -> Picture:
        """A frame as code values; it carries the rate where the shot file states it, or where no header could."""
        picture = self.footage.read(number)
        if self.shot.footage.rate is None and picture.kind != "movie":
            return picture
        rate = self.footage.rate
        return replace(
            picture,
            attributes=picture.attributes | {RATE: (rate.numerator, rate.denominator)},
            attribute_types=picture.attribute_types | {RATE: "rational"},
        )

    def linear(self, picture: Picture) -> tuple[Float32, tuple[tuple[str, float], ...]]:
        """Scene-linear pixels of a picture as shot: decoded, healed, clipped lamps lifted; and remarks on that."""
        rgb, healed = heal(self.encoding.decode(picture.rgb))
        remarks = [("healed pixels", float(healed))] if healed else []
        facts = self.shot.footage
        if facts.clip_linear > 0.0:
            clipped = np.asarray((rgb >= np.float32(facts.clip_linear)).any(axis=-1))
            remarks.append(("clipped share", float(clipped.mean())))
            if facts.highlight_stops > 0.0 and clipped.any():
                rgb = np.where(clipped[..., None], rgb * np.float32(2.0**facts.highlight_stops), rgb)
        return rgb, tuple(remarks)

    def frame(self, number: int, picture: Picture, raster: Raster) -> Frame:
        """A frame at working size, in linear light, with its depth."""
        rgb, remarks = self.linear(picture)
        plate_px = (raster.plate_width_px, raster.plate_height_px)
        depth_m = self.depth_m(number)
        if depth_m is not None:
            name = self.depth[number].name if self.depth else "depth.constant_m"
            depth_m = metres.to_plate(depth_m, footage_px=self.footage_px, plate_px=plate_px, name=name)
        return Frame(number=number, rgb=resized(rgb, plate_px), depth_m=depth_m, remarks=remarks)

    def depth_m(self, number: int) -> Float32 | None:
        """The frame's depth in metres at the map's own size; not-a-number where it is not known."""
        facts = self.shot.depth
        if facts is None:
            return None
        if facts.constant_m is not None:
            width, height = self.footage_px
            return np.full((height, width), facts.constant_m, dtype=np.float32)
        path = self.depth[number]
        try:
            depth_m = self._in_metres(facts, _values(path, facts))
        except MediaError as error:
            raise error if path.name in str(error) else MediaError(f"{path}: {error}") from None
        if not (depth_m > 0.0).any():
            raise MediaError(
                f"{path}: no depth value is known (all are {facts.invalid} or not a number); check the map"
            )
        return depth_m

    def _in_metres(self, facts: Depth, values: Float32) -> Float32:
        match facts.kind:
            case "distance":
                return metres.distance_m(values, metres_per_unit=facts.metres_per_unit, invalid=facts.invalid)
            case "disparity":
                return metres.disparity_m(
                    values,
                    focal_px=facts.focal_px or 0.0,
                    baseline_m=facts.baseline_m or 0.0,
                    offset_px=facts.offset_px,
                    invalid=facts.invalid,
                )
            case "inverse":
                slope, intercept = self._inverse_line
                return metres.inverse_m(values, slope=slope, intercept=intercept, invalid=facts.invalid)

    @cached_property
    def _inverse_line(self) -> tuple[float, float]:
        """The line through the taped distances, fitted on the shot's first frame and kept."""
        facts = self.shot.depth
        assert facts is not None
        first = self.depth[self.numbers[0]]
        return metres.fit_inverse(_values(first, facts), facts.taped, invalid=facts.invalid)

    def focus_point_m(self, point: tuple[float, float]) -> float:
        """Depth at x, y (fractions of the footage) in the shot's first frame."""
        depth_m = self.depth_m(self.numbers[0])
        if depth_m is None:
            raise MediaError("focus.point needs depth; give [depth], or a focus distance")
        return metres.at_point(depth_m, point)


def open_plate(shot: Shot, *, frames: str | None = None) -> Plate:
    """Find a shot's frames and depth maps; SettingsError with every file that is not there.

    ``frames`` is a part of the shot file's own range.
    """
    facts: FootageFacts = shot.footage
    wrong: list[Mistake] = []
    footage = open_footage(
        shot.at(facts.path),
        frames=frames or facts.frames,
        rate=facts.rate_or_none,
        missing=facts.missing,
        part=facts.part,
    )
    whole = parse_frames(facts.frames) if facts.frames else footage.all_numbers
    outside = [n for n in footage.numbers if n not in whole]
    if outside:
        rule = f"{listed(outside)} lies outside the shot file's own range, {facts.frames or listed(whole)}"
        wrong.append(Mistake("--frames", "", f'"{frames}"', rule, "ask for a part of it, or change footage.frames"))
    numbers = tuple(n for n in whole if n not in footage.missing_numbers)
    depth: dict[int, Path] = {}
    if shot.depth is not None and shot.depth.path is not None:
        place = shot.at(shot.depth.path)
        depth = list_frames(place)
        wanted = set(footage.numbers)
        if shot.depth.kind == "inverse" or (shot.focus is not None and shot.focus.point is not None):
            wanted.add(numbers[0])  # fitted, or focused, on the shot's first frame
        lacking = sorted(n for n in wanted if n not in depth and n not in footage.missing_numbers)
        if lacking:
            wrong.append(
                Mistake(
                    str(shot.file),
                    "depth.path",
                    f'"{shot.depth.path}"',
                    f"no depth map for frame {listed(lacking)}",
                    "add the maps, narrow footage.frames, or turn defocus off and leave [depth] out",
                )
            )
        elif depth:
            held = {n: depth[max((m for m in depth if m <= n), default=min(depth))] for n in footage.numbers}
            first_px = size_px(depth[min(depth)], part=shot.depth.part)
            depth = depth | held
            footage_px = (footage.probe.width_px, footage.probe.height_px)
            if not metres.fits(depth_px=first_px, footage_px=footage_px):
                said = metres.sizes_differ(
                    first_name := depth[min(depth)].name, depth_px=first_px, footage_px=footage_px
                )
                rule, _, remedy = said.removeprefix(f"{first_name}: ").partition(". ")
                wrong.append(Mistake(str(shot.file), "depth.path", f'"{shot.depth.path}"', rule, remedy.rstrip(".")))
    if wrong:
        raise SettingsError(wrong)
    return Plate(shot, footage, numbers, depth)


def heal(rgb: Float32) -> tuple[Float32, int]:
    """Replace pixels that are not a number, or infinite, by the mean of the good ones around; and their count.

    A bad pixel with no good one within reach becomes black. The input is returned as it is when all is well.
    """
    bad = np.asarray(~np.isfinite(rgb).all(axis=-1))
    count = int(np.count_nonzero(bad))
    if count == 0:
        return rgb, 0
    zeroed = np.where(bad[..., None], np.float32(0.0), rgb)
    size = (2 * HEAL_REACH_PX + 1,) * 2
    total = cv2.boxFilter(zeroed, cv2.CV_64F, size, normalize=False, borderType=cv2.BORDER_CONSTANT)
    good = cv2.boxFilter((~bad).astype(np.float64), cv2.CV_64F, size, normalize=False, borderType=cv2.BORDER_CONSTANT)
    zeroed[bad] = (total[bad] / np.maximum(good[bad], 1.0)[:, None]).astype(np.float32)
    return zeroed, count


def resized(rgb: Float32, size_px: tuple[int, int]) -> Float32:
    """Pixels at another (width, height): averaged by area when smaller, cubic when larger."""
    height, width = rgb.shape[:2]
    if (width, height) == size_px:
        return rgb
    way = cv2.INTER_AREA if size_px[0] < width else cv2.INTER_CUBIC
    return np.asarray(cv2.resize(rgb, size_px, interpolation=way), dtype=np.float32)


def _values(path: Path, facts: Depth) -> Float32:
    """A depth map's plain numbers; only an EXR has channels to choose from."""
    channel = facts.channel if path.suffix.lower() == ".exr" else None
    return read_channel(path, channel, part=facts.part)
