"""``assess``: everything evenbeat can say of one log, in one call."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, replace
from functools import cached_property
from pathlib import Path
from typing import Any

import numpy as np

from evenbeat.assessment.beside import Beside
from evenbeat.assessment.case import Case, DecisionBasis, software_versions
from evenbeat.assessment.log_case import LogQuestion, case_of_log
from evenbeat.assessment.verdict import (
    DisplayBound,
    ToleranceNow,
    Verdict,
    display_bound,
    labelled_text,
    next_steps,
    spoken_verdict,
    tolerance_now,
)
from evenbeat.calibration.history import CalibrationHistory
from evenbeat.calibration.interval import IntervalSuggestion, suggest_interval
from evenbeat.calibration.tolerance import Tolerance, ToleranceLike
from evenbeat.clock.backtest import WITHHOLDING, as_predicted_finding
from evenbeat.clock.environment import Influence
from evenbeat.clock.fit import fit_clock
from evenbeat.clock.model import ClockModel
from evenbeat.clock.oscillator_classes import OscillatorName, oscillator_class_named
from evenbeat.clock.plausibility import plausibility_finding
from evenbeat.conditioning.condition import condition
from evenbeat.deviations.curve import StabilityCurve
from evenbeat.deviations.estimators import stability
from evenbeat.deviations.sums.kernels import one_thread
from evenbeat.deviations.time_error import TimeErrorCurve, time_interval_error
from evenbeat.errors import DisplayLimitedError, InputError, TooShortError
from evenbeat.findings import Finding, alike_once, caution, merged, note, worst_first
from evenbeat.holdover.forecast import HoldoverForecast, predict_holdover
from evenbeat.plausible import ASSUMED_NOMINAL, assumed_nominal, doubt, implausible_tolerance, stated_nominal
from evenbeat.quantities import DEFAULT_CONFIDENCE, Estimate, checked_probability
from evenbeat.record import Record, check_record
from evenbeat.result import Result
from evenbeat.units import duration_text

STATISTICS = ("overlapping_allan", "modified_allan", "time", "overlapping_hadamard")
MINIMUM_COVERAGE = 0.9
"""Share of an average that must be present: one missing reading must not cost a day's average."""
FEWEST_READINGS = 5
STAGES = (
    "conditioning",
    *(f"{name.replace('_', ' ')} deviation" for name in STATISTICS),
    "MTIE",
    "clock model",
    "forecasts",
)
Progress = Callable[[str], None]


