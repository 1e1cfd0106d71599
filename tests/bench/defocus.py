"""Seconds a frame of the defocus stage, against a plain OpenCV script in the same run.

    python tests/bench/defocus.py [--width 3840] [--height 2160] [--radius 24] [--frames 3]

The peer cuts the picture into eight bins of blur radius, blurs each with one disc and adds them up by coverage. It
knows no occlusion and no hidden background, but it is written fairly: float32, filters on all cores, big discs by
DFT, masks blurred beside their pictures.
"""

from __future__ import annotations

import argparse
import itertools
import os
import platform
import resource
import time
from typing import cast

import cv2
import numba
import numpy as np
from widegauge.frame import Frame
from widegauge.physics.emulsion import Stock
from widegauge.physics.lens import FocusPull, Side
from widegauge.stages import defocus
from widegauge.stages.stage import Raster, Setup

FOCUS_M = 3.0


def scene(width: int, height: int) -> tuple[np.ndarray, np.ndarray]:
    """Leaves, a figure in focus, posts, a wall and a slanting floor, with 40 lamps."""
    rng = np.random.default_rng(1)
    small = rng.uniform(0.05, 0.9, (height // 6 + 1, width // 6 + 1, 3)).astype(np.float32)
    rgb = cv2.resize(small, (width, height), interpolation=cv2.INTER_CUBIC)
    z = np.full((height, width), 14.0, np.float32)
    rows = np.arange(height // 2, height)
    z[rows] = (1.0 / (1 / 14.0 + (1 / 2.0 - 1 / 14.0) * (rows - rows[0]) / rows.size))[:, None]
    unit = height / 40
    for k in range(6):
        x = int((0.7 + 0.04 * k) * width)
        z[int(10 * unit) : int(26 * unit), x : x + int(unit)] = 4.6
    cv2.ellipse(z, (width // 2, int(14 * unit)), (int(5 * unit), int(7 * unit)), 0, 0, 360, FOCUS_M, -1)
    z[int(20 * unit) : int(36 * unit), int(0.36 * width) : int(0.64 * width)] = FOCUS_M
    for x, y, turn in rng.uniform((0, 0, 0), (width, height, 180), (14, 3)):
        if abs(x - width / 2) > 0.2 * width:
            cv2.ellipse(z, (int(x), int(y)), (int(4 * unit), int(unit)), turn, 0, 360, 1.3, -1)
    for x, y in rng.integers((0, 0), (width, height), (40, 2)):
        rgb[y, x] = 200.0
    return rgb, z


def plain_script(rgb: np.ndarray, radius_px: np.ndarray, bins: int = 8) -> np.ndarray:
    edges = np.linspace(radius_px.min(), radius_px.max(), bins + 1)
    total, cover = np.zeros_like(rgb), np.zeros(rgb.shape[:2], np.float32)
    for low, high in itertools.pairwise(edges):
        mask = ((radius_px >= low) & ((radius_px < high) | (high == edges[-1]))).astype(np.float32)
        r = abs(low + high) / 2
        half = int(np.ceil(r))
        y, x = np.mgrid[-half : half + 1, -half : half + 1]
        kernel = (x * x + y * y <= r * r).astype(np.float32)
        kernel /= kernel.sum()
        total += cv2.filter2D(rgb * mask[..., None], -1, kernel)
        cover += cv2.filter2D(mask, -1, kernel)
    return total / np.maximum(cover, 1e-6)[..., None]


def main() -> None:
    words = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    words.add_argument("--width", type=int, default=3840)
    words.add_argument("--height", type=int, default=2160)
    words.add_argument("--radius", type=float, default=24.0, help="largest blur radius, in pixels")
    words.add_argument("--frames", type=int, default=3)
    said = words.parse_args()
    rgb, z = scene(said.width, said.height)
    kappa = said.radius / (1 / 1.3 - 1 / FOCUS_M)
    # pupil that gives this kappa behind 50 mm on 36 mm: kappa = pupil / 2 x v x width_px / width_mm
    pupil_mm = kappa * 2000.0 / (50.0 * 3000.0 / 2950.0 * said.width / 36.0)
    camera, negative = (Side(36.0, 36.0 * said.height / said.width, 50.0, 50.0 / mm) for mm in (pupil_mm / 6, pupil_mm))
    raster = Raster(said.width, said.height, float(said.width), 0, 0, said.width, said.height, 1.0)
    focus = FocusPull(((1, FOCUS_M),))
    plan = defocus.plan(
        defocus.DefocusSettings(),
        Setup(camera=camera, negative=negative, raster=raster, stock=cast(Stock, None), focus=focus, has_depth=True),
    )
    print(f"{platform.processor() or platform.machine()}, {os.cpu_count()} cores, load {os.getloadavg()[0]:.1f}")
    print(
        f"Python {platform.python_version()}, numpy {np.__version__}, numba {numba.__version__}, OpenCV {cv2.__version__}"
    )
    defocus.apply(plan, Frame(1, rgb[:200, :200].copy(), z[:200, :200].copy()))
    before_mb = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    walls, cpus = [], []
    for _ in range(said.frames):
        wall, cpu = time.perf_counter(), time.process_time()
        defocus.apply(plan, Frame(1, rgb, z))
        walls.append(time.perf_counter() - wall)
        cpus.append(time.process_time() - cpu)
    more_mb = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024 - before_mb
    radius = defocus.blur_radius_px(z, rgb, scale_px_m=kappa, focus_m=FOCUS_M)[0]
    wall = time.perf_counter()
    plain_script(rgb, radius)
    peer = time.perf_counter() - wall
    print(f"{said.width}x{said.height}, radii {radius.min():.1f} to {radius.max():.1f} px")
    print(f"defocus       {min(walls):.2f} s a frame ({min(cpus):.2f} s of all cores), {more_mb:.0f} MB more memory")
    print(f"plain OpenCV  {peer:.2f} s a frame (eight bins, no occlusion)")
    print(f"ratio         {min(walls) / peer:.2f}")


if __name__ == "__main__":
    main()
