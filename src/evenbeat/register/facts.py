"""What the register keeps: instruments, calibrations, assessments; each is checked when it comes in."""

from __future__ import annotations

import itertools
import math
from collections.abc import Mapping
from dataclasses import dataclass, field, fields
from datetime import UTC, date, datetime, timedelta
from typing import ClassVar, Literal, TypeAlias

from evenbeat.calibration.history import CalibrationHistory
from evenbeat.calibration.history_point import FoundState, HistoryPoint
from evenbeat.calibration.tolerance import Tolerance
from evenbeat.clock.oscillator_classes import oscillator_class_named
from evenbeat.errors import InputError
from evenbeat.plain import Plain
from evenbeat.units import seconds_of_day

Kind = Literal["instrument", "calibration", "assessment"]
Cell: TypeAlias = str | float | bool | None
EMPTY = ("", "nan", "none", "null")
_ANSWERS = {"yes": True, "true": True, "1": True, "no": False, "false": False, "0": False}
UNADJUSTED_SPREAD = 6
"""As found and as left of a clock that was not adjusted differ by no more standard uncertainties."""


@dataclass(frozen=True, kw_only=True)
class Instrument(Plain):
    """One instrument.

    Attributes
    ----------
    name
        What the workshop calls it; unique within a register.
    oscillator_class
        ``uncompensated``, ``temperature_compensated``, ``oven``, ``rubidium`` or ``caesium``; ``None``
        where it is not stated: it is then inferred, with its odds.
    tolerance
        Limits of the fractional offset: ``1e-8`` for ±1e-8, or ``-5e-9:1e-8`` as text; ``None`` where none
        is stated.
    nominal_frequency_hz
        ``None`` where it is not stated.
    """

    kind: ClassVar[Kind] = "instrument"
    name: str
    oscillator_class: str | None = None
    tolerance: float | str | None = None
    nominal_frequency_hz: float | None = None
    remark: str = ""

    def __post_init__(self) -> None:
        object.__setattr__(self, "name", checked_name(self.name))
        object.__setattr__(self, "oscillator_class", self.oscillator_class or None)
        if self.oscillator_class is not None:
            oscillator_class_named(self.oscillator_class)
        object.__setattr__(self, "tolerance", _tolerance(self.tolerance))
        nominal = _number(self.nominal_frequency_hz, "nominal_frequency_hz")
        if nominal is not None and not nominal > 0:
            msg = f"nominal_frequency_hz is {nominal!r}; it must be positive"
            raise InputError(msg)
        object.__setattr__(self, "nominal_frequency_hz", nominal)
        object.__setattr__(self, "remark", str(self.remark).strip())

    @property
    def instrument(self) -> str:
        """Its name, by which every entry is filed."""
        return self.name


