"""Doubt: signs that a picture is not what an instrument takes it for, so that a number needs a word beside it."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from widegauge.measure.lamp import Lamp
from widegauge.measure.spread import BIN_PX, EdgeSpread

Float64 = npt.NDArray[np.float64]

OVERSHOOT_FRAC = 0.015
"""Share of the step by which light beside an edge may lie beyond its sides."""

LOPSIDED = 1.2
"""5 to 50 % of a step over 50 to 95 % of it, or the reverse; a round lens has 1 at any blur."""

ELONGATED = 1.15
"""Length over width of a lamp's image above which it is called not round."""

FEWEST_EQUAL, EQUAL_FRAC = 5, 0.1
"""So many pixels of a lamp, and such a share of it, with just the same highest value look clipped."""

SPECK_SIGMAS, FEWEST_SPECKS = 6.0, 4
"""Pixels so many sigma from the mean are no grain: chance has two of them in 10^9."""

SAME_PATTERN = 0.01
"""Correlation between frames above which they have a pattern in common."""

COLOURED = 1.6
"""How much stronger noise may look in means of 2 x 2 pixels than in their diagonals; white noise has about 1."""

MOST_RETURNED = 0.05
"""Share of a lamp's light above which a halo is no film's: an absorbing backing leaves 0.5 to 1.5 % (from memory)."""

NEIGHBOUR_FRAC = 0.02
"""Light within sight of a lamp, over the lamp's own, above which it is another lamp."""

WORST_FIT = 40.0
"""Mean squared misfit, in standard errors, above which the light around a lamp does not follow a base's law."""

_SIGMAS = 4.0


def overshoot_frac(spread: EdgeSpread, *, dark: float, bright: float) -> float:
    """How far luminance goes beyond the two sides, as a share of the step; 0 where noise could do that."""
    share, sure = _smooth_share(spread, dark, bright)
    beyond = np.maximum(share - 1.0, -share)
    worst = int(np.argmax(beyond - sure))
    return float(beyond[worst]) if beyond[worst] > OVERSHOOT_FRAC + sure[worst] else 0.0


def edge_doubts(spread: EdgeSpread, *, dark: float, bright: float) -> tuple[str, ...]:
    """What makes an edge's numbers less sure; ``dark`` and ``bright`` are the luminance of its sides."""
    said = []
    if spread.shaded_frac > 0.0:
        said.append(
            f"the sides are unevenly lit, by up to {100 * spread.shaded_frac:.0f} % of the step; that was taken out"
        )
    if over := overshoot_frac(spread, dark=dark, bright=bright):
        said.append(f"light overshoots beside the edge by {100 * over:.0f} % of the step: the picture was sharpened")
    else:
        share, sure = _smooth_share(spread, dark, bright)
        (low, soft_low), (middle, _), (high, soft_high) = (
            _crossing(spread.distance_px, share, level) for level in (0.05, 0.5, 0.95)
        )
        toe, shoulder = middle - low, high - middle
        noise_px = float(sure.max()) * max(soft_low, soft_high)
        if max(toe, shoulder) > LOPSIDED * min(toe, shoulder) + noise_px + BIN_PX / 2.0:
            side, other = ("dark", "bright") if toe > shoulder else ("bright", "dark")
            said.append(
                f"the spread is {max(toe, shoulder) / max(min(toe, shoulder), 1e-9):.1f} times as wide on its {side} "
                f"side as on the {other} one: light is clipped, or the picture is not linear"
            )
    return tuple(said)


def lamp_doubts(light: Float64, spot: npt.NDArray[np.bool_], *, elongation: float) -> tuple[str, ...]:
    """What makes a lamp's numbers less sure: its shape, and pixels (H, W) of its spot that share the highest value."""
    said = []
    if elongation > ELONGATED:
        said.append(
            f"its image is {elongation:.1f} times as long as wide: two lamps, or one that is not round, are no disc"
        )
    inside = light[spot]
    equal = int(np.count_nonzero(inside == inside.max()))
    if equal >= max(FEWEST_EQUAL, EQUAL_FRAC * inside.size):
        said.append(f"{equal} of its pixels have just the same highest value: if that is a clip, numbers are too high")
    return tuple(said)


