"""Carry shapes, points and the horizon from one frame to the next, by dense optical flow.

The flow is T. Kroeger, R. Timofte, D. Dai and L. Van Gool, "Fast optical flow using dense inverse search", ECCV 2016,
as OpenCV has it, found both ways: where there and back do not come back, it is not believed.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import cv2
import numpy as np
import numpy.typing as npt

from widegauge.depth.cutout import Bytes, Mask, recut
from widegauge.frame import Float32

Point = tuple[float, float]

FLOW_WIDTH_PX = 960
"""Flow is found on a copy no wider than this."""
COMES_BACK_PX, COMES_BACK_FRAC = 1.0, 0.05
"""There and back may miss by so much, at the flow's size: a constant and a share of the way."""
EDGE_FRAC = 0.0025
"""How far from the carried edge the new one is looked for, of the picture's width: 5 px of 1920."""
EDGE_REACH_PX = 4.0
CUTS_THE_SAME = 0.985
"""A thing stands out when its edge, cut anew, shares so much with what was drawn (intersection over union)."""
MIXED_PX = 2
"""Within so many pixels of an edge, at the flow's size, flow is a mixture of both sides."""
BEYOND = ((2.0, 1.0), (12.0, 1e-3))
"""A thing's motion is carried on beyond its edge by Gaussians: (sigma at the flow's size, weight)."""
SAME_SHAPE = 0.85
"""A new cut that shares less than this (intersection over union) with the carried shape is not taken."""
BAND_FRAC = 0.08
"""Half the height of the band around the horizon whose flow moves it, of the picture's height."""
FEWEST_SURE_FRAC = 0.01
AGREED = 0.5
"""When so much of the flow within a piece agrees on one movement, that movement is sure."""
SHADES = 6
"""Levels of each of R, G and B in a shape's colours."""


@dataclass(frozen=True, slots=True)
class Motion:
    """How pixels move from one frame to the next on the way, (h, w, 2) float32 in pixels of the full frame.

    there    from each pixel of the frame before to its place in the frame after
    back     from each pixel of the frame after to its place in the frame before
    sure     (h, w) of the frame after: there and back agree
    was_sure the same of the frame before
    """

    there: Float32
    back: Float32
    sure: Mask
    was_sure: Mask


@dataclass(frozen=True, slots=True)
class Shape:
    """A thing's outline on one frame.

    edge        (H, W) float32, distance to its edge in pixels, above 0 inside, held to EDGE_REACH_PX: an edge between
                pixels stays where it is however often it is carried
    points      places that move with it, in pixels
    confidence  1 on the frame it was drawn on, then how well it was carried there (0 to 1)
    stands_out  from its surroundings, so that its edge can be cut anew anywhere
    colours     its share of each colour on the frame it was drawn on
    gone        it left the frame
    """

    edge: Float32
    points: tuple[Point, ...]
    confidence: float
    stands_out: bool
    colours: npt.NDArray[np.float64]
    gone: bool = False

    @property
    def inside(self) -> Mask:
        """(H, W) its pixels."""
        return np.asarray(self.edge > 0.0)


def drawn(picture: Bytes, inside: Mask, points: tuple[Point, ...] = ()) -> Shape:
    """A shape on the frame that it was drawn on.

    It stands out where cutting its edge anew leaves it as it is, on this frame on which it is known.
    """
    again = recut(picture, inside, edge_px=_reach_px(inside))
    stands_out = overlap(again, inside) >= CUTS_THE_SAME
    return Shape(_signed(inside), points, 1.0, stands_out, colours_of(picture, inside))


def kept(inside: Mask, points: tuple[Point, ...], confidence: float, *, gone: bool) -> Shape:
    """A shape as it was found before, not to be carried on."""
    return Shape(_signed(inside), points, confidence, False, np.zeros(0), gone)


def motion(before: Bytes, after: Bytes) -> Motion:
    """The motion from one (H, W, 3) picture to another."""
    height, width = before.shape[:2]
    shrink = min(1.0, FLOW_WIDTH_PX / width)
    size = (max(16, round(width * shrink)), max(16, round(height * shrink)))
    small = (cv2.resize(p, size, interpolation=cv2.INTER_AREA) for p in (before, after))
    a, b = (cv2.cvtColor(p, cv2.COLOR_RGB2GRAY) for p in small)
    finder = cv2.DISOpticalFlow.create(cv2.DISOPTICAL_FLOW_PRESET_MEDIUM)
    there, back = (np.asarray(finder.calc(p, q, None), dtype=np.float32) for p, q in ((a, b), (b, a)))
    sure, was_sure = _comes_back(back, there), _comes_back(there, back)
    to_full = np.array([width / size[0], height / size[1]], np.float32)
    return Motion(there * to_full, back * to_full, sure, was_sure)


