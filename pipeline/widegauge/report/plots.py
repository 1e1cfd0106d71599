"""Plots of what the instruments found, as PNG: quiet, and readable in grey and by colour-blind eyes.

A line is told from another by its dashes and by its name at its end, not by its colour alone. The colours are those
of M. Okabe and K. Ito, "Color Universal Design" (vermilion, bluish green, blue), darkened, and a broad grey.
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from widegauge.frame import Float32
from widegauge.measure.blur import BlurFound
from widegauge.measure.edge import FREQUENCY_CPP, NYQUIST_CPP, EdgeFound
from widegauge.measure.granularity import GrainFound
from widegauge.measure.halation import HalationFound
from widegauge.measure.lamp import radial_profile
from widegauge.measure.noise import NoiseFound
from widegauge.measure.spread import edge_spread, luminance
from widegauge.physics.emulsion import MID_GREY_LINEAR, Stock

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


def grain_plot(path: Path, found: Sequence[GrainFound], stock: Stock, *, title: str) -> None:
    """Granularity against density, found beside the stock's own table; and the noise power spectrum of one level."""
    figure, (left, right) = _page(title, 2, columns=2)
    shown = min(found, key=lambda each: abs(each.exposure_stops))
    aperture_um = shown.readings[0].aperture_um
    ends: list[tuple[str, float]] = []
    base = stock.density[0]
    last = max(max(each.density[c] - base[c] for each in found) for c in range(3)) * 1.08 + 0.05
    for c, name in enumerate("RGB"):
        above = np.array([each.density[c] - base[c] for each in found])
        reads = [each.readings[0] for each in found]
        left.plot(above, [r.predicted[c] for r in reads], color=INK[name], linestyle=DASHES[name], linewidth=1.2)
        left.errorbar(
            above,
            [r.found[c] for r in reads],
            yerr=[r.error[c] for r in reads],
            color=INK[name],
            fmt="o",
            markersize=4,
            capsize=2,
        )
        ends.append((name, reads[int(np.argmax(above))].predicted[c]))
    left.set(
        xlim=(0.0, last),
        xlabel="density above base and fog",
        ylabel=f"1000 sigma_D through {aperture_um:g} um: dots found, lines predicted",
    )
    left.set_ylim(0.0, 1.15 * max(max(each.readings[0].predicted) for each in found))
    _names_at_ends(left, ends, apart=0.05)
    ends = []
    f = shown.frequency_cpmm
    for c, name in enumerate("RGB"):
        right.plot(f, shown.predicted_spectrum[c], color=INK[name], linestyle=DASHES[name], linewidth=1.2)
        right.plot(f, shown.spectrum[c], color=INK[name], marker="o", markersize=3, linestyle="none")
        ends.append((name, float(shown.predicted_spectrum[c, -1])))
    right.set(
        xlabel="cycles per mm on the negative",
        ylabel=f"noise power, um^2 D^2, at {shown.exposure_stops:+.1f} stops: dots found, lines predicted",
        xlim=(0.0, float(f[-1])),
        ylim=(0.0, 1.25 * float(shown.predicted_spectrum.max())),
    )
    _names_at_ends(right, ends, apart=0.05)
    _save(figure, path)


def halation_plot(path: Path, found: HalationFound, *, title: str, pixel_um: float | None) -> None:
    """Light around the lamp above its surroundings, found and fitted, and the ring's radius."""
    figure, (axes,) = _page(title, 1)
    scale = 1.0 if pixel_um is None else pixel_um / 1000.0
    r = found.profile.radius_px
    used = (r > found.lamp.radius_px) & (r < 4.5 * found.radius_px)
    ends, highest, lowest = [], 0.0, np.inf
    for c, ring in enumerate(found.rings):
        light = found.profile.light[c] - ring.background
        fit = found.fitted[c] - ring.background
        axes.plot(r[used] * scale, np.maximum(light, 1e-12)[used], ".", markersize=2.5, color=INK[ring.name])
        axes.plot(r[used] * scale, fit[used], color=INK[ring.name], linestyle=DASHES[ring.name], linewidth=1.1)
        ends.append((ring.name, max(float(fit[used][-1]), 1e-12)))
        highest = max(highest, float(np.nanmax(fit[used])))
        lowest = min(lowest, float(np.nanmin(np.where(fit[used] > 0.0, fit[used], np.nan))))
    axes.axvline(found.radius_px * scale, color="#888888", linewidth=0.8, linestyle=(0, (1, 2)))
    axes.set(
        yscale="log",
        xlabel="distance from the lamp, pixels" if pixel_um is None else "distance from the lamp, mm on the negative",
        ylabel="linear light above the surroundings: dots found, lines fitted",
        xlim=(0.0, float(r[used][-1]) * scale),
        ylim=(max(lowest / 3.0, highest * 1e-5), highest * 10.0),
    )
    axes.text(found.radius_px * scale, highest * 10.5, "ring", ha="center", va="bottom", fontsize=8, color=_TEXT)
    _names_at_ends(axes, ends, apart=0.045)
    _save(figure, path)