@dataclass(frozen=True, kw_only=True)
class Calibration(Plain):
    """One calibration of one instrument.

    Attributes
    ----------
    date
        ISO date, or date and time in UTC.
    as_found
        Fractional offset, positive when fast; ``in`` or ``out`` where only that is known; ``None`` where
        nothing was recorded.
    as_left
        After it; ``None`` where unknown. Equal to ``as_found`` where nothing was adjusted.
    standard_uncertainty
        Of each of the two (k = 1); needed with a value.
    adjusted
        Whether the frequency was set.
    certificate, remark
        Number of the certificate, and anything else, as text.
    """

    kind: ClassVar[Kind] = "calibration"
    instrument: str
    date: str
    as_found: float | FoundState | None = None
    as_left: float | None = None
    standard_uncertainty: float | None = None
    adjusted: bool = False
    certificate: str = ""
    remark: str = ""

    def __post_init__(self) -> None:
        set_value = object.__setattr__
        set_value(self, "instrument", checked_name(self.instrument))
        set_value(self, "date", iso_moment(self.date))
        set_value(self, "as_found", _found(self.as_found))
        set_value(self, "adjusted", _answer(self.adjusted, "adjusted"))
        set_value(self, "as_left", _number(self.as_left, "as_left"))
        set_value(self, "standard_uncertainty", _number(self.standard_uncertainty, "standard_uncertainty"))
        for name in ("certificate", "remark"):
            set_value(self, name, str(getattr(self, name) or "").strip())
        if self.as_left is None and not self.adjusted and not isinstance(self.as_found, str):
            set_value(self, "as_left", self.as_found)
        self._check()

    def _check(self) -> None:
        """Refuse what contradicts itself."""
        measured = isinstance(self.as_found, float) or self.as_left is not None
        uncertainty = self.standard_uncertainty
        if not measured and self.as_found is None:
            msg = "neither as_found nor as_left is given; a calibration needs one of them, or in or out"
            raise InputError(msg)
        if measured and not (uncertainty is not None and uncertainty > 0):
            shown = "empty" if uncertainty is None else f"{uncertainty:g}"
            msg = f"standard_uncertainty is {shown}; it must be positive (k = 1)"
            raise InputError(msg)
        if self.adjusted and self.as_left is None:
            msg = "adjusted, but as_left is empty; give the offset it was left at"
            raise InputError(msg)
        both = isinstance(self.as_found, float) and self.as_left is not None and uncertainty is not None
        if not self.adjusted and both:
            found, left, spread = self.as_found, self.as_left, uncertainty
            if abs(left - found) > UNADJUSTED_SPREAD * spread:  # type: ignore[operator]
                msg = (
                    f"not adjusted, but as_found {found:g} and as_left {left:g} differ by more than their "
                    "uncertainty; correct the values or say adjusted = yes"
                )
                raise InputError(msg)

    @property
    def moment(self) -> datetime:
        """When it was made, in UTC; a date without a time counts as midnight."""
        return datetime.fromisoformat(self.date).replace(tzinfo=UTC)

    def point(self, first: datetime) -> HistoryPoint:
        """Return it as a point of a history that begins at ``first``."""
        state = self.as_found if isinstance(self.as_found, str) else None
        found = self.as_found if isinstance(self.as_found, float) else math.nan
        return HistoryPoint(
            time_s=(self.moment - first).total_seconds(),
            as_found=found,
            as_left=math.nan if self.as_left is None else self.as_left,
            standard_uncertainty=math.nan if self.standard_uncertainty is None else self.standard_uncertainty,
            adjusted=self.adjusted,
            state=state,
        )


@dataclass(frozen=True, kw_only=True)
class KeptAssessment(Plain):
    """An assessment as the register keeps it: what it said, of which bytes, by which software.

    Attributes
    ----------
    date
        The day it was made for, ISO.
    headline
        Its first sentence.
    interval_s, due
        Suggested interval in seconds and the day it ends, ``None`` where nothing was suggested.
    sha256
        Of the result (``result.json``, or the row of a due list), by which the whole can be recognised.
    source
        Name of the file that holds it.
    software
        Name to version.
    """

    kind: ClassVar[Kind] = "assessment"
    instrument: str
    date: str
    headline: str
    sha256: str
    interval_s: float | None = None
    due: str | None = None
    source: str = ""
    software: Mapping[str, str] = field(default_factory=dict)

    def __post_init__(self) -> None:
        set_value = object.__setattr__
        set_value(self, "instrument", checked_name(self.instrument))
        set_value(self, "date", iso_moment(self.date))
        set_value(self, "interval_s", _number(self.interval_s, "interval_s"))
        set_value(self, "due", None if self.due is None else iso_moment(self.due))
        set_value(self, "software", dict(self.software))
        if len(self.sha256) != 64 or set(self.sha256) - set("0123456789abcdef"):
            msg = f"sha256 is {self.sha256!r}; it must be 64 hexadecimal digits"
            raise InputError(msg)


