"""A shot's own depth, cleaned: each frame from those around it, with edges from the plate."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path

import cv2
import numpy as np

from widegauge.depth import clean, metres
from widegauge.depth.steady import Bytes, carried, shown
from widegauge.errors import MediaError, mistake
from widegauge.frame import Float32
from widegauge.kernels.discs import MAX_RADIUS_PX
from widegauge.plate import Plate
from widegauge.run.depthmaps.small import light_at, shrink_of, thinned
from widegauge.run.depthmaps.write import depth_name, write_depth
from widegauge.stages.defocus import blur_radius_px

NEAREST_FRAC = 0.5
"""Radii are scaled so that the nearest thing of the shot's first frame has this share of the largest."""


@dataclass(frozen=True, slots=True)
class Cleaned:
    """What was done to a frame.

    noise_frac    of the map as it came, a share of its values
    softness_px   of its edges as it came, Gaussian sigma in the map's pixels
    flicker_px    of the map against those around, in blur radius: the median
    frames        maps that went into it, its own included
    remarks       (what, share): unknown and filled, snapped
    """

    number: int
    noise_frac: float
    softness_px: float
    flicker_px: float
    frames: int
    remarks: tuple[tuple[str, float], ...]


@dataclass
class _Seen:
    """A frame's map without noise, its facts, and its picture as bytes at the map's size and the plate's."""

    radius_px: Float32
    noise_frac: float
    softness_px: float
    picture: Bytes


@dataclass
class Cleaner:
    """Cleans any frame of a plate.

    scale_px_m   kappa: what 1 / distance is worth in blur radius
    window       frames in each median, 1, 3 or 5
    shrink       by how much soft maps are made smaller before their edges are made hard: one ratio for the whole shot
    align_px     how far edges may move to the plate's; None: a pixel of a smaller or soft map, not at all in a hard one
    proxy        by which whole number the plate, and what comes out, is smaller than the footage
    """

    plate: Plate
    scale_px_m: float
    window: int = 5
    shrink: int = 1
    align_px: float | None = None
    proxy: int = 1
    _seen: dict[int, _Seen] = field(default_factory=dict)

    def frame(self, number: int) -> tuple[Float32, Cleaned]:
        """A frame's depth (H, W) metres at the footage's size, known everywhere, and what was done."""
        half = self.window // 2
        around = range(number - half, number + half + 1)
        numbers = [n for n in around if n == number or (n in self.plate.numbers and n in self.plate.depth)]
        self._seen = {n: self._seen.get(n) or self._look(n) for n in numbers}
        seen, here = [self._seen[n] for n in numbers], self._seen[number]
        maps = carried([s.radius_px for s in seen], [s.picture for s in seen], numbers.index(number))
        flicker_px = clean.flicker_px(maps, numbers.index(number))
        is_steady = here.noise_frac < clean.CLEAN_FRAC and flicker_px < clean.FLICKER_PX
        settled = here.radius_px if is_steady else clean.over_time(maps)
        used = 1 if is_steady else sum(not np.isnan(each).all() for each in maps)

        light = here.picture.astype(np.float32) / np.float32(255.0)
        height, width = light.shape[:2]
        lacking = float(np.isnan(settled).mean())
        settled = clean.filled_to_border(settled)
        settled = clean.smaller(settled, self.shrink)
        rows, columns = settled.shape
        rgb = light_at(self.plate, number, self.proxy)
        beside = cv2.resize(rgb, (columns, rows), interpolation=cv2.INTER_AREA) if columns < width else rgb
        hard, remarks = blur_radius_px(
            clean.distance(settled, self.scale_px_m),
            beside,
            scale_px_m=self.scale_px_m,
            focus_m=math.inf,
            number=number,
        )
        done = clean.on_plate(hard, settled, (width, height))
        free_px = self.align_px
        if free_px is None:
            is_rough = columns < width or any("snapped" in what for what, _ in remarks)
            free_px = max(clean.FREE_PX, width / columns) if is_rough else 0.0
        if free_px > 0.0:
            done = clean.to_light(done, light, free_px=free_px)
        remarks = tuple(each for each in remarks if "unknown" not in each[0])
        filled = (("unknown and filled", lacking),) if lacking else ()
        told = Cleaned(number, here.noise_frac, here.softness_px, flicker_px, used, filled + remarks)
        return clean.distance(done, self.scale_px_m), told

    def _look(self, number: int) -> _Seen:
        depth_m = _map_m(self.plate, number, self.proxy)
        radius_px = clean.radius_at_infinity(depth_m, self.scale_px_m)
        quiet = clean.without_noise(radius_px)
        picture = shown(light_at(self.plate, number, self.proxy))
        return _Seen(quiet, clean.noise_frac(radius_px), clean.softness_px(quiet), picture)


def cleaner(
    plate: Plate, *, scale_px_m: float, window: int, align_px: float | None = None, proxy: str = "1"
) -> Cleaner:
    """A cleaner for a shot with maps; SettingsError for one without."""
    if not plate.depth:
        raise mistake(
            plate.shot.file,
            "depth",
            None,
            "the shot has no depth maps to clean",
            "name them under [depth], or make some: `widegauge depth --help` lists the ways",
        )
    small = shrink_of(proxy, plate.footage_px)
    first = _map_m(plate, next(n for n in plate.numbers if n in plate.depth), small)
    nearest_m = float(np.nanquantile(first, 0.001))
    scale_px_m = min(scale_px_m, NEAREST_FRAC * MAX_RADIUS_PX * nearest_m)
    softness_px = clean.softness_px(clean.without_noise(clean.radius_at_infinity(first, scale_px_m)))
    return Cleaner(plate, scale_px_m, window, clean.shrink_for(softness_px), align_px, small)


def _map_m(plate: Plate, number: int, proxy: int) -> Float32:
    """A frame's own map in metres, no larger than the proxy; MediaError for one of another shape than the footage."""
    depth_m = plate.depth_m(number)
    assert depth_m is not None
    height, width = depth_m.shape
    footage_px = plate.footage_px
    if not metres.fits(depth_px=(width, height), footage_px=footage_px):
        raise MediaError(metres.sizes_differ(plate.depth[number].name, depth_px=(width, height), footage_px=footage_px))
    return thinned(depth_m, (footage_px[0] // proxy, footage_px[1] // proxy))


def write_cleaned(made: Cleaner, *, out: Path) -> Iterator[Cleaned]:
    """Clean and write each frame of the plate's range; what was done, when it is."""
    plate = made.plate
    for number in plate.footage.numbers:
        depth_m, told = made.frame(number)
        write_depth(out / depth_name(plate.footage, number), depth_m)
        yield told
