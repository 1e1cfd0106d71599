"""What several tests share: reference tables, and small shots made on the spot."""

from __future__ import annotations

import tomllib
from collections.abc import Callable
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np
import OpenEXR
import pytest

REFERENCES = Path(__file__).parent / "references"
CHECKOUT = Path(__file__).parents[1]


def reference(name: str) -> dict[str, Any]:
    """A table of reference values; a missing one fails."""
    with (REFERENCES / f"{name}.toml").open("rb") as file:
        return tomllib.load(file)


def write_exr(path: Path, rgb: np.ndarray, *, z: np.ndarray | None = None, **header: Any) -> None:
    """Write R, G, B (dtype as given) and a float Z with the OpenEXR wheel, not with the project's own writer."""
    channels = {name: np.ascontiguousarray(rgb[..., i]) for i, name in enumerate("RGB")}
    if z is not None:
        channels["Z"] = np.ascontiguousarray(z.astype(np.float32))
    head = {"compression": OpenEXR.ZIP_COMPRESSION, "type": OpenEXR.scanlineimage} | header
    with OpenEXR.File(head, channels) as file:
        file.write(str(path))


def read_exr(path: Path, channel: str) -> np.ndarray:
    """One channel as float32, read with the OpenEXR wheel."""
    with OpenEXR.File(str(path), separate_channels=True) as file:
        return np.array(file.channels()[channel].pixels, dtype=np.float32)


def read_exr_rgb(path: Path) -> np.ndarray:
    return np.stack([read_exr(path, name) for name in "RGB"], axis=-1)


SHOT = """
[footage]
path = "plates/pier.####.exr"
encoding = "linear"
primaries = "ITU-R BT.709"

[camera]
sensor_mm = [13.2, 8.8]
noise = "none"

[lens]
focal_mm = 9.0
stop = "f/2.8"

[focus]
distance_m = 4.2

[depth]
path = "plates/pier.####.exr"
"""


def small_shot(
    folder: Path,
    *,
    frames: int = 3,
    width: int = 120,
    height: int = 80,
    text: str = SHOT,
    dtype: Any = np.float16,
    first: int = 1001,
) -> Path:
    """Make a small shot of random texture, points of light and two depths in a folder; returns its shot file."""
    (folder / "plates").mkdir(exist_ok=True)
    y, x = np.mgrid[0:height, 0:width]
    z = np.where(x > width * 0.6, 1.5, 4.2 + 0.1 * (height - y)).astype(np.float32)
    for number in range(first, first + frames):
        rng = np.random.default_rng(number)
        rgb = (0.18 * rng.uniform(0.5, 1.5, (height, width, 3))).astype(np.float32)
        rgb[20, 30] = rgb[60, 90] = 40.0
        write_exr(folder / "plates" / f"pier.{number}.exr", rgb.astype(dtype), z=z)
    path = folder / "pier.toml"
    path.write_text(text)
    return path


@pytest.fixture
def make_shot(tmp_path: Path) -> Callable[..., Path]:
    """``small_shot`` in the test's own folder."""
    return partial(small_shot, tmp_path)
