"""The one reader of small tables: calibrations, registers, sheets of readings, dated results, limits.

A reader declares its columns, and asks the rows that come back for numbers in SI. How a file is encoded and
its cells are separated is found out; what a column means is never guessed: it has a known name and states its
unit, in the header (``as_found_ppb``, ``offset [Hz]``), in the cell, or in a remark ``# unit: ppb``.
"""

from __future__ import annotations

import csv
import io
import math
import re
from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass
from dataclasses import field as declared
from functools import lru_cache
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal, TypeAlias, Union

from evenbeat.dates import DateOrder, order_of_dates
from evenbeat.errors import InputError, LogError
from evenbeat.findings import Finding, Severity, note
from evenbeat.logs.cells import MISSING_TEXTS
from evenbeat.logs.files import load_text
from evenbeat.logs.headers import column_meaning, comment_statements
from evenbeat.plausible import UNUSUAL_OFFSET
from evenbeat.units import MEASURED, measured_parts, parse_duration, parse_limits, parse_unit

if TYPE_CHECKING:
    import datetime as dt

    import pandas as pd

TableLike: TypeAlias = Union[str, Path, "pd.DataFrame"]
SEPARATORS = {",": "commas", ";": "semicolons", "\t": "tabs", "|": "bars"}
NAMES_SHOWN = 6
MISSING = MISSING_TEXTS | {"<na>", "nat"}
REMARKS = (
    *(
        "certificate",
        "certificate sha256",
        "remark",
        "note",
        "comment",
        "laboratory",
        "operator",
        "procedure",
    ),
    *("reference", "valid until", "as entered", "serial number", "model", "place", "status", "status since"),
)
"""Columns nothing is computed from, in any table."""
_ANSWERS = {
    **dict.fromkeys(("yes", "y", "true", "1", "1.0"), True),
    **dict.fromkeys(("no", "n", "false", "0", "0.0"), False),
}
_VOLTS = {"v": 1.0, "mv": 1e-3, "uv": 1e-6, "µv": 1e-6, "μv": 1e-6}
_BARE = re.compile(r"[+-]?[0-9]+(?:\.[0-9]+)?(?:[eE][+-]?[0-9]+)?")
_FACTOR = r"(?<![A-Za-z])k\s*=\s*(\d+(?:[.,]\d+)?)"
_FORMULA = re.compile(r"[=+\-@\t\r']")
_COVERAGE = re.compile(rf"[\s,;_]*[(\[]\s*{_FACTOR}\s*[)\]]|[\s,;_]*{_FACTOR}")
_PROBABILITY = re.compile(r"[\s,;]*\b9\d(?:[.,]\d+)?\s?%")


@dataclass(frozen=True, kw_only=True)
class Field:
    """A column that a reader knows."""

    name: str  # as it is usually written, the unit included; ``date`` holds dates
    also: tuple[str, ...] = ()  # other names, without units. The first of all that a table has counts
    # names of an uncertainty that leave open whether it is standard or expanded
    unclear: tuple[str, ...] = ()
    # of a number that states no other, which says what is measured, too: ``1`` for fractional frequency,
    # ``s``, ``Hz``, ``V``; empty for a bare number, ``None`` for text
    unit: str | None = None

    @property
    def names(self) -> tuple[str, ...]:
        """Every name that the column may have."""
        return (self.name, *self.also, *self.unclear)


@dataclass(frozen=True, kw_only=True)
class _Heading:
    """What the header says of one column: its words, its unit and its coverage factor."""

    text: str
    words: str
    unit: str
    coverage: float | None


@lru_cache(maxsize=1024)
def _heading(text: str) -> _Heading:
    rest = re.sub(r"[(\[][\s,;]*[)\]]", "", _PROBABILITY.sub("", _COVERAGE.sub("", text)))
    meaning = column_meaning(rest)
    words, unit = meaning.words, (meaning.unit or "").strip("± ")
    if not unit and words.rpartition(" ")[2] in ("hours", "minutes", "weeks", "months", "years"):
        words, _, unit = words.rpartition(" ")
    return _Heading(
        text=text,
        words=words if len(words) > 1 else rest.strip()[:1],  # U is not u
        unit=unit,
        coverage=_factor_in(text),
    )


