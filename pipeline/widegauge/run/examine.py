"""Open what the instruments look at: pictures in linear light, regions of them, and their scale on the negative."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TypeVar

from widegauge.errors import MediaError, Mistake, SettingsError, mistake
from widegauge.frame import Float32
from widegauge.measure.granularity import TILE_PX, GrainFound, flat_places, measure_grain, patches_at
from widegauge.measure.lamp import NEAR_PX
from widegauge.measure.noise import frames_to_read
from widegauge.measure.refusal import RefusalError
from widegauge.media.encoding import Encoding, bake, check_transfer
from widegauge.media.footage import open_footage
from widegauge.media.images import Picture, read_picture
from widegauge.physics import emulsion
from widegauge.physics.formats import width_in_crop
from widegauge.plate import heal, open_plate
from widegauge.presets import PresetFile, formats, stocks
from widegauge.shot import load_shot
from widegauge.tomlfile import nearest

CLIPPED_SHARE = 0.005
"""Share of a region's pixels at the highest or lowest code from which they count as clipped."""

FEWEST_CLIPPED = 3
"""So many pixels at the highest code make a clipped lamp."""

HALATION_REACH_MM, HALATION_REACH_PX = 1.5, 160.0
"""How far around a lamp to look: nine tenths of what comes back from acetate lies within 1 mm."""

_PRIMARIES = "ITU-R BT.709"
T = TypeVar("T")
Region = tuple[int, int, int, int]


@dataclass(frozen=True, slots=True)
class Light:
    """A picture in linear light.

    path         where it came from
    rgb          (H, W, 3) float32 scene-linear
    codes        the same as code values of an integer format, or None
    region       x, y, width, height of it that this is
    full_px      width and height of the whole picture
    """

    path: Path
    rgb: Float32
    codes: Float32 | None
    region: Region
    full_px: tuple[int, int]

    def cut(self, region: Region | None) -> Light:
        """A part of it; SettingsError when that reaches outside."""
        if region is None:
            return self
        x, y, w, h = region
        width, height = self.full_px
        if x < 0 or y < 0 or w < 1 or h < 1 or x + w > width or y + h > height:
            raise mistake(
                self.path,
                "--region",
                ",".join(map(str, region)),
                f"lies outside the picture, which is {width} x {height}",
                "give X,Y,W,H in whole pixels, from the top left corner",
            )
        codes = None if self.codes is None else self.codes[y : y + h, x : x + w]
        return replace(self, rgb=self.rgb[y : y + h, x : x + w], codes=codes, region=region)

    def refuse_clipped(self) -> None:
        """MediaError when pixels lie at the highest or lowest code of the file."""
        if self.codes is None:
            return
        for end, word, remedy in (
            (self.codes.max(axis=-1) >= 1.0, "highest", "expose lower"),
            (self.codes.min(axis=-1) <= 0.0, "lowest", "expose higher"),
        ):
            share = float(end.mean())
            if share > CLIPPED_SHARE:
                raise MediaError(
                    f"{self.path}: clipped: {100 * share:.1f} % of the region's pixels lie at the {word} code; "
                    f"{remedy}, or choose another region."
                )

    def refuse_clipped_lamp(self, at: tuple[int, int] | None) -> None:
        """MediaError when the lamp that an instrument would take lies at the highest code."""
        if self.codes is None:
            return
        x, y, w, h = 0, 0, *self.full_px
        if at is not None:
            x, y, w, h = max(0, at[0] - NEAR_PX), max(0, at[1] - NEAR_PX), 2 * NEAR_PX + 1, 2 * NEAR_PX + 1
        near = self.codes[y : y + h, x : x + w]
        if int((near >= 1.0).any(axis=-1).sum()) >= FEWEST_CLIPPED:
            raise MediaError(
                f"{self.path}: the lamp is clipped at the highest code, so its light is not known. "
                f"Take a picture that holds it (EXR), or a dimmer lamp with --at."
            )


def open_light(path: Path, *, encoding: str | None) -> Light:
    """Read a picture in linear light: an EXR as it is, everything else by the encoding that is named.

    SettingsError when that is missing or unknown, MediaError when the file cannot be read.
    """
    picture = read_picture(path)
    rgb, _ = heal(_encoding(path, picture.kind, encoding).decode(picture.rgb))
    height, width = rgb.shape[:2]
    is_code = not picture.kind.startswith("exr") and picture.kind != "tiff-float"
    return Light(path, rgb, picture.rgb if is_code else None, (0, 0, width, height), (width, height))


def open_lights(paths: Iterable[Path], *, encoding: str | None) -> list[Light]:
    """Several pictures of one size, in the order given; a folder, pattern or movie counts as all of its frames."""
    lights: list[Light] = []
    for path in paths:
        if path.is_file():
            lights.append(open_light(path, encoding=encoding))
        else:
            footage = open_footage(path)
            lights += [open_light(footage.path(number), encoding=encoding) for number in footage.numbers]
    for light in lights[1:]:
        if light.full_px != lights[0].full_px:
            (w, h), (w0, h0) = light.full_px, lights[0].full_px
            rule = f"is {w} x {h}, but {lights[0].path.name} is {w0} x {h0}"
            raise mistake(light.path, "", None, rule, "measure pictures of one shot together")
    return lights


