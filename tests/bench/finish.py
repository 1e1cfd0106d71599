"""The main job on UHD frames: half-float EXR in, EXR out, every stage; seconds a frame and peak memory.

    python tests/bench/finish.py [--frames 6] [--workers 2] [--width 3840] [--height 2560]

Beside it stands the same job with every stage off: what reading, checksums and writing cost alone.
"""

from __future__ import annotations

import argparse
import os
import platform
import resource
import tempfile
import time
from importlib.metadata import version
from pathlib import Path

import numpy as np
import OpenEXR

SHOT = """
[footage]
path = "plates/bench.####.exr"
encoding = "linear"
primaries = "ITU-R BT.709"
[camera]
sensor_mm = [{w}, {h}]
noise = "none"
[lens]
focal_mm = 24.0
stop = "f/4"
[focus]
distance_m = 4.2
[depth]
path = "plates/bench.####.exr"
"""


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--frames", type=int, default=6)
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--width", type=int, default=3840)
    parser.add_argument("--height", type=int, default=2560)
    given = parser.parse_args()
    print(f"{platform.machine()}, {os.cpu_count()} cores, load {os.getloadavg()[0]:.1f}, Python {platform.python_version()},",
          ", ".join(f"{name} {version(name)}" for name in ("numpy", "numba", "scipy", "openimageio")))  # fmt: skip
    with tempfile.TemporaryDirectory() as folder:
        place = Path(folder)
        (place / "plates").mkdir()
        make_plates(place / "plates", given.frames, given.width, given.height)
        (place / "bench.toml").write_text(SHOT.format(w=24.0, h=24.0 * given.height / given.width))
        off = [f"{name}.enabled=false" for name in ("framing", "defocus", "mtf", "halation", "grain")]
        for name, overrides in (("read and write only", off), ("every stage", []), ("every stage, again", [])):
            seconds, radius_px = run(place, overrides, given.workers, name)
            memory_gb = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1e6
            print(f"{name:22} {seconds / given.frames:6.2f} s a frame, {given.workers} in flight, "
                  f"peak memory {memory_gb:.2f} GB{radius_px}")  # fmt: skip


def run(place: Path, overrides: list[str], workers: int, name: str) -> tuple[float, str]:
    from fractions import Fraction

    from widegauge.plan import make_plan
    from widegauge.plate import open_plate
    from widegauge.presets import load_preset
    from widegauge.run.finish import finish
    from widegauge.run.job import make_job
    from widegauge.shot import load_shot

    plate = open_plate(load_shot(place / "bench.toml"))
    plan = make_plan(plate, load_preset("15-perf-65", overrides=overrides))
    job = make_job(plan, plate, out=place / name.replace(" ", "_"), proxy=Fraction(1))
    started = time.perf_counter()
    finish(job, workers=workers)
    seconds = time.perf_counter() - started
    reach = [f", blur up to {row.negative:.1f} px" for s in plan.stages if s.acts and s.name == "defocus"
             for row in s.planned.rows if row.unit == "px"][:1]  # fmt: skip
    return seconds, "".join(reach)


def make_plates(folder: Path, frames: int, width: int, height: int) -> None:
    """Texture, lamps, a floor through focus and cut-outs near and far."""
    y, x = np.mgrid[0:height, 0:width].astype(np.float32)
    z = np.clip(1.4 * 0.6 * height / np.maximum(y - 0.45 * height, 1.0), 1.5, 60.0)
    z[(np.hypot(x - 0.2 * width, y - 0.7 * height) < 0.12 * height)] = 1.6
    z[(abs(x - 0.6 * width) < 0.08 * width) & (abs(y - 0.5 * height) < 0.3 * height)] = 4.2
    texture = 0.18 + 0.08 * np.sin(x / 7) * np.cos(y / 5) + 0.04 * np.sin(x / 61 + y / 43)
    for number in range(1, frames + 1):
        rng = np.random.default_rng(number)
        rgb = np.repeat(texture[..., None], 3, axis=2) + rng.normal(0, 0.002, (height, width, 3)).astype(np.float32)
        for ly, lx in zip(rng.integers(0, height // 2, 60), rng.integers(0, width, 60), strict=True):
            rgb[ly : ly + 3, lx : lx + 3] = 60.0
        channels = {c: np.ascontiguousarray(rgb[..., i].astype(np.float16)) for i, c in enumerate("RGB")}
        with OpenEXR.File({"compression": OpenEXR.ZIP_COMPRESSION}, channels | {"Z": z}) as file:
            file.write(str(folder / f"bench.{number:04d}.exr"))


if __name__ == "__main__":
    main()