@dataclass(frozen=True, kw_only=True)
class _Writing:
    """How the cells of a table are written; every row shares it."""

    path: str | None
    counted: Literal["line", "row"]  # ``line`` in a file, ``row`` in a frame
    fields: Mapping[str, Field]
    headings: Mapping[str, _Heading]
    order: DateOrder
    decimal: str = "."  # the decimal mark; empty where the table has both, as ``mixed`` says
    mixed: str = ""
    unit: str = ""
    coverage: float | None = None  # the factor that a remark ``# uncertainty: … (k = 2)`` states
    nominal_hz: tuple[float, ...] = ()
    sizes: dict[tuple[str, ...], float] = declared(default_factory=dict)  # of units that were looked up


@dataclass(frozen=True, kw_only=True)
class Row:
    """One row of a table."""

    writing: _Writing
    number: int  # of its line in the file, or its place in the frame, from 1
    cells: Mapping[str, str]  # texts by the names of the fields
    wrong: str = ""  # what is wrong with the row as such; empty where nothing is

    @property
    def place(self) -> str:
        """``line 7`` of a file, ``row 7`` of a frame."""
        return f"{self.writing.counted} {self.number}"

    @property
    def where(self) -> str:
        """The same with the file."""
        return f"{self.writing.path or 'the table'}, {self.place}"

    def error(self, sentence: object) -> LogError:
        """Return a complaint with the file and the line."""
        if self.writing.path is None:
            return LogError(f"{self.where}: {sentence}")
        return LogError(str(sentence), path=self.writing.path, line=self.number)

    def text(self, name: str) -> str:
        """Return a cell; empty where there is none."""
        return self.cells.get(name, "")

    def given(self, name: str) -> bool:
        """Return whether a cell holds more than a text for nothing, such as ``-``, ``n/a`` or ``NaN``."""
        return self.text(name).lower() not in MISSING

    def moment(self, name: str = "date") -> dt.datetime:
        """Return the moment in a cell, UTC; see :class:`evenbeat.dates.DateOrder`."""
        try:
            return self.writing.order.moment(self.text(name))
        except InputError as error:
            raise self.error(error) from error

    def answer(self, name: str) -> bool:
        """Return whether a cell says yes."""
        if self.text(name).lower() not in _ANSWERS:
            msg = f"{name} is {self.text(name)!r}; it must be yes or no"
            raise self.error(msg)
        return _ANSWERS[self.text(name).lower()]

    def number_in(
        self, name: str, *, stated: str = "", unit: str | None = None, positive: bool = False
    ) -> float:
        """Return the number in a cell in SI, NaN where it is not given.

        Another cell may have ``stated`` its unit; where the field leaves it open, ``unit`` is the usual one.
        """
        value, uncertainty = self._measured(name, self.text(name), stated=stated, unit=unit)
        if not math.isnan(uncertainty):
            msg = f"{name} is {self.text(name)!r}; a number without an uncertainty is needed"
            raise self.error(msg)
        if positive and value <= 0:
            msg = f"{name} is {self.text(name)!r}; a positive number is needed"
            raise self.error(msg)
        return value

    def numbers_in(self, name: str, *, stated: str = "", unit: str | None = None) -> tuple[float, ...]:
        """Return the numbers in a cell, one or several separated by blanks."""
        several = self.text(name).split()
        whole = len(several) == 2 and not re.match(r"[\d.,+-]", several[1])  # a number and its unit
        cells = [self.text(name)] if whole else several
        values = tuple(self._measured(name, cell, stated=stated, unit=unit)[0] for cell in cells)
        if any(map(math.isnan, values)):
            msg = f"{name} is {self.text(name)!r}; numbers separated by blanks are needed"
            raise self.error(msg)
        return values

    def estimate(self, name: str) -> tuple[float, float]:
        """Return the offset in a cell and its own standard uncertainty; NaN where they are not given."""
        value, uncertainty = self._measured(name, self.text(name))
        self._check_offset(name, value, uncertainty)
        return value, uncertainty

    def uncertainty(self, name: str) -> float:
        """Return the standard uncertainty in a cell: an expanded one is divided by its factor."""
        value = self.number_in(name)
        if math.isnan(value):
            return value
        self._check_offset(name, value)
        heading, factor = self.writing.headings[name], self._coverage(name)
        unclear = self.writing.fields[name].unclear
        if factor is None and heading.words in [_heading(one).words for one in unclear]:
            msg = (
                f"column {heading.text!r} does not say whether it is a standard (k = 1) or an expanded "
                "uncertainty; call it standard_uncertainty, or state k: 'uncertainty (k=2)', or a column k"
            )
            raise self.error(msg)
        if factor not in (None, 1) and heading.words.startswith("standard"):
            msg = (
                f"column {heading.text!r} is a standard uncertainty (k = 1), but k = {factor:g} is stated; "
                "call it expanded_uncertainty, or leave the factor out"
            )
            raise self.error(msg)
        return value / (factor or 1.0)

    def limits(self, name: str) -> float | tuple[float, float] | None:
        """Return the tolerance in a cell, ``None`` where it is not given; see :func:`parse_limits`."""
        if not self.given(name):
            return None
        try:
            text = self._plain(name, self.text(name))
            limits = parse_limits(text, lambda unit: self._size(name, unit, stated="", usual="1"))
        except InputError as error:
            raise error if isinstance(error, LogError) else self.error(f"{name} is {error}") from error
        self._check_offset(name, *(limits if isinstance(limits, tuple) else (limits,)))
        return limits

    def _check_offset(self, name: str, *offsets: float) -> None:
        """Refuse an offset that no oscillator has: its unit, or the nominal frequency, is another."""
        beyond = [abs(offset) for offset in offsets if abs(offset) > UNUSUAL_OFFSET]
        if beyond:
            msg = (
                f"{name} is {self.text(name)!r}, {max(beyond):.3g} of the frequency, as no oscillator is "
                f"off; give the offset from nominal, and its unit where it is not fractional: {name}_ppb"
            )
            raise self.error(msg)

    def _measured(
        self, name: str, cell: str, *, stated: str = "", unit: str | None = None
    ) -> tuple[float, float]:
        """Return value and own standard uncertainty of a cell, NaN where they are not given."""
        if cell.lower() in MISSING:
            return math.nan, math.nan
        usual = (self.writing.fields[name].unit or "") if unit is None else unit
        if _BARE.fullmatch(cell) and not self.writing.mixed and math.isfinite(value := float(cell)):
            return value * self._size(name, "", stated=stated, usual=usual), math.nan
        text = self._plain(name, _COVERAGE.sub("", cell)).replace("+/-", "±").replace("−", "-")
        match = MEASURED.fullmatch(text.strip())
        number, in_last_digits = ("", "") if match is None else measured_parts(match)
        value = _plain_float(number)
        if match is None or not math.isfinite(value):
            msg = f"{name} is {cell!r}; a number such as 2.1e-9 is needed"
            raise self.error(msg)
        size = self._size(name, (match["unit"] or "").strip(), stated=stated, usual=usual)
        uncertainty = math.nan
        if in_last_digits:
            uncertainty = _plain_float(in_last_digits)
        elif match["spread"]:
            factor = self._coverage(name)
            if factor is None:
                msg = (
                    f"{name} is {cell!r}, which does not say whether that is a standard or an expanded "
                    "uncertainty; write '1.2e-8 ± 3e-10 (k=2)', or the standard uncertainty as in 1.20(3)e-8"
                )
                raise self.error(msg)
            uncertainty = float(match["spread"]) / factor
        return value * size, uncertainty * abs(size)

    def _coverage(self, name: str) -> float | None:
        """Return the one coverage factor that a cell, its header, its row or a remark state."""
        beside = self.number_in("coverage_factor") if "coverage_factor" in self.cells else math.nan
        every = (
            _factor_in(self.text(name)),
            self.writing.headings[name].coverage,
            None if math.isnan(beside) else beside,
            self.writing.coverage,
        )
        stated = {factor for factor in every if factor is not None}
        if len(stated) > 1 or not all(factor > 0 for factor in stated):
            said = " and as ".join(f"{factor:g}" for factor in sorted(stated))
            msg = f"the coverage factor k of {name} is stated as {said}; one positive number is needed"
            raise self.error(msg)
        return next(iter(stated), None)

    def _plain(self, name: str, text: str) -> str:
        """Return a cell of numbers with decimal points."""
        if self.writing.mixed and re.search("[.,]", text):
            msg = f"{name} is {text!r}, and {self.writing.mixed}"
            raise self.error(msg)
        return text.replace(",", ".") if self.writing.decimal == "," else text

    def _size(self, name: str, own: str, *, stated: str, usual: str) -> float:
        """Return the size in SI of the one unit that cell, header and row state."""
        asked = (name, own, stated, usual)
        if asked in self.writing.sizes:
            return self.writing.sizes[asked]
        heading = self.writing.headings[name]
        units = dict.fromkeys(unit for unit in (own, heading.unit, stated) if unit)
        if len({_dimension_and_size(unit) for unit in units}) > 1:
            msg = f"{name} is in {' and in '.join(units)}; state one unit"
            raise self.error(msg)
        if not units and _heading(name).unit:
            msg = f"column {heading.text!r} states no unit; write it as in '{heading.text} [{usual}]'"
            raise self.error(msg)
        unit = next(iter(units), (self.writing.unit or usual) if usual else "")
        if not unit:
            return 1.0
        found, size = _dimension_and_size(unit)
        needed = _dimension_and_size(usual)[0] if usual else "bare"
        if needed == "fractional" and found == "frequency":
            return size / self._nominal(name, unit)
        if found != needed:
            expected = {"fractional": "a fractional frequency", "bare": "a bare number"}.get(needed, usual)
            msg = f"{name} is in {unit!r}; {expected} is needed"
            raise self.error(msg if found else f"{name}: {unit!r} is not a known unit; {expected} is needed")
        self.writing.sizes[asked] = size
        return size

    def _nominal(self, name: str, unit: str) -> float:
        stated = set(self.writing.nominal_hz)
        if self.given("nominal_frequency_hz"):
            stated.add(self.number_in("nominal_frequency_hz", positive=True))
        if len(stated) > 1:
            both = " and as ".join(f"{hertz:.9g} Hz" for hertz in sorted(stated))
            msg = f"{name} is in {unit}, and the nominal frequency is stated as {both}; state one"
            raise self.error(msg)
        if not stated:
            msg = (
                f"{name} is in {unit}, and the nominal frequency is not stated; state it in a column "
                "nominal_frequency_hz, in a line '# nominal frequency: 10 MHz', or with --nominal-frequency "
                "(nominal_frequency_hz)"
            )
            raise self.error(msg)
        return stated.pop()


