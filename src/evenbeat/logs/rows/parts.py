"""Regular rows → columns by the C parser of pandas, in parts that fit a cache and share the processors."""

from __future__ import annotations

import io
import itertools
import os
import re
from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from typing import Any, TypeVar

import numpy as np

from evenbeat.logs.form.cells import JOINED_MOMENT, MISSING_TEXTS, split_line
from evenbeat.logs.layout import Form
from evenbeat.logs.rows.stamps import Moments, first_cells_of, moments_in
from evenbeat.quantities import FloatArray

PART_BYTES = 1 << 22
_HEAD = 1 << 12
_Item = TypeVar("_Item")
_Result = TypeVar("_Result")
_NA_TEXTS = sorted({form for t in MISSING_TEXTS for form in (t, t.upper(), t.capitalize())} | {"NaN"})
_FORTRAN_EXPONENT = re.compile(rb"(?<=[\d.])[dD](?=[+-]?\d)")
_JOINED = re.compile(JOINED_MOMENT.encode())


@dataclass(frozen=True, kw_only=True)
class Wanted:
    """Which columns are read and as what.

    Parameters
    ----------
    numbers, texts
        Positions of columns of numbers, and of texts.
    moment
        Position of a column of time stamps, ``None`` where there is none.
    exact
        Position of a column of whole numbers that float64 would not hold.
    """

    numbers: tuple[int, ...]
    texts: tuple[int, ...] = ()
    moment: int | None = None
    exact: int | None = None


@dataclass(frozen=True, eq=False, kw_only=True)
class Part:
    """Columns of some consecutive rows; ``finite`` where none of their numbers is missing or infinite."""

    rows: int
    finite: bool
    numbers: dict[int, FloatArray]
    texts: dict[int, Any]
    moments: Moments | None = None
    whole: Any = None


def read_parts(body: bytes, form: Form, wanted: Wanted, start: int = 0) -> list[Part] | None:
    """Return the parts of a text from ``start`` on, or ``None`` where some row is not regular."""
    pieces = text_pieces(body, start)

    def parse(span: tuple[int, int]) -> Part | None:
        return parse_part(body[span[0] : span[1]], form, wanted)

    parts = in_parallel(parse, pieces)
    found = [part for part in parts if part is not None]
    if len(found) < len(parts):
        return None
    kept = [part for part in found if part.rows]
    fast = [part for part in kept if part.moments is not None]
    if fast and len(fast) < len(kept):
        return None  # some stamps are written otherwise: one way for all
    if fast and len({part.moments.zoned for part in fast if part.moments is not None}) > 1:
        return None
    return kept or found[:1]


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
        return _nothing(wanted)
    first = _first_line(part)
    if len(split_line(first, form.separator)) > form.columns:
        return None  # pandas would only warn where the very first row is too long
    if wanted.moment == 0 and form.columns > 1:
        fast = _fast_part(part, form, wanted)
        if fast is not None:
            return fast
    texts = wanted.texts if wanted.moment is None else (*wanted.texts, wanted.moment)
    frame = _frame(part, form, wanted, texts)
    if frame is None:
        return None
    return _part_of(frame, wanted, texts)


def _first_line(part: bytes) -> str:
    head = part[:_HEAD].lstrip(b"\n") or part.lstrip(b"\n")
    end = head.find(b"\n")
    return (head if end < 0 else head[:end]).decode(errors="replace")


def _nothing(wanted: Wanted) -> Part:
    import pandas as pd

    texts = wanted.texts if wanted.moment is None else (*wanted.texts, wanted.moment)
    return Part(
        rows=0,
        finite=True,
        numbers={i: np.empty(0) for i in wanted.numbers},
        texts={i: pd.Series([], dtype="str") for i in texts},
        whole=np.empty(0, dtype=np.int64) if wanted.exact is not None else None,
    )


def _fast_part(part: bytes, form: Form, wanted: Wanted) -> Part | None:
    cells = first_cells_of(part, form.separator)
    moments = None if cells is None else moments_in(cells)
    if cells is None or moments is None:
        return None
    frame = _frame(cells.blanked().tobytes(), form, wanted, wanted.texts)
    if frame is None or len(frame) != len(moments.ns):
        return None
    read = _part_of(frame, wanted, wanted.texts)
    return replace(read, moments=moments)


def _frame(part: bytes, form: Form, wanted: Wanted, texts: Sequence[int]) -> Any:
    """Return a table, or ``None``; the first attempt takes no text for a missing reading and is faster."""
    import pandas as pd

    dtypes: dict[int, str] = dict.fromkeys(wanted.numbers, "float64") | dict.fromkeys(wanted.texts, "str")
    if wanted.exact is not None:
        dtypes[wanted.exact] = "int64"
    common: dict[str, Any] = {
        "sep": r"\s+" if form.separator == " " else form.separator,
        "header": None,
        "names": range(form.columns),
        "index_col": False,
        "dtype": dtypes,  # naming the moments as texts would take four times as long
        "keep_default_na": False,
        "decimal": form.decimal,
        "skipinitialspace": True,
        "quoting": 3,
        "engine": "c",
        "low_memory": False,
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


def _part_of(frame: Any, wanted: Wanted, texts: Sequence[int]) -> Part:
    import pandas as pd

    numbers = {i: np.asarray(frame[i].to_numpy(), dtype=float) for i in wanted.numbers}
    return Part(
        rows=len(frame),
        finite=all(bool(np.isfinite(column).all()) for column in numbers.values()),
        numbers=numbers,
        texts={
            i: frame[i] if pd.api.types.is_string_dtype(frame[i]) else frame[i].astype("str") for i in texts
        },
        whole=None if wanted.exact is None else frame[wanted.exact].to_numpy(),
    )
