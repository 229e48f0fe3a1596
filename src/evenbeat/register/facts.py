"""What the register keeps, checked when it comes in: instruments, calibrations, events, assessments."""

from __future__ import annotations

import hashlib
import itertools
import math
import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, fields, replace
from datetime import UTC, date, datetime, timedelta
from functools import cached_property
from pathlib import Path
from typing import Any, ClassVar, Literal, TypeAlias

from evenbeat.calibration.history import CalibrationHistory, FoundState, HistoryPoint
from evenbeat.calibration.tolerance import Tolerance
from evenbeat.clock.oscillator_classes import oscillator_class_named
from evenbeat.errors import InputError, LogError
from evenbeat.findings import Finding, Severity, note
from evenbeat.plain import Plain
from evenbeat.plausible import UNUSUAL_OFFSET
from evenbeat.quantities import need_positive
from evenbeat.units import NUMBER, counted, frequency_text, parse_unit, seconds_of_day

Kind = Literal["instrument", "calibration", "event", "assessment"]
What = Literal["repair", "move", "adjustment", "in use", "out of use", "retired", "lost"]
Status = Literal["in use", "out of use", "retired", "lost"]
STATUSES: tuple[Status, ...] = ("in use", "out of use", "retired", "lost")
EVENTS: tuple[What, ...] = ("repair", "move", "adjustment", *STATUSES)
Cell: TypeAlias = str | float | bool | None
EMPTY = ("", "nan", "none", "null")
_ANSWERS = {"yes": True, "true": True, "1": True, "no": False, "false": False, "0": False}
IDENTITY = ("serial_number", "model", "place", "remark")
OFFSETS = ("as_found", "as_left", "standard_uncertainty", "as_left_uncertainty")
UNADJUSTED_SPREAD = 6
"""As found and as left of a clock that was not adjusted differ by no more standard uncertainties."""


class _Stated(Plain):
    """Whatever is kept: its parts are read as they may have been typed, then held against each other."""

    def __post_init__(self) -> None:
        for name, read in READERS[self.kind]:  # type: ignore[attr-defined]
            value = getattr(self, name)
            if (made := read(value, name)) is not value:
                object.__setattr__(self, name, made)
        self._check()

    def _check(self) -> None:
        """Refuse what contradicts itself."""

    @cached_property
    def moment(self) -> datetime:
        """When it was made or happened, in UTC; a date without a time counts as midnight."""
        return datetime.fromisoformat(self.date).replace(tzinfo=UTC)  # type: ignore[attr-defined]