def follow(shape: Shape, step: Motion, picture: Bytes) -> Shape:
    """A shape on the frame after; it is empty, and gone, once it has left.

    The edge of a thing that stands out is cut anew, which stops drift. Of any other it is where the flow is not sure,
    and where the frame shows more than before; elsewhere carrying alone is the better judge (by 0.01 to 0.08 of
    overlap after 7 of the sample frames).
    """
    if shape.gone:
        return shape
    height, width = shape.edge.shape
    edge, shown = _pushed(shape.edge, step)
    carried = np.asarray(edge > 0.0)
    points = tuple(_moved(point, step.there, (width, height)) for point in shape.points)
    if not carried.any():
        return replace(shape, edge=edge, confidence=0.0, gone=_touches_edge(shape.inside))
    cut = recut(picture, carried, edge_px=_reach_px(carried), free=shown)
    same = overlap(cut, carried)
    if same >= SAME_SHAPE:
        where = shape.stands_out | shown | _unsure(step, width, height)
        edge = np.where(where, (edge + _signed(cut)) / np.float32(2.0), edge)
    believed = _share(step.sure, carried)
    alike = float(np.sqrt(colours_of(picture, edge > 0.0) * shape.colours).sum())
    return replace(shape, edge=edge, points=points, confidence=min(believed, same, alike))


