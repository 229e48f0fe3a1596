"""``assess_history``: when to calibrate again, from calibrations alone, with the whole case for it."""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path
from typing import Any

from evenbeat.assessment.basis import DecisionBasis
from evenbeat.assessment.case import Case, Foretold, file_source, foretold_finding
from evenbeat.assessment.software import software_versions
from evenbeat.assessment.variation import Variation, of_the_model, of_the_question
from evenbeat.calibration.calendar import CalendarUnit
from evenbeat.calibration.decision import Decision, decide
from evenbeat.calibration.history import CalibrationHistory
from evenbeat.calibration.history_model import HistoryModel, fit_history
from evenbeat.calibration.history_posterior import DriftPrior
from evenbeat.calibration.interval import suggest_interval
from evenbeat.calibration.interval_suggestion import IntervalSuggestion
from evenbeat.calibration.setpoint import SetpointSuggestion, suggest_setpoint
from evenbeat.calibration.tolerance import Tolerance, ToleranceLike
from evenbeat.errors import EvenbeatError, InputError
from evenbeat.findings import Finding, merged
from evenbeat.quantities import Estimate
from evenbeat.results import Column, Result
from evenbeat.units import duration_text

LAWS = ("constant", "logarithmic")
PRIOR_FACTORS = (1 / 3, 3.0)
FEWEST_TO_FORETELL = 2
Progress = Callable[[str], None]


@dataclass(frozen=True, eq=False, kw_only=True, repr=False)
class HistoryAssessment(Result):
    """When to calibrate again, from calibrations, made by :func:`evenbeat.assess_history`.

    Attributes
    ----------
    model, interval, setpoint
        What the calibrations say.
    case
        Decision rule, sensitivity, comparison of models, test against the history itself, inputs.
    settings, software
        What was asked, and the versions that computed it.
    """

    model: HistoryModel
    interval: IntervalSuggestion
    setpoint: SetpointSuggestion
    case: Case
    settings: Mapping[str, object]
    software: Mapping[str, str]
    findings: tuple[Finding, ...]

    @property
    def name(self) -> str:
        """Name of the instrument."""
        return self.model.history[0].name or "an instrument"

    def headline(self) -> str:
        """Return the sentence to act on."""
        suggestion = self.interval
        percent = f"{100 * suggestion.reliability:g} %"
        if math.isnan(suggestion.interval_s):
            return f"No interval: as left it is not within {suggestion.tolerance} with {percent}. Adjust it."
        whole = suggestion.rounded
        until = duration_text(suggestion.interval_s) if whole is None else str(whole)
        return f"Calibrate again within {until}: until then within {suggestion.tolerance} with {percent}."

    def _facts(self) -> Mapping[str, object]:
        whole = self.interval.rounded
        return {
            "verdict": {"headline": self.headline()},
            "due": None if whole is None else whole.due,
            "settings": self.settings,
            "software": self.software,
            "history": self.model.history,
            "history_model": self.model,
            "interval": self.interval,
            "setpoint": self.setpoint,
            "case": self.case,
        }

    def _headline(self) -> str:
        return self.headline()

    def _columns(self) -> tuple[Column, ...]:
        variations = self.case.variations
        return (
            Column("", [one.changed for one in variations], "changed"),
            Column("", variations, "interval", str),
        )


