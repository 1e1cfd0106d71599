"""What the instruments found, as text that a person can read and as plain data."""

from __future__ import annotations

from typing import Any

import numpy as np

from widegauge.measure.edge import FREQUENCY_CPP, EdgeFound
from widegauge.report.table import aligned

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