@dataclass(frozen=True, eq=False, kw_only=True, repr=False)
class Assessment(Result):
    """All results for one log, and the verdict in words.

    Attributes
    ----------
    record
        The conditioned record.
    curves
        Statistic to stability curve.
    time_interval_error
        MTIE, or ``None`` where gaps leave nothing of it.
    model, holdover
        ``None`` where the record cannot carry a clock model; a finding says why.
    interval
        ``None`` where no tolerance was stated, there is no model, or the clock changed within the log.
    display
        Bounds where all readings are the same.
    now
        In tolerance at the end of the log, out of it, or not to be told, whether or not there is an interval;
        ``None`` where no tolerance was stated.
    settings
        What was asked, as given.
    software
        Versions that computed it.
    case
        What an auditor asks for beside the answer, where a decision basis was given.
    """

    record: Record
    curves: Mapping[str, StabilityCurve]
    time_interval_error: TimeErrorCurve | None
    model: ClockModel | None
    holdover: HoldoverForecast | None
    interval: IntervalSuggestion | None
    display: DisplayBound | None
    now: ToleranceNow | None
    verdict: Verdict
    settings: Mapping[str, object]
    software: Mapping[str, str]
    findings: tuple[Finding, ...]
    case: Case | None = None

    @property
    def withheld(self) -> tuple[Finding, ...]:
        """Findings for which no interval is recommended, although a tolerance may have been stated."""
        return tuple(
            f for f in self.findings if f.code in ("NO_CLOCK_MODEL", "NOMINAL_NOT_STATED", *WITHHOLDING)
        )

    @property
    def beside_verdict(self) -> tuple[Finding, ...]:
        """Findings that the verdict does not already say, word for word or as its reason to withhold."""
        said = "\n".join([self.verdict.headline, *(sentence for _, sentence in self.verdict.lines)])
        withheld = {finding.code for finding in self.withheld}
        return tuple(
            finding
            for finding in self.findings
            if finding.sentence not in said
            and not (finding.code == ASSUMED_NOMINAL and "NOMINAL_NOT_STATED" in withheld)
        )

    @cached_property
    def next_steps(self) -> tuple[str, ...]:
        """What to do next, most urgent first."""
        model, interval = self.model, self.interval
        steps = next_steps(self.record, model=model, interval=interval, display=self.display, now=self.now)
        return tuple(steps)

    def _facts(self) -> Mapping[str, object]:
        return {
            "verdict": self.verdict,
            "next_steps": self.next_steps,
            "settings": self.settings,
            "software": self.software,
            "record": self.record,
            "stability": self.curves,
            "time_interval_error": self.time_interval_error,
            "clock_model": self.model,
            "holdover": self.holdover,
            "interval": self.interval,
            "tolerance_now": self.now,
            "display": self.display,
            **({} if self.case is None else {"case": self.case}),
        }

    def _headline(self) -> str:
        return self.verdict.headline

    def _lines(self) -> tuple[tuple[str, str], ...]:
        return self.verdict.lines

    def __str__(self) -> str:
        serious = [f for f in worst_first(self.beside_verdict) if f.severity in ("stop", "caution")]
        return "\n".join([self.verdict.as_text(), *(labelled_text(f.severity, f.sentence) for f in serious)])


def part_of_log(
    record: Record,
    *,
    start: float | np.datetime64 | str | None = None,
    stop: float | np.datetime64 | str | None = None,
) -> Record:
    """Return the part of a record from ``start`` until before ``stop``; it begins and ends with a reading."""
    if start is None and stop is None:
        return record
    end = record.time_of(len(record))
    if record.start is None:
        runs = f"it lasts {duration_text(record.duration_s)}"
    else:
        last = record.start + np.timedelta64(round(record.time_of(len(record) - 1) * 1e9), "ns")
        runs = f"its readings are of {_shown(record.start)} to {_shown(last)} UTC"
    elapsed = {}
    for name, moment, otherwise in (("start (--from)", start, 0.0), ("stop (--until)", stop, end)):
        elapsed[name] = otherwise if moment is None else float(record.elapsed_at(np.asarray(moment))[0])
        if not 0 <= elapsed[name] <= end:
            since = f"{moment} s" if isinstance(moment, int | float) else f"{moment}"
            msg = f"{name} is {since}, which lies outside the log: {runs}"
            raise InputError(msg)
    first, stop_s = elapsed.values()
    if not first < stop_s:
        msg = f"start (--from) is {start} and stop (--until) is {stop}; the stop must lie after the start"
        raise InputError(msg)
    part = record.between(first, stop_s)
    present = np.flatnonzero(~np.isnan(part.values))
    if len(present) < 2:
        msg = f"{len(present)} readings lie between start (--from) and stop (--until); {runs}"
        raise InputError(msg)
    if present[0] > 0 or present[-1] < len(part) - 1:  # as a log begins and ends with a reading
        part = part.between(part.time_of(int(present[0])), part.time_of(int(present[-1]) + 1))
    sentence = (
        f"Only a part of the log was assessed, {len(part) - part.missing} of {len(record) - record.missing} "
        "readings; what was found before it was cut out tells of the whole log."
    )
    finding = note(
        "PART_OF_LOG",
        sentence,
        readings=len(part) - part.missing,
        readings_of_log=len(record) - record.missing,
    )
    return part.with_findings(finding)


