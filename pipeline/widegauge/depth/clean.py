"""Settle a depth map: noise, flicker and soft edges, in the measure in which they are seen.

All work is done on the blur radius that a lens focused at infinity would draw, which is affine in 1 / distance:
0 px at infinity, below 0 nearer. So a pixel of error is a pixel of blur, whatever the focus.

A median, never a guided filter: a guided filter makes soft edges, and a soft edge in depth passes through focus.
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import partial

import cv2
import numpy as np

from widegauge.frame import Float32
from widegauge.kernels import settle
from widegauge.kernels.bands import for_bands

EDGE_PX = 0.5
"""A step of more than this in blur radius is an edge, which moves to the plate's."""
ALIKE_SIGMA, ALIKE_LEAST_PX = 3.5, 0.15
"""Values are alike up to so many standard errors of the map's noise, or this."""
CLEAN_FRAC = 0.003
"""A map with less noise than this share of its values is left as it is."""
FLICKER_PX = 0.03
"""Maps that differ by less than this over time, in the median, do not flicker."""
SOFT_SPAN_PX, SOFT_REACH_PX = 2.0, 7
"""Softness is measured on edges that span more than this, which end so far on each side."""
SOFT_PX = 1.7
"""An edge softer than this (Gaussian sigma) is made hard on a smaller map, on which it is not."""
FREE_PX = 2.0
"""How far a soft map's edges may move to the plate's, at least."""
FEWEST_EDGES = 50
GAUSS = 2.5066
"""A Gaussian edge's span over its steepest step, in sigmas: sqrt(2 pi)."""
SPARSE = 3
"""Medians of a whole map are taken over every so many pixels each way."""
_AROUND = np.ones((3, 3), np.uint8)
_PEAK = np.array([[1, -2, 1], [-2, 4, -2], [1, -2, 1]], np.float32) / np.float32(6.0)
"""A high pass, blind to slopes, that leaves white noise as it is (J. Immerkaer, CVIU 1996)."""


def radius_at_infinity(depth_m: Float32, scale_px_m: float) -> Float32:
    """Distances as blur radii: -kappa / Z; not-a-number stays."""
    return np.asarray(-np.float32(scale_px_m) / depth_m, dtype=np.float32)


def distance(radius_px: Float32, scale_px_m: float) -> Float32:
    """Blur radii as distances: infinity from 0 on."""
    with np.errstate(divide="ignore"):
        far = np.where(radius_px < 0.0, -np.float32(scale_px_m) / radius_px, np.float32(np.inf))
    return np.where(np.isnan(radius_px), np.float32(np.nan), far).astype(np.float32, copy=False)


def noise_frac(radius_px: Float32) -> float:
    """The map's white noise as a share of its values: robust, and blind to slopes and edges."""
    off = np.abs(cv2.filter2D(radius_px, cv2.CV_32F, _PEAK))[1:-1, 1:-1]
    size = np.abs(radius_px[1:-1, 1:-1])
    off, size = off[::SPARSE, ::SPARSE], size[::SPARSE, ::SPARSE]
    told = np.isfinite(off) & (size > EDGE_PX)
    return 1.4826 * float(np.median(off[told] / size[told])) if told.any() else 0.0


def softness_px(radius_px: Float32) -> float:
    """How soft the map's edges are: Gaussian sigma in pixels, the median over its edges; 0 without edges."""
    window = np.ones((1, 2 * SOFT_REACH_PX + 1), np.uint8)
    sigmas = []
    for lines in (radius_px, np.ascontiguousarray(radius_px.T)):
        unknown = cv2.dilate(np.isnan(lines).astype(np.uint8), window)[:, :-1] > 0
        lines = np.nan_to_num(lines, nan=0.0)
        step = np.abs(np.diff(lines, axis=1))
        span = (cv2.dilate(lines, window) - cv2.erode(lines, window))[:, :-1]
        peak = (step >= cv2.dilate(step, window)) & (span > SOFT_SPAN_PX) & (step > 0.1 * span) & ~unknown
        sigmas.append(span[peak] / step[peak] / GAUSS)
    every = np.concatenate(sigmas)
    return float(np.median(every)) if every.size >= FEWEST_EDGES else 0.0


def without_noise(radius_px: Float32) -> Float32:
    """A 5 x 5 median of like values; a map that has no noise is left as it is."""
    noise = noise_frac(radius_px)
    if noise < CLEAN_FRAC:
        return radius_px
    out = np.empty_like(radius_px)
    for_bands(
        radius_px.shape[0],
        lambda y0, y1: settle.like_median(radius_px, ALIKE_SIGMA * noise, ALIKE_LEAST_PX, out, y0, y1),
    )
    return out


