"""Text of known form → parts of its columns that fit a cache and share the processors.

Each piece is read in the quickest way that understands all its lines: rows alike by their digits, others by
the C parser of pandas, and only what that refuses line by line.
"""

from __future__ import annotations

import io
import itertools
import os
import re
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from typing import Any, TypeVar

import numpy as np
import numpy.typing as npt

from evenbeat.logs.files import LogText
from evenbeat.logs.form.cells import JOINED_MOMENT, MISSING_TEXTS, split_line
from evenbeat.logs.rows.alike import AlikeReader
from evenbeat.logs.rows.decimals import exact_in
from evenbeat.logs.rows.lines import row_in
from evenbeat.logs.rows.single import part_by_line
from evenbeat.logs.rows.wanted import KEPT_STARTS, Alike, Part, Wanted, one_scale
from evenbeat.logs.terms import Form

PART_BYTES = 1 << 21
_HEAD = 1 << 12
_Item = TypeVar("_Item")
_Result = TypeVar("_Result")
_NA_TEXTS = sorted({form for t in MISSING_TEXTS for form in (t, t.upper(), t.capitalize())} | {"NaN"})
_FORTRAN_EXPONENT = re.compile(rb"(?<=[\d.])[dD](?=[+-]?\d)")
_RULE = re.compile(rb"(?m)^[ \t=\-_*+~.|]*[=\-_*+~.|][ \t=\-_*+~.|]*$")
_JOINED = re.compile(JOINED_MOMENT.encode())
_MARK = re.compile(rb"[.,eE](?=[+-]?\d+$)")
_FRONT = re.compile(rb"[+-]?(\d*)(.?)")
_SMALL = 0.05  # a number above it may have lost its exponent
_PROBED = 1 << 15  # bytes that tell a habit
_COMMON = 0.02  # share of rows that end in a second way
_CACHED = 1 << 18  # bytes whose comparisons stay in the cache
_MOST_ENDINGS = 40  # different ones; rows that end in still others are not compared


def read_parts(log: LogText, form: Form, wanted: Wanted, start: int, *, reject: bool) -> list[Part]:
    """Return the parts of a text from ``start`` on.

    Raises
    ------
    LogError
        If a row cannot be read and is not to be passed over, naming its line.
    """
    reader = _PieceReader(log, form, wanted, reject=reject)
    pieces = text_pieces(log.text, start)
    parts = in_parallel(reader.read, pieces)
    if not one_scale([part for part in parts if part.rows]):
        parts = in_parallel(reader.read_texts, pieces)  # some stamps are written otherwise: one way for all
    return parts


class _PieceReader:
    """Reads a piece of a text in the quickest way that understands every line of it."""

    def __init__(self, log: LogText, form: Form, wanted: Wanted, *, reject: bool) -> None:
        self.log, self.form, self.wanted, self.reject = log, form, wanted, reject
        self.alike = AlikeReader(log, form, wanted, reject=reject)
        self.measured = any(form.kinds[i] == "measured" for i in wanted.numbers)

    def read(self, span: tuple[int, int]) -> Part:
        """Return the columns of the lines in a span of the text."""
        if span[0] == span[1]:
            return self._one_by_one(span)
        if self.measured:
            return self._one_by_one(span)
        part = self.alike.read(*span)
        if part is not None:
            return part
        moments = self.alike.stamps(*span)
        if moments is not None:
            rest = parse_part(self._text(span), self.form, replace(self.wanted, moment=None))
            if rest is not None and rest.rows == len(moments.ns):
                return replace(rest.with_moments(moments), alike=self._alike(span, rest))
        return self.read_texts(span)

    def read_texts(self, span: tuple[int, int]) -> Part:
        """Return the columns of the lines in a span of the text, time stamps as texts."""
        part = None if self.measured else parse_part(self._text(span), self.form, self.wanted)
        part = part or self._one_by_one(span)
        return replace(part, alike=self._alike(span, part))

    def _alike(self, span: tuple[int, int], part: Part) -> tuple[Alike, ...]:
        """Return the rows of a span by how they begin and end, where that matters."""
        last, begin = self.form.columns - 1, self.wanted.begins_with_reading
        if not (self.wanted.holds(last) or begin):
            return ()
        values = part.numbers.get(last, np.empty(0))
        ends = np.fmin.reduce(values, initial=np.inf), np.fmax.reduce(values, initial=-np.inf)
        small = part.rows if max(-ends[0], ends[1]) < _SMALL else 0
        return tuple(rows_alike(self.log.text, *span, self.form, begin=begin, small=small))

    def _text(self, span: tuple[int, int]) -> bytes:
        return self.log.text[span[0] : span[1]]

    def _one_by_one(self, span: tuple[int, int]) -> Part:
        before = self.log.text.count(b"\n", 0, span[0]) + 1
        lines = enumerate(io.BytesIO(self._text(span)), before)
        rows = ((number, line) for number, raw in lines if (line := row_in(raw, self.form)))
        units = None if self.measured else dict.fromkeys(self.wanted.numbers, "")
        return part_by_line(rows, self.form, self.wanted, reject=self.reject, path=self.log.path, units=units)


