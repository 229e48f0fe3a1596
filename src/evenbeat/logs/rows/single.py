"""Lines read one by one → the columns that are wanted of them."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence

import numpy as np

from evenbeat.errors import LogError
from evenbeat.logs.rows.decimals import exact_in
from evenbeat.logs.rows.lines import read_by_line, shown
from evenbeat.logs.rows.stamps import IntArray
from evenbeat.logs.rows.wanted import Part, Wanted
from evenbeat.logs.terms import Form
from evenbeat.quantities import FloatArray


def part_by_line(
    rows: Iterable[tuple[int, str]],
    form: Form,
    wanted: Wanted,
    *,
    reject: bool,
    path: str,
    units: Mapping[int, str] | None = None,
) -> Part:
    """Return the columns of rows given as line number and text.

    Raises
    ------
    LogError
        If a row cannot be read and is not to be passed over, or has no time, naming its line.
    """
    import pandas as pd

    texts = [i for i in (wanted.moment, wanted.exact) if i is not None]
    read = read_by_line(
        rows, form, numbers=wanted.numbers, texts=texts, reject=reject, path=path, units=units
    )
    part = Part(
        rows=len(read.lines),
        finite=all(bool(np.isfinite(column).all()) for column in read.numbers.values()),
        numbers=read.numbers,
        stamps=None if wanted.moment is None else pd.Series(read.texts[wanted.moment], dtype="str"),
        lines=np.array(read.lines, dtype=np.int64),
        rejected=read.rejected,
        units=read.units,
    )
    if wanted.exact is None:
        return part
    return part.with_exact(*_exact(read.texts[wanted.exact], read.lines, form, path))


def _exact(
    words: Sequence[str | None], lines: Sequence[int], form: Form, path: str
) -> tuple[IntArray, FloatArray | None]:
    """Return times as whole numbers and fractions, refusing what is none."""
    found = []
    for word, line in zip(words, lines, strict=True):
        exact = None if word is None else exact_in(word, form.decimal)
        if exact is None:
            what = "is missing in this row" if word is None else f"{shown(word)} is no number"
            msg = f"the time {what}; every row needs its time"
            raise LogError(msg, path=path, line=line)
        found.append(exact)
    fraction = np.array([part for _, part in found])
    return np.array([whole for whole, _ in found], dtype=np.int64), fraction if fraction.any() else None
