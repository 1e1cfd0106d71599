"""Code values to scene-linear light and back, by any transfer function that colour-science knows, baked into tables.

The decode follows colour-science's function; the encode is the exact inverse of the baked decode, so that codes
come back whatever a standard's rounded constants do. Where a published curve has no inverse (the two branches of
ITU-R BT.709 do not meet: sixteen 16-bit codes around 0.081 are decoded but never encoded) a straight line bridges
the gap; ``Encoding.bridges`` lists those places.

Below its last sensible code a curve goes on as it is written while it still rises, as its own mirror image when it
is a pure power of the signal, and else as a straight line. Above, it goes on to code 2 or to 2^20, then straight.
"""

from __future__ import annotations

import difflib
import inspect
import re
import warnings
from collections.abc import Callable
from dataclasses import dataclass
from functools import cache

import numpy as np

from widegauge.frame import Float32
from widegauge.kernels.curve import Float64, Table, look_up, nodes

LINEAR = "linear"
"""Our own name for footage whose code values are scene-linear light already."""

LEGAL_BLACK, LEGAL_SPAN, FULL_SPAN = 64.0, 876.0, 1023.0
"""10-bit codes of 0 %, from there to 100 %, and of full scale (ITU-R BT.709-6: 64 and 940 of 1023)."""

FULL_SPAN_16 = 65535.0
"""The highest 16-bit code."""

_CODE_GRID = {"low": -24, "high": 1, "step_bits": 12}
_LINEAR_GRID = {"low": -50, "high": 20, "step_bits": 12}
_LOWEST_SIGNAL, _HIGHEST_SIGNAL = -0.5, 2.0
_HIGHEST_LINEAR = 2.0**20
_COARSE_STEP = 1.0 / 1024.0
_JUMP = 8.0
_FEWEST_FLOAT32_STEPS = 4.0
"""Float32 numbers of light that one 16-bit code must span; a flatter curve cannot come back and is bridged."""

_USUAL_PRIMARIES = frozenset({"ITU-R BT.709", "ITU-R BT.2020", "ACEScg", "sRGB"})
"""Names that are known without colour-science, whose import takes most of a second."""

_RECOMMENDATION = re.compile(r"^(?:rec|bt)[. _-]*(\d+)")
"""The trade's short form of an ITU-R recommendation, such as Rec.709 for BT.709."""

_Function = Callable[[Float64], Float64]


@dataclass(frozen=True, slots=True)
class Encoding:
    """A transfer function ready for pictures.

    transfer, primaries   names by colour-science; "linear" is ours
    bridges               (lowest, highest) code of each place where the published curve has no inverse
    """

    transfer: str
    primaries: str
    bridges: tuple[tuple[float, float], ...]
    _decode: Table | None
    _encode: Table | None

    @property
    def is_linear(self) -> bool:
        """True when code values are scene-linear light already and both directions do nothing."""
        return self._decode is None

    def decode(self, codes: Float32, *, out: Float32 | None = None) -> Float32:
        """Scene-linear light (H, W, 3) float32 of code values (full scale is 1); "linear" returns ``codes`` itself."""
        return codes if self._decode is None else look_up(codes, self._decode, out=out)

    def encode(self, linear: Float32, *, out: Float32 | None = None) -> Float32:
        """Code values (H, W, 3) float32 (full scale is 1) of light; "linear" returns ``linear`` itself."""
        return linear if self._encode is None else look_up(linear, self._encode, out=out)


def check_transfer(name: str) -> str | None:
    """The rule that an encoding's name breaks, with the nearest known names, or None when it is known."""
    if name == LINEAR:
        return None
    known = [LINEAR, *sorted(_transfers())]
    return None if name in known else _unknown(name, known, "a transfer function")


def check_primaries(name: str) -> str | None:
    """The rule that a colourspace's name breaks, with the nearest known names, or None when it is known."""
    if name in _USUAL_PRIMARIES:
        return None
    known = sorted(_colour().RGB_COLOURSPACES)
    return None if name in known else _unknown(name, known, "an RGB colourspace")