Fact: TypeAlias = Instrument | Calibration | KeptAssessment
FACTS: dict[Kind, type[Instrument] | type[Calibration] | type[KeptAssessment]] = {
    "instrument": Instrument,
    "calibration": Calibration,
    "assessment": KeptAssessment,
}


def fact_of(kind: Kind, content: Mapping[str, object]) -> Fact:
    """Return a fact from plain values.

    Raises
    ------
    InputError
        If a value is not known or cannot be used.
    """
    made = FACTS[kind]
    known = {each.name for each in fields(made)}
    strange = sorted(set(content) - known)
    if strange:
        msg = f"{strange[0]!r} is no part of an {kind}; parts are {', '.join(sorted(known))}".replace(
            "an calibration", "a calibration"
        )
        raise InputError(msg)
    return made(**dict(content))  # type: ignore[arg-type]


def history_of(calibrations: list[Calibration], name: str) -> CalibrationHistory:
    """Return calibrations in order of time as a history.

    Raises
    ------
    InputError
        If two are of the same moment.
    """
    ordered = sorted(calibrations, key=lambda one: one.moment)
    for before, after in itertools.pairwise(ordered):
        if before.moment == after.moment:
            msg = f"{name} has two calibrations of {after.date}; correct or withdraw one of them"
            raise InputError(msg)
    first = ordered[0].moment
    points = tuple(one.point(first) for one in ordered)
    return CalibrationHistory(
        points=points, name=name, first_date=first.date(), first_time_s=seconds_of_day(first)
    )


def checked_name(name: object) -> str:
    """Return the name of an instrument without blanks around it."""
    text = str(name).strip()
    if text.lower() in EMPTY or any(ord(letter) < 32 for letter in text):
        msg = f"the name of an instrument is {name!r}; give a name of printable characters"
        raise InputError(msg)
    return text


def iso_moment(moment: object) -> str:
    """Return an ISO date, or date and time in UTC to the second, from text or a date."""
    if isinstance(moment, datetime):
        aware = moment.replace(tzinfo=UTC) if moment.tzinfo is None else moment.astimezone(UTC)
        return aware.replace(tzinfo=None, microsecond=0).isoformat()
    if isinstance(moment, date):
        return moment.isoformat()
    text = str(moment).strip()
    try:
        if len(text) == 10:
            return date.fromisoformat(text).isoformat()
        return iso_moment(datetime.fromisoformat(text))
    except (ValueError, OverflowError) as error:
        msg = f"date is {moment!r}; ISO such as 2026-02-26 is needed"
        raise InputError(msg) from error


def day_of(moment: object) -> date:
    """Return the day of an ISO date or moment."""
    return datetime.fromisoformat(iso_moment(moment)).date()


def days_after(start: date, seconds: float) -> date:
    """Return the day that begins at most so many seconds after ``start``; year 9999 at the latest."""
    days = math.floor(seconds / 86400 + 1e-9)
    return date.max if days > (date.max - start).days else start + timedelta(days=days)


def _answer(value: object, name: str) -> bool:
    word = str(value).strip().lower()
    if word not in _ANSWERS:
        msg = f"{name} is {value!r}; it must be yes or no"
        raise InputError(msg)
    return _ANSWERS[word]


def _found(value: object) -> float | FoundState | None:
    word = str(value).strip().lower()
    return word if word in ("in", "out") else _number(value, "as_found")  # type: ignore[return-value]


def _number(value: object, name: str) -> float | None:
    text = str(value).strip()
    if text.lower() in EMPTY:
        return None
    try:
        number = float(text)
    except ValueError:
        number = math.nan
    if not math.isfinite(number):
        msg = f"{name} is {value!r}; a number such as 2.1e-9 is needed"
        raise InputError(msg)
    return number


def _tolerance(value: object) -> float | str | None:
    if value is None or (isinstance(value, str) and value.strip().lower() in EMPTY):
        return None
    return Tolerance.of(value).stated  # type: ignore[arg-type]
