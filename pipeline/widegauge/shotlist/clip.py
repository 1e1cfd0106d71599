"""A timeline's clip: the media that it refers to, and which of its frames it shows."""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path
from typing import Any
from urllib.parse import unquote

from widegauge.errors import SettingsError
from widegauge.media.attributes import rate_from_float
from widegauge.media.sequence import IMAGE_EXTENSIONS, anything_at, is_pattern, list_frames

FINEST = 10000
"""Time values of a timeline are floats that mean whole frames or simple fractions of them, with this denominator."""

_FILE_URL = re.compile(r"file:(?://(?:localhost)?(?=/))?(.*)", re.IGNORECASE)
_OTHER_URL = re.compile(r"[A-Za-z][A-Za-z0-9+.-]+:")
_PRINTF = re.compile(r"(%0\d+d|%d)")
_LAST_NUMBER = re.compile(r"\d+(?=\.\w+$)")


class SkipError(Exception):
    """A clip that can't become a shot: why, and what to do."""


@dataclass(frozen=True, slots=True)
class Media:
    """What a clip refers to.

    path        movie, pattern or folder, absolute
    frames      those that the clip shows, transitions included; None for all
    rate        frames a second where the timeline knows them better than the files
    missing     "error", "hold" or "black" where the timeline says so
    is_clamped  the clip asks for more than there is
    """

    path: Path
    frames: str | None
    rate: Fraction | None = None
    missing: str | None = None
    is_clamped: bool = False

    @property
    def name(self) -> str:
        """The file's name without the place of a frame number."""
        return re.sub(r"[._-]*(#+|%0\d+d|%d)", "", self.path.name)

    @property
    def suffix(self) -> str:
        return self.path.suffix

    @property
    def facts(self) -> dict[str, Any]:
        """As [footage] of a shot file; the shot file's own range was for its own media."""
        told: dict[str, Any] = {"path": str(self.path), "frames": None}
        if self.rate is not None:
            told["rate"] = str(self.rate)
        if self.missing is not None:
            told["missing"] = self.missing
        return told


@dataclass(frozen=True, slots=True)
class _Span:
    """First frame, and the one after the last, as exact counts of the media's frames."""

    start: Fraction
    end: Fraction


def media_of(clip: Any, *, folder: Path) -> Media:
    """The media of a clip; relative ones lie in ``folder``. SkipError when there is none that can be read."""
    import opentimelineio as otio

    match clip.media_reference:
        case otio.schema.ImageSequenceReference() as reference:
            return _numbered(clip, reference, folder)
        case otio.schema.ExternalReference() as reference:
            return _external(clip, reference, folder)
        case otio.schema.GeneratorReference():
            raise SkipError("it is a generator and has no footage; render it to frames to have it finished")
    raise SkipError("its media is missing; relink it and export the timeline again")


def _numbered(clip: Any, reference: Any, folder: Path) -> Media:
    """An ImageSequenceReference: its frames are start_frame and on, frame_step apart."""
    place, prefix, suffix = reference.target_url_base, reference.name_prefix, reference.name_suffix
    if is_pattern(Path(prefix)) or is_pattern(Path(suffix)):
        raise SkipError(f'its names hold a second place for a number ("{prefix}", "{suffix}"); rename the files')
    path = _path(place or ".", folder) / f"{prefix}{'#' * max(1, reference.frame_zero_padding)}{suffix}"
    rate = rate_from_float(reference.rate)
    missing = reference.missing_frame_policy.name
    shown, there = _spans(clip, rate)
    if shown is None:
        return Media(path, None, rate, missing)
    shown, is_clamped = _clamped(shown, there)
    first, step = reference.start_frame, max(1, reference.frame_step)
    begin = there.start if there is not None else Fraction(0)
    low, high = _whole(shown, -begin)
    low, high = low // step * step + first, high // step * step + first
    if low < 0:
        raise SkipError(f"its frames begin at {low}; number them from 0 or more")
    return Media(path, _written(low, high, step), rate, missing, is_clamped)


