"""Edge: the spatial frequency response of a slanted edge, after ISO 12233:2014 (e-SFR).

The standard's steps: light against distance in four bins a pixel, a derivative by [-1/2, 0, +1/2], a Hamming window
centred on the line spread, the modulus of its Fourier transform. Three taps a quarter pixel apart see
sin(2 pi f d)/(2 pi f d) of a frequency f (the transform of half the difference of two points 2 d apart, over that of
a derivative), and averaging over a bin sin(pi f d)/(pi f d), d the bin's width. Two things differ from the standard:
it divides by the first only, here both are divided out (2.6 % at Nyquist); and it brings the windowed transform to 1
at zero, here it is divided by the step between the two sides, because the window lowers just the response at zero
(of a perfect lens by 1 %, which would lift all others).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from widegauge.measure.doubt import edge_doubts
from widegauge.measure.refusal import RefusalError
from widegauge.measure.spread import (
    BIN_PX,
    LOWEST_CONTRAST,
    LOWEST_STEP_TO_NOISE,
    EdgeLine,
    EdgeSpread,
    edge_spread,
    luminance,
)
from widegauge.physics import transfer

Float64 = npt.NDArray[np.float64]

FREQUENCY_CPP = np.arange(0.0, 1.0 + 1e-9, 1.0 / 128.0)
"""Frequencies of a response, in cycles per pixel along the edge's normal: twice as far as Nyquist."""

NYQUIST_CPP = 0.5
CHANNELS = ("R", "G", "B", "Y")
"""Y is luminance."""

WINDOW_PX, WINDOW_WIDTHS = 32.0, 40.0
"""Half the window: at least so many pixels, and so many sigma of the line spread, where the region has the room.

A wider one would only let in more noise."""

WINDOW_LOSS = 9.1
"""A window of width L takes up to 9.1 (sigma / L)^2 from a Gaussian's response, at its lowest frequencies: to second
order it is M + 0.23 M'' / L^2 (Hamming's side terms), with M'' = -4 pi^2 sigma^2 at zero."""

RISE_SIGMAS = 2.5631
"""10 to 90 % of a Gaussian's step, in sigma."""

STILL_FRAC = 1e-3
SECOND_FRAC = 0.03
"""Steepness of a second edge, over that of the first, from which it is one."""

_APART = 8

MOST_LEFT_FRAC = 0.02
"""Share of the step that may still happen in the outer eighth of the spread; more, and the edge is wider than it."""


@dataclass(frozen=True, slots=True)
class ChannelResponse:
    """One channel's response.

    name         "R", "G", "B" or "Y"
    response     (F,) modulus at FREQUENCY_CPP, 1 at zero
    error        (F,) standard error of it that the pixels' noise leaves
    window_frac  up to how much the window takes from it
    mtf50_cpp    where it falls to one half; None when it does not up to 1 cycle per pixel
    mtf50_error  standard error of that, in cycles per pixel
    at_nyquist   response at 0.5 cycles per pixel
    dark, bright linear light on the two sides
    noise        sigma of pixels
    """

    name: str
    response: Float64
    error: Float64
    window_frac: float
    mtf50_cpp: float | None
    mtf50_error: float | None
    at_nyquist: float
    dark: float
    bright: float
    noise: float


@dataclass(frozen=True, slots=True)
class EdgeFound:
    """A slanted edge's response.

    line      where the edge lies in the region
    reach_px  distance on each side that was looked at
    rows      rows (columns) that the line was found from
    channels  those of R, G, B and Y that have the contrast to be measured
    doubts    what makes them less sure, a sentence each
    """

    line: EdgeLine
    reach_px: float
    rows: int
    channels: tuple[ChannelResponse, ...]
    doubts: tuple[str, ...] = ()

    def channel(self, name: str) -> ChannelResponse:
        """A channel by its name; KeyError when it could not be measured."""
        for each in self.channels:
            if each.name == name:
                return each
        raise KeyError(name)


def measure_edge(rgb: npt.NDArray[np.floating]) -> EdgeFound:
    """The response of the one slanted edge in a region.

    rgb   (H, W, 3) scene-linear light; at least 16 x 16, the edge near the middle, free for as far as it spreads

    RefusalError when the region has no edge, or one that is faint, clipped, bent, not slanted or too wide.
    """
    guide = luminance(rgb)
    planes = np.concatenate([np.moveaxis(rgb.astype(np.float64), 2, 0), guide[None]])
    spread = edge_spread(planes, guide=guide)
    found: list[ChannelResponse] = []
    refused: RefusalError | None = None
    for i, name in enumerate(CHANNELS):
        try:
            found.append(_channel(name, spread, i))
        except RefusalError as error:
            refused = error
    if refused is not None and (not found or found[-1].name != "Y"):
        raise refused
    doubts = edge_doubts(spread, dark=found[-1].dark, bright=found[-1].bright)
    return EdgeFound(spread.line, spread.reach_px, spread.rows, tuple(found), doubts)


def line_spread(spread: EdgeSpread, channel: int) -> Float64:
    """The derivative of one channel's spread by [-1/2, 0, +1/2], (N,) per pixel of distance."""
    light = spread.light[channel]
    slope: Float64 = np.zeros_like(light)
    slope[1:-1] = (light[2:] - light[:-2]) / (2.0 * BIN_PX)
    return slope