@dataclass(frozen=True, kw_only=True)
class Table:
    """A small table as read."""

    path: str | None
    what: str
    names: tuple[str, ...]  # as its header has them
    columns: tuple[str, ...]  # names of the fields that it has
    rows: tuple[Row, ...]
    remarks: tuple[str, ...] = ()  # the lines that begin with ``#``, without it
    findings: tuple[Finding, ...] = ()  # what was assumed, and which columns are not used

    def need(self, *columns: str) -> None:
        """Refuse the table unless it has these columns."""
        missing = [name for name in columns if name not in self.columns]
        if missing:
            msg = (
                f"the {self.what} has no column {missing[0]!r}; it needs {', '.join(columns)}, and has "
                f"{', '.join(self.names) or 'none'}"
            )
            raise LogError(msg, path=self.path)

    def of_one(self, instrument: str | None = None) -> tuple[tuple[Row, ...], str]:
        """Return the rows of one instrument, which must be named where there are several, and its name."""
        where = self.path or "the table"
        if "instrument" not in self.columns:
            if instrument is None:
                return self.rows, ""
            msg = f"{where} names no instruments, so {instrument!r} cannot be selected; leave instrument out"
            raise LogError(msg)
        different = list(dict.fromkeys(row.text("instrument") for row in self.rows))
        held = ", ".join(name or "(empty)" for name in different[:NAMES_SHOWN])
        if len(different) > NAMES_SHOWN:
            held += f" and {len(different) - NAMES_SHOWN} more"
        if instrument is None:
            if len(different) <= 1:
                return self.rows, "".join(different)
            msg = (
                f"{where} holds calibrations of {len(different)} instruments ({held}); select one with "
                "--set instrument=NAME (instrument)"
            )
            raise LogError(msg)
        if instrument not in different:
            msg = f"{where} holds no instrument {instrument!r}; it holds {held}"
            raise LogError(msg)
        return tuple(row for row in self.rows if row.text("instrument") == instrument), instrument


