"""The part of a bench file that says how a log is written: the same logs are then read without detection."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

from evenbeat.bench import Bench, bench_of, read_bench
from evenbeat.errors import InputError, LogError
from evenbeat.logs.layout import Layout
from evenbeat.logs.options import Options
from evenbeat.logs.terms import Candidate

_ROWS: dict[str, tuple[str, ...]] = {
    "writing": ("cells", "pairs", "words", "fixed"),
    "separator": (",", ";", "\t", "|", " "),
    "decimal": (".", ","),
}


def chosen_layout(
    layout: str | Path | Layout | Bench | None, options: Options
) -> tuple[Candidate | None, Options]:
    """Return how the rows are written, and the options, those of the layout where the caller says nothing.

    Raises
    ------
    LogError
        If the bench file cannot be read or says what it must not.
    """
    if layout is None:
        return None, options
    if isinstance(layout, Layout):
        bench = bench_of(layout.to_toml())
    else:
        bench = layout if isinstance(layout, Bench) else read_bench(layout)
    try:
        return _wanted(bench.rows, bench.path or None), options.over(bench.keywords("log"))
    except LogError:
        raise
    except (InputError, TypeError) as error:
        raise LogError(str(error), path=bench.path or None) from None


def _wanted(rows: Mapping[str, Any] | None, path: str | None) -> Candidate | None:
    if rows is None:
        return None
    _known(rows, (*_ROWS, "columns"), "[rows]", path)
    for name, allowed in _ROWS.items():
        if rows.get(name) not in allowed:
            msg = f"[rows] {name} is {rows.get(name)!r}; it must be one of {', '.join(map(repr, allowed))}"
            raise LogError(msg, path=path)
    columns = rows.get("columns")
    if not isinstance(columns, int) or columns < 1:
        msg = f"[rows] columns is {columns!r}; it must be a positive whole number"
        raise LogError(msg, path=path)
    return Candidate(
        writing=rows["writing"],
        separator=rows["separator"],
        decimal=rows["decimal"],
        columns=columns,
        understood=1.0,
        rows=0,
        reason="the layout says so",
    )


def _known(table: Mapping[str, Any], names: tuple[str, ...], where: str, path: str | None) -> None:
    for name in table:
        if name not in names:
            msg = f"{where} holds '{name}', which is not known; it may hold {', '.join(names)}"
            raise LogError(msg, path=path)
