"""What the columns of a log mean (its layout), and that as the text of a TOML file."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from evenbeat.logs.terms import Covariate, Form, Statements

FILE_VERSION = 1
NOT_STATED = ("columns", "partial")
"""Options that a layout file does not keep among what is stated."""

UNLESS_STATED = {"bad_lines": "refuse", "offset": 0}
"""What holds where nothing is stated, and is not written down."""


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
        """Return the layout as the text of a TOML file, which ``read_log(..., layout=...)`` takes."""
        return _toml(self)


def _toml(layout: Layout) -> str:
    """Return a layout as the text of a TOML file."""
    form = layout.form
    lines = [
        "# How a log is written and what its columns mean, for evenbeat (read_log(..., layout=...)).",
        f"version = {FILE_VERSION}",
    ]
    if form.separator:
        lines += ["", "[rows]", *_pairs(_rows(form))]
    lines += ["", "[columns]", "# a header name, or a position counted from 0", *_pairs(_columns(layout))]
    stated = {
        name: value
        for name, value in layout.stated.items()
        if value not in (None, UNLESS_STATED.get(name)) and name not in NOT_STATED
    }
    if stated:
        lines += ["", "[stated]", *_pairs(stated)]
    return "\n".join(lines) + "\n"


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


def _pairs(values: Mapping[str, object]) -> list[str]:
    return [f"{_key(key)} = {_value(value)}" for key, value in values.items()]


def _key(key: str) -> str:
    return key if key.isascii() and key.replace("_", "").isalnum() else _value(key)


def _value(value: object) -> str:
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, float):
        text = repr(value)
        return text if any(mark in text for mark in ".en") else f"{text}.0"
    if isinstance(value, int):
        return str(value)
    return json.dumps(str(value), ensure_ascii=False).replace("\x7f", "\\u007f")
