"""Pairs of views of a made scene, with the depth that they should give: parallel, converged, or two turned cameras."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

import cv2
import numpy as np
from numba import njit
from thinlens import Scene, _ray, depth_m, park, trace

FB_PX_M = 60.0
"""Focal length in pixels times baseline: the nearest leaf is 46 px apart, the wall 4."""
FOCAL_PX, BASELINE_M = 600.0, 0.1
FOCUS_M = 3.0
WIDTH, HEIGHT = 480, 320
NOISE = 0.01
"""Standard deviation of the noise on white; it falls with the root of the light."""


@njit(cache=True)
def _view(cutouts, wall, floor, textures, fb_px_m, inverse_s, side, out):
    """The scene from a pinhole to the right: off the middle of a lens of that radius, focused where the axes cross."""
    none = np.zeros((0, 4))
    light = np.zeros(3)
    for y in range(out.shape[0]):
        for x in range(out.shape[1]):
            total = np.zeros(3)
            for n in range(side * side):
                a, b = (n % side + 0.5) / side, (n // side + 0.5) / side
                _ray(cutouts, wall, floor, none, textures, fb_px_m, inverse_s, x + a, y + b, 1.0, 0.0, 0, light)
                total += light
            out[y, x] = total / (side * side)


@cache
def scene() -> Scene:
    return park(width=WIDTH, height=HEIGHT, lamps=False)


@cache
def left() -> np.ndarray:
    return noisy(trace(scene(), kappa=0.0, focus_m=FOCUS_M, samples=36), seed=1)


@cache
def right(converged_m: float = np.inf) -> np.ndarray:
    s = scene()
    out = np.zeros((s.height, s.width, 3), np.float32)
    _view(s.cutouts, np.array(s.wall), np.array(s.floor), s.textures, FB_PX_M, 1 / converged_m, 6, out)
    return noisy(out, seed=2)


@cache
def truth_m() -> np.ndarray:
    return depth_m(scene())


def noisy(light: np.ndarray, *, seed: int) -> np.ndarray:
    grain = np.random.default_rng(seed).standard_normal(light.shape)
    return (light + NOISE * np.sqrt(np.maximum(light, 0.0)) * grain).astype(np.float32)


def turn(yaw_deg: float, pitch_deg: float, roll_deg: float) -> np.ndarray:
    """A rotation, from its three turns one after the other."""
    y, p, r = np.radians([yaw_deg, pitch_deg, roll_deg])
    about_y = np.array([[np.cos(y), 0, np.sin(y)], [0, 1, 0], [-np.sin(y), 0, np.cos(y)]])
    about_x = np.array([[1, 0, 0], [0, np.cos(p), -np.sin(p)], [0, np.sin(p), np.cos(p)]])
    about_z = np.array([[np.cos(r), -np.sin(r), 0], [np.sin(r), np.cos(r), 0], [0, 0, 1]])
    return about_z @ about_x @ about_y


@dataclass(frozen=True)
class Camera:
    """A camera that looks where it likes, with a lens that bends lines (D. C. Brown's model, two radial terms)."""

    focal_px: float
    middle_px: tuple[float, float]
    bend: tuple[float, float]
    turned: np.ndarray

    def rays(self) -> np.ndarray:
        """Directions (H, W, 3) of its pixels on the axes of the straight pair; third component on its own axis first."""
        x, y = np.meshgrid(np.arange(WIDTH, dtype=float), np.arange(HEIGHT, dtype=float))
        bent = np.stack([x - self.middle_px[0], y - self.middle_px[1]], axis=-1) / self.focal_px
        straight = bent.copy()
        for _ in range(40):
            r2 = (straight**2).sum(axis=-1, keepdims=True)
            straight = bent / (1 + self.bend[0] * r2 + self.bend[1] * r2**2)
        return np.concatenate([straight, np.ones((HEIGHT, WIDTH, 1))], axis=-1) @ self.turned

    def sees(self, picture: np.ndarray, way: int) -> tuple[np.ndarray, np.ndarray]:
        """What it sees of a straight camera's picture from the same place, and where on that picture."""
        ray = self.rays()
        at = (ray[..., :2] / ray[..., 2:] * FOCAL_PX + [(WIDTH - 1) / 2, (HEIGHT - 1) / 2]).astype(np.float32)
        return cv2.remap(picture, at[..., 0], at[..., 1], way, borderMode=cv2.BORDER_REFLECT), at


FIRST = Camera(560.0, (246.0, 155.0), (-0.12, 0.03), turn(1.2, -0.6, 0.5))
SECOND = Camera(575.0, (231.0, 164.0), (-0.10, 0.02), turn(-1.5, 0.4, -0.7))


def calibration() -> str:
    """The two turned cameras as a calibration file: X_second = R X_first + t."""
    rotation = SECOND.turned @ FIRST.turned.T
    translation = SECOND.turned @ np.array([-BASELINE_M, 0.0, 0.0])
    lines = [
        f"size_px = [{WIDTH}, {HEIGHT}]",
        f"rotation = {rotation.tolist()}",
        f"translation_m = {translation.tolist()}",
    ]
    for name, camera in (("footage", FIRST), ("other", SECOND)):
        f, (x, y) = camera.focal_px, camera.middle_px
        lines += [f"[{name}]", f"matrix = [[{f}, 0.0, {x}], [0.0, {f}, {y}], [0.0, 0.0, 1.0]]"]
        lines += [f"distortion = [{camera.bend[0]}, {camera.bend[1]}, 0.0, 0.0]"]
    return "\n".join(lines)


def turned_pair() -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """The two turned cameras' views, the depth along the first one's axis, and where the straight views reach."""
    first, at = FIRST.sees(left(), cv2.INTER_CUBIC)
    second, _ = SECOND.sees(right(), cv2.INTER_CUBIC)
    z, _ = FIRST.sees(truth_m(), cv2.INTER_NEAREST)
    ray = FIRST.rays()
    # a point at Z on the straight axes lies at Z ray / ray_z; its share along the camera's own axis is the turn's third row
    along = (ray @ FIRST.turned.T)[..., 2] / ray[..., 2]
    inside = (at > 2).all(axis=-1) & (at[..., 0] < WIDTH - 3) & (at[..., 1] < HEIGHT - 3)
    return first, second, z * along, inside
