"""A reference was found out: which calibrations, assessments and readings it touches, and how far."""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Literal, TypeAlias

from evenbeat.calibration.tolerance import Tolerance
from evenbeat.errors import InputError
from evenbeat.findings import Finding, caution
from evenbeat.plain import Plain
from evenbeat.register.facts import Calibration, Instrument, day_of
from evenbeat.register.register import Register, unknown_instrument
from evenbeat.result import Column, Result, fitting
from evenbeat.tables import Field, TableLike, read_table
from evenbeat.units import counted

READINGS = (
    Field(name="date"),
    Field(name="instrument", also=("device",)),
    Field(name="name", also=("result", "reading")),
)
EVER = (dt.datetime.min.replace(tzinfo=dt.UTC), dt.datetime.max.replace(tzinfo=dt.UTC))
Window: TypeAlias = tuple[dt.datetime, dt.datetime]
Kind = Literal["calibration", "assessment", "reading"]


@dataclass(frozen=True, kw_only=True)
class Touched(Plain):
    """One thing that rests on the reference while it was in doubt.

    ``what`` is the number of the certificate, headline of the assessment or name of the reading, ``through``
    the way from the reference to the instrument, as ``standard → counter``, ``share`` the error of the
    reference in half widths of the instrument's tolerance; NaN where either is not known.
    """

    kind: Kind
    instrument: str
    date: str
    what: str
    through: str
    share: float


@dataclass(frozen=True, eq=False, kw_only=True, repr=False)
class Trace(Result):
    """What a reference touches, made by :func:`trace_reference`.

    Attributes
    ----------
    since, until
        Its calibrations between which it went out: the last that found it good (``None``: there is none) and
        the one that found it out.
    error
        By how much it was off in the end, from what it had been left at; NaN where that is not known.
    """

    reference: str
    since: str | None
    until: str
    error: float
    touched: tuple[Touched, ...]

    _row_objects = "touched"

    def _columns(self) -> tuple[Column, ...]:
        return (
            Column("instrument", heading="instrument"),
            Column("kind", heading="kind"),
            Column("date", heading="date"),
            Column("what", heading="what", form=fitting(24)),
            Column("share", heading="share of tolerance", form=".2g"),
        )

    def _headline(self) -> str:
        count = dict.fromkeys(("calibration", "assessment", "reading"), 0)
        for one in self.touched:
            count[one.kind] += 1
        said = ", ".join(f"{number} {kind}{'s' * (number != 1)}" for kind, number in count.items())
        return f"{self.reference}, good {self.since or 'never'}, found out {self.until}, touches {said}"