def follow_flat(shape: Shape, step: Motion) -> Shape:
    """A shape moved as one piece, by the shift, turn and scale that most of the flow within it agrees on.

    For what has no edge, or a surface that lives, like water. The steady part of its flow must be found.
    """
    height, width = shape.edge.shape
    small = _at(shape.inside, step.back.shape[:2])
    rows, columns = np.nonzero(small & step.sure)
    if rows.size < 16:
        return replace(shape, confidence=0.0)
    every = max(1, rows.size // 2000)
    rows, columns = rows[::every], columns[::every]
    ratio = width / small.shape[1], height / small.shape[0]
    after = np.stack(((columns + 0.5) * ratio[0], (rows + 0.5) * ratio[1]), axis=1)
    before = after + step.back[rows, columns]
    cv2.setRNGSeed(1)
    turn, kept = cv2.estimateAffinePartial2D(before, after, method=cv2.RANSAC, ransacReprojThreshold=1.5)
    if turn is None:
        return replace(shape, confidence=0.0)
    centres = turn.copy()
    centres[:, 2] += turn[:, :2] @ (0.5, 0.5) - 0.5
    edge = cv2.warpAffine(shape.edge, centres, (width, height), flags=cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    edge = np.asarray(edge, dtype=np.float32)
    return replace(shape, edge=edge, confidence=min(1.0, float(kept.mean()) / AGREED))


def follow_horizon(horizon_px: Point, step: Motion, beside: Mask) -> Point:
    """The horizon's y at the left and right edge of the frame after.

    What lies near it moves as the far distance does, whatever the camera does; ``beside`` (H, W) are things that may
    move by themselves and are left out. Held where too little is known.
    """
    height, width = beside.shape
    h, w = step.back.shape[:2]
    x, y = (np.arange(w) + 0.5) * width / w, (np.arange(h) + 0.5) * height / h
    line = horizon_px[0] + (horizon_px[1] - horizon_px[0]) * x / width
    line = np.clip(line, 0.0, height)
    near = (np.abs(y[:, None] - line[None, :]) <= BAND_FRAC * height) & step.sure & ~_at(beside, (h, w))
    rise = -step.back[..., 1]
    ends = []
    for half in (near & (x < width / 2.0)[None, :], near & (x >= width / 2.0)[None, :]):
        if half.sum() >= FEWEST_SURE_FRAC * near.size / 2.0:
            ends.append((float(np.median(np.broadcast_to(x, near.shape)[half])), float(np.median(rise[half]))))
    if len(ends) < 2:
        shift = ends[0][1] if ends else 0.0
        return horizon_px[0] + shift, horizon_px[1] + shift
    (x0, d0), (x1, d1) = ends
    slope = (d1 - d0) / (x1 - x0)
    return horizon_px[0] + d0 - slope * x0, horizon_px[1] + d0 + slope * (width - x0)


def between(before: Shape, after: Shape, share: float) -> Shape:
    """The shape between two that were carried to one frame from either side; ``share`` is that of the one after.

    Where the two differ the edge runs between them, each counting as near as it was drawn and as well as it was
    carried.
    """
    if before.gone or after.gone:
        return after if before.gone else before
    a, b = (1.0 - share) * before.confidence, share * after.confidence
    if a + b == 0.0:
        return before if share < 0.5 else after
    weight = b / (a + b)
    edge = np.float32(1.0 - weight) * _signed(before.inside) + np.float32(weight) * _signed(after.inside)
    points = tuple(
        ((1.0 - weight) * p[0] + weight * q[0], (1.0 - weight) * p[1] + weight * q[1])
        for p, q in zip(before.points, after.points, strict=True)
    )
    agree = max(overlap(before.inside, after.inside), 1.0 - weight, weight)
    confidence = min((1.0 - weight) * before.confidence + weight * after.confidence, agree)
    return replace(before, edge=edge, points=points, confidence=confidence)


def overlap(a: Mask, b: Mask) -> float:
    """Intersection over union; 1 for two empty shapes."""
    either = int(np.count_nonzero(a | b))
    return float(np.count_nonzero(a & b)) / either if either else 1.0


def colours_of(picture: Bytes, inside: Mask) -> npt.NDArray[np.float64]:
    """The share of each coarse colour within a shape."""
    levels = picture[inside].astype(np.intp) * SHADES // 256
    counts = np.bincount(levels @ (SHADES * SHADES, SHADES, 1), minlength=SHADES**3).astype(np.float64)
    return np.asarray(counts / max(1.0, counts.sum()))


def _pushed(edge: Float32, step: Motion) -> tuple[Float32, Mask]:
    """An edge moved by the motion of what is inside it, carried on a little beyond it; and what came into the frame.

    Flow across an edge is a mixture, and what comes into view behind a thing has none: pulling the edge back along
    it leaves a trail (a rope on the sample frames is 0.13 off after 7 frames that way, 0.05 so).
    """
    height, width = edge.shape
    h, w = step.there.shape[:2]
    solid = (cv2.resize(edge, (w, h), interpolation=cv2.INTER_AREA) > 0.0).astype(np.uint8)
    core = cv2.erode(solid, np.ones((2 * MIXED_PX + 1,) * 2, np.uint8), borderType=cv2.BORDER_REPLICATE)
    weight = ((core + 1e-3 * solid) * step.was_sure + 1e-9 * solid).astype(np.float32)
    total, field = np.full((h, w), 1e-20, np.float32), np.zeros_like(step.there)
    for sigma_px, share in BEYOND:
        total += np.float32(share) * cv2.GaussianBlur(weight, (0, 0), sigma_px)
        field += np.float32(share) * cv2.GaussianBlur(step.there * weight[..., None], (0, 0), sigma_px)
    own = cv2.resize(field / total[..., None], (width, height), interpolation=cv2.INTER_LINEAR)
    back = -own
    for _ in range(3):
        back = -_sampled(own, back)
    x, y = np.arange(width)[None, :] + back[..., 0], np.arange(height)[:, None] + back[..., 1]
    shown = (x < -0.5) | (y < -0.5) | (x > width - 0.5) | (y > height - 0.5)
    return _sampled(edge, back), np.asarray(shown)


def _unsure(step: Motion, width: int, height: int) -> Mask:
    """(H, W) of the frame after: there and back do not agree there, or next to it."""
    unsure = cv2.dilate((~step.sure).astype(np.uint8), np.ones((3, 3), np.uint8))
    return np.asarray(cv2.resize(unsure, (width, height), interpolation=cv2.INTER_NEAREST) > 0)


def _comes_back(one: Float32, other: Float32) -> Mask:
    """(h, w) where a flow and the other way's lead back to about the same place."""
    returned = one + _sampled(other, one)
    miss = np.hypot(returned[..., 0], returned[..., 1])
    return np.asarray(miss <= COMES_BACK_PX + COMES_BACK_FRAC * np.hypot(one[..., 0], one[..., 1]))


def _reach_px(inside: Mask) -> int:
    width = int(inside.shape[1])
    return max(2, round(EDGE_FRAC * width))


def _moved(point: Point, there: Float32, frame_px: tuple[int, int]) -> Point:
    h, w = there.shape[:2]
    x = min(max(int(point[0] * w / frame_px[0]), 0), w - 1)
    y = min(max(int(point[1] * h / frame_px[1]), 0), h - 1)
    dx, dy = np.median(there[max(0, y - 2) : y + 3, max(0, x - 2) : x + 3], axis=(0, 1))
    return point[0] + float(dx), point[1] + float(dy)


def _sampled(field: Float32, at: Float32) -> Float32:
    """A flow looked up where another one points."""
    h, w = field.shape[:2]
    x = np.arange(w, dtype=np.float32)[None, :] + at[..., 0]
    y = np.arange(h, dtype=np.float32)[:, None] + at[..., 1]
    return np.asarray(cv2.remap(field, x, y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE), dtype=np.float32)


def _share(sure: Mask, inside: Mask) -> float:
    small = _at(inside, sure.shape)
    return float(sure[small].mean()) if small.any() else 1.0


def _at(inside: Mask, shape: tuple[int, ...]) -> Mask:
    return np.asarray(
        cv2.resize(inside.astype(np.uint8), (shape[1], shape[0]), interpolation=cv2.INTER_NEAREST), dtype=bool
    )


def _touches_edge(inside: Mask) -> bool:
    return bool(inside[0].any() or inside[-1].any() or inside[:, 0].any() or inside[:, -1].any())


def _signed(inside: Mask) -> Float32:
    """Distance to the edge in pixels, above 0 inside, held to EDGE_REACH_PX."""
    within, without = (cv2.distanceTransform(m.astype(np.uint8), cv2.DIST_L2, 5) for m in (inside, ~inside))
    # the edge runs between pixel centres, half a pixel from either
    signed = np.where(inside, within - np.float32(0.5), np.float32(0.5) - without)
    return np.asarray(np.clip(signed, -EDGE_REACH_PX, EDGE_REACH_PX), dtype=np.float32)
