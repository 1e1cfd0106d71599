"""Seconds for a UHD frame through grain, halation and mtf, against plain numpy and scipy in the same run.

Where the machine has other work, processor seconds over cores tell better than the wall what a free one would take.

python tests/bench/film.py
"""

from __future__ import annotations

import os
import platform
import sys
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np
import scipy
from numpy.typing import NDArray
from scipy.fft import irfft2, rfft2
from scipy.ndimage import correlate1d
from scipy.signal import fftconvolve
from widegauge.frame import Frame
from widegauge.kernels.philox import gauss_table
from widegauge.physics import base
from widegauge.stages import grain, halation, mtf

sys.path.insert(0, str(Path(__file__).parents[1]))
from emulsion_setup import FINE, WIDTHS_MM, make_setup

HEIGHT_PX, WIDTH_PX = 2160, 3840
REPEATS = 5


def seconds(call: Callable[[], object], repeats: int = REPEATS) -> tuple[float, float]:
    """Least wall and processor time of a few calls, after one to warm up."""
    call()
    walls, busy = [], []
    for _ in range(repeats):
        wall, cpu = time.perf_counter(), time.process_time()
        call()
        walls.append(time.perf_counter() - wall)
        busy.append(time.process_time() - cpu)
    return min(walls), min(busy)


def plain_grain(rgb: NDArray[np.float32], taps: NDArray[np.float32]) -> NDArray[np.float32]:
    """numpy's generator and scipy's separable filter, one amount for all levels: less than the stage does."""
    noise = np.random.Generator(np.random.Philox(7)).standard_normal(rgb.shape, dtype=np.float32)
    noise = correlate1d(correlate1d(noise, taps, axis=0), taps, axis=1)
    return rgb * np.exp(np.float32(0.04) * noise - np.float32(0.0008))


def plain_halation(rgb: NDArray[np.float32], kernel: NDArray[np.float32]) -> NDArray[np.float32]:
    """scipy's fftconvolve over the whole frame with a kernel of +-128 px, which leaves out the far light."""
    return np.stack([fftconvolve(rgb[..., c], kernel, mode="same") for c in range(3)], axis=-1)


def plain_mtf(rgb: NDArray[np.float32], response: NDArray[np.float32]) -> NDArray[np.float32]:
    """One transform of the whole frame a channel, without padding."""
    workers = os.cpu_count()
    planes = [
        irfft2(rfft2(rgb[..., c], workers=workers) * response, s=rgb.shape[:2], workers=workers) for c in range(3)
    ]
    return np.stack(planes, axis=-1)


def main() -> None:
    print(f"{platform.processor() or platform.machine()}, {os.cpu_count()} cores, load {os.getloadavg()[0]:.1f}")
    print(f"Python {platform.python_version()}, numpy {np.__version__}, scipy {scipy.__version__}")
    print(f"{WIDTH_PX} x {HEIGHT_PX}, wall and processor seconds, least of {REPEATS}\n")
    rgb = np.random.default_rng(0).random((HEIGHT_PX, WIDTH_PX, 3), dtype=np.float32)
    frame = Frame(1, rgb)
    gauss_table()
    response = np.ones((HEIGHT_PX, WIDTH_PX // 2 + 1), np.float32)
    for name, width_mm in WIDTHS_MM.items():
        setup = make_setup(width_mm, WIDTH_PX)
        side = np.hypot(*np.mgrid[-128:129, -128:129]) / setup.px_per_mm
        ring = base.returned_light(side, thickness_mm=FINE.base_thickness_mm, index=FINE.base_index)
        kernel = ring.astype(np.float32)
        grained = grain.STAGE.plan(grain.STAGE.settings(), setup)
        haloed = halation.STAGE.plan(halation.STAGE.settings(), setup)
        softened = mtf.STAGE.plan(mtf.STAGE.settings(), setup)
        rows = (
            ("grain", lambda p=grained: grain.STAGE.apply(p, frame), lambda p=grained: plain_grain(rgb, p.taps)),
            ("halation", lambda p=haloed: halation.STAGE.apply(p, frame), lambda k=kernel: plain_halation(rgb, k)),
            ("mtf", lambda p=softened: mtf.STAGE.apply(p, frame), lambda: plain_mtf(rgb, response)),
        )
        for stage, ours, plain in rows:
            wall, cpu = seconds(ours)
            plain_wall, plain_cpu = seconds(plain, 2)
            print(
                f"{name:11} {stage:9} {wall:6.3f} wall {cpu:6.3f} cpu   "
                f"numpy/scipy {plain_wall:6.3f} wall {plain_cpu:6.3f} cpu   "
                f"x{plain_wall / wall:.1f} wall x{plain_cpu / cpu:.1f} cpu"
            )


if __name__ == "__main__":
    main()
