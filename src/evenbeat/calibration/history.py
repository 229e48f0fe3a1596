"""The calibrations of one instrument: as found, as left, with their uncertainty, in order of time.

A table of them is read row by row: what cannot be believed is set aside and named.
"""

from __future__ import annotations

import datetime as dt
import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING, Literal

import numpy as np

from evenbeat.calibration.tolerance import Tolerance
from evenbeat.clock.calibration_points import FIELDS, calibration_in, need_calibrations
from evenbeat.clock.oscillator_classes import oscillator_class_named
from evenbeat.errors import InputError
from evenbeat.findings import Finding, caution, note
from evenbeat.plain import UNLISTED
from evenbeat.result import Column, Result
from evenbeat.tables import Field, Row, read_table
from evenbeat.units import duration_text, seconds_of_day

if TYPE_CHECKING:
    import pandas as pd

CONTRADICTS = 6.0
"""Standard uncertainties between found and left from which 'not adjusted' is not believed."""
_FURTHER = (
    Field(name="tolerance", unit="1"),
    Field(name="in_use_hours", also=("in_use",), unit="h"),
    Field(name="oscillator_class", also=("class",)),
)
FoundState = Literal["in", "out"]


@dataclass(frozen=True, kw_only=True)
class HistoryPoint:
    """One calibration, ``time_s`` after the first.

    Fractional offset as found, NaN where only a ``state`` (``in`` or ``out``) was recorded, or nothing; and
    as left, equal to it if not adjusted, NaN where unknown. The standard uncertainty (k = 1) is of each of
    the two, unless that of ``as_left`` is another one (else NaN). ``jumped``: by a move or an adjustment
    between calibrations, after which ``as_left`` is. ``tolerance``: that the state was judged by, where the
    table says so. ``in_use_s``: of a meter of hours in use, NaN where there is none. ``row`` and ``place``
    tell where it stands in the table, from 1 and in words such as ``line 7``; 0 and empty where there was
    none.
    """

    time_s: float
    as_found: float
    as_left: float
    standard_uncertainty: float
    adjusted: bool
    state: FoundState | None = None
    tolerance: Tolerance | None = None
    in_use_s: float = math.nan
    row: int = 0
    place: str = ""
    certificate: str = ""
    as_left_uncertainty: float = math.nan
    jumped: bool = False

    @property
    def starts_anew(self) -> bool:
        """Whether what it was left at is another reading than what it was found at."""
        return self.adjusted or self.jumped or self.as_left != self.as_found

    @property
    def as_left_standard_uncertainty(self) -> float:
        """Standard uncertainty of ``as_left``."""
        own = self.as_left_uncertainty
        return self.standard_uncertainty if math.isnan(own) else own


@dataclass(frozen=True, kw_only=True)
class Increment:
    """What one interval between calibrations shows; ``end`` is NaN where only a state is known.

    ``shares_start``: it begins with the very reading that ended the one before, as nothing was adjusted.
    """

    start_s: float
    stop_s: float
    start: float
    end: float
    state: FoundState | None
    start_uncertainty: float
    end_uncertainty: float
    tolerance: Tolerance | None = None
    row: int = 0
    shares_start: bool = False
    place: str = ""

    @property
    def duration_s(self) -> float:
        """Time between the two calibrations."""
        return self.stop_s - self.start_s

    @property
    def change(self) -> float:
        """Offset at the end less offset at the start."""
        return self.end - self.start


