"""Footage: numbered frames, a folder of frames, or a movie, read by frame number."""

from __future__ import annotations

import hashlib
from collections.abc import Iterable
from dataclasses import dataclass, field, replace
from fractions import Fraction
from functools import cached_property
from pathlib import Path
from typing import Literal

import numpy as np

from widegauge.errors import MediaError, mistake
from widegauge.media.images import Picture, Probe, probe, read_picture
from widegauge.media.movies import Movie
from widegauge.media.sequence import IMAGE_EXTENSIONS, anything_at, find, frame_path, is_pattern, list_frames
from widegauge.units import parse_frames

__all__ = ["DEFAULT_RATE", "Footage", "anything_at", "frame_path", "list_frames", "open_footage"]

DEFAULT_RATE = Fraction(24)
"""Frames a second where neither the shot file nor the footage says."""

MOVIE_PADDING = 4

Missing = Literal["error", "hold", "black"]


@dataclass(frozen=True)
class Footage:
    """One piece of footage.

    name             what its files share, without number: "landing_010"
    separator        what stands before the number in its files' names
    padding          digits of its numbers
    is_numbered      given as numbered frames, not as a folder or a movie
    numbers          frames of the range asked for, missing ones included
    all_numbers      frames of the whole shot, whatever range was asked for
    missing_numbers  frames of either that have no file
    probe            what the first frame's header says
    rate             frames a second
    """

    name: str
    separator: str
    padding: int
    is_numbered: bool
    numbers: tuple[int, ...]
    all_numbers: tuple[int, ...]
    missing_numbers: tuple[int, ...]
    probe: Probe
    rate: Fraction
    _files: dict[int, Path] = field(repr=False)
    _movie: Movie | None = field(repr=False)
    _missing: Missing
    _part: str | None

    def path(self, number: int) -> Path:
        """The file that a frame is read from: a missing frame's is the one held in its place."""
        return self._files[self._held(number)]

    def files(self) -> tuple[Path, ...]:
        """All files of the footage."""
        return tuple(dict.fromkeys(self._files.values()))

    def read(self, number: int) -> Picture:
        """One frame as code values; a missing frame is the one before it, or black.

        MediaError when it cannot be read, or has another size than the first.
        """
        if self._is_black(number):
            return self._black()
        held = self._held(number)
        if self._movie is not None:
            return self._movie.read(held)
        picture = read_picture(self._files[held], part=self._part)
        height, width = picture.rgb.shape[:2]
        if (width, height) != (self.probe.width_px, self.probe.height_px):
            first = self._files[min(self._files)]
            raise MediaError(
                f"{self._files[held]}: is {width} x {height}, but {first.name} is {self.probe.width_px} x "
                f"{self.probe.height_px}; render the frame again at the footage's size."
            )
        return picture

    def fingerprint(self, number: int) -> str:
        """SHA-256 of what a frame is read from: its file's bytes, or a movie's and the frame's number."""
        if self._is_black(number):
            return hashlib.sha256(f"black {self.probe.width_px} {self.probe.height_px}".encode()).hexdigest()
        held = self._held(number)
        if self._movie is None:
            return _sha256(self._files[held])
        return hashlib.sha256(f"{self._movie_sha256} {held}".encode()).hexdigest()

    @cached_property
    def _movie_sha256(self) -> str:
        return _sha256(next(iter(self._files.values())))

    def _is_black(self, number: int) -> bool:
        return self._missing == "black" and number not in self._files

    def _held(self, number: int) -> int:
        if number in self._files:
            return number
        earlier = [present for present in self._files if present < number]
        return max(earlier) if earlier else min(self._files)

    def _black(self) -> Picture:
        first = self.read(min(self._files))
        extra = None if first.extra is None else np.zeros_like(first.extra)
        return replace(first, rgb=np.zeros_like(first.rgb), extra=extra)


def open_footage(
    path: Path,
    *,
    frames: str | None = None,
    rate: Fraction | None = None,
    missing: Missing = "error",
    part: str | None = None,
) -> Footage:
    """Find footage: ``path`` is a pattern (#### or %04d), a folder of frames, one picture, or a movie.

    ``frames`` ("1001-1048", "1001-1048x2") is the range asked for, all by default; a movie's frames count from 1.
    ``missing`` says what a frame without a file is: an error now, the frame before it, or black.
    SettingsError when there is nothing, or with every missing number; MediaError when the first frame cannot be read.
    """
    movie = None
    if path.is_file() and path.suffix.lower() not in IMAGE_EXTENSIONS and not is_pattern(path):
        movie = Movie(path)
        files = dict.fromkeys(range(1, len(movie) + 1), path)
        name, separator, padding, facts = path.stem, ".", MOVIE_PADDING, movie.probe
    else:
        found = find(path)
        name, separator, padding, files = found.name, found.separator, found.padding, found.files
        facts = probe(files[min(files)], part=part)
    all_numbers = tuple(range(min(files), max(files) + 1))
    numbers = all_numbers
    if frames is not None:
        try:
            numbers = tuple(parse_frames(frames))
        except ValueError as error:
            raise mistake(path, "frames", f'"{frames}"', str(error), "Correct the range") from None
    lacking = [number for number in numbers if number not in files]
    if lacking and missing == "error":
        span = f"Its frames run from {min(files)} to {max(files)}"
        raise mistake(
            path,
            "",
            None,
            f"{len(lacking)} of {len(numbers)} frames are missing: {listed(lacking)}",
            f'{span}. Add the frames, narrow the range, or set missing to "hold" or "black"',
        )
    if len(lacking) == len(numbers):
        raise mistake(path, "frames", f'"{frames}"', "holds none of the footage's frames", "Correct the range")
    return Footage(
        name=name,
        separator=separator,
        padding=padding,
        is_numbered=movie is None and not path.is_dir(),
        numbers=numbers,
        all_numbers=all_numbers,
        missing_numbers=tuple(sorted({*numbers, *all_numbers} - set(files))),
        probe=facts,
        rate=rate or facts.rate or DEFAULT_RATE,
        _files=files,
        _movie=movie,
        _missing=missing,
        _part=part,
    )


def listed(numbers: Iterable[int]) -> str:
    """Frame numbers for people: "1003, 1007-1010"."""
    runs: list[list[int]] = []
    for number in sorted(numbers):
        if runs and number == runs[-1][-1] + 1:
            runs[-1].append(number)
        else:
            runs.append([number])
    return ", ".join(str(run[0]) if len(run) == 1 else f"{run[0]}-{run[-1]}" for run in runs)


def _sha256(path: Path) -> str:
    try:
        with path.open("rb") as file:
            return hashlib.file_digest(file, "sha256").hexdigest()
    except OSError as error:
        raise MediaError(f"{path}: cannot be opened ({error.strerror}); check its permissions.") from None
