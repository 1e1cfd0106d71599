"""Plots of what the instruments found, as PNG: quiet, and readable in grey and by colour-blind eyes.

A line is told from another by its dashes and by its name at its end, not by its colour alone. The colours are those
of M. Okabe and K. Ito, "Color Universal Design" (vermilion, bluish green, blue), darkened, and a broad grey.
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from widegauge.measure.edge import FREQUENCY_CPP, NYQUIST_CPP, EdgeFound

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

INK = {"R": "#b84a00", "G": "#00805c", "B": "#0a62a0", "Y": "#8a8a8a"}
DASHES: dict[str, Any] = {"R": (0, (6, 2)), "G": "solid", "B": (0, (2, 1.6)), "Y": "solid"}
WIDTHS = {"R": 1.4, "G": 1.4, "B": 1.6, "Y": 4.0}
_GRID, _TEXT = "#d9d9d9", "#333333"
_DOTS_PER_INCH = 150


def edge_plot(path: Path, found: EdgeFound, *, title: str, pixel_um: float | None) -> None:
    """Response against frequency up to Nyquist and a little beyond, MTF50 marked."""
    figure, (axes,) = _page(title, 1)
    used = FREQUENCY_CPP <= 0.75
    ends = []
    for each in reversed(found.channels):
        f, r, e = FREQUENCY_CPP[used], each.response[used], each.error[used]
        axes.fill_between(f, r - e, r + e, color=INK[each.name], alpha=0.12, linewidth=0)
        axes.plot(f, r, color=INK[each.name], linestyle=DASHES[each.name], linewidth=WIDTHS[each.name])
        ends.append((each.name, float(r[-1])))
        if each.mtf50_cpp is not None and each.mtf50_cpp < 0.75:
            axes.plot([each.mtf50_cpp], [0.5], marker="o", markersize=4, color=INK[each.name])
    axes.axhline(0.5, color=_GRID, linewidth=0.8)
    axes.axvline(NYQUIST_CPP, color="#888888", linewidth=0.8, linestyle=(0, (1, 2)))
    axes.text(NYQUIST_CPP, 1.085, "Nyquist", ha="center", va="bottom", fontsize=8, color=_TEXT)
    axes.set(xlim=(0.0, 0.75), ylim=(0.0, 1.08), ylabel="response", xlabel="cycles per pixel")
    _names_at_ends(axes, ends, apart=0.045)
    if pixel_um is not None:
        scale = 1000.0 / pixel_um
        to_mm: Any = (lambda f: f * scale, lambda f: f / scale)
        above = axes.secondary_xaxis(-0.16, functions=to_mm)
        above.set_xlabel("cycles per mm on the negative", fontsize=9, color=_TEXT)
        above.tick_params(labelsize=8, colors=_TEXT)
    _save(figure, path)


def _page(title: str, panels: int, *, columns: int = 1) -> tuple[Figure, Sequence[Axes]]:
    """A page with panels one below another (or in columns), and its title."""
    from matplotlib.figure import Figure

    rows = -(-panels // columns)
    figure = Figure(figsize=(7.2 if columns == 1 else 11.0, 0.9 + 3.9 * rows), layout="constrained")
    figure.suptitle(title, fontsize=10, color=_TEXT, x=0.02, ha="left")
    all_axes = np.atleast_1d(figure.subplots(rows, columns)).ravel()
    for axes in all_axes:
        for side in ("top", "right"):
            axes.spines[side].set_visible(False)
        for side in ("left", "bottom"):
            axes.spines[side].set_color("#888888")
        axes.grid(color=_GRID, linewidth=0.5)
        axes.set_axisbelow(True)
        axes.tick_params(labelsize=8, colors=_TEXT)
        axes.xaxis.label.set(fontsize=9, color=_TEXT)
        axes.yaxis.label.set(fontsize=9, color=_TEXT)
    return figure, list(all_axes[:panels])


def _names_at_ends(axes: Axes, ends: Sequence[tuple[str, float]], *, apart: float) -> None:
    """Each line's name right of its end, moved apart (in fractions of the panel's height) where ends meet."""
    to_frac = axes.transAxes.inverted()
    places = [
        (name, float(to_frac.transform(axes.transData.transform((axes.get_xlim()[1], y)))[1])) for name, y in ends
    ]
    places.sort(key=lambda place: place[1])
    last = -1.0
    for name, y in places:
        last = min(max(y, last + apart, 0.0), 1.0 + apart)
        ink = INK.get(name, _TEXT)
        axes.text(1.01, last, name, transform=axes.transAxes, va="center", fontsize=9, color=ink, weight="bold")


def _save(figure: Figure, path: Path) -> None:
    from matplotlib.backends.backend_agg import FigureCanvasAgg

    path.parent.mkdir(parents=True, exist_ok=True)
    FigureCanvasAgg(figure).print_figure(path, format="png", dpi=_DOTS_PER_INCH)
