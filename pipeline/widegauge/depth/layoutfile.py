"""The layout file: where the ground is, and what stands on it, as a person writes it down."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

from pydantic import Field, ValidationInfo, field_validator

from widegauge.tomlfile import Table, read_table, read_toml

Metres = Annotated[float, Field(gt=0.0)]
Share = Annotated[float, Field(ge=0.0, le=1.0)]
Spot = Annotated[tuple[Share, Share], Field(strict=False)]
Place = Annotated[tuple[float, float], Field(strict=False)]

FEWEST_CORNERS = 3
FARTHEST_HORIZON = 10.0
"""No lens that looks at the ground has its horizon so many heights outside the frame: nearly straight down, or up."""


class Ground(Table):
    """The level that things stand on, and how far one sees over it."""

    camera_height_m: Annotated[Metres, Field(allow_inf_nan=False)] | None = Field(
        None, description="height of the lens above the ground; the shot's own when left out"
    )
    tilt_deg: Annotated[float, Field(gt=-90.0, lt=90.0)] | None = Field(
        None, description="of the lens axis, below 0 looking down; the shot's own when left out"
    )
    horizon: float | Annotated[tuple[Place, Place], Field(strict=False)] | None = Field(
        None,
        validate_default=True,
        description="instead of tilt_deg: its y as a fraction of the footage, or two points [x, y] where it is rolled",
    )
    frame: int | None = Field(None, description="the frame that horizon or tilt_deg was read on; the first")
    backing_m: Metres = Field(float("inf"), description="distance of what closes the view; inf for open sky")

    @field_validator("horizon")
    @classmethod
    def _instead_of_tilt(
        cls, horizon: float | tuple[tuple[float, float], tuple[float, float]] | None, info: ValidationInfo
    ) -> float | tuple[tuple[float, float], tuple[float, float]] | None:
        if horizon is not None and info.data.get("tilt_deg") is not None:
            raise ValueError("stands beside tilt_deg; give one of the two")
        heights = [y for _, y in horizon] if isinstance(horizon, tuple) else [horizon or 0.0]
        if not all(abs(y) <= FARTHEST_HORIZON for y in heights):
            raise ValueError("lies far outside the frame; give its y as a fraction of the height, not pixels")
        if isinstance(horizon, tuple) and horizon[0][0] == horizon[1][0]:
            raise ValueError("has two points above one another; give one near each side of the picture")
        return horizon


class Cutout(Table):
    """What stands on the ground (or lies level), outlined on one frame; entries of one name are one thing."""

    name: Annotated[str, Field(min_length=1)] = Field(description="what it is; the same name again on another frame")
    frame: int = Field(description="the frame that box or outline was drawn on")
    box: Annotated[tuple[float, float, float, float], Field(strict=False)] | None = Field(
        None, description="[x, y, width, height] as fractions of the footage, roughly around it: it is cut out"
    )
    outline: Annotated[tuple[Place, ...], Field(strict=False)] | None = Field(
        None, validate_default=True, description="points [x, y] around it, as fractions of the footage: taken as it is"
    )
    distance_m: Metres | None = Field(
        None, description="taped along the lens axis to its middle; found from its foot when left out"
    )
    foot: Annotated[tuple[Spot, ...], Field(strict=False, max_length=2)] | None = Field(
        None,
        validate_default=True,
        description="[[x, y]] where it touches the ground, or two such points of a wall; its lowest point otherwise",
    )
    level_m: Annotated[float, Field(allow_inf_nan=False)] | None = Field(
        None, validate_default=True, description="it lies level, so high above the ground (below 0: below it)"
    )
    upright: bool = Field(True, description="false: it faces the lens, one distance from top to bottom")

    @field_validator("box")
    @classmethod
    def _box_inside(cls, box: tuple[float, float, float, float] | None) -> tuple[float, float, float, float] | None:
        if box is None:
            return None
        x, y, w, h = box
        if w <= 0.0 or h <= 0.0:
            raise ValueError("has no size; give [x, y, width, height] as fractions of the footage")
        if x + w <= 0.0 or y + h <= 0.0 or x >= 1.0 or y >= 1.0:
            raise ValueError("lies outside the frame; x and y are fractions of the footage, 0 to 1 from its top left")
        if x < -0.5 or y < -0.5 or x + w > 1.5 or y + h > 1.5:
            raise ValueError("reaches far outside the frame; give fractions of the footage, not pixels")
        return box

    @field_validator("outline")
    @classmethod
    def _one_shape(
        cls, outline: tuple[tuple[float, float], ...] | None, info: ValidationInfo
    ) -> tuple[tuple[float, float], ...] | None:
        if "box" in info.data and (outline is None) == (info.data["box"] is None):
            raise ValueError("a cut-out is drawn as a box or as an outline; give exactly one of the two")
        if outline is not None and len(outline) < FEWEST_CORNERS:
            raise ValueError(f"has fewer than {FEWEST_CORNERS} points; go all the way around it")
        if outline is not None and any(not (-0.5 <= x <= 1.5 and -0.5 <= y <= 1.5) for x, y in outline):
            raise ValueError("reaches far outside the frame; give fractions of the footage, not pixels")
        return outline

    @field_validator("foot")
    @classmethod
    def _foot_or_tape(
        cls, foot: tuple[tuple[float, float], ...] | None, info: ValidationInfo
    ) -> tuple[tuple[float, float], ...] | None:
        if foot is not None and not foot:
            raise ValueError("has no point; give [[x, y]], or leave it out")
        if foot is not None and info.data.get("distance_m") is not None:
            raise ValueError("stands beside distance_m; give where it touches the ground, or its distance")
        return foot

    @field_validator("level_m")
    @classmethod
    def _level_alone(cls, level_m: float | None, info: ValidationInfo) -> float | None:
        if level_m is not None and (info.data.get("distance_m") is not None or info.data.get("foot") is not None):
            raise ValueError("stands beside distance_m or foot; what lies level needs neither")
        return level_m


class Layout(Table):
    """A layout file."""

    ground: Ground = Ground()
    cutout: tuple[Cutout, ...] = Field((), strict=False, description="one table [[cutout]] for each thing and frame")

    @field_validator("cutout")
    @classmethod
    def _each_frame_once(cls, cutouts: tuple[Cutout, ...]) -> tuple[Cutout, ...]:
        seen: dict[str, Cutout] = {}
        drawn = set()
        for each in cutouts:
            if (each.name, each.frame) in drawn:
                raise ValueError(f'"{each.name}" is drawn twice on frame {each.frame}; take one out')
            drawn.add((each.name, each.frame))
            first = seen.setdefault(each.name, each)
            if (each.level_m, each.upright) != (first.level_m, first.upright):
                raise ValueError(f'"{each.name}" has two values of level_m or upright; give one to all of its frames')
            if (each.distance_m is None) != (first.distance_m is None):
                raise ValueError(
                    f'"{each.name}" is taped on some of its frames only; give distance_m on all of them, or on none'
                )
        return cutouts

    @property
    def things(self) -> dict[str, tuple[Cutout, ...]]:
        """The entries of each name, in frame order."""
        names = dict.fromkeys(each.name for each in self.cutout)
        return {n: tuple(sorted((c for c in self.cutout if c.name == n), key=lambda c: c.frame)) for n in names}


def load_layout(path: Path) -> Layout:
    """Read a layout file; SettingsError with every mistake in it."""
    return read_table(Layout, read_toml(path), file=path)