def _shown(moment: np.datetime64) -> str:
    """Return a moment to the second, or finer where it is."""
    whole = moment.astype("datetime64[s]")
    return f"{whole if whole == moment else moment}"


@one_thread()
def assess(
    record: Record,
    *,
    start: float | np.datetime64 | str | None = None,
    stop: float | np.datetime64 | str | None = None,
    tolerance: ToleranceLike | Tolerance | None = None,
    reliability: float = DEFAULT_CONFIDENCE,
    guard_band: float | None = None,
    as_left: Estimate | None = None,
    reference_uncertainty: float = 0.0,
    time_error_limit_s: float | None = None,
    aging: str = "auto",
    environment: str | Influence | Sequence[str | Influence] | None = None,
    oscillator_class: OscillatorName | None = None,
    history: CalibrationHistory | str | Path | None = None,
    history_from: dt.date | str | None = None,
    instrument: str | None = None,
    date_order: str | None = None,
    basis: DecisionBasis | None = None,
    progress: Progress | None = None,
) -> Assessment:
    """Do the whole job on one record.

    Parameters
    ----------
    record
        As read; it is conditioned here unless it already was.
    start, stop
        Assess only the part from ``start`` until before ``stop``: seconds since the start of the log, or UTC
        as ``datetime64`` or ISO text. Cut before it is conditioned, a part is as good as a log of its own.
    tolerance
        Limits of the fractional frequency: ``1e-8`` for ±1e-8, or two such as ``(-5e-9, 1e-8)``; without
        them no interval is suggested.
    reliability, guard_band, as_left, reference_uncertainty
        See :func:`evenbeat.suggest_interval`.
    time_error_limit_s
        See :func:`evenbeat.predict_holdover`.
    aging
        See :func:`evenbeat.fit_clock`.
    environment
        Covariates to model, as for :func:`evenbeat.fit_clock`; by default every temperature that varies.
    oscillator_class
        ``'oven'``, ``'rubidium'`` …: what is usual for it is a weak prior, see :func:`evenbeat.fit_clock`.
    history, history_from
        Calibrations of the same clock, a table or a history, and the day from which on they count. They
        enter the clock model where they agree with the log, and the findings say whether they do.
    instrument, date_order
        Of a table of calibrations: whose rows are meant where it holds several instruments, and how dates
        such as 03/04/2026 are to be read.
    basis
        Decision rule and who decides: with it the assessment holds the audit record, which takes as
        long as some twenty more fits. What the rule holds back becomes the guard band unless one is given.
    progress
        Called with the name of each stage in ``STAGES`` as it begins; then, for the audit record,
        with every other model and every fit of the backtest.

    Returns
    -------
    Assessment
        Prints its verdict; ``plot`` draws it and ``write_report`` writes it to a folder.

    Raises
    ------
    InputError
        If an option cannot be used, or a moment lies outside the log.

    Examples
    --------
    >>> import evenbeat as eb
    >>> noise = eb.NoiseLevels(white_fm=1e-18)
    >>> record = eb.simulate_clock(60, interval_s=86400, levels=noise, seed=1)
    >>> eb.assess(record, tolerance=1e-8).now.state
    'in'

    References
    ----------
    Source: all of the above, put together
    Tests: tests/assessment/test_assess.py
    """
    check_record(record)
    record = part_of_log(record, start=start, stop=stop)
    limits = None if tolerance is None else Tolerance.of(tolerance)
    checked_probability(reliability, "reliability")
    readings = len(record) - record.missing
    if readings < FEWEST_READINGS:
        log = "the record" if record.source is None else record.source.path
        msg = (
            f"{log} has {readings} readings; at least {FEWEST_READINGS} are needed to say anything of a clock"
        )
        raise TooShortError(msg, needed=FEWEST_READINGS, available=readings)
    if oscillator_class is not None:
        oscillator_class_named(oscillator_class)
    begin = progress or (lambda _stage: None)
    begin("conditioning")
    if all(treatment.operation != "condition" for treatment in record.history):
        record = condition(record)
    curves, missing_curves = _curves(record, begin)
    begin("MTIE")
    time_error = None
    with suppress(InputError):  # gaps leave nothing of it
        time_error = time_interval_error(record, "mtie")
    begin("clock model")
    display = display_bound(record)
    beside = Beside.of(
        history,
        reference_uncertainty,
        since=history_from,
        instrument=instrument,
        date_order=date_order,
        nominal_frequency_hz=stated_nominal(record.findings, record.nominal_frequency_hz),
    )
    named = (environment,) if isinstance(environment, str | Influence) else environment
    chosen: tuple[str | Influence, ...] = () if named is None else tuple(named)
    if named is None:
        chosen = temperatures = _varying_temperatures(record)
    if named is None and chosen and record.epochs_ns is not None:
        record, chosen = _without_environment(record, temperatures), ()
    fitted = {
        "aging": aging,
        "environment": chosen,
        "oscillator_class": oscillator_class,
        **beside.fitted,
    }
    model, no_model = _model(record, display, fitted)
    if model is not None:
        model = _asked_whether_usual(beside.compared(model, fitted), curves)
    begin("forecasts")
    if guard_band is None and basis is not None and limits is not None:
        guard_band = basis.guard_band(limits, reference_uncertainty) or None
    question: dict[str, Any] = {
        "tolerance": tolerance,
        "reliability": reliability,
        "guard_band": guard_band,
        "as_left": as_left,
        "reference_uncertainty": reference_uncertainty,
    }
    changed = [f for f in (model.findings if model else ()) if f.code in WITHHOLDING]
    holdover = None
    if model is not None and not changed:
        holdover = predict_holdover(model, time_error_limit_s=time_error_limit_s, even_if_untested=True)
    no_nominal = None
    if limits is not None and as_left is None:
        no_nominal = assumed_nominal(record.findings, record.nominal_frequency_hz)
    if no_nominal is not None:
        changed.append(no_nominal)
    asked = {**question, **beside.asked(model)}
    interval = None
    if model is not None and tolerance is not None and not changed:
        interval = suggest_interval(model, **asked, even_if_untested=True)
    now = None
    if limits is not None:
        now = tolerance_now(
            record,
            limits,
            model=model,
            display=display,
            reliability=reliability,
            as_left=as_left,
            reference_uncertainty=asked["reference_uncertainty"],
        )
    shown = [(curve.title, curve.findings) for curve in curves.values()]
    if time_error is not None:
        shown.append(("MTIE", time_error.findings))
    found: dict[str, Any] = {
        "curves": curves,
        "model": model,
        "holdover": holdover,
        "interval": interval,
        "display": display,
        "now": now,
    }
    far = None if limits is None else _tolerance_doubted(record, limits)
    verdict = spoken_verdict(record, **found, withheld=[*no_model, *changed])
    if doubted := doubt((*record.findings, *((far,) if far else ()))):
        verdict = replace(verdict, headline=f"{doubted} {verdict.headline}")
    influences, missing = ((), {}) if model is None else (model.trend.influences, model.trend.not_determined)
    given: object = tolerance
    if limits is not None and not isinstance(tolerance, int | float):
        given = [limits.lower, limits.upper]
    again = LogQuestion(record=record, model=model, interval=interval, fitted=fitted, asked=asked)
    case = None if basis is None else case_of_log(again, basis, beside=beside.inputs, progress=progress)
    results = [result for result in (model, holdover, interval, case) if result]
    return Assessment(
        record=record,
        **found,
        time_interval_error=time_error,
        verdict=beside.spoken(verdict, model),
        settings={
            **question,
            "as_left": None if as_left is None else as_left.to_dict(),
            "time_error_limit_s": time_error_limit_s,
            **({} if oscillator_class is None else {"oscillator_class": oscillator_class}),
            **beside.settings,
            "tolerance": given,
            "aging": aging,
            "environment": [f"{i.name}:{i.order}" if i.order > 1 else i.name for i in influences],
            **({"environment_not_determined": list(missing)} if missing else {}),
            "minimum_coverage": MINIMUM_COVERAGE,
        },
        software=software_versions(),
        findings=merged(
            record.findings,
            missing_curves,
            no_model,
            [finding for finding in (no_nominal, far) if finding is not None],
            alike_once(shown) if display is None else (),
            *(result.findings for result in results),
        ),
        case=case,
    )


