"""Render the sample shot: a ferry landing at dusk, scene-linear light and true depth, through a small camera's lens."""

import argparse
import math
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import NamedTuple

import numpy as np
import OpenImageIO as oiio
from numpy.typing import NDArray
from scene_layout import build_scene
from scene_light import draw, radiance
from scene_noise import compiled, hash_frac
from scene_shapes import FAR_M, Scene, trace

WIDTH_PX, HEIGHT_PX = 1920, 1280
SENSOR_MM = (13.2, 8.8)
FOCAL_MM = 12.0
STOP = 2.8
FOCUS_M = 4.2
CAMERA_HEIGHT_M = 1.3
TILT_DEG = -9.0
YAW_DEG = 2.2
FIRST_FRAME, FRAME_COUNT = 1001, 8
RATE_FPS = 24
PUSH_M = 0.06
SAMPLES = 16
PACKING = 60.0
"""Level of the DWAA compression."""
SKY_SAMPLES = 4
"""Rays after which a pixel that shows nothing but sky is done."""
EXPOSURE = 1.5
SOFT_TAP = 0.135
"""Outer weight of the three-tap softness: with the square pixel it halves contrast at 0.33 cycles per pixel."""
DEPTH_BITS = 11
BAND_ROWS = 16

Floats = NDArray[np.float64]
Pixels = NDArray[np.float32]


class Lens(NamedTuple):
    """Where the entrance pupil is, which way it looks, and what it does."""

    pupil_m: tuple[float, float, float]
    right: tuple[float, float, float]
    up: tuple[float, float, float]
    ahead: tuple[float, float, float]
    image_mm: float
    pupil_radius_m: float


def lens_at(frame: int) -> Lens:
    """Return the lens for a frame number: a slow push with a little hand shake, never rolled."""
    n = frame - FIRST_FRAME
    shake = [_shake(n, k) for k in range(5)]
    ahead_m = PUSH_M * n / (FRAME_COUNT - 1)
    yaw = math.radians(YAW_DEG + 0.055 * shake[0])
    tilt = math.radians(TILT_DEG + 0.050 * shake[1])
    place = (0.0025 * shake[2], CAMERA_HEIGHT_M + 0.002 * shake[3], ahead_m + 0.0015 * shake[4])
    cy, sy, ct, st = math.cos(yaw), math.sin(yaw), math.cos(tilt), math.sin(tilt)
    return Lens(
        pupil_m=place,
        right=(cy, 0.0, -sy),
        up=(-sy * st, ct, -cy * st),
        ahead=(sy * ct, st, cy * ct),
        image_mm=FOCAL_MM * FOCUS_M * 1000.0 / (FOCUS_M * 1000.0 - FOCAL_MM),
        pupil_radius_m=0.0005 * FOCAL_MM / STOP,
    )


def render(scene: Scene, frame: int, *, scale: float, samples: int) -> Pixels:
    """Return one frame's scene-linear light, (H, W, 3), softened like a sensor behind its filter."""
    width, height = round(WIDTH_PX * scale), round(HEIGHT_PX * scale)
    out = np.zeros((height, width, 3), np.float32)
    lens = lens_at(frame)
    pitch = SENSOR_MM[0] / width / lens.image_mm
    time_s = (frame - FIRST_FRAME) / RATE_FPS

    def band(y0: int, y1: int) -> None:
        _light_rows(scene, lens, pitch, time_s, frame, samples, y0, y1, out)

    in_bands(height, band)
    return _soften(out)


def depth(frame: int, *, scale: float, scene: Scene | None = None) -> Pixels:
    """Return the true depth along the lens axis at pixel centres, (H, W), metres; the sky is infinite."""
    scene = scene or build_scene()
    width, height = round(WIDTH_PX * scale), round(HEIGHT_PX * scale)
    out = np.zeros((height, width), np.float32)
    lens = lens_at(frame)
    pitch = SENSOR_MM[0] / width / lens.image_mm
    in_bands(height, lambda y0, y1: depth_rows(scene, lens, pitch, y0, y1, out))
    return round_depth(out)


