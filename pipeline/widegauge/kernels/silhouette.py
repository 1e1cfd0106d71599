"""Where a near surface ends before a far one: what lies hidden behind it, and how its edge pixels are mixed.

A silhouette runs between two neighbours whose signed radii differ by more than STEP_PX. Behind every near pixel that
lets something through once it is blurred, a piece of the far surface is made up from what is seen beside it. A pixel
on the silhouette is a mixture and is split into two pieces that add up to it again.
"""

from __future__ import annotations

import numpy as np
from numba import njit

from widegauge.kernels.background import behind
from widegauge.kernels.matte import LAMP, matte, take_spill

STEP_PX = 1.0
NEAR, FAR, SKIRT = 1, 2, 4
SKIRT_PX = 2
"""Light of a lamp spills this far over its edge (optics, sampling) onto pixels whose depth is the far one."""
MORE_PX = 3.0
"""Hidden pieces reach this much farther than the two discs."""
TRIES = 12
OPEN, OPEN_PX, CLOSE_GROUPS = 255, 2.0, 2
CELL = 16
"""Side of the cells that are passed over whole where no silhouette is within reach."""


@njit(nogil=True, cache=True)
def mark(radius, out, y0, y1):  # type: ignore[no-untyped-def]
    """Flag pixels next to a silhouette: NEAR on its near side, FAR on its far side (both are possible)."""
    height, width = radius.shape
    for y in range(y0, y1):
        for x in range(width):
            c = radius[y, x]
            flag = 0
            for yy, xx in ((y - 1, x), (y + 1, x), (y, x - 1), (y, x + 1)):
                if 0 <= yy < height and 0 <= xx < width:
                    step = radius[yy, xx] - c
                    if step > STEP_PX:
                        flag |= NEAR
                    elif step < -STEP_PX:
                        flag |= FAR
            out[y, x] = flag


@njit(nogil=True, cache=True)
def nearest_in_row(flags, left, right, y0, y1):  # type: ignore[no-untyped-def]
    """For each pixel the nearest FAR pixel of its row at or before it, and at or after it (-1 and width: none)."""
    width = flags.shape[1]
    for y in range(y0, y1):
        last = -1
        for x in range(width):
            if flags[y, x] & FAR:
                last = x
            left[y, x] = last
        last = width
        for x in range(width - 1, -1, -1):
            if flags[y, x] & FAR:
                last = x
            right[y, x] = last


@njit(nogil=True, cache=True)
def _in_skirt(rgb, radius, right, y, x):  # type: ignore[no-untyped-def]
    """Whether a pixel of the far side lies within SKIRT_PX of a lamp in front of it: its light may have spilled."""
    height = radius.shape[0]
    beside = False
    for yy in range(max(y - SKIRT_PX, 0), min(y + SKIRT_PX + 1, height)):
        beside = beside or right[yy, max(x - SKIRT_PX, 0)] <= x + SKIRT_PX
    return beside and _lamp_in_front(rgb, radius, y, x) >= 0


@njit(nogil=True, cache=True)
def _lamp_in_front(rgb, radius, y, x):  # type: ignore[no-untyped-def]
    """The brightest pixel within SKIRT_PX that is nearer and a lamp beside this one, as y * width + x; -1: none."""
    height, width = radius.shape
    most = LAMP * max(rgb[y, x, 0], rgb[y, x, 1], rgb[y, x, 2], np.float32(0.125))
    found = -1
    for yy in range(max(y - SKIRT_PX, 0), min(y + SKIRT_PX + 1, height)):
        for xx in range(max(x - SKIRT_PX, 0), min(x + SKIRT_PX + 1, width)):
            level = max(rgb[yy, xx, 0], rgb[yy, xx, 1], rgb[yy, xx, 2])
            if level > most and radius[yy, xx] < radius[y, x] - STEP_PX:
                most, found = level, yy * width + xx
    return found


@njit(nogil=True, cache=True)
def farthest_seed(radius, flags, out, y0, y1):  # type: ignore[no-untyped-def]
    """Greatest radius of any FAR pixel in each cell of CELL x CELL pixels, cell rows y0 to y1; -infinity: none."""
    height, width = radius.shape
    for y in range(y0, y1):
        for x in range(out.shape[1]):
            most = np.float32(-np.inf)
            for yy in range(y * CELL, min(y * CELL + CELL, height)):
                for xx in range(x * CELL, min(x * CELL + CELL, width)):
                    if flags[yy, xx] & FAR:
                        most = max(most, radius[yy, xx])
            out[y, x] = most


