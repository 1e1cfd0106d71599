"""Disparity of a rectified pair: matched both ways, holes filled from the farther side.

The matcher is H. Hirschmueller, "Stereo processing by semiglobal matching and mutual information", IEEE Transactions
on Pattern Analysis and Machine Intelligence 30(2), 2008, along three paths as OpenCV has it, with the cost of
S. Birchfield and C. Tomasi, "A pixel dissimilarity measure that is insensitive to image sampling", same journal
20(4), 1998. A disparity d says that what is at column x of the left view is at column x - d of the right one, so the
nearer the larger.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
import numpy.typing as npt
from scipy.ndimage import median_filter

from widegauge.frame import Float32
from widegauge.kernels.depthmap import fill_empty_rows, fill_rows

Bytes = npt.NDArray[np.uint8]
Mask = npt.NDArray[np.bool_]

STEPS = 16
"""OpenCV's matcher counts in sixteenths of a pixel."""
BLOCK_PX, SMALL_STEP, LARGE_STEP = 3, 36, 216
"""Of the window, and what a change of disparity by one pixel and by more costs along a path. On a published pair and
two made ones, windows of 1 to 7, half and four times the costs, and five paths change little: a plateau."""
AGREE_PX = 1.0
"""There and back may differ by so much."""
SPECKLE_PX = 50
"""Islands of fewer pixels, matched to another depth than all around, are taken out."""
COLUMN_PX, SMOOTH_PX = 25, 5
"""Of the median along the column in what was filled, and side of the median over all. On four pairs 25 leaves up to
8 % fewer pixels off by more than 1 px than none; defocus gains .1 dB on one scene and loses .5 on another."""
COARSE_WIDTH_PX = 480
"""The range of disparity is found on a copy no wider than this ..."""
WIDEST_FRAC = 0.45
"""... up to this share of the width, either way."""
END_FRAC, MARGIN_FRAC = 0.002, 0.15
"""That share of the matches at either end is not believed; then the range is widened by a margin."""
TEXTURE_SIGMA_PX, TEXTURE_STEP = 1.5, 1.0
"""Texture is a change of so many codes a pixel along the row, on a view so blurred that noise of 4 codes has none."""
FEATURES, FEWEST_FEATURES = 4000, 24
"""Corners that are looked for in each view, and how many of them must be found in both to say anything."""


@dataclass(frozen=True, slots=True)
class Rows:
    """How two views lie to each other, by corners that are found in both.

    lower_px   how much lower the right view shows things, in the middle of the frame
    spread_px  how much that differs over the frame: more than a little is a turn, a tilt or another focal length
    columns    (N,) their disparities
    """

    lower_px: float
    spread_px: float
    columns: npt.NDArray[np.float64]


def shown(light: Float32) -> Bytes:
    """A view's scene-linear light (H, W, 3) as grey bytes, by its own exposure: two views come out alike."""
    grey = np.maximum(light.mean(axis=-1), np.float32(0.0))
    key = float(np.exp(np.log(np.maximum(grey, 1e-3 * max(float(grey.mean()), 1e-9))).mean()))
    return np.asarray(np.rint(grey / (grey + np.float32(key)) * np.float32(255.0)), dtype=np.uint8)


def textured_share(view: Bytes) -> float:
    """Share of a view where light changes along the row by more than noise does: what a match can hold on to."""
    even = cv2.GaussianBlur(view.astype(np.float32), (0, 0), TEXTURE_SIGMA_PX)
    return float((np.abs(np.diff(even, axis=1)) >= TEXTURE_STEP).mean())


def find_rows(left: Bytes, right: Bytes) -> Rows | None:
    """Whether the views' rows agree; None where too few corners are found in both.

    Corners are those of E. Rublee, V. Rabaud, K. Konolige and G. Bradski, "ORB: an efficient alternative to SIFT or
    SURF", ICCV 2011.
    """
    finder = cv2.ORB.create(nfeatures=FEATURES, fastThreshold=7)
    (a, words_a), (b, words_b) = (finder.detectAndCompute(view, None) for view in (left, right))
    if words_a is None or words_b is None:
        return None
    pairs = cv2.BFMatcher(cv2.NORM_HAMMING, crossCheck=True).match(words_a, words_b)
    pairs = [pair for pair in pairs if pair.distance <= 40]
    if len(pairs) < FEWEST_FEATURES:
        return None
    place = np.array([a[pair.queryIdx].pt for pair in pairs])
    step = np.array([b[pair.trainIdx].pt for pair in pairs]) - place
    height, width = left.shape
    x, y = place[:, 0] / width - 0.5, place[:, 1] / height - 0.5
    terms = np.stack([np.ones_like(x), x, y], axis=1)
    kept = np.abs(step[:, 1] - np.median(step[:, 1])) <= max(3.0, 0.02 * height)
    for _ in range(8):
        if np.count_nonzero(kept) < FEWEST_FEATURES:
            return None
        fit = np.linalg.lstsq(terms[kept], step[kept, 1], rcond=None)[0]
        off = np.abs(step[:, 1] - terms @ fit)
        kept = off <= max(1.0, 3.0 * float(np.median(off[kept])))
    return Rows(float(fit[0]), float(abs(fit[1]) + abs(fit[2])), -step[kept, 0])


