"""Which column is the time, which the clock, and which were measured beside it."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence

from evenbeat.errors import LogError
from evenbeat.logs.form.headers import Meaning, column_meaning, covariate_name
from evenbeat.logs.terms import Covariate, Form, Layout, Statements

_OPTION = "choose with --column value=… (columns={'value': …})"


def assign_columns(
    form: Form,
    statements: Statements,
    *,
    quantity: str | None,
    columns: Mapping[str, str | int | None] | None,
    path: str,
    time_first: bool,
    days_first: bool = False,
) -> Layout:
    """Return what each column is for.

    Parameters
    ----------
    columns
        ``value``, ``time`` or the name of a covariate to a header name or zero-based position.
    time_first
        Whether the first column, of numbers, rises as time does.
    days_first
        Whether the first two columns are MJD and second of the day.

    Raises
    ------
    LogError
        If a named column does not exist, or several columns could be the clock or its time.
    """
    asked = dict(columns or {})
    timeless = "time" in asked and asked["time"] in (None, "none") and "none" not in form.header
    if timeless:
        del asked["time"]
    chosen = {role: _position(form, column, path) for role, column in asked.items()}
    meanings = [column_meaning(name) for name in form.header] or [
        Meaning(role="unknown", words="") for _ in range(form.columns)
    ]
    if form.writing == "words":  # a program's own words: its freq may be a correction in any unit
        meanings = [Meaning(role="unknown", words="") if _bare_value(m) else m for m in meanings]
    usable = [
        i
        for i in range(form.columns)
        if form.kinds[i] in ("number", "measured")
        or (form.kinds[i] == "missing" and meanings[i].role == "value")
    ]
    time, time_of_day = (None, None) if timeless else _time_columns(form, meanings, chosen, path)
    if days_first and time is None and not timeless and not set(chosen.values()) & {0, 1}:
        time, time_of_day = 0, 1
    assumed = (
        time is None
        and not timeless
        and time_first
        and 0 not in chosen.values()
        and meanings[0].role == "unknown"
    )
    time = 0 if assumed else time
    taken_by_time = {time, time_of_day}
    free = [i for i in usable if i not in taken_by_time and i not in chosen.values()]
    value = chosen.get("value", -1)
    if value < 0:
        value = _value_column(form, meanings, free, quantity=quantity, path=path)
    covariates = _covariates(meanings, chosen, [i for i in usable if i != value and i not in taken_by_time])
    taken = {value, *taken_by_time, *(covariate.index for covariate in covariates)}
    return Layout(
        form=form,
        value=value,
        value_quantity=meanings[value].quantity,
        value_unit=meanings[value].unit,
        time=time,
        time_words="" if time is None else meanings[time].words,
        time_unit=None if time is None else meanings[time].unit,
        time_of_day=time_of_day,
        time_assumed=assumed,
        covariates=covariates,
        unused=tuple(i for i in usable if i not in taken),
        statements=statements,
    )


def _bare_value(meaning: Meaning) -> bool:
    """Return whether a name speaks of a quantity without saying its unit."""
    return meaning.role == "value" and meaning.unit is None


def _position(form: Form, column: str | int | None, path: str) -> int:
    if column is None:
        msg = (
            "only the time can be left out (columns={'time': None}); give a name or a position counted from 0"
        )
        raise LogError(msg, path=path)
    if isinstance(column, int) or (column not in form.header and str(column).strip().isdigit()):
        position = int(column)
        if 0 <= position < form.columns:
            return position
        msg = f"there is no column {position}; the table has columns 0 to {form.columns - 1}"
        raise LogError(msg, path=path)
    if column in form.header:
        return form.header.index(column)
    lowered = [name.lower() for name in form.header]
    if column.lower() in lowered:
        return lowered.index(column.lower())
    names = f"the header names {_listed(form, range(form.columns))}" if form.header else "there is no header"
    msg = f"there is no column '{column}'; {names}; give a name or a position counted from 0"
    raise LogError(msg, path=path)


def _listed(form: Form, positions: Sequence[int] | range) -> str:
    return ", ".join(form.label(i) for i in positions)


_DAYS = re.compile(r"\bmjd\b")
_OF_DAY = re.compile(
    r"\b(?:sod|seconds? of (?:the )?day|s of day|day seconds?|time of day|seconds?|sec|secs|s)\b"
)


def _time_columns(
    form: Form, meanings: Sequence[Meaning], chosen: Mapping[str, int], path: str
) -> tuple[int | None, int | None]:
    """Return the time column, and the one of seconds of the day where days stand alone."""
    if "time" in chosen:
        return chosen["time"], chosen.get("time_of_day")
    free = [i for i in range(form.columns) if i not in chosen.values()]
    moments = [i for i in free if form.kinds[i] == "moment"]
    days = [i for i in free if _DAYS.search(meanings[i].words) and form.kinds[i] == "number"]
    of_day = [i for i in free if form.kinds[i] == "number" and i not in days and _is_of_day(meanings[i])]
    if not moments and len(days) == 1 and len(of_day) == 1:
        return days[0], of_day[0]
    named = [i for i in free if meanings[i].role == "time" and form.kinds[i] == "number"]
    candidates = moments or named
    if len(candidates) > 1:
        msg = (
            f"columns {_listed(form, candidates)} could all be the time; choose with --column time=… "
            "(columns={'time': …})"
        )
        raise LogError(msg, path=path, line=form.header_line or form.first_line)
    return (candidates[0] if candidates else None), None


def _is_of_day(meaning: Meaning) -> bool:
    """Return whether a name is of seconds of the day; ``s`` alone is one only beside a column of days."""
    words = meaning.words
    return bool(_OF_DAY.search(words)) or (not words and meaning.unit == "s")


def _value_column(
    form: Form, meanings: Sequence[Meaning], free: Sequence[int], *, quantity: str | None, path: str
) -> int:
    stated = [i for i in free if meanings[i].role == "value"]
    wanted = [i for i in stated if quantity is not None and meanings[i].quantity == quantity]
    candidates = wanted or stated or [i for i in free if meanings[i].role == "unknown"]
    if len(candidates) == 1:
        return candidates[0]
    if candidates:
        msg = f"columns {_listed(form, candidates)} could all be the clock; {_OPTION}"
    else:
        names = _listed(form, range(form.columns))
        msg = f"no column of numbers is left for the clock among {names}; {_OPTION}"
        if form.hexadecimal:
            which = _listed(form, form.hexadecimal)
            msg = f"{which} holds hexadecimal numbers, which are not read; write them as decimal numbers"
    raise LogError(msg, path=path, line=form.header_line or form.first_line)


def _covariates(
    meanings: Sequence[Meaning], chosen: Mapping[str, int], free: Sequence[int]
) -> tuple[Covariate, ...]:
    found: dict[int, Covariate] = {}
    names: set[str] = set()
    for index in free:
        forced = next((role for role, i in chosen.items() if i == index), None)
        if forced is None and meanings[index].role != "covariate":
            continue
        name, scale, offset = covariate_name(meanings[index], index)
        name = forced or name
        name = name if name not in names else f"{name}_{index}"
        names.add(name)
        found[index] = Covariate(index=index, name=name, scale=scale, offset=offset)
    return tuple(found.values())
