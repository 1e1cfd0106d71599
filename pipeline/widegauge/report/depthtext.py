"""What was done to depth, as text."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence

from widegauge.depth.scale import Found, Line
from widegauge.report.words import aligned, metres


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


def doubts(tapes: Sequence[Found]) -> list[str]:
    """What a person should know of tapes that do not fit, or might be missing."""
    said = []
    for i, found in enumerate(tapes, start=1):
        if found.is_wrong and found.is_sure:
            said.append(f"tape {i} disagrees with the others and was left out: tape it again, or look at its x, y")
        elif found.is_wrong:
            said.append(
                f"the tapes disagree, and tape {i} is the likeliest to be wrong: it was left out. The others alone "
                "cannot tell for sure; tape one more point (or the sky: X,Y,inf), far from these in depth"
            )
    focused = [found for found in tapes if found.focus_m is not None]
    if not focused:
        said.append("the shot does not say where focus lies: give it under [focus], and errors are told as blur too")
    elif not any(found.is_at_focus for found in tapes):
        said.append(
            f"no tape lies at the focus distance, {metres(focused[0].focus_m)}: tape the point in focus too, "
            "since its blur must be none"
        )
    return said


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