def _tolerance_doubted(record: Record, limits: Tolerance) -> Finding | None:
    """Return a caution where the tolerance is far beyond everything in the record."""
    values = record.usable_values(without_steps=False)
    if record.kind == "phase" and record.removed_frequency:
        values = values + record.removed_frequency * record.elapsed_s
    widest = max(abs(limits.lower), abs(limits.upper))
    return implausible_tolerance(widest, record.kind, values, record.spacing_s)


def _curves(record: Record, begin: Progress) -> tuple[dict[str, StabilityCurve], list[Finding]]:
    """Return the curves that the record can carry, and why others are missing."""
    curves: dict[str, StabilityCurve] = {}
    findings: list[Finding] = []
    try:
        record.needs_grid("a stability curve")
    except InputError as error:
        return {}, [note("NO_CURVES", f"{error}.".capitalize())]
    for statistic in STATISTICS:
        begin(f"{statistic.replace('_', ' ')} deviation")
        try:
            curves[statistic] = stability(record, statistic, minimum_coverage=MINIMUM_COVERAGE)
        except TooShortError as error:
            findings.append(caution("CURVE_LEFT_OUT", f"{error}."))
    return curves, findings


def _model(
    record: Record, display: DisplayBound | None, fitted: Mapping[str, Any]
) -> tuple[ClockModel | None, list[Finding]]:
    if display is not None:
        sentence = (
            f"No clock model: all {display.readings} readings are the same, so the display, not the "
            "oscillator, limits what this log can say."
        )
        return None, [Finding(code="NO_CLOCK_MODEL", severity="stop", sentence=sentence)]
    try:
        model = fit_clock(record, **fitted)
    except (TooShortError, DisplayLimitedError) as error:
        return None, [Finding(code="NO_CLOCK_MODEL", severity="stop", sentence=f"No clock model: {error}.")]
    predicted = as_predicted_finding(model)
    return (model if predicted is None else model.with_findings(predicted)), []


