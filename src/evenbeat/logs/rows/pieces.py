"""A piece of a text of known form → its columns, and what each of its lines is.

One pass of the C parser of pandas reads all lines that have as many cells as a row has. It is taken only if
it finds as many rows and understands every cell; what it does not understand is read line by line.
"""

from __future__ import annotations

import csv
import io
from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
import numpy.typing as npt

from evenbeat.ledger import RejectedLines
from evenbeat.logs.cells import (
    ASIDE,
    MISSING_TEXTS,
    UNIT,
    Scan,
    cleaned,
    joined_column,
    line_ends,
    row_in,
    without_blanks,
)
from evenbeat.logs.rows.cut_short import Endings, endings_of
from evenbeat.logs.rows.lines import EXACT, EXACT_TIME, read_by_line
from evenbeat.logs.rows.stamps import IntArray, Moments, moments_in, texts_of
from evenbeat.logs.terms import Form, Wanted
from evenbeat.quantities import FloatArray

_NA_TEXTS = sorted({form for t in MISSING_TEXTS for form in (t, t.upper(), t.capitalize())} | {"NaN"})
_REFUSALS = (ValueError, OverflowError)


@dataclass(frozen=True, eq=False, kw_only=True)
class Part:
    """Columns of the rows in a piece of text.

    Parameters
    ----------
    whole, fraction
        The exact times; no fraction where all are whole.
    others
        One-based lines that are no rows, in order.
    comments, blank
        How many of these are comments and blank lines; all others are rejected.
    endings
        How its rows begin and end.
    """

    rows: int
    numbers: dict[int, FloatArray]
    moments: Moments | None
    whole: IntArray | None
    fraction: FloatArray | None
    others: IntArray
    rejected: RejectedLines
    comments: int
    blank: int
    endings: Endings


