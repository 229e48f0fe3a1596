"""What the columns of a log mean (its layout), and that as the text of a bench file."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from evenbeat.bench import bench_text, written
from evenbeat.logs.terms import Covariate, Form, Statements

NOT_STATED = ("columns", "partial")
"""Keys of a log that a layout does not keep among what is stated."""


@dataclass(frozen=True, kw_only=True)
class Layout:
    """A form with the meaning of its columns.

    Parameters
    ----------
    value
        Position of the column that holds the clock.
    value_quantity, value_unit
        What the name of that column states, ``None`` where it states nothing.
    time
        Position of the time column, ``None`` where there is none.
    time_words, time_unit
        What the name of the time column states, lower case.
    time_of_day
        Position of a column of seconds of day beside a column of days, where date and time are split.
    time_assumed
        The first column was taken as the time only because it rises as time does.
    unused
        Positions of columns of numbers that were not chosen.
    statements
        What the comment lines say.
    stated
        What the caller stated about the log, by the name of the option.
    """

    form: Form
    value: int
    value_quantity: str | None = None
    value_unit: str | None = None
    time: int | None = None
    time_words: str = ""
    time_unit: str | None = None
    time_of_day: int | None = None
    time_assumed: bool = False
    covariates: tuple[Covariate, ...] = ()
    unused: tuple[int, ...] = ()
    statements: Statements = field(default_factory=Statements)
    stated: Mapping[str, Any] = field(default_factory=dict)

    def to_toml(self) -> str:
        """Return the layout as the text of a bench file, which ``read_log(..., layout=...)`` takes."""
        return bench_text(**self.said())

    def said(self, more: Mapping[str, object] | None = None) -> dict[str, Any]:
        """Return the layout as :func:`evenbeat.bench.bench_text` takes it, beside ``more`` keys."""
        said = {**_stated(self), **(more or {}), "columns": _columns(self)}
        return {"said": said, "rows": _rows(self.form) if self.form.separator else None}


def _stated(layout: Layout) -> dict[str, object]:
    """Return what was stated of the log, as a bench file says it."""
    return {name: value for name, value in written(layout.stated, "log").items() if name not in NOT_STATED}


def _rows(form: Form) -> dict[str, object]:
    return {
        "writing": form.writing,
        "separator": form.separator,
        "decimal": form.decimal,
        "columns": form.columns,
    }


def _columns(layout: Layout) -> dict[str, object]:
    form = layout.form

    def named(index: int) -> str | int:
        name = form.header[index] if index < len(form.header) else ""
        return name if name and form.header.count(name) == 1 and not name.isdigit() else index

    columns: dict[str, object] = {
        "value": named(layout.value),
        "time": "none" if layout.time is None else named(layout.time),
    }
    if layout.time_of_day is not None:
        columns["time_of_day"] = named(layout.time_of_day)
    return {**columns, **{covariate.name: named(covariate.index) for covariate in layout.covariates}}