def assess_history(
    table: str | Path | CalibrationHistory | Sequence[str | Path | CalibrationHistory],
    *,
    tolerance: ToleranceLike | Tolerance,
    instrument: str | Sequence[str] | None = None,
    date_order: str | None = None,
    nominal_frequency_hz: float | None = None,
    reliability: float = 0.95,
    guard_band: float | None = None,
    oscillator_class: str = "oven",
    drift_law: str = "auto",
    family: str = "related",
    policy_cap_s: float | None = None,
    calendar_unit: CalendarUnit | None = None,
    basis: DecisionBasis | None = None,
    progress: Progress | None = None,
) -> HistoryAssessment:
    """Say when to calibrate again from calibrations, with everything the file needs.

    Parameters
    ----------
    table
        A table of calibrations, or a history; several are one family, the first being asked about.
    instrument, date_order, nominal_frequency_hz
        Of tables: whose rows are meant where one holds several instruments (one name, or one for each table
        in their order), how dates such as 03/04/2026 are to be read, and what offsets in hertz are parts of.
    tolerance, reliability, policy_cap_s, calendar_unit
        As for :func:`evenbeat.suggest_interval`.
    guard_band
        Held back from either limit; by default what the decision rule holds back for U = 2 u of the last
        calibration.
    oscillator_class, drift_law, family
        As for :func:`evenbeat.fit_history`.
    basis
        Decision rule and who decides; simple acceptance and nobody by default.
    progress
        Called with what is computed next.

    Raises
    ------
    InputError
        If an option cannot be used, or the calibrations say nothing of a drift.

    References
    ----------
    Source: suggest_interval and fit_history; ILAC-G24:2022 / OIML D 10:2022
    Tests: tests/report/test_history_report.py
    """
    begin = progress or (lambda _stage: None)
    chosen = basis or DecisionBasis.of()
    tables = _tables(table)
    histories = histories_of(
        tables, instrument=instrument, date_order=date_order, nominal_frequency_hz=nominal_frequency_hz
    )
    limits = Tolerance.of(tolerance)
    begin("drift and random walk")
    fitted = {"tolerance": limits, "drift_law": drift_law, "family": family}
    model = fit_history(histories, oscillator_class=oscillator_class, **fitted)  # type: ignore[arg-type]
    if model.as_left is None:
        msg = "the last calibration does not say what it was left at; record the offset, or state it"
        raise InputError(msg)
    uncertainty = model.as_left.standard_uncertainty
    question: dict[str, Any] = {
        "tolerance": limits,
        "reliability": reliability,
        "guard_band": chosen.guard_band(limits, uncertainty) if guard_band is None else guard_band,
        "policy_cap_s": policy_cap_s,
        "calendar_unit": calendar_unit,
        "start": histories[0].last_date,
    }
    begin("interval")
    interval = suggest_interval(model, **question)
    begin("setpoint")
    setpoint = suggest_setpoint(
        model,
        tolerance=limits,
        reliability=reliability,
        guard_band=question["guard_band"],
        as_left_uncertainty=uncertainty,
    )
    shares = _shares(model)
    others = _other_models(histories, oscillator_class, fitted, question, shares)
    variations = [*of_the_question(interval), *of_the_model(others, begin)]
    begin("forecasts of earlier calibrations")
    foretold = tuple(_foretold(histories[0], oscillator_class, fitted))
    case = _case(chosen, tables, histories, limits, model=model, variations=variations, foretold=foretold)
    return HistoryAssessment(
        model=model,
        interval=interval,
        setpoint=setpoint,
        case=case,
        settings={
            **{name: value for name, value in question.items() if name not in ("tolerance", "start")},
            "tolerance": limits.to_dict(),
            "oscillator_class": oscillator_class,
            "drift_law": drift_law,
            "family": family,
        },
        software=software_versions(),
        findings=merged(model.findings, interval.findings, case.findings),
    )


def histories_of(
    tables: Sequence[str | Path | CalibrationHistory],
    *,
    instrument: str | Sequence[str] | None = None,
    date_order: str | None = None,
    nominal_frequency_hz: float | None = None,
) -> list[CalibrationHistory]:
    """Return the histories in tables; one that is none already is read.

    Raises
    ------
    InputError
        If more instruments are named than there are tables.
    LogError
        If a table cannot be read, see :meth:`evenbeat.CalibrationHistory.from_table`.
    """
    names = [instrument] if isinstance(instrument, str) else list(instrument or ())
    if len(names) > len(tables):
        msg = f"{len(names)} instruments are named for {len(tables)} table(s); give a table for each of them"
        raise InputError(msg)
    return [
        one
        if isinstance(one, CalibrationHistory)
        else CalibrationHistory.from_table(
            one, instrument=name, date_order=date_order, nominal_frequency_hz=nominal_frequency_hz
        )
        for one, name in itertools.zip_longest(tables, names)
    ]


def _tables(
    table: str | Path | CalibrationHistory | Sequence[str | Path | CalibrationHistory],
) -> list[str | Path | CalibrationHistory]:
    return [table] if isinstance(table, str | Path | CalibrationHistory) else list(table)


