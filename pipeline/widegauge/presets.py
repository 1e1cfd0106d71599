"""Find, read, layer and explain presets, and the formats and stocks that they name."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from functools import cache
from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import Field, ValidationInfo, create_model, field_validator

from widegauge.errors import Mistake, SettingsError, mistake
from widegauge.physics import base
from widegauge.physics.emulsion import Stock
from widegauge.physics.formats import Format
from widegauge.physics.transfer import scan_mtf50
from widegauge.stages import ORDER
from widegauge.stages.stage import Settings
from widegauge.tomlfile import Finite, Positive, Table, nearest, read_records, read_table, read_toml
from widegauge.units import parse_stop

_DATA_FILES = ("formats.toml", "stocks.toml")
_OVERRIDE = re.compile(r"^([a-z0-9_]+)\.([a-z0-9_]+)=(.*)$", re.DOTALL)

Side = Annotated[float, Field(ge=1.0, le=1000.0)]


class Negative(Table):
    """The large negative: format (or picture_mm), stop and stock."""

    format: str | None = Field(None, description="name of a format in presets/formats.toml")
    picture_mm: Annotated[tuple[Side, Side], Field(strict=False)] | None = Field(
        None, validate_default=True, description="width and height of the picture area, instead of format"
    )
    stop: str = Field(description='what the large camera would be set to, "f/2.8"')
    stock: str = Field(description="name of a stock in presets/stocks.toml")
    exposure_stops: float = Field(0.0, ge=-6.0, le=6.0, description="over- (above 0) or under-exposure")
    lens_mtf50_cpmm: Positive = Field(80.0, description="of the large camera's lens, on the negative")
    scan_mtf50_cpmm: Finite = Field(60.0, ge=0.0, description="of the scan, on the negative; 0: none")
    scan_resolves_px: int = Field(
        0, ge=0, le=65536, description="pixels across the format that the scan resolves, instead of scan_mtf50_cpmm"
    )

    @field_validator("format")
    @classmethod
    def _known_format(cls, name: str | None) -> str | None:
        if name is not None and name not in formats():
            raise ValueError(f"no such format; {nearest(name, sorted(formats()))}")
        return name

    @field_validator("picture_mm")
    @classmethod
    def _one_of_two(cls, size: tuple[float, float] | None, info: ValidationInfo) -> tuple[float, float] | None:
        if "format" in info.data and (info.data["format"] is None) == (size is None):
            raise ValueError("the negative's size is one of format and picture_mm; give exactly one of the two")
        return size

    @field_validator("stop")
    @classmethod
    def _f_number(cls, text: str) -> str:
        if parse_stop(text).is_t:
            raise ValueError('a T-stop needs a transmittance, which a negative has not; write the f-number, "f/2.8"')
        return text

    @field_validator("stock")
    @classmethod
    def _known_stock(cls, name: str) -> str:
        if name not in stocks():
            raise ValueError(f"no such stock; {nearest(name, sorted(stocks()))}")
        return name

    @property
    def area_mm(self) -> tuple[float, float]:
        """Width and height of the picture area."""
        return formats()[self.format].picture_mm if self.format else self.picture_mm or (0.0, 0.0)

    @property
    def f_number(self) -> float:
        return parse_stop(self.stop).number

    @property
    def scan_cpmm(self) -> float:
        """The scan's MTF50; what scan_resolves_px resolves has a tenth of response left (common practice)."""
        if not self.scan_resolves_px:
            return self.scan_mtf50_cpmm
        return scan_mtf50(self.scan_resolves_px / 2.0 / self.area_mm[0])


class View(Table):
    """Only for pictures that people look at."""

    exposure_stops: float = Field(0.0, ge=-16.0, le=16.0, description="gain before showing as sRGB")


class Output(Table):
    """What finished frames are written as."""

    format: Literal["same", "exr-half", "exr-float", "dpx10", "dpx16", "tiff16", "png16"] = Field(
        "same", description='"same": as the footage came in, where that can be written'
    )
    width_px: int = Field(0, ge=0, le=32768, description="width of the finished frame; 0: as cropped")


class PresetFile(Table):
    title: str = Field(description="for people")
    negative: Negative
    view: View = View(exposure_stops=0.0)
    output: Output = Output(format="same", width_px=0)

    def stage(self, name: str) -> Settings | None:
        """A stage's settings; None when the preset leaves it out or turns it off."""
        settings: Settings | None = getattr(self, name)
        return settings if settings is not None and settings.enabled else None


Preset: type[PresetFile] = create_model(  # type: ignore[call-overload]
    "Preset",
    __base__=PresetFile,
    __doc__="A preset: how each stage is set; it serves any shot.",
    **{stage.name: (stage.settings | None, Field(None, description=f"the stage {stage.name}")) for stage in ORDER},
)


