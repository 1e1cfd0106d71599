"""Show a night while it runs: a calm table on a terminal, plain lines elsewhere; on standard error."""

from __future__ import annotations

import sys
import time
from collections.abc import Mapping
from typing import TYPE_CHECKING, Any, Self

import click

if TYPE_CHECKING:
    from rich.live import Live

SUMMARY_EVERY_S = 60.0
"""Off a terminal, a line on the whole so often at most."""

_AROUND_ROWS = 6
"""Lines of a terminal that are not shots: head, summary, and some rest."""


class Screen:
    """Entered for the length of a night. ``show`` is called twice a second, ``tell`` with each event."""

    def __init__(self, *, has_log: bool) -> None:
        self._has_log = has_log
        self._live: Live | None = None
        self._next_s = time.monotonic() + SUMMARY_EVERY_S

    def __enter__(self) -> Self:
        if sys.stderr.isatty():
            from rich.console import Console
            from rich.live import Live

            console = Console(stderr=True, highlight=False, color_system=None)
            self._live = Live(console=console, auto_refresh=False, transient=True)
            self._live.start()
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def close(self) -> None:
        """Take the table away: what came of the shots is printed in its place."""
        if self._live is not None:
            self._live.stop()
            self._live = None

    def tell(self, event: str, facts: Mapping[str, Any]) -> None:
        from widegauge.report.nighttext import event_line

        line = event_line(event, facts)
        shown = self._live and (event in ("shot started", "frame failed") or facts.get("status") == "finished")
        if line is not None and not shown:
            self._say(line)
        if facts.get("fault") and not self._has_log:
            self._say(str(facts["fault"]))

    def show(self, state: Mapping[str, Any]) -> None:
        from widegauge.report.nighttext import summary

        if self._live is not None:
            self._live.update(_table(state, most=self._live.console.height - _AROUND_ROWS), refresh=True)
        elif time.monotonic() >= self._next_s:
            self._next_s = time.monotonic() + SUMMARY_EVERY_S
            click.echo(summary(state), err=True)

    def _say(self, line: str) -> None:
        if self._live is not None:
            self._live.console.print(line, markup=False, soft_wrap=True)
        else:
            click.echo(line, err=True)


def _table(state: Mapping[str, Any], *, most: int) -> Any:
    from rich.console import Group
    from rich.table import Table
    from rich.text import Text

    from widegauge.report.nighttext import HEAD, shot_rows, summary

    table = Table(box=None, pad_edge=False, padding=(0, 2, 0, 0), header_style="bold")
    for name in HEAD:
        table.add_column(name, no_wrap=True, justify="right" if name == "frames" else "left")
    for row in shot_rows(state, most=max(3, most)):
        table.add_row(*map(Text, row))
    return Group(Text(), table, Text(), Text(summary(state)))
