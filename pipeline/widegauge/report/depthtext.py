"""What was done to depth, as text."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence

from widegauge.depth.plausible import Reach
from widegauge.depth.scale import Found, Line
from widegauge.report.words import aligned, metres

LOOSE_FRAC = 0.2
"""An end of a map that tapes leave uncertain by more than this share of the nearest thing's 1/Z needs a tape there."""
BEYOND_SHARE = 0.02
FOCUS_ROOM = 1.25
"""A map whose ends miss the focus distance by more than this factor shows nothing that was focused on."""


def tapes_text(tapes: Sequence[Found], scale_px_m: Callable[[float], float]) -> list[str]:
    """Tapes beside what the scaled map says there, and what the difference is worth in blur radius.

    ``scale_px_m`` gives kappa for a focus distance.
    """
    table = [("tape", "x, y @ frame", "map value", "taped", "found", "off", "off in blur radius", "")]
    for i, found in enumerate(tapes, start=1):
        taped_m, found_m = found.tape.metres, found.found_m
        off = "-" if math.isinf(taped_m) or math.isinf(found_m) else f"{found_m - taped_m:+.3f} m"
        blur = "-"
        if found.focus_m is not None:
            blur = f"{scale_px_m(found.focus_m) * (1.0 / taped_m - 1.0 / found_m):+.3f} px"
        place = f"{found.tape.x:g}, {found.tape.y:g} @ {found.tape.frame}"
        table.append((f"{i}", place, f"{found.value:.6g}", metres(taped_m), metres(found_m), off, blur, _remark(found)))
    return aligned(table)


def doubts(tapes: Sequence[Found], reaches: Sequence[Reach]) -> list[str]:
    """What a person should know of tapes that do not fit, that say too little of the maps, or might be missing."""
    said = []
    sky = any(reach.is_inverse for reach in reaches)
    for i, found in enumerate(tapes, start=1):
        if found.is_wrong and found.is_sure:
            said.append(f"tape {i} disagrees with the others and was left out: tape it again, or look at its x, y")
        elif found.is_wrong:
            said.append(
                f"the tapes disagree, and tape {i} is the likeliest to be wrong: it was left out. The others alone "
                f"cannot tell for sure; tape one more point{' (or the sky: X,Y,inf)' if sky else ''}, far from these "
                "in depth"
            )
    focused = [found for found in tapes if found.focus_m is not None]
    if not focused:
        said.append("the shot does not say where focus lies: give it under [focus], and errors are told as blur too")
    elif not any(found.is_at_focus for found in tapes):
        said.append(
            f"no tape lies at the focus distance, {metres(focused[0].focus_m)}: tape the point in focus too, "
            "since its blur must be none"
        )
    return said + _out_of_reach(reaches, [found.focus_m for found in focused if found.focus_m is not None])


def _out_of_reach(reaches: Sequence[Reach], focus_m: Sequence[float]) -> list[str]:
    """Where maps go beyond what the tapes can tell, and what to tape there."""
    said = []
    near, far = max(reaches, key=lambda r: r.near_off), max(reaches, key=lambda r: r.far_off)
    if near.near_off > LOOSE_FRAC:
        said.append(
            f"the nearest of the map comes out at {metres(near.near_m)}, but these tapes leave that uncertain by "
            f"{_percent(near.near_off)}: tape the nearest thing in the frame too"
        )
    if far.far_off > LOOSE_FRAC:
        sky = ", or the sky (X,Y,inf)" if far.is_inverse else ""
        said.append(
            f"the farthest of the map comes out at {metres(far.far_m)}, but these tapes leave its 1 / distance "
            f"uncertain by {_percent(far.far_off)} of the nearest's: tape the farthest thing in the frame too{sky}"
        )
    lost = max(reaches, key=lambda r: r.beyond_frac)
    if lost.beyond_frac > BEYOND_SHARE and lost.is_inverse:
        said.append(
            f"{_percent(lost.beyond_frac)} of the map comes out beyond infinity and is taken for infinitely far: where "
            "that is not the sky, tape something there"
        )
    elif lost.beyond_frac > BEYOND_SHARE:
        said.append(
            f"{_percent(lost.beyond_frac)} of the map comes out behind the lens and is written as not known: tape the "
            "nearest thing in the frame"
        )
    ends_m = min(r.near_m for r in reaches), max(r.far_m for r in reaches)
    astray = misses_focus(ends_m, focus_m[0]) if focus_m else None
    if astray is not None:
        said.append(f"{astray}. Look whether tapes and focus are both in metres, and tape the point in focus")
    return said


def misses_focus(ends_m: tuple[float, float], focus_m: float) -> str | None:
    """What is wrong with a map, from near to far, that shows nothing where the lens was focused; None if it does."""
    near_m, far_m = ends_m
    if near_m / FOCUS_ROOM <= focus_m <= far_m * FOCUS_ROOM:
        return None
    runs = f"is {metres(near_m)} everywhere" if near_m == far_m else f"runs from {metres(near_m)} to {metres(far_m)}"
    return f"nothing comes out near the focus distance, {metres(focus_m)}: the map {runs}"


def _percent(frac: float) -> str:
    return f"{100.0 * frac:.0f} %" if frac < 1.0 else "100 % or more"


def line_text(line: Line) -> str:
    """What a map's value means."""
    side = "1 / distance" if line.is_inverse else "distance"
    return f"{side} = {line.slope:.6g} x value {line.intercept:+.6g} ({'per metre' if line.is_inverse else 'metres'})"


def _remark(found: Found) -> str:
    words = ["focus"] if found.is_at_focus else []
    if found.is_wrong:
        words.append("wrong, left out" if found.is_sure else "likely wrong, left out")
    return ", ".join(words)


def cleaned_text(
    number: int, *, noise_frac: float, softness_px: float, frames: int, remarks: Sequence[tuple[str, float]]
) -> str:
    """One frame's line: how its map came, and what was done."""
    said = [f"noise {100.0 * noise_frac:.1f} %", f"edges soft by {softness_px:.1f} px", f"median of {frames} frames"]
    said += [f"{what.removeprefix('depth: share ')} {100.0 * share:.1f} %" for what, share in remarks]
    return f"frame {number}: {', '.join(said)}"


def looked_text(
    number: int,
    *,
    range_m: tuple[float, float],
    unknown_frac: float,
    focus_m: float | None,
    radius_px: tuple[float, float] | None,
) -> str:
    """One frame's depth in a line."""
    said = [f"{metres(range_m[0])} to {metres(range_m[1])}", f"{100.0 * unknown_frac:.1f} % not known"]
    said.append("the shot does not say where focus lies" if focus_m is None else f"focus at {metres(focus_m)}")
    if radius_px is not None:
        said.append(f"blur radius from {radius_px[0]:+.2f} px (nearest) to {radius_px[1]:+.2f} px (farthest)")
    return f"frame {number}: {', '.join(said)}"