def text_pieces(body: bytes, start: int = 0, size: int = PART_BYTES) -> list[tuple[int, int]]:
    """Return where to cut a text into parts of whole lines."""
    edges = [start]
    while len(body) - edges[-1] > 2 * size:
        edge = body.find(b"\n", edges[-1] + size) + 1
        if not edge:
            break
        edges.append(edge)
    edges.append(len(body))
    return list(itertools.pairwise(edges))


def in_parallel(work: Callable[[_Item], _Result], items: Sequence[_Item]) -> list[_Result]:
    """Return ``work`` of all items in their order; the C parser and NumPy let threads run side by side."""
    workers = min(len(items), os.cpu_count() or 1, 4)
    if workers < 2:
        return [work(item) for item in items]
    with ThreadPoolExecutor(max_workers=workers) as pool:
        return list(pool.map(work, items))


def rows_alike(
    text: bytes, start: int, stop: int, form: Form, *, begin: bool, small: int = 0
) -> Iterator[Alike]:
    """Yield the rows between two places by how they end: the same mark before as many digits.

    One row after another is compared with those that are left, so that rows which nearly all end in few
    ways are grouped at once. That the cells are numbers is left to those who parse them.

    Parameters
    ----------
    begin
        Whether rows alike must also have as many digits in front, where they end in an exponent.
    small
        How many rows there are, if all last numbers are so far below one that none has lost a negative
        exponent or a digit of it; else zero.
    """
    body = np.frombuffer(text, np.uint8, stop - start, start)
    middle = text.rfind(b"\n", start, (start + stop) // 2) + 1 or start
    row = text[middle : text.find(b"\n", middle, stop)]
    mark, front = _MARK.search(row), _FRONT.match(row)
    plain = mark is not None and mark.group().decode() == form.decimal != form.separator
    if mark and front and (plain or mark.group() in b"eE") and (line := row_in(row, form)):
        back = len(row) - mark.start()
        whole = small if not plain and b"-" in row[-back:] else 0
        rows = whole or _all_marked(body, back, mark.group()[0])
        if rows and begin and not plain:
            rows *= _all_begin(body, len(front.group(1)) + 1, ord(form.decimal))
        if rows:
            yield Alike(line=line, count=rows)
            return
    if plain and stop - start > _CACHED:
        cut = text.find(b"\n", start + _PROBED, stop) + 1 or stop
        some = list(rows_alike(text, start, cut, form, begin=begin))
        counts = sorted(alike.count for alike in some)
        if len(counts) > 1 and counts[-2] > _COMMON * sum(counts):  # a habit, of which some rows tell enough
            scale = (stop - start) / (cut - start)
            yield from (Alike(line=alike.line, count=round(scale * alike.count)) for alike in some)
            return
    blocks = ((first, body[first : first + _CACHED]) for first in range(0, len(body), _CACHED))
    ends = np.concatenate([np.flatnonzero(block == ord("\n")) + first for first, block in blocks])
    ends = ends if len(ends) and ends[-1] == len(body) - 1 else np.append(ends, len(body))
    begins = np.concatenate([[0], ends[:-1] + 1])
    if not (filled := ends > begins).all():
        begins, ends = begins[filled], ends[filled]
    if len(ends):
        first = body[begins[0] : ends[0]].tobytes()
        ends = ends - (len(first) - len(first.rstrip()))
    for _ in range(_MOST_ENDINGS):
        if not len(ends):
            return
        row = body[begins[len(ends) // 2] : ends[len(ends) // 2]].tobytes()
        alike = _ends_as(row, body, ends, form)
        if begin and (front := _FRONT.match(row)):
            signed = (body[begins] == ord("+")) | (body[begins] == ord("-"))
            behind = np.minimum(begins + signed + len(front.group(1)), len(body) - 1)
            alike &= body[behind] == (front.group(2) or b"\n")[0]
        if line := row_in(row, form):
            starts = begins[np.flatnonzero(alike)[:KEPT_STARTS]] + start
            yield Alike(line=line, count=int(np.count_nonzero(alike)), starts=tuple(starts.tolist()))
        others = np.flatnonzero(~alike)
        begins, ends = begins[others], ends[others]


def _all_marked(body: npt.NDArray[np.uint8], back: int, mark: int) -> int:
    """Return how many lines there are where a mark stands so far before the end of each; 0 if not."""
    rows = 0
    for first in range(0, len(body) - back, _CACHED):
        block = body[first : first + _CACHED + back]
        ends = block[back:] == ord("\n")
        rows += int(np.count_nonzero(ends))
        ends &= block[:-back] != mark
        if ends.any():
            return 0
    return 0 if (body[:back] == ord("\n")).any() else rows


def _all_begin(body: npt.NDArray[np.uint8], width: int, mark: int) -> bool:
    """Return whether a mark stands so far into each line, behind a sign one character farther."""
    for first in range(0, len(body) - width - 2, _CACHED):
        block = body[first : first + _CACHED + width + 2]
        begins = block[: -width - 2] == ord("\n")
        begins &= block[width:-2] != mark
        begins &= (block[width + 1 : -1] != mark) | (block[1 : -width - 1] >= ord("0"))
        if begins.any():
            return False
    line = body[: width + 1].tobytes()
    return line.lstrip(b"+-")[width - 1 : width] == bytes([mark])


def _ends_as(
    row: bytes, body: npt.NDArray[np.uint8], ends: npt.NDArray[np.intp], form: Form
) -> npt.NDArray[np.bool_]:
    """Return which rows end as one of them: the same mark before as many digits.

    Where a row is shorter, there is a digit or line end of the row above, which is no mark.
    """
    digits = len(row) - len(row.rstrip(b"0123456789"))
    mark = row[-digits - 1 : len(row) - digits] or b"\n"
    alike = body[ends - digits - 1] == mark[0]
    if mark in (b"+", b"-"):  # of an exponent, or of a whole number
        alike &= body[ends - digits - 2] == (row[-digits - 2 : -digits - 1] or b"\n")[0]
    if mark == form.separator.encode() or mark not in (b".", b",", b"e", b"E"):
        for back in range(1, digits + 1):
            alike &= body[ends - back] - ord("0") < 10
    return alike


def cleaned(part: bytes, form: Form) -> bytes:
    """Return lines without comments and quotation marks, their exponents with an E."""
    if b"#" in part:
        part = re.sub(rb"#.*", b"", part)
    marks = rb"%|//" if form.separator == ";" else rb"[%;]|//"
    slashes = b"/" in part and b"//" in part  # one byte is looked for much faster than two
    if b"%" in part or slashes or (form.separator != ";" and b";" in part):
        part = re.sub(rb"(?m)^[ \t]*(?:" + marks + rb").*", b"", part)
    if b'"' in part:
        part = part.replace(b'"', b"")
    if form.fortran:
        part = _FORTRAN_EXPONENT.sub(b"E", part)
    if form.joined_moment:
        part = _JOINED.sub(rb"\1T\2", part)
    if (b" " in part and b" \n" in part) or (b"\t" in part and b"\t\n" in part):
        part = re.sub(rb"(?m)^[ \t]+$", b"", part)
    return part


def parse_part(part: bytes, form: Form, wanted: Wanted) -> Part | None:
    """Return the columns of some lines, or ``None`` where some row is not regular."""
    part = cleaned(part, form)
    if not part[:_HEAD].strip() and not part.strip():
        return None
    first = _first_line(part)
    if len(split_line(first, form.separator)) > form.columns:
        return None  # pandas would only warn where the very first row is too long
    if wanted.moment is not None and _RULE.search(part):
        return None  # it would be a time stamp without a reading
    frame = _frame(part, form, wanted)
    return None if frame is None or _ends_early(part, frame, form) else _part_of(frame, form, wanted)


def _ends_early(part: bytes, frame: Any, form: Form) -> bool:
    """Return whether some row has too few cells, which pandas would fill up."""
    last = frame[form.columns - 1]
    absent = last.isna() if last.dtype.kind == "f" else last.isna() | (last == "")
    empty = np.flatnonzero(absent.to_numpy(dtype=bool))
    if not len(empty) or form.fewest < 2:
        return False
    lines = [line for line in part.split(b"\n") if line.strip()]
    separator = None if form.separator == " " else form.separator.encode()
    return len(lines) != len(frame) or any(len(lines[row].split(separator)) < form.fewest for row in empty)


def _first_line(part: bytes) -> str:
    head = part[:_HEAD].lstrip(b"\n") or part.lstrip(b"\n")
    end = head.find(b"\n")
    return (head if end < 0 else head[:end]).decode(errors="replace")


def _frame(part: bytes, form: Form, wanted: Wanted) -> Any:
    """Return a table, or ``None``; the first attempt takes no text for a missing reading and is faster."""
    import pandas as pd

    texts = [i for i in (wanted.moment, wanted.exact) if i is not None]
    known = dict.fromkeys(wanted.numbers, "float64") | dict.fromkeys(texts, "str")
    common: dict[str, Any] = {
        "sep": r"\s+" if form.separator == " " else form.separator,
        "header": None,
        "names": range(form.columns),  # all of them: with usecols a row too long would pass unseen
        "index_col": False,
        "dtype": known,
        "keep_default_na": False,
        "decimal": form.decimal,
        "skipinitialspace": b" " in part,
        "quoting": 3,
        "engine": "c",
        "low_memory": len(known) == form.columns,  # quicker, but guesses what else there is chunk by chunk
    }
    refusals = (ValueError, OverflowError, pd.errors.ParserWarning)
    if not texts:
        try:
            return pd.read_csv(io.BytesIO(part), na_filter=False, **common)
        except refusals:
            pass
    try:
        return pd.read_csv(io.BytesIO(part), na_values=_NA_TEXTS, na_filter=True, **common)
    except refusals:
        return None


def _part_of(frame: Any, form: Form, wanted: Wanted) -> Part | None:
    numbers = {i: np.asarray(frame[i].to_numpy(), dtype=float) for i in wanted.numbers}
    part = Part(
        rows=len(frame),
        finite=all(bool(np.isfinite(column).all()) for column in numbers.values()),
        numbers=numbers,
        stamps=None if wanted.moment is None else frame[wanted.moment],
    )
    if wanted.exact is None:
        return part
    exact = [exact_in(str(word).strip(), form.decimal) for word in frame[wanted.exact]]
    found = [number for number in exact if number is not None]
    if len(found) < len(exact):
        return None
    fraction = np.array([number[1] for number in found])
    whole = np.array([number[0] for number in found], dtype=np.int64)
    return part.with_exact(whole, fraction if fraction.any() else None)
