"""A table of calibrations read row by row: what cannot be believed is set aside and named."""

from __future__ import annotations

import datetime as dt
import itertools
import math
import re
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

from evenbeat.calibration.history_point import FoundState, HistoryPoint
from evenbeat.calibration.tolerance import Tolerance
from evenbeat.errors import InputError, LogError
from evenbeat.findings import Finding
from evenbeat.tables import order_of_dates, rows_of_one, text_frame
from evenbeat.units import SECONDS_PER_HOUR, seconds_of_day

if TYPE_CHECKING:
    import pandas as pd

COLUMNS = ("date", "as_found", "as_left", "standard_uncertainty", "adjusted")
OPTIONAL = ("tolerance", "in_use_hours")
CONTRADICTS = 6.0
"""Standard uncertainties between found and left from which 'not adjusted' is not believed."""


@dataclass(frozen=True, kw_only=True)
class _Dated:
    """One readable row with its date."""

    date: dt.datetime
    point: HistoryPoint


@dataclass(frozen=True, kw_only=True)
class TableOfCalibrations:
    """What a table says, in order of time."""

    points: tuple[HistoryPoint, ...]
    name: str
    first_date: dt.date
    first_time_s: float
    findings: tuple[Finding, ...]


def history_from_table(
    table: str | Path | pd.DataFrame, *, instrument: str | None = None, date_order: str | None = None
) -> TableOfCalibrations:
    """Return the calibrations in a table; see :meth:`evenbeat.CalibrationHistory.from_table`."""
    where = str(table) if isinstance(table, str | Path) else "the table"
    frame = text_frame(table, "history")
    missing = [column for column in COLUMNS if column not in frame.columns]
    if missing:
        msg = f"{where} has no column {missing[0]!r}; a history needs {', '.join(COLUMNS)}"
        raise LogError(msg)
    if frame.empty:
        msg = f"{where} holds no calibration"
        raise LogError(msg)
    order = order_of_dates(list(frame["date"]), date_order)
    own, name = rows_of_one(frame, where, instrument)
    findings: list[Finding] = list(order.findings)
    rows: list[_Dated] = []
    for number, cells in own:
        at = f"{where}, row {number}"
        point, said = _believed(_point(dict.fromkeys(OPTIONAL, "") | cells, number, at), at)
        try:
            rows.append(_Dated(date=order.moment(cells["date"]), point=point))
        except InputError as error:
            msg = f"{at}: {error}"
            raise LogError(msg) from error
        findings.extend(said)
    ordered, said = _in_order(rows, where)
    first = ordered[0].date
    points = tuple(replace(each.point, time_s=(each.date - first).total_seconds()) for each in ordered)
    return TableOfCalibrations(
        points=points,
        name=name or (Path(where).stem if where != "the table" else ""),
        first_date=first.date(),
        first_time_s=seconds_of_day(first),
        findings=(*findings, *said, *_mixed_tolerance(points, where)),
    )


def _empty(cell: object) -> bool:
    return str(cell).strip().lower() in ("", "nan", "none", "<na>")


def _cell(cell: object, name: str, where: str) -> float:
    if _empty(cell):
        return math.nan
    try:
        value = float(str(cell).strip())
    except ValueError as error:
        msg = f"{where}: {name} is {cell!r}; a number such as 2.1e-9 is needed"
        raise LogError(msg) from error
    if math.isinf(value):
        msg = f"{where}: {name} is {cell!r}; it must be finite"
        raise LogError(msg)
    return value


def _tolerance(cell: object, where: str) -> Tolerance | None:
    if _empty(cell):
        return None
    parts = [part for part in re.split(r"[\s;:/]+", str(cell).strip().lstrip("±")) if part]
    try:
        numbers = [float(part) for part in parts]
        return Tolerance.of(numbers[0] if len(numbers) == 1 else tuple(numbers))
    except (ValueError, InputError) as error:
        msg = f"{where}: tolerance is {cell!r}; 1e-8 (for ±1e-8) or two limits such as '-5e-9 1e-8' is needed"
        raise LogError(msg) from error