def write(path: Path, light: Pixels, depth_m: Pixels, frame: int, level: float) -> None:
    """Write half RGB and float Z to one EXR file, and read it back to be sure."""
    height, width = depth_m.shape
    spec = oiio.ImageSpec(width, height, 4, oiio.FLOAT)
    spec.channelnames = ("R", "G", "B", "Z")
    spec.channelformats = (oiio.HALF, oiio.HALF, oiio.HALF, oiio.FLOAT)
    spec.attribute("compression", f"dwaa:{level:g}")
    spec.attribute("oiio:ColorSpace", "lin_rec709")
    spec.attribute("framesPerSecond", oiio.TypeDesc("rational"), (RATE_FPS, 1))
    spec.attribute("smpte:TimeCode", oiio.TypeDesc("timecode"), (0x01000000 + (frame - FIRST_FRAME), 0))
    chroma = (0.64, 0.33, 0.30, 0.60, 0.15, 0.06, 0.3127, 0.3290)
    spec.attribute("chromaticities", oiio.TypeDesc("float[8]"), chroma)
    spec.attribute("focalLength", FOCAL_MM)
    spec.attribute("aperture", STOP)
    spec.attribute("focus", FOCUS_M)
    spec.attribute("DateTime", "1970:01:01 00:00:00")
    spec.attribute("ImageDescription", "ferry landing at dusk; made by sample_frames/make_scene.py")
    pixels = np.ascontiguousarray(np.dstack([np.clip(light, 0.0, 65504.0), depth_m]).astype(np.float32))
    path.parent.mkdir(parents=True, exist_ok=True)
    out = oiio.ImageOutput.create(str(path))
    if out is None or not out.open(str(path), spec) or not out.write_image(pixels) or not out.close():
        raise OSError(f"{path}: {oiio.geterror() if out is None else out.geterror()}")
    back = oiio.ImageBuf(str(path)).get_pixels(oiio.FLOAT)
    if back is None or back.shape != pixels.shape or not np.array_equal(back[..., 3], depth_m):
        raise OSError(f"{path}: depth did not survive writing")


def _shake(n: int, axis: int) -> float:
    """Return a slow wander of about one unit for frame n."""
    a, b = hash_frac(axis, 1, 7), hash_frac(axis, 2, 7)
    return math.sin(0.55 * n + 6.28 * a) + 0.4 * math.sin(1.45 * n + 6.28 * b)


def in_bands(height: int, task: Callable[[int, int], None]) -> None:
    """Run a task over bands of rows on two threads; bands are whole, so bits never depend on the threads."""
    with ThreadPoolExecutor(2) as pool:
        jobs = [pool.submit(task, y, min(y + BAND_ROWS, height)) for y in range(0, height, BAND_ROWS)]
        for job in jobs:
            job.result()


def _soften(light: Pixels) -> Pixels:
    """Blur by the three-tap softness along both axes, repeating the edge."""
    for axis in (0, 1):
        pad = [(1, 1) if a == axis else (0, 0) for a in range(3)]
        wide = np.pad(light, pad, mode="edge")
        size = light.shape[axis]
        low, mid, high = (wide.take(np.arange(k, k + size), axis=axis) for k in range(3))
        light = (np.float32(1.0 - 2.0 * SOFT_TAP) * mid + np.float32(SOFT_TAP) * (low + high)).astype(np.float32)
    return light


def round_depth(depth_m: Pixels) -> Pixels:
    """Keep DEPTH_BITS bits of each depth's fraction, so that it packs small and exactly."""
    fraction, power = np.frexp(depth_m)
    steps = float(1 << (DEPTH_BITS + 1))
    kept = np.ldexp(np.rint(fraction * steps) / steps, power)
    return np.where(np.isfinite(depth_m), kept, np.inf).astype(np.float32)