@dataclass(frozen=True, eq=False, kw_only=True, repr=False)
class CalibrationHistory(Result):
    """The calibrations of one instrument in order of time.

    Attributes
    ----------
    points
        In order of time.
    first_date
        Of the first calibration, where dates are known.
    first_time_s
        Time of day of the first calibration, in seconds after midnight UTC.
    oscillator_class
        What the table says it is.
    findings
        What was set aside of the table, and why.
    """

    points: tuple[HistoryPoint, ...] = field(metadata=UNLISTED)
    name: str = ""
    first_date: dt.date | None = None
    first_time_s: float = field(default=0.0, metadata=UNLISTED)
    oscillator_class: str | None = field(default=None, metadata=UNLISTED)

    _longest_table = 1000

    def __len__(self) -> int:
        return len(self.points)

    @property
    def longest_interval_s(self) -> float:
        """The longest time between two calibrations: as far as the evidence reaches."""
        return float(np.max(np.diff([p.time_s for p in self.points]))) if len(self) > 1 else 0.0

    @property
    def last_date(self) -> dt.date | None:
        """Date of the last calibration, where dates are known."""
        return self.date_of(self.points[-1])

    def date_of(self, point: HistoryPoint) -> dt.date | None:
        """Return the date of a calibration, where dates are known."""
        if self.first_date is None:
            return None
        return self.first_date + dt.timedelta(seconds=self.first_time_s + point.time_s)

    @classmethod
    def from_table(
        cls,
        table: str | Path | pd.DataFrame,
        *,
        name: str = "",
        instrument: str | None = None,
        date_order: str | None = None,
        nominal_frequency_hz: float | None = None,
    ) -> CalibrationHistory:
        """Read a history.

        Parameters
        ----------
        table
            A frame or a file with the columns ``date``, ``as_found``, ``as_left``, ``standard_uncertainty``
            (fractional, k = 1) and ``adjusted`` (yes or no). ``as_found`` may say ``in`` or ``out``. An
            empty ``as_left`` of a clock that was not adjusted is its ``as_found``. ``tolerance`` (``1e-8``,
            or ``-5e-9:1e-8``) says what a state was judged by, ``in_use_hours`` is the reading of a meter of
            hours in use, ``oscillator_class`` says what it is; all three may be absent. A column
            ``instrument``, ``device`` or ``name`` says whose row it is. Cells are separated by commas,
            semicolons, tabs or bars. A unit stands in the header or the cell (``as_found_ppb``,
            ``offset [Hz]``, ``12 ppb``), an uncertainty in a column ``u``, ``uncertainty (k=2)`` or in the
            value, ``1.20(3)e-8``.
        name
            Of the instrument, for the page; by default what the table says, or the name of the file.
        instrument
            Whose rows are meant; needed where the table holds several instruments.
        date_order
            ``day-first`` or ``month-first`` for dates such as 03/04/2026, where no date of the table says so.
        nominal_frequency_hz
            For offsets in hertz, where no column of that name and no line ``# nominal frequency: 10 MHz``
            states it.

        Raises
        ------
        LogError
            If the file or a column is missing, a cell cannot be read, a date occurs twice, no row is left,
            the table holds several instruments and none is selected, or its dates may be read in two ways;
            the sentence names the line.

        Notes
        -----
        A row that can be read but not believed is set aside as far as needed, and a finding names it: an
        uncertainty that is missing, an adjustment without what it was left at, values that contradict
        ``adjusted``. Rows that are not in order of their dates are put in order, which is said.
        """
        read = read_table(
            table,
            (*FIELDS, *_FURTHER),
            what="history",
            date_order=date_order,
            nominal_frequency_hz=nominal_frequency_hz,
        )
        need_calibrations(read)
        rows, named = read.of_one(instrument)
        findings: list[Finding] = list(read.findings)
        ordered = _in_order([_read(row, findings) for row in rows], findings)
        stated, _, said = agreed([row for *_, row in ordered])
        first = ordered[0][0]
        return cls(
            points=tuple(replace(point, time_s=(date - first).total_seconds()) for date, point, _ in ordered),
            oscillator_class=stated.get("oscillator_class"),
            name=name or named or ("" if read.path is None else Path(read.path).stem),
            first_date=first.date(),
            first_time_s=seconds_of_day(first),
            findings=(*findings, *said),
        )

    def increments(self) -> tuple[Increment, ...]:
        """Return the change between each calibration and the one before it, where both are known."""
        return self._increments

    @cached_property
    def _increments(self) -> tuple[Increment, ...]:
        found: list[Increment] = []
        for before, after in itertools.pairwise(self.points):
            if math.isnan(before.as_left) or (math.isnan(after.as_found) and after.state is None):
                continue
            follows = bool(found) and found[-1].stop_s == before.time_s and found[-1].state is None
            found.append(
                Increment(
                    start_s=before.time_s,
                    stop_s=after.time_s,
                    start=before.as_left,
                    end=after.as_found,
                    state=after.state,
                    start_uncertainty=before.as_left_standard_uncertainty,
                    end_uncertainty=after.standard_uncertainty if after.state is None else 0.0,
                    tolerance=after.tolerance,
                    row=after.row,
                    shares_start=follows and not before.starts_anew,
                    place=after.place,
                )
            )
        return tuple(found)

    def by_time_in_use(self) -> CalibrationHistory:
        """Return the history with time counted in hours of use instead of the calendar.

        Raises
        ------
        InputError
            If a calibration has no meter reading, or the meter does not advance.

        Notes
        -----
        ILAC-G24:2022/OIML D 10 names 'in-use' time among its methods: every answer is then in seconds of use.
        """
        hours = np.array([point.in_use_s for point in self.points])
        bad = np.flatnonzero(~(np.diff(hours, prepend=-np.inf) > 0))
        if len(bad):
            point = self.points[int(bad[0])]
            msg = (
                f"{point.place}: in_use_hours is {point.in_use_s / 3600:g}; every calibration needs a "
                "meter reading that is greater than the one before"
            )
            raise InputError(msg)
        points = tuple(
            replace(point, time_s=float(used - hours[0]))
            for point, used in zip(self.points, hours, strict=True)
        )
        return replace(self, points=points, first_date=None)

    def _columns(self) -> tuple[Column, ...]:
        points, days = self.points, [self.date_of(point) for point in self.points]
        when = [str(day or duration_text(point.time_s)) for day, point in zip(days, points, strict=True)]
        found = [point.state or Column("", form="+.3e").text(point.as_found) for point in points]
        return (
            Column("", when, "date"),
            Column("date", np.array(days, dtype="datetime64[D]")),
            Column("time_s", [point.time_s for point in points]),
            Column("", found, "as found"),
            Column("as_found", [point.as_found for point in points]),
            Column("state", [point.state for point in points]),
            Column("as_left", [point.as_left for point in points], "as left", "+.3e"),
            Column("standard_uncertainty", [p.standard_uncertainty for p in points], "u (k = 1)", ".2g"),
            Column("adjusted", [p.adjusted for p in points], "adjusted", lambda yes: "yes" if yes else "no"),
            Column("in_use_s", [point.in_use_s for point in points]),
        )

    def _headline(self) -> str:
        named = f" of {self.name}" if self.name else ""
        span = duration_text(self.points[-1].time_s) if len(self) > 1 else "one day"
        return f"History{named}: {len(self)} calibration{'s' if len(self) > 1 else ''} over {span}"


