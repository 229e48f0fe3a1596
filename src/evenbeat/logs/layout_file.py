"""A layout that was written down as TOML, read again: the same logs are then read without detection."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import fields
from pathlib import Path
from typing import Any

from evenbeat.errors import InputError, LogError
from evenbeat.logs.layout import FILE_VERSION, NOT_STATED, Layout
from evenbeat.logs.options import Options
from evenbeat.logs.terms import Candidate
from evenbeat.toml_text import toml_in, toml_of

_ROWS: dict[str, tuple[str, ...]] = {
    "writing": ("cells", "pairs", "words", "fixed"),
    "separator": (",", ";", "\t", "|", " "),
    "decimal": (".", ","),
}
_STATED = tuple(f.name for f in fields(Options) if f.name not in NOT_STATED)


def chosen_layout(layout: str | Path | Layout | None, options: Options) -> tuple[Candidate | None, Options]:
    """Return how the rows are written, and the options, those of the layout where the caller says nothing.

    Raises
    ------
    LogError
        If the layout file cannot be read or says what it must not.
    """
    if layout is None:
        return None, options
    if isinstance(layout, Layout):
        return _chosen(toml_of(layout.to_toml(), "layout", None), options, "the layout")
    return _chosen(toml_in(layout, "layout file"), options, layout)


def _chosen(
    content: Mapping[str, Any], options: Options, path: str | Path
) -> tuple[Candidate | None, Options]:
    _known(content, ("version", "rows", "columns", "stated"), "the layout", path)
    if content.get("version") != FILE_VERSION:
        found = content.get("version")
        msg = f"the layout states version {found!r}; this evenbeat reads version {FILE_VERSION}"
        raise LogError(msg, path=path)
    for name in ("rows", "columns", "stated"):
        if not isinstance(content.get(name, {}), dict):
            msg = f"'{name}' must be a table, written as [{name}]"
            raise LogError(msg, path=path)
    stated = dict(content.get("stated", {}))
    _known(stated, _STATED, "[stated]", path)
    columns = dict(content.get("columns", {}))
    for role, column in columns.items():
        if isinstance(column, bool) or not isinstance(column, int | str):
            msg = f"column {role} is {column!r}; give a header name or a position counted from 0"
            raise LogError(msg, path=path)
    try:
        return _wanted(content.get("rows"), path), options.over({**stated, "columns": columns})
    except LogError:
        raise
    except (InputError, TypeError) as error:
        msg = f"[stated]: {error}"
        raise LogError(msg, path=path) from None


def _wanted(rows: Mapping[str, Any] | None, path: str | Path) -> Candidate | None:
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


def _known(table: Mapping[str, Any], names: tuple[str, ...], where: str, path: str | Path) -> None:
    for name in table:
        if name not in names:
            msg = f"{where} holds '{name}', which is not known; it may hold {', '.join(names)}"
            raise LogError(msg, path=path)