@dataclass(frozen=True, kw_only=True)
class Instrument(_Stated):
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
    serial_number, model, place
        By which people know it, as text. Where it went later, its events say.
    """

    kind: ClassVar[Kind] = "instrument"
    name: str
    oscillator_class: str | None = None
    tolerance: float | str | None = None
    nominal_frequency_hz: float | None = None
    serial_number: str = ""
    model: str = ""
    place: str = ""
    remark: str = ""

    def _check(self) -> None:
        if self.oscillator_class is not None:
            oscillator_class_named(self.oscillator_class)
        need_positive(nominal_frequency_hz=self.nominal_frequency_hz)

    @property
    def instrument(self) -> str:
        """Its name, by which every entry is filed."""
        return self.name


@dataclass(frozen=True, kw_only=True)
class Calibration(_Stated):
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
    as_left_uncertainty
        Of ``as_left`` (k = 1), where it is another one than that of ``as_found``.
    adjusted
        Whether the frequency was set.
    reference
        Name of the instrument of this register that it was made against; empty where it is not kept here.
    valid_until
        Day until which it counts, where that was set: of a reference, the day its own calibration is due.
    certificate, certificate_sha256
        Number of the certificate, and the SHA-256 of its file.
    as_entered
        Offsets as they were typed, where they came with a unit.
    remark
        Anything else, as text.
    """

    kind: ClassVar[Kind] = "calibration"
    instrument: str
    date: str
    as_found: float | FoundState | None = None
    as_left: float | None = None
    standard_uncertainty: float | None = None
    as_left_uncertainty: float | None = None
    adjusted: bool = False
    reference: str = ""
    valid_until: str | None = None
    certificate: str = ""
    certificate_sha256: str = ""
    as_entered: str = ""
    remark: str = ""

    def _check(self) -> None:
        if self.as_left is None and not self.adjusted and not isinstance(self.as_found, str):
            object.__setattr__(self, "as_left", self.as_found)
        found, left, spread = self.as_found, self.as_left, self.standard_uncertainty
        measured, own = isinstance(found, float) or left is not None, self.as_left_uncertainty
        if not measured and found is None:
            msg = "neither as_found nor as_left is given; a calibration needs one of them, or in or out"
        elif measured and not (spread is not None and spread > 0):
            shown = "empty" if spread is None else f"{spread:g}"
            msg = f"standard_uncertainty is {shown}; it must be positive (k = 1)"
        elif self.adjusted and left is None:
            msg = "adjusted, but as_left is empty; give the offset it was left at"
        elif far := {
            name: value
            for name in OFFSETS
            if isinstance(value := getattr(self, name), float) and abs(value) > UNUSUAL_OFFSET
        }:
            name, value = next(iter(far.items()))
            msg = (
                f"{name} is {value:g} of the frequency, as no oscillator is off; give the offset from "
                "nominal, with its unit where it is not fractional: '12 ppb'"
            )
        elif own is not None and (left is None or not own > 0):
            msg = (
                f"as_left_uncertainty is {own:g}; it must be positive (k = 1), with an as_left that it is of"
            )
        elif self.valid_until is not None and self.valid_until < self.date[:10]:
            msg = f"valid_until is {self.valid_until}, before the calibration of {self.date}"
        elif self.reference == self.instrument:
            msg = f"{self.instrument} cannot be its own reference; leave reference empty, or name another"
        elif (
            not self.adjusted
            and isinstance(found, float)
            and left is not None
            and spread is not None
            and abs(left - found) > UNADJUSTED_SPREAD * spread
        ):
            msg = (
                f"not adjusted, but as_found {found:g} and as_left {left:g} differ by more than their "
                "uncertainty; correct the values or say adjusted = yes"
            )
        else:
            if self.certificate_sha256:
                _check_sha256(self.certificate_sha256, "certificate_sha256")
            return
        raise InputError(msg)

    def found_in(self, tolerance: float | str | None) -> bool | None:
        """Return whether it found the instrument within a tolerance; ``None`` where that cannot be said."""
        if isinstance(self.as_found, str):
            return self.as_found == "in"
        if self.as_found is None or tolerance is None:
            return None
        return Tolerance.of(tolerance).holds(self.as_found)

    @property
    def left_uncertainty(self) -> float:
        """Standard uncertainty of ``as_left``; NaN where there is none."""
        own = self.standard_uncertainty if self.as_left_uncertainty is None else self.as_left_uncertainty
        return math.nan if own is None else own

    def point(self, first: datetime) -> HistoryPoint:
        """Return it as a point of a history that begins at ``first``."""
        state = self.as_found if isinstance(self.as_found, str) else None
        found = self.as_found if isinstance(self.as_found, float) else math.nan
        return HistoryPoint(
            time_s=(self.moment - first).total_seconds(),
            as_found=found,
            as_left=math.nan if self.as_left is None else self.as_left,
            standard_uncertainty=math.nan if self.standard_uncertainty is None else self.standard_uncertainty,
            as_left_uncertainty=math.nan if self.as_left_uncertainty is None else self.as_left_uncertainty,
            adjusted=self.adjusted,
            state=state,
            certificate=self.certificate,
        )


@dataclass(frozen=True, kw_only=True)
class Event(_Stated):
    """What happened to an instrument beside its calibrations.

    Attributes
    ----------
    what
        ``repair``: calibrations before say nothing of its drift any more. ``move``, ``adjustment``: its
        offset jumped, its drift goes on. ``in use``, ``out of use``, ``retired``, ``lost``: its status from
        then on.
    date
        ISO date, or date and time in UTC. On the day of a calibration it counts as done between the offset
        found and the offset left.
    change, standard_uncertainty
        By how much a move or an adjustment changed the offset, and how well that is known (k = 1): an
        uncertainty alone says about zero. ``None`` where it is unknown: the offset is, then, until the next
        calibration.
    place
        Where it was moved to.
    """

    kind: ClassVar[Kind] = "event"
    instrument: str
    date: str
    what: What
    change: float | None = None
    standard_uncertainty: float | None = None
    place: str = ""
    remark: str = ""

    def _check(self) -> None:
        spread, known = self.standard_uncertainty, self.standard_uncertainty is not None
        if self.what not in EVENTS:
            msg = f"what is {self.what!r}; it must be one of {', '.join(EVENTS)}"
        elif self.change is not None and not known:
            msg = (
                f"change is {self.change:g}, but not how well it is known; give standard_uncertainty (k = 1)"
            )
        elif known and not (spread or 0.0) > 0:
            msg = f"standard_uncertainty is {spread:g}; it must be positive (k = 1)"
        elif known and self.what not in ("move", "adjustment"):
            msg = f"a change of the offset belongs to a move or an adjustment, not to {self.what!r}"
        elif self.place and self.what != "move":
            msg = f"place belongs to a move, not to {self.what!r}"
        else:
            return
        raise InputError(msg)

    def __str__(self) -> str:
        words = {"repair": "repaired", "move": "moved", "adjustment": "adjusted"}
        return f"{words.get(self.what, self.what)} on {self.date}"