_Dated = tuple[dt.datetime, HistoryPoint, Row]


def _read(row: Row, findings: list[Finding]) -> _Dated:
    """Return the point of a row without what cannot be believed of it, for which findings say why."""
    one = calibration_in(row)
    found, left, uncertainty = one.as_found, one.as_left, one.standard_uncertainty
    left = found if math.isnan(left) and not one.adjusted else left
    point = HistoryPoint(
        time_s=0.0,
        as_found=found,
        as_left=left,
        standard_uncertainty=uncertainty,
        as_left_uncertainty=one.as_left_uncertainty,
        adjusted=one.adjusted,
        state=one.state,
        tolerance=tolerance_in(row),
        in_use_s=row.number_in("in_use_hours"),
        row=row.number,
        place=row.place,
    )
    nothing = replace(point, as_found=math.nan, as_left=math.nan)
    if not (math.isnan(found) and math.isnan(left)) and not uncertainty > 0:
        sentence = (
            f"{row.where}: standard_uncertainty is {'empty' if math.isnan(uncertainty) else '0'}, so its "
            "values cannot be weighed and were set aside; give the standard uncertainty (k = 1) of the "
            "calibration."
        )
        point, finding = nothing, caution("UNCERTAINTY_MISSING", sentence, row=row.number)
    elif not one.adjusted and abs(left - found) > CONTRADICTS * uncertainty:
        sentence = (
            f"{row.where}: not adjusted, but as_found {found:g} and as_left {left:g} differ by more than "
            "their uncertainty; the row was set aside: correct the values or say adjusted = yes."
        )
        point, finding = nothing, caution("ADJUSTED_CONTRADICTED", sentence, row=row.number)
    elif one.adjusted and math.isnan(left):
        sentence = (
            f"{row.where}: adjusted, but as_left is empty: the change until the next calibration is unknown "
            "and was left out; give the offset it was left at."
        )
        finding = caution("AS_LEFT_MISSING", sentence, row=row.number)
    elif one.adjusted and math.isclose(found, left, rel_tol=1e-12):  # in whatever units they were written
        sentence = f"{row.where}: adjusted, but as_left is as_found: it counts as not adjusted."
        point, finding = (
            replace(point, adjusted=False, as_left=found),
            note("ADJUSTED_IN_NAME", sentence, row=row.number),
        )
    else:
        return one.date, point, row
    findings.append(finding)
    return one.date, point, row