@dataclass(frozen=True, eq=False, kw_only=True)
class PieceReader:
    """Reads pieces of one log.

    Parameters
    ----------
    reject
        Pass over lines that cannot be read, and count them.
    """

    form: Form
    wanted: Wanted
    path: str
    reject: bool

    def read(self, text: bytes, first_line: int) -> Part:
        """Return the columns of some lines, the first of which has that number in the log.

        Raises
        ------
        LogError
            If a row cannot be read and is not to be passed over, naming its line.
        """
        form, wanted = self.form, self.wanted
        bare = without_blanks(text if text.endswith(b"\n") else text + b"\n", form)
        clean = cleaned(bare, form)
        scan = Scan(self._with_unit_cells(clean), form.separator)
        aside = (scan.lengths > 0) & (scan.body[scan.starts] == ord(ASIDE))
        content = (scan.lengths > 0) & ~aside
        blank = int(np.count_nonzero(np.diff(line_ends(bare), prepend=-1) == 1))
        comments = int(np.count_nonzero(scan.lengths == 0)) - blank
        more = len(self._names[0]) - form.columns
        regular = content & (scan.cells >= form.fewest + more) & (scan.cells <= form.columns + more)
        columns, regular = self._at_once(scan, regular)
        places = np.flatnonzero(regular)
        endings = endings_of(scan, places, first_line, form, wanted)
        odd = np.flatnonzero(content & ~regular)
        rejected = RejectedLines()
        if len(odd):
            lines = bare.split(b"\n")
            told = [(first_line + at, row_in(lines[at], form)) for at in odd.tolist()]
            read = read_by_line(told, form, wanted, reject=self.reject, path=self.path)
            rejected = read.rejected
            if read.lines:
                accepted = np.array(read.lines, dtype=np.int64) - first_line
                order = np.argsort(np.concatenate([places, accepted]))
                if wanted.moment is not None:
                    columns[wanted.moment] = texts_of(columns[wanted.moment])
                columns = {i: np.concatenate([columns[i], read.columns[i]])[order] for i in columns}
                places = np.concatenate([places, accepted])[order]
                texts = dict(told)
                endings = endings.and_rows([(line, texts[line]) for line in read.lines], form, wanted)
        others = np.delete(np.arange(first_line, first_line + len(content)), places)
        moments = None
        if wanted.moment is not None and len(places):
            moments = moments_in(columns[wanted.moment])
        times = None if wanted.exact is None else columns[wanted.exact]
        return Part(
            rows=len(places),
            numbers={i: columns[i] for i in wanted.numbers},
            moments=moments,
            whole=None if times is None else times["whole"],
            fraction=None if times is None or not times["fraction"].any() else times["fraction"],
            others=others,
            rejected=rejected,
            comments=comments,
            blank=blank,
            endings=endings,
        )

    @cached_property
    def _names(self) -> tuple[list[str], list[str]]:
        """Names of the cells of a line, with units and clocks in cells of their own; those of the units."""
        names: list[str] = []
        units = {index for index, _ in self.wanted.units}
        for index in range(self.form.columns):
            names += [str(index), *([f"unit {index}"] if index in units else [])]
            names += ["clock"] if index == joined_column(self.form) else []
        return names, [f"unit {index}" for index in sorted(units)]

    def _with_unit_cells(self, text: bytes) -> bytes:
        """Return lines with a mark in a cell of its own instead of each unit that ends a cell."""
        separator = self.form.separator.encode()
        for unit in sorted({unit for _, unit in self.wanted.units}, key=len, reverse=True):
            for end in (separator, b"\n"):
                text = text.replace(unit.encode() + end, separator + UNIT.encode() + end)
        return text

    def _at_once(
        self, scan: Scan, regular: npt.NDArray[np.bool_]
    ) -> tuple[dict[int, Any], npt.NDArray[np.bool_]]:
        """Return the columns of the regular lines, and which these are: those that pandas understands."""
        columns = self._parsed(scan, regular)
        if columns is None:
            regular = regular.copy()
            regular[np.flatnonzero(regular)[self._suspects(scan, regular)]] = False
            columns = self._parsed(scan, regular)
        if columns is None:
            regular = np.zeros_like(regular)
            columns = self._parsed(scan, regular) or {}
        return columns, regular

    def _parsed(self, scan: Scan, regular: npt.NDArray[np.bool_]) -> dict[int, Any] | None:
        """Return the columns of some lines, ``None`` where a cell is not understood."""
        wanted = self.wanted
        if not regular.any():
            texts = {} if wanted.moment is None else {wanted.moment: np.empty(0, dtype=object)}
            times = {} if wanted.exact is None else {wanted.exact: np.empty(0, dtype=EXACT_TIME)}
            return {**{i: np.empty(0) for i in wanted.numbers}, **texts, **times}
        text, rows = scan.text_of(regular), int(np.count_nonzero(regular))
        short = bool((scan.cells[regular] < len(self._names[0])).any())
        stamps = None
        if wanted.moment == 0 and joined_column(self.form) is None:
            stamps = scan.first_cells(regular)
        dtypes = {str(index): "float64" for index in wanted.numbers}
        if wanted.exact is not None:
            dtypes[str(wanted.exact)] = "str" if wanted.fractions else "int64"
        frame = None
        for missing in (True,) if short else (False, True):  # without missing texts it is faster
            try:
                frame = self._frame(text, dtypes, missing=missing, stamps=stamps is None)
                break
            except _REFUSALS:
                continue
        if frame is None or len(frame) != rows:
            return None
        if not all((frame[name] == UNIT).all() for name in self._names[1]):
            return None
        columns: dict[int, Any] = {i: frame[str(i)].to_numpy() for i in wanted.numbers}
        if wanted.moment is not None and stamps is not None:
            columns[wanted.moment] = stamps
        elif wanted.moment is not None:
            cells = frame[str(wanted.moment)]
            cells = cells + "T" + frame["clock"] if "clock" in frame else cells
            columns[wanted.moment] = cells.to_numpy(dtype=object)
        if wanted.exact is not None:
            exact = exact_times(frame[str(wanted.exact)], self.form.decimal)
            if exact is None:
                return None
            columns[wanted.exact] = exact
        return columns

    def _frame(self, text: bytes, dtypes: dict[str, Any], *, missing: bool, stamps: bool = True) -> Any:
        """Return cells; with texts for missing readings, and with time stamps, where that is asked."""
        import pandas as pd

        separator, (names, units) = self.form.separator, self._names
        taken = [str(i) for i in range(self.form.columns) if self.wanted.holds(i)]
        taken = taken if stamps else [name for name in taken if name != str(self.wanted.moment)]
        joined = joined_column(self.form)
        taken += ["clock"] if joined is not None and joined == self.wanted.moment else []
        return pd.read_csv(
            io.BytesIO(text),
            sep=r"\s+" if separator == " " else separator,
            header=None,
            names=names,
            usecols=[*taken, *units],  # the cells of each line were counted
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

    def _suspects(self, scan: Scan, regular: npt.NDArray[np.bool_]) -> npt.NDArray[np.bool_]:
        """Return which of some lines hold a cell that is no number and no text for a missing one."""
        import pandas as pd

        wanted, decimal = self.wanted, self.form.decimal
        count = int(np.count_nonzero(regular))
        suspects = np.zeros(count, dtype=bool)
        dtypes = {} if wanted.exact is None else {str(wanted.exact): "str"}
        try:
            frame = self._frame(scan.text_of(regular), dtypes, missing=False)
        except _REFUSALS:
            return ~suspects
        if len(frame) != count:
            return ~suspects
        for name in self._names[1]:
            suspects |= (frame[name] != UNIT).to_numpy(dtype=bool)
        for index in wanted.numbers:
            cells = frame[str(index)]
            if cells.dtype.kind in "fiu":
                continue
            cells = cells.astype("str")
            plain = cells.str.replace(decimal, ".", regex=False) if decimal != "." else cells
            unread = np.flatnonzero(pd.to_numeric(plain, errors="coerce").isna().to_numpy())
            known = [str(cell).strip().lower() in MISSING_TEXTS for cell in cells.iloc[unread]]
            suspects[unread[~np.array(known, dtype=bool)]] = True
        if wanted.exact is not None:
            times = frame[str(wanted.exact)]
            suspects |= [EXACT[decimal].fullmatch(str(time).strip()) is None for time in times]
        return suspects


def exact_times(cells: Any, decimal: str) -> npt.NDArray[np.void] | None:
    """Return whole parts and fractions of numbers without sign, ``None`` where one is none or too large.

    The fraction is the float64 next to what is written: it is read by itself, as ``0.…``.
    """
    import pandas as pd

    times = np.zeros(len(cells), dtype=EXACT_TIME)
    if cells.dtype.kind in "iu":
        times["whole"] = cells
    else:
        text = "\n".join(map(str, cells.to_numpy(dtype=object))).replace(decimal, ";0.")
        how: dict[str, Any] = {"sep": ";", "header": None, "names": [0, 1], "skip_blank_lines": False}
        try:
            parts = pd.read_csv(io.StringIO(text), dtype={0: "int64", 1: "float64"}, index_col=False, **how)
        except _REFUSALS:
            return None
        if len(parts) != len(cells):
            return None
        times["whole"], times["fraction"] = parts[0], parts[1].fillna(0.0)
    return None if (times["whole"] < 0).any() or "-" in str(cells.iloc[0]) else times