def _case(
    basis: DecisionBasis,
    tables: Sequence[str | Path | CalibrationHistory],
    histories: Sequence[CalibrationHistory],
    limits: Tolerance,
    *,
    model: HistoryModel,
    variations: Sequence[Variation],
    foretold: tuple[Foretold, ...],
) -> Case:
    decision = _decision(histories[0], limits, basis)
    return Case(
        basis=basis,
        decision=decision,
        variations=tuple(variations),
        models=_models(model, variations),
        backtest=None,
        foretold=foretold,
        inputs=tuple(
            file_source(one, rows=len(history))
            for one, history in zip(tables, histories, strict=True)
            if not isinstance(one, CalibrationHistory)
        ),
        findings=(
            basis.finding(histories[0].last_date),
            *foretold_finding(foretold),
            *(() if decision is None else decision.findings),
        ),
    )


def _other_models(
    histories: Sequence[CalibrationHistory],
    oscillator_class: str,
    fitted: Mapping[str, Any],
    question: Mapping[str, Any],
    shares: Mapping[str, float],
) -> Iterator[tuple[str, Callable[[], IntervalSuggestion]]]:
    """Yield other laws, other priors, and the history without its first calibration."""

    def suggest(some: Sequence[CalibrationHistory], prior: object, **changed: object) -> IntervalSuggestion:
        model = fit_history(some, oscillator_class=prior, **{**fitted, **changed})  # type: ignore[arg-type]
        return suggest_interval(model, **question)

    for law in LAWS:
        alone = partial(suggest, histories, oscillator_class, drift_law=law)
        yield _law_alone(law, shares[law]), alone
    usual = DriftPrior.of(oscillator_class)
    for factor in PRIOR_FACTORS:
        prior = replace(
            usual,
            drift_per_year=factor * usual.drift_per_year,
            walk_per_root_year=factor * usual.walk_per_root_year,
        )
        name = "prior of drift and walk three times as wide" if factor > 1 else "prior a third as wide"
        yield name, partial(suggest, histories, prior)
    own = histories[0]
    if len(own) > FEWEST_TO_FORETELL + 1:
        later = replace(own, points=own.points[1:])
        yield "without the first calibration", lambda: suggest([later, *histories[1:]], oscillator_class)


def _shares(model: HistoryModel) -> dict[str, float]:
    """Return the probability of each drift law, within 0 and 1."""
    logarithmic = min(max(model.logarithmic_share, 0.0), 1.0)
    return {"constant": 1 - logarithmic, "logarithmic": logarithmic}


def _law_alone(law: str, share: float) -> str:
    return f"drift law: {law} only (weight {share:.0%})"


def _models(model: HistoryModel, variations: Sequence[Variation]) -> tuple[tuple[str, str, str], ...]:
    """Return what each drift law weighs and gives."""
    said = {one.changed: str(one) for one in variations}
    rows = [
        (f"{law} drift and random walk", f"{share:.0%}", said[_law_alone(law, share)])
        for law, share in _shares(model).items()
    ]
    return (*rows, ("both, by their weight", "", said["as asked"]))


def _foretold(
    history: CalibrationHistory, oscillator_class: str, fitted: Mapping[str, Any]
) -> Iterator[Foretold]:
    """Yield each later calibration as those before it foretold it."""
    for at in range(FEWEST_TO_FORETELL, len(history)):
        before = replace(history, points=history.points[:at])
        point, last = history.points[at], history.points[at - 1]
        if math.isnan(point.as_found) or math.isnan(last.as_left):
            continue
        try:
            model = fit_history(before, oscillator_class=oscillator_class, **fitted)
        except EvenbeatError:
            continue
        forecast = model.offset_after([point.time_s - last.time_s]).widened(point.standard_uncertainty)
        low, high = forecast.one(0).interval()
        date = history.date_of(point)
        yield Foretold(
            when=duration_text(point.time_s) if date is None else date.isoformat(),
            low=float(low),
            high=float(high),
            found=point.as_found,
        )


def _decision(history: CalibrationHistory, limits: Tolerance, basis: DecisionBasis) -> Decision | None:
    last = history.points[-1]
    if math.isnan(last.as_found):
        return None
    measured = Estimate.normal(last.as_found, last.standard_uncertainty)
    return decide(measured, tolerance=limits, rule=basis.rule)
