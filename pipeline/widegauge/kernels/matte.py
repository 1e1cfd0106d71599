"""A pixel on a silhouette is a mixture: how much of it is the near surface, and the two lights that mix to it."""

from __future__ import annotations

import numpy as np
from numba import njit

LAMP = 8.0
"""A pixel that many times brighter than either side around it is a lamp."""

LAMP_REACH_PX = 6
"""How far from a bright edge a lamp behind it is looked for."""


@njit(nogil=True, cache=True)
def _compress(v):  # type: ignore[no-untyped-def]
    return v / (np.float32(1.0) + abs(v))


@njit(nogil=True, cache=True)
def _share_of_lamp(rgb, near, far, y, x, most):  # type: ignore[no-untyped-def]
    """Share, up to ``most``, of a lamp's light in a pixel, in linear light."""
    dot, apart = 0.0, 0.0
    for ch in range(3):
        dot += (rgb[y, x, ch] - far[ch]) * (near[ch] - far[ch])
        apart += (near[ch] - far[ch]) ** 2
    return min(max(dot / apart, 0.0), most) if apart > 0.0 else 0.0


@njit(nogil=True, cache=True)
def take_spill(rgb, flags, lamp, y, x, near, far):  # type: ignore[no-untyped-def]
    """Share of a lamp's spilled light in a far pixel; near and far get the two lights that mix to it."""
    height, width = flags.shape
    weight = np.float32(0.0)
    for ch in range(3):
        near[ch] = rgb[lamp // width, lamp % width, ch]
        far[ch] = 0.0
    for yy in range(max(y - 4, 0), min(y + 5, height)):
        for xx in range(max(x - 4, 0), min(x + 5, width)):
            if flags[yy, xx] == 0:
                w = np.float32(1.0 / ((yy - y) ** 2 + (xx - x) ** 2))
                weight += w
                for ch in range(3):
                    far[ch] += w * rgb[yy, xx, ch]
    alpha = 0.0
    if weight > 0.0:
        for ch in range(3):
            far[ch] = min(far[ch] / weight, rgb[y, x, ch])
        alpha = _share_of_lamp(rgb, near, far, y, x, 0.5)
    for ch in range(3):
        if alpha > 1e-4:
            near[ch] = (rgb[y, x, ch] - (1.0 - alpha) * far[ch]) / alpha
        else:
            far[ch] = rgb[y, x, ch]
    return alpha if alpha > 1e-4 else 0.0


@njit(nogil=True, cache=True)
def _lamp_edge(rgb, y, x, hard, near_is_lamp, near, far):  # type: ignore[no-untyped-def]
    """Share of the near surface in a pixel on a lamp's own edge, in linear light; the lamp's side gives way."""
    lamp, other = (near, far) if near_is_lamp else (far, near)
    share = _share_of_lamp(rgb, lamp, other, y, x, 1.0)
    alpha = share if near_is_lamp else 1.0 - share
    alpha = max(alpha, 0.5) if hard == 1.0 else min(alpha, 0.5)
    share = alpha if near_is_lamp else 1.0 - alpha
    for ch in range(3):
        other[ch] = min(other[ch], rgb[y, x, ch])
        if share > 1e-3:
            lamp[ch] = (rgb[y, x, ch] - (1.0 - share) * other[ch]) / share
        else:
            other[ch] = rgb[y, x, ch]
    if share <= 1e-3:
        return 0.0 if near_is_lamp else 1.0
    return alpha


@njit(nogil=True, cache=True)
def _lamp_owner(rgb, radius, y, x, middle):  # type: ignore[no-untyped-def]
    """1 or 0 where a pixel is so bright that it is a lamp of the near or the far side; -1 where it is not.

    Where a brighter one is in sight close behind, it is that one's light on the edge of what stands before it. Else the
    side with a neighbour of like brightness owns it (a rim of light runs along its edge), or else the far one.
    """
    height, width = radius.shape
    own = max(rgb[y, x, 0], rgb[y, x, 1], rgb[y, x, 2])
    brightest = np.zeros(2, np.float32)
    for yy in range(max(y - 2, 0), min(y + 3, height)):
        for xx in range(max(x - 2, 0), min(x + 3, width)):
            if yy != y or xx != x:
                side = 0 if radius[yy, xx] > middle else 1
                brightest[side] = max(brightest[side], rgb[yy, xx, 0], rgb[yy, xx, 1], rgb[yy, xx, 2])
    if own < LAMP * min(brightest[0], brightest[1]) or own < 1.0:
        return -1.0
    for yy in range(max(y - LAMP_REACH_PX, 0), min(y + LAMP_REACH_PX + 1, height)):
        for xx in range(max(x - LAMP_REACH_PX, 0), min(x + LAMP_REACH_PX + 1, width)):
            if radius[yy, xx] > middle and max(rgb[yy, xx, 0], rgb[yy, xx, 1], rgb[yy, xx, 2]) > own:
                return 0.0
    return 1.0 if brightest[1] > brightest[0] and 4.0 * brightest[1] > own else 0.0


@njit(nogil=True, cache=True)
def matte(rgb, radius, flags, y, x, c_near, c_far, hard, near, far):  # type: ignore[no-untyped-def]
    """Share of the near surface in a pixel of a silhouette; near and far get the two colours that mix to it."""
    height, width = radius.shape
    middle = (c_near + c_far) / 2.0
    sums = np.zeros((2, 2, 4), np.float32)
    for yy in range(max(y - 3, 0), min(y + 4, height)):
        for xx in range(max(x - 3, 0), min(x + 4, width)):
            side = 1 if radius[yy, xx] > middle else 0
            clean = 0 if flags[yy, xx] == 0 else 1
            d2 = (yy - y) * (yy - y) + (xx - x) * (xx - x)
            w = np.float32(1.0 / (1.0 + d2))
            for ch in range(3):
                sums[side, clean, ch] += w * rgb[yy, xx, ch]
            sums[side, clean, 3] += w
    for ch in range(3):
        kind = 0 if sums[0, 0, 3] > 0.0 else 1
        near[ch] = sums[0, kind, ch] / sums[0, kind, 3] if sums[0, kind, 3] > 0.0 else rgb[y, x, ch]
        kind = 0 if sums[1, 0, 3] > 0.0 else 1
        far[ch] = sums[1, kind, ch] / sums[1, kind, 3] if sums[1, kind, 3] > 0.0 else rgb[y, x, ch]
    near_most, far_most = max(near[0], near[1], near[2]), max(far[0], far[1], far[2])
    if (
        sums[0, 0, 3] > 0.0
        and sums[1, 0, 3] > 0.0
        and max(near_most, far_most) > max(LAMP * min(near_most, far_most), 1.0)
    ):
        return _lamp_edge(rgb, y, x, hard, near_most > far_most, near, far)
    dot, apart, scale = 0.0, 0.0, 0.0
    for ch in range(3):
        f, b, i = _compress(near[ch]), _compress(far[ch]), _compress(rgb[y, x, ch])
        dot += (i - b) * (f - b)
        apart += (f - b) * (f - b)
        scale += f * f + b * b
    alpha = dot / apart if apart > 0.0 else hard
    alpha = min(max(alpha, 0.5), 1.0) if hard == 1.0 else min(max(alpha, 0.0), 0.5)
    off = 0.0
    for ch in range(3):
        f, b, i = _compress(near[ch]), _compress(far[ch]), _compress(rgb[y, x, ch])
        rest = i - alpha * f - (1.0 - alpha) * b
        off += rest * rest
    sure = apart / (apart + off + 0.01 * scale + 1e-12)
    alpha = hard + sure * (alpha - hard)
    owner = _lamp_owner(rgb, radius, y, x, middle)
    if owner >= 0.0:
        # a lamp's light belongs to one side alone, or it would be blurred as if it hung on both
        alpha = hard if owner == hard else 0.5
        one, other = (near, far) if owner == 1.0 else (far, near)
        share = alpha if owner == 1.0 else 1.0 - alpha
        for ch in range(3):
            one[ch] = (rgb[y, x, ch] - (1.0 - share) * other[ch]) / share
        return alpha
    for ch in range(3):
        light = rgb[y, x, ch]
        rest = light - alpha * near[ch] - (1.0 - alpha) * far[ch]
        floor = min(light, 0.0)
        if near[ch] + rest >= floor and far[ch] + rest >= floor:
            near[ch] += rest
            far[ch] += rest
        elif near[ch] > far[ch] and alpha > 0.0:
            # a lamp's rim: the brighter side alone is less bright here than inside, the other stays
            far[ch] = min(far[ch], light)
            near[ch] = (light - (1.0 - alpha) * far[ch]) / alpha
        elif alpha < 1.0:
            near[ch] = min(near[ch], light)
            far[ch] = (light - alpha * near[ch]) / (1.0 - alpha)
        else:
            near[ch] = light
    return alpha
