"""Render the test chart: three equal boards, nearer than, in and beyond focus, each with a lamp, an edge and a grey.

Boards stand on the sample scene's pier, face the lens and shine by themselves, so that every level in the picture is
known. Each is as far across as it is far away: all three look alike, and their lamps tell where everything lies.
"""

import argparse
import math
from pathlib import Path

import make_scene
import numpy as np
import OpenImageIO as oiio
from make_scene import Lens, Pixels
from scene_bodies import MAT_DECK, MAT_LAMP, MAT_POSTER, MAT_TIMBER
from scene_layout import Builder
from scene_light import draw
from scene_noise import compiled
from scene_shapes import FAR_M, SPHERE, Scene, trace

WIDTH_PX, HEIGHT_PX = 1920, 1280
SENSOR_MM = (13.2, 8.8)
FOCAL_MM = 12.0
STOP = 2.8
DISTANCES_M = (1.25, 2.0, 5.0)
"""From left to right."""

FOCUS_M = 2.0
CAMERA_HEIGHT_M = 1.35
FIRST_FRAME, FRAME_COUNT = 1001, 3
SAMPLES = 64
MTF50_CPP = 0.33
SOFT_PX = math.sqrt(math.log(2.0) / (2.0 * (math.pi * MTF50_CPP) ** 2) - 1.0 / 12.0)
"""Sigma of a Gaussian that has, with the square pixel, the second moment of a Gaussian response of one half there."""


COLUMN_PX = 600.0
"""Between two boards, in pixels of the footage; what follows is measured from a board's lamp, in shares of this."""

LAMP_ABOVE_PX = 320.0
LAMP_RADIUS = 0.005
BOARD = (0.43, -0.40, 1.28)
"""Half the width; top and bottom, downwards."""

VELVET = 0.27
"""Down to here a board is covered in black, so that the ring around its lamp can be seen."""

EDGE = (0.33, 0.30, 0.70)
GREY = (0.33, 0.78, 1.24)
EDGE_DEG = 5.0
"""Off the vertical."""

LAMP_LINEAR, BRIGHT_LINEAR, DARK_LINEAR, GREY_LINEAR = 4000.0, 0.5, 0.05, 0.18
BOARD_LINEAR, STAND_LINEAR, FLOOR_LINEAR, BLACK_LINEAR = 0.01, 0.04, 0.02, 0.003
PLAIN, CHART = 0.0, 1.0

_IMAGE_MM = FOCAL_MM * FOCUS_M * 1000.0 / (FOCUS_M * 1000.0 - FOCAL_MM)
_PITCH = SENSOR_MM[0] / WIDTH_PX / _IMAGE_MM
"""Of a pixel, at one metre."""

_PUPIL_RADIUS_M = 0.0005 * FOCAL_MM / STOP
_EDGE_SLOPE = math.tan(math.radians(EDGE_DEG))


def build_chart() -> Scene:
    """Return the boards with their stands and lamps as arrays."""
    b = Builder()
    for column, z in enumerate(DISTANCES_M):
        unit_m = COLUMN_PX * _PITCH * z
        x = (column - 1) * unit_m
        lamp_y = CAMERA_HEIGHT_M + LAMP_ABOVE_PX * _PITCH * z
        half, top, bottom = (share * unit_m for share in BOARD)
        middle, tall = lamp_y - 0.5 * (top + bottom), 0.5 * (bottom - top)
        b.box(MAT_POSTER, (x, middle, z + 0.005), (half, tall, 0.005), extra=(CHART, BOARD_LINEAR, unit_m, lamp_y))
        foot = max(middle - tall, 0.02)
        b.box(MAT_TIMBER, (x, 0.5 * foot, z + 0.03), (0.03, 0.5 * foot, 0.01), extra=(PLAIN, STAND_LINEAR))
        b.sphere(MAT_LAMP, (x, lamp_y, z), LAMP_RADIUS * unit_m, (LAMP_LINEAR,) * 3)
    b.lamp((0.0, 10.0, 0.0), 0.1, (0.0, 0.0, 0.0))
    return b.pack()


def light(frame: int, *, y0: int = 0, y1: int = HEIGHT_PX) -> Pixels:
    """Return rows y0 to y1 of a frame's scene-linear light, softened like a sensor behind its filter."""
    scene = build_chart()
    out = np.zeros((y1 - y0, WIDTH_PX, 3), np.float32)
    make_scene.in_bands(y1 - y0, lambda a, b: _light_rows(scene, frame, y0, a, b, out))
    return out


