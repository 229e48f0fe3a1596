"""The due list: every instrument with the day its next calibration is due, the most urgent first."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from datetime import date
from typing import Literal

from evenbeat.findings import Finding
from evenbeat.plain import UNLISTED, Plain
from evenbeat.results import Column, Result, Table
from evenbeat.units import SECONDS_PER_DAY

DueState = Literal["overdue", "soon", "later", "not evaluated"]
LimitedBy = Literal["tolerance", "observed intervals", "policy", "first interval", "log", "start", "nothing"]
SHOWN_ROWS = 20


@dataclass(frozen=True, kw_only=True)
class DueInstrument(Plain):
    """One line of a due list.

    Attributes
    ----------
    last_calibration
        Day of the last calibration, or of the last reading of a log; ``None`` if there is none.
    due
        Last day of the interval; ``None`` where it cannot be said.
    state
        ``overdue``, ``soon``, ``later``, or ``not evaluated``.
    tolerance
        One number for ±, or both limits as in ``-5e-09:1e-08``.
    probability_within
        Of being within tolerance on the day of the list; NaN where it cannot be said.
    interval_s
        From the last calibration, before rounding down to a day; NaN where it cannot be said.
    limited_by
        What ends the interval.
    drift_per_year, drift_uncertainty
        Drift per year on the day of the last calibration with its standard uncertainty (k = 1).
    calibrations
        How many it rests on.
    reason
        One sentence.
    """

    instrument: str
    state: DueState = "not evaluated"
    last_calibration: date | None = None
    due: date | None = None
    probability_within: float = math.nan
    tolerance: float | str = math.nan
    interval_s: float = field(default=math.nan, metadata=UNLISTED)
    limited_by: LimitedBy = "nothing"
    drift_per_year: float = math.nan
    drift_uncertainty: float = math.nan
    calibrations: int = 0
    reason: str
    findings: tuple[Finding, ...] = ()

    _also = ("interval_d",)

    @property
    def interval_d(self) -> float:
        """The interval in days, as lists for people say it."""
        return self.interval_s / SECONDS_PER_DAY


@dataclass(frozen=True, eq=False, kw_only=True, repr=False)
class DueList(Result):
    """Every instrument of a fleet, the most urgent first, made by :func:`evenbeat.assess_fleet`.

    Attributes
    ----------
    on
        The day it is for.
    instruments
        In order of their due day; those that cannot be evaluated stand between the overdue and the others.
    settings
        What was asked, as given.
    source
        Name of the register, table or folder, with its SHA-256 where it is a file.
    software
        Versions that computed it.
    """

    on: date
    instruments: tuple[DueInstrument, ...]
    settings: Mapping[str, object]
    source: Mapping[str, str]
    software: Mapping[str, str]

    _row_objects = "instruments"
    _also = ("counts",)

    def __len__(self) -> int:
        return len(self.instruments)

    @property
    def counts(self) -> Mapping[DueState, int]:
        """How many instruments are in each state."""
        found = Counter(one.state for one in self.instruments)
        states: tuple[DueState, ...] = ("overdue", "not evaluated", "soon", "later")
        return {state: found.get(state, 0) for state in states}

    def to_csv(self) -> str:
        """Return comma-separated text, one row per instrument; what is not known is empty."""
        return str(self.to_frame().to_csv(index=False, lineterminator="\n"))

    def _columns(self) -> tuple[Column, ...]:
        return (
            Column("instrument", heading="instrument", form=_shortened),
            Column("state", heading="state"),
            Column("last_calibration", heading="last"),
            Column("due", heading="due"),
            Column("probability_within", heading="P(within)", form=percent),
            Column("limited_by", heading="limited by", form=lambda cause: cause.split()[0]),
        )

    def _shown_rows(self, count: int) -> Iterable[int]:
        return range(min(count, SHOWN_ROWS))

    def _table(self) -> Table | None:
        table, more = super()._table(), len(self) - SHOWN_ROWS
        if table is None or more <= 0:
            return table
        last = (f"… {more} more", *[""] * (len(table.columns) - 1))
        return replace(table, rows=(*table.rows, last))

    def headline(self) -> str:
        """Return one sentence: how many, and how many of them are due."""
        counts = self.counts
        days = self.settings.get("soon_d", 0)
        return (
            f"{len(self)} instruments on {self.on.isoformat()}: {counts['overdue']} overdue, "
            f"{counts['soon']} due within {days:g} d, {counts['later']} later, "
            f"{counts['not evaluated']} not evaluated"
        )

    def _headline(self) -> str:
        return self.headline() + "."


def percent(probability: float) -> str:
    """Return ``97.3 %``; a dash where it is not known, and never 100 or 0 % by rounding."""
    if math.isnan(probability):
        return "–"
    if probability > 0.9999:
        return "> 99.99 %"
    if probability < 1e-4:
        return "< 0.01 %"
    return f"{100 * probability:.{4 if probability > 0.995 else 3}g} %"


def _shortened(name: str) -> str:
    return name if len(name) <= 22 else f"{name[:21]}…"
