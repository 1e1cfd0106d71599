"""A list as a spreadsheet saves it: a header with the names, a shot a row."""

from __future__ import annotations

import codecs
import csv
import io
import re
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from typing import Any

from widegauge.errors import Mistake, SettingsError, mistake
from widegauge.shotlist.line import Line
from widegauge.tomlfile import like, nearest

COLUMNS = tuple(sorted(Line.model_fields))
SEPARATORS = ",;\t"

_WHOLE = re.compile(r"([+-]?\d+)(?:[.,]0*)?")
"""A whole number as a spreadsheet may write it: "2", "2.0", "2,0"."""

_DATE = re.compile(r"\d+[./]\d+[./]\d+|\d{4}-\d\d-\d\d|\d+[.-]? ?[A-Za-zä]{3}|[A-Za-zä]{3}-\d+")
"""What a spreadsheet makes of "1-12": "01.12.2025", "2025-12-01", "12-Jan", "Jan-12"."""

_NEXT_SETTING = re.compile(r"[\s,;]+(?=[a-z0-9_]+\.[a-z0-9_]+=)")
_SAID_SEPARATOR = re.compile(r"sep=(.)(?:\r\n?|\n)", re.IGNORECASE)


Row = tuple[str, dict[str, Any], list[Mistake]]
"""Where a row stands, its cells as a table of a list, and what is wrong with them."""


def read_sheet(path: Path, on_remark: Callable[[str], None]) -> tuple[list[Row], list[Mistake]]:
    """The rows that can be read, and what is wrong with the table itself.

    Separated by commas, semicolons or tabs; UTF-8, UTF-16 or Windows-1252. Columns of a crew's own are left out, with
    a sentence to ``on_remark``. SettingsError when it is no table at all.
    """
    text = _text(path)
    first_line = 1
    if match := _SAID_SEPARATOR.match(text):
        text, first_line = text[match.end() :], 2
    separator = match[1] if match else max(SEPARATORS, key=text.lstrip().partition("\n")[0].partition("\r")[0].count)
    header: list[str] | None = None
    rows: list[Row] = []
    wrong: list[Mistake] = []
    try:
        for line, cells in _rows(path, text, separator, first_line):
            at = f"{path.name}, line {line}"
            if header is None:
                header = [" ".join(cell.casefold().split()) for cell in cells]
                if mistakes := _header_mistakes(at, header):
                    raise SettingsError(mistakes)
                if own := [name for name in header if name and name not in COLUMNS]:
                    on_remark(f"{path.name}: columns that are not for this list are left out: {', '.join(own)}")
            else:
                rows.append((at, *_table(at, header, cells)))
    except SettingsError as error:
        wrong.extend(error.mistakes)
    if not rows and not wrong:
        wrong.append(Mistake(str(path), "", "", "the list has no shots", "write one a row, below the header"))
    return rows, wrong


def _table(at: str, header: Sequence[str], cells: Sequence[str]) -> tuple[dict[str, Any], list[Mistake]]:
    """A row's cells that are not blank, by column, and what is wrong with them."""
    wrong: list[Mistake] = []
    if any(cells[len(header) :]):
        rule = f"has {len(cells)} cells, the header {len(header)}"
        wrong.append(Mistake(at, "", "", rule, "put cells with separators in them in quotes, or name the column"))
    filled = {name: cell for name, cell in zip(header, cells, strict=False) if cell}
    if (stray := filled.pop("", None)) is not None:
        rule = f'"{stray}" stands in a column without a name'
        wrong.append(Mistake(at, "", "", rule, "give the column a name, or clear the cell"))
    if _DATE.fullmatch(filled.get("frames", "")):
        rule = "is a date: the spreadsheet has made one of the frames"
        remedy = "make the column plain text, and type the frames again"
        wrong.append(Mistake(at, "frames", f'"{filled.pop("frames")}"', rule, remedy))
    return {name: _value(name, cell) for name, cell in filled.items() if name in COLUMNS}, wrong


def _text(path: Path) -> str:
    try:
        data = path.read_bytes()
    except FileNotFoundError:
        raise mistake(path, "", None, "no such file", "check the name") from None
    except OSError as error:
        raise mistake(path, "", None, f"can't be read ({error.strerror})", "check its permissions") from None
    wide = data.startswith((codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE))
    for encoding in ("utf-16",) if wide else ("utf-8-sig", "cp1252"):
        try:
            text = data.decode(encoding)
        except UnicodeDecodeError:
            continue
        if "\0" not in text:
            return text
    raise mistake(path, "", None, "is no text that can be read", 'save the table as "CSV UTF-8"')


def _rows(path: Path, text: str, separator: str, first_line: int) -> Iterator[tuple[int, list[str]]]:
    """Rows that are not blank, trimmed, each with the line at which it begins."""
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=separator, strict=True)
    while True:
        line = first_line + reader.line_num
        try:
            cells = [cell.strip() for cell in next(reader)]
        except StopIteration:
            return
        except csv.Error as error:
            raise mistake(f"{path.name}, line {line}", "", None, str(error), "mend the quotes there") from None
        if any(cells):
            yield line, cells


def _header_mistakes(at: str, header: Sequence[str]) -> list[Mistake]:
    wrong = [
        Mistake(at, name, "", "is not the name of a column", nearest(name, list(COLUMNS)))
        for name in header
        if name not in COLUMNS and like(name, list(COLUMNS))
    ]
    twice = sorted({name for name in header if name in COLUMNS and header.count(name) > 1})
    wrong += [Mistake(at, name, "", "names two columns", "take one of the two out") for name in twice]
    if "shot" not in header:
        rule = 'the header has no column "shot"'
        wrong.append(Mistake(at, "", "", rule, "name the columns in the first row: " + ", ".join(COLUMNS)))
    return wrong


def _value(name: str, cell: str) -> Any:
    """A cell as the value that a list in TOML would have."""
    match name:
        case "priority" | "handles":
            whole = _WHOLE.fullmatch(cell)
            return int(whole[1]) if whole else cell
        case "frames":
            whole = _WHOLE.fullmatch(cell)
            return whole[1] if whole else cell.replace("–", "-")
        case "set":
            return _NEXT_SETTING.split(cell)
    return cell
