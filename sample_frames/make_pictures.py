"""Make README's two pictures from the sample frames: a wipe, and parts of it enlarged.

python sample_frames/make_pictures.py
"""

from pathlib import Path

import cv2
import numpy as np
from widegauge.plan import Plan, make_plan
from widegauge.plate import Plate, open_plate
from widegauge.presets import load_preset
from widegauge.report.stills import Bytes, View, enlarged, save, sheet, wipe
from widegauge.run.render import on_canvas, steps
from widegauge.shot import load_shot

HERE = Path(__file__).parent
FRAME = 1005
WIDE_PX = 1400
PARTS = {
    "in focus, before far lamps": (1185, 100),
    "a rope close to the lens": (330, 1130),
    "the floor through focus, and a boot in focus": (1150, 850),
    "far lamps": (985, 260),
    "lamps toward the frame's edge, optical_vignetting_frac = 0.5": (1560, 290),
    "the frame's corner, where the overscan ends": (20, 1170),
}
PART_PX = 80
TIMES = 4
SHEET_PX = 2 * 2 * PART_PX * TIMES + 3 * 12


def main() -> None:
    plate = open_plate(load_shot(HERE / "landing.toml"))
    before, after = pictures(plate, [])
    _, vignetted = pictures(plate, ["defocus.optical_vignetting_frac=0.5"])
    joined = wipe(before, after)
    height = round(joined.shape[0] * WIDE_PX / joined.shape[1])
    save(HERE / "before_after.webp", np.asarray(cv2.resize(joined, (WIDE_PX, height), interpolation=cv2.INTER_AREA)))
    pairs = []
    for name, (x, y) in PARTS.items():
        window = (min(x, before.shape[1] - PART_PX), min(y, before.shape[0] - PART_PX), PART_PX, PART_PX)
        right = vignetted if "vignetting" in name else after
        pair = [enlarged(picture, window=window, times=TIMES) for picture in (before, right)]
        pairs.append((name, np.concatenate(pair, axis=1)))
    caption = f"Footage, finished frame {FRAME}, at 400 %. {View('ITU-R BT.709')}"
    save(HERE / "closer_look.webp", sheet(pairs, columns=2, width_px=SHEET_PX, caption=caption))


def pictures(plate: Plate, overrides: list[str]) -> tuple[Bytes, Bytes]:
    """The framed footage and the finished frame, as a view shows them."""
    plan = make_plan(plate, load_preset("15-perf-65", overrides=overrides))
    *_, last = steps(plan, plate, FRAME, plate.read(FRAME))
    first = next(iter(steps(plan, plate, FRAME, plate.read(FRAME))))
    return shown(plan, first.frame.rgb, -plan.setup.raster.crop_x_px, 0), shown(
        plan, last.frame.rgb, last.frame.x_px, last.frame.y_px
    )


def shown(plan: Plan, rgb: np.ndarray, x_px: int, y_px: int) -> Bytes:
    return View("ITU-R BT.709")(on_canvas(plan.setup.raster, rgb, x_px=x_px, y_px=y_px))


if __name__ == "__main__":
    main()