def guarded(text: str) -> str:
    """Return a text of which a spreadsheet makes no formula: an apostrophe stands before such a one."""
    return f"'{text}" if _FORMULA.match(text) else text


def unguarded(text: str) -> str:
    """Return a text without the apostrophe of :func:`guarded`."""
    return text[1:] if text[:1] == "'" and _FORMULA.match(text[1:]) else text


def read_table(
    table: TableLike,
    fields: Sequence[Field],
    *,
    what: str,
    needed: Sequence[str] = (),
    date_order: str | None = None,
    nominal_frequency_hz: float | None = None,
    torn_rows: Literal["refuse", "keep"] = "refuse",
) -> Table:
    """Return a small table.

    Parameters
    ----------
    table
        A frame; or a file of text, packed or not, in UTF-8, UTF-16 with its mark or Windows-1252, its cells
        separated by commas, semicolons, tabs or bars. Lines that begin with ``#`` are remarks, the first of
        the others is the header. A comma may be the decimal mark where it does not separate cells.
    what
        Its name in a complaint, such as ``history``.
    needed
        Columns that it must have.
    date_order
        ``day-first`` or ``month-first`` for dates such as 03/04/2026, where no date of the table says so.
    nominal_frequency_hz
        For offsets in hertz; a column of that name or a remark ``# nominal frequency: 10 MHz`` may state it.
    torn_rows
        What becomes of a row with too many or too few cells: it refuses the table, or says so itself.

    Raises
    ------
    LogError
        If it cannot be read, has no rows, lacks a column or has it twice, or a row has too many or too few
        cells.
    """
    findings: list[Finding] = []
    remarks: tuple[str, ...] = ()
    separator, path = "", None
    if not (isinstance(table, str | Path) or hasattr(table, "columns")):
        msg = f"the {what} is a {type(table).__name__}; give the path of a file, or a data frame"
        raise InputError(msg)
    if not isinstance(table, str | Path):
        names = [str(name) for name in table.columns]
        texts = [
            ["" if gone else str(cell) for cell, gone in zip(column, column.isna(), strict=True)]
            for _, column in table.items()
        ]
        records = [(at, list(cells), "") for at, cells in enumerate(zip(*texts, strict=True), start=1)]
    else:
        path = str(table)
        text = load_text(path)
        lines = list(io.StringIO(text.text.decode(), newline="\n"))
        remarks = tuple(line.strip()[1:].strip() for line in lines if line.lstrip().startswith("#"))
        first = next((line for line in lines if _is_content(line)), "")
        separator = max(SEPARATORS, key=lambda mark: _understood(first, mark, fields))
        (_, names, wrong), *records = _records(lines, separator) if first else ((0, [], ""),)
        findings += text.findings
        if text.encoding not in ("UTF-8", "UTF-16"):
            sentence = f"The text of the {what} is not UTF-8; it was read as {text.encoding}."
            findings.append(note("ENCODING_ASSUMED", sentence))
        if wrong:
            raise LogError(wrong, path=path)
    names = [name.strip() for name in names]
    headings = [_heading(name) for name in names]
    at = _positions(headings, fields, what=what, path=path)
    counted: Literal["line", "row"] = "line" if path else "row"
    cells = [
        {name: unguarded(row[k].strip()) for name, k in at.items() if k < len(row)} for _, row, _ in records
    ]
    known = {field.name: field for field in fields}
    places = [f"{counted} {number}" for number, *_ in records]
    decimal, mixed = _decimal_mark(cells, places, known, separator)
    writing = _Writing(
        path=path,
        counted=counted,
        fields=known,
        headings={name: headings[k] for name, k in at.items()},
        order=order_of_dates([row.get("date", "") for row in cells], date_order),
        decimal=decimal,
        mixed=mixed,
        **_stated(remarks, nominal_frequency_hz, path),
    )
    filled = {k for _, row, _ in records for k, cell in enumerate(row) if cell.strip()}
    read = Table(
        path=path,
        what=what,
        names=tuple(names),
        columns=tuple(at),
        rows=tuple(
            Row(writing=writing, number=number, cells=row, wrong=wrong)
            for (number, _, wrong), row in zip(records, cells, strict=True)
        ),
        remarks=remarks,
        findings=(
            *findings,
            *writing.order.findings,
            *_unused(names, set(at.values()), filled, fields, what),
            *_expanded(writing),
        ),
    )
    read.need(*needed)
    if not records:
        msg = f"the {what} holds no row"
        raise LogError(msg, path=path)
    torn = next((row for row in read.rows if row.wrong), None)
    if torn is not None and torn_rows == "refuse":
        raise torn.error(torn.wrong)
    return read