def footage_frames(path: Path, *, encoding: str | None) -> Iterator[Float32]:
    """Frames of a shot file, a pattern, a folder, a picture or a movie, spread over the shot, in linear light."""
    if path.suffix.lower() == ".toml":
        plate = open_plate(load_shot(path))
        for number in frames_to_read([n for n in plate.footage.numbers if n not in plate.footage.missing_numbers]):
            yield plate.linear(plate.footage.read(number))[0]
        return
    footage = open_footage(path, missing="hold")
    facts = footage.probe
    curve = _encoding(path, facts.kind, encoding, stretched=facts.stretched)
    for number in frames_to_read([n for n in footage.numbers if n not in footage.missing_numbers]):
        picture: Picture = footage.read(number)
        yield heal(curve.decode(picture.rgb))[0]


def pixel_um(
    full_px: tuple[int, int], *, stated_um: float | None, preset: PresetFile | None, format_name: str | None
) -> float | None:
    """Pitch of a finished picture's pixels on the negative: as stated, by a preset's negative, or by a format."""
    if stated_um is not None:
        if not stated_um > 0.0:
            raise mistake("--pixel-um", "", stated_um, "a pitch is above 0", "give micrometres on the negative")
        return stated_um
    if format_name is not None and format_name not in formats():
        raise mistake("--format", "", f'"{format_name}"', "no such format", nearest(format_name, sorted(formats())))
    if preset is None and format_name is None:
        return None
    area_mm = formats()[format_name].picture_mm if format_name else preset.negative.area_mm if preset else (0.0, 0.0)
    width, height = full_px
    return 1000.0 * width_in_crop(area_mm, width / height) / width


def halation_reach_px(stated_px: float | None, pitch_um: float | None) -> float:
    """How far around a lamp to look: as stated, 1.5 mm on the negative, or 160 pixels where the pitch is not known."""
    if stated_px is not None:
        return stated_px
    return HALATION_REACH_PX if pitch_um is None else 1000.0 * HALATION_REACH_MM / pitch_um


def find_grain(
    lights: Sequence[Light],
    regions: Sequence[Region],
    *,
    preset: PresetFile,
    pitch_um: float,
    aperture_um: float,
    footage_stops: float,
) -> list[GrainFound]:
    """Grain in the regions that are given, or else in whatever is flat, by stops of light; dark to bright.

    MediaError when nothing is flat, or a region that was given is not.
    """
    path, frames = lights[0].path, [light.rgb for light in lights]
    if aperture_um <= 0.0:
        raise mistake("--aperture-um", "", aperture_um, "a diameter is above 0", "give micrometres, 48 by the standard")
    windows = []
    for region in regions:
        for light in lights:
            light.cut(region).refuse_clipped()
        windows.append(([region[:2]], region[2], region[3]))
    if not regions:
        stops = {"footage_stops": footage_stops, "negative_stops": preset.negative.exposure_stops}
        toe = emulsion.toe_linear(stocks()[preset.negative.stock], **stops)
        windows = [(corners, TILE_PX, TILE_PX) for corners in flat_places(frames[0], lowest_linear=toe)]
        if not windows:
            raise MediaError(
                f"{path}: no {TILE_PX} x {TILE_PX} pixels, above the toe of the curve, are flat "
                "enough to read grain from. Name a flat part with --region."
            )
    found: list[GrainFound] = []
    for i, (corners, width, height) in enumerate(windows):
        try:
            patches = patches_at(frames, corners, width_px=width, height_px=height)
            found.append(
                measure_grain(
                    patches,
                    stock=stocks()[preset.negative.stock],
                    pitch_um=pitch_um,
                    scan_mtf50_cpmm=preset.negative.scan_cpmm,
                    footage_stops=footage_stops,
                    negative_stops=preset.negative.exposure_stops,
                    aperture_um=aperture_um,
                )
            )
        except RefusalError as refused:
            if regions or (i == len(windows) - 1 and not found):
                raise _said(path, refused) from None
    return sorted(found, key=lambda each: each.exposure_stops)


def asked(path: Path, look: Callable[[], T]) -> T:
    """What an instrument finds; its refusal becomes a MediaError with the file's name."""
    try:
        return look()
    except RefusalError as refused:
        raise _said(path, refused) from None


def parse_numbers(option: str, text: str | None, *, names: str) -> tuple[int, ...] | None:
    """Whole numbers with commas, as many as ``names`` has; SettingsError otherwise."""
    if text is None:
        return None
    try:
        numbers = tuple(int(part) for part in text.split(","))
    except ValueError:
        numbers = ()
    if len(numbers) != len(names.split(",")):
        raise mistake(option, "", f'"{text}"', f"is not {names}", "give whole pixels with commas between")
    return numbers


def parse_region(text: str | None) -> Region | None:
    numbers = parse_numbers("--region", text, names="X,Y,W,H")
    return None if numbers is None else (numbers[0], numbers[1], numbers[2], numbers[3])


def parse_place(text: str | None) -> tuple[int, int] | None:
    numbers = parse_numbers("--at", text, names="X,Y")
    return None if numbers is None else (numbers[0], numbers[1])


def _said(path: Path, refused: RefusalError) -> MediaError:
    return MediaError(f"{path}: {refused.rule}. {refused.remedy[0].upper()}{refused.remedy[1:]}.")


def _encoding(path: Path, kind: str, name: str | None, *, stretched: bool = False) -> Encoding:
    if name is None:
        if not kind.startswith("exr"):
            raise SettingsError(
                [
                    Mistake(
                        str(path),
                        "--encoding",
                        "",
                        f"holds code values ({kind}), which are not linear light, and nothing says by which curve",
                        'name it, for example --encoding sRGB or --encoding "V-Log" (or linear, if they are)',
                    )
                ]
            )
        name = "linear"
    broken = check_transfer(name)
    if broken:
        raise mistake("--encoding", "", f'"{name}"', broken, "see the list in the documentation of colour-science")
    return bake(name, _PRIMARIES, stretched=stretched)
