"""A table of calibrations read row by row: what cannot be believed is set aside and named."""

from __future__ import annotations

import datetime as dt
import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from evenbeat.calibration.history_point import HistoryPoint
from evenbeat.calibration.tolerance import Tolerance
from evenbeat.clock.calibration_points import FIELDS, calibration_in, need_calibrations
from evenbeat.clock.oscillator_classes import oscillator_class_named
from evenbeat.errors import InputError
from evenbeat.findings import Finding, caution, note
from evenbeat.tables import Field, Row, TableLike, read_table
from evenbeat.units import seconds_of_day

CONTRADICTS = 6.0
"""Standard uncertainties between found and left from which 'not adjusted' is not believed."""


@dataclass(frozen=True, kw_only=True)
class _Dated:
    """One readable row with its date."""

    date: dt.datetime
    point: HistoryPoint
    row: Row


def history_from_table(
    table: TableLike,
    *,
    instrument: str | None = None,
    date_order: str | None = None,
    nominal_frequency_hz: float | None = None,
) -> dict[str, Any]:
    """Return the fields of a history from a table, see :meth:`evenbeat.CalibrationHistory.from_table`."""
    read = read_table(
        table,
        (
            *FIELDS,
            Field(name="tolerance", unit="1"),
            Field(name="in_use_hours", also=("in_use",), unit="h"),
            Field(name="oscillator_class", also=("class",)),
        ),
        what="history",
        date_order=date_order,
        nominal_frequency_hz=nominal_frequency_hz,
    )
    need_calibrations(read)
    own, name = read.of_one(instrument)
    findings: list[Finding] = list(read.findings)
    rows: list[_Dated] = []
    for row in own:
        date, point = _point(row)
        point, said = _believed(point, row.where)
        rows.append(_Dated(date=date, point=point, row=row))
        findings.extend(said)
    ordered, said = _in_order(rows)
    first = ordered[0].date
    points = tuple(replace(each.point, time_s=(each.date - first).total_seconds()) for each in ordered)
    return {
        "points": points,
        "oscillator_class": _class(own),
        "name": name or ("" if read.path is None else Path(read.path).stem),
        "first_date": first.date(),
        "first_time_s": seconds_of_day(first),
        "findings": (*findings, *said, *_mixed_tolerance([each for each in rows if each.point.tolerance])),
    }


def _point(row: Row) -> tuple[dt.datetime, HistoryPoint]:
    one, limits = calibration_in(row), row.limits("tolerance")
    try:
        tolerance = None if limits is None else Tolerance.of(limits)
    except InputError as error:
        raise row.error(error) from error
    found, left = one.as_found, one.as_left
    return one.date, HistoryPoint(
        time_s=0.0,
        as_found=found,
        as_left=found if math.isnan(left) and not one.adjusted else left,
        standard_uncertainty=one.standard_uncertainty,
        as_left_uncertainty=one.as_left_uncertainty,
        adjusted=one.adjusted,
        state=one.state,
        tolerance=tolerance,
        in_use_s=row.number_in("in_use_hours"),
        row=row.number,
        place=row.place,
    )


def _class(rows: Sequence[Row]) -> str | None:
    """Return the class of oscillator, the same in all rows that say one."""
    said = [(row, row.text("oscillator_class")) for row in rows if row.given("oscillator_class")]
    for row, name in said:
        try:
            oscillator_class_named(name)
        except InputError as error:
            raise row.error(error) from error
        if name != said[0][1]:
            where, first = said[0][0].place, said[0][1]
            msg = f"oscillator_class is {name}, in {where} it is {first}; say the same in every row"
            raise row.error(msg)
    return said[0][1] if said else None


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
    if point.adjusted and math.isclose(found, left, rel_tol=1e-12):  # in whatever units they were written
        sentence = f"{where}: adjusted, but as_left is as_found: it counts as not adjusted."
        finding = note("ADJUSTED_IN_NAME", sentence, row=point.row)
        return replace(point, adjusted=False, as_left=found), [finding]
    return point, []


def _set_aside(code: str, sentence: str, point: HistoryPoint) -> Finding:
    return caution(code, sentence, row=point.row)


def _in_order(rows: list[_Dated]) -> tuple[list[_Dated], list[Finding]]:
    """Return the rows in order of their dates, and a finding for each that was not."""
    findings = []
    latest = rows[0]
    for each in rows[1:]:
        if each.date < latest.date:
            sentence = (
                f"{each.row.where}: {each.date.date()} is not after {latest.row.place} "
                f"({latest.date.date()}); rows were put in order of their dates: check that date."
            )
            findings.append(_set_aside("DATES_OUT_OF_ORDER", sentence, each.point))
        else:
            latest = each
    ordered = sorted(rows, key=lambda each: each.date)
    for before, after in itertools.pairwise(ordered):
        if before.date == after.date:
            msg = (
                f"{after.date.date()} is the date of {before.row.place}, too; one calibration a date (or a "
                "time of day) is needed"
            )
            raise after.row.error(msg)
    return ordered, findings


def _mixed_tolerance(known: list[_Dated]) -> list[Finding]:
    other = next((each for each in known if each.point.tolerance != known[0].point.tolerance), None)
    if other is None:
        return []
    sentence = (
        f"{other.row.where}: the tolerance is {other.point.tolerance}, in {known[0].row.place} it is "
        f"{known[0].point.tolerance}. A state 'in' or 'out' counts by the tolerance of its own row; values "
        "do not depend on it."
    )
    return [_set_aside("TOLERANCE_MIXED", sentence, other.point)]