def halo_doubts(
    light: Float64, lamp: Lamp, *, reach_px: float, elongation: float, returned_frac: float, misfit: float
) -> tuple[str, ...]:
    """What makes a halo's numbers less sure.

    light     (H, W) luminance
    misfit    mean squared distance of the light around the lamp from the law, in standard errors
    """
    y, x = np.ogrid[: light.shape[0], : light.shape[1]]
    distance = np.hypot(x - lamp.x_px, y - lamp.y_px)
    said = list(lamp_doubts(light, distance <= max(1.0, lamp.radius_px), elongation=elongation))
    around = np.where((distance > 3.0 * lamp.radius_px + 3.0) & (distance <= reach_px), light - lamp.background, 0.0)
    if around.max() > NEIGHBOUR_FRAC * lamp.level:
        far = float(distance[np.unravel_index(int(np.argmax(around)), around.shape)])
        said.append(f"another light stands {far:.0f} pixels away; part of it counts as returned")
    if returned_frac > MOST_RETURNED:
        said.append(
            f"{100 * returned_frac:.0f} % is more than film returns: the lamp is clipped, or the picture is not linear"
        )
    if misfit > WORST_FIT:
        said.append("the light around the lamp does not follow the law of a film base: it may be glare or a reflection")
    return tuple(said)


def grain_doubts(noise: Float64, between: tuple[float, ...] | None, error: float) -> tuple[str, ...]:
    """What makes grain's numbers less sure.

    noise            (F, P, H, W, 3) fluctuations of density
    between, error   correlation of the records between frames, and its standard error
    """
    said = []
    sigma = 1.4826 * np.median(np.abs(noise), axis=(0, 1, 2, 3))
    specks = int(np.count_nonzero((np.abs(noise) > SPECK_SIGMAS * np.maximum(sigma, 1e-12)).any(axis=-1)))
    if specks >= FEWEST_SPECKS:
        said.append(f"{specks} pixels lie more than {SPECK_SIGMAS:g} sigma off (dust, scratches): they count as grain")
    if between is None:
        said.append("one frame cannot tell fine texture from grain; give two or more of the shot")
    elif max(between) > max(SAME_PATTERN, _SIGMAS * error):
        said.append(
            f"the frames have a pattern in common (correlation {max(between):.2f}), texture or a frame twice, "
            "and it counts as grain"
        )
    return tuple(said)


def noise_doubts(coloured: float) -> tuple[str, ...]:
    """What makes a footage's noise less sure: how much stronger it looks in means of 2 x 2 than in diagonals."""
    if coloured <= COLOURED:
        return ()
    return (
        f"neighbouring pixels go together: larger patches are {coloured:.1f} times as noisy as single pixels let "
        "expect, so the noise was smoothed (or is texture), and these numbers are low",
    )


def _smooth_share(spread: EdgeSpread, dark: float, bright: float) -> tuple[Float64, Float64]:
    """Luminance from 0 (dark) to 1 (bright), means over a pixel, and what noise may do to it."""
    bins = round(1.0 / BIN_PX)
    kernel = np.ones(bins + 1) / (bins + 1)
    padded = np.pad(spread.light[-1], bins // 2, mode="edge")
    share = (np.convolve(padded, kernel, mode="valid") - dark) / (bright - dark)
    pixels = np.convolve(np.pad(spread.pixels, bins // 2, mode="edge"), np.ones(bins + 1), mode="valid")
    return share, _SIGMAS * spread.noise[-1].max() / np.sqrt(np.maximum(pixels, 1.0)) / (bright - dark)


def _crossing(distance: Float64, share: Float64, level: float) -> tuple[float, float]:
    """Where a rising step passes a level, seen from its middle outwards, and how many pixels it takes to rise by 1."""
    middle = int(np.argmin(np.abs(share - 0.5)))
    if level < 0.5:
        below = np.flatnonzero(share[: middle + 1] <= level)
        at = int(below[-1]) if below.size else 0
    else:
        above = np.flatnonzero(share[middle:] >= level)
        at = middle + int(above[0]) - 1 if above.size else share.size - 2
    at = min(max(at, 0), share.size - 2)
    softness_px = BIN_PX / max(float(share[at + 1] - share[at]), 1e-9)
    return float(distance[at] + softness_px * (level - share[at])), softness_px
