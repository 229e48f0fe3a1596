"""The due list: every instrument with the day its next calibration is due, the most urgent first."""

from __future__ import annotations

import math
import textwrap
import uuid
from collections import Counter
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field, replace
from datetime import date
from typing import Literal

from evenbeat import __version__
from evenbeat.calibration.tolerance import Tolerance
from evenbeat.errors import InputError
from evenbeat.findings import Finding
from evenbeat.plain import UNLISTED, Plain
from evenbeat.register.promises import RealisedReliability
from evenbeat.result import Column, Result, Table, fitting
from evenbeat.units import SECONDS_PER_DAY

LONGEST_LINE = 75
"""Octets of a line without its end."""


def _escaped(text: str) -> str:
    """Return a text value: backslash, semicolon, comma and line break written as RFC 5545, 3.3.11 says."""
    plain = "".join(letter if letter >= " " or letter == "\n" else " " for letter in text)
    return plain.replace("\\", "\\\\").replace(";", "\\;").replace(",", "\\,").replace("\n", "\\n")


def _folded(line: str) -> str:
    """Return a line folded after at most 75 octets, never within a letter."""
    parts, part, room = [], b"", LONGEST_LINE
    for letter in line:
        octets = letter.encode("utf-8", "replace")
        if len(part) + len(octets) > room:
            parts.append(part)
            part, room = b"", LONGEST_LINE - 1
        part += octets
    return "\r\n ".join(piece.decode() for piece in (*parts, part))


DueState = Literal["overdue", "soon", "later", "not evaluated", "not in use"]
LimitedBy = Literal[
    "tolerance", "observed intervals", "policy", "first interval", "stated day", "log", "start", "nothing"
]
SHOWN_ROWS = 20
LABEL_WIDTH = 44


