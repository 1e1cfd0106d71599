"""A small thin-lens ray tracer: the truth that the defocus stage is held against. It shares no code with it.

A scene is a stack of upright cut-outs at fixed distances, a slanting floor and a wall, each with a texture of its own,
drawn as the pinhole camera sees it: places are pixels of the pinhole picture. A ray through pixel x and the point u
of the aperture (unit disc, or a polygon) meets the surface at distance Z where p = x - c(Z) u, with the thin lens's
c(Z) = kappa (1/s - 1/Z): a bundle through one point of the focal plane spreads in proportion to c on either side.
The floor's 1/Z is linear in y, so its p has a closed form.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numba import njit

ELLIPSE, BOX = 0.0, 1.0


@dataclass(frozen=True)
class Scene:
    """What stands where. All places and sizes in pixels of the pinhole picture.

    cutouts  (N, 11): 1/Z, shape, middle x, middle y, half width, half height, turn (rad), texture, near ones first;
             then what tracing would work out anew for every ray: cosine and sine of the turn, and the square of a
             distance from the middle that it does not reach
    wall     (1/Z, texture)
    floor    (1/Z at y = 0, change of 1/Z per pixel, first row, texture)
    lamps    (M, 4): x, y, cutout it is on (-1: wall), level; a lamp is a square pixel
    textures (K, S, S, 3): tiled, SCALE texels a pixel
    """

    cutouts: np.ndarray
    wall: tuple[float, float]
    floor: tuple[float, float, float, float]
    lamps: np.ndarray
    textures: np.ndarray
    width: int
    height: int


SCALE = 2


@njit(cache=True)
def _inside(cut, x, y):
    dx, dy = x - cut[2], y - cut[3]
    if dx * dx + dy * dy > cut[10]:
        return False
    c, s = cut[8], cut[9]
    a, b = (c * dx + s * dy) / cut[4], (c * dy - s * dx) / cut[5]
    if cut[1] == 0.0:
        return a * a + b * b <= 1.0
    return abs(a) <= 1.0 and abs(b) <= 1.0


@njit(cache=True)
def _light(textures, lamps, owner, texture, x, y, out):
    size = textures.shape[1]
    fx, fy = x * SCALE, y * SCALE
    ix, iy = int(np.floor(fx)), int(np.floor(fy))
    tx, ty = fx - ix, fy - iy
    k = int(texture)
    for ch in range(3):
        top = textures[k, iy % size, ix % size, ch] * (1 - tx) + textures[k, iy % size, (ix + 1) % size, ch] * tx
        low = (
            textures[k, (iy + 1) % size, ix % size, ch] * (1 - tx)
            + textures[k, (iy + 1) % size, (ix + 1) % size, ch] * tx
        )
        out[ch] = top * (1 - ty) + low * ty
    for n in range(lamps.shape[0]):
        if lamps[n, 2] == owner and abs(x - lamps[n, 0]) <= 0.5 and abs(y - lamps[n, 1]) <= 0.5:
            for ch in range(3):
                out[ch] = lamps[n, 3]


@njit(cache=True)
def _ray(cutouts, wall, floor, lamps, textures, kappa, inverse_s, x, y, ux, uy, skip, out):
    """Light along one ray and 1/Z of what it meets; the first ``skip`` surfaces that it meets are taken away."""
    met = 0
    for n in range(cutouts.shape[0]):
        c = kappa * (inverse_s - cutouts[n, 0])
        px, py = x - c * ux, y - c * uy
        if _inside(cutouts[n], px, py):
            met += 1
            if met > skip:
                _light(textures, lamps, n, cutouts[n, 7], px, py, out)
                return cutouts[n, 0]
    # floor: c = a + b p_y, p_y = y - c u_y
    a, b = kappa * (inverse_s - floor[0]), -kappa * floor[1]
    py = (y - a * uy) / (1.0 + b * uy)
    if py >= floor[2]:
        met += 1
        if met > skip:
            _light(textures, lamps, -2, floor[3], x - (a + b * py) * ux, py, out)
            return floor[0] + floor[1] * py
    c = kappa * (inverse_s - wall[0])
    _light(textures, lamps, -1, wall[1], x - c * ux, y - c * uy, out)
    return wall[0]


@njit(cache=True)
def _in_aperture(corners, ux, uy):
    if corners.shape[0] == 0:
        return ux * ux + uy * uy <= 1.0
    for k in range(corners.shape[0]):
        x0, y0 = corners[k - 1]
        x1, y1 = corners[k]
        if (x1 - x0) * (uy - y0) - (y1 - y0) * (ux - x0) < 0.0:
            return False
    return True


@njit(cache=True)
def _trace(cutouts, wall, floor, textures, kappa, inverse_s, corners, samples, skip, out, shift):
    """All surfaces without their lamps: an additive recurrence over pixel and aperture (generalised golden ratio)."""
    none = np.zeros((0, 4))
    light = np.zeros(3)
    for y in range(out.shape[0]):
        for x in range(out.shape[1]):
            hashed = np.uint32(x * 73856093) ^ np.uint32(y * 19349663)
            phase = np.zeros(4)
            for k in range(4):
                hashed = np.uint32(hashed * np.uint32(1664525) + np.uint32(1013904223))
                phase[k] = (hashed >> np.uint32(8)) / 16777216.0
            total = np.zeros(3)
            count = 0
            n = 0
            while count < samples:
                n += 1
                a, b = (phase[0] + 0.8566748838545029 * n) % 1.0, (phase[1] + 0.733891856627126 * n) % 1.0
                ux = 2.4 * ((phase[2] + 0.6287067210378087 * n) % 1.0) - 1.2
                uy = 2.4 * ((phase[3] + 0.5385972572236101 * n) % 1.0) - 1.2
                if not _in_aperture(corners, ux, uy):
                    continue
                count += 1
                _ray(cutouts, wall, floor, none, textures, kappa, inverse_s, x + a + shift, y + b, ux, uy, skip, light)
                for ch in range(3):
                    total[ch] += light[ch]
            for ch in range(3):
                out[y, x, ch] = total[ch] / samples


@njit(cache=True)
def _lamps(cutouts, wall, lamps, kappa, inverse_s, corners, out, shift):
    """Add the lamps, each straight from its own points to those of every pixel; only cut-outs hide them."""
    steps = 6
    for n in range(lamps.shape[0]):
        owner = int(lamps[n, 2])
        c = kappa * (inverse_s - (wall[0] if owner < 0 else cutouts[owner, 0]))
        reach = int(abs(c) * 1.2 + 2)
        for y in range(max(int(lamps[n, 1]) - reach, 0), min(int(lamps[n, 1]) + reach + 1, out.shape[0])):
            for x in range(max(int(lamps[n, 0] - shift) - reach, 0), min(int(lamps[n, 0]) + reach + 1, out.shape[1])):
                hits = 0
                for i in range(steps**4):
                    fx, fy = (i % steps + 0.5) / steps, (i // steps % steps + 0.5) / steps
                    lx = lamps[n, 0] - 0.5 + (i // steps**2 % steps + 0.5) / steps
                    ly = lamps[n, 1] - 0.5 + (i // steps**3 % steps + 0.5) / steps
                    if abs(c) < 1e-6:
                        hits += abs(x + fx + shift - lamps[n, 0]) <= 0.5 and abs(y + fy - lamps[n, 1]) <= 0.5
                        continue
                    ux, uy = (x + fx + shift - lx) / c, (y + fy - ly) / c
                    if not _in_aperture(corners, ux, uy):
                        continue
                    hidden = 0
                    for m in range(cutouts.shape[0] if owner < 0 else owner):
                        other = kappa * (inverse_s - cutouts[m, 0])
                        hidden += _inside(cutouts[m], x + fx + shift - other * ux, y + fy - other * uy)
                    hits += hidden == 0
                share = hits / steps**4 / (1.0 if abs(c) < 1e-6 else np.pi * c * c)
                for ch in range(3):
                    out[y, x, ch] += share * lamps[n, 3]


@njit(cache=True)
def _depth(cutouts, wall, floor, lamps, textures, skip, out, shift):
    light = np.zeros(3)
    for y in range(out.shape[0]):
        for x in range(out.shape[1]):
            inverse = _ray(
                cutouts, wall, floor, lamps, textures, 0.0, 0.0, x + 0.5 + shift, y + 0.5, 0.0, 0.0, skip, light
            )
            out[y, x] = 1.0 / inverse


def polygon(blades: int) -> np.ndarray:
    """Corners of the regular polygon of area pi with one corner up (y down), in the order that turns clockwise."""
    k = np.arange(blades)
    radius = np.sqrt(np.pi / (blades / 2 * np.sin(2 * np.pi / blades)))
    return np.stack([radius * np.sin(2 * np.pi * k / blades), -radius * np.cos(2 * np.pi * k / blades)], axis=1)


def trace(
    scene: Scene,
    *,
    kappa: float,
    focus_m: float,
    blades: int = 0,
    samples: int = 256,
    skip: int = 0,
    shift: float = 0.0,
) -> np.ndarray:
    """The scene through a thin lens (kappa 0: a pinhole), (H, W, 3) float32; ``shift`` pans by that many pixels."""
    out = np.zeros((scene.height, scene.width, 3), np.float32)
    corners = polygon(blades) if blades else np.zeros((0, 2))
    wall, floor = np.array(scene.wall), np.array(scene.floor)
    _trace(scene.cutouts, wall, floor, scene.textures, kappa, 1 / focus_m, corners, samples, skip, out, shift)
    if not skip:
        _lamps(scene.cutouts, wall, scene.lamps, kappa, 1 / focus_m, corners, out, shift)
    return out


def depth_m(scene: Scene, *, skip: int = 0, shift: float = 0.0) -> np.ndarray:
    """Distance at the middle of each pixel, (H, W) float32."""
    out = np.zeros((scene.height, scene.width), np.float32)
    _depth(scene.cutouts, np.array(scene.wall), np.array(scene.floor), scene.lamps, scene.textures, skip, out, shift)
    return out


def texture(
    rng: np.random.Generator, colour: tuple[float, float, float], contrast: float, size: int = 512
) -> np.ndarray:
    """Random texture of three octaves, (size, size, 3), that tiles."""
    f = np.hypot(*np.meshgrid(np.fft.fftfreq(size), np.fft.rfftfreq(size), indexing="ij"))
    f[0, 0] = 1.0
    field = np.fft.irfft2(
        np.fft.rfft2(rng.standard_normal((size, size))) / f**1.1 * np.exp(-((f * 6.0) ** 2)), (size, size)
    )
    tint = rng.uniform(0.9, 1.1, (1, 1, 3))
    field = np.exp(contrast * field / field.std())[..., None]
    return np.clip(np.asarray(colour) * field * tint, 0.005, 1.6)


def park(*, width: int = 320, height: int = 224, lamps: bool = True, seed: int = 5) -> Scene:
    """Near leaves, a figure in focus with hair, posts behind it, a wall and a floor through focus, lamps (focus 3 m)."""
    rng = np.random.default_rng(seed)
    textures = np.stack(
        [
            texture(rng, (0.25, 0.3, 0.5), 0.5),
            texture(rng, (0.3, 0.28, 0.24), 0.5),
            texture(rng, (0.05, 0.3, 0.06), 0.3),
            texture(rng, (0.45, 0.28, 0.2), 0.3),
            texture(rng, (0.4, 0.38, 0.45), 0.3),
        ]
    )
    w, h = width, height
    near = [
        [1 / 1.3, ELLIPSE, 0.1 * w, 0.3 * h, 34.0, 11.0, 0.6, 2.0],
        [1 / 1.3, ELLIPSE, 0.16 * w, 0.75 * h, 12.0, 40.0, 0.3, 2.0],
        [1 / 1.3, ELLIPSE, 0.86 * w, 0.2 * h, 40.0, 13.0, -0.5, 2.0],
        [1 / 1.3, ELLIPSE, 0.97 * w, 0.5 * h, 13.0, 30.0, 0.2, 2.0],
    ]
    figure = [
        [1 / 3.0, ELLIPSE, 0.5 * w, 0.42 * h, 34.0, 44.0, 0.0, 3.0],
        [1 / 3.0, BOX, 0.5 * w, 0.8 * h, 58.0, 40.0, 0.0, 3.0],
        *[[1 / 3.0, BOX, 0.5 * w + 10.0 * (k - 2), 0.42 * h - 52.0, 0.9, 24.0, 0.2 * (k - 2), 3.0] for k in range(5)],
    ]
    posts = [[1 / 4.6, BOX, (0.72 + 0.05 * k) * w, 0.55 * h, 3.0, 40.0, 0.0, 4.0] for k in range(4)]
    points = [[0.3, 0.2], [0.26, 0.34], [0.66, 0.15], [0.75, 0.28], [0.62, 0.33]] if lamps else []
    cutouts = np.array(near + figure + posts)
    half_width, half_height, turn = cutouts[:, 4:7].T
    return Scene(
        cutouts=np.column_stack([cutouts, np.cos(turn), np.sin(turn), 1.01 * (half_width**2 + half_height**2)]),
        wall=(1 / 14.0, 0.0),
        floor=(1 / 14.0 - 0.62 * h * 0.0045, 0.0045, 0.62 * h, 1.0),
        lamps=np.array([[np.floor(x * w) + 0.5, np.floor(y * h) + 0.5, -1.0, 80.0] for x, y in points]).reshape(-1, 4),
        textures=textures,
        width=width,
        height=height,
    )


def shown(rgb: np.ndarray) -> np.ndarray:
    """Display encoding for comparisons: clip and a power of 1/2.2."""
    return np.clip(rgb, 0.0, 1.0) ** (1 / 2.2)


def psnr_db(got: np.ndarray, want: np.ndarray, mask: np.ndarray | None = None, border: int = 24) -> float:
    """Peak signal to noise of two pictures as shown, without a border (what lies beyond it is not known)."""
    square = ((shown(got) - shown(want)) ** 2).mean(axis=-1)[border:-border, border:-border]
    if mask is not None:
        square = square[mask[border:-border, border:-border]]
    return float(-10 * np.log10(max(square.mean(), 1e-12)))


def near_edges(radius_px: np.ndarray) -> np.ndarray:
    """Places within reach of a step of more than one pixel in the radius."""
    import cv2

    edge = np.zeros(radius_px.shape, np.uint8)
    edge[:, 1:] |= np.abs(np.diff(radius_px, axis=1)) > 1.0
    edge[1:] |= np.abs(np.diff(radius_px, axis=0)) > 1.0
    side = 2 * int(np.ceil(np.abs(radius_px).max())) + 1
    return cv2.dilate(edge, cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (side, side))).astype(bool)