def data_folder() -> Path:
    """Where presets lie: beside the package in a checkout, inside it when installed from a wheel."""
    inside = Path(__file__).parent / "_presets"
    return inside if inside.is_dir() else Path(__file__).parents[2] / "presets"


@cache
def formats() -> Mapping[str, Format]:
    """Every format by name."""
    return read_records(Format, read_toml(data_folder() / "formats.toml"), file="formats.toml")


@cache
def stocks() -> Mapping[str, Stock]:
    """Every stock by name; SettingsError for one that film cannot be."""
    found = read_records(Stock, read_toml(data_folder() / "stocks.toml"), file="stocks.toml")
    if wrong := [each for name, stock in found.items() for each in _impossible(name, stock)]:
        raise SettingsError(wrong)
    return found


def _impossible(name: str, stock: Stock) -> Iterator[Mistake]:
    """What a base cannot do: bend no light, have no thickness, send back more than total reflection returns."""
    for key in ("base_index", "base_thickness_mm"):
        value, least = getattr(stock, key), 1.0 if key == "base_index" else 0.0
        if not value > least:
            yield Mistake("stocks.toml", f"{name}.{key}", f"{value:g}", f"must be above {least:g}", "see its source")
            return
    most = base.MOST_CROSSING * base.total_reflection_frac(stock.base_index)
    for share in stock.halation_return_frac:
        if not 0.0 <= share <= most:
            rule = f"lies outside 0 to {most:.2f}, what total reflection returns from this base"
            yield Mistake("stocks.toml", f"{name}.halation_return_frac", f"{share:g}", rule, "0.005 to 0.015 is usual")


def preset_names() -> list[str]:
    """Names of the presets that come with the program."""
    return sorted(p.stem for p in data_folder().glob("*.toml") if p.name not in _DATA_FILES)


def load_preset(name: str, *, overrides: Sequence[str] = ()) -> PresetFile:
    """Read a preset by name or path, what it extends beneath it and ``overrides`` ("stage.key=value") above.

    SettingsError with every mistake.
    """
    path = _find(name)
    data = _layered(path, seen=())
    wrong: list[Mistake] = []
    for text in overrides:
        match = _OVERRIDE.match(text)
        if match:
            data = _laid(data, {match[1]: {match[2]: _value(match[3])}})
        else:
            wrong.append(
                Mistake("--set", text, "", "not of the form stage.key=value", "for example grain.strength=0.5")
            )
    try:
        preset = read_table(Preset, data, file=path)
    except SettingsError as error:
        matches = [match for text in overrides if (match := _OVERRIDE.match(text))]
        laid = {key for match in matches for key in (match[1], f"{match[1]}.{match[2]}")}
        wrong.extend(
            replace(each, file="--set") if each.key.partition("[")[0] in laid else each for each in error.mistakes
        )
    if wrong:
        raise SettingsError(wrong)
    return preset


def schema() -> dict[str, Any]:
    """JSON Schema of a preset file."""
    drawn = Preset.model_json_schema()
    drawn["properties"]["extends"] = {"type": "string", "description": "name of the preset that this one builds on"}
    return drawn


def _find(name: str) -> Path:
    path = Path(name)
    if path.suffix == ".toml" or path.parent != Path():
        return path
    if name not in preset_names():
        raise mistake("--preset", "", f'"{name}"', "no such preset", nearest(name, preset_names()))
    return data_folder() / f"{name}.toml"


def _layered(path: Path, *, seen: tuple[Path, ...]) -> dict[str, Any]:
    """A preset's tables laid over those of the preset that it extends, key by key."""
    if path in seen:
        raise mistake(path, "extends", None, "extends itself in a circle", "take one of the two out")
    data = read_toml(path)
    base = data.pop("extends", None)
    if base is None:
        return data
    if not isinstance(base, str):
        raise mistake(path, "extends", base, "is the name of a preset", "write it in quotes")
    beside = path.parent / f"{base}.toml"
    below = _layered(beside if beside.is_file() else _find(base), seen=(*seen, path))
    return _laid(below, data)


def _laid(below: dict[str, Any], over: dict[str, Any]) -> dict[str, Any]:
    """Tables laid over others, key by key; a format and a picture size take each other's place."""
    laid = dict(below)
    for name, value in over.items():
        if isinstance(value, dict) and isinstance(below.get(name), dict):
            kept = dict(below[name])
            if {"format", "picture_mm"} & value.keys():
                kept.pop("format", None)
                kept.pop("picture_mm", None)
            laid[name] = kept | value
        else:
            laid[name] = value
    return laid


def _value(text: str) -> Any:
    """A value as TOML would read it; a bare word is a string."""
    try:
        (value,) = tomllib.loads(f"value = {text}").values()
    except ValueError:
        return text
    return value
