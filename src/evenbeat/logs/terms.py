"""What can be said of a log: terms for its rows and columns, options of a caller, comments, its layout."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field, fields, replace
from pathlib import Path
from typing import Any, Literal, get_args

from evenbeat.bench import Bench, bench_of, bench_text, read_bench, written
from evenbeat.errors import InputError, LogError
from evenbeat.intake import checked_weighting
from evenbeat.plain import Plain
from evenbeat.quantities import FloatArray

Quantity = Literal[
    "frequency",
    "fractional_frequency",
    "frequency_ratio",
    "frequency_difference",
    "phase",
    "time_interval",
    "period",
    "interval_error",
    "count",
]
QUANTITIES: tuple[Quantity, ...] = get_args(Quantity)
CellKind = Literal["number", "moment", "measured", "missing", "text"]
TimeForm = Literal["iso", "unix", "mjd", "split_mjd", "spreadsheet", "time_of_day", "elapsed"]
Writing = Literal["cells", "pairs", "words", "fixed"]
TIME_UNITS = ("ns", "us", "ms", "s", "min", "h", "d")


@dataclass(frozen=True, kw_only=True)
class Candidate(Plain):
    """One way in which the rows of a log could be written, and why."""

    writing: Writing
    separator: str
    decimal: str
    columns: int
    understood: float = 1.0  # share of all cells of the first lines that are understood, 0 to 1
    rows: int = 0  # number of the first lines that are rows
    reason: str = ""  # what speaks for it or against it

    def __str__(self) -> str:
        named = {"\t": "tab", " ": "blanks", ",": "comma", ";": "semicolon", "|": "bar"}
        if self.columns == 1:
            return f"one number in each line, decimal {'comma' if self.decimal == ',' else 'point'}"
        names = {
            "pairs": "name=value pairs",
            "words": "numbers after their names",
            "fixed": "columns of fixed width",
        }
        how = names.get(self.writing, f"cells separated by {named.get(self.separator, self.separator)}")
        mark = "comma" if self.decimal == "," else "point"
        return f"{how}, decimal {mark}, {self.columns} column{'s' * (self.columns != 1)}"

    def _facts(self) -> Mapping[str, object]:
        return {"way": str(self), **super()._facts()}


@dataclass(frozen=True, kw_only=True)
class Form:
    """How the rows of a table are written."""

    separator: str  # one character; a blank stands for runs of blanks and tabs
    decimal: str  # ``.`` or ``,``
    columns: int  # number of cells in a row, an empty one behind a trailing separator included
    kinds: tuple[CellKind, ...]  # what the cells of each column are in the first rows
    # number of cells that a row has at least; fewer than ``columns`` where rows often end early
    fewest: int = 0
    header: tuple[str, ...] = ()  # names of the columns, empty where there are none
    first_line: int = 1  # one-based line of the first row of numbers
    header_line: int | None = None  # one-based line of the header, where there is one
    lead_in: int = 0  # bytes of the first line that belong to a header which lost its line end
    joined_moment: bool = False  # date and time of day stand in two cells and are read as one
    comments: tuple[str, ...] = ()  # text of the comment lines, marks removed
    skipped: tuple[int, ...] = ()  # lines before the first row that are neither comment nor header
    # ``cells`` with a separator, ``pairs`` (name=value), ``words`` (each number after its name) or ``fixed``
    # columns; all but the first are rewritten line by line as cells before they are read
    writing: Writing = "cells"
    fortran: bool = False  # exponents are written with the letter D
    candidates: tuple[Candidate, ...] = ()  # what the rows could be, the likeliest first

    def label(self, index: int) -> str:
        """Return how a column is called in a sentence: its name, or its position where it has none."""
        if index < len(self.header) and self.header[index]:
            return f"'{self.header[index]}'"
        return f"number {index}"


@dataclass(frozen=True, kw_only=True)
class Wanted:
    """Which columns are read and as what."""

    numbers: tuple[int, ...]  # positions of columns of numbers
    moment: int | None = None  # position of a column of time stamps, ``None`` where there is none
    # exact, decimals: position of a column of times that float64 would not hold, and with how many decimals
    exact: int | None = None
    decimals: int = 0
    time: int | None = None  # position of the time, however it is written
    # position of a column of numbers and what stands behind each of them, a blank included
    units: tuple[tuple[int, str], ...] = ()

    def holds(self, index: int) -> bool:
        """Return whether a column is read."""
        return index in self.numbers or index in (self.moment, self.exact)

    @property
    def begins_with_reading(self) -> bool:
        """Whether the first column holds numbers other than the time."""
        return 0 in self.numbers and self.time != 0


@dataclass(frozen=True, kw_only=True)
class Covariate:
    """A column measured beside the clock: its name with unit and how it becomes that unit."""

    index: int
    name: str
    scale: float = 1.0
    offset: float = 0.0

    def of(self, cells: FloatArray) -> FloatArray:
        """Return the numbers of its cells in that unit, shape (rows,)."""
        return cells if (self.scale, self.offset) == (1.0, 0.0) else cells * self.scale + self.offset


@dataclass(frozen=True, kw_only=True)
class Statements:
    """What the log says about itself in comment lines of the form ``key: value``."""

    quantity: str | None = None
    unit: str | None = None
    nominal_frequency_hz: float | None = None
    interval_s: float | None = None
    gate_s: float | None = None
    reference: str = ""
    time_zone: str | None = None
    start: str | None = None  # ISO 8601 text from which elapsed time counts
    reading_of: str | None = None  # ``device`` or ``reference``, see :func:`evenbeat.read_log`
    counter_weighting: str | None = None


Choice = str | int | None
"""A column: header name, zero-based position, or ``None`` for no such column."""


@dataclass(frozen=True, kw_only=True)
class Options:
    """What is stated from outside; see :func:`evenbeat.read_log` for the meaning of each."""

    quantity: str | None = None
    unit: str | None = None
    nominal_frequency_hz: float | None = None
    interval_s: float | None = None
    gate_s: float | None = None
    columns: Mapping[str, Choice] | None = None
    time_zone: str | None = None
    time_unit: str | None = None
    reading_of: str | None = None
    date_order: str | None = None
    clock: str | None = None
    signal: str | None = None
    counter_weighting: str | None = None
    bad_lines: str = "refuse"
    partial: bool = False
    select: str | None = None
    every: int | None = None
    offset: int = 0

    def __post_init__(self) -> None:
        for name in ("nominal_frequency_hz", "interval_s", "gate_s"):
            value = getattr(self, name)
            if value is not None and not (math.isfinite(value) and value > 0):
                msg = f"{name} is {value}; it must be a positive number"
                raise InputError(msg)
        for name, allowed in (
            ("reading_of", ("device", "reference")),
            ("date_order", ("day-first", "month-first")),
            ("time_unit", TIME_UNITS),
            ("bad_lines", ("refuse", "reject")),
        ):
            value = getattr(self, name)
            if value is not None and value not in allowed:
                msg = f"{name} is {value!r}; it must be {' or '.join(repr(word) for word in allowed)}"
                raise InputError(msg)
        if self.every is not None and not (isinstance(self.every, int) and self.every >= 1):
            msg = f"every is {self.every!r}; it must be a whole number from 1 on"
            raise InputError(msg)
        if not (isinstance(self.offset, int) and 0 <= self.offset < (self.every or 1)):
            msg = f"offset is {self.offset!r}; it must be a whole number from 0 to every - 1"
            raise InputError(msg)
        if self.counter_weighting is not None:
            object.__setattr__(self, "counter_weighting", checked_weighting(self.counter_weighting))

    @property
    def reject(self) -> bool:
        """Whether lines that cannot be read are passed over."""
        return self.bad_lines == "reject"

    def with_statements(self, said: Statements) -> Statements:
        """Return what comment lines say where nothing is stated from outside."""
        return replace(
            said,
            nominal_frequency_hz=self.nominal_frequency_hz or said.nominal_frequency_hz,
            interval_s=self.interval_s or said.interval_s,
            gate_s=self.gate_s or said.gate_s,
            time_zone=self.time_zone or said.time_zone,
            reading_of=self.reading_of or said.reading_of or "device",
            counter_weighting=self.counter_weighting or said.counter_weighting,
        )


NOT_STATED = ("columns", "partial")
"""Keys of a log that a layout does not keep among what is stated."""


@dataclass(frozen=True, kw_only=True)
class Layout:
    """A form with the meaning of its columns."""

    form: Form
    value: int  # position of the column that holds the clock
    # value_quantity, value_unit: what the name of that column states, ``None`` where it states nothing
    value_quantity: str | None = None
    value_unit: str | None = None
    time: int | None = None  # position of the time column, ``None`` where there is none
    # time_words, time_unit: what the name of the time column states, lower case
    time_words: str = ""
    time_unit: str | None = None
    # position of a column of seconds of day beside a column of days, where date and time are split
    time_of_day: int | None = None
    time_assumed: bool = False  # the first column was taken as the time only because it rises as time does
    covariates: tuple[Covariate, ...] = ()
    unused: tuple[int, ...] = ()  # positions of columns of numbers that were not chosen
    statements: Statements = field(default_factory=Statements)  # what the comment lines say
    # what the caller stated about the log, by the name of the option
    stated: Mapping[str, Any] = field(default_factory=dict)

    def to_toml(self) -> str:
        """Return the layout as the text of a bench file, which ``read_log(..., layout=...)`` takes."""
        return bench_text(**self.said())

    def said(self, more: Mapping[str, object] | None = None) -> dict[str, Any]:
        """Return the layout as :func:`evenbeat.bench.bench_text` takes it, beside ``more`` keys."""
        form, rows = self.form, None
        if form.separator:
            rows = {name: getattr(form, name) for name in ("writing", "separator", "decimal", "columns")}

        def named(index: int) -> str | int:
            name = form.header[index] if index < len(form.header) else ""
            return name if name and form.header.count(name) == 1 and not name.isdigit() else index

        columns: dict[str, object] = {"value": named(self.value)}
        columns["time"] = "none" if self.time is None else named(self.time)
        if self.time_of_day is not None:
            columns["time_of_day"] = named(self.time_of_day)
        columns |= {covariate.name: named(covariate.index) for covariate in self.covariates}
        stated = {name: value for name, value in self.stated.items() if name not in NOT_STATED}
        return {"said": {**written(stated, "log"), **(more or {}), "columns": columns}, "rows": rows}


_ROWS: dict[str, tuple[str, ...]] = {
    "writing": ("cells", "pairs", "words", "fixed"),
    "separator": (",", ";", "\t", "|", " "),
    "decimal": (".", ","),
}


def chosen_layout(
    layout: str | Path | Layout | Bench | None, stated: Mapping[str, Any]
) -> tuple[Candidate | None, Options]:
    """Return how the rows are written, and the options, those of the layout where the caller says nothing."""
    names = {known.name for known in fields(Options)}
    if unknown := sorted(set(stated) - names):
        msg = f"{unknown[0]!r} is not an option of a log; there are {', '.join(sorted(names))} and layout"
        raise InputError(msg)
    own = {name: value for name, value in stated.items() if value is not None}
    if layout is None:
        return None, Options(**own)
    if isinstance(layout, Layout):
        bench = bench_of(layout.to_toml())
    else:
        bench = layout if isinstance(layout, Bench) else read_bench(layout)
    rows, path, candidate = bench.rows, bench.path or None, None
    if rows is not None:
        for name in rows:
            if name not in (*_ROWS, "columns"):
                msg = f"[rows] holds '{name}', which is not known; it may hold {', '.join(_ROWS)} and columns"
                raise LogError(msg, path=path)
        for name, allowed in _ROWS.items():
            if rows.get(name) not in allowed:
                one_of = ", ".join(map(repr, allowed))
                msg = f"[rows] {name} is {rows.get(name)!r}; it must be one of {one_of}"
                raise LogError(msg, path=path)
        if not isinstance(rows.get("columns"), int) or rows["columns"] < 1:
            msg = f"[rows] columns is {rows.get('columns')!r}; it must be a positive whole number"
            raise LogError(msg, path=path)
        candidate = Candidate(**rows, reason="the bench file says so")
    try:
        return candidate, Options(**{**bench.keywords("log"), **own})
    except (InputError, TypeError) as error:
        raise LogError(str(error), path=path) from None