def _is_content(line: str) -> bool:
    return bool(line.strip()) and not line.lstrip().startswith("#")


def _records(lines: Sequence[str], separator: str) -> Iterator[tuple[int, list[str], str]]:
    """Yield line number, cells and what is wrong with them of every row that is neither empty nor a remark.

    A row in quotation marks may go over several lines; one whose marks do not close is its first line alone.
    """
    columns, at = 0, 0
    while at < len(lines):
        begin, at = at, at + 1
        if not _is_content(lines[begin]):
            continue
        rest = map(lines.__getitem__, range(begin, len(lines)))
        reader = csv.reader(rest, delimiter=separator, strict=True, skipinitialspace=True)
        wrong = ""
        try:
            cells = next(reader)
        except csv.Error as error:
            wrong = f"{error}"
        else:
            if reader.line_num > 1 and columns not in (0, len(cells)):
                wrong = f"a quotation mark closes only in line {begin + reader.line_num}"
        if wrong:
            cells = lines[begin].rstrip("\n").split(separator)
            wrong += f"; cells with {SEPARATORS[separator]} or quotes stand in double quotes"
        else:
            at = begin + reader.line_num
            if columns not in (0, len(cells)):
                wrong = f"{len(cells)} cells where the header has {columns} columns"
        if any(cell.strip() for cell in cells):
            columns = columns or len(cells)
            yield begin + 1, cells, wrong


