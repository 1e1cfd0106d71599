"""Depth by a network: frames shown to it, its maps settled over time, and written as they are or in metres."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass, replace
from functools import cached_property
from pathlib import Path

import numpy as np
import numpy.typing as npt

from widegauge.depth import metres
from widegauge.depth.network import Network, Wants, load, tiled
from widegauge.depth.scale import Tape
from widegauge.depth.steady import carried, shown
from widegauge.errors import MediaError, Mistake, SettingsError
from widegauge.frame import Float32
from widegauge.media.encoding import bake, rgb_matrix
from widegauge.media.footage import listed
from widegauge.plate import Plate, resized
from widegauge.run.depthmaps.scale import Maps, Scaled, fit_tapes
from widegauge.run.depthmaps.small import light_at, shrink_of
from widegauge.run.depthmaps.write import CHANNEL, depth_name, open_without_depth, refuse_sources, write_depth

RELATIVE = "relative"
"""Folder, within the maps' own, of the maps as the network gives them."""
FLOW_WIDTH_PX = 1280
"""Motion is looked for on pictures no wider than this."""
LONGEST_WINDOW, MOST_TILES = 9, 8


@dataclass(frozen=True)
class Job:
    """A shot and its network.

    columns, rows   of tiles
    window          frames over which a value's median is taken; 1: none
    tapes           taped distances, on frames of the shot; empty: the maps stay relative
    shrink          by which whole number frames are made smaller before the network sees them, and maps at least
    """

    plate: Plate
    network: Network
    columns: int
    rows: int
    window: int
    tapes: tuple[Tape, ...]
    out: Path
    shrink: int = 1

    @property
    def is_metric(self) -> bool:
        return self.network.kind == "metric"

    @property
    def maps(self) -> Path:
        """Folder of the network's own maps."""
        return self.out if self.is_metric else self.out / RELATIVE

    @cached_property
    def map_px(self) -> tuple[int, int]:
        """Width and height of the maps: the smallest whole fraction of the footage's that holds all its detail."""
        width, height = self.plate.footage_px
        given, _ = self.network.size_px(height, width)
        fractions = [
            n for n in range(1, 17) if width % n == 0 and height % n == 0 and width / n >= given * self.columns
        ]
        shrink = max([self.shrink, *fractions])
        return width // shrink, height // shrink

    @cached_property
    def _to_srgb(self) -> Callable[[Float32], Float32]:
        facts = self.plate.shot.footage
        matrix = rgb_matrix(facts.primaries, "ITU-R BT.709").astype(np.float32) * np.float32(2.0**facts.exposure_stops)
        curve = bake("sRGB", "ITU-R BT.709")
        return lambda light: np.clip(curve.encode(np.ascontiguousarray(light @ matrix.T)), 0.0, 1.0)

    def see(self, number: int) -> tuple[Float32, npt.NDArray[np.uint8]]:
        """What the network says of a frame, as inverse depth; and the frame as bytes, to look for motion on."""
        light = light_at(self.plate, number, self.shrink)
        try:
            said = tiled(self.network, self._to_srgb(light), columns=self.columns, rows=self.rows, size_px=self.map_px)
        except MediaError as error:
            raise MediaError(f"frame {number}: {error}") from None
        height, width = light.shape[:2]
        small = min(1.0, FLOW_WIDTH_PX / width)
        return said, shown(resized(light, (round(width * small), round(height * small))))


def open_job(
    shot: Path,
    model: Path,
    wants: Wants,
    *,
    out: Path,
    frames: str | None,
    tiles: str,
    window: int,
    tapes: Sequence[Tape],
    proxy: str = "1",
) -> Job:
    """Open a shot and a network; SettingsError with every mistake in either, or in how they are to be used."""
    wrong: list[Mistake] = []
    plate, network, shrink = None, None, 1
    try:
        plate = open_without_depth(shot, frames=frames)
        shrink = shrink_of(proxy, plate.footage_px)
        refuse_sources(out, plate)
    except SettingsError as error:
        wrong.extend(error.mistakes)
    try:
        network = load(model, wants)
    except SettingsError as error:
        wrong.extend(error.mistakes)
    columns, rows = _tiles(tiles, wrong)
    if window % 2 == 0 or not 1 <= window <= LONGEST_WINDOW:
        rule = f"is no odd number of frames up to {LONGEST_WINDOW}"
        wrong.append(Mistake("--window", "", str(window), rule, "3 or 5 settle flicker; 1 leaves maps as they are"))
    if network is not None and network.kind == "metric" and tapes:
        rule = "stands beside a metric network, whose maps are metres already"
        wrong.append(Mistake("--tape", "", str(tapes[0]), rule, "leave it out, or say --kind inverse"))
    if plate is not None:
        for tape in tapes:
            if tape.frame is not None and tape.frame not in plate.numbers:
                rule = f"frame {tape.frame} is not in the shot"
                wrong.append(Mistake("--tape", "", str(tape), rule, f"its frames are {listed(plate.numbers)}"))
    if wrong or plate is None or network is None:
        raise SettingsError(wrong)
    first = plate.numbers[0]
    placed = tuple(tape if tape.frame is not None else replace(tape, frame=first) for tape in tapes)
    return Job(plate, network, columns, rows, window, placed, out, shrink)


