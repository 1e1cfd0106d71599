"""One picture before and after: the stills that show it, and its numbers in words."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from widegauge.errors import MediaError
from widegauge.frame import Float32
from widegauge.measure.noise import measure_noise
from widegauge.physics.lens import blur_scale_px_m
from widegauge.plan import Plan
from widegauge.report.compare import (
    FLOOR_STOPS,
    MID_GREY,
    Difference,
    Map,
    beside,
    difference_map,
    difference_stops,
    differs_most,
    radius_map,
    white_share,
    with_scale,
)
from widegauge.report.stills import Bytes, View, captioned, enlarged, save, wipe
from widegauge.report.words import aligned

Rows = tuple[tuple[float, float], ...]

DETAIL_TIMES = 4
_MANY_WHITE = 0.02
_SMALLEST_NOISE_PX = 8


@dataclass(frozen=True, slots=True)
class Pair:
    """One picture before and after, in linear light and of one size, and what is known of how it came to be.

    title    of the shot, or of the files
    names    of the two pictures, for captions
    steps    (name, picture) as viewed, after each stage; empty for plain files
    plan     None for plain files
    depth_m  in the finished frame's shape, or None
    notes    sentences that a person should read with the pictures
    """

    title: str
    number: int | None
    names: tuple[str, str]
    before: Float32
    after: Float32
    view: View
    steps: tuple[tuple[str, Bytes], ...] = ()
    plan: Plan | None = None
    depth_m: Float32 | None = None
    remarks: tuple[tuple[str, float], ...] = ()
    notes: tuple[str, ...] = ()

    @property
    def caption(self) -> str:
        """The frame, its size where it is a smaller one, and the view, for every picture of the pair."""
        scale = 1.0 if self.plan is None else self.plan.setup.raster.scale
        size = f"at {scale:.3g} of the footage's size, " if scale < 1.0 else ""
        return f"{self.view}." if self.number is None else f"Frame {self.number}, {size}{self.view}."

    @property
    def heading(self) -> str:
        return self.title if self.plan is None else f"{self.title} on {self.plan.preset.title}"


@dataclass(frozen=True, slots=True)
class Look:
    """A pair as viewed, and what is found in it.

    stops, found  the signed difference of every pixel, and its numbers
    window        x, y, width, height of the part that differs most
    white_shares  of each picture: pixels that the view shows as white
    noise         of each picture: rows (linear level, sigma), by the instrument that measures footage
    """

    pair: Pair
    before: Bytes
    after: Bytes
    stops: Float32
    found: Difference
    window: tuple[int, int, int, int]
    white_shares: tuple[float, float]
    noise: tuple[Rows, Rows]

    def detail(self) -> tuple[Bytes, Bytes]:
        """The part that differs most, every pixel drawn as a square of four by four."""
        before, after = (enlarged(p, window=self.window, times=DETAIL_TIMES) for p in (self.before, self.after))
        return before, after

    @property
    def where(self) -> str:
        x, y, w, h = self.window
        return f"400 %, {w} x {h} pixels at {x}, {y}"


def look_at(pair: Pair) -> Look:
    """Show both pictures by the pair's view and hold them against each other."""
    before, after = pair.view(pair.before), pair.view(pair.after)
    stops, found = difference_stops(pair.before, pair.after, pair.view)
    whites = white_share(pair.before, pair.view), white_share(pair.after, pair.view)
    fits = min(before.shape[:2]) >= _SMALLEST_NOISE_PX
    noise = (measure_noise([pair.before]), measure_noise([pair.after])) if fits else ((), ())
    return Look(pair, before, after, stops, found, differs_most(before, after), whites, noise)


def number_rows(look: Look) -> list[tuple[str, str]]:
    """What was found, as names and numbers."""
    found = look.found
    return [
        ("mean difference of all pixels", f"{found.mean:+.3f} stops"),
        ("1 % of the pixels lie below", f"{found.low:+.2f} stops"),
        ("1 % of the pixels lie above", f"{found.high:+.2f} stops"),
        ("mean light, after against before", f"{found.of_mean:+.4f} stops"),
        ("brighter than the view's white", f"{100 * look.white_shares[0]:.2f} %, {100 * look.white_shares[1]:.2f} %"),
        *_noise(look),
    ]


