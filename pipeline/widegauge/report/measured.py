"""What the instruments found, as text that a person can read and as plain data."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Sequence
from typing import Any

import numpy as np

from widegauge.measure.blur import BlurFound
from widegauge.measure.edge import FREQUENCY_CPP, EdgeFound
from widegauge.measure.granularity import GrainFound
from widegauge.measure.halation import HalationFound
from widegauge.measure.noise import NoiseFound
from widegauge.physics.emulsion import MID_GREY_LINEAR
from widegauge.report.words import aligned

RECORDS = ("R", "G", "B")

SHOWN_CPP = (0.1, 0.2, 0.25, 0.3, 0.4, 0.5)
"""Frequencies at which a response is printed."""

WINDOW_WORTH_SAYING = 0.01


def edge_data(found: EdgeFound, *, pixel_um: float | None) -> dict[str, Any]:
    """JSON of an edge's response; frequencies in cycles per pixel, MTF50 also per mm on the negative."""
    scale = None if pixel_um is None else 1000.0 / pixel_um
    return {
        "angle_deg": found.line.angle_deg,
        "reach_px": found.reach_px,
        "rows": found.rows,
        "pixel_um": pixel_um,
        "frequency_cpp": FREQUENCY_CPP.tolist(),
        "channels": {
            each.name: {
                "mtf50_cpp": each.mtf50_cpp,
                "mtf50_error_cpp": each.mtf50_error,
                "mtf50_cpmm": None if scale is None or each.mtf50_cpp is None else each.mtf50_cpp * scale,
                "at_nyquist": each.at_nyquist,
                "dark": each.dark,
                "bright": each.bright,
                "noise": each.noise,
                "window_frac": each.window_frac,
                "response": each.response.tolist(),
                "error": each.error.tolist(),
            }
            for each in found.channels
        },
    }


def edge_text(found: EdgeFound, *, pixel_um: float | None) -> str:
    """Angle, MTF50 and response of each channel, and what makes them less sure."""
    scale = None if pixel_um is None else 1000.0 / pixel_um
    rows: list[tuple[str, ...]] = [
        ("", "MTF50", "+-", *(() if scale is None else ("MTF50",)), "Nyquist", "+-", "dark", "bright", "noise"),
        ("", "cycles/px", "", *(() if scale is None else ("cycles/mm",)), "response", "", "linear", "linear", "linear"),
    ]
    for each in found.channels:
        half = "above 1" if each.mtf50_cpp is None else f"{each.mtf50_cpp:.4f}"
        sure = "" if each.mtf50_error is None else f"{each.mtf50_error:.4f}"
        on_film = () if scale is None else ("-" if each.mtf50_cpp is None else f"{each.mtf50_cpp * scale:.2f}",)
        nyquist = (f"{each.at_nyquist:.3f}", f"{float(np.interp(0.5, FREQUENCY_CPP, each.error)):.3f}")
        rows.append(
            (each.name, half, sure, *on_film, *nyquist, *(f"{x:.4g}" for x in (each.dark, each.bright, each.noise)))
        )
    table: list[tuple[str, ...]] = [("cycles/px", *(f"{f:g}" for f in SHOWN_CPP))]
    if scale is not None:
        table.append(("cycles/mm", *(f"{f * scale:.1f}" for f in SHOWN_CPP)))
    for each in found.channels:
        table.append((each.name, *(f"{np.interp(f, FREQUENCY_CPP, each.response):.3f}" for f in SHOWN_CPP)))
    said = [
        f"edge {found.line.angle_deg:.2f} degrees from the vertical, from {found.rows} "
        f"{'columns' if found.line.is_horizontal else 'rows'}, {found.reach_px:g} pixels on each side",
        *(() if pixel_um is None else (f"{pixel_um:.3f} um a pixel on the negative",)),
        "",
        *aligned(rows),
        "",
        *aligned(table),
    ]
    lost = max(each.window_frac for each in found.channels)
    if lost > WINDOW_WORTH_SAYING:
        said += ["", f"The region is narrow for so soft an edge: low frequencies may read {lost:.3f} low."]
    if len(found.channels) < 4:
        missing = [name for name in ("R", "G", "B", "Y") if name not in {each.name for each in found.channels}]
        said += ["", f"{', '.join(missing)}: not enough contrast, or too much noise, to be measured."]
    return "\n".join(said)