def bake(transfer: str, primaries: str, *, legal: bool = False, stretched: bool = False) -> Encoding:
    """Bake a transfer function, both ways, once a shot.

    legal      the file's code values are legal-range: 64 to 940 of 1023 stand for 0 to 100 % of the signal
    stretched  the reader has stretched legal range to 0..1 already (movies tagged so)

    Curves that are published as code values of the file (V-Log's 433 of 1023 for mid-grey, ``in_normalised_code_value``
    in colour-science) mean those codes in any range: ``legal`` changes nothing for them, and what was stretched is
    put back. ValueError for a name that is not known, and for legal-range "linear".
    """
    for broken in (check_transfer(transfer), check_primaries(primaries)):
        if broken:
            raise ValueError(broken)
    if transfer == LINEAR:
        if legal:
            raise ValueError("linear light has no legal range")
        return Encoding(transfer, primaries, (), None, None)
    decode = _transfers()[transfer]
    coded = "in_normalised_code_value" in inspect.signature(decode).parameters
    gain, offset = 1.0, 0.0
    if legal and not stretched and not coded:
        gain, offset = FULL_SPAN / LEGAL_SPAN, -LEGAL_BLACK / LEGAL_SPAN
    elif stretched and coded:
        gain, offset = LEGAL_SPAN / FULL_SPAN, LEGAL_BLACK / FULL_SPAN
    decode_table, encode_table, bridges = _tables(decode, gain, offset)
    return Encoding(transfer, primaries, bridges, decode_table, encode_table)


def rgb_matrix(source: str, target: str) -> Float64:
    """(3, 3) float64 that takes linear RGB of one colourspace to another (chromatic adaptation: CAT02).

    ValueError for a name that is not known.
    """
    for broken in (check_primaries(source), check_primaries(target)):
        if broken:
            raise ValueError(broken)
    colour = _colour()
    spaces = colour.RGB_COLOURSPACES
    return np.asarray(colour.matrix_RGB_to_RGB(spaces[source], spaces[target], "CAT02"), dtype=np.float64)


@cache
def _colour():  # type: ignore[no-untyped-def]
    with warnings.catch_warnings():
        warnings.filterwarnings("ignore", message=".*related API features are not available.*")
        import colour
    return colour


@cache
def _transfers() -> dict[str, _Function]:
    """Decoding functions by name: scene-referred ones before display ones where a name has both."""
    colour = _colour()
    found: dict[str, _Function] = {}
    for encodings, decodings in (
        (colour.LOG_ENCODINGS, colour.LOG_DECODINGS),
        (colour.OETFS, colour.OETF_INVERSES),
        (colour.EOTF_INVERSES, colour.EOTFS),
        (colour.CCTF_ENCODINGS, colour.CCTF_DECODINGS),
    ):
        for name in encodings:
            if name in decodings:
                found.setdefault(name, decodings[name])
    return found


def _unknown(name: str, known: list[str], noun: str) -> str:
    by_fold = {candidate.casefold(): candidate for candidate in known}
    meant = _RECOMMENDATION.sub(r"itu-r bt.\1", name.casefold())
    near = [by_fold[fold] for fold in difflib.get_close_matches(meant, by_fold, n=3, cutoff=0.5)]
    hint = "nearest: " + ", ".join(f'"{candidate}"' for candidate in near) if near else f"known: {', '.join(known)}"
    return f'"{name}" is not {noun} of colour-science ({hint})'


def _tables(decode: _Function, gain: float, offset: float) -> tuple[Table, Table, tuple[tuple[float, float], ...]]:
    grid = nodes(**_CODE_GRID)
    codes = np.concatenate((-grid[:0:-1], grid))
    signals = codes * gain + offset
    lowest, highest = _sensible_signals(decode)
    start, stop = int(np.searchsorted(signals, lowest)), int(np.searchsorted(signals, highest, side="right"))
    light = np.zeros_like(codes)
    light[start:stop] = _evaluate(decode, signals[start:stop])
    bridges = _bridge(codes[start:stop], light[start:stop])
    _extend_above(codes, light, stop)
    _extend_below(codes, signals, light, start)
    zero = grid.size - 1
    decode_table = Table(_two_sided(light[zero:], light[zero::-1]), _CODE_GRID["low"], _CODE_GRID["step_bits"])
    linear = nodes(**_LINEAR_GRID)
    found = _two_sided(_invert(linear, codes, light), _invert(-linear, codes, light))
    return decode_table, Table(found, _LINEAR_GRID["low"], _LINEAR_GRID["step_bits"]), bridges