@dataclass(frozen=True, kw_only=True)
class KeptAssessment(_Stated):
    """An assessment as the register keeps it: what it said, of which bytes, by which software.

    Attributes
    ----------
    date
        The day it was made for, ISO.
    headline
        Its first sentence.
    interval_s, due
        Suggested interval in seconds and the day it ends, ``None`` where nothing was suggested.
    tolerance, reliability
        What it promised until then: to be within this tolerance with this probability.
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
    tolerance: float | str | None = None
    reliability: float | None = None
    source: str = ""
    software: Mapping[str, str] = field(default_factory=dict)

    def _check(self) -> None:
        _check_sha256(self.sha256, "sha256")


Fact: TypeAlias = Instrument | Calibration | Event | KeptAssessment
FACTS: dict[Kind, type[Fact]] = {
    "instrument": Instrument,
    "calibration": Calibration,
    "event": Event,
    "assessment": KeptAssessment,
}
PARTS = {kind: tuple(each.name for each in fields(made)) for kind, made in FACTS.items()}


def fact_of(kind: Kind, content: Mapping[str, object]) -> Fact:
    """Return a fact from plain values."""
    made, known = FACTS[kind], PARTS[kind]
    strange = sorted(content.keys() - set(known))
    if strange:
        article = "a" if kind == "calibration" else "an"
        msg = f"{strange[0]!r} is no part of {article} {kind}; parts are {', '.join(sorted(known))}"
        raise InputError(msg)
    return made(**dict(content))  # type: ignore[arg-type]


def history_of(
    calibrations: Sequence[Calibration], name: str, events: Sequence[Event] = ()
) -> CalibrationHistory:
    """Return calibrations in order of time as a history.

    A repair begins it anew. What a move or an adjustment did to the offset is added to what the calibration
    before it left; where that is unknown, so is the offset left. On the day of a calibration an event counts
    as done between the offset found and the offset left.
    """
    ordered = sorted(calibrations, key=lambda one: one.moment)
    for before, after in itertools.pairwise(ordered):
        if before.moment == after.moment:
            msg = f"{name} has two calibrations of {after.date}; correct or withdraw one of them"
            raise InputError(msg)
    findings: list[Finding] = []
    repair = max((one for one in events if one.what == "repair"), key=lambda one: one.moment, default=None)
    if repair is not None:
        since = [one for one in ordered if one.moment >= repair.moment]
        if len(since) < len(ordered):
            sentence = (
                f"{name} was {repair}: its drift begins anew, without what "
                f"{counted(len(ordered) - len(since), 'earlier calibration')} found."
            )
            findings.append(note("REPAIRED", sentence))
        ordered = since
    if not ordered:
        msg = f"{name} was {repair} and has not been calibrated since; calibrate it"
        raise InputError(msg)
    first = ordered[0].moment
    points = [one.point(first) for one in ordered]
    if repair is not None and first == repair.moment:
        points[0] = replace(points[0], as_found=math.nan, state=None)
    for event in sorted(events, key=lambda one: one.moment):
        at = sum(one.moment < event.moment for one in ordered) - 1
        same_day = at + 1 < len(ordered) and ordered[at + 1].moment == event.moment
        if event.what not in ("move", "adjustment") or at < 0 or same_day:
            continue
        left, added = points[at].as_left, event.standard_uncertainty
        jumped = math.nan if added is None else left + (event.change or 0.0)
        spread = math.hypot(points[at].as_left_standard_uncertainty, added or 0.0)
        points[at] = replace(points[at], as_left=jumped, as_left_uncertainty=spread, jumped=True)
        by = "by an unknown amount: the change until the next calibration is left out"
        if added is not None:
            by = f"by {event.change or 0.0:g}, known to {added:g} (k = 1)"
        sentence = f"{name} was {event}: the offset left on {ordered[at].date} jumped {by}."
        severity: Severity = "caution" if added is None and at == len(ordered) - 1 else "note"
        findings.append(Finding(code="OFFSET_JUMPED", severity=severity, sentence=sentence))
    return CalibrationHistory(
        points=tuple(points),
        name=name,
        first_date=first.date(),
        first_time_s=seconds_of_day(first),
        findings=tuple(findings),
    )


def status_on(events: Sequence[Event], day: date) -> tuple[Status, str | None]:
    """Return the status of an instrument on a day, and the date it has had it since."""
    said = [one for one in events if one.what in STATUSES and one.moment.date() <= day]
    if not said:
        return "in use", None
    last = max(said, key=lambda one: one.moment)
    return last.what, last.date  # type: ignore[return-value]


def with_units(values: Mapping[str, object], nominal_frequency_hz: float | None) -> dict[str, object]:
    """Return parts of a fact with offsets that were typed with a unit as fractions, and what was typed."""
    found, typed = dict(values), []
    for name in (*OFFSETS, "change"):
        value = values.get(name)
        text = value.strip() if isinstance(value, str) else ""
        match = re.fullmatch(rf"({NUMBER})\s*([^\s].*)", text)
        if match is None or re.fullmatch(NUMBER, text):
            continue
        try:
            dimension, size = parse_unit(match[2])
        except InputError as error:
            msg = f"{name} is {value!r}: {error}"
            raise InputError(msg) from error
        shown = value
        if dimension == "frequency":
            if nominal_frequency_hz is None:
                msg = f"{name} is {value!r}, but no nominal frequency is stated for the instrument; state it"
                raise InputError(msg)
            size /= nominal_frequency_hz
            shown = f"{value} at {frequency_text(nominal_frequency_hz)}"
        elif dimension != "fractional":
            msg = f"{name} is {value!r}; a fractional frequency such as 2.1e-9, 12 ppb or 0.1 Hz is needed"
            raise InputError(msg)
        found[name] = float(f"{float(match[1]) * size:.15g}")  # 12 ppb is 1.2e-8, to the last bit
        typed.append(f"{name} {shown}")
    if typed and "change" not in values:
        found["as_entered"] = "; ".join(typed)
    return found


def file_sha256(path: str | Path) -> str:
    """Return the SHA-256 of a file, such as that of a certificate."""
    try:
        with Path(path).open("rb") as file:
            return hashlib.file_digest(file, "sha256").hexdigest()
    except OSError as error:
        msg = f"cannot be read: {error.strerror}"
        raise LogError(msg, path=path) from error


def checked_name(name: object, _part: str = "") -> str:
    """Return the name of an instrument without blanks around it."""
    text = str(name).strip()
    if text.lower() in EMPTY or (not text.isprintable() and any(ord(letter) < 32 for letter in text)):
        msg = f"the name of an instrument is {name!r}; give a name of printable characters"
        raise InputError(msg)
    return text


def iso_moment(moment: object, _part: str = "") -> str:
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


def _check_sha256(text: str, name: str) -> None:
    if len(text) != 64 or set(text) - set("0123456789abcdef"):
        msg = f"{name} is {text!r}; it must be 64 hexadecimal digits"
        raise InputError(msg)


def _answer(value: object, name: str) -> bool:
    if isinstance(value, bool):
        return value
    word = str(value).strip().lower()
    if word not in _ANSWERS:
        msg = f"{name} is {value!r}; it must be yes or no"
        raise InputError(msg)
    return _ANSWERS[word]


def _found(value: object, _part: str) -> float | FoundState | None:
    word = value.strip().lower() if isinstance(value, str) else ""
    return word if word in ("in", "out") else _number(value, "as_found")  # type: ignore[return-value]


def _number(value: object, name: str) -> float | None:
    if value is None or (isinstance(value, float) and not math.isinf(value)):
        return None if value is None or math.isnan(value) else value  # as a register or a table holds it
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


def _blank(value: object) -> bool:
    return value is None or (isinstance(value, str) and value.strip().lower() in EMPTY)


_READ: dict[str, Callable[[Any, str], object]] = {
    **dict.fromkeys(("name", "instrument"), checked_name),
    "date": iso_moment,
    "due": lambda value, _: None if value is None else iso_moment(value),
    "valid_until": lambda value, _: None if _blank(value) else day_of(value).isoformat(),
    "as_found": _found,
    "adjusted": _answer,
    **dict.fromkeys((*OFFSETS[1:], "change", "nominal_frequency_hz", "interval_s", "reliability"), _number),
    "oscillator_class": lambda value, _: value or None,
    "tolerance": lambda value, _: None if _blank(value) else Tolerance.of(value).stated,
    "software": lambda value, _: dict(value),
    **dict.fromkeys(
        (*IDENTITY, "reference", "certificate", "certificate_sha256", "as_entered"),
        lambda value, _: str(value or "").strip(),
    ),
}
"""How a part is read, by its name; any other is taken as it is."""
READERS = {kind: [(name, _READ[name]) for name in names if name in _READ] for kind, names in PARTS.items()}