def _asked_whether_usual(model: ClockModel, curves: Mapping[str, StabilityCurve]) -> ClockModel:
    """Return the model with what is unusual of it for a clock of its stability."""
    curve = curves.get("overlapping_hadamard")
    usual = None if curve is None else plausibility_finding(model, curve, oscillator=model.oscillator_class)
    if usual is None or any(finding.code == usual.code for finding in model.findings):
        return model  # the fit itself asks whether the aging of a stated class is usual
    return model.with_findings(usual)


def _without_environment(record: Record, names: Sequence[str]) -> Record:
    """Return the record with a caution that covariates were not modelled for want of a grid."""
    sentence = (
        f"What {' and '.join(names)} did to the clock was not modelled: that needs readings on a grid, which "
        "--set on_grid=… or record.on_grid(interval_s=…) makes."
    )
    return record.with_findings(caution("ENVIRONMENT_NEEDS_GRID", sentence))


def _varying_temperatures(record: Record) -> tuple[str, ...]:
    """Return the temperatures that differ between readings that are not set aside."""
    names = [name for name in record.covariates if name.endswith("_c")]
    if not names:
        return ()
    present = ~np.isnan(record.usable_values(without_steps=False))
    spans = {name: record.covariates[name][present] for name in names}
    return tuple(name for name, column in spans.items() if np.nanmin(column) < np.nanmax(column))
