"""Text of known form → its columns, and an account of every line that is none of their rows."""

from __future__ import annotations

import contextlib
import csv
import io
import itertools
import os
import re
from collections.abc import Iterable, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import Any

import numpy as np
import numpy.typing as npt

from evenbeat.epochs import IntArray
from evenbeat.errors import LogError
from evenbeat.intake import LARGEST
from evenbeat.ledger import Rejected, RejectedLines
from evenbeat.logs.cells import (
    MISSING_TEXTS,
    UNIT,
    Scan,
    cell_kind,
    cleaned,
    is_comment,
    joined_column,
    line_ends,
    measured_parts,
    number_in,
    row_cells,
    row_in,
    row_lines,
    shown,
    split_line,
    without_blanks,
)
from evenbeat.logs.cut_short import End, Judge, ends_of, fronts_of
from evenbeat.logs.files import LogText, line_feeds
from evenbeat.logs.form import PROBE_LINES
from evenbeat.logs.rewriting import BEFORE, OTHER_ANSWER, QUERY
from evenbeat.logs.terms import Form, Wanted
from evenbeat.logs.times import Moments, end_to_end, exact_number, moments_in, texts_of
from evenbeat.quantities import FloatArray
from evenbeat.units import SCPI_INFINITY, SCPI_NO_READING

RULE, REPEATED_HEADER = "a rule between rows", "the header written again"
HARMLESS = (RULE, REPEATED_HEADER, QUERY, OTHER_ANSWER, BEFORE)
_RULE = re.compile(r"[\s=\-_*+~.|]+")
_LIKE_NUMBERS = re.compile(r"[.,eEdD]*[\d+\-][\d+\-.,eEdD]*", re.ASCII)
REJECT = (
    "correct the line, put # in front of it, or pass over such lines with --set bad_lines=reject "
    "(bad_lines='reject')"
)


def read_by_line(
    rows: Iterable[tuple[int, str]], form: Form, wanted: Wanted, *, reject: bool
) -> tuple[dict[int, Any], list[int], RejectedLines]:
    """Return the columns of rows given as line number and text, the lines taken, and the others."""
    units = {index: unit.strip() for index, unit in wanted.units}
    taken: list[tuple[list[float], int, str | None]] = []
    lines: list[int] = []
    rejected: list[Rejected] = []
    known: dict[str, _OddLineError] = {}
    for number, line in rows:
        odd = known.get(line)
        try:
            if odd is None:
                cells = _cells_of_row(line, form)
                values = [_number(cells[i], i, form, units.get(i, "")) for i in wanted.numbers]
                time = 0 if wanted.exact is None else _exact(cells[wanted.exact], form, wanted)
                text = None if wanted.moment is None else cells[wanted.moment]
                taken.append((values, time, text if text and text.lower() not in MISSING_TEXTS else None))
                lines.append(number)
                continue
        except _OddLineError as error:
            odd = known[line] = error.with_traceback(None)
        if not (reject or odd.harmless):
            msg = f"{odd.reason}{odd.advice}"
            raise LogError(msg, line=number)
        rejected.append(Rejected(line=number, reason=odd.reason, cut=odd.cut))
    numbers = np.array([values for values, _, _ in taken], dtype=float).reshape(-1, len(wanted.numbers))
    columns: dict[int, Any] = {i: numbers[:, place] for place, i in enumerate(wanted.numbers)}
    if wanted.exact is not None:
        columns[wanted.exact] = np.array([time for _, time, _ in taken], dtype=np.int64)
    if wanted.moment is not None:
        columns[wanted.moment] = np.array([text for _, _, text in taken], dtype=object)
    return columns, lines, RejectedLines.of(rejected)


class _OddLineError(Exception):
    """A line is no row: only the beginning of one (``cut``), or never meant as one (``harmless``)."""

    def __init__(
        self, reason: str, *, advice: str = f"; {REJECT}", cut: bool = False, harmless: bool = False
    ) -> None:
        self.reason, self.advice, self.cut, self.harmless = reason, advice, cut, harmless
        super().__init__(reason)


