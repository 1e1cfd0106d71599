"""Contact sheets: the first, middle and last frame before and after, or one frame on several negatives."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from widegauge.errors import MediaError
from widegauge.report.pair import Pair, negative_words
from widegauge.report.stills import Bytes, save, sheet

SHEET_PX = 1920


def shot_sheet(pairs: Sequence[Pair]) -> Bytes:
    """A column for each frame: before above, after below."""
    rows = [
        [(f"frame {pair.number}, {pair.names[i]}", pair.view((pair.before, pair.after)[i])) for pair in pairs]
        for i in (0, 1)
    ]
    caption = f"{pairs[0].heading}. {_capital(str(pairs[0].view))}."
    return sheet([*rows[0], *rows[1]], columns=len(pairs), width_px=_width(len(pairs)), caption=caption)


def preset_sheet(pairs: Sequence[Pair]) -> Bytes:
    """One frame as shot, and finished on each negative, all drawn to one width."""
    plans = [pair.plan for pair in pairs if pair.plan is not None]
    formats = [plan.preset.negative.format for plan in plans]
    alone = [formats.count(name) == 1 for name in formats]
    words = [negative_words(plan) if one else plan.preset.title for plan, one in zip(plans, alone, strict=True)]
    named = [("as shot", pairs[0].steps[0][1])]
    named += [(label, pair.view(pair.after)) for label, pair in zip(words, pairs, strict=True)]
    columns = min(3, len(named))
    caption = f"{pairs[0].title}. {pairs[0].caption}"
    return sheet(named, columns=columns, width_px=_width(columns), caption=caption)


def save_sheet(path: Path, picture: Bytes) -> None:
    """Write a sheet; MediaError when the file can't be written."""
    try:
        save(path, picture)
    except OSError as error:
        raise MediaError(f"{path}: can't be written ({error.strerror})") from None


def _width(columns: int) -> int:
    return SHEET_PX if columns > 1 else SHEET_PX // 2


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]
