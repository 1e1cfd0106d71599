"""The closed loop: what the plan says of the test chart, and what the instruments find in its finished frames.

Finding is blind: it gets the finished files and the preset's negative, never the plan or the depth. Blur is read in
blue, because least light comes back from the base there: a halo is no defocus, but has a second moment too.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from widegauge.frame import Float32
from widegauge.measure.blur import PIXEL_VARIANCE, Blur, measure_edge_blur, measure_lamp_blur
from widegauge.measure.boards import find_boards
from widegauge.measure.edge import EdgeFound, measure_edge
from widegauge.measure.granularity import GrainFound, measure_grain, patches_at
from widegauge.measure.halation import HalationFound, measure_halation
from widegauge.measure.refusal import RefusalError
from widegauge.physics import emulsion, lens
from widegauge.plan import Plan
from widegauge.plate import Plate
from widegauge.presets import PresetFile, stocks
from widegauge.report.checked import Checked
from widegauge.run.examine import asked, halation_reach_px, open_light, pixel_um
from widegauge.run.job import Job
from widegauge.stages import mtf
from widegauge.stages.defocus import DefocusPlan
from widegauge.stages.stage import Planned, Row

RECORDS = ("R", "G", "B")
LEAST_HALATION = "B"
LOW_CPP = 0.0625
"""Here a response is still its second moment: 1 - 2 (pi sigma f)^2."""


@dataclass(frozen=True, slots=True)
class ChartFound:
    """What stands in the finished frames.

    ratio      width over height
    pixel_um   pitch on the negative
    sharpest   which board is in focus: the one with the highest MTF50
    edges, blurs, lamps   of each board, from left to right
    grain      of the three greys together
    halation   around the lamp of the sharpest board; None where there is no ring
    """

    ratio: float
    pixel_um: float
    sharpest: int
    edges: tuple[EdgeFound, ...]
    blurs: tuple[Blur, ...]
    lamps: tuple[Blur, ...]
    grain: GrainFound
    halation: HalationFound | None


def check_chart(job: Job) -> tuple[Checked, ...]:
    """Planned and found, a row each, of a job whose frames are finished; only what its stages change, and the ratio.

    MediaError when the shot is no test chart.
    """
    plan, plate = job.plan, job.plate
    found = find_chart([job.output(number) for number in plate.footage.numbers], plan.preset)
    camera = plan.setup.camera
    return (
        Checked("ratio", "w/h", camera.width_mm / camera.height_mm, found.ratio),
        *_blur_rows(plan, plate, found),
        *_mtf_rows(plan, found),
        *_ring_rows(plan, found),
        *_grain_rows(plan, found),
    )


def find_chart(paths: Sequence[Path], preset: PresetFile) -> ChartFound:
    """Read finished frames of the chart, blind: files, and the preset's negative.

    Frames are of one locked-off shot: edges and lamps are read in their mean, grain in each.
    """
    frames = [open_light(path, encoding=None).rgb for path in paths]
    return asked(paths[0], lambda: _read(frames, preset))


def _read(frames: Sequence[Float32], preset: PresetFile) -> ChartFound:
    mean: Float32 = np.add.reduce(frames, axis=0, dtype=np.float64).astype(np.float32) / np.float32(len(frames))
    height, width = mean.shape[:2]
    pitch_um = pixel_um((width, height), stated_um=None, preset=preset, format_name=None)
    assert pitch_um is not None
    stock = stocks()[preset.negative.stock]
    boards = find_boards(mean)
    parts = [mean[y : y + h, x : x + w] for x, y, w, h in (board.edge for board in boards)]
    edges = tuple(measure_edge(part) for part in parts)
    sharpest = int(np.argmax([edge.channel("G").mtf50_cpp or math.inf for edge in edges]))
    *_, wide, tall = boards[0].grey
    greys = [patches_at(frames, [board.grey[:2]], width_px=wide, height_px=tall) for board in boards]
    reach_px = halation_reach_px(None, pitch_um)
    try:
        ring = measure_halation(mean, at=boards[sharpest].lamp_px, reach_px=reach_px, index=stock.base_index)
    except RefusalError:
        ring = None
    return ChartFound(
        ratio=width / height,
        pixel_um=pitch_um,
        sharpest=sharpest,
        edges=edges,
        blurs=tuple(measure_edge_blur(part).channel(LEAST_HALATION) for part in parts),
        lamps=tuple(measure_lamp_blur(mean, at=board.lamp_px).channel(LEAST_HALATION) for board in boards),
        grain=measure_grain(
            np.concatenate(greys, axis=1),
            stock=stock,
            pitch_um=pitch_um,
            scan_mtf50_cpmm=preset.negative.scan_cpmm,
            negative_stops=preset.negative.exposure_stops,
        ),
        halation=ring,
    )


def _distances_m(plate: Plate) -> list[float]:
    """The boards' distances by the depth of the footage's first frame."""
    number = plate.footage.numbers[0]
    rgb, _ = plate.linear(plate.read(number))
    depth_m = plate.depth_m(number)
    if depth_m is None:
        return []
    boards = asked(plate.footage.path(number), lambda: find_boards(rgb))
    rows, columns = (size / near for size, near in zip(depth_m.shape, rgb.shape, strict=False))
    return [
        float(depth_m[int((y + h / 2) * rows), int((x + w / 2) * columns)]) for x, y, w, h in (b.edge for b in boards)
    ]


def _blur_rows(plan: Plan, plate: Plate, found: ChartFound) -> list[Checked]:
    """Blur radii: of edges all of it (the footage's, what defocus adds, softness), of lamps without their own size."""
    stage, focus = _acting(plan, "defocus"), plan.setup.focus
    if not isinstance(stage, DefocusPlan) or focus is None:
        return []
    footage_mm = plan.setup.camera.entrance_pupil_mm
    lamp_added_mm = stage.added_pupil_mm * (1.0 - stage.bright_cut)
    focus_m, softness = focus.distance_m(plate.footage.numbers[0]), _softness_px(plan)
    own_px = found.lamps[found.sharpest].radius_px
    edges, lamps = [], []
    for i, distance_m in enumerate(_distances_m(plate)):
        radius_px = _radius_px(plan, math.hypot(footage_mm, stage.added_pupil_mm), focus_m, distance_m)
        blur, lamp = found.blurs[i], found.lamps[i]
        where = f"at {distance_m:.2f} m"
        edges.append(
            Checked(f"blur radius {where}", "px", math.hypot(radius_px, softness), blur.radius_px, blur.error_px)
        )
        if i != found.sharpest:
            radius_px = _radius_px(plan, math.hypot(footage_mm, lamp_added_mm), focus_m, distance_m)
            more_px = math.sqrt(max(0.0, lamp.radius_px**2 - own_px**2))
            lamps.append(Checked(f"a lamp's {where}", "px", radius_px, more_px, lamp.error_px))
    return edges + lamps


def _radius_px(plan: Plan, pupil_mm: float, focus_m: float, distance_m: float) -> float:
    """Blur radius of a pupil at a distance, |kappa (1/s - 1/Z)|."""
    camera = plan.setup.camera
    kappa = lens.blur_scale_px_m(
        pupil_mm=pupil_mm,
        focal_mm=camera.focal_mm,
        focus_m=focus_m,
        width_px=plan.setup.raster.exact_width_px,
        width_mm=camera.width_mm,
    )
    return abs(kappa * (1.0 / focus_m - 1.0 / distance_m))


def _softness_px(plan: Plan) -> float:
    """Radius of the disc with the second moment of the response in focus, without the pixel's own box."""
    f, record = np.array([LOW_CPP]), RECORDS.index(LEAST_HALATION)
    response = float(mtf.footage_response(f, plan.setup)[0])
    if _acting(plan, "mtf") is not None:
        negative = mtf.negative_response(f * plan.setup.px_per_mm, plan.setup, record)
        response = min(response, float(negative[0]))
    variance = -math.log(response) / (2.0 * math.pi**2 * LOW_CPP**2)
    return 2.0 * math.sqrt(max(0.0, variance - PIXEL_VARIANCE))


def _mtf_rows(plan: Plan, found: ChartFound) -> list[Checked]:
    """MTF50 of the board in focus, of each record: the lesser of footage and negative."""
    rows, per_mm = [], 1000.0 / found.pixel_um
    for record in RECORDS:
        row = _row(plan, "mtf", f"MTF50 {record}")
        if row is None or row.footage is None or row.negative is None:
            continue
        limited = _acting(plan, "mtf") is not None and row.difference is not None
        planned, limits = (min(row.footage, row.negative), "negative") if limited else (row.footage, "footage")
        edge = found.edges[found.sharpest].channel(record)
        half, error = edge.mtf50_cpp or math.nan, edge.mtf50_error or 0.0
        rows.append(Checked(f"MTF50 {record} ({limits} limits)", "cycles/mm", planned, half * per_mm, error * per_mm))
    return rows


def _ring_rows(plan: Plan, found: ChartFound) -> list[Checked]:
    """Where the ring stands, and how much of the lamp's light is in it and beyond, in each record."""
    ring, seen = _row(plan, "halation", "ring radius"), found.halation
    if ring is None or ring.difference is None:
        return []
    mm = found.pixel_um / 1000.0
    radius, error = (math.nan, 0.0) if seen is None else (seen.radius_px * mm, seen.radius_error_px * mm)
    rows = [Checked("halation, ring radius", "mm", ring.difference, radius, error)]
    for c, record in enumerate(RECORDS):
        returned = _row(plan, "halation", f"light returned {record}")
        if returned is None or not returned.difference:
            continue
        share, error = (math.nan, 0.0) if seen is None else (seen.rings[c].returned_frac, seen.rings[c].returned_error)
        # the planned share is of the light that went in, the found one of all that came out
        planned = returned.difference / (1.0 + returned.difference)
        rows.append(Checked(f"halation, returned {record}", "share", planned, share, error))
    return rows


def _grain_rows(plan: Plan, found: ChartFound) -> list[Checked]:
    """Green at mid-grey: granularity, with raster and scan taken out of the reading, and noise of single pixels."""
    at_48 = _row(plan, "grain", "granularity at mid-grey G")
    pixel = _row(plan, "grain", "noise at mid-grey G, per pixel")
    if at_48 is None or pixel is None or _acting(plan, "grain") is None:
        return []
    stock, reading = plan.setup.stock, found.grain.readings[0]
    level = np.array([found.grain.exposure_stops * emulsion.LOG10_PER_STOP])
    unhindered = float(emulsion.granularity(stock, level)[1, 0]) / reading.predicted[1]
    stops = emulsion.LOG10_PER_STOP * stock.gamma[1] * 1000.0
    return [
        Checked(
            f"granularity G, {reading.aperture_um:g} um",
            "1000 sigma_D",
            _total(at_48),
            reading.found[1] * unhindered,
            reading.error[1] * unhindered,
        ),
        Checked(
            "noise G, per pixel",
            "stops",
            _total(pixel),
            found.grain.pixel.found[1] / stops,
            found.grain.pixel.error[1] / stops,
        ),
    ]


def _total(row: Row) -> float:
    """What the footage has and what is added to it, in quadrature."""
    return math.hypot(row.footage or 0.0, row.difference or 0.0)


def _acting(plan: Plan, name: str) -> Planned | None:
    """A stage's plan, where it changes pixels."""
    return next((stage.planned for stage in plan.stages if stage.name == name and stage.acts), None)


def _row(plan: Plan, name: str, quantity: str) -> Row | None:
    """A row of a stage's explanation; the first of that name."""
    rows = next((stage.planned.rows for stage in plan.stages if stage.name == name and stage.planned), ())
    return next((row for row in rows if row.quantity == quantity), None)
