"""Calibrations of a clock: dated offsets with their uncertainty, before and after an adjustment."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, TypeAlias, Union, cast

import numpy as np

from evenbeat.errors import InputError, LogError
from evenbeat.tables import DateOrder, order_of_dates, rows_of_one, text_frame

if TYPE_CHECKING:
    import pandas as pd

COLUMNS = ("date", "as_found", "as_left", "standard_uncertainty", "adjusted")
_YES, _NO = {"yes", "true", "1", "1.0"}, {"no", "false", "0", "0.0"}


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

    def __post_init__(self) -> None:
        if not (self.standard_uncertainty > 0 and math.isfinite(self.standard_uncertainty)):
            msg = (
                f"calibration at {self.at}: standard_uncertainty is {self.standard_uncertainty:g}; "
                "it must be positive (k = 1)"
            )
            raise InputError(msg)
        left = math.nan if self.as_left is None else self.as_left
        if self.adjusted and not math.isfinite(left):
            msg = (
                f"calibration at {self.at}: adjusted, but as_left is missing; give the offset it was left at"
            )
            raise InputError(msg)
        if not self.adjusted and not math.isfinite(self.as_found):
            msg = f"calibration at {self.at}: as_found is {self.as_found}; give the offset that was found"
            raise InputError(msg)
        if self.averaging_time_s is not None and not self.averaging_time_s > 0:
            msg = (
                f"calibration at {self.at}: averaging_time_s is {self.averaging_time_s}; it must be positive"
            )
            raise InputError(msg)


Calibrations: TypeAlias = Union[Iterable[CalibrationPoint], "pd.DataFrame", str, Path]


def calibration_points(source: Calibrations) -> tuple[CalibrationPoint, ...]:
    """Return calibrations from points, a data frame or a comma-separated table.

    Parameters
    ----------
    source
        A table has the columns ``date`` (UTC), ``as_found``, ``as_left``, ``standard_uncertainty``
        (fractional frequency, k = 1) and ``adjusted`` (yes or no); lines that begin with ``#`` are
        remarks. It holds one instrument.

    Raises
    ------
    LogError
        If the file or a column is missing, a cell cannot be read, the table holds several instruments, or its
        dates may be read in two ways.
    """
    if isinstance(source, str | Path) or hasattr(source, "columns"):
        table = cast("pd.DataFrame | str | Path", source)
        where = Path(table).name if isinstance(table, str | Path) else "the data frame"
        return _from_frame(text_frame(table, "table of calibrations"), where)
    points = tuple(source)
    strange = [type(point).__name__ for point in points if not isinstance(point, CalibrationPoint)]
    if strange:
        msg = f"calibrations hold a {strange[0]}; give CalibrationPoint(at=…, as_found=…, …)"
        raise InputError(msg)
    return points


def _from_frame(frame: pd.DataFrame, where: str) -> tuple[CalibrationPoint, ...]:
    missing = [name for name in COLUMNS if name not in frame.columns]
    if missing:
        msg = f"{where} has no column {missing[0]!r}; calibrations need {', '.join(COLUMNS)}"
        raise LogError(msg)
    order = order_of_dates(list(frame["date"]), points_decide=False)
    rows, _ = rows_of_one(frame, where)
    return tuple(_from_row(row, f"{where}, row {number}", order) for number, row in rows)


def _from_row(row: dict[str, object], where: str, order: DateOrder) -> CalibrationPoint:
    try:
        date = np.datetime64(order.moment(row["date"]))
        found, left, uncertainty = (float(str(row[name]).strip() or "nan") for name in COLUMNS[1:4])
    except ValueError as error:
        msg = f"{where}: {error}; offsets are plain numbers"
        raise LogError(msg) from error
    adjusted = _is_yes(str(row["adjusted"]).strip().lower(), where)
    return CalibrationPoint(
        at=date,
        as_found=found,
        standard_uncertainty=uncertainty,
        as_left=left if adjusted else None,
        adjusted=adjusted,
    )


def _is_yes(word: str, where: str) -> bool:
    if word not in _YES | _NO:
        msg = f"{where}: adjusted is {word!r}; it must be yes or no"
        raise LogError(msg)
    return word in _YES
