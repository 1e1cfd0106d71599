"""The shot file: the facts of one piece of footage."""

from __future__ import annotations

from collections.abc import Mapping
from fractions import Fraction
from itertools import pairwise
from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import Field, PrivateAttr, ValidationInfo, field_validator

from widegauge.media.encoding import check_primaries, check_transfer
from widegauge.physics.lens import FocusPull, pupil_distance_m
from widegauge.tomlfile import Finite, Frames, Positive, Share, Table, read_table, read_toml
from widegauge.units import Stop, parse_rate, parse_stop

_RIVALS = {"distance_m": ("pull", "point"), "mtf50_cpp": ("mtf",)}
"""Keys that may not stand beside a key: laying it over them takes their place."""

Pair = Annotated[tuple[Positive, Positive], Field(strict=False)]
Rows = Annotated[tuple[Annotated[tuple[Finite, Finite], Field(strict=False)], ...], Field(strict=False)]


class Footage(Table):
    """What was shot."""

    path: str = Field(description="numbered frames (#### or %04d), a folder of frames, or a movie file")
    encoding: str = Field(description='"linear", or a transfer function by colour-science\'s name')
    primaries: str = Field(description="RGB colourspace by colour-science's name")
    part: str | None = Field(None, description="name of the part to read in an EXR with several")
    frames: Frames | None = Field(None, description='"1001-1048" or "1001-1048x2"; all when left out')
    rate: str | None = Field(None, description='"24" or "24000/1001"; else what the footage says, else 24')
    range: Literal["full", "legal"] = Field("full", description="code range of the footage")
    missing: Literal["error", "hold", "black"] = Field("error", description="what to do for a missing frame")
    exposure_stops: Finite = Field(0.0, ge=-16.0, le=16.0, description="gain after which 0.18 is mid-grey")
    clip_linear: Finite = Field(0.0, ge=0.0, description="level at which the sensor clipped; 0: not stated")
    highlight_stops: float = Field(0.0, ge=0.0, le=8.0, description="how far clipped lamps may be lifted")

    @field_validator("path")
    @classmethod
    def _there(cls, path: str, info: ValidationInfo) -> str:
        return _existing(path, info)

    @field_validator("encoding")
    @classmethod
    def _known_curve(cls, name: str) -> str:
        return _checked(name, check_transfer(name))

    @field_validator("primaries")
    @classmethod
    def _known_primaries(cls, name: str) -> str:
        return _checked(name, check_primaries(name))

    @field_validator("rate")
    @classmethod
    def _rate_read(cls, text: str | None) -> str | None:
        if text is not None:
            parse_rate(text)
        return text

    @field_validator("highlight_stops")
    @classmethod
    def _lift_needs_clip(cls, stops: float, info: ValidationInfo) -> float:
        if stops > 0.0 and info.data.get("clip_linear") == 0.0:
            raise ValueError("lifting clipped lamps needs clip_linear; state the level at which the sensor clipped")
        return stops

    @field_validator("range")
    @classmethod
    def _light_has_no_range(cls, code_range: str, info: ValidationInfo) -> str:
        if code_range == "legal" and info.data.get("encoding") == "linear":
            raise ValueError('scene-linear light has no legal range; name the curve, or set range = "full"')
        return code_range

    @property
    def rate_or_none(self) -> Fraction | None:
        return parse_rate(self.rate) if self.rate else None


class Camera(Table):
    """The camera that shot it."""

    sensor_mm: Pair = Field(description="width and height of the part of the sensor that the picture covers")
    mtf50_cpp: Positive | None = Field(None, description="cycles per pixel at half response")
    mtf: Rows = Field((), description="rows [cycles per pixel, response], instead of mtf50_cpp")
    noise: Literal["measure", "none"] | Rows = Field("measure", description='"measure", "none" or rows [level, sigma]')
    rig_kg: Positive | None = Field(None, description="mass of the rig")

    @field_validator("mtf")
    @classmethod
    def _mtf_falls(cls, rows: tuple[tuple[float, float], ...], info: ValidationInfo) -> tuple[tuple[float, float], ...]:
        if rows and info.data.get("mtf50_cpp") is not None:
            raise ValueError("stands beside mtf50_cpp; give one of the two")
        _rising([row[0] for row in rows], "frequencies")
        if rows and (rows[0] != (0.0, 1.0) or any(not 0.0 <= row[1] <= 1.0 for row in rows)):
            raise ValueError("does not start at [0.0, 1.0], or a response is not within 0 to 1; normalise the rows")
        return rows

    @field_validator("noise")
    @classmethod
    def _noise_rises(cls, noise: str | tuple[tuple[float, float], ...]) -> str | tuple[tuple[float, float], ...]:
        if not isinstance(noise, str):
            _rising([row[0] for row in noise], "levels")
            if not noise or any(sigma < 0.0 for _, sigma in noise):
                raise ValueError('has no rows, or a sigma below 0; write "none" for a clean plate')
        return noise