@compiled
def _light_rows(sc, lens, pitch, time_s, frame, samples, y0, y1, out):
    height, width = out.shape[0], out.shape[1]
    ox, oy, oz = lens.pupil_m
    rx, ry, rz = lens.right
    ux, uy, uz = lens.up
    ax, ay, az = lens.ahead
    for j in range(y0, y1):
        for i in range(width):
            pixel = (j * 8192 + i) * 64 + frame
            r, g, b = 0.0, 0.0, 0.0
            taken, skies = 0, 0
            for n in range(samples):
                u, v = draw(pixel, 0, n, samples)
                px = (i + u - 0.5 * width) * pitch * FOCUS_M
                py = (0.5 * height - j - v) * pitch * FOCUS_M
                u, v = draw(pixel, 1, n, samples)
                q = lens.pupil_radius_m * math.sqrt(u)
                lu, lv = q * math.cos(6.283185307 * v), q * math.sin(6.283185307 * v)
                dx = (px - lu) * rx + (py - lv) * ux + FOCUS_M * ax
                dy = (px - lu) * ry + (py - lv) * uy + FOCUS_M * ay
                dz = (px - lu) * rz + (py - lv) * uz + FOCUS_M * az
                s = 1.0 / math.sqrt(dx * dx + dy * dy + dz * dz)
                sr, sg, sb, open_sky = radiance(
                    sc, ox + lu * rx + lv * ux, oy + lu * ry + lv * uy, oz + lu * rz + lv * uz,
                    dx * s, dy * s, dz * s, pitch, time_s, pixel, n, samples,
                )  # fmt: skip
                r, g, b = r + sr, g + sg, b + sb
                taken += 1
                skies += open_sky
                if taken == SKY_SAMPLES and skies == taken:
                    break
            out[j, i, 0] = EXPOSURE * r / taken
            out[j, i, 1] = EXPOSURE * g / taken
            out[j, i, 2] = EXPOSURE * b / taken


@compiled
def depth_rows(sc, lens, pitch, y0, y1, out):
    """Write the depth along the lens axis at the pixel centres of rows y0 to y1."""
    height, width = out.shape
    ox, oy, oz = lens.pupil_m
    rx, ry, rz = lens.right
    ux, uy, uz = lens.up
    ax, ay, az = lens.ahead
    for j in range(y0, y1):
        for i in range(width):
            px = (i + 0.5 - 0.5 * width) * pitch
            py = (0.5 * height - j - 0.5) * pitch
            dx, dy, dz = px * rx + py * ux + ax, px * ry + py * uy + ay, px * rz + py * uz + az
            s = 1.0 / math.sqrt(dx * dx + dy * dy + dz * dz)
            t, _, mat, _ = trace(sc, ox, oy, oz, dx * s, dy * s, dz * s, FAR_M)
            out[j, i] = np.inf if mat < 0 else t * s


def _frame_list(text: str) -> list[int]:
    first, _, last = text.partition("-")
    return list(range(int(first), int(last or first) + 1))


def main() -> None:
    """Render frames from the command line."""
    parser = argparse.ArgumentParser(description=__doc__)
    last = FIRST_FRAME + FRAME_COUNT - 1
    parser.add_argument("--frames", default=f"{FIRST_FRAME}-{last}", help="one number or FIRST-LAST")
    parser.add_argument("--scale", type=float, default=1.0, help="1 is full size")
    parser.add_argument("--samples", type=int, default=SAMPLES, help="rays per pixel, a power of two")
    parser.add_argument("--level", type=float, default=PACKING, help="how hard RGB is packed; larger is smaller")
    parser.add_argument("--out", type=Path, default=Path(__file__).parent / "plates")
    options = parser.parse_args()
    if options.samples < 1 or options.samples & (options.samples - 1):
        parser.error("--samples must be a power of two")
    scene = build_scene()
    for frame in _frame_list(options.frames):
        light = render(scene, frame, scale=options.scale, samples=options.samples)
        depth_m = depth(frame, scale=options.scale, scene=scene)
        path = options.out / f"landing_010.{frame:04d}.exr"
        write(path, light, depth_m, frame, options.level)
        print(f"{path}: {path.stat().st_size / 1e6:.2f} MB")


if __name__ == "__main__":
    main()