def _understood(header: str, separator: str, fields: Sequence[Field]) -> tuple[int, int]:
    """Return how many names of a header are known, and how many it has, if this separates them."""
    try:
        names = next(csv.reader([header], delimiter=separator, skipinitialspace=True), [])
    except csv.Error:
        return 0, 0
    known = {_heading(name).words for field in fields for name in field.names}
    return sum(_heading(name.strip()).words in known for name in names), len(names)


def _positions(
    headings: Sequence[_Heading], fields: Sequence[Field], *, what: str, path: str | None
) -> dict[str, int]:
    """Return where the column of each field is, by the first of its names that the table has."""
    found = {}
    words, texts = ([getattr(one, part) for one in headings] for part in ("words", "text"))
    twice = next((text for k, text in enumerate(texts) if text and text in texts[:k]), None)
    if twice is not None:
        msg = f"the {what} has the column {twice!r} twice; keep one of them"
        raise LogError(msg, path=path)
    for field in fields:
        here = next((w for name in field.names if (w := _heading(name).words) in words), None)
        if here is None:
            continue
        found[field.name] = words.index(here)
        if words.count(here) > 1:
            both = " and ".join(repr(one.text) for one in headings if one.words == here)
            msg = f"the {what} has the columns {both}, which all are {field.name}; keep one of them"
            raise LogError(msg, path=path)
    return found