def _external(clip: Any, reference: Any, folder: Path) -> Media:
    """An ExternalReference: a movie, numbered frames by pattern or folder, or the first picture of them."""
    path = _path(reference.target_url, folder)
    known = reference.available_range
    is_picture = path.suffix.lower() in IMAGE_EXTENSIONS
    if is_picture and not is_pattern(path) and known is not None and known.duration.to_frames() > 1:
        path = path.with_name(_LAST_NUMBER.sub(lambda digits: "#" * len(digits[0]), path.name))
    if is_picture and not is_pattern(path):
        return Media(path, None)
    clock = known or clip.source_range
    if clock is None:
        return Media(path, None)
    rate = rate_from_float(clock.start_time.rate)
    shown, there = _spans(clip, rate)
    if shown is None:
        return Media(path, None)
    shown, is_clamped = _clamped(shown, there)
    begin = there.start if there is not None else Fraction(0)
    if is_pattern(path) or path.is_dir():
        low, high = _whole(shown, _offset(path, there))
        if low < 0:
            raise SkipError(f"its frames begin at {low}; give the media's available range")
        return Media(path, _written(low, high, 1), rate if known is not None else None, None, is_clamped)
    low, high = _whole(shown, 1 - begin)
    if low < 1:
        raise SkipError("it begins before its movie; give the media's available range")
    return Media(path, _written(low, high, 1), None, None, is_clamped)


def _offset(path: Path, there: _Span | None) -> Fraction:
    """From time to frame number: nothing where files have those numbers, else such that the first file comes first."""
    try:
        numbers = list_frames(path).keys() if anything_at(path) else ()
    except SettingsError:
        numbers = ()
    if there is None or not numbers or any(there.start <= number < there.end for number in numbers):
        return Fraction(0)
    return min(numbers) - there.start


def _spans(clip: Any, rate: Fraction) -> tuple[_Span | None, _Span | None]:
    """What the clip shows, transitions and retimes included, and what its media has; None where nobody says."""
    import opentimelineio as otio

    known = clip.media_reference.available_range
    there = None if known is None else _span(known, rate)
    try:
        shown = _span(clip.visible_range(), rate)
    except otio.exceptions.OTIOError:
        return None, there
    for effect in clip.effects:
        if isinstance(effect, otio.schema.LinearTimeWarp) and effect.time_scalar >= 0.0:
            speed = Fraction(effect.time_scalar).limit_denominator(FINEST)
            shown = _Span(shown.start, shown.start + max(Fraction(1), (shown.end - shown.start) * speed))
        elif isinstance(effect, otio.schema.TimeEffect):
            return there, there
    return shown, there


def _span(time_range: Any, rate: Fraction) -> _Span:
    start, end = (_count(time, rate) for time in (time_range.start_time, time_range.end_time_exclusive()))
    return _Span(start, end)


def _count(time: Any, rate: Fraction) -> Fraction:
    """A time, value over rate, as a count of frames at ``rate``."""
    return Fraction(time.value).limit_denominator(FINEST) * rate / rate_from_float(time.rate)


def _clamped(shown: _Span, there: _Span | None) -> tuple[_Span, bool]:
    if there is None:
        return shown, False
    start, end = max(shown.start, there.start), min(shown.end, there.end)
    if start >= end:
        raise SkipError("its source range lies outside its media; relink it and export the timeline again")
    return _Span(start, end), (start, end) != (shown.start, shown.end)


def _whole(span: _Span, offset: Fraction) -> tuple[int, int]:
    """First and last frame of which any part is shown."""
    low = math.floor(span.start + offset)
    return low, max(low, math.ceil(span.end + offset) - 1)


def _written(low: int, high: int, step: int) -> str:
    return f"{low}-{high}x{step}" if step > 1 and high > low else f"{low}-{high}" if high > low else str(low)


def _path(url: str, folder: Path) -> Path:
    """The path that a URL, or a plain path, means; "%04d" in it is a frame number's place and no escape."""
    if match := _FILE_URL.fullmatch(url):
        return Path(_unquoted(match[1]))
    if _OTHER_URL.match(url):
        raise SkipError(f"its media is {url}, which is no file; copy it to a disk and relink it")
    plain = folder / url
    return plain if anything_at(plain) else folder / _unquoted(url)


def _unquoted(url: str) -> str:
    return "".join(part if _PRINTF.fullmatch(part) else unquote(part) for part in _PRINTF.split(url))