def grain_data(found: Sequence[GrainFound], *, pixel_um: float) -> dict[str, Any]:
    """JSON of the grain at each level."""
    return {"pixel_um": pixel_um, "levels": [_plain(each) for each in found]}


def grain_text(found: Sequence[GrainFound], *, pixel_um: float, stock: str) -> str:
    """Granularity at each level, found against predicted; Selwyn's product; correlations."""
    said = [f"{stock}, {pixel_um:.3f} um a pixel on the negative; 1000 sigma_D"]
    for each in found:
        densities = ", ".join(f"{name} {d:.2f}" for name, d in zip(RECORDS, each.density, strict=True))
        said += [
            "",
            f"{each.exposure_stops:+.1f} stops from mid-grey, density {densities}; "
            f"{_count(each.frames, 'frame')}, {_count(each.patches, 'patch', 'patches')}",
        ]
        rows: list[tuple[str, ...]] = [("aperture", "", "found", "+-", "predicted", "found/predicted", "sigma sqrt(A)")]
        for reading in (*each.readings, each.pixel):
            square = reading is each.pixel
            root_um = reading.aperture_um * (1.0 if square else math.sqrt(math.pi) / 2.0)
            for c, name in enumerate(RECORDS):
                wanted = reading.predicted[c]
                rows.append(
                    (
                        ("pixel" if square else f"{reading.aperture_um:g} um") if c == 0 else "",
                        name,
                        f"{reading.found[c]:.3f}",
                        f"{reading.error[c]:.3f}",
                        f"{wanted:.3f}",
                        f"{reading.found[c] / wanted:.3f}" if wanted > 0.0 else "-",
                        f"{reading.found[c] * root_um / 1000.0:.4f} um",
                    )
                )
        said += aligned(rows)
        pairs = [(0, 1, "RG"), (0, 2, "RB"), (1, 2, "GB")]
        together = ", ".join(f"{n} {each.channels[a, b]:.3f} ({each.coupling[a, b]:.3f})" for a, b, n in pairs)
        said.append(f"correlation of records, found (predicted): {together}")
        if each.between_frames is not None:
            between = ", ".join(f"{n} {r:+.4f}" for n, r in zip(RECORDS, each.between_frames, strict=True))
            said.append(f"correlation between neighbouring frames: {between}, each +- {each.correlation_error:.4f}")
    if found and found[0].readings[0].aperture_um < pixel_um:
        said += ["", "The aperture is smaller than a pixel: it reads single pixels."]
    said += ["", "Predicted is the stock's grain alone; a footage that was noisier than that stays so."]
    return "\n".join(said)


def halation_data(found: HalationFound, *, pixel_um: float | None) -> dict[str, Any]:
    """JSON of a lamp's surroundings."""
    data: dict[str, Any] = _plain(found)
    mm = None if pixel_um is None else pixel_um / 1000.0
    return data | {
        "pixel_um": pixel_um,
        "radius_mm": None if mm is None else found.radius_px * mm,
        "radius_error_mm": None if mm is None else found.radius_error_px * mm,
    }


def halation_text(found: HalationFound, *, pixel_um: float | None, expected_mm: float | None) -> str:
    """Ring radius in pixels and mm, and the share of light that came back, by channel."""
    mm = None if pixel_um is None else pixel_um / 1000.0
    on_film = (
        "" if mm is None else f", {found.radius_px * mm:.4f} mm on the negative +- {found.radius_error_px * mm:.4f}"
    )
    said = [
        f"lamp at {found.lamp.x_px:.1f},{found.lamp.y_px:.1f}, {found.lamp.radius_px:.1f} pixels in radius; "
        f"looked at {found.reach_px:.0f} pixels around it",
        f"ring radius {found.radius_px:.2f} pixels +- {found.radius_error_px:.2f}{on_film}",
    ]
    if expected_mm is not None:
        said.append(f"the stock's base throws it at {expected_mm:.4f} mm")
    rows: list[tuple[str, ...]] = [("", "ring radius", "+-", "light returned", "+-", "background")]
    for each in found.rings:
        radius = "-" if each.radius_px is None else f"{each.radius_px:.2f} px"
        sure = "" if each.radius_error_px is None else f"{each.radius_error_px:.2f}"
        share = (f"{100.0 * each.returned_frac:.3f} %", f"{100.0 * each.returned_error:.3f}")
        rows.append((each.name, radius, sure, *share, f"{each.background:.4g}"))
    return "\n".join([*said, "", *aligned(rows)])