def _cells_of_row(line: str, form: Form) -> list[str]:
    """Return the cells of a row, missing ones empty."""
    if _RULE.fullmatch(line) and len(line.strip()) > 3:
        raise _OddLineError(RULE, harmless=True)
    if any(form.header) and tuple(split_line(line, form.separator)[: form.columns]) == form.header:
        raise _OddLineError(REPEATED_HEADER, harmless=True)
    cells = row_cells(line, form)
    if len(cells) > form.columns and any(cells[form.columns :]):
        reason = f"the row has {len(cells)} cells where the others have {form.columns}: {shown(line)}"
        raise _OddLineError(reason)
    if len(cells) < form.fewest:
        has = f"{len(cells)} cell{'s' * (len(cells) != 1)}"
        reason = f"the row has {has} where the others have {form.columns}: {shown(line)}"
        raise _OddLineError(reason, cut=True)
    return cells + [""] * (form.columns - len(cells))


def _exact(cell: str, form: Form, wanted: Wanted) -> int:
    """Return the time in a cell as a whole number."""
    number = exact_number(cell, form, wanted.decimals)
    if number is None:
        what = "is missing in this row" if cell.lower() in MISSING_TEXTS else f"{shown(cell)} is not a number"
        if exact_number(cell.partition(form.decimal)[0], form, 0) is not None:
            what = f"{shown(cell)} has decimals where the first ones have none"
        msg = f"the time {what}; every row needs its time"
        raise _OddLineError(msg, advice="")
    return number


def _number(cell: str, index: int, form: Form, unit: str) -> float:
    """Return the number in a cell, NaN for a known missing text."""
    kind = cell_kind(cell, form.decimal)
    if kind == "missing":
        return float("nan")
    parts = (cell, "") if kind == "number" else measured_parts(cell, form.decimal)
    if parts is not None and parts[1] == unit:
        return number_in(parts[0], form.decimal)
    cut = _LIKE_NUMBERS.fullmatch(cell) is not None
    if parts is None:
        reason = (
            f"{shown(cell)} in column {form.label(index)} is neither a number nor a known text for a missing "
            "reading such as NaN or OVLD"
        )
        raise _OddLineError(reason, cut=cut)
    reason = (
        f"the unit written in column {form.label(index)} changes from '{unit}' to '{parts[1]}'; write all "
        "readings in one unit, or pass over the other ones with --set bad_lines=reject (bad_lines='reject')"
    )
    raise _OddLineError(reason, advice="", cut=cut)


