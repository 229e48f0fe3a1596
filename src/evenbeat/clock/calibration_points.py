"""Calibrations of a clock: dated offsets with their uncertainty, before and after an adjustment."""

from __future__ import annotations

import datetime as dt
import math
import re
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Literal, TypeAlias, Union, cast

import numpy as np

from evenbeat.errors import InputError
from evenbeat.findings import Finding
from evenbeat.plausible import YEARS
from evenbeat.tables import Field, Row, Table, TableLike, read_table

if TYPE_CHECKING:
    import pandas as pd

NEEDED = ("date", "as_found", "as_left", "standard_uncertainty", "adjusted")
FIELDS = (
    Field(name="date", also=("date_utc", "date_iso", "calibration_date", "date_of_calibration", "datum")),
    Field(name="as_found", also=("found", "offset_as_found", "offset", "frequency_offset"), unit="1"),
    Field(name="as_left", also=("left", "offset_as_left"), unit="1"),
    Field(
        name="standard_uncertainty",
        also=("standard_deviation", "u"),
        unclear=("expanded_uncertainty", "uncertainty", "U"),
        unit="1",
    ),
    Field(name="as_left_uncertainty", also=("u_as_left", "standard_uncertainty_as_left"), unit="1"),
    Field(name="coverage_factor", also=("k",), unit=""),
    Field(name="adjusted", also=("adjustment",)),
    Field(name="instrument", also=("device", "name")),
    Field(name="nominal_frequency_hz", also=("nominal",), unit="Hz"),
)
"""What every table of calibrations may say; a reader adds its own."""
FIRST_YEAR = 1950
"""Before it there were no calibrations of this kind (common practice)."""


@dataclass(frozen=True, kw_only=True)
class ReadCalibration:
    """What one row of a table of calibrations says; NaN where it says nothing."""

    date: dt.datetime
    as_found: float
    state: Literal["in", "out"] | None
    as_left: float
    standard_uncertainty: float
    as_left_uncertainty: float
    adjusted: bool


def need_calibrations(read: Table) -> None:
    """Refuse a table without the columns of calibrations; offsets may state their own uncertainties."""
    cells = (row.text("as_found") + row.text("as_left") for row in read.rows)
    own = any(re.search(r"\(|±|\+/-", cell) for cell in cells)
    read.need(*(name for name in NEEDED if not (own and name == "standard_uncertainty")))


def calibration_in(row: Row) -> ReadCalibration:
    """Return what a row says."""
    word = row.text("as_found").lower()
    found, *own = (math.nan, math.nan) if word in ("in", "out") else row.estimate("as_found")
    left, of_left = row.estimate("as_left")
    column = row.uncertainty("standard_uncertainty")
    beside = row.uncertainty("as_left_uncertainty")
    both = [value for value in (column, *own) if not math.isnan(value)]
    lefts = [value for value in (beside, of_left) if not math.isnan(value)]
    for stated in (both, lefts if math.isnan(column) or not math.isnan(beside) else [column, *lefts]):
        if any(not math.isclose(value, stated[0]) for value in stated):
            msg = (
                f"two standard uncertainties are stated, {stated[0]:.3g} and {max(stated[1:]):.3g}; state one"
            )
            raise row.error(msg)
    if any(value < 0 for value in (*both, *lefts)):
        msg = f"standard_uncertainty is {row.text('standard_uncertainty')!r}; it must be positive (k = 1)"
        raise row.error(msg)
    date = row.moment()
    if not FIRST_YEAR <= date.year <= YEARS[1]:
        msg = f"date is {row.text('date')!r}; it must lie in {FIRST_YEAR} to {YEARS[1]}"
        raise row.error(msg)
    return ReadCalibration(
        date=date,
        as_found=found,
        state=cast("Literal['in', 'out']", word) if word in ("in", "out") else None,
        as_left=left,
        standard_uncertainty=next(iter(both or lefts), math.nan),
        as_left_uncertainty=lefts[0] if lefts and both and not math.isclose(lefts[0], both[0]) else math.nan,
        adjusted=row.answer("adjusted"),
    )


