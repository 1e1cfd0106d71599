"""What a stage is, what it may know of a shot, and how it explains itself."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Generic, Protocol, TypeVar

from pydantic import BaseModel, ConfigDict, Field

from widegauge.frame import Frame
from widegauge.physics.emulsion import Stock
from widegauge.physics.lens import FocusPull, Side

NOTHING = "nothing to add"


class Settings(BaseModel):
    """The keys that every stage of a preset has; unknown keys are refused."""

    model_config = ConfigDict(extra="forbid", frozen=True, strict=True)

    enabled: bool = Field(True, description="false leaves the stage out")
    strength: float = Field(1.0, ge=0.0, le=1.0, description="share of the difference to add; 0 adds nothing")


@dataclass(frozen=True, slots=True)
class Raster:
    """The finished picture as pixels, and where it lies on the plate (the footage at working size).

    width_px, height_px              the finished canvas, bars of a pad included
    exact_width_px                   its width before rounding: the scale of everything physical
    crop_x_px, crop_y_px             the canvas's corner on the plate (below 0 for a pad)
    plate_width_px, plate_height_px  the footage at working size
    scale                            plate pixels for one pixel of the footage as shot (a proxy has less than 1)
    overscan_px                      rows and columns that later stages want around the canvas
    """

    width_px: int
    height_px: int
    exact_width_px: float
    crop_x_px: int
    crop_y_px: int
    plate_width_px: int
    plate_height_px: int
    scale: float
    overscan_px: int = 0


@dataclass(frozen=True, slots=True)
class Setup:
    """A shot and a negative brought to one scale: plain numbers, and all that a stage may know.

    camera, negative     the two sides, in the finished picture's shape
    raster               the finished picture as pixels
    focus                distance at each frame, or None when the shot does not say
    has_depth            whether frames come with depth
    stock                the emulsion
    exposure_stops       gain applied to the footage before 0.18 is mid-grey
    negative_stops       over- (above 0) or under-exposure of the negative
    lens_mtf50_cpmm      of the large camera's lens, on the negative
    scan_mtf50_cpmm      of the scan, on the negative; 0 for none
    camera_mtf           rows (cycles per pixel of the footage as shot, response from 1 to 0), or empty: not stated
    noise                rows (linear level, sigma) of the footage as shot, levels rising; empty: none
    noise_scale          what working size does to that sigma (a proxy averages noise away)
    """

    camera: Side
    negative: Side
    raster: Raster
    stock: Stock
    focus: FocusPull | None = None
    has_depth: bool = False
    exposure_stops: float = 0.0
    negative_stops: float = 0.0
    lens_mtf50_cpmm: float = 80.0
    scan_mtf50_cpmm: float = 60.0
    camera_mtf: tuple[tuple[float, float], ...] = ()
    noise: tuple[tuple[float, float], ...] = ()
    noise_scale: float = 1.0

    @property
    def px_per_mm(self) -> float:
        """Pixels of the finished raster for one millimetre on the negative."""
        return self.raster.exact_width_px / self.negative.width_mm

    @property
    def pixel_um(self) -> float:
        """The finished raster's pixel pitch on the negative."""
        return 1000.0 / self.px_per_mm


@dataclass(frozen=True, slots=True)
class Row:
    """One line of the explanation: what the negative would have, what the footage has, what the stage adds."""

    quantity: str
    unit: str
    footage: float | None
    negative: float | None
    difference: float | None


class Planned(Protocol):
    """What a stage's plan tells the runner, whatever else it holds for itself."""

    @property
    def rows(self) -> tuple[Row, ...]:
        """The explanation."""
        ...

    @property
    def note(self) -> str:
        """A sentence where numbers do not speak for themselves; may be empty."""
        ...

    @property
    def acts(self) -> bool:
        """False when there is nothing to add: the runner then leaves the stage out, bit for bit."""
        ...

    @property
    def reach_px(self) -> int:
        """How far from a pixel the stage looks: the overscan that it wants."""
        ...


S = TypeVar("S", bound=Settings)
P = TypeVar("P", bound=Planned)


@dataclass(frozen=True, slots=True)
class Stage(Generic[S, P]):
    """A named step of the imaging chain: settings, a plan made once a shot, an act done once a frame.

    plan(settings, setup) -> P    may be slow; holds the difference and its explanation rows
    apply(P, frame) -> Frame      pure; never writes into the frame it is given
    """

    name: str
    settings: type[S]
    plan: Callable[[S, Setup], P]
    apply: Callable[[P, Frame], Frame]