def write_maps(job: Job) -> Iterator[tuple[int, Float32]]:
    """Write the network's own maps, settled over time; each frame's number and map, when it is done.

    A metric network's are metres, an inverse one's are its own values, for frames that are taped too.
    """
    whole = job.plate.numbers
    wanted = sorted({n for n in job.plate.footage.numbers if n in whole} | {t.frame or whole[0] for t in job.tapes})
    for number, inverse in _settled(job, wanted):
        path = job.maps / depth_name(job.plate.footage, number)
        written = _metres(inverse) if job.is_metric else inverse
        write_depth(path, written)
        yield number, written


def scale(job: Job) -> Scaled:
    """The line through the tapes; SettingsError where there is none: the maps need not be made again."""
    try:
        return fit_tapes(job.plate, _relative(job), job.tapes)
    except SettingsError as error:
        again = f'; the maps are in "{job.maps}", and `widegauge depth scale` takes them with other tapes or kind'
        raise SettingsError([replace(each, remedy=each.remedy + again) for each in error.mistakes]) from None


def write_scaled(job: Job, scaled: Scaled) -> None:
    """Write the frames asked for in metres."""
    maps = _relative(job)
    for number in job.plate.footage.numbers:
        if number in maps.files:
            values = scaled.metres(maps.read(number), number)
            write_depth(job.out / depth_name(job.plate.footage, number), values)


def _relative(job: Job) -> Maps:
    footage = job.plate.footage
    files = {n: job.maps / depth_name(footage, n) for n in job.plate.numbers}
    return Maps({n: path for n, path in files.items() if path.is_file()}, CHANNEL, True, None)


def _metres(inverse: Float32) -> Float32:
    return metres.inverse_m(inverse, slope=1.0, intercept=0.0, invalid=None)


def _settled(job: Job, wanted: Sequence[int]) -> Iterator[tuple[int, Float32]]:
    """Each wanted frame's map: at every place the median over the window, along the motion, of what is the same place.

    The window reaches into the whole shot, so that a part of it gives the same maps. Frames are seen side by side.
    """
    whole, half = job.plate.numbers, job.window // 2
    position = {number: i for i, number in enumerate(whole)}
    side_by_side = max(1, os.cpu_count() or 1)
    seen: dict[int, Future[tuple[Float32, npt.NDArray[np.uint8]]]] = {}
    with ThreadPoolExecutor(side_by_side) as pool:
        for number in wanted:
            at = position[number]
            around = range(max(0, at - half), min(len(whole), at + half + 1))
            ahead = range(around.stop, min(len(whole), around.stop + side_by_side))
            useful = [i for i in ahead if any(abs(i - position[n]) <= half for n in wanted)]
            for i in (*around, *useful):
                if i not in seen:
                    seen[i] = pool.submit(job.see, whole[i])
            for i in [i for i in seen if i < around.start]:
                del seen[i]
            views = [seen[i].result() for i in around]
            yield number, _median([said for said, _ in views], [picture for _, picture in views], at - around.start)


def _median(maps: list[Float32], pictures: list[npt.NDArray[np.uint8]], at: int) -> Float32:
    if len(maps) == 1:
        return maps[0]
    return np.asarray(np.nanmedian(np.stack(carried(maps, pictures, at)), axis=0), dtype=np.float32)


def _tiles(text: str, wrong: list[Mistake]) -> tuple[int, int]:
    try:
        columns, rows = (int(part) for part in text.lower().split("x"))
    except ValueError:
        columns = rows = 0
    if not (1 <= columns <= MOST_TILES and 1 <= rows <= MOST_TILES):
        wrong.append(
            Mistake(
                "--tiles",
                "",
                text,
                f"is not columns x rows, up to {MOST_TILES} each",
                "write 3x2; 1x1 is the whole frame",
            )
        )
        return 1, 1
    return columns, rows