@dataclass(frozen=True, kw_only=True)
class CalibrationPoint:
    """One calibration against a reference that is better than the one of the log.

    Parameters
    ----------
    at
        UTC as ISO text or ``datetime64``, or seconds since the start of the log.
    as_found
        Fractional frequency offset found, positive when the clock is fast; NaN if it was not recorded.
    standard_uncertainty
        Of the measurement (k = 1), for each of the two offsets; their errors count as independent.
    as_left
        Offset after an adjustment; only with ``adjusted=True``.
    adjusted
        Whether the frequency was set: a step of unknown size lies between found and left.
    averaging_time_s
        How long the measurement lasted; one block of the model by default.
    as_left_uncertainty
        Of ``as_left`` (k = 1), where it is another one.

    Raises
    ------
    InputError
        If the uncertainty is not positive, or an adjusted clock has no offset left.
    """

    at: float | str | np.datetime64
    as_found: float
    standard_uncertainty: float
    as_left: float | None = None
    adjusted: bool = False
    averaging_time_s: float | None = None
    as_left_uncertainty: float | None = None

    def __post_init__(self) -> None:
        left = math.nan if self.as_left is None else self.as_left
        of_left, lasted = self.as_left_uncertainty, self.averaging_time_s
        for wrong, said in (
            (
                not (self.standard_uncertainty > 0 and math.isfinite(self.standard_uncertainty)),
                f"standard_uncertainty is {self.standard_uncertainty:g}; it must be positive (k = 1)",
            ),
            (
                self.adjusted and not math.isfinite(left),
                "adjusted, but as_left is missing; give the offset it was left at",
            ),
            (
                not self.adjusted and not math.isfinite(self.as_found),
                f"as_found is {self.as_found}; give the offset that was found",
            ),
            (
                of_left is not None and not of_left > 0,
                f"as_left_uncertainty is {of_left or 0:g}; it must be positive (k = 1)",
            ),
            (lasted is not None and not lasted > 0, f"averaging_time_s is {lasted}; it must be positive"),
        ):
            if wrong:
                msg = f"calibration at {self.at}: {said}"
                raise InputError(msg)


Calibrations: TypeAlias = Union[Iterable[CalibrationPoint], "pd.DataFrame", str, Path]


def calibration_points(
    source: Calibrations, nominal_frequency_hz: float | None = None
) -> tuple[tuple[CalibrationPoint, ...], tuple[Finding, ...]]:
    """Return calibrations from points or a table, and what was assumed of the table.

    Parameters
    ----------
    source
        A table, frame or file, has the columns ``date`` (UTC), ``as_found``, ``as_left``,
        ``standard_uncertainty`` (fractional frequency, k = 1) and ``adjusted`` (yes or no), and holds one
        instrument; see :meth:`evenbeat.CalibrationHistory.from_table`.
    nominal_frequency_hz
        For offsets in hertz.

    Raises
    ------
    LogError
        If the file or a column is missing, a cell cannot be read, the table holds several instruments, or its
        dates may be read in two ways.
    """
    if not (isinstance(source, str | Path) or hasattr(source, "columns")):
        points = tuple(source)
        strange = [type(point).__name__ for point in points if not isinstance(point, CalibrationPoint)]
        if strange:
            msg = f"calibrations hold a {strange[0]}; give CalibrationPoint(at=…, as_found=…, …)"
            raise InputError(msg)
        return points, ()
    read = read_table(
        cast("TableLike", source),
        FIELDS,
        what="table of calibrations",
        nominal_frequency_hz=nominal_frequency_hz,
    )
    need_calibrations(read)
    found: list[CalibrationPoint] = []
    for row in read.of_one()[0]:
        one = calibration_in(row)
        own = one.adjusted and not math.isnan(one.as_left_uncertainty)
        try:
            point = CalibrationPoint(
                at=np.datetime64(one.date),
                as_found=one.as_found,
                standard_uncertainty=one.standard_uncertainty,
                as_left=one.as_left if one.adjusted else None,
                adjusted=one.adjusted,
                as_left_uncertainty=one.as_left_uncertainty if own else None,
            )
        except InputError as error:
            raise row.error(error) from error
        found.append(point)
    return tuple(found), read.findings