def depth() -> Pixels:
    """Return the true depth along the lens axis at pixel centres, (H, W), metres; the sky is infinite."""
    scene = build_chart()
    lens = Lens(
        (0.0, CAMERA_HEIGHT_M, 0.0), (1.0, 0.0, 0.0), (0.0, 1.0, 0.0), (0.0, 0.0, 1.0), _IMAGE_MM, _PUPIL_RADIUS_M
    )
    out = np.zeros((HEIGHT_PX, WIDTH_PX), np.float32)
    make_scene.in_bands(HEIGHT_PX, lambda a, b: make_scene.depth_rows(scene, lens, _PITCH, a, b, out))
    return make_scene.round_depth(out)


def write(path: Path, rgb: Pixels, depth_m: Pixels) -> None:
    """Write half RGB and float Z to one EXR file, without loss."""
    height, width = depth_m.shape
    spec = oiio.ImageSpec(width, height, 4, oiio.FLOAT)
    spec.channelnames = ("R", "G", "B", "Z")
    spec.channelformats = (oiio.HALF, oiio.HALF, oiio.HALF, oiio.FLOAT)
    spec.attribute("compression", "zip")
    spec.attribute("oiio:ColorSpace", "lin_rec709")
    spec.attribute("framesPerSecond", oiio.TypeDesc("rational"), (make_scene.RATE_FPS, 1))
    spec.attribute("DateTime", "1970:01:01 00:00:00")
    spec.attribute("ImageDescription", "test chart; made by sample_frames/make_chart.py")
    pixels = np.ascontiguousarray(np.dstack([rgb, depth_m]).astype(np.float32))
    path.parent.mkdir(parents=True, exist_ok=True)
    out = oiio.ImageOutput.create(str(path))
    if out is None or not out.open(str(path), spec) or not out.write_image(pixels) or not out.close():
        raise OSError(f"{path}: {oiio.geterror() if out is None else out.geterror()}")


@compiled
def _level(sc, prim, mat, x, y):
    """Return the light of whatever a ray met at x, y."""
    if mat < 0 or (prim < 0 and mat != MAT_DECK):
        return BLACK_LINEAR
    if prim < 0:
        return FLOOR_LINEAR
    par = sc.pars[prim]
    if sc.kinds[prim] == SPHERE:
        return par[4]
    if par[15] == PLAIN:
        return par[16]
    u, v = (x - par[0]) / par[17], (par[18] - y) / par[17]
    if abs(u) < GREY[0] and GREY[1] < v < GREY[2]:
        return GREY_LINEAR
    if abs(u) < EDGE[0] and EDGE[1] < v < EDGE[2]:
        return BRIGHT_LINEAR if u > _EDGE_SLOPE * (v - 0.5 * (EDGE[1] + EDGE[2])) else DARK_LINEAR
    return BLACK_LINEAR if v < VELVET else par[16]


@compiled
def _light_rows(sc, frame, first, y0, y1, out):
    for j in range(y0, y1):
        for i in range(WIDTH_PX):
            pixel = ((first + j) * 8192 + i) * 64 + frame
            total = 0.0
            for n in range(SAMPLES):
                u, v = draw(pixel, 2, n, SAMPLES)
                q = SOFT_PX * math.sqrt(-2.0 * math.log(1.0 - u))
                gu, gv = q * math.cos(6.283185307 * v), q * math.sin(6.283185307 * v)
                u, v = draw(pixel, 0, n, SAMPLES)
                px = (i + u + gu - 0.5 * WIDTH_PX) * _PITCH * FOCUS_M
                py = (0.5 * HEIGHT_PX - first - j - v - gv) * _PITCH * FOCUS_M
                u, v = draw(pixel, 1, n, SAMPLES)
                q = _PUPIL_RADIUS_M * math.sqrt(u)
                lu, lv = q * math.cos(6.283185307 * v), q * math.sin(6.283185307 * v)
                dx, dy = px - lu, py - lv
                s = 1.0 / math.sqrt(dx * dx + dy * dy + FOCUS_M * FOCUS_M)
                ox, oy = lu, CAMERA_HEIGHT_M + lv
                t, prim, mat, _ = trace(sc, ox, oy, 0.0, dx * s, dy * s, FOCUS_M * s, FAR_M)
                total += _level(sc, prim, mat, ox + t * dx * s, oy + t * dy * s)
            for c in range(3):
                out[j, i, c] = total / SAMPLES


def main() -> None:
    """Render the chart from the command line."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--out", type=Path, default=Path(__file__).parent / "chart")
    options = parser.parse_args()
    depth_m = depth()
    for frame in range(FIRST_FRAME, FIRST_FRAME + FRAME_COUNT):
        path = options.out / f"chart.{frame:04d}.exr"
        write(path, light(frame), depth_m)
        print(f"{path}: {path.stat().st_size / 1e6:.2f} MB")


if __name__ == "__main__":
    main()
