"""grain: add what the negative's grain has over the noise that is left in the footage."""

from __future__ import annotations

import dataclasses
import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import numpy.typing as npt
from pydantic import Field

from widegauge.frame import Float32, Frame
from widegauge.kernels.bands import for_bands
from widegauge.kernels.philox import gauss_table
from widegauge.kernels.speckle import level_index, levels, speckle_rows
from widegauge.physics import emulsion, granularity
from widegauge.stages.stage import NOTHING, Row, Settings, Setup, Stage

Float64 = npt.NDArray[np.float64]

STOPS_COVERED = 26
"""Doublings of light from the toe upwards that have an amount of their own; brighter light takes the last."""

PLACES_PER_STOP = 32
STREAM = 1
"""The generator's stream for grain; no other stage draws from it."""

RECORDS = ("R", "G", "B")
_GAUSS = gauss_table()
_ALL_LEFT = np.empty((0, 0), np.float32)


class GrainSettings(Settings):
    """How grain is added; strength scales the noise that is added."""

    seed: int = Field(7, ge=0, le=2**63 - 1, description="another seed gives another grain of the same kind")


@dataclass(frozen=True, slots=True)
class GrainPlan:
    """Amounts by level, and the shape of the grain.

    want, have   relative variance of exposure that the finished frame has, the greater of the negative's and the
                 footage's (3, N), and that the footage as shot has (N)
    base, floor  level index of the first amount; light at and below which noise is added, not multiplied
    taps, mix    separable kernel; shares of three independent noises in each record (3, 3)
    """

    rows: tuple[Row, ...]
    note: str
    acts: bool
    reach_px: int
    want: Float32
    have: Float32
    base: int
    floor: float
    taps: Float32
    mix: Float32
    strength: float
    seed: int


def plan(settings: GrainSettings, setup: Setup) -> GrainPlan:
    """Amounts by level from the stock's granularity and the raster's pitch, and the footage's own noise."""
    stock = setup.stock
    floor = emulsion.toe_linear(stock, footage_stops=setup.exposure_stops, negative_stops=setup.negative_stops)
    light = levels(floor, STOPS_COVERED * PLACES_PER_STOP)
    light[0] = max(light[0], floor)
    factor, taps = _on_pixels(
        pitch_um=setup.pixel_um, cloud_um=stock.dye_cloud_um, scan_mtf50_cpmm=setup.scan_mtf50_cpmm
    )
    want = (factor * emulsion.exposure_noise(stock, _log_exposure(light, setup))) ** 2
    have = footage_variance(light, noise=setup.noise, scale=setup.noise_scale) / light**2
    return GrainPlan(
        rows=_rows(setup, factor, settings.strength),
        note=_note(want, have, settings.strength, bool(setup.noise)),
        acts=settings.strength > 0.0 and bool(np.any(want > 0.0)),
        reach_px=0,
        want=np.maximum(want, have).astype(np.float32),
        have=have.astype(np.float32),
        base=level_index(floor),
        floor=floor,
        taps=taps,
        mix=emulsion.coupling_matrix(stock).astype(np.float32),
        strength=settings.strength,
        seed=settings.seed,
    )


@lru_cache(maxsize=64)
def _on_pixels(**pitch_and_cloud: float) -> tuple[float, Float32]:
    """A pixel's noise over the stock's reading, and the kernel for its spectrum; kept, since both take long."""
    taps = granularity.separable_kernel(granularity.pixel_spectrum(**pitch_and_cloud))
    return granularity.pixel_factor(**pitch_and_cloud), taps.astype(np.float32)


def apply(plan: GrainPlan, frame: Frame) -> Frame:
    """Add to a frame what is missing; a pixel's grain depends on seed, frame number and place alone."""
    rgb = np.ascontiguousarray(frame.rgb)
    out = np.empty_like(rgb)
    bits = rgb.view(np.int32)
    left = _ALL_LEFT if frame.noise_left is None else np.ascontiguousarray(frame.noise_left)
    number, key = np.uint32(frame.number & 0xFFFFFFFF), plan.seed
    low, high = np.uint32(key & 0xFFFFFFFF), np.uint32(key >> 32)

    def task(y0: int, y1: int) -> None:
        speckle_rows(
            out, rgb, bits, left, y0, y1, frame.x_px, frame.y_px, number, np.uint32(STREAM), low, high,
            _GAUSS, plan.taps, plan.mix, plan.want, plan.have, plan.base,
            np.float32(plan.floor), np.float32(plan.strength),
        )  # fmt: skip

    for_bands(rgb.shape[0], task)
    return dataclasses.replace(frame, rgb=out)


def footage_variance(light: Float64, *, noise: tuple[tuple[float, float], ...], scale: float) -> Float64:
    """Variance of the footage's noise at levels of linear light, from rows (level, sigma); 0 for no rows.

    Variances follow straight lines between rows, as photon noise does; below the first row the first holds, above
    the last they grow with light.
    """
    if not noise:
        return np.zeros_like(light)
    table = np.asarray(noise, dtype=np.float64)
    variance = np.interp(light, table[:, 0], table[:, 1] ** 2)
    return np.asarray(variance * np.maximum(1.0, light / max(table[-1, 0], 1e-9)) * scale * scale)


def _log_exposure(light: Float64, setup: Setup) -> Float64:
    return emulsion.log_exposure(light, footage_stops=setup.exposure_stops, negative_stops=setup.negative_stops)


def _rows(setup: Setup, factor: float, strength: float) -> tuple[Row, ...]:
    """Granularity of the green record and noise in stops of all three, at mid-grey."""
    stock = setup.stock
    grey = np.array([emulsion.MID_GREY_LINEAR * 2.0**-setup.exposure_stops])
    reading = emulsion.exposure_noise(stock, _log_exposure(grey, setup))[:, 0]
    footage = math.sqrt(float(footage_variance(grey, noise=setup.noise, scale=setup.noise_scale)[0])) / float(grey[0])
    per_stop = 1.0 / math.log(2.0)
    to_granularity = 1000.0 * stock.gamma[1] / math.log(10.0)

    def row(quantity: str, unit: str, have: float, want: float) -> Row:
        return Row(quantity, unit, have, want, strength * math.sqrt(max(0.0, want * want - have * have)))

    selwyn = granularity.selwyn_factor(setup.pixel_um)
    rows = [
        row(
            "granularity at mid-grey G",
            "1000 sigma_D, 48 um",
            footage / selwyn * to_granularity,
            float(reading[1]) * to_granularity,
        )
    ]
    rows += [
        row(
            f"noise at mid-grey {RECORDS[c]}, per pixel",
            "stops",
            footage * per_stop,
            factor * float(reading[c]) * per_stop,
        )
        for c in range(3)
    ]
    return tuple(rows)


def _note(want: Float64, have: Float64, strength: float, noisy: bool) -> str:
    if strength == 0.0:
        return NOTHING
    if not noisy:
        return "The footage is taken as free of noise."
    missing = np.any(want > have, axis=0)
    if missing.all():
        return ""
    where = "some levels" if missing.any() else "every level"
    return f"At {where} the footage is noisier than the negative: its noise is kept, and put back where blur took it."


STAGE = Stage("grain", GrainSettings, plan, apply)