@dataclass(frozen=True, eq=False, kw_only=True)
class Columns:
    """The columns that were asked for."""

    rows: int
    # position to samples, shape (rows,), NaN where a cell holds no reading; times that float64 would not
    # hold are whole numbers, the last so many of whose digits are ``decimals``
    numbers: Mapping[int, npt.NDArray[Any]]
    decimals: int = 0
    # position to the unit written in its cells, where there is one
    cell_units: Mapping[int, str] = field(default_factory=dict)
    moments: Moments | None = None  # time stamps, where the time is written so
    lines: IntArray | None = None  # shape (rows,), one-based lines, where they do not follow from ``others``
    others: IntArray | None = None  # one-based lines of a text that are no rows, in order
    # lines that are no rows of the log, and why
    rejected: RejectedLines = field(default_factory=RejectedLines)
    doubtful: tuple[Rejected, ...] = ()  # lines of rows that may have been cut short, and why
    held: int = 0  # how many rejected lines keep their place as a row without readings
    # header, comments, blank: how many lines are text above the first row, comments, and blank
    header: int = 0
    comments: int = 0
    blank: int = 0
    # ends, fronts: shape (rows,), codes for how its rows end and begin, where these are looked at
    ends: npt.NDArray[np.uint16] | None = None
    fronts: npt.NDArray[np.uint16] | None = None

    @cached_property
    def row_lines(self) -> IntArray:
        """Shape (rows,): one-based lines of the rows, in a binary file their numbers."""
        if self.lines is not None:
            return self.lines
        if self.others is None:
            return np.arange(1, self.rows + 1)
        return np.delete(np.arange(1, self.rows + len(self.others) + 1), self.others - 1)

    def kept(self, rows: IntArray) -> Columns:
        """Return some of the rows."""
        return replace(
            self,
            rows=len(rows),
            numbers={i: column[rows] for i, column in self.numbers.items()},
            moments=None if self.moments is None else self.moments.kept(rows),
            lines=self.row_lines[rows],
            ends=None if self.ends is None else self.ends[rows],
            fronts=None if self.fronts is None else self.fronts[rows],
        )

    def without(self, rejected: RejectedLines) -> Columns:
        """Return all but the rows at some lines, which are counted among the rejected ones."""
        kept = self.kept(np.flatnonzero(~np.isin(self.row_lines, rejected.lines)))
        return replace(kept, rejected=RejectedLines.joined(self.rejected, rejected))

    def without_rows(self, rows: IntArray, reason: str) -> Columns:
        """Return all but some rows, whose lines are counted among the rejected ones."""
        return self.without(RejectedLines(self.row_lines[rows], reasons=[(reason, False)]))

    def with_missing(self, surely: RejectedLines) -> Columns:
        """Return the columns of a log without times, in which lines that were cut short keep their places."""
        rejected = RejectedLines.joined(self.rejected, surely)
        lines = rejected.of_reasons(cut for _, cut in rejected.reasons).lines
        added = lines[~np.isin(lines, self.row_lines)]
        merged = np.concatenate([self.row_lines, added])
        order = np.argsort(merged)
        lost = np.isin(merged[order], lines)

        def held(column: FloatArray) -> FloatArray:
            return np.where(lost, np.nan, np.concatenate([column, np.full(len(added), np.nan)])[order])

        return replace(
            self,
            rows=len(merged),
            numbers={i: held(column) for i, column in self.numbers.items()},
            lines=merged[order],
            rejected=rejected,
            held=self.held + len(lines),
        )


_NA_TEXTS = sorted({form for t in MISSING_TEXTS for form in (t, t.upper(), t.capitalize())} | {"NaN"})


