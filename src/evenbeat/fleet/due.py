"""The due list: every instrument with the day its next calibration is due, the most urgent first."""

from __future__ import annotations

import csv
import io
import math
from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date
from typing import TYPE_CHECKING, Literal

from evenbeat.findings import Finding
from evenbeat.printing import Printed, Table

if TYPE_CHECKING:
    import pandas as pd

DueState = Literal["overdue", "soon", "later", "not evaluated"]
LimitedBy = Literal["tolerance", "observed intervals", "policy", "first interval", "log", "start", "nothing"]
SHOWN_ROWS = 20
COLUMNS = (
    "instrument",
    "state",
    "last_calibration",
    "due",
    "probability_within",
    "tolerance",
    "interval_d",
    "limited_by",
    "drift_per_year",
    "drift_uncertainty",
    "calibrations",
    "reason",
    "findings",
)


@dataclass(frozen=True, kw_only=True)
class DueInstrument:
    """One line of a due list.

    Attributes
    ----------
    last_calibration
        Day of the last calibration, or of the last reading of a log; ``None`` if there is none.
    due
        Last day of the interval; ``None`` where it cannot be said.
    state
        ``overdue``, ``soon``, ``later``, or ``not evaluated``.
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
    last_calibration: date | None = None
    due: date | None = None
    state: DueState = "not evaluated"
    probability_within: float = math.nan
    tolerance: float = math.nan
    interval_s: float = math.nan
    limited_by: LimitedBy = "nothing"
    drift_per_year: float = math.nan
    drift_uncertainty: float = math.nan
    calibrations: int = 0
    reason: str
    findings: tuple[Finding, ...] = ()

    def to_dict(self) -> dict[str, object]:
        """Return plain values, ready for JSON; what is not known is ``None``."""
        return {
            "instrument": self.instrument,
            "state": self.state,
            "last_calibration": None if self.last_calibration is None else self.last_calibration.isoformat(),
            "due": None if self.due is None else self.due.isoformat(),
            "probability_within": _known(self.probability_within),
            "tolerance": _known(self.tolerance),
            "interval_d": _known(self.interval_s / 86400),
            "limited_by": self.limited_by,
            "drift_per_year": _known(self.drift_per_year),
            "drift_uncertainty": _known(self.drift_uncertainty),
            "calibrations": self.calibrations,
            "reason": self.reason,
            "findings": [finding.to_dict() for finding in self.findings],
        }


@dataclass(frozen=True, eq=False, kw_only=True, repr=False)
class DueList(Printed):
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
    findings: tuple[Finding, ...] = ()

    def __len__(self) -> int:
        return len(self.instruments)

    @property
    def counts(self) -> Mapping[DueState, int]:
        """How many instruments are in each state."""
        found = Counter(one.state for one in self.instruments)
        states: tuple[DueState, ...] = ("overdue", "not evaluated", "soon", "later")
        return {state: found.get(state, 0) for state in states}

    def to_frame(self) -> pd.DataFrame:
        """Return one row per instrument; days as dates, findings as their codes."""
        import pandas as pd

        frame = pd.DataFrame([self._cells(one) for one in self.instruments], columns=list(COLUMNS))
        for name in ("last_calibration", "due"):
            frame[name] = pd.to_datetime(frame[name])
        return frame

    def to_dict(self) -> dict[str, object]:
        """Return plain values, ready for JSON."""
        return {
            "on": self.on.isoformat(),
            "settings": dict(self.settings),
            "source": dict(self.source),
            "software": dict(self.software),
            "counts": dict(self.counts),
            "instruments": [one.to_dict() for one in self.instruments],
            "findings": [finding.to_dict() for finding in self.findings],
        }

    def to_csv(self) -> str:
        """Return comma-separated text, one row per instrument; what is not known is empty."""
        text = io.StringIO()
        writer = csv.writer(text, lineterminator="\n")
        writer.writerow(COLUMNS)
        for one in self.instruments:
            cells = self._cells(one)
            writer.writerow(["" if cells[name] is None else cells[name] for name in COLUMNS])
        return text.getvalue()

    @staticmethod
    def _cells(one: DueInstrument) -> dict[str, object]:
        return {**one.to_dict(), "findings": " ".join(finding.code for finding in one.findings)}

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

    def _table(self) -> Table:
        rows: list[tuple[str, ...]] = [
            (
                one.instrument if len(one.instrument) <= 22 else one.instrument[:21] + "…",
                one.state,
                _day(one.last_calibration),
                _day(one.due),
                percent(one.probability_within),
                one.limited_by.split()[0],
            )
            for one in self.instruments[:SHOWN_ROWS]
        ]
        more = len(self) - SHOWN_ROWS
        if more > 0:
            rows.append((f"… {more} more", "", "", "", "", ""))
        return Table(
            columns=("instrument", "state", "last", "due", "P(within)", "limited by"), rows=tuple(rows)
        )


def percent(probability: float) -> str:
    """Return ``97.3 %``; a dash where it is not known, and never 100 or 0 % by rounding."""
    if math.isnan(probability):
        return "–"
    if probability > 0.9999:
        return "> 99.99 %"
    if probability < 1e-4:
        return "< 0.01 %"
    return f"{100 * probability:.{4 if probability > 0.995 else 3}g} %"


def _day(day: date | None) -> str:
    return "–" if day is None else day.isoformat()


def _known(value: float) -> float | None:
    return value if math.isfinite(value) else None
