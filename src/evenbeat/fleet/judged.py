"""From the members of a fleet to the lines of its due list: what each worker does with a chunk."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import date, timedelta
from functools import partial
from typing import Any, TypeVar

import numpy as np
import numpy.typing as npt
from scipy import special

from evenbeat.calibration.history import CalibrationHistory, agreed, tolerance_in
from evenbeat.calibration.history_model import SEASON_UNSEEN, TIMES_LONGEST, evidence_findings
from evenbeat.calibration.history_posterior import DriftPrior, Posteriors, posteriors, seasons_seen
from evenbeat.calibration.tolerance import Tolerance
from evenbeat.errors import EvenbeatError, InputError
from evenbeat.findings import Finding, caution, note, stop
from evenbeat.fleet.due import DueInstrument, DueState, LimitedBy
from evenbeat.fleet.members import Member
from evenbeat.quantities import FloatArray
from evenbeat.register.facts import Calibration, Instrument, days_after, history_of, status_on
from evenbeat.register.store import uncollected
from evenbeat.register.tables import calibration_of
from evenbeat.tables import Row
from evenbeat.units import SECONDS_PER_DAY, SECONDS_PER_YEAR, counted, duration_text

SMALLEST_VARIANCE = 1e-300
FARTHEST = 8.3
"""So many standard deviations out a normal distribution function is 0 or 1 to the last digit."""
SHARES = np.append(0.0, np.geomspace(1e-3, 1.0, 25))
SEASON_SHARES = np.unique([*SHARES, *np.linspace(0, 1, 41)])
"""Where in the longest interval it is looked for that an offset leaves its limits."""
COARSE_SHARES, RISES = SHARES[[0, *range(1, 26, 3)]], 1e-9
"""Where it suffices to look, unless the probability rises by so much on the way: it may have been lower."""
TOLERATED, MOST_STEPS = 1e-10, 60
"""Share of itself to which an interval is found, and after how many steps at the latest."""


@dataclass(frozen=True, eq=False, kw_only=True)
class ManyHistories:
    """Posteriors of the histories of m instruments; time does not change the uncertainty ``constant``."""

    posteriors: Posteriors
    constant: float = 0.0

    def probability_within(self, elapsed_s: FloatArray, limit: FloatArray) -> FloatArray:
        """Return P(offset within its limits, shape (m, 2)) of every instrument at its own elapsed time."""
        inside = self._inside(np.asarray(elapsed_s)[:, np.newaxis], limit)
        return np.einsum("ik,ik->i", self.posteriors.weight, inside)

    def _inside(self, elapsed_s: FloatArray, limit: FloatArray) -> FloatArray:
        """Return the probability at every point of the posteriors, elapsed times shaped to go with them."""
        middle, variance = self.posteriors.forecast(elapsed_s / SECONDS_PER_YEAR)
        narrow = 1 / np.sqrt(np.maximum(variance + self.constant**2, SMALLEST_VARIANCE))
        return _below((limit[:, 1:] - middle) * narrow) - _below((limit[:, :1] - middle) * narrow)

    def interval_s(self, limit: FloatArray, reliability: float, longest_s: FloatArray) -> FloatArray:
        """Return for how long each stays within its limits with this probability, shape (m,).

        0 where it is not even at the start, its ``longest_s`` where it does not leave by then.
        """
        # a yearly course may leave and come back
        seasonal = self.posteriors.seasonal
        straight = replace(self, posteriors=self.posteriors.straight)
        ends, rose = np.zeros(len(limit)), np.zeros(len(limit), dtype=bool)
        for model, which, shares in (
            (straight, ~seasonal, COARSE_SHARES),
            (straight, rose, SHARES),
            (self, seasonal, SEASON_SHARES),
        ):
            rows = np.flatnonzero(which)
            if len(rows):
                ends[rows], rose[rows] = model.some(rows)._ends(
                    limit[rows], reliability, longest_s[rows], shares
                )
        return ends

    def _ends(
        self, limit: FloatArray, asked: float, longest_s: FloatArray, shares: FloatArray
    ) -> tuple[FloatArray, npt.NDArray[np.bool_]]:
        """Return the first exits, and whose probability rises before.

        Between which two shares of the longest interval they are, then by regula falsi.
        """
        ends, rows, some = longest_s.copy(), np.arange(len(limit)), self
        low, over, high, under = np.zeros((4, len(limit)))
        over += np.inf
        rose = np.zeros(len(limit), dtype=bool)
        for share in shares:
            at = share * longest_s[rows]
            excess = some.probability_within(at, limit[rows]) - asked
            out = excess < 0
            rose[rows] |= excess > over[rows] + RISES
            left, stays = rows[out], rows[~out]
            high[left], under[left], low[stays], over[stays] = at[out], excess[out], at[~out], excess[~out]
            if len(left):
                rows, some = stays, some.some(np.flatnonzero(~out))
            if not len(rows):
                break
        ends[(under < 0) & (high == 0)] = 0.0
        rows = np.flatnonzero(high > 0)
        some, side, at = self.some(rows), np.zeros(len(rows)), low[rows]
        low, over, high, under = low[rows], over[rows], high[rows], under[rows]
        for _ in range(MOST_STEPS):
            nearer = (low * under - high * over) / (under - over)
            going = np.abs(nearer - at) > TOLERATED * nearer  # none depends on its neighbours
            ends[rows[~going]] = at[~going]
            rows, side, at = rows[going], side[going], nearer[going]
            low, over, high, under = low[going], over[going], high[going], under[going]
            if not len(rows):
                break
            some = some if going.all() else some.some(np.flatnonzero(going))
            here = some.probability_within(at, limit[rows]) - asked
            beyond = here < 0
            now = np.where(beyond, -1.0, 1.0)
            halved = np.where(now == side, 0.5, 1.0)  # the end that stays again (Illinois)
            over, under = np.where(beyond, over * halved, here), np.where(beyond, here, under * halved)
            low, high, side = np.where(beyond, low, at), np.where(beyond, at, high), now
        ends[rows] = at
        return ends, rose

    def drift_per_year(self) -> tuple[FloatArray, FloatArray]:
        """Return mean and standard deviation of the drift per year at the last calibration, shape (m,)."""
        found = self.posteriors
        rate = found.mean[1]
        mean = np.einsum("ik,ik->i", found.weight, rate)
        variance = found.covariance[1, 1] + (rate - mean[:, np.newaxis]) ** 2
        return mean, np.sqrt(np.einsum("ik,ik->i", found.weight, variance))

    def some(self, chosen: np.ndarray) -> ManyHistories:
        """Return some of the instruments."""
        return replace(self, posteriors=self.posteriors.some(chosen))


def _below(z: FloatArray) -> FloatArray:
    """Return the standard normal distribution function; far out it is 0 or 1, as most points are."""
    found = (z > 0).astype(float)
    near = np.abs(z) < FARTHEST
    found[near] = special.ndtr(z[near])
    return found


T = TypeVar("T")
LIMITS_OF_A_LOG: dict[str, LimitedBy] = {"tolerance": "tolerance", "record length": "log", "start": "start"}


@dataclass(frozen=True, kw_only=True)
class Question:
    """What is asked of every member on the day of the list; calibrations after it are left out.

    ``tolerance`` is for instruments that state none. No interval is longer than ``longest_s``, by policy, nor
    the first one, after a single calibration, than ``first_s``. ``log_options`` are keywords of ``read_log``
    for what the logs of a folder do not say. ``priors``: what is usual for each class (``None``: not stated),
    as the fleet itself shows. ``constant``: standard uncertainty of an offset that time does not change.
    """

    on: date
    tolerance: Tolerance | None
    reliability: float
    soon: timedelta
    longest_s: float
    first_s: float
    log_options: Mapping[str, Any] = field(default_factory=dict)
    priors: Mapping[str | None, DriftPrior] = field(default_factory=dict)
    environment_uncertainty: float = 0.0
    constant: float = 0.0

    def prior(self, kind: str | None) -> DriftPrior:
        """Return what is usual for a class of oscillators."""
        return self.priors.get(kind) or DriftPrior.of(kind)

    def state(self, due: date) -> DueState:
        """Return the state of an instrument that is due on a day."""
        if due < self.on:
            return "overdue"
        return "soon" if due - self.on <= self.soon else "later"


@dataclass(frozen=True, kw_only=True)
class Case:
    """A member whose rows can be used."""

    line: DueInstrument
    history: CalibrationHistory
    last_day: date
    age_s: float
    tolerance: Tolerance
    oscillator_class: str | None
    longest_s: float
    longest_by: LimitedBy
    findings: tuple[Finding, ...]


@uncollected()
def made_ready(question: Question, members: Sequence[Member]) -> list[Case | DueInstrument]:
    """Return every member ready to be judged, in their order, or its line where there is nothing to judge."""
    return [
        _or_why_not(
            DueInstrument(instrument=member.name, calibrations=len(member.rows), reason=""),
            partial(_case, question, member),
        )
        for member in members
    ]


@uncollected()
def judge_histories(question: Question, ready: Sequence[Case | DueInstrument]) -> list[DueInstrument]:
    """Return the line of every member, in their order; one that cannot be evaluated says why."""
    cases = {at: case for at, case in enumerate(ready) if isinstance(case, Case)}
    try:
        lines = dict(zip(cases, _lines(question, list(cases.values())), strict=True))
    except Exception:  # each by itself: who is to blame says so, the others have their line
        lines = {
            at: _or_why_not(case.line, partial(lambda one: _lines(question, [one])[0], case))
            for at, case in cases.items()
        }
    return [one if isinstance(one, DueInstrument) else lines[at] for at, one in enumerate(ready)]


def histories_by_class(ready: Sequence[Case | DueInstrument]) -> dict[str | None, list[CalibrationHistory]]:
    """Return the histories that can be used, by the class that is stated."""
    found: dict[str | None, list[CalibrationHistory]] = {}
    for case in ready:
        if isinstance(case, Case):
            found.setdefault(case.oscillator_class, []).append(case.history)
    return found


def _or_why_not(line: DueInstrument, judge: Callable[[], T]) -> T | DueInstrument:
    """Return what is judged of a member, or its line with the reason why it cannot be: nothing gets past.

    What is wrong with its data is one sentence; a fault of this program must not cost the others their line.
    """
    try:
        return judge()
    except EvenbeatError as error:
        return replace(line, reason=f"{error}.")
    except Exception as error:
        said = ": ".join([type(error).__name__, " ".join(str(error).split())]).removesuffix(": ")
        sentence = f"not evaluated: internal fault {said}."
        fault = stop("INTERNAL_FAULT", sentence)
        return replace(line, reason=sentence, findings=(fault,))


def _case(question: Question, member: Member) -> Case | DueInstrument:
    """Return a member made ready, or its line where there is nothing to compute."""
    checked = [row if isinstance(row, Calibration) else calibration_of(row) for row in member.rows]
    findings: list[Finding] = []
    said: list[Row] = []
    if member.about is None:  # its rows say it, up to the day of the list where there are such
        dated = sorted(zip(checked, member.rows, strict=True), key=lambda pair: pair[0].moment)
        rows_of = [(one, row) for one, row in dated if isinstance(row, Row)]
        said = [row for one, row in rows_of if one.moment.date() <= question.on]
        texts, limits, findings = agreed(said or [row for _, row in rows_of])
        about = Instrument(name=member.name, tolerance=None if limits is None else limits.stated, **texts)  # type: ignore[arg-type]
    else:
        about = member.about
    tolerance = question.tolerance if about.tolerance is None else Tolerance.of(about.tolerance)
    if tolerance is None:
        msg = "no tolerance is stated for it; give one in the register, in the table, or for all"
        raise InputError(msg)
    line = DueInstrument(
        instrument=member.name,
        tolerance=tolerance.stated,
        calibrations=len(checked),
        serial_number=about.serial_number,
        place=(
            [about.place]
            + [one.place for one in member.events if one.place and one.moment.date() <= question.on]
        )[-1],
        reason="",
    )
    status, since = status_on(member.events, question.on)
    if status != "in use":
        last_day = max((one.moment.date() for one in checked), default=None)
        reason = f"{status[0].upper()}{status[1:]} since {since}."
        return replace(line, state="not in use", last_calibration=last_day, reason=reason)
    rows = [one for one in checked if one.moment.date() <= question.on]
    events = [one for one in member.events if one.moment.date() <= question.on]
    if len(rows) < len(checked):
        sentence = f"Made without {counted(len(checked) - len(rows), 'calibration')} after {question.on}."
        findings.append(note("AFTER_THE_DAY", sentence))

    def overdue(reason: str) -> DueInstrument:
        told = {"limited_by": "start", "reason": reason, "findings": tuple(findings)}
        return replace(line, due=question.on, state="overdue", **told)  # type: ignore[arg-type]

    if not rows:
        line = replace(line, calibrations=0)
        return overdue("It has never been calibrated.")
    last = max(rows, key=lambda one: one.moment)
    line = replace(
        line, last_calibration=last.moment.date(), calibrations=len(rows), certificate=last.certificate
    )
    # a repair makes a new drift; a move or an adjustment leaves the offset unknown unless it says how well
    unknown = [
        one
        for one in events
        if one.moment > last.moment
        and one.what in ("repair", "move", "adjustment")
        and (one.what == "repair" or one.standard_uncertainty is None)
    ]
    if unknown:
        return overdue(f"It was {unknown[-1]}, and has not been calibrated since.")
    history = history_of(rows, member.name, events)
    if findings and said:  # a state was judged by the tolerance of its own row
        judged_by = zip(history.points, said, strict=True)
        points = tuple(replace(point, tolerance=tolerance_in(row)) for point, row in judged_by)
        history = replace(history, points=points)
    findings += [one for one in history.findings if one.severity != "note"]
    if member.overdue_reference:
        sentence = member.overdue_reference
        findings.append(caution("REFERENCE_OVERDUE", sentence))
    if isinstance(last.as_found, float) and not tolerance.holds(last.as_found):
        sentence = f"Found at {last.as_found:.3g} in its last calibration, outside {tolerance}."
        findings.append(caution("FOUND_OUT", sentence))
    if math.isnan(history.points[-1].as_left):
        if last.as_found == "out":
            return overdue(
                "Its last calibration says only 'out'; adjust it, and record the offset it is left at."
            )
        reason = (
            f"Its last calibration says only {last.as_found!r}, not what it was left at; record the offset, "
            "or treat in and out records with fit_reliability."
        )
        return replace(line, reason=reason, findings=tuple(findings))
    observed = TIMES_LONGEST * history.longest_interval_s
    ends: list[tuple[float, LimitedBy]] = [(question.longest_s, "policy")]
    ends.append((observed, "observed intervals") if observed else (question.first_s, "first interval"))
    if last.valid_until is not None:
        counts = date.fromisoformat(last.valid_until) - last.moment.date()
        ends.append((counts.days * SECONDS_PER_DAY, "stated day"))
    longest, by = min(ends)
    age = (question.on - last.moment.date()).days * SECONDS_PER_DAY
    return Case(
        line=line,
        history=history,
        last_day=last.moment.date(),
        age_s=max(age, 0.0),
        tolerance=tolerance,
        oscillator_class=about.oscillator_class,
        longest_s=longest,
        longest_by=by,
        findings=tuple(findings),
    )


def _lines(question: Question, cases: Sequence[Case]) -> list[DueInstrument]:
    """Return the line of every case, judged by the posteriors of all of them at once."""
    if not cases:
        return []
    priors = [question.prior(case.oscillator_class) for case in cases]
    found = posteriors(
        [case.history for case in cases], priors, tolerances=[case.tolerance for case in cases]
    )
    model = ManyHistories(posteriors=found, constant=question.constant)
    longest, age = (np.array([getattr(case, name) for case in cases]) for name in ("longest_s", "age_s"))
    limit = np.array([(case.tolerance.lower, case.tolerance.upper) for case in cases])
    intervals = model.interval_s(limit, question.reliability, longest).tolist()
    probability = model.probability_within(age, limit).tolist()
    drift, spread = (part.tolist() for part in model.drift_per_year())
    lines = []
    for k, (case, interval) in enumerate(zip(cases, intervals, strict=True)):
        due = days_after(case.last_day, interval)
        limited_by: LimitedBy = "tolerance"
        if interval == 0:
            limited_by = "start"
        elif interval >= case.longest_s * (1 - 1e-9):
            limited_by = case.longest_by
        said = [*evidence_findings(case.history, case.history.increments(), priors[k], found, k)]
        if not question.environment_uncertainty and not seasons_seen(case.history):
            said.append(SEASON_UNSEEN)
        line = replace(
            case.line,
            due=due,
            state=question.state(due),
            probability_within=probability[k],
            interval_s=interval,
            limited_by=limited_by,
            drift_per_year=drift[k],
            drift_uncertainty=spread[k],
            calibrations=len(case.history),
            reason=_reason(limited_by, interval, case.tolerance, question.reliability),
            findings=(*case.findings, *(one for one in said if one.severity != "note")),
        )
        lines.append(line)
    return lines


def _reason(limited_by: LimitedBy, interval_s: float, limit: Tolerance, reliability: float) -> str:
    interval, percent = duration_text(interval_s), f"{100 * reliability:g} %"
    return {
        "tolerance": f"After {interval} the probability of being within {limit} falls below {percent}.",
        "start": f"As it was left it is not within {limit} with {percent}: adjust it.",
        "observed intervals": f"{interval} is twice the longest interval that was observed.",
        "stated day": f"Its calibration counts for {interval}, as was set.",
        "policy": f"{interval} is the longest interval that policy allows.",
        "first interval": f"{interval} is the longest first interval; it was calibrated only once.",
        "log": f"The evidence of its log ends after {interval}.",
        "nothing": "",
    }[limited_by]


def judge_logs(question: Question, members: Sequence[Member]) -> list[DueInstrument]:
    """Return the line of every log, in their order; one that cannot be evaluated says why."""
    return [
        _or_why_not(DueInstrument(instrument=member.name, reason=""), partial(_line_of_log, question, member))
        for member in members
    ]


def _line_of_log(question: Question, member: Member) -> DueInstrument:
    from evenbeat.assessment.assess import assess
    from evenbeat.logs.reader import read_log

    line = DueInstrument(instrument=member.name, reason="")
    tolerance = question.tolerance
    if tolerance is None:
        return replace(line, reason="No tolerance is stated; a folder of logs needs one for all.")
    record = read_log(str(member.log), **question.log_options)
    if record.start is None:
        return replace(
            line, tolerance=tolerance.stated, reason="The log has no dates, so its end is not known."
        )
    end = record.start + np.timedelta64(round(record.duration_s * 1e9), "ns")
    last_day = date.fromisoformat(str(end.astype("datetime64[D]")))
    line = replace(line, tolerance=tolerance.stated, last_calibration=last_day)
    if last_day > question.on:
        return replace(line, reason=f"The log ends after {question.on}, the day of the list.")
    assessment = assess(
        record,
        tolerance=tolerance.stated,
        reliability=question.reliability,
        reference_uncertainty=question.constant,  # all of them are added in quadrature
    )
    serious = tuple(f for f in assessment.findings if f.severity in ("stop", "caution"))
    line = replace(line, findings=serious)
    if assessment.model is not None:
        rate = assessment.model.aging_rate().per_day.scaled(365.25, "1/yr")
        line = replace(line, drift_per_year=rate.value, drift_uncertainty=rate.standard_uncertainty)
    suggestion, now = assessment.interval, assessment.now
    if suggestion is None and now is not None and now.state == "out":
        return replace(
            line,
            due=last_day,
            state=question.state(last_day),
            interval_s=0.0,
            limited_by="start",
            reason=assessment.verdict.headline,
        )
    if suggestion is None:
        return replace(line, reason=assessment.verdict.headline)
    interval = 0.0 if math.isnan(suggestion.interval_s) else suggestion.interval_s
    by = LIMITS_OF_A_LOG[suggestion.limited_by]
    if interval > question.longest_s:
        interval, by = question.longest_s, "policy"
    due = days_after(last_day, interval)
    age = (question.on - last_day).days * SECONDS_PER_DAY
    known = age <= suggestion.elapsed_s[-1]
    return replace(
        line,
        due=due,
        state=question.state(due),
        interval_s=interval,
        limited_by=by,
        probability_within=float(np.interp(age, suggestion.elapsed_s, suggestion.probability))
        if known
        else math.nan,
        reason=_reason(by, interval, tolerance, question.reliability),
    )