@dataclass(frozen=True, kw_only=True)
class DueInstrument(Plain):
    """One line of a due list.

    ``last_calibration`` is that of the last reading where there is a log; ``due`` the last day of the
    interval; both are ``None`` where there is none. ``not in use`` is retired, lost or out of use.
    ``probability_within`` is of being within tolerance on the day of the list, ``interval_s`` from the last
    calibration, before rounding down to a day, ended by what ``limited_by`` says; drift per year on the day
    of the last calibration, with its standard uncertainty (k = 1); NaN where it cannot be said. Number of the
    last certificate, place and serial number are empty where they are not known. ``tolerance`` is one number
    for ±, or both limits as text.
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
    serial_number: str = ""
    place: str = ""
    certificate: str = ""
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
        In order of their due day; those that cannot be evaluated stand between the overdue and the others,
        those not in use at the end.
    settings
        What was asked, as given.
    source
        Name of the register, table or folder, with its SHA-256 where it is a file.
    software
        Versions that computed it.
    realised
        How earlier promises of the register were kept; ``None`` where the list is not made from one.
    """

    on: date
    instruments: tuple[DueInstrument, ...]
    settings: Mapping[str, object]
    source: Mapping[str, str]
    software: Mapping[str, str]
    realised: RealisedReliability | None = None

    _row_objects = "instruments"
    _also = ("counts",)

    def __len__(self) -> int:
        return len(self.instruments)

    @property
    def counts(self) -> Mapping[DueState, int]:
        """How many instruments are in each state."""
        found = Counter(one.state for one in self.instruments)
        states: tuple[DueState, ...] = ("overdue", "not evaluated", "soon", "later", "not in use")
        return {state: found.get(state, 0) for state in states}

    def to_icalendar(self) -> str:
        """Return the due days as iCalendar (RFC 5545); write it with its line ends as they are.

        An event stands on its due day, with an alarm as many days before as count as soon. What is overdue or
        cannot be evaluated stands on the day of the list; what is not in use is left out. An instrument keeps
        its event from list to list: importing a later one moves it.
        """
        lines = [
            "BEGIN:VCALENDAR",
            "VERSION:2.0",
            f"PRODID:-//evenbeat//evenbeat {__version__}//EN",
            "CALSCALE:GREGORIAN",
            *(line for one in self.instruments if one.state != "not in use" for line in self._event(one)),
            "END:VCALENDAR",
        ]
        return "".join(f"{_folded(line)}\r\n" for line in lines)

    def _event(self, one: DueInstrument) -> Iterator[str]:
        """Yield the unfolded lines of the all-day event of an instrument."""
        ahead, source = one.state in ("soon", "later"), self.source.get("name", "")
        begins = {"overdue": "Overdue: calibrate", "not evaluated": "Not evaluated: look at"}
        title = _escaped(f"{begins.get(one.state, 'Calibrate')} {one.instrument}")
        said = [
            f"Last calibration {one.last_calibration}." if one.last_calibration else "",
            f"Due {one.due}." if one.due else "",
            one.reason,
            *(found.sentence for found in one.findings if found.severity != "note"),
            f"In tolerance on {self.on}: {percent(one.probability_within)}.",
            f"Suggested by the list of {self.on} from {source}; the owner decides.",
        ]
        named = f"{source}\n{one.instrument}"  # the same name is the same event: a later file moves it
        yield "BEGIN:VEVENT"
        yield f"UID:{uuid.uuid5(uuid.NAMESPACE_OID, named)}"
        yield f"DTSTAMP:{self.on:%Y%m%d}T000000Z"
        yield f"SEQUENCE:{self.on.toordinal()}"
        yield f"DTSTART;VALUE=DATE:{one.due if ahead and one.due else self.on:%Y%m%d}"
        yield f"SUMMARY:{title}"
        yield f"DESCRIPTION:{_escaped(' '.join(filter(None, said)))}"
        if one.place:
            yield f"LOCATION:{_escaped(one.place)}"
        yield "CATEGORIES:CALIBRATION"
        yield "TRANSP:TRANSPARENT"
        if ahead:
            yield "BEGIN:VALARM"
            yield "ACTION:DISPLAY"
            yield f"DESCRIPTION:{title}"
            yield f"TRIGGER:-P{round(float(str(self.settings['soon_d'])))}D"
            yield "END:VALARM"
        yield "END:VEVENT"

    def label(self, instrument: str) -> str:
        """Return the text of a label for an instrument, with its caution."""
        one = next((line for line in self.instruments if line.instrument == instrument), None)
        if one is None:
            msg = f"the due list holds no instrument {instrument!r}"
            raise InputError(msg)
        serial = f"  No. {one.serial_number}" if one.serial_number else ""
        calibrated = "never" if one.last_calibration is None else one.last_calibration.isoformat()
        certificate = f" ({one.certificate})" if one.certificate else ""
        usable = one.state in ("soon", "later") and one.due is not None
        cautions = [found.sentence for found in one.findings if found.severity in ("stop", "caution")]
        if usable and one.due is not None:
            limits = Tolerance.of(one.tolerance)
            reliability = 100 * float(str(self.settings["reliability"]))
            said = [f"Due {one.due.isoformat()}", f"{limits} with {reliability:g} % until then"]
            cautions.append(
                "Suggested day, not a conformity statement. Void after a repair, an adjustment or a move."
            )
        else:
            said = ["NOT IN USE" if one.state == "not in use" else "DO NOT USE before it is calibrated"]
            cautions = [one.reason, *cautions]
        lines = [f"{one.instrument}{serial}", f"Calibrated {calibrated}{certificate}", *said]
        lines += [*cautions, f"List of {self.on.isoformat()}, {self.source.get('name', '')}"]
        return "\n".join(textwrap.fill(line, LABEL_WIDTH) for line in lines)

    def labels(self) -> str:
        """Return the labels of all instruments, the most urgent first, an empty line between two."""
        return "\n\n".join(self.label(one.instrument) for one in self.instruments) + "\n"

    def to_csv(self) -> str:
        """Return comma-separated text, one row per instrument; what is not known is empty."""
        return str(self.to_frame().to_csv(index=False, lineterminator="\n"))

    def _columns(self) -> tuple[Column, ...]:
        return (
            Column("instrument", heading="instrument", form=fitting(22)),
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
        idle = f", {counts['not in use']} not in use" if counts["not in use"] else ""
        return (
            f"{len(self)} instruments on {self.on.isoformat()}: {counts['overdue']} overdue, "
            f"{counts['soon']} due within {days:g} d, {counts['later']} later, "
            f"{counts['not evaluated']} not evaluated{idle}"
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
