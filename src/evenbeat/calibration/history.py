"""The calibrations of one instrument: as found, as left, with their uncertainty, in order of time."""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

import numpy as np
import pandas as pd

from evenbeat.errors import LogError
from evenbeat.findings import Finding

FoundState = Literal["in", "out"]
COLUMNS = ("date", "as_found", "as_left", "standard_uncertainty", "adjusted")


@dataclass(frozen=True, kw_only=True)
class HistoryPoint:
    """One calibration.

    Attributes
    ----------
    time_s
        Since the first calibration.
    as_found
        Fractional offset; NaN where only a state was recorded, or nothing.
    state
        ``in`` or ``out`` where only that was recorded.
    as_left
        Fractional offset after it; equal to ``as_found`` if not adjusted. NaN where unknown.
    standard_uncertainty
        Of each of the two (k = 1).
    """

    time_s: float
    as_found: float
    as_left: float
    standard_uncertainty: float
    adjusted: bool
    state: FoundState | None = None


@dataclass(frozen=True, eq=False, kw_only=True)
class CalibrationHistory:
    """The calibrations of one instrument in order of time."""

    points: tuple[HistoryPoint, ...]
    name: str = ""
    findings: tuple[Finding, ...] = ()

    def __len__(self) -> int:
        return len(self.points)

    @property
    def longest_interval_s(self) -> float:
        """The longest time between two calibrations: as far as the evidence reaches."""
        return float(np.max(np.diff([p.time_s for p in self.points]))) if len(self) > 1 else 0.0

    @classmethod
    def from_table(cls, table: str | Path | pd.DataFrame, *, name: str = "") -> CalibrationHistory:
        """Read a history.

        Parameters
        ----------
        table
            A frame or a comma-separated file with the columns ``date`` (ISO), ``as_found``, ``as_left``,
            ``standard_uncertainty`` (fractional, k = 1) and ``adjusted`` (yes or no). ``as_found`` may say
            ``in`` or ``out``. An empty ``as_left`` of a clock that was not adjusted is its ``as_found``.

        Raises
        ------
        LogError
            If a column is missing, dates are not in order, or a row contradicts itself; the sentence
            names the row.
        """
        where = str(table) if isinstance(table, str | Path) else "the table"
        frame = _frame(table)
        missing = [column for column in COLUMNS if column not in frame.columns]
        if missing:
            msg = f"{where} has no column {missing[0]!r}; a history needs {', '.join(COLUMNS)}"
            raise LogError(msg)
        if frame.empty:
            msg = f"{where} holds no calibration"
            raise LogError(msg)
        rows = [
            dict(zip(COLUMNS, cells, strict=True)) for cells in frame[list(COLUMNS)].itertuples(index=False)
        ]
        points: list[HistoryPoint] = []
        first: pd.Timestamp | None = None
        for number, row in enumerate(rows, start=1):
            date = _date(row["date"], f"{where}, row {number}")
            first = date if first is None else first
            point = _point(row, (date - first).total_seconds(), f"{where}, row {number}")
            if points and point.time_s <= points[-1].time_s:
                msg = f"{where}, row {number}: {date.date()} is not after the row before; put rows in order"
                raise LogError(msg)
            points.append(point)
        return cls(points=tuple(points), name=name or (Path(where).stem if where != "the table" else ""))

    def increments(self) -> tuple[Increment, ...]:
        """Return the change between each calibration and the one before it."""
        found = []
        for before, after in itertools.pairwise(self.points):
            if math.isnan(before.as_left) or (math.isnan(after.as_found) and after.state is None):
                continue
            found.append(
                Increment(
                    start_s=before.time_s,
                    stop_s=after.time_s,
                    start=before.as_left,
                    end=after.as_found,
                    state=after.state,
                    start_uncertainty=before.standard_uncertainty,
                    end_uncertainty=after.standard_uncertainty if after.state is None else 0.0,
                )
            )
        return tuple(found)


@dataclass(frozen=True, kw_only=True)
class Increment:
    """What one interval between calibrations shows; ``end`` is NaN where only a state is known."""

    start_s: float
    stop_s: float
    start: float
    end: float
    state: FoundState | None
    start_uncertainty: float
    end_uncertainty: float

    @property
    def duration_s(self) -> float:
        """Time between the two calibrations."""
        return self.stop_s - self.start_s

    @property
    def change(self) -> float:
        """Offset at the end less offset at the start."""
        return self.end - self.start


def _frame(table: str | Path | pd.DataFrame) -> pd.DataFrame:
    if isinstance(table, pd.DataFrame):
        return table
    path = Path(table)
    try:
        return pd.read_csv(path, comment="#", dtype=str, keep_default_na=False, skipinitialspace=True)
    except (OSError, UnicodeDecodeError, pd.errors.ParserError, pd.errors.EmptyDataError) as error:
        msg = f"the history cannot be read: {error}"
        raise LogError(msg, path=path) from error


def _date(cell: object, where: str) -> pd.Timestamp:
    try:
        date = pd.Timestamp(str(cell).strip() or "empty")
    except ValueError as error:
        msg = f"{where}: date is {cell!r}; ISO such as 2026-02-26 is needed"
        raise LogError(msg) from error
    return date.tz_localize(None) if date.tzinfo is None else date.tz_convert(None)


def _cell(cell: object, name: str, where: str) -> float:
    text = str(cell).strip().lower()
    if text in ("", "nan", "none"):
        return math.nan
    try:
        return float(text)
    except ValueError as error:
        msg = f"{where}: {name} is {cell!r}; a fractional frequency such as 2.1e-9 is needed"
        raise LogError(msg) from error


def _point(row: dict[str, object], time_s: float, where: str) -> HistoryPoint:
    word = str(row["as_found"]).strip().lower()
    state: FoundState | None = word if word in ("in", "out") else None  # type: ignore[assignment]
    found = math.nan if state else _cell(row["as_found"], "as_found", where)
    left = _cell(row["as_left"], "as_left", where)
    uncertainty = _cell(row["standard_uncertainty"], "standard_uncertainty", where)
    answer = str(row["adjusted"]).strip().lower()
    if answer not in ("yes", "no", "true", "false", "1", "0"):
        msg = f"{where}: adjusted is {row['adjusted']!r}; it must be yes or no"
        raise LogError(msg)
    adjusted = answer in ("yes", "true", "1")
    if math.isnan(left) and not adjusted:
        left = found
    measured = not (math.isnan(found) and math.isnan(left))
    if measured and not (uncertainty > 0):
        msg = f"{where}: standard_uncertainty is {row['standard_uncertainty']!r}; it must be positive (k = 1)"
        raise LogError(msg)
    if adjusted and math.isnan(left):
        msg = f"{where}: adjusted, but as_left is empty; give the offset it was left at"
        raise LogError(msg)
    if not adjusted and state is None and abs(left - found) > 6 * uncertainty:
        msg = (
            f"{where}: not adjusted, but as_found {found:g} and as_left {left:g} differ by more than their "
            "uncertainty; correct the values or say adjusted = yes"
        )
        raise LogError(msg)
    return HistoryPoint(
        time_s=time_s,
        as_found=found,
        as_left=left,
        standard_uncertainty=uncertainty,
        adjusted=adjusted,
        state=state,
    )