def flicker_px(maps: Sequence[Float32], at: int) -> float:
    """By how much maps that lie over one another differ from the one ``at``: the median, in blur radius."""
    here = maps[at][::SPARSE, ::SPARSE]
    off = [np.abs(each[::SPARSE, ::SPARSE] - here) for i, each in enumerate(maps) if i != at]
    known = np.concatenate([each[np.isfinite(each)] for each in off]) if off else np.zeros(0)
    return float(np.median(known)) if known.size else 0.0


def over_time(maps: Sequence[Float32]) -> Float32:
    """The median of maps that lie over one another, where they are known."""
    if len(maps) == 1:
        return maps[0]
    stack, out = np.stack(maps), np.empty_like(maps[0])
    for_bands(out.shape[0], lambda y0, y1: settle.median_over_time(stack, out, y0, y1))
    return out


def shrink_for(softness_px: float) -> int:
    """By how much a map is made smaller before its edges are made hard: a soft one holds no more than that."""
    ratio = 1
    while softness_px / ratio > SOFT_PX and ratio < 4:
        ratio *= 2
    return ratio


def smaller(radius_px: Float32, ratio: int) -> Float32:
    """A soft map's means over about ratio x ratio pixels; not known where one of them is not."""
    if ratio == 1:
        return radius_px
    height, width = radius_px.shape
    size = (max(1, round(width / ratio)), max(1, round(height / ratio)))
    return np.asarray(cv2.resize(radius_px, size, interpolation=cv2.INTER_AREA), dtype=np.float32)


def filled_to_border(radius_px: Float32) -> Float32:
    """What is not known out to the frame's border takes the nearest known value: there is no side beyond it."""
    unknown = np.isnan(radius_px)
    if not unknown.any() or unknown.all():
        return radius_px
    _, pieces = cv2.connectedComponents(unknown.astype(np.uint8), connectivity=4)
    rim = np.concatenate([pieces[0], pieces[-1], pieces[:, 0], pieces[:, -1]])
    outer = np.isin(pieces, np.unique(rim[rim > 0]))
    _, nearest = cv2.distanceTransformWithLabels(
        unknown.astype(np.uint8), cv2.DIST_L2, 5, labelType=cv2.DIST_LABEL_PIXEL
    )
    value = np.zeros(int(nearest.max()) + 1, np.float32)
    value[nearest[~unknown]] = radius_px[~unknown]
    return np.where(outer, value[nearest], radius_px)


def on_plate(hard_px: Float32, soft_px: Float32, size_px: tuple[int, int]) -> Float32:
    """A hard map's values at a larger (width, height): beside a step, those of the side that the soft map is nearer to.

    ``soft_px`` is the map before its edges were made hard, of the same size. Halfway between the levels of either
    side its edge lies where the true one does, to a part of a pixel, and stands still where noise moves the hard one
    (1 dB beside edges of the sample shot). What is so thin that softness took half its depth keeps the hard shape.
    """
    if hard_px.shape == size_px[::-1]:
        return hard_px
    known = np.nan_to_num(soft_px, nan=0.0)
    thin = cv2.morphologyEx(known, cv2.MORPH_CLOSE, _AROUND) - cv2.morphologyEx(known, cv2.MORPH_OPEN, _AROUND)
    low, high = cv2.erode(hard_px, _AROUND), cv2.dilate(hard_px, _AROUND)
    lacking = cv2.dilate(np.isnan(soft_px).astype(np.uint8), _AROUND) > 0
    beside = (high - low > EDGE_PX) & (cv2.dilate(thin, _AROUND) <= EDGE_PX) & ~lacking
    nearest, low, high, asked = (
        cv2.resize(each, size_px, interpolation=cv2.INTER_NEAREST_EXACT)
        for each in (hard_px, low, high, beside.astype(np.uint8))
    )
    soft = cv2.resize(known, size_px, interpolation=cv2.INTER_LINEAR)
    sided = np.where(soft <= (low + high) / np.float32(2.0), low, high)
    return np.asarray(np.where(asked > 0, sided, nearest), dtype=np.float32)


def to_light(radius_px: Float32, light: Float32, *, free_px: float) -> Float32:
    """Edges moved to where the plate has them, by no more than ``free_px``; ``light`` (H, W, 3) within 0 to 1."""
    beside = np.zeros(radius_px.shape, bool)
    for axis in (0, 1):
        step = np.abs(np.diff(radius_px, axis=axis)) > EDGE_PX
        before, after = (slice(None, -1), slice(1, None)) if axis == 0 else (np.s_[:, :-1], np.s_[:, 1:])
        beside[before] |= step
        beside[after] |= step
    if not beside.any():
        return radius_px
    far = cv2.distanceTransform((~beside).astype(np.uint8), cv2.DIST_L2, 5)
    out = np.empty_like(radius_px)
    for_bands(radius_px.shape[0], partial(settle.align, radius_px, far, light, np.float32(EDGE_PX), free_px, out))
    return out