@njit(nogil=True, cache=True)
def find_seeds(  # type: ignore[no-untyped-def]
    rgb, radius, order, flags, left, right, farthest, reach, seed, last, counts, y0, y1
):
    """Nearest FAR pixel that lies behind each pixel and near enough to matter, as y * width + x; -1 where none.

    ``farthest`` is the greatest radius of a FAR pixel within reach of each cell. Exact: rows by rising distance, then
    along the row; the first of equals wins. ``counts[y]`` says for how many pixels of the row pieces are needed
    (hidden ones and flagged ones). ``last`` gets the last group of the order that can be seen at the pixel: its own
    and the next ones, or OPEN where a silhouette is so near that something farther may shine past it.
    """
    height, width = radius.shape
    for y in range(y0, y1):
        count = 0
        for x in range(width):
            c = radius[y, x]
            most = farthest[y // CELL, x // CELL]
            seed[y, x] = -1
            last[y, x] = min(order[y, x] + CLOSE_GROUPS, OPEN)
            if most <= c + STEP_PX:
                if flags[y, x] == 0 and _in_skirt(rgb, radius, right, y, x):
                    flags[y, x] = SKIRT
                count += flags[y, x] != 0
                continue
            limit = min(reach, int(abs(c) + max(abs(c), most) + MORE_PX))
            best = (limit + 1) * (limit + 1)
            found = -1
            for step in range(2 * limit + 1):
                dy = (step + 1) // 2
                if dy * dy >= best:
                    break
                yy = y - dy if step & 1 else y + dy
                if yy < 0 or yy >= height:
                    continue
                xx = right[yy, x]
                for _ in range(TRIES):
                    if xx >= width or (xx - x) * (xx - x) + dy * dy >= best:
                        break
                    if radius[yy, xx] > c + STEP_PX:
                        best = (xx - x) * (xx - x) + dy * dy
                        found = yy * width + xx
                        break
                    xx = right[yy, xx + 1] if xx + 1 < width else width
                xx = left[yy, x]
                for _ in range(TRIES):
                    if xx < 0 or (xx - x) * (xx - x) + dy * dy >= best:
                        break
                    if radius[yy, xx] > c + STEP_PX:
                        best = (xx - x) * (xx - x) + dy * dy
                        found = yy * width + xx
                        break
                    xx = left[yy, xx - 1] if xx > 0 else -1
            if best <= (abs(c) + OPEN_PX) * (abs(c) + OPEN_PX):
                last[y, x] = OPEN
            if found >= 0:
                behind = radius[found // width, found % width]
                need = abs(c) + abs(behind) + MORE_PX
                if best > need * need:
                    found = -1
            seed[y, x] = found
            if flags[y, x] == 0 and _in_skirt(rgb, radius, right, y, x):
                flags[y, x] = SKIRT
            if found >= 0 or flags[y, x]:
                count += 1
        counts[y] = count


@njit(nogil=True, cache=True)
def split(  # type: ignore[no-untyped-def]
    rgb, radius, flags, seed, small_rgb, lowest, highest, offsets, link, piece_radius, piece_weight, piece_rgb, y0, y1
):
    """Two pieces for every pixel that needs them, rows y0 to y1: [.., 0] the near one, [.., 1] the far one."""
    height, width = radius.shape
    near = np.zeros(3, np.float32)
    far = np.zeros(3, np.float32)
    hidden = np.zeros(3, np.float32)
    for y in range(y0, y1):
        k = offsets[y]
        for x in range(width):
            link[y, x] = -1
            flag = flags[y, x]
            s = seed[y, x]
            if s < 0 and flag == 0:
                continue
            link[y, x] = k
            c = radius[y, x]
            c_near, c_far = c, c
            alpha = 1.0
            hard = 1.0
            if s >= 0:
                c_far = radius[s // width, s % width]
                behind(rgb, radius, flags, small_rgb, lowest, highest, y, x, s // width, s % width, hidden)
            for ch in range(3):
                near[ch] = rgb[y, x, ch]
                far[ch] = hidden[ch]
            if flag == SKIRT:
                lamp = _lamp_in_front(rgb, radius, y, x)
                spill = take_spill(rgb, flags, lamp, y, x, near, far)
                if s < 0:
                    alpha, c_near, c_far = spill, radius[lamp // width, lamp % width], c
                else:
                    # hidden things behind: two pieces are taken, the spilled light stays where it is
                    for ch in range(3):
                        near[ch], far[ch] = rgb[y, x, ch], hidden[ch]
            elif flag:
                # which other side: the strongest step decides
                strongest = np.float32(0.0)
                other = c
                for yy, xx in ((y - 1, x), (y + 1, x), (y, x - 1), (y, x + 1)):
                    if 0 <= yy < height and 0 <= xx < width and abs(radius[yy, xx] - c) > strongest:
                        strongest = abs(radius[yy, xx] - c)
                        other = radius[yy, xx]
                c_near, c_far = min(c, other), max(c, other)
                hard = 1.0 if c == c_near else 0.0
                alpha = matte(rgb, radius, flags, y, x, c_near, c_far, hard, near, far)
                if hard == 1.0 and s >= 0:
                    seen = min(1.0, (1.0 - alpha) * 4.0)
                    for ch in range(3):
                        far[ch] = seen * far[ch] + (1.0 - seen) * hidden[ch]
                if hard == 0.0 and alpha <= 0.0:
                    for ch in range(3):
                        far[ch] = rgb[y, x, ch]
            piece_radius[k, 0], piece_radius[k, 1] = c_near, c_far
            piece_weight[k, 0] = alpha
            piece_weight[k, 1] = 1.0
            for ch in range(3):
                piece_rgb[k, 0, ch] = near[ch]
                piece_rgb[k, 1, ch] = far[ch]
            k += 1
