"""Seconds that the check of a night takes before its first frame, against plain opening of the same headers.

    python tests/bench/check.py [--shots 200] [--frames 100] [--eyes 0]

Once with the frames of each shot in a folder of their own, and once with those of all shots in one. Frames are small
half-float EXR files with depth in them, every one its own file; they have been written just before, so that they come
from memory and not from a disk. No frame is measured: that takes its own stated time on top.
"""

from __future__ import annotations

import argparse
import os
import platform
import shutil
import tempfile
import time
from collections.abc import Callable
from importlib.metadata import version
from pathlib import Path
from typing import TypeVar

import numpy as np
import OpenEXR

T = TypeVar("T")

SHOT = """
[footage]
path = "{plates}/s{shot:03d}.####.exr"
encoding = "linear"
primaries = "ITU-R BT.709"
[camera]
sensor_mm = [13.2, 8.8]
[lens]
focal_mm = 9.0
stop = "f/2.8"
[focus]
distance_m = 4.2
[depth]
path = "{plates}/s{shot:03d}.####.exr"
"""


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--shots", type=int, default=200)
    parser.add_argument("--frames", type=int, default=100)
    parser.add_argument("--eyes", type=int, default=0, help="threads that look; 0: as the program has it")
    given = parser.parse_args()
    print(f"{platform.machine()}, {os.cpu_count()} cores, load {os.getloadavg()[0]:.1f}, Python {platform.python_version()},",
          ", ".join(f"{name} {version(name)}" for name in ("openimageio", "pydantic", "numpy")))  # fmt: skip
    from widegauge.batch import check as checking
    from widegauge.shotlist import load_list

    checking.EYES = given.eyes or checking.EYES
    for layout in ("a folder a shot", "all in one folder"):
        with tempfile.TemporaryDirectory() as folder:
            place = Path(folder)
            paths = make_night(place, given.shots, given.frames, one_folder=layout == "all in one folder")
            size_mb = sum(path.stat().st_size for path in paths) / 1e6
            print(f"\n{given.shots} shots of {given.frames} frames, {layout}: {len(paths)} files, {size_mb:.0f} MB, "
                  f"{checking.EYES} threads")  # fmt: skip
            timed("plain loop: OpenImageIO opens every header", lambda paths=paths: open_all(paths))
            entries = timed("load_list", lambda place=place: load_list(place / "night.toml"))

            def look(entries=entries, place=place):
                return checking.check(entries, place / "out", measure_s=0.0)

            checked = timed("check", look)
            assert not checked.refused, checked.refused[0].sentence
            victim = paths[len(paths) // 2]
            victim.write_bytes(victim.read_bytes()[:-40])
            checked = timed("check, one frame cut off", look)
            print(*(outcome.sentence for outcome in checked.refused), sep="\n")


def timed(name: str, call: Callable[[], T]) -> T:
    wall, cpu = time.perf_counter(), time.process_time()
    given = call()
    print(f"{name:44} {time.perf_counter() - wall:6.2f} s, {time.process_time() - cpu:6.2f} CPU s", flush=True)
    return given


def open_all(paths: list[Path]) -> None:
    import OpenImageIO as oiio

    for path in paths:
        handle = oiio.ImageInput.open(str(path))
        handle.spec()
        handle.close()


def make_night(place: Path, shots: int, frames: int, *, one_folder: bool) -> list[Path]:
    """Shot files, a list, and frames that differ from shot to shot."""
    paths: list[Path] = []
    z = np.linspace(2.0, 9.0, 60 * 90, dtype=np.float32).reshape(60, 90)
    for shot in range(shots):
        plates = place / ("plates" if one_folder else f"plates/s{shot:03d}")
        plates.mkdir(parents=True, exist_ok=True)
        rgb = np.random.default_rng(shot).uniform(0.05, 0.4, (60, 90, 3)).astype(np.float16)
        channels = {name: np.ascontiguousarray(rgb[..., i]) for i, name in enumerate("RGB")}
        first = plates / f"s{shot:03d}.1001.exr"
        with OpenEXR.File({"compression": OpenEXR.ZIPS_COMPRESSION}, channels | {"Z": z}) as file:
            file.write(str(first))
        paths.append(first)
        for number in range(1002, 1001 + frames):
            paths.append(plates / f"s{shot:03d}.{number}.exr")
            shutil.copyfile(first, paths[-1])
        text = SHOT.format(plates=plates.relative_to(place), shot=shot)
        (place / f"s{shot:03d}.toml").write_text(text)
    lines = [f'[[shot]]\nshot = "s{shot:03d}.toml"\n' for shot in range(shots)]
    (place / "night.toml").write_text('[all]\npreset = "15-perf-65"\n' + "".join(lines))
    return paths


if __name__ == "__main__":
    main()
