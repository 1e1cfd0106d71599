"""Cut a thing out of one picture: GrabCut from a rough box, or from a shape that is nearly right.

C. Rother, V. Kolmogorov and A. Blake, "GrabCut: interactive foreground extraction using iterated graph cuts",
SIGGRAPH 2004, as OpenCV has it. Its colour models start from a random draw, which is seeded, so that the same
picture gives the same shape.
"""

from __future__ import annotations

import cv2
import numpy as np
import numpy.typing as npt

Bytes = npt.NDArray[np.uint8]
Mask = npt.NDArray[np.bool_]
Window = tuple[slice, slice]

AROUND_FRAC = 0.25
"""How far around a box its surroundings are looked at, of the box's longer side."""
LARGEST_PX = 250_000
"""A larger window is cut out on a smaller copy first, and its edge then at full size."""
ROUNDS = 6
EDGE_ROUNDS = 1
CRUMB_FRAC = 0.02
"""Pieces, and holes, smaller than this share of the largest piece are noise."""
EMPTY_FRAC = 0.02
"""A box of which less is cut out holds nothing that stands out from what is around it."""


def in_box(picture: Bytes, box_px: tuple[int, int, int, int], *, edge_px: int) -> Mask:
    """The shape in a box (x, y, width, height, within the picture) of (H, W, 3) display-encoded bytes."""
    height, width = picture.shape[:2]
    x, y, w, h = box_px
    around = max(16, round(AROUND_FRAC * max(w, h)))
    x0, y0, x1, y1 = max(0, x - around), max(0, y - around), min(width, x + w + around), min(height, y + h + around)
    view = picture[y0:y1, x0:x1]
    shrink = min(1.0, (LARGEST_PX / (view.shape[0] * view.shape[1])) ** 0.5)
    small = view if shrink == 1.0 else cv2.resize(view, None, fx=shrink, fy=shrink, interpolation=cv2.INTER_AREA)
    labels = np.full(small.shape[:2], cv2.GC_BGD, np.uint8)
    rows, columns = (
        slice(
            round((low - start) * shrink), max(round((low - start + long) * shrink), 1 + round((low - start) * shrink))
        )
        for low, start, long in ((y, y0, h), (x, x0, w))
    )
    labels[rows, columns] = cv2.GC_PR_FGD
    shape = np.zeros((height, width), bool)
    if (labels == cv2.GC_PR_FGD).all():  # a box around the whole picture leaves nothing to learn its surroundings from
        return shape
    inside = _tidied(_grabbed(small, labels, ROUNDS))
    if shrink < 1.0:
        scaled = cv2.resize(inside.astype(np.float32), (x1 - x0, y1 - y0), interpolation=cv2.INTER_LINEAR) > 0.5
        shape[y0:y1, x0:x1] = scaled
        return recut(picture, shape, edge_px=max(edge_px, round(2.0 / shrink)))
    shape[y0:y1, x0:x1] = inside
    return shape


def in_outline(points_px: npt.NDArray[np.float64], *, width_px: int, height_px: int) -> Mask:
    """The pixels whose centres lie within an outline (N, 2) in pixels; where it crosses itself, inside is outside."""
    crossed = np.zeros((height_px, width_px + 1), bool)
    for (x0, y0), (x1, y1) in zip(points_px, np.roll(points_px, -1, axis=0), strict=True):
        if y0 == y1:
            continue
        low, high = sorted((y0, y1))
        rows = np.arange(max(0, int(np.ceil(low - 0.5))), min(height_px, int(np.ceil(high - 0.5))))
        at = x0 + (rows + 0.5 - y0) * (x1 - x0) / (y1 - y0)
        crossed[rows, np.clip(np.ceil(at - 0.5), 0, width_px).astype(np.intp)] ^= True
    return np.asarray(np.logical_xor.accumulate(crossed, axis=1)[:, :width_px])


def recut(picture: Bytes, shape: Mask, *, edge_px: int, free: Mask | None = None) -> Mask:
    """A shape that is nearly right, cut anew within ``edge_px`` of its edge, and where it is ``free`` to change."""
    window = around(shape, 4 * edge_px)
    if window is None:
        return shape
    near = shape[window].astype(np.uint8)
    reach = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (2 * edge_px + 1,) * 2)
    labels = np.where(near, cv2.GC_PR_FGD, cv2.GC_PR_BGD).astype(np.uint8)
    core = cv2.erode(near, reach, borderType=cv2.BORDER_REPLICATE).astype(bool)
    held = np.ones_like(core) if free is None else ~free[window]
    labels[core & held] = cv2.GC_FGD
    labels[held & ~cv2.dilate(near, reach).astype(bool)] = cv2.GC_BGD
    if not (labels == cv2.GC_FGD).any() or not (labels == cv2.GC_BGD).any():
        return shape
    done = shape.copy()
    done[window] = _tidied(_grabbed(np.ascontiguousarray(picture[window]), labels, EDGE_ROUNDS))
    return done


def widened(shape: Mask) -> Mask:
    """A shape one pixel wider: an edge that errs outward costs a defocus far less than one that errs inward."""
    return np.asarray(cv2.dilate(shape.astype(np.uint8), np.ones((3, 3), np.uint8)), dtype=bool)


def around(shape: Mask, margin_px: int) -> Window | None:
    """The window that holds a shape and a margin; None where there is no shape."""
    rows, columns = np.flatnonzero(shape.any(axis=1)), np.flatnonzero(shape.any(axis=0))
    if rows.size == 0:
        return None
    return (
        slice(max(0, int(rows[0]) - margin_px), int(rows[-1]) + 1 + margin_px),
        slice(max(0, int(columns[0]) - margin_px), int(columns[-1]) + 1 + margin_px),
    )


def _grabbed(picture: Bytes, labels: Bytes, rounds: int) -> Mask:
    cv2.setRNGSeed(1)
    models = np.zeros((1, 65)), np.zeros((1, 65))
    labels, _, _ = cv2.grabCut(picture, labels, None, *models, rounds, cv2.GC_INIT_WITH_MASK)
    return np.asarray((labels == cv2.GC_FGD) | (labels == cv2.GC_PR_FGD))


def _tidied(shape: Mask) -> Mask:
    """Without crumbs and pinholes."""
    for inside in (True, False):
        count, labels, facts, _ = cv2.connectedComponentsWithStats((shape == inside).astype(np.uint8), connectivity=4)
        if count <= 1:
            break
        areas = facts[1:, cv2.CC_STAT_AREA]
        floor = CRUMB_FRAC * (areas.max() if inside else int(shape.sum()) / 4.0)
        crumbs = 1 + np.flatnonzero(areas < floor)
        shape = np.where(np.isin(labels, crumbs), not inside, shape)
    return shape