def sides(spread: EdgeSpread, channel: int) -> tuple[float, float]:
    """Light of one channel on the dark and on the bright side.

    RefusalError when the two are too like each other, the bright one is clipped, the step reaches the ends, or there
    are two steps.
    """
    light = spread.light[channel]
    eighth = max(2, light.size // 8)
    dark, bright = float(light[:eighth].mean()), float(light[-eighth:].mean())
    step, noise = bright - dark, float(spread.noise[channel].max())
    if step <= LOWEST_CONTRAST * (abs(bright) + abs(dark)) or step <= 0.0:
        raise RefusalError(
            f"contrast too low: {dark:.4g} beside {bright:.4g} in linear light",
            f"take an edge of at least {(1 + LOWEST_CONTRAST) / (1 - LOWEST_CONTRAST):.2g}:1, better 4:1",
        )
    if step < LOWEST_STEP_TO_NOISE * noise:
        raise RefusalError(
            f"too noisy: the step of {step:.4g} is less than {LOWEST_STEP_TO_NOISE:g} times the noise, {noise:.4g}",
            "take the mean of several frames, or an edge with more contrast",
        )
    if spread.noise[channel, 1] < STILL_FRAC * spread.noise[channel, 0] and noise > STILL_FRAC * step:
        raise RefusalError(
            f"clipped: the bright side, {bright:.4g}, has no noise while the dark side has",
            "expose lower, so that the bright side lies below the sensor's limit",
        )
    sure = 4.0 * noise / np.sqrt(max(1.0, float(spread.pixels.min())))
    ends = max(abs(float(light[eighth] - light[0])), abs(float(light[-1] - light[-eighth - 1])))
    if ends > MOST_LEFT_FRAC * step + sure:
        raise RefusalError(
            f"the sides are not flat: light still changes by {100 * ends / step:.0f} % of the step far from the edge",
            "choose a larger region around the edge, evenly lit on both sides",
        )
    _only_one(light, step, sure)
    return dark, bright


def width_px(spread: EdgeSpread, channel: int) -> float:
    """Sigma of a Gaussian with the spread's 10 to 90 % distance, which is 2.5631 sigma."""
    light = spread.light[channel]
    eighth = max(2, light.size // 8)
    dark, bright = float(light[:eighth].mean()), float(light[-eighth:].mean())
    share = (light - dark) / (bright - dark)
    return BIN_PX * (1.0 + np.count_nonzero((share > 0.1) & (share < 0.9))) / RISE_SIGMAS


def _only_one(light: Float64, step: float, sure: float) -> None:
    """Refuse a spread that rises, rests and rises again."""
    rise = light[_APART:] - light[:-_APART]
    top = int(np.argmax(rise))
    high = np.flatnonzero(rise > max(SECOND_FRAC * rise[top], 2.0 * sure, 1e-3 * step))
    for other in high[np.abs(high - top) > 2 * _APART]:
        between = rise[min(top, other) : max(top, other)].min()
        if between < 0.5 * rise[other] - sure:
            raise RefusalError(
                f"two edges, {BIN_PX * abs(other - top):.0f} pixels apart", "choose a region with one slanted edge"
            )


def _channel(name: str, spread: EdgeSpread, channel: int) -> ChannelResponse:
    dark, bright = sides(spread, channel)
    slope, sigma_px = line_spread(spread, channel), width_px(spread, channel)
    x, half = spread.distance_px, min(spread.reach_px, max(WINDOW_PX, WINDOW_WIDTHS * sigma_px))
    centre = 0.0
    for _ in range(8):
        lobe = slope * _hamming(x - centre, half)
        room = spread.reach_px - half
        centre = float(np.clip((lobe * x).sum() / lobe.sum(), -room, room))
    window = _hamming(x - centre, half)
    lobe, f = slope * window, FREQUENCY_CPP
    wave = np.exp(-2j * np.pi * f[:, None] * (x - centre)[None, :])
    step = (bright - dark) / BIN_PX
    response = np.abs(wave @ lobe) / (step * np.sinc(2.0 * f * BIN_PX) * np.sinc(f * BIN_PX))
    response[0] = 1.0
    sigma = np.where(x < centre, spread.noise[channel, 0], spread.noise[channel, 1])
    in_bins = sigma**2 / np.maximum(spread.pixels, 1.0)
    error = np.sqrt(float((window**2 * in_bins).sum()) / 2.0) * 2.0 * np.pi * f / (step * np.sinc(f * BIN_PX))
    mtf50 = transfer.frequency_at(response, f)
    mtf50_error = None
    if mtf50 is not None:
        fall = abs(float(np.interp(mtf50, f, np.gradient(response, f))))
        mtf50_error = float(np.interp(mtf50, f, error)) / max(fall, 1e-6)
    return ChannelResponse(
        name=name,
        response=response,
        error=error,
        window_frac=WINDOW_LOSS * (sigma_px / (2.0 * half)) ** 2,
        mtf50_cpp=mtf50,
        mtf50_error=mtf50_error,
        at_nyquist=float(np.interp(NYQUIST_CPP, f, response)),
        dark=dark,
        bright=bright,
        noise=float(spread.noise[channel].max()),
    )


def _hamming(offset_px: Float64, half_px: float) -> Float64:
    """0.54 + 0.46 cos(pi x / half), 0 beyond."""
    return np.where(np.abs(offset_px) <= half_px, 0.54 + 0.46 * np.cos(np.pi * offset_px / half_px), 0.0)
