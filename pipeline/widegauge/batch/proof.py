"""A finished frame beside the footage it was made from, small, as a person sees them."""

from __future__ import annotations

from fractions import Fraction
from pathlib import Path

from widegauge.errors import MediaError
from widegauge.media.images import read_picture
from widegauge.plan import geometry
from widegauge.plate import heal, open_plate, resized
from widegauge.presets import load_preset
from widegauge.report.lab import WIDEST_PX
from widegauge.report.stills import Bytes, View
from widegauge.run.render import on_canvas
from widegauge.shot import load_shot
from widegauge.shotlist import Entry


def proof(entry: Entry, finished: Path, *, number: int, proxy: Fraction) -> tuple[Bytes, Bytes]:
    """The footage in the finished frame's shape, and the finished frame, by one view, at most WIDEST_PX wide.

    SettingsError and MediaError as for reading the shot; MediaError when the finished frame has another size.
    """
    shot = load_shot(entry.shot, over=entry.facts)
    preset = load_preset(entry.preset, overrides=entry.overrides)
    plate = open_plate(shot, frames=str(number))
    aspect = plate.footage.probe.pixel_aspect
    *_, raster = geometry(shot, preset, footage_px=plate.footage_px, pixel_aspect=aspect, proxy=float(proxy))
    rgb = resized(plate.linear(plate.read(number))[0], (raster.plate_width_px, raster.plate_height_px))
    before = on_canvas(raster, rgb, x_px=-raster.crop_x_px, y_px=-raster.crop_y_px)
    after, _ = heal(plate.encoding.decode(read_picture(finished).rgb))
    if after.shape != before.shape:
        raise MediaError(f"{finished}: has another size than the shot and its preset give; finish the shot again.")
    height, width = after.shape[:2]
    small_px = (min(width, WIDEST_PX), max(1, round(height * min(width, WIDEST_PX) / width)))
    view = View(shot.footage.primaries, preset.view.exposure_stops)
    return view(resized(before, small_px)), view(resized(after, small_px))