class Lens(Table):
    """The lens, by its own marks; the focal reducer behind it."""

    focal_mm: Finite = Field(ge=0.1, le=10_000.0, description="the lens's own focal length")
    stop: str = Field(description='"f/1.4" or "T1.5", as marked')
    transmittance: Annotated[float, Field(gt=0.0, le=1.0)] | None = Field(
        None, validate_default=True, description="share of light that passes; required with a T-stop"
    )
    focal_reducer: Annotated[float, Field(gt=0.0, le=2.0)] = Field(
        1.0, description="magnification of the focal reducer; 1.0 when there is none"
    )

    @field_validator("stop")
    @classmethod
    def _stop_read(cls, text: str) -> str:
        parse_stop(text)
        return text

    @field_validator("transmittance")
    @classmethod
    def _t_stop_needs_it(cls, value: float | None, info: ValidationInfo) -> float | None:
        stop = info.data.get("stop")
        if value is None and stop and parse_stop(stop).is_t:
            raise ValueError(f"is required with {stop}; give the lens's transmittance, 0.8 to 0.95 is usual")
        return value

    @property
    def marked_stop(self) -> Stop:
        return parse_stop(self.stop)

    @property
    def focal_behind_reducer_mm(self) -> float:
        return self.focal_mm * self.focal_reducer

    @property
    def f_number_behind_reducer(self) -> float:
        """N = T sqrt(transmittance), times the reducer's magnification: the entrance pupil does not change."""
        return self.marked_stop.f_number(transmittance=self.transmittance or 1.0) * self.focal_reducer


class Focus(Table):
    """Where the lens was focused: one of distance_m, pull and point."""

    distance_m: Annotated[float, Field(gt=0.0)] | None = Field(None, description="metres; inf for infinity")
    pull: tuple[Annotated[tuple[int, Annotated[float, Field(gt=0.0)]], Field(strict=False)], ...] | None = Field(
        None, strict=False, description="marks [frame, metres] in frame order"
    )
    point: Annotated[tuple[Share, Share], Field(strict=False)] | None = Field(
        None, validate_default=True, description="x, y as fractions of the footage: read from the first frame's depth"
    )
    from_: Literal["pupil", "sensor"] = Field("pupil", alias="from", description="where the tape was hooked")

    @field_validator("pull")
    @classmethod
    def _in_frame_order(cls, marks: tuple[tuple[int, float], ...] | None) -> tuple[tuple[int, float], ...] | None:
        if marks is not None:
            if not marks:
                raise ValueError("has no marks; give at least one [frame, metres]")
            _rising([mark[0] for mark in marks], "frames")
        return marks

    @field_validator("point")
    @classmethod
    def _one_of_three(cls, point: tuple[float, float] | None, info: ValidationInfo) -> tuple[float, float] | None:
        given = [k for k in ("distance_m", "pull") if info.data.get(k) is not None] + ["point"] * (point is not None)
        readable = "distance_m" in info.data and "pull" in info.data
        if readable and len(given) != 1:
            raise ValueError(f"focus is given {len(given)} times; give one of distance_m, pull and point")
        return point

    def pull_m(self, focal_mm: float, at_point_m: float | None) -> FocusPull:
        """The focus pull in metres from the entrance pupil.

        ValueError when a taped distance is nearer than the lens (``focal_mm`` behind the reducer) can focus.
        """
        if self.point is not None and at_point_m is not None:
            return FocusPull(((0, at_point_m),))
        marks = self.pull if self.pull is not None else ((0, self.distance_m or 0.0),)
        if self.from_ == "sensor":
            marks = tuple((n, pupil_distance_m(sensor_distance_m=d, focal_mm=focal_mm)) for n, d in marks)
        if any(d * 1000.0 <= focal_mm for _, d in marks):
            raise ValueError(f"nearer than the focal length of {focal_mm:g} mm")
        return FocusPull(marks)


