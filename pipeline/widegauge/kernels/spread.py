"""Blur a picture by a radius of its own for every pixel, near before far, light kept."""

from __future__ import annotations

from typing import Any

import cv2
import numpy as np
import numpy.typing as npt
from scipy.ndimage import maximum_filter

from widegauge.kernels import background, scatter, silhouette
from widegauge.kernels import tiles as tiling
from widegauge.kernels.bands import for_bands
from widegauge.kernels.discs import FINE_STEPS, OCTAVE_STEPS, RUN_RADIUS_PX, SMALL, Discs
from widegauge.kernels.scratch import scratch

Float32 = npt.NDArray[np.float32]
HIGHEST = 2.0**15
"""Light up to here is added at full precision; a picture with more is scaled by a power of two while at work."""


def spread(
    rgb: Float32,
    radius_px: Float32,
    discs: Discs,
    *,
    bright_cut: float = 0.0,
    bright_gain: float = 1.0,
    bright_size: float = 0.0,
    rim: tuple[float, float, float, float] = (0.0, 0.0, 1.0, 0.0),
    hidden_rgb: Float32 | None = None,
    hidden_radius_px: Float32 | None = None,
) -> tuple[Float32, Float32]:
    """The blurred picture, and the share of white noise's variance that each of its pixels keeps.

    rgb        (H, W, 3) float32, finite
    radius_px  (H, W) float32, finite, below 0 in front of the plane in focus, within the ladder of ``discs``
    bright     light by which a pixel is brighter than 1 after the gain is drawn smaller: three stops above by the cut;
               the size is that of a lamp already, in radii of the kernel that it gets
    rim        (middle x, middle y, half diagonal, shift there in radii) of a second disc that clips every kernel
    hidden     what lies behind the nearest surface, (H, W, 3) and (H, W), not-a-number for nothing: tests only;
               otherwise it is made up from what is seen beside each silhouette

    Beyond its borders the picture goes on as in a mirror. Nothing is written to the inputs. The bits of the result
    do not depend on the number of threads.
    """
    height, width = radius_px.shape
    entry = scratch("entry", (height, width), np.uint16)
    link = scratch("link", (height, width), np.int32)

    order = scratch("order", (height, width), np.uint8)
    lamp = scratch("lamp", (height, width) if bright_cut > 0.0 else (0, 0), np.uint16)
    ladder = (discs.group, SMALL, np.float32(FINE_STEPS), OCTAVE_STEPS, RUN_RADIUS_PX, discs.count)
    cut, gain = np.float32(bright_cut), np.float32(bright_gain)
    for_bands(
        height, lambda y0, y1: scatter.ladder_index(radius_px, rgb, cut, gain, *ladder, entry, order, lamp, y0, y1)
    )
    reach = _most(entry, discs)
    last = scratch("last", (height, width), np.uint8)
    pieces = _pieces(rgb, radius_px, order, link, last, reach, hidden_rgb, hidden_radius_px)
    piece_radius, piece_weight, piece_rgb = pieces
    piece_entry = scratch("piece_entry", piece_radius.shape, np.uint16)
    piece_order = scratch("piece_order", piece_radius.shape, np.uint8)
    piece_lamp = scratch("piece_lamp", piece_radius.shape if bright_cut > 0.0 else (0, 2), np.uint16)
    if piece_radius.size:
        scatter.ladder_index(
            piece_radius, piece_rgb, cut, gain, *ladder, piece_entry, piece_order, piece_lamp, 0, len(piece_radius)
        )
    reach = max(reach, _most(piece_entry, discs))
    blocks = (-(-height // scatter.BLOCK), -(-width // scatter.BLOCK))
    block_reach = np.empty(blocks, np.int32)
    for_bands(
        blocks[0],
        lambda y0, y1: scatter.block_reach(entry, link, piece_entry, discs.rows, block_reach, y0, y1),
        rows=1,
    )
    around = (
        _around(height, width, bright_gain, 1.5 * (1.0 + bright_size) * reach)
        if bright_cut > 0.0
        else np.zeros((0, 0), np.float32)
    )
    out = np.empty_like(rgb)
    noise = np.empty((height, width), np.float32)
    peak = float(max(rgb.max(), -rgb.min())) if rgb.size else 0.0
    down = 2.0 ** -max(0, int(np.ceil(np.log2(max(peak, 1.0) / HIGHEST))))
    light_bits = 2.0**scatter.ONE_BITS * down
    rims = np.array(rim)
    high, wide, groups = scatter.TILE_HIGH, scatter.TILE_WIDE, discs.groups

    def tiles(y0: int, y1: int) -> None:
        sums = scratch("sums", (4, high, 4 * (wide + 2)), np.int64)
        light = scratch("light", (high, wide, 4, 5), np.float32)
        own = scratch("own", (2 * int(discs.rows.max()) + 1, 2), np.int32)
        tilt = scratch("tilt", (4, wide + 2 * reach), np.float64)
        starts = scratch("starts", (groups,), np.int64)
        places = scratch("places", ((high + 2 * reach) * (wide + 2 * reach) // 4,), np.int64)
        q = scratch("q", (4, 4 * (wide + 2 * reach + 2)), np.int64)
        before = scratch("before", (4, 4 * (wide + 2 * reach + 2)), np.int64)
        for x0 in range(0, width, wide):
            while True:
                more = tiling.render_tile(
                    rgb, radius_px, entry, order, lamp, link,
                    piece_radius, piece_entry, piece_order, piece_lamp, piece_weight, piece_rgb, block_reach,
                    reach, last, gain, around,
                    discs.dense, discs.first, discs.rows, discs.ends, discs.area, discs.squares,
                    discs.radius_px, discs.quarter, groups, SMALL, discs.count, light_bits, rims,
                    x0, y0, min(x0 + wide, width), y1, sums, light, places, starts, own, q, before,
                    tilt, out, noise,
                )  # fmt: skip
                if not more:
                    break
                places = scratch("places", (more,), np.int64)

    for_bands(height, tiles, rows=high)
    return out, noise


def _around(height: int, width: int, gain: float, reach: float) -> Float32:
    """The median light around each cell, after a gain, to 1/16 stop; ``_pieces`` has left the cells' mean light."""
    cells = (-(-height // background.CELL), -(-width // background.CELL))
    level = scratch("small_rgb", (*cells, 3), np.float32).max(axis=2) * np.float32(gain)
    stops = np.clip(np.log2(np.maximum(level, 1e-6)) * 16.0 + 192.0, 0.0, 255.0).astype(np.uint8)
    side = min(2 * int(np.ceil(reach / background.CELL)) + 1, 255)
    median: Float32 = np.exp2((cv2.medianBlur(stops, side).astype(np.float32) - 192.0) / 16.0)
    return median


def _most(entry: npt.NDArray[Any], discs: Discs) -> int:
    used = np.bincount(entry.ravel(), minlength=2 * discs.count) > 0
    return int(discs.rows[used].max(initial=0))


def _pieces(
    rgb: Float32,
    radius: Float32,
    order: npt.NDArray[Any],
    link: npt.NDArray[Any],
    last: npt.NDArray[Any],
    reach: int,
    hidden_rgb: Float32 | None,
    hidden_radius: Float32 | None,
) -> tuple[Float32, Float32, Float32]:
    height, width = radius.shape
    flags = scratch("flags", (height, width), np.uint8)
    left = scratch("left_seed", (height, width), np.int32)
    right = scratch("right_seed", (height, width), np.int32)
    seed = scratch("seed", (height, width), np.int32)
    counts = np.zeros(height, np.int64)

    def mark(y0: int, y1: int) -> None:
        silhouette.mark(radius, flags, y0, y1)
        silhouette.nearest_in_row(flags, left, right, y0, y1)

    for_bands(height, mark)
    far = int(2 * reach + silhouette.MORE_PX)
    cells = (-(-height // silhouette.CELL), -(-width // silhouette.CELL))
    farthest = np.empty(cells, np.float32)
    for_bands(cells[0], lambda y0, y1: silhouette.farthest_seed(radius, flags, farthest, y0, y1), rows=4)
    farthest = maximum_filter(farthest, size=2 * -(-far // silhouette.CELL) + 1, mode="nearest")
    for_bands(
        height,
        lambda y0, y1: silhouette.find_seeds(
            rgb, radius, order, flags, left, right, farthest, far, seed, last, counts, y0, y1
        ),
    )
    offsets = np.cumsum(counts) - counts
    total = int(counts.sum())
    piece_radius = scratch("piece_radius", (total, 2), np.float32)
    piece_weight = scratch("piece_weight", (total, 2), np.float32)
    piece_rgb = scratch("piece_rgb", (total, 2, 3), np.float32)
    cells = (-(-height // background.CELL), -(-width // background.CELL))
    small_rgb = scratch("small_rgb", (*cells, 3), np.float32)
    lowest, highest = scratch("lowest", cells, np.float32), scratch("highest", cells, np.float32)
    for_bands(
        cells[0], lambda y0, y1: background.shrink(rgb, radius, flags, small_rgb, lowest, highest, y0, y1), rows=8
    )
    for_bands(
        height,
        lambda y0, y1: silhouette.split(
            rgb,
            radius,
            flags,
            seed,
            small_rgb,
            lowest,
            highest,
            offsets,
            link,
            piece_radius,
            piece_weight,
            piece_rgb,
            y0,
            y1,
        ),
    )
    if hidden_rgb is not None and hidden_radius is not None:
        at = np.isfinite(hidden_radius)
        k = link[at]
        ok = (k >= 0) & (piece_weight[np.maximum(k, 0), 0] >= 0.999)
        piece_rgb[k[ok], 1] = hidden_rgb[at][ok]
        piece_radius[k[ok], 1] = hidden_radius[at][ok]
    return piece_radius, piece_weight, piece_rgb