@dataclass(frozen=True, eq=False, kw_only=True)
class PieceReader:
    """Reads pieces of one log."""

    form: Form
    wanted: Wanted
    reject: bool  # pass over lines that cannot be read, and count them

    def read(self, text: bytes, first_line: int) -> Columns:
        """Return the columns of some lines, the first of which has that number in the log."""
        form, wanted = self.form, self.wanted
        bare = without_blanks(text if text.endswith(b"\n") else text + b"\n", form)
        scan = Scan(self._with_unit_cells(cleaned(bare, form)), form.separator)
        content = scan.lengths > 0
        blank = int(np.count_nonzero(np.diff(line_ends(bare), prepend=-1) == 1))
        more = self._places[-1] - form.columns
        regular = content & (scan.cells >= form.fewest + more) & (scan.cells <= form.columns + more)
        columns, regular = self._parsed(scan, regular)
        places = np.flatnonzero(regular)
        odd = np.flatnonzero(content & ~regular)
        rejected = RejectedLines()
        if len(odd):
            lines = bare.split(b"\n")
            told = [(first_line + at, row_in(lines[at], form)) for at in odd.tolist()]
            others, taken, rejected = read_by_line(told, form, wanted, reject=self.reject)
            if taken:
                places = np.concatenate([places, np.array(taken, dtype=np.int64) - first_line])
                order = np.argsort(places)
                if wanted.moment is not None:
                    columns[wanted.moment] = texts_of(columns[wanted.moment])
                columns = {i: np.concatenate([columns[i], others[i]])[order] for i in columns}
                places = places[order]
        moment = None if wanted.moment is None else columns.pop(wanted.moment)
        return Columns(
            rows=len(places),
            numbers=columns,
            moments=None if moment is None or not len(places) else moments_in(moment),
            others=np.delete(np.arange(first_line, first_line + len(content)), places),
            rejected=rejected,
            comments=int(np.count_nonzero(scan.lengths == 0)) - blank,
            blank=blank,
            ends=ends_of(scan, places, form, wanted) if wanted.holds(form.columns - 1) else None,
            fronts=fronts_of(scan, places, form) if wanted.begins_with_reading else None,
        )

    @cached_property
    def _places(self) -> list[int]:
        """Where the cell of each column is, beside cells of units and clocks, and how many there are."""
        places, units = [0], {index for index, _ in self.wanted.units}
        for index in range(self.form.columns):
            places.append(places[-1] + 1 + (index in units) + (index == joined_column(self.form)))
        return places

    def _with_unit_cells(self, text: bytes) -> bytes:
        """Return lines with a mark in a cell of its own instead of each unit that ends a cell."""
        separator = self.form.separator.encode()
        for unit in sorted({unit for _, unit in self.wanted.units}, key=len, reverse=True):
            for end in (separator, b"\n"):
                text = text.replace(unit.encode() + end, separator + UNIT.encode() + end)
        return text

    def _parsed(
        self, scan: Scan, regular: npt.NDArray[np.bool_]
    ) -> tuple[dict[int, Any], npt.NDArray[np.bool_]]:
        """Return the columns of regular lines, and which these are: those without a cell that is odd."""
        form, wanted, rows = self.form, self.wanted, int(np.count_nonzero(regular))
        text = scan.text_of(regular) if rows else b""
        joined, at = joined_column(form) == wanted.moment, self._places
        alone = rows and wanted.moment == 0 and not joined
        stamps = scan.first_cells(regular) if alone else None
        numbers = {at[index]: "float64" for index in wanted.numbers}
        exact = {} if wanted.exact is None else {at[wanted.exact]: "str" if wanted.decimals else "int64"}
        frame = None
        for dtypes, missing in (  # without missing texts it is faster, with odd cells all are texts at first
            ({**numbers, **exact}, False),
            ({**numbers, **exact}, True),
            (dict.fromkeys(exact, "str"), False),
        ):
            with contextlib.suppress(ValueError, OverflowError):
                frame = self._frame(text, dtypes, missing=missing, stamps=stamps is None) if rows else None
            if frame is not None and len(frame) == rows:
                break
        else:
            return read_by_line((), form, wanted, reject=True)[0], np.zeros_like(regular)
        good = np.ones(rows, dtype=bool)
        for index, _ in wanted.units:
            good &= (frame[at[index] + 1] == UNIT).to_numpy(dtype=bool)
        columns: dict[int, Any] = {i: self._numbers(frame[at[i]], good) for i in wanted.numbers}
        if wanted.moment is not None and stamps is not None:
            columns[wanted.moment] = stamps
        elif wanted.moment is not None:
            cells = frame[at[wanted.moment]]
            cells = cells + "T" + frame[at[wanted.moment] + 1] if joined else cells
            columns[wanted.moment] = cells.to_numpy(dtype=object)
        if wanted.exact is not None:
            times = frame[at[wanted.exact]]
            whole = times.to_numpy()
            if whole.dtype.kind != "i":
                found = (exact_number(str(time).strip(), form, wanted.decimals) for time in times)
                whole = np.array([-1 if time is None else time for time in found], dtype=np.int64)
            good &= whole >= 0
            columns[wanted.exact] = whole
        if good.all():
            return columns, regular
        regular = regular.copy()
        regular[regular] = good
        return {index: column[good] for index, column in columns.items()}, regular

    def _numbers(self, cells: Any, good: npt.NDArray[np.bool_]) -> FloatArray:
        """Return the numbers in a column; rows with a cell that is odd are marked as no good."""
        import pandas as pd

        if cells.dtype.kind in "fiu":
            return np.asarray(cells.to_numpy(), dtype=float)
        texts = cells.astype("str")
        plain = texts.str.replace(self.form.decimal, ".", regex=False) if self.form.decimal != "." else texts
        numbers = pd.to_numeric(plain, errors="coerce").to_numpy(dtype=float)
        unread = np.flatnonzero(np.isnan(numbers))
        good[unread] &= [str(text).strip().lower() in MISSING_TEXTS for text in texts.iloc[unread]]
        return numbers

    def _frame(self, text: bytes, dtypes: Mapping[int, Any], *, missing: bool, stamps: bool = True) -> Any:
        """Return cells; with texts for missing readings, and with time stamps, where that is asked."""
        import pandas as pd

        wanted, separator, places = self.wanted, self.form.separator, self._places
        taken = [
            places[i] for i in range(self.form.columns) if wanted.holds(i) and (stamps or i != wanted.moment)
        ]
        taken += [places[index] + 1 for index, _ in wanted.units]
        if wanted.moment is not None and joined_column(self.form) == wanted.moment:
            taken.append(places[wanted.moment] + 1)
        return pd.read_csv(
            io.BytesIO(text),
            sep=r"\s+" if separator == " " else separator,
            header=None,
            names=range(places[-1]),  # numbers are looked up sooner than texts
            usecols=taken,  # the cells of each line were counted
            index_col=False,
            dtype=dtypes,
            keep_default_na=False,
            na_values=_NA_TEXTS if missing else None,
            na_filter=missing,
            decimal=self.form.decimal,
            skipinitialspace=b" " in text,
            quoting=csv.QUOTE_NONE,
            engine="c",
            low_memory=False,
        )