def advice(look: Look) -> list[str]:
    """How the numbers are meant, and what to do where the view hides something."""
    said = [
        f"Differences are log2 of the ratio of luminances; what is darker than {FLOOR_STOPS:g} stops below mid-grey "
        "counts as just so dark.",
        *look.pair.notes,
    ]
    if max(look.white_shares) > _MANY_WHITE:
        said.append(
            f"The view shows {100 * max(look.white_shares):.1f} % of the pixels as white; "
            "a lower --exposure-stops shows what is in them."
        )
    return said


def look_text(look: Look) -> str:
    """Numbers and advice as plain text."""
    return "\n".join([look.pair.heading, look.pair.caption, *aligned(number_rows(look)), *advice(look)])


def write_stills(look: Look, *, out: Path) -> Iterator[tuple[Path, str]]:
    """Write the wipe, side by side, the 400 % crop and the difference; each one's path, and what it shows."""
    pair = look.pair
    first, second = pair.names
    detail = beside(*look.detail())
    difference = with_scale(difference_map(look.stops, look.found))
    numbers = "; ".join(f"{name} {value}" for name, value in number_rows(look)[:3])
    for name, picture, what in (
        ("wipe", wipe(look.before, look.after), f"left of the line {first}, right of it {second}"),
        ("beside", beside(look.before, look.after), f"left {first}, right {second}"),
        ("detail", detail, f"{first} and {second} where they differ most, {look.where}"),
        ("difference", difference, f"{second} against {first}, in stops: {numbers}"),
    ):
        path = out / f"{name}.png"
        try:
            save(path, captioned(picture, f"{pair.heading}. {what[0].upper()}{what[1:]}. {pair.caption}"))
        except OSError as error:
            raise MediaError(f"{path}: can't be written ({error.strerror}). Choose another --out.") from None
        yield path, what


def _noise(look: Look) -> list[tuple[str, str]]:
    """Noise of the flattest parts, before and after, at the level nearest to mid-grey that both pictures have."""
    before, after = look.noise
    grey = MID_GREY * 2.0**-look.pair.view.exposure_stops
    nearest = sorted(
        ((a, b) for a in before for b in after if abs(math.log2(a[0] / b[0])) <= 0.5),
        key=lambda two: abs(math.log2(two[0][0] / grey)) + abs(math.log2(two[0][0] / two[1][0])),
    )
    if not nearest:
        return []
    (level, old), (other, new) = nearest[0]
    stops = (old / level / math.log(2.0), new / other / math.log(2.0))
    said = ", ".join(f"{each:.4f} stops" if each > 0.0 else "none" for each in stops)
    return [(f"noise per pixel of flat parts near {level:.2g}, green", said)]


def radius_maps(pair: Pair) -> tuple[Map, Map] | None:
    """Blur radius on the footage and on the negative, by the plan and the depth, over one scale; None without depth."""
    if pair.plan is None or pair.depth_m is None or pair.plan.setup.focus is None or pair.number is None:
        return None
    setup = pair.plan.setup
    focus_m = setup.focus.distance_m(pair.number)  # type: ignore[union-attr]
    depth_m = np.where(pair.depth_m > 0.0, pair.depth_m, np.float32(np.inf))
    apart = np.float32(1.0 / focus_m) - np.float32(1.0) / depth_m
    radii = []
    for side in (setup.camera, setup.negative):
        kappa = blur_scale_px_m(
            pupil_mm=side.entrance_pupil_mm,
            focal_mm=setup.camera.focal_mm,
            focus_m=focus_m,
            width_px=setup.raster.exact_width_px,
            width_mm=setup.camera.width_mm,
        )
        radii.append(np.abs(np.float32(kappa) * apart))
    largest = max(float(np.percentile(radius, 99.5)) for radius in radii)
    camera, negative = (radius_map(radius, largest_px=largest) for radius in radii)
    return camera, negative


def negative_words(plan: Plan) -> str:
    """The negative and how far the footage is from it, short enough for a label."""
    negative = plan.preset.negative
    side, stops = plan.setup.negative, plan.depth_of_field_stops
    area = f"{side.width_mm:.1f} x {side.height_mm:.1f} mm"
    name = negative.format or "own format"
    if math.isclose(stops, 0.0, abs_tol=0.05):
        short = "depth of field as shot"
    else:
        short = f"footage {abs(stops):.1f} stops too {'deep' if stops > 0.0 else 'shallow'}"
    return f"{name} ({area}): {short}"
