"""Look at a shot's depth: distances, the negative's blur, the line of focus, and what is not known."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np

from widegauge.errors import Mistake, SettingsError, mistake
from widegauge.media.footage import listed
from widegauge.physics.lens import FocusPull
from widegauge.plate import Plate
from widegauge.presets import load_preset
from widegauge.report.depthpicture import distance_panel, page, radius_panel
from widegauge.report.depthtext import misses_focus
from widegauge.report.stills import save
from widegauge.report.words import metres
from widegauge.run.depthmaps.blur import blur_scale
from widegauge.run.depthmaps.show_layout import PICTURES


@dataclass(frozen=True, slots=True)
class Looked:
    """A frame's depth in numbers.

    near_m, far_m  half a per cent left out at each end
    unknown_frac   share of the map that is not known
    focus_m        where focus lies, or None
    radius_px      the negative's signed blur radius at near_m and far_m, or None
    doubt          that nothing of it lies where the lens was focused, and what to look at; or None
    """

    number: int
    near_m: float
    far_m: float
    unknown_frac: float
    focus_m: float | None
    radius_px: tuple[float, float] | None
    doubt: str | None


def show_depth(plate: Plate, focus: FocusPull | None, *, number: int | None, preset: str | None, out: Path) -> Looked:
    """Draw one frame's depth (the middle one's when ``number`` is None) and, for a preset, the negative's blur.

    SettingsError where there is no such frame or no depth, and for a preset without a focus distance.
    """
    numbers = plate.footage.numbers
    frame = numbers[len(numbers) // 2] if number is None else number
    _refuse(plate, focus, frame, preset, out)
    depth_m = plate.depth_m(frame)
    assert depth_m is not None
    focus_m = None if focus is None else focus.distance_m(frame)
    known = depth_m[depth_m > 0.0]
    near_m, far_m = (float(v) for v in np.quantile(known, (0.005, 0.995), method="nearest"))
    unknown = 1.0 - known.size / depth_m.size
    title = f"Distance, even in 1 / distance: {metres(near_m)} to {metres(far_m)}"
    panels = [distance_panel(depth_m, focus_m=focus_m, title=title)]
    radii = None
    if preset is not None and focus_m is not None:
        kappa = blur_scale(plate, preset)(focus_m)
        with np.errstate(divide="ignore"):
            radius_px = (kappa / focus_m - np.float32(kappa) / depth_m).astype(np.float32)
        radii = (kappa * (1.0 / focus_m - 1.0 / near_m), kappa * (1.0 / focus_m - 1.0 / far_m))
        said = f"Blur radius in pixels of the finished picture, {load_preset(preset).title}: dashed in front of focus"
        panels.append(radius_panel(np.where(depth_m > 0.0, radius_px, np.float32(np.nan)), focus_m=focus_m, title=said))
    holes = f"{100.0 * unknown:.1f} % not known (hatched)" if unknown else "known everywhere"
    height, width = depth_m.shape
    save(out, page(panels, caption=f"{plate.shot.name}, frame {frame}, a map of {width} x {height}: {holes}"))
    astray = None if focus_m is None else misses_focus((near_m, far_m), focus_m)
    doubt = f"{astray}. Check {_facts_of_depth(plate)}, and the tape of the focus" if astray else None
    return Looked(frame, near_m, far_m, unknown, focus_m, radii, doubt)


def _facts_of_depth(plate: Plate) -> str:
    """The keys that say how a shot's depth becomes metres."""
    facts = plate.shot.depth
    if facts is None or facts.constant_m is not None:
        return "depth.constant_m"
    keys = {
        "distance": "metres_per_unit",
        "inverse": "taped",
        "disparity": "focal_px, depth.baseline_m, depth.offset_px",
    }
    return f"depth.kind, depth.{keys[facts.kind]}"


def _refuse(plate: Plate, focus: FocusPull | None, frame: int, preset: str | None, out: Path) -> None:
    file, wrong = str(plate.shot.file), []
    if not plate.has_depth:
        remedy = "name maps under [depth], or make some: `widegauge depth --help` lists the ways"
        raise mistake(file, "depth", None, "the shot has no depth to look at", remedy)
    if frame not in plate.footage.numbers:
        rule = f"the shot has no such frame; its frames are {listed(plate.footage.numbers)}"
        wrong.append(Mistake("--frame", "", str(frame), rule, "choose one of them"))
    if preset is not None and focus is None:
        rule = "blur needs a focus distance, and the shot does not say it"
        wrong.append(Mistake(file, "focus", "", rule, "tape it and give it under [focus], or leave --preset out"))
    if out.suffix.lower() not in PICTURES:
        wrong.append(Mistake("--out", "", f'"{out}"', "is not a picture's name", "end it in .png"))
    if wrong:
        raise SettingsError(wrong)