class Depth(Table):
    """Where the depth comes from, and what its values mean: path or constant_m."""

    path: str | None = Field(None, description="depth frames, numbered like the footage")
    constant_m: Annotated[float, Field(gt=0.0)] | None = Field(
        None, validate_default=True, description="one distance for the whole frame"
    )
    channel: str = Field("Z", description="name of the channel in an EXR")
    part: str | None = Field(None, description="name of the part in an EXR with several")
    kind: Literal["distance", "inverse", "disparity"] = Field("distance", description="what a value means")
    metres_per_unit: Positive = Field(1.0, description="of a distance: 0.001 for millimetres")
    taped: tuple[Annotated[tuple[Share, Share, Positive], Field(strict=False)], ...] = Field(
        (), strict=False, validate_default=True, description="rows [x, y, metres]: two or more, for kind = inverse"
    )
    focal_px: Positive | None = Field(None, description="of a disparity: focal length in pixels")
    baseline_m: Positive | None = Field(None, description="of a disparity: distance between the two cameras")
    offset_px: Finite = Field(0.0, validate_default=True, description="of a disparity: added to each value")
    invalid: float | None = Field(0.0, description="the value that means not known")

    @field_validator("path")
    @classmethod
    def _there(cls, path: str | None, info: ValidationInfo) -> str | None:
        return None if path is None else _existing(path, info)

    @field_validator("constant_m")
    @classmethod
    def _one_of_two(cls, constant_m: float | None, info: ValidationInfo) -> float | None:
        if "path" in info.data and (info.data["path"] is None) == (constant_m is None):
            raise ValueError("depth is one of path and constant_m; give exactly one of the two")
        return constant_m

    @field_validator("taped")
    @classmethod
    def _inverse_needs_tape(
        cls, rows: tuple[tuple[float, float, float], ...], info: ValidationInfo
    ) -> tuple[tuple[float, float, float], ...]:
        if info.data.get("kind") == "inverse" and len(rows) < 2:
            raise ValueError("kind = inverse needs two or more taped distances; add rows [x, y, metres]")
        return rows

    @field_validator("offset_px")
    @classmethod
    def _disparity_needs_pair(cls, offset_px: float, info: ValidationInfo) -> float:
        if info.data.get("kind") == "disparity" and not (info.data.get("focal_px") and info.data.get("baseline_m")):
            raise ValueError("kind = disparity needs focal_px and baseline_m; both are in the pair's calibration")
        return offset_px


class FramePlace(Table):
    """Where this shot's finished frame sits in the footage."""

    crop_position: Annotated[tuple[Share, Share], Field(strict=False)] = Field(
        (0.5, 0.5), description="x, y of the crop: 0 left or top, 1 right or bottom"
    )
    eye_height: Share | None = Field(
        None, description="of the eyes, from the top of the footage; put on the upper third"
    )
    zoom: Annotated[float, Field(ge=1.0, le=16.0)] = Field(1.0, description="above 1 leaves room to move the crop")


class OnSet(Table):
    """Facts of the set."""

    camera_height_m: Positive | None = Field(None, description="height of the lens above the ground")
    tilt_deg: Annotated[float, Field(ge=-90.0, le=90.0)] | None = Field(None, description="below 0: looking down")


class Recce(Table):
    """What is known of a shot before there is footage."""

    camera: Camera
    lens: Lens
    focus: Focus | None = Field(None, description="required for defocus")
    frame: FramePlace = FramePlace(crop_position=(0.5, 0.5), eye_height=None, zoom=1.0)
    set: OnSet = OnSet(camera_height_m=None, tilt_deg=None)
    _file: Path = PrivateAttr(Path())

    @property
    def file(self) -> Path:
        """Where the facts stand."""
        return self._file

    @property
    def name(self) -> str:
        """The shot's name: its file's stem."""
        return self._file.stem


class Shot(Recce):
    """A shot file."""

    footage: Footage
    depth: Depth | None = Field(None, description="required for defocus")

    def at(self, path: str) -> Path:
        """A path of the shot file, which is relative to it."""
        return self._file.parent / path


def load_shot(path: Path, *, over: Mapping[str, Mapping[str, Any]] | None = None) -> Shot:
    """Read a shot file; SettingsError with every mistake in it, files that are not there included.

    ``over`` is laid over the file's tables, key by key.
    """
    data = read_toml(path)
    for name, table in (over or {}).items():
        below = data.get(name, {})
        if isinstance(below, dict):
            rivals = {rival for key in table for rival in _RIVALS.get(key, ())}
            data[name] = {key: value for key, value in below.items() if key not in rivals} | dict(table)
    shot = read_table(Shot, data, file=path, folder=path.parent)
    shot._file = path
    return shot


def _existing(path: str, info: ValidationInfo) -> str:
    from widegauge.media.footage import anything_at

    folder = (info.context or {}).get("folder")
    if folder is not None and not anything_at(Path(folder) / path):
        raise ValueError(f"nothing is there (looked in {folder}); check the name, it is relative to this file")
    return path


def _checked(name: str, rule: str | None) -> str:
    if rule is not None:
        raise ValueError(rule)
    return name


def _rising(values: list[float] | list[int], what: str) -> None:
    for before, after in pairwise(values):
        if after <= before:
            raise ValueError(f"{what} are not in rising order ({after:g} after {before:g}); put them in order")
