"""The framing chart: the footage, the finished picture, the wider ratios inside it and the upper third, in lines."""

from __future__ import annotations

from widegauge.advice.ground import frames_within
from widegauge.plan import Plan
from widegauge.report.drawing import box, drawing, label, line

WIDTH, MARGIN = 340.0, 12.0
MAX_HEIGHT = 240.0
CROSS = 6.0


def framing_chart(plan: Plan) -> str:
    """The whole chart as SVG; the finished picture lies on the footage as it will be cut."""
    raster = plan.setup.raster
    left, top = min(0, raster.crop_x_px), min(0, raster.crop_y_px)
    right = max(raster.plate_width_px, raster.crop_x_px + raster.width_px)
    bottom = max(raster.plate_height_px, raster.crop_y_px + raster.height_px)
    scale = min((WIDTH - 2.0 * MARGIN) / (right - left), (MAX_HEIGHT - 2.0 * MARGIN) / (bottom - top))
    x0 = WIDTH / 2.0 - (left + right) / 2.0 * scale
    y0 = MARGIN - top * scale
    x, y = x0 + raster.crop_x_px * scale, y0 + raster.crop_y_px * scale
    width, height = raster.width_px * scale, raster.height_px * scale
    plate = raster.plate_width_px / raster.plate_height_px
    parts = [
        box(x0, y0, raster.plate_width_px * scale, raster.plate_height_px * scale, "dash"),
        box(x, y, width, height, "heavy"),
    ]
    camera = plan.setup.camera
    finished, *wider = frames_within(camera.width_mm / camera.height_mm)
    centre = y + height / 2.0
    for ratio in wider:
        half = width / ratio / 2.0
        parts += [line((x, edge), (x + width, edge)) for edge in (centre - half, centre + half)]
    third = y + height / 3.0
    parts.append(line((x, third), (x + width, third), "dot"))
    middle = x + width / 2.0
    parts += [
        line((middle - CROSS, centre), (middle + CROSS, centre)),
        line((middle, centre - CROSS), (middle, centre + CROSS)),
    ]
    share = width / (len(wider) + 2)
    parts.append(label((x + 8.0, y + height + 3.5), f"{finished:.2f} finished"))
    for i, ratio in enumerate(wider):
        parts.append(
            label((x + (i + 1.5) * share, centre + width / ratio / 2.0 + 3.5), f"{ratio:.2f}", anchor="middle")
        )
    parts.append(label((x + width - 6.0, third + 3.5), "upper third", anchor="end"))
    parts.append(label((x0 + 0.985 * raster.plate_width_px * scale, y0 + 3.5), f"footage {plate:.2f}", anchor="end"))
    tall = (bottom - top) * scale + 2.0 * MARGIN
    ratios = ", ".join(f"{ratio:.2f}" for ratio in wider)
    return drawing(parts, width=WIDTH, height=tall, title=f"Framing chart: {finished:.2f}, with {ratios} inside it")