def _decimal_mark(
    cells: Sequence[Mapping[str, str]], places: Sequence[str], fields: Mapping[str, Field], separator: str
) -> tuple[str, str]:
    """Return the one decimal mark of a table, and why there is none where it has both."""
    if separator in ("", ","):
        return ".", ""
    first: dict[str, str] = {}
    for place, row in zip(places, cells, strict=True):
        for name, cell in row.items():
            marks = "".join(mark for mark in ".," if mark in cell)
            if fields[name].unit is not None and len(marks) == 1 and re.search(r"[.,]\d", cell):
                marks = "thousands?" if re.fullmatch(r"[+-]?[1-9]\d{0,2},\d{3}", cell) else marks
                first.setdefault(marks, f"{cell!r} ({place})")
    if "," in first and "." in first:
        return ".", f"{first[',']} has a decimal comma, {first['.']} a point; one of them is needed"
    if "thousands?" in first and "," not in first:
        asked = first["thousands?"]
        return ".", f"nothing says whether the comma in {asked} is the decimal mark; leave it out"
    return "," if "," in first else ".", ""


def _stated(remarks: Sequence[str], nominal_frequency_hz: float | None, path: str | None) -> dict[str, Any]:
    """Return unit, nominal frequency and coverage factor that hold for the whole table."""
    try:
        said = comment_statements(line for line in remarks if re.match(r"(?i)(nominal|units?)\b", line))
    except InputError as error:
        raise LogError(str(error), path=path) from error
    nominal = (nominal_frequency_hz, said.nominal_frequency_hz)
    factors = (_factor_in(line) for line in remarks if line.lower().startswith("uncertainty"))
    return {
        "unit": said.unit if said.unit and _dimension_and_size(said.unit)[0] else "",
        "nominal_hz": tuple(hertz for hertz in nominal if hertz is not None),
        "coverage": next((factor for factor in factors if factor is not None), None),
    }


def _unused(
    names: Sequence[str], used: Collection[int], filled: Collection[int], fields: Sequence[Field], what: str
) -> list[Finding]:
    """Return a finding that names the columns nothing is taken from."""
    others = [
        name or f"column {k + 1} (without a name)"
        for k, name in enumerate(names)
        if k not in used and (name or k in filled)
    ]
    if not others:
        return []
    harmless = all(_heading(name).words in REMARKS for name in others)
    sentence = f"Columns of the {what} that are not used: {', '.join(others)}"
    sentence += "." if harmless else f"; known are {', '.join(field.name for field in fields)}."
    severity: Severity = "note" if harmless else "caution"
    return [Finding(code="COLUMNS_NOT_USED", severity=severity, sentence=sentence)]


def _expanded(writing: _Writing) -> list[Finding]:
    """Return a finding for every column of expanded uncertainties."""
    found = []
    for name, heading in writing.headings.items():
        factor = heading.coverage or writing.coverage
        by = f"k = {factor:g}" if factor else "the factor k of their row"
        stated = factor not in (None, 1) or (factor is None and "coverage_factor" in writing.headings)
        if writing.fields[name].unclear and stated:
            sentence = (
                f"The uncertainties in column {heading.text!r} are expanded: they were divided by {by}."
            )
            found.append(note("EXPANDED_UNCERTAINTY", sentence))
    return found


@lru_cache(maxsize=1024)
def _dimension_and_size(unit: str) -> tuple[str, float]:
    """Return what a unit measures and its size in SI; an empty text where it is not known."""
    if unit.lower() in _VOLTS:
        return "voltage", _VOLTS[unit.lower()]
    try:
        return parse_unit(unit)
    except InputError:
        try:
            return "time", parse_duration(f"1 {unit}")
        except InputError:
            return "", math.nan


def _factor_in(text: str) -> float | None:
    """Return the coverage factor in a text such as ``U (k=2)``."""
    found = _COVERAGE.search(text) if "=" in text else None
    return None if found is None else _plain_float(found[1] or found[2])


def _plain_float(text: str) -> float:
    try:
        return float(text.replace(",", "."))
    except ValueError:
        return math.nan