def _evaluate(decode: _Function, signals: Float64) -> Float64:
    with np.errstate(all="ignore"), warnings.catch_warnings():
        warnings.simplefilter("ignore")
        return np.asarray(decode(signals), dtype=np.float64)


def _sensible_signals(decode: _Function) -> tuple[float, float]:
    """The lowest and highest signal between which a curve is finite and keeps rising, looked at in coarse steps."""
    signals = np.arange(_LOWEST_SIGNAL, _HIGHEST_SIGNAL + _COARSE_STEP / 2.0, _COARSE_STEP)
    light = _evaluate(decode, signals)
    steps = np.diff(light)
    with np.errstate(invalid="ignore"):
        good = np.isfinite(steps) & (steps > 0.0) & (light[1:] <= _HIGHEST_LINEAR)
    middle = int(np.searchsorted(signals, 0.5))
    below, above = np.flatnonzero(~good[:middle]), np.flatnonzero(~good[middle:])
    start = int(below[-1]) + 1 if below.size else 0
    stop = middle + int(above[0]) if above.size else signals.size - 1
    if steps[start] > _JUMP * steps[start + 1]:
        start += 1
    return float(signals[start]), float(signals[stop])


def _two_sided(above: Float64, below: Float64) -> Float32:
    return np.ascontiguousarray(np.stack((above, below)), dtype=np.float32)


def _bridge(codes: Float64, light: Float64) -> tuple[tuple[float, float], ...]:
    """Replace, in place, each stretch on which ``light`` falls or rests by a straight line three times as long.

    So long, because a line over the ambiguous codes alone is so steep that the encode's table blunts its corners.
    """
    found: list[tuple[float, float]] = []
    highest_before = np.maximum.accumulate(light)
    lowest_after = np.minimum.accumulate(light[::-1])[::-1]
    float32_steps = np.diff(light) / np.spacing(np.abs(light[:-1]).astype(np.float32))
    resting = float32_steps < _FEWEST_FLOAT32_STEPS * FULL_SPAN_16 * np.diff(codes)
    ambiguous = np.flatnonzero((highest_before > lowest_after) | np.r_[resting, False])
    apart = np.flatnonzero(np.diff(codes[ambiguous]) > _COARSE_STEP) + 1
    for run in np.split(ambiguous, apart) if ambiguous.size else []:
        width = codes[run[-1]] - codes[run[0]]
        first = max(int(np.searchsorted(codes, codes[run[0]] - width)) - 1, 0)
        last = min(int(np.searchsorted(codes, codes[run[-1]] + width)) + 1, light.size - 1)
        light[first : last + 1] = np.interp(
            codes[first : last + 1], [codes[first], codes[last]], [light[first], light[last]]
        )
        found.append((float(codes[first]), float(codes[last])))
    return tuple(found)


def _extend_above(codes: Float64, light: Float64, stop: int) -> None:
    if stop < codes.size:
        slope = (light[stop - 1] - light[stop - 2]) / (codes[stop - 1] - codes[stop - 2])
        light[stop:] = light[stop - 1] + slope * (codes[stop:] - codes[stop - 1])


def _extend_below(codes: Float64, signals: Float64, light: Float64, start: int) -> None:
    if start == 0:
        return
    if abs(light[start]) < 1e-6 and abs(signals[start]) < 1e-5:
        black = np.interp(0.0, signals, codes)
        light[:start] = -np.interp(2.0 * black - codes[:start], codes[start:], light[start:])
        return
    after = min(int(np.searchsorted(codes, codes[start] + _COARSE_STEP)), codes.size - 1)
    slope = (light[after] - light[start]) / (codes[after] - codes[start])
    light[:start] = light[start] + slope * (codes[:start] - codes[start])


def _invert(linear: Float64, codes: Float64, light: Float64) -> Float64:
    """Codes of light: the inverse of the curve through (codes, light), straight beyond both ends."""
    found = np.interp(linear, light, codes)
    for outside, end, inner in ((linear < light[0], 0, 1), (linear > light[-1], -1, -2)):
        slope = (codes[end] - codes[inner]) / (light[end] - light[inner])
        found[outside] = codes[end] + slope * (linear[outside] - light[end])
    return np.asarray(found, dtype=np.float64)