def find_range(left: Bytes, right: Bytes, *, lowest_px: float) -> tuple[float, float] | None:
    """Smallest and largest disparity of a pair, nothing below ``lowest_px``; None where hardly anything matches."""
    height, width = left.shape
    shrink = max(1.0, width / COARSE_WIDTH_PX)
    size = (round(width / shrink), max(8, round(height / shrink)))
    a, b = (cv2.resize(view, size, interpolation=cv2.INTER_AREA) for view in (left, right))
    low = max(lowest_px / shrink - 1.0, -WIDEST_FRAC * size[0])
    found = match(a, b, lowest_px=low, highest_px=max(low + 16.0, WIDEST_FRAC * size[0]), speckle_px=40)
    known = found[np.isfinite(found)]
    if known.size < 0.02 * found.size:
        return None
    near, far = np.quantile(known, [1.0 - END_FRAC, END_FRAC], method="nearest")
    margin = MARGIN_FRAC * float(near - far) + 1.0
    return max(lowest_px, (float(far) - margin) * shrink), (float(near) + margin) * shrink


def match(left: Bytes, right: Bytes, *, lowest_px: float, highest_px: float, speckle_px: int = SPECKLE_PX) -> Float32:
    """Disparity (H, W) float32 of the left view; not-a-number where there and back do not agree."""
    low = int(np.floor(lowest_px))
    count = max(16, 16 * int(np.ceil((highest_px - low + 1.0) / 16)))
    width = left.shape[1]
    edge = max(low + count, 0) + max(-low, 0)
    wide = [cv2.copyMakeBorder(view, 0, 0, edge, edge, cv2.BORDER_REPLICATE) for view in (left, right)]
    there = _matched(wide[0], wide[1], low, count)
    back = _mirrored(_matched(_mirrored(wide[1]), _mirrored(wide[0]), low, count))
    unknown = (low - 1) * STEPS
    there, back = (steps[:, edge : edge + width] for steps in (there, back))
    column = np.arange(width)[None, :] - np.rint(there / STEPS).astype(np.intp)
    seen = (column >= 0) & (column < width) & (there != unknown)
    came_back = np.take_along_axis(back, np.clip(column, 0, width - 1), axis=1)
    seen &= np.abs(came_back - there) <= AGREE_PX * STEPS
    sure = np.where(seen, there, np.int16(unknown))
    cv2.filterSpeckles(sure, unknown, speckle_px, STEPS)
    return np.where(sure != unknown, sure.astype(np.float32) / STEPS, np.float32(np.nan))


def filled(disparity: Float32) -> Float32:
    """Holes filled from the farther side of each row (the background goes on behind); everything known then.

    What was filled is evened out along the column, so that single rows leave no teeth, and the whole a little.
    """
    farness = -disparity
    fill_rows(farness, 0, farness.shape[0])
    fill_empty_rows(farness)
    evened = median_filter(farness, size=(COLUMN_PX, 1), mode="nearest")
    farness = np.where(np.isnan(disparity), evened, farness)
    return -np.asarray(cv2.medianBlur(farness, SMOOTH_PX), dtype=np.float32)


def _matched(left: Bytes, right: Bytes, low: int, count: int) -> npt.NDArray[np.int16]:
    matcher = cv2.StereoSGBM.create(
        minDisparity=low,
        numDisparities=count,
        blockSize=BLOCK_PX,
        P1=SMALL_STEP,
        P2=LARGE_STEP,
        disp12MaxDiff=-1,
        preFilterCap=63,
        uniquenessRatio=0,
        mode=cv2.StereoSGBM_MODE_SGBM_3WAY,
    )
    return np.asarray(matcher.compute(left, right), dtype=np.int16)


def _mirrored(view: Any) -> Any:
    return np.ascontiguousarray(view[:, ::-1])