def trace_reference(
    register: Register,
    reference: str,
    *,
    since: str | dt.date | None = None,
    until: str | dt.date | None = None,
    readings: TableLike | None = None,
) -> Trace:
    """Walk from a reference that was found out to all that rests on it.

    Every calibration made against it after it was good last, up to when it was found out, is in doubt; so is
    the instrument from that calibration to its next one that is not, and all that was calibrated against that
    instrument meanwhile, and so on.

    Parameters
    ----------
    register, reference
        The register, and the name of the reference in it.
    since, until
        When it was good last and when it was found out; by default as its own calibrations say, the last of
        which that was out counts.
    readings
        A table with the columns ``date``, ``instrument`` and ``name``: what was measured with the
        instruments.

    Returns
    -------
    Trace
        Calibrations, instruments, assessments and readings in doubt.

    Raises
    ------
    InputError
        If the instrument is not known, or was never found out and ``until`` is not given.
    LogError
        If the table cannot be read.

    Examples
    --------
    >>> import evenbeat as eb, tempfile, pathlib
    >>> folder = tempfile.TemporaryDirectory()
    >>> register = eb.Register.create(pathlib.Path(folder.name) / "workshop.sqlite")
    >>> done = eb.register.import_table(register, eb.demo_data("fleet-history.csv"))
    >>> eb.register.trace_reference(register, "avocet", since="2024-12-05", until="2025-12-05")
    <avocet, good 2024-12-05, found out 2025-12-05, touches 0 calibrations, 0 assessments, 0 readings>
    >>> folder.cleanup()

    References
    ----------
    Source: own derivation: a walk from a reference along what was calibrated against it, window by window
    Tests: tests/register/test_trace.py
    """
    held = register.holdings()
    about, calibrations = held.instruments, held.calibrations
    if reference not in about:
        raise InputError(unknown_instrument(reference, register.path))
    every = [one for some in calibrations.values() for one in some]
    against: dict[str, list[Calibration]] = {}
    for one in every:
        against.setdefault(one.reference, []).append(one)
    own = calibrations.get(reference, [])
    begin, end, error = _doubt(about[reference], own, since, until)
    opened = EVER[0] if begin is None else begin + dt.timedelta(microseconds=1)
    windows: dict[str, list[Window]] = {reference: [(opened, end)]}
    ways = {reference: reference}
    doubtful: dict[tuple[str, str], Calibration] = {}
    waiting: list[tuple[str, Window]] = [(reference, (opened, end))]
    while waiting:
        name, (first, last) = waiting.pop(0)
        for one in against.get(name, ()):
            if not first <= one.moment <= last or (one.instrument, one.date) in doubtful:
                continue
            doubtful[one.instrument, one.date] = one
            later = [each.moment for each in calibrations[one.instrument] if each.moment > one.moment]
            window = (one.moment, min(later, default=EVER[1]))
            ways.setdefault(one.instrument, f"{ways[name]} → {one.instrument}")
            windows.setdefault(one.instrument, []).append(window)
            waiting.append((one.instrument, window))
    limits = {name: one.tolerance for name, one in about.items() if one.tolerance is not None}
    shares = {
        name: abs(error) / Tolerance.of(limits[name]).half_width if name in limits else math.nan
        for name in windows
    }

    def touched(kind: Kind, name: str, date: str, what: str) -> Touched:
        return Touched(
            kind=kind, instrument=name, date=date, what=what, through=ways[name], share=shares[name]
        )

    def within(name: str, day: dt.date) -> bool:
        return any(first.date() <= day <= last.date() for first, last in windows.get(name, ()))

    found = [touched("calibration", one.instrument, one.date, one.certificate) for one in doubtful.values()]
    found += [
        touched("assessment", kept.instrument, kept.date, kept.headline)
        for name, some in held.assessments.items()
        for kept in some
        if name != reference and within(name, day_of(kept.date))
    ]
    if readings is not None:
        read = read_table(readings, READINGS, what="table of readings", needed=("date", "instrument"))
        found += [
            touched("reading", row.text("instrument"), row.text("date"), row.text("name"))
            for row in read.rows
            if within(row.text("instrument"), row.moment().date())
        ]
    order = {"calibration": 0, "assessment": 1, "reading": 2}
    return Trace(
        reference=reference,
        since=None if begin is None else begin.date().isoformat(),
        until=end.date().isoformat(),
        error=error,
        touched=tuple(sorted(found, key=lambda one: (one.instrument, order[one.kind], one.date))),
        findings=tuple(
            _remarks(begin, error, len(against.get("", ())) - sum(not one.reference for one in own))
        ),
    )


def _doubt(
    about: Instrument, own: list[Calibration], since: str | dt.date | None, until: str | dt.date | None
) -> tuple[dt.datetime | None, dt.datetime, float]:
    """Return from when to when a reference is in doubt, and by how much it was off in the end."""

    def moment(day: str | dt.date) -> dt.datetime:
        return dt.datetime.combine(day_of(day), dt.time(), tzinfo=dt.UTC)

    if until is None:
        outs = [one for one in own if one.found_in(about.tolerance) is False]
        if not outs:
            msg = f"no calibration found {about.name} out of tolerance; state until, the day it was found out"
            raise InputError(msg)
        end = outs[-1].moment
    else:
        end = moment(until) + dt.timedelta(days=1) - dt.timedelta(seconds=1)
    before = [one for one in own if one.moment < end and one.found_in(about.tolerance) is not False]
    begin = moment(since) if since is not None else (before[-1].moment if before else None)
    at = [one for one in own if one.moment == end or (until is not None and one.moment.date() == end.date())]
    last = [one for one in own if one.moment < end and one not in at]
    known = at and last and isinstance(at[-1].as_found, float) and last[-1].as_left is not None
    error = at[-1].as_found - last[-1].as_left if known else math.nan  # type: ignore[operator]
    return begin, end, error


def _remarks(begin: dt.datetime | None, error: float, silent: int) -> Iterator[Finding]:
    if begin is None:
        sentence = "No calibration found it good before: everything made against it counts as touched."
        yield caution("NEVER_GOOD", sentence)
    if math.isnan(error):
        sentence = "By how much it was off is not known, so neither is how much that is of each tolerance."
        yield caution("ERROR_UNKNOWN", sentence)
    if silent:
        sentence = f"Nothing is said of {counted(silent, 'calibration')} whose reference is not named."
        yield caution("NO_REFERENCE_NAMED", sentence)