def blur_plot(path: Path, found: BlurFound, rgb: Float32, *, title: str, pixel_um: float | None) -> None:
    """Light against distance from the lamp's middle, or from the edge, beside that of the disc that was found."""
    figure, (axes,) = _page(title, 1)
    radius = found.channels[-1].radius_px
    scale = 1.0 if pixel_um is None else pixel_um / 1000.0
    if found.lamp is not None:
        planes = np.concatenate([np.moveaxis(rgb.astype(np.float64), 2, 0), luminance(rgb)[None]])
        reach = min(1.6 * radius + 5.0, found.lamp.border_px)
        profile = radial_profile(planes, x_px=found.lamp.x_px, y_px=found.lamp.y_px, reach_px=reach)
        x, lines = profile.radius_px, profile.light
        model = np.where(x <= radius, 1.0, 0.0)
        what = "distance from the lamp's middle"
    else:
        spread = edge_spread(np.moveaxis(rgb.astype(np.float64), 2, 0), guide=luminance(rgb))
        near = np.abs(spread.distance_px) < 1.6 * radius + 5.0
        x, lines = spread.distance_px[near], spread.light[:, near]
        u = np.clip(x / max(radius, 1e-6), -1.0, 1.0)
        model = 0.5 + (u * np.sqrt(1.0 - u * u) + np.arcsin(u)) / np.pi
        what = "distance from the edge"
    ends = []
    for name, line in zip("RGBY", lines, strict=False):
        low, high = float(line.min()), float(np.quantile(line, 0.98))
        share = (line - low) / max(high - low, 1e-12)
        axes.plot(x * scale, share, color=INK[name], linestyle=DASHES[name], linewidth=WIDTHS[name])
        ends.append((name, float(share[-1])))
    axes.plot(x * scale, model, color="#1a1a1a", linewidth=0.9)
    said = f"thin line: a disc of {radius:.2f} pixels radius"
    axes.text(0.98, 0.5, said, transform=axes.transAxes, ha="right", fontsize=8, color=_TEXT)
    axes.set(
        xlabel=f"{what}, {'pixels' if pixel_um is None else 'mm on the negative'}",
        ylabel="share of the light",
        xlim=(float(x[0]) * scale, float(x[-1]) * scale),
    )
    _names_at_ends(axes, ends, apart=0.045)
    _save(figure, path)


def noise_plot(path: Path, found: NoiseFound, *, title: str, exposure_stops: float) -> None:
    """Noise in stops against exposure, with twice its standard error."""
    figure, (axes,) = _page(title, 1)
    lit = [i for i, row in enumerate(found.rows) if row[0] > 0.0]
    level = np.array([found.rows[i][0] for i in lit])
    sigma = np.array([found.rows[i][1] for i in lit]) / level / np.log(2.0)
    stops = np.log2(level / MID_GREY_LINEAR) + exposure_stops
    bars = 2.0 * sigma * np.array([found.error[i] for i in lit])
    axes.errorbar(stops, sigma, yerr=bars, color=INK["G"], marker="o", markersize=4, capsize=2)
    axes.set(xlabel="stops from mid-grey", ylabel="sigma of a pixel, stops (bars: twice the standard error)")
    axes.set_ylim(0.0, 1.15 * max(float((sigma + bars).max(initial=0.0)), 1e-6))
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