PIECE_BYTES = 3 << 18


def read_columns(
    log: LogText,
    form: Form,
    wanted: Wanted,
    *,
    reject: bool = False,
    earlier: Mapping[End, int] | None = None,
    sample: Sequence[str] = (),
) -> Columns:
    """Return the columns at the given positions, of rows that were not cut short.

    In a log without times a row that was cut short keeps its place, where its readings are missing. Beside
    how ``earlier`` rows of a log end, and a ``sample`` of last cells, it is judged what was cut short.
    """
    columns = _parsed(log, form, wanted, reject=reject)
    columns = _without_infinite(log, form, columns, reject=reject)
    judge = Judge(
        form,
        wanted,
        ends=columns.ends,
        fronts=columns.fronts,
        earlier=earlier or {},
        sample=sample or first_cells(log, form, form.columns - 1, PROBE_LINES),
        numbers=columns.numbers,
        texts=lambda rows: _texts(log, columns.row_lines[rows]),
    )
    surely, perhaps = judge.verdict()
    if surely and not reject:
        (_, line), *_ = _texts(log, [surely[0].line])
        msg = f"{surely[0].reason}: {shown(line)}; {REJECT}"
        raise LogError(msg, line=surely[0].line)
    told = RejectedLines.of(surely)
    if wanted.time is not None:
        columns = columns.without(told) if surely else columns
    elif surely or any(cut for _, cut in columns.rejected.reasons):
        columns = columns.with_missing(told)
    return replace(columns, doubtful=perhaps)


