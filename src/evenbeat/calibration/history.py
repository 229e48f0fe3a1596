"""The calibrations of one instrument: as found, as left, with their uncertainty, in order of time."""

from __future__ import annotations

import datetime as dt
import itertools
import math
from dataclasses import dataclass, field, replace
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from evenbeat.calibration.history_point import FoundState, HistoryPoint
from evenbeat.calibration.history_table import history_from_table
from evenbeat.calibration.tolerance import Tolerance
from evenbeat.errors import InputError
from evenbeat.plain import UNLISTED
from evenbeat.result import Column, Result
from evenbeat.units import duration_text

if TYPE_CHECKING:
    import pandas as pd


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
        read = history_from_table(
            table,
            instrument=instrument,
            date_order=date_order,
            nominal_frequency_hz=nominal_frequency_hz,
        )
        return cls(**(read | {"name": name or read["name"]}))

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