def blur_data(found: BlurFound, *, pixel_um: float | None) -> dict[str, Any]:
    """JSON of a blur radius by channel."""
    mm = None if pixel_um is None else pixel_um / 1000.0
    return {
        "from": "lamp" if found.lamp is not None else "edge",
        "lamp": None if found.lamp is None else _plain(found.lamp),
        "angle_deg": None if found.line is None else found.line.angle_deg,
        "pixel_um": pixel_um,
        "channels": {
            each.name: {
                "radius_px": each.radius_px,
                "error_px": each.error_px,
                "radius_mm": None if mm is None else each.radius_px * mm,
            }
            for each in found.channels
        },
    }


def blur_text(found: BlurFound, *, pixel_um: float | None) -> str:
    """Blur radius by channel in pixels and, where the pitch is known, mm on the negative."""
    mm = None if pixel_um is None else pixel_um / 1000.0
    if found.lamp is not None:
        where = f"lamp at {found.lamp.x_px:.1f},{found.lamp.y_px:.1f}"
    else:
        where = f"edge {found.line.angle_deg if found.line else 0.0:.2f} degrees from the vertical"
    rows: list[tuple[str, ...]] = [("", "blur radius", "+-", *(() if mm is None else ("on the negative",)))]
    for each in found.channels:
        on_film = () if mm is None else (f"{each.radius_px * mm:.4f} mm",)
        rows.append((each.name, f"{each.radius_px:.3f} px", f"{each.error_px:.3f}", *on_film))
    return "\n".join([f"{where}: radius of the disc with the same second moment", "", *aligned(rows)])


def noise_data(found: NoiseFound) -> dict[str, Any]:
    """JSON of noise against exposure."""
    return {
        "frames": found.frames,
        "levels": [
            {"linear": level, "sigma": sigma, "relative_error": error, "cells": cells}
            for (level, sigma), error, cells in zip(found.rows, found.error, found.cells, strict=True)
        ],
    }


def noise_text(found: NoiseFound, *, exposure_stops: float) -> str:
    """Noise against exposure, and how sure; and the rows as a shot file writes them."""
    rows: list[tuple[str, ...]] = [("level", "from mid-grey", "sigma", "sigma", "sure to", "cells")]
    rows.append(("linear", "stops", "linear", "stops", "", ""))
    for (level, sigma), error, cells in zip(found.rows, found.error, found.cells, strict=True):
        stops, in_stops = "-", "-"
        if level > 0.0:
            stops = f"{math.log2(level / MID_GREY_LINEAR) + exposure_stops:+.1f}"
            in_stops = f"{sigma / level / math.log(2.0):.4f}"
        rows.append((f"{level:.5f}", stops, f"{sigma:.6f}", in_stops, f"{100 * error:.1f} %", str(cells)))
    stated = ", ".join(f"[{level:.6g}, {sigma:.4g}]" for level, sigma in found.rows)
    return "\n".join(
        [
            f"from the flattest parts of {_count(found.frames, 'frame')}, green",
            "",
            *aligned(rows),
            "",
            f"for a shot file: noise = [{stated}]",
        ]
    )


def _count(number: int, one: str, many: str | None = None) -> str:
    return f"{number} {one if number == 1 else many or one + 's'}"


def _plain(found: Any) -> Any:
    """A record of arrays and numbers as JSON would have it; what is not a number becomes null."""
    if dataclasses.is_dataclass(found) and not isinstance(found, type):
        return {field.name: _plain(getattr(found, field.name)) for field in dataclasses.fields(found)}
    if isinstance(found, np.ndarray):
        return _plain(found.tolist())
    if isinstance(found, (list, tuple)):
        return [_plain(each) for each in found]
    if isinstance(found, float) and not math.isfinite(found):
        return None
    return found
