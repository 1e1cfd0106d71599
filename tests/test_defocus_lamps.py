"""Lamps with soft rims before a dim sky: blurring must not make light below any that was there."""

from __future__ import annotations

import numpy as np
import pytest
from widegauge.frame import Frame
from widegauge.physics.lens import FocusPull, Side
from widegauge.presets import stocks
from widegauge.stages import defocus
from widegauge.stages.framing import lay_out
from widegauge.stages.stage import Setup


def _plan(width: int, height: int, *, stop: float = 2.8) -> defocus.DefocusPlan:
    raster = lay_out(footage_px=(width, height), ratio=width / height, fit="crop")
    camera, negative = Side(24.0, 16.0, 24.0, 8.0), Side(69.6, 46.4, 69.6, stop)
    setup = Setup(
        camera, negative, raster, stocks()["fine-grain daylight"], focus=FocusPull(((0, 4.2),)), has_depth=True
    )
    return defocus.plan(defocus.DefocusSettings(), setup)


@pytest.mark.parametrize("lamp_m", [2.0, 4.2, 7.6])
@pytest.mark.parametrize("dim_rim", [1.0, 0.3])
def test_a_lamp_before_the_sky_leaves_no_dark_ring(lamp_m: float, dim_rim: float) -> None:
    """A lamp 400 times white, averaged over pixels at its rim and darker towards it, with hard depth at pixel centres."""
    height, width = 120, 180
    y, x = np.mgrid[0:height, 0:width]
    r = np.hypot(x - 90.3, y - 60.4)
    share = np.clip(8.5 - r, 0.0, 1.0)
    lamp = 400.0 * (dim_rim + (1 - dim_rim) * np.sqrt(np.clip(1 - (r / 8.5) ** 2, 0.0, 1.0)))
    light = (0.3 * (1 - share) + lamp * share).astype(np.float32)
    frame = Frame(1, np.repeat(light[..., None], 3, axis=2), np.where(r < 8.0, lamp_m, np.inf).astype(np.float32))
    out = defocus.apply(_plan(width, height), frame)
    assert out.rgb.min() >= 0.3 * 0.98
    assert out.rgb.max() <= light.max() * 1.001
    assert out.rgb.sum(dtype=np.float64) == pytest.approx(frame.rgb.sum(dtype=np.float64), rel=0.02)


def _subject_wire_and_lamp() -> Frame:
    """A subject in focus before the sky, a dim wire at 11 m that meets its top, and a lamp at 11 m at its upper right."""
    height, width = 160, 240
    y, x = np.mgrid[0:height, 0:width]
    depth = np.full((height, width), np.inf, np.float32)
    light = np.full((height, width), 0.3, np.float32)
    wire = np.abs(y - 60 - (x - 120) * 0.1) < 0.8
    lamp = np.hypot(x - 140, y - 64) < 8
    subject = np.hypot(x - 120, y - 80) < 20
    for part, distance_m, level in ((wire, 11.0, 0.1), (lamp, 11.0, 300.0), (subject, 4.2, 0.15)):
        depth[part], light[part] = distance_m, level
    return Frame(1, np.repeat(light[..., None], 3, axis=2), depth)


def test_a_hard_map_is_left_as_it_is() -> None:
    """Subject, wire and sky are three levels in a row, as on a ramp: the wire must blur all the same."""
    frame = _subject_wire_and_lamp()
    out = defocus.apply(_plan(240, 160, stop=0.4), frame)
    assert not [what for what, _ in out.remarks if "snapped" in what]
    assert out.rgb[52:58, 60:64].min() > 0.15


def test_no_lamp_is_guessed_behind_what_stands_beside_one() -> None:
    """Out of its disc's reach a lamp of 300 must not be seen, also where the subject hides what is at its distance."""
    out = defocus.apply(_plan(240, 160, stop=0.4), _subject_wire_and_lamp())
    y, x = np.mgrid[0:160, 0:240]
    assert out.rgb[np.hypot(x - 140, y - 64) > 8 + 6].max() <= 0.3 * 1.02