def _parsed(log: LogText, form: Form, wanted: Wanted, *, reject: bool) -> Columns:
    """Return the columns of all lines that can be read."""
    start = 0
    for _ in range(form.first_line - 1):
        start = log.text.index(b"\n", start) + 1
    head = log.text[:start].decode(errors="replace").split("\n")[:-1]
    blank = sum(not line.strip() for line in head)
    comments = sum(is_comment(line, form.separator) for line in head)
    header = len(head) - comments - blank
    reader = PieceReader(form=form, wanted=wanted, reject=reject)
    numbers: dict[int, npt.NDArray[Any]] = {i: np.empty(log.lines) for i in wanted.numbers}
    if wanted.exact is not None:  # room that is not written to costs nothing
        numbers[wanted.exact] = np.empty(log.lines, dtype=np.int64)
    ns = np.empty(0 if wanted.moment is None else log.lines, dtype=np.int64)
    rows, parts, moments = 0, list[Columns](), list[Moments]()
    pieces = _pieces(log.text, start, form)
    workers = min(len(pieces), os.cpu_count() or 1, 4)  # pandas and NumPy let threads run side by side
    with ThreadPoolExecutor(max_workers=workers) as pool:
        for part in pool.map(lambda piece: reader.read(log.text[piece[0] : piece[1]], piece[2]), pieces):
            place = slice(rows, rows := rows + part.rows)
            for i, column in numbers.items():
                column[place] = part.numbers[i]
            if part.moments is not None:
                ns[place] = part.moments.ns
                moments.append(replace(part.moments, ns=ns[place]))
            parts.append(replace(part, numbers={}, moments=None))
    return Columns(
        rows=rows,
        numbers={i: column[:rows] for i, column in numbers.items()},
        decimals=wanted.decimals,
        cell_units={i: unit.strip() for i, unit in wanted.units},
        moments=end_to_end(moments, ns[:rows]) if moments else None,
        others=np.concatenate([np.arange(1, form.first_line), *(part.others for part in parts)]),
        rejected=RejectedLines.joined(*(part.rejected for part in parts)),
        header=header,
        comments=comments + sum(part.comments for part in parts),
        blank=blank + sum(part.blank for part in parts),
        ends=np.concatenate([part.ends for part in parts]) if parts[0].ends is not None else None,
        fronts=np.concatenate([part.fronts for part in parts]) if parts[0].fronts is not None else None,
    )


def _pieces(text: bytes, start: int, form: Form) -> list[tuple[int, int, int]]:
    """Return where to cut a text into pieces of whole lines, and the number of the first line of each."""
    pieces: list[tuple[int, int, int]] = []
    start, line = start + form.lead_in, form.first_line
    while True:
        stop = text.find(b"\n", start + PIECE_BYTES) + 1
        if not stop or len(text) - stop < PIECE_BYTES:
            return [*pieces, (start, len(text), line)]
        pieces.append((start, stop, line))
        line += line_feeds(text, start, stop)
        start = stop


def _without_infinite(log: LogText, form: Form, columns: Columns, *, reject: bool) -> Columns:
    """Return the columns without rows that hold an infinite value, or one as large as no reading is.

    What SCPI instruments answer where they have no reading becomes NaN.
    """
    for index, values in columns.numbers.items():
        if (
            values.dtype != float
            or max(np.fmax.reduce(values, initial=0.0), -np.fmin.reduce(values, initial=0.0)) < SCPI_INFINITY
        ):
            continue
        values[np.isin(np.abs(values), SCPI_NO_READING)] = np.nan
        rows = np.flatnonzero(np.abs(values) > LARGEST)
        if not len(rows):
            continue
        infinite = np.isinf(values[rows[0]])
        what = "an infinite value" if infinite else f"{values[rows[0]]:.3g}, as no instrument reads"
        reason = f"column {form.label(index)} holds {what}"
        if not reject:
            msg = f"{reason}; write a missing reading as NaN"
            raise LogError(msg, line=int(columns.row_lines[rows[0]]))
        return _without_infinite(log, form, columns.without_rows(rows, reason), reject=reject)
    return columns


def _texts(log: LogText, lines: Sequence[int] | IntArray) -> list[tuple[int, str]]:
    """Return numbers and texts of some lines."""
    if not len(lines):
        return []
    ends = np.concatenate([[-1], line_ends(log.text), [len(log.text)]])
    spans = ((int(line), ends[line - 1] + 1, ends[line]) for line in lines)
    return [(line, log.text[start:stop].decode(errors="replace")) for line, start, stop in spans]


def first_cells(log: LogText, form: Form, index: int, count: int) -> list[str]:
    """Return the texts in one column of the first rows, none where the file has no cells."""
    if not form.separator:
        return []
    how = (form.first_line, form.lead_in, form.separator, count)
    if how not in log.first_rows:
        lines = (line for _, line in itertools.islice(row_lines(log, form), count))
        log.first_rows[how] = [row_cells(line, form) for line in lines]
    return [row[index] for row in log.first_rows[how] if max(index + 1, form.fewest) <= len(row)]
