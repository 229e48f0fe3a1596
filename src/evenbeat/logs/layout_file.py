"""A layout written down as TOML, and read again: the same logs are then read without detection."""

from __future__ import annotations

import json
import tomllib
from collections.abc import Mapping
from dataclasses import fields
from pathlib import Path
from typing import Any

from evenbeat.errors import InputError, LogError
from evenbeat.logs.layout import Candidate, Form, Layout
from evenbeat.logs.options import Options

_VERSION = 1
_ROWS: dict[str, tuple[str, ...]] = {
    "writing": ("cells", "pairs", "fixed"),
    "separator": (",", ";", "\t", "|", " "),
    "decimal": (".", ","),
}
_STATED = tuple(f.name for f in fields(Options) if f.name not in ("columns", "partial"))


def layout_toml(layout: Layout) -> str:
    """Return a layout as the text of a TOML file."""
    form = layout.form
    lines = [
        "# How a log is written and what its columns mean, for evenbeat (read_log(..., layout=...)).",
        f"version = {_VERSION}",
    ]
    if form.separator:
        lines += ["", "[rows]", *_pairs(_rows(form))]
    lines += ["", "[columns]", "# a header name, or a position counted from 0", *_pairs(_columns(layout))]
    stated = {name: layout.stated[name] for name in _STATED if layout.stated.get(name) is not None}
    if stated:
        lines += ["", "[stated]", *_pairs(stated)]
    return "\n".join(lines) + "\n"


def _rows(form: Form) -> dict[str, object]:
    return {
        "writing": form.writing,
        "separator": form.separator,
        "decimal": form.decimal,
        "columns": form.columns,
    }


def _columns(layout: Layout) -> dict[str, object]:
    form = layout.form

    def named(index: int) -> str | int:
        name = form.header[index] if index < len(form.header) else ""
        return name if name and form.header.count(name) == 1 and not name.isdigit() else index

    columns: dict[str, object] = {
        "value": named(layout.value),
        "time": "none" if layout.time is None else named(layout.time),
    }
    if layout.time_of_day is not None:
        columns["time_of_day"] = named(layout.time_of_day)
    return {**columns, **{covariate.name: named(covariate.index) for covariate in layout.covariates}}


def _pairs(values: Mapping[str, object]) -> list[str]:
    return [f"{_key(key)} = {_value(value)}" for key, value in values.items()]


def _key(key: str) -> str:
    return key if key.isascii() and key.replace("_", "").isalnum() else _value(key)


def _value(value: object) -> str:
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, float):
        text = repr(value)
        return text if any(mark in text for mark in ".en") else f"{text}.0"
    if isinstance(value, int):
        return str(value)
    return json.dumps(str(value), ensure_ascii=False).replace("\x7f", "\\u007f")


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
        return _chosen(tomllib.loads(layout_toml(layout)), options, "the layout")
    path = Path(layout)
    try:
        content = tomllib.loads(path.read_text(encoding="utf-8"))
    except OSError as error:
        msg = f"the layout file cannot be read ({error.strerror})"
        raise LogError(msg, path=path) from None
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        msg = f"the layout file is no TOML ({error})"
        raise LogError(msg, path=path) from None
    return _chosen(content, options, path)


def _chosen(
    content: Mapping[str, Any], options: Options, path: str | Path
) -> tuple[Candidate | None, Options]:
    _known(content, ("version", "rows", "columns", "stated"), "the layout", path)
    if content.get("version") != _VERSION:
        msg = f"the layout states version {content.get('version')!r}; this evenbeat reads version {_VERSION}"
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
