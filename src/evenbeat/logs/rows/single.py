"""Lines read one by one → the columns that are wanted of them."""

from __future__ import annotations

from collections.abc import Iterable, Mapping

import numpy as np

from evenbeat.logs.rows.lines import read_by_line
from evenbeat.logs.rows.wanted import Part, Wanted
from evenbeat.logs.terms import Form


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

    read = read_by_line(
        rows,
        form,
        numbers=wanted.numbers,
        texts=[] if wanted.moment is None else [wanted.moment],
        exact=wanted.exact,
        reject=reject,
        path=path,
        units=units,
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
    fraction = np.array([part for _, part in read.exact])
    whole = np.array([whole for whole, _ in read.exact], dtype=np.int64)
    return part.with_exact(whole, fraction if fraction.any() else None)
