"""Tables and lists as HTML."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from html import escape


def table_html(rows: Sequence[Sequence[str]]) -> str:
    """A table whose first row is its head and whose first column names the rows; it scrolls by itself when narrow."""
    head, *body = rows
    top = "".join(f'<th scope="col">{escape(cell.strip())}</th>' for cell in head)
    lines = "".join(f"<tr>{_cells(row)}</tr>" for row in body)
    return f'<div class="scroll"><table><thead><tr>{top}</tr></thead><tbody>{lines}</tbody></table></div>'


def list_html(items: Iterable[str]) -> str:
    return f"<ul>{''.join(f'<li>{escape(item.strip())}</li>' for item in items)}</ul>"


def _cells(row: Sequence[str]) -> str:
    first, *rest = row
    return f'<th scope="row">{escape(first.strip())}</th>' + "".join(f"<td>{escape(cell)}</td>" for cell in rest)
