"""What a carried layout tells a person: its facts for the check picture, and a line for each thing."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import numpy as np

from widegauge.depth.feet import foot_of
from widegauge.errors import mistake
from widegauge.media.sequence import frame_path, is_pattern
from widegauge.report.layoutcheck import Facts, Outline
from widegauge.run.depthmaps.layout import Carried
from widegauge.run.depthmaps.packed import unpacked

PICTURES = (".png", ".jpg", ".jpeg", ".webp")


def checks_all(check: Path) -> bool:
    """Whether a check is of every frame; SettingsError for a name that is no picture's."""
    if check.suffix.lower() not in PICTURES:
        raise mistake("--check", "", f'"{check}"', "is not a picture's name", "end it in .png")
    return is_pattern(check)


def check_files(check: Path, wanted: Sequence[int]) -> list[tuple[int, Path]]:
    """Frame and picture for each check: the first frame's, or with #### in the name every one's."""
    return [(n, frame_path(check, n)) for n in wanted] if is_pattern(check) else [(wanted[0], check)]


def facts_of(carried: Carried, number: int) -> Facts:
    """One frame of a layout, ready to draw."""
    job = carried.job
    focus_m = carried.focus_m(number)
    stand = carried.stand(number)
    outlines = []
    whole_m = carried.depth_m(number)
    for name, frames in carried.things.items():
        if frames[number].gone:
            continue
        inside, plane = carried.inside(name, number), carried.plane(name, number)
        inverse_m = plane.inverse_m(stand.width_px, stand.height_px)
        values = inverse_m[inside]
        if values.size == 0:
            continue
        with np.errstate(divide="ignore"):
            seen = inside & (np.float32(1.0) / inverse_m <= whole_m)
        near, far = float(values.max()), float(values.min())
        first = job.layout.things[name][0]
        foot = None
        if first.level_m is None and first.distance_m is None:
            at = (
                carried.feet[name][number] if number in carried.feet[name] else foot_of(unpacked(frames[number].inside))
            )
            foot = (at.x_px, at.y_px)
        outlines.append(
            Outline(
                name=name,
                inside=inside,
                seen=seen,
                nearest_inverse_m=near,
                farthest_inverse_m=far,
                how=_how(carried, name),
                feet=frames[number].points or ((foot,) if foot else ()),
                confidence=frames[number].confidence,
            )
        )
    scale = None if focus_m is None else job.blur_scale_px_m(focus_m)
    return Facts(
        number=number,
        horizon_px=stand.horizon_px,
        tilt_deg=stand.tilt_deg,
        camera_height_m=stand.camera_height_m,
        ground=stand.level(),
        backing_m=job.layout.ground.backing_m,
        focus_m=focus_m,
        blur_scale_px_m=scale,
        preset=job.preset,
        outlines=tuple(outlines),
    )


def summary(carried: Carried) -> list[str]:
    """A line for each thing: how far, how that is known, how sure its outline is where it is least sure."""
    lines = []
    for name, frames in carried.things.items():
        wanted = [n for n in carried.job.wanted if not frames[n].gone]
        if not wanted:
            lines.append(f"{name}: not in these frames")
            continue
        worst = min(wanted, key=lambda n: frames[n].confidence)
        sure = f"confidence {frames[worst].confidence:.2f} or better (frame {worst})"
        inverse_m = carried.inverse_m.get(name)
        if inverse_m is None or (carried.job.layout.things[name][0].foot and len(frames[worst].points) == 2):
            lines.append(f"{name}: {_how(carried, name)}; {sure}")
            continue
        values = np.array([inverse_m[n] for n in wanted])
        with np.errstate(divide="ignore"):
            near, far = 1.0 / values.max(), 1.0 / values.min()
        span = f"{near:.2f} m" if far - near < 0.005 else f"{near:.2f} to {far:.2f} m"
        lines.append(f"{name}: {span}, {_how(carried, name)}; {sure}")
    return lines


def _how(carried: Carried, name: str) -> str:
    first = carried.job.layout.things[name][0]
    if first.level_m is not None:
        return f"level, {first.level_m:+g} m"
    if first.distance_m is not None:
        return "taped"
    return "wall on two feet" if first.foot and len(first.foot) == 2 else "from its foot"
