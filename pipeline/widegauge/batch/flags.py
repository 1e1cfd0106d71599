"""What a person should look at in a finished shot: its frames' checks held against each other, and against limits.

Only the difference counts, here as everywhere: what the footage does by itself (a flash of light, a pull of focus, a
fade) is no flag. Each limit stands with its reason.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping

from widegauge.batch.flag import Flag, compare, frames_named, of, was
from widegauge.batch.flicker import blur_flicker, error_stops, level_flicker
from widegauge.run.record import FrameRecord

LIGHT_STOPS = 0.03
"""Mean light may change by so much (2 %), over what grain and spread light do: a wide lens sees less of a lamp behind
an edge. The sample frames change by 0.0003 stops, their proxy of a quarter by 0.022; three are a printer light."""

BLACK_FRAC = 0.999
"""Share of black cells from which a frame is black."""

CLIPPED_FRAC = 0.001
"""New share of pixels cut at white: one lamp of 1/30 of the picture's width."""

CUT_FRAC = 0.02
"""New share of pixels cut at black: grain that lies around black always loses a little there."""

SNAPPED_FRAC = 0.05
"""Share of depth moved to one side of a soft edge: edges that are soft by 1 to 2 px take 1 to 3 %."""

UNKNOWN_FRAC = 0.15
"""Share of depth that nobody knows: depth cameras lose 5 to 13 % (common practice, no source)."""

SHORT_BLACK = 2
"""Black frames in a row that footage has by mistake; more are a fade, or meant."""

_SNAPPED = "depth: share on soft edges, snapped"
_UNKNOWN = "depth: share unknown, filled from the farther side"
_HEALED = "healed pixels"


def flags_for(frames: Mapping[int, FrameRecord], *, mended: Mapping[int, str] | None = None) -> list[Flag]:
    """The flags of a shot's finished frames, gravest first; ``mended`` are failed frames that policy held or blackened.

    Frames that nobody shot are told, and otherwise left out; frames without checks are told too.
    """
    missing = {n: str(frame.checks["made_up"]) for n, frame in frames.items() if frame.checks.get("made_up")}
    mended = {n: frame.mended for n, frame in frames.items() if frame.mended} | dict(mended or {})
    checked = {n: frames[n] for n in sorted(frames) if frames[n].checks and n not in missing and n not in mended}
    black = [n for n, frame in checked.items() if frame.checks["black_after"] >= BLACK_FRAC]
    lit = {n: frame for n, frame in checked.items() if n not in black}
    flicker = list(level_flicker(lit))
    return [
        *_mended(mended),
        *_missing(missing),
        *_black(checked, black),
        *_exposure(lit, but={number for flag in flicker for number in flag.frames}),
        *flicker,
        *blur_flicker(lit),
        *_repeated(lit),
        *_clipped(checked),
        *_remarked(checked),
        *_unchecked([n for n in sorted(frames) if not frames[n].checks and n not in mended]),
    ]


def _mended(mended: Mapping[int, str]) -> Iterator[Flag]:
    if mended:
        first = min(mended)
        yield Flag(
            "frame mended",
            tuple(sorted(mended)),
            first,
            len(mended),
            0,
            "frames",
            f"{frames_named(mended)} failed; in place of frame {first} stands {mended[first].rstrip('.')}.",
            "put it right and run the same command again: only such frames are redone",
        )


def _missing(missing: Mapping[int, str]) -> Iterator[Flag]:
    for policy, words in (("hold", "done from the frame before"), ("black", "left black")):
        numbers = sorted(n for n, how in missing.items() if how == policy)
        if numbers:
            yield Flag(
                "frame missing",
                tuple(numbers),
                numbers[0],
                len(numbers),
                0,
                "frames",
                f"The footage lacks {frames_named(numbers).lower()}; {was(numbers)} {words}, as footage.missing asks.",
                "bring the frames and run the same command again: only these are redone",
            )


def _black(checked: Mapping[int, FrameRecord], black: list[int]) -> Iterator[Flag]:
    ours = [n for n in black if checked[n].checks["black_before"] < BLACK_FRAC]
    if ours:
        yield Flag(
            "black frame",
            tuple(ours),
            ours[0],
            1.0,
            BLACK_FRAC,
            "share of the picture",
            f"{frames_named(ours)} {was(ours, past=False)} black, and the footage is not.",
            compare(ours[0]),
        )
    theirs = [n for n in black if n not in ours]
    if theirs and len(theirs) == len(checked):
        yield Flag(
            "black frame",
            tuple(theirs),
            theirs[0],
            1.0,
            BLACK_FRAC,
            "share of the picture",
            "Every frame is black, in the footage too.",
            "check that the footage is the right one, and its encoding",
        )
        return
    short = [n for run in _runs(theirs, list(checked)) if len(run) <= SHORT_BLACK for n in run]
    if short:
        yield Flag(
            "black frame",
            tuple(short),
            short[0],
            1.0,
            BLACK_FRAC,
            "share of the picture",
            f"{frames_named(short)} {was(short, past=False)} black between frames that are not; the footage has it so.",
            "look at the footage there",
        )


