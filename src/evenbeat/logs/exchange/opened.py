"""What a file that is no plain table gives: columns with names, as if they had been cells."""

from __future__ import annotations

from dataclasses import dataclass, replace

from evenbeat.findings import Finding
from evenbeat.logs.files import LogText
from evenbeat.logs.rows import Columns
from evenbeat.logs.terms import Form, Layout
from evenbeat.logs.times import Moments


@dataclass(frozen=True, eq=False, kw_only=True)
class Opened:
    """Columns of a file with their names.

    Parameters
    ----------
    columns
        All columns of numbers by position; whole numbers of a time column too.
    moments
        Position to time stamps.
    scale
        Time scale of the stamps.
    kind
        What the file is, as people say it.
    exact_times
        The times are those of the readings, and not when a computer wrote them down.
    left_out
        How many lines hold readings of other clocks or signals.
    several_lines
        How many lines were read for its rows, where these are means of several.
    """

    log: LogText
    form: Form
    columns: Columns
    kind: str
    moments: dict[int, Moments]
    scale: str = "UTC"
    findings: tuple[Finding, ...] = ()
    exact_times: bool = False
    left_out: int = 0
    several_lines: int | None = None

    def taken(self, layout: Layout) -> Columns:
        """Return the columns with the moments of the one that is the time."""
        moments = None if layout.time is None else self.moments.get(layout.time)
        return replace(self.columns, moments=moments)