def _point(row: dict[str, object], number: int, where: str) -> HistoryPoint:
    word = str(row["as_found"]).strip().lower()
    state: FoundState | None = word if word in ("in", "out") else None  # type: ignore[assignment]
    answer = str(row["adjusted"]).strip().lower()
    if answer not in ("yes", "no", "true", "false", "1", "0"):
        msg = f"{where}: adjusted is {row['adjusted']!r}; it must be yes or no"
        raise LogError(msg)
    adjusted = answer in ("yes", "true", "1")
    found = math.nan if state else _cell(row["as_found"], "as_found", where)
    left = _cell(row["as_left"], "as_left", where)
    uncertainty = _cell(row["standard_uncertainty"], "standard_uncertainty", where)
    if uncertainty < 0:
        msg = f"{where}: standard_uncertainty is {row['standard_uncertainty']!r}; it must be positive (k = 1)"
        raise LogError(msg)
    return HistoryPoint(
        time_s=0.0,
        as_found=found,
        as_left=found if math.isnan(left) and not adjusted else left,
        standard_uncertainty=uncertainty,
        adjusted=adjusted,
        state=state,
        tolerance=_tolerance(row["tolerance"], where),
        in_use_s=_cell(row["in_use_hours"], "in_use_hours", where) * SECONDS_PER_HOUR,
        row=number,
    )


def _believed(point: HistoryPoint, where: str) -> tuple[HistoryPoint, list[Finding]]:
    """Return the row without what cannot be believed of it, and findings that say why."""
    found, left, uncertainty = point.as_found, point.as_left, point.standard_uncertainty
    nothing = replace(point, as_found=math.nan, as_left=math.nan)
    measured = not (math.isnan(found) and math.isnan(left))
    if measured and not uncertainty > 0:
        sentence = (
            f"{where}: standard_uncertainty is {'empty' if math.isnan(uncertainty) else '0'}, so its values "
            "cannot be weighed and were set aside; give the standard uncertainty (k = 1) of the calibration."
        )
        return nothing, [_set_aside("UNCERTAINTY_MISSING", sentence, point)]
    if not point.adjusted and abs(left - found) > CONTRADICTS * uncertainty:
        sentence = (
            f"{where}: not adjusted, but as_found {found:g} and as_left {left:g} differ by more than their "
            "uncertainty; the row was set aside: correct the values or say adjusted = yes."
        )
        return nothing, [_set_aside("ADJUSTED_CONTRADICTED", sentence, point)]
    if point.adjusted and math.isnan(left):
        sentence = (
            f"{where}: adjusted, but as_left is empty: the change until the next calibration is unknown and "
            "was left out; give the offset it was left at."
        )
        return point, [_set_aside("AS_LEFT_MISSING", sentence, point)]
    if point.adjusted and found == left:
        sentence = f"{where}: adjusted, but as_left is as_found: it counts as not adjusted."
        finding = Finding(
            code="ADJUSTED_IN_NAME", severity="note", sentence=sentence, values={"row": point.row}
        )
        return replace(point, adjusted=False), [finding]
    return point, []


def _set_aside(code: str, sentence: str, point: HistoryPoint) -> Finding:
    return Finding(code=code, severity="caution", sentence=sentence, values={"row": point.row})


def _in_order(rows: list[_Dated], where: str) -> tuple[list[_Dated], list[Finding]]:
    """Return the rows in order of their dates, and a finding for each that was not."""
    findings = []
    latest = rows[0]
    for each in rows[1:]:
        if each.date < latest.date:
            sentence = (
                f"{where}, row {each.point.row}: {each.date.date()} is not after row {latest.point.row} "
                f"({latest.date.date()}); rows were put in order of their dates: check that date."
            )
            findings.append(_set_aside("DATES_OUT_OF_ORDER", sentence, each.point))
        else:
            latest = each
    ordered = sorted(rows, key=lambda each: each.date)
    for before, after in itertools.pairwise(ordered):
        if before.date == after.date:
            msg = (
                f"{where}, row {after.point.row}: {after.date.date()} is the date of row {before.point.row}, "
                "too; one calibration a date (or a time of day) is needed"
            )
            raise LogError(msg)
    return ordered, findings


def _mixed_tolerance(points: tuple[HistoryPoint, ...], where: str) -> list[Finding]:
    known = [point for point in points if point.tolerance is not None]
    other = next((point for point in known if point.tolerance != known[0].tolerance), None)
    if other is None:
        return []
    sentence = (
        f"{where}, row {other.row}: the tolerance is {other.tolerance}, in row {known[0].row} it is "
        f"{known[0].tolerance}. A state 'in' or 'out' counts by the tolerance of its own row; values do not "
        "depend on it."
    )
    return [Finding(code="TOLERANCE_MIXED", severity="caution", sentence=sentence, values={"row": other.row})]