def _exposure(lit: Mapping[int, FrameRecord], *, but: set[int]) -> Iterator[Flag]:
    off: dict[int, tuple[float, float]] = {}
    for n, frame in lit.items():
        worst = max(frame.checks["light_stops"], key=abs)
        limit = LIGHT_STOPS + error_stops(frame)
        if abs(worst) > limit and n not in but:
            off[n] = (worst, limit)
    if off:
        n = max(off, key=lambda number: abs(off[number][0]))
        found, limit = off[n]
        yield Flag(
            "exposure changed beyond grain",
            tuple(off),
            n,
            found,
            limit,
            "stops",
            f"Mean light changed by {found:+.3f} stops in frame {n}, where grain and blur explain {limit:.3f}; "
            f"in {of(off, lit)}.",
            compare(n),
        )


def _repeated(lit: Mapping[int, FrameRecord]) -> Iterator[Flag]:
    pairs = list(zip(lit, list(lit)[1:], strict=False))
    same = {side: [b for a, b in pairs if lit[a].checks[side] == lit[b].checks[side]] for side in ("before", "after")}
    if same["before"] and len(same["before"]) < len(pairs):
        numbers = same["before"]
        yield Flag(
            "repeated frame",
            tuple(numbers),
            numbers[0],
            len(numbers),
            0,
            "frames",
            f"{frames_named(numbers)} {was(numbers, past=False)} the same picture as the one before, in the footage.",
            "step through the footage there",
        )
    ours = [n for n in same["after"] if n not in same["before"]]
    if ours:
        yield Flag(
            "repeated frame",
            tuple(ours),
            ours[0],
            len(ours),
            0,
            "frames",
            f"{frames_named(ours)} came out the same as the one before, though the footage differs.",
            compare(ours[0]),
        )


def _clipped(checked: Mapping[int, FrameRecord]) -> Iterator[Flag]:
    for end, limit, words, remedy in (
        (
            "high",
            CLIPPED_FRAC,
            "brighter than the output's format can hold",
            'set output.format = "exr-half" to keep it',
        ),
        ("low", CUT_FRAC, "darker than the output's format can hold", 'set output.format = "exr-half" to keep it'),
    ):
        cut = {n: frame.checks[f"clipped_{end}"] for n, frame in checked.items()}
        over = [n for n, share in cut.items() if share > limit]
        if over:
            n = max(over, key=cut.__getitem__)
            yield Flag(
                "clipped by encoding",
                tuple(over),
                n,
                cut[n],
                limit,
                "share of the picture",
                f"{100.0 * cut[n]:.2f} % of frame {n} is {words} and was cut, more than in the footage; "
                f"in {of(over, checked)}.",
                remedy,
            )


def _remarked(checked: Mapping[int, FrameRecord]) -> Iterator[Flag]:
    """What stages and decoding said of single frames."""
    for name, remark, limit, unit, words, look in (
        (
            f"depth snapped in more than {100.0 * SNAPPED_FRAC:g} %",
            _SNAPPED,
            SNAPPED_FRAC,
            "share of the depth",
            "of the depth lay on soft edges and was moved to one side",
            "give depth with hard edges, not scaled or blurred",
        ),
        (
            f"depth unknown in more than {100.0 * UNKNOWN_FRAC:g} %",
            _UNKNOWN,
            UNKNOWN_FRAC,
            "share of the depth",
            "of the depth is not known and was filled from the farther side",
            "fill the depth's holes, and look at edges there",
        ),
        ("healed pixels", _HEALED, 0.0, "pixels", "pixels were no numbers and took their neighbours' mean", ""),
    ):
        found = {n: frame.remarks.get(remark, 0.0) for n, frame in checked.items()}
        over = [n for n, value in found.items() if value > limit]
        if over:
            n = max(over, key=found.__getitem__)
            much = f"{found[n]:.0f}" if unit == "pixels" else f"{100.0 * found[n]:.1f} %"
            yield Flag(
                name,
                tuple(over),
                n,
                found[n],
                limit,
                unit,
                f"In frame {n} {much} {words}; in {of(over, checked)}.",
                look or compare(n),
            )


def _unchecked(numbers: list[int]) -> Iterator[Flag]:
    if numbers:
        yield Flag(
            "not checked",
            tuple(numbers),
            numbers[0],
            len(numbers),
            0,
            "frames",
            f"{frames_named(numbers)} {was(numbers)} finished by a version that made no checks.",
            "remove the shot's folder and run again, or look at the frames yourself",
        )


def _runs(numbers: list[int], order: list[int]) -> list[list[int]]:
    """Frames that follow one another in the shot; those at its head and tail, where it fades, are left out."""
    runs: list[list[int]] = []
    for number in numbers:
        i = order.index(number)
        if runs and i > 0 and order[i - 1] == runs[-1][-1]:
            runs[-1].append(number)
        else:
            runs.append([number])
    return [run for run in runs if run[0] != order[0] and run[-1] != order[-1]]