def _in_order(rows: list[_Dated], findings: list[Finding]) -> list[_Dated]:
    """Return the rows in order of their dates, with a finding for each that was not."""
    latest, _, after = rows[0]
    for date, _, row in rows[1:]:
        if date < latest:
            sentence = (
                f"{row.where}: {date.date()} is not after {after.place} ({latest.date()}); rows were put in "
                "order of their dates: check that date."
            )
            findings.append(caution("DATES_OUT_OF_ORDER", sentence, row=row.number))
        else:
            latest, after = date, row
    ordered = sorted(rows, key=lambda each: each[0])
    for (before, _, first), (date, _, row) in itertools.pairwise(ordered):
        if before == date:
            msg = (
                f"{date.date()} is the date of {first.place}, too; one calibration a date (or a time of day) "
                "is needed"
            )
            raise row.error(msg)
    return ordered


def agreed(rows: Sequence[Row]) -> tuple[dict[str, str], Tolerance | None, list[Finding]]:
    """Return what the rows of one instrument, in order of their dates, state of it: texts and its tolerance.

    The last tolerance counts, which is said where another was stated, and the last place. A second class or
    serial number is refused.
    """
    stated: dict[str, tuple[str, Row]] = {}
    known: list[tuple[Tolerance, Row]] = []
    for row in rows:
        for name in filter(row.given, ("oscillator_class", "serial_number", "place")):
            said = row.text(name)
            former, first = stated.setdefault(name, (said, row))
            if name == "place":
                stated[name] = (said, row)
            elif said != former:
                msg = f"{name} is {said}, in {first.place} it is {former}; say the same in every row"
                raise row.error(msg)
            elif name == "oscillator_class":
                try:
                    oscillator_class_named(said)
                except InputError as error:
                    raise row.error(error) from error
        limits = tolerance_in(row)
        if limits is not None:
            known.append((limits, row))
    texts = {name: said for name, (said, _) in stated.items()}
    if not known:
        return texts, None, []
    tolerance, last = known[-1]
    others = ((other, row) for other, row in reversed(known) if not tolerance.same_as(other))
    findings = [
        caution(
            "TOLERANCE_MIXED",
            f"{last.where}: the tolerance is {tolerance}, which counts as the last; in {row.place} it is "
            f"{other}.",
            row=last.number,
        )
        for other, row in itertools.islice(others, 1)
    ]
    return texts, tolerance, findings


def tolerance_in(row: Row) -> Tolerance | None:
    """Return the tolerance that a row of a table states."""
    limits = row.limits("tolerance")
    try:
        return None if limits is None else Tolerance.of(limits)
    except InputError as error:
        raise row.error(error) from error
