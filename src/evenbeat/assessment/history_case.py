"""``assess_history``: when to calibrate again, from calibrations alone, and the whole case for it.

One object answers the question on every way: console, page, PDF, JSON and register show it and decide
nothing.
"""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from evenbeat.assessment.case import (
    Case,
    DecisionBasis,
    Outlook,
    PredictedCalibration,
    Variation,
    cheapest_stories,
    file_source,
    of_the_model,
    of_the_question,
    predicted_finding,
    software_versions,
)
from evenbeat.calibration.back_cast import BackCast, DatedResult, back_cast
from evenbeat.calibration.decision import Decision, decide
from evenbeat.calibration.history import CalibrationHistory
from evenbeat.calibration.history_model import HistoryModel, fit_history
from evenbeat.calibration.history_posterior import DriftPrior
from evenbeat.calibration.interval import (
    SHORT,
    CalendarUnit,
    IntervalSuggestion,
    Meaning,
    checked_date,
    suggest_interval,
)
from evenbeat.calibration.methods import MethodComparison, compare_methods
from evenbeat.calibration.setpoint import SetpointSuggestion, suggest_setpoint
from evenbeat.calibration.tolerance import Tolerance, ToleranceLike, lasting_text
from evenbeat.errors import EvenbeatError, InputError
from evenbeat.findings import Finding, caution, merged, note
from evenbeat.quantities import Estimate
from evenbeat.record import Source
from evenbeat.result import Column, Result, Table
from evenbeat.units import SECONDS_PER_YEAR, counted, duration_text, percent

if TYPE_CHECKING:
    import pandas as pd

LAWS = ("constant", "logarithmic", "wandering")
PRIOR_FACTORS = (1 / 3, 3.0)
FEWEST_TO_PREDICT = 2
LOOKED_AHEAD_S = 20 * SECONDS_PER_YEAR
Progress = Callable[[str], None]


@dataclass(frozen=True, eq=False, kw_only=True, repr=False)
class HistoryAssessment(Result):
    """When to calibrate again, from calibrations, made by :func:`evenbeat.assess_history`.

    Attributes
    ----------
    history
        Of the instrument that is asked about.
    model, interval, setpoint
        What the calibrations say; ``None`` where no two of them follow each other, ``interval`` also where it
        is not known what the clock was left at.
    last_found, last_left
        What was found and left last, by the decision rule; ``None`` where there is no value.
    out
        When it left its tolerance and which results that touches, where it was last found out of it.
    methods
        Other methods of intervals beside this one, where they were asked for.
    case
        Decision rule, sensitivity, comparison of models, test against the history itself, inputs; ``None``
        where it was not asked for.
    analysed_on
        The day of the analysis.
    reference
        What the calibrations were made against, and until when its own calibration is valid, as stated.
    settings, software
        What was asked, and the versions that computed it.
    """

    history: CalibrationHistory
    tolerance: Tolerance
    guard_band: float
    reliability: float
    meaning: Meaning
    analysed_on: dt.date
    model: HistoryModel | None
    interval: IntervalSuggestion | None
    setpoint: SetpointSuggestion | None
    last_found: Decision | None
    last_left: Decision | None
    out: BackCast | None
    methods: MethodComparison | None
    case: Case | None
    reference: tuple[str, dt.date | None]
    settings: Mapping[str, object]
    software: Mapping[str, str]
    findings: tuple[Finding, ...]

    @property
    def name(self) -> str:
        """Name of the instrument."""
        return self.history.name or "an instrument"

    @property
    def found_out(self) -> bool:
        """Whether the last value found lies outside of the tolerance."""
        found = self.history.points[-1].as_found
        return self.history.points[-1].state == "out" or (
            math.isfinite(found) and not self.tolerance.holds(found)
        )

    @property
    def due(self) -> dt.date | None:
        """Last day of the interval in whole units of the calendar; ``None`` where none can be said."""
        whole = None if self.interval is None else self.interval.rounded
        return None if whole is None else whole.due

    def headline(self) -> str:
        """Return the sentences to act on: what was found out, what is overdue, when to calibrate again."""
        answer, due, on = self._answer(), self.due, self.analysed_on
        if due is not None and due < on and not any(one.code == "NOT_IN_USE" for one in self.findings):
            late = counted((on - due).days, "day")
            answer = f"Overdue: it was due on {due}, {late} before {on}. {answer}"
        if not self.found_out:
            return answer
        point, out = self.history.points[-1], self.out
        what = "out" if point.state else f"at {point.as_found:+.3g}"
        said = [f"Found out of tolerance in the last calibration: {what}, tolerance {self.tolerance}."]
        if out is not None and math.isfinite(out.crossing_s):
            said.append(f"It left it about {out.date_after(out.crossing_s)}.")
        if out is not None and out.results:
            touched = sum(one.affected != "not affected" for one in out.results)
            said.append(f"{touched} of {len(out.results)} dated results are affected or may be.")
        return " ".join([*said, answer])

    def _answer(self) -> str:
        limits = Tolerance.of(self.tolerance, guard_band=self.guard_band)
        within = f"within {limits} with {100 * self.reliability:g} %"
        if self.meaning != "end_of_period":
            within += f" ({SHORT[self.meaning]})"
        last = self.history.points[-1]
        row = last.place or "the last calibration"
        if self.model is None:
            left = self.last_left
            said = "" if left is None else f" {row[0].upper()}{row[1:]} left it at {left.measured}."
            return (
                "No interval: no two calibrations follow each other with a value left and one found, so that "
                f"nothing is known of the drift.{said}"
            )
        suggestion = self.interval
        if suggestion is None:
            return f"No interval: {row} does not say what the clock was left at; give its as_left."
        if suggestion.limited_by == "start":
            return f"No interval: the offset is not {within} even now. Adjust it."
        whole = "" if suggestion.rounded is None else f" ({suggestion.rounded})"
        again = f"Calibrate again within {lasting_text(suggestion.interval_s)}{whole}"
        if suggestion.limited_by == "tolerance":
            return f"{again}: until then {within}."
        if suggestion.limited_by == "policy":
            return f"{again}, the cap that was stated; until then {within}."
        alone = self.model.interval_s(limits, self.reliability)
        return (
            f"{again}, twice the longest interval that was observed. By drift and walk alone it would stay "
            f"{within} for {lasting_text(alone)}."
        )

    def _facts(self) -> Mapping[str, object]:
        seconds = math.nan if self.interval is None else self.interval.interval_s
        reference, due = self.reference
        return {
            "verdict": {"headline": self.headline()},
            "instrument": self.name,
            "analysed_on": self.analysed_on,
            "reference": reference or None,
            "reference_due": due,
            "interval_s": seconds,
            "drift_per_year": None if self.model is None else self.model.drift_per_year,
            "due": self.due,
            "found_out": self.found_out,
            "settings": self.settings,
            "software": self.software,
            "history": (self.history,) if self.model is None else self.model.history,
            "history_model": self.model,
            "interval": self.interval,
            "setpoint": self.setpoint,
            "last_found": self.last_found,
            "last_left": self.last_left,
            "out_of_tolerance": self.out,
            "methods": self.methods,
            "case": self.case,
        }

    def _headline(self) -> str:
        return self.headline()

    def _table(self) -> Table | None:
        return None if self.case is None else super()._table()

    def _columns(self) -> tuple[Column, ...]:
        variations = () if self.case is None else self.case.variations
        return (
            Column("", [one.changed for one in variations], "changed"),
            Column("", variations, "interval", str),
        )


def assess_history(
    table: str | Path | CalibrationHistory | Sequence[str | Path | CalibrationHistory],
    *,
    tolerance: ToleranceLike | Tolerance | None = None,
    instrument: str | Sequence[str] | None = None,
    date_order: str | None = None,
    nominal_frequency_hz: float | None = None,
    reliability: float = 0.95,
    meaning: Meaning = "end_of_period",
    guard_band: float | None = None,
    oscillator_class: str | None = None,
    drift_law: str = "auto",
    family: str = "related",
    policy_cap_s: float | None = None,
    calendar_unit: CalendarUnit | None = None,
    environment_uncertainty: float = 0.0,
    transport_uncertainty: float = 0.0,
    reference_uncertainty: float = 0.0,
    results: pd.DataFrame | str | Path | tuple[DatedResult, ...] = (),
    methods: bool = False,
    basis: DecisionBasis | None = None,
    reference: str = "",
    reference_due: dt.date | str | None = None,
    analysed_on: dt.date | str | None = None,
    inputs: tuple[Source, ...] = (),
    whole_case: bool = True,
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
    tolerance, reliability, meaning, policy_cap_s, calendar_unit
        As for :func:`evenbeat.suggest_interval`; the tolerance by default the last that the table says.
    guard_band
        Held back from either limit; by default what the decision rule holds back for U = 2 u of the last
        calibration.
    oscillator_class, drift_law, family
        As for :func:`evenbeat.fit_history`; the class by default what the table says.
    environment_uncertainty, transport_uncertainty, reference_uncertainty
        As for :func:`evenbeat.suggest_interval`.
    results
        Dated results (see :func:`evenbeat.back_cast`) to be judged where the last value was found out.
    methods
        Whether to compare other methods of intervals.
    basis
        Decision rule and who decides; simple acceptance and nobody by default.
    reference, reference_due
        What the calibrations were made against, and until when its own calibration is valid.
    analysed_on
        Day of the analysis, ISO; today (UTC) by default. The same inputs and day give the same files.
    inputs
        What histories that are no files were taken from.
    whole_case
        Whether to compute sensitivity, comparison of models and test for the file, which takes longer.
    progress
        Called with what is computed next.

    Returns
    -------
    HistoryAssessment
        Prints when to calibrate again; ``write_report`` makes an audit record of it.

    Raises
    ------
    InputError
        If an option cannot be used, nothing states a tolerance, or no calibration has a value.

    Examples
    --------
    >>> import evenbeat as eb
    >>> table = eb.demo_data("kittiwake-history.csv")
    >>> found = eb.assess_history(table, tolerance=1e-8, whole_case=False, analysed_on="2026-08-20")
    >>> found.interval.limited_by
    'longest interval'

    References
    ----------
    Source: suggest_interval and fit_history; ILAC-G24:2022 / OIML D 10:2022
    Tests: tests/report/test_history_report.py
    """
    begin = progress or (lambda _stage: None)
    chosen = basis or DecisionBasis.of()
    tables = [table] if isinstance(table, str | Path | CalibrationHistory) else list(table)
    names: list[str | None] = [instrument] if isinstance(instrument, str) else list(instrument or ())
    if len(names) > len(tables):
        msg = (
            f"{len(names)} instruments are named for {counted(len(tables), 'table')}; give a table "
            "for each of them"
        )
        raise InputError(msg)
    names += [None] * (len(tables) - len(names))
    read: dict[str, Any] = {"date_order": date_order, "nominal_frequency_hz": nominal_frequency_hz}
    histories = [
        one
        if isinstance(one, CalibrationHistory)
        else CalibrationHistory.from_table(one, instrument=name, **read)
        for one, name in zip(tables, names, strict=True)
    ]
    history = histories[0]
    limits, said = _limits(history, tolerance)
    oscillator_class = oscillator_class or history.oscillator_class
    Tolerance.of(limits, guard_band=guard_band or 0.0)
    constant = {
        "environment_uncertainty": environment_uncertainty,
        "transport_uncertainty": transport_uncertainty,
        "reference_uncertainty": reference_uncertainty,
    }
    measured = [p.as_left_standard_uncertainty for p in history.points if math.isfinite(p.as_left)]
    uncertainty = measured[-1] if measured else 0.0
    band = chosen.guard_band(limits, uncertainty) if guard_band is None else guard_band
    question: dict[str, Any] = {
        "tolerance": limits,
        "reliability": reliability,
        "meaning": meaning,
        "guard_band": band,
        "policy_cap_s": policy_cap_s,
        "calendar_unit": calendar_unit,
        "start": history.last_date,
        **constant,
    }
    fitted = {"tolerance": limits, "drift_law": drift_law, "family": family}
    last = history.points[-1]
    values = (last.as_found, last.standard_uncertainty), (last.as_left, last.as_left_standard_uncertainty)
    found, left = (
        None if math.isnan(value) else decide(Estimate.normal(value, u), tolerance=limits, rule=chosen.rule)
        for value, u in values
    )
    model = interval = setpoint = others = out = case = None
    if len(histories) > 1 or history.increments():
        begin("drift and random walk")
        model = fit_history(histories, oscillator_class=oscillator_class, **fitted)  # type: ignore[arg-type]
        if model.as_left is not None:
            begin("interval")
            interval = suggest_interval(model, **question)
        begin("setpoint")
        setpoint = suggest_setpoint(
            model,
            tolerance=limits,
            reliability=reliability,
            guard_band=band,
            as_left_uncertainty=math.hypot(uncertainty, *constant.values()),
        )
        if methods:
            guarded = Tolerance.of(limits, guard_band=band)
            others = compare_methods(histories, tolerance=guarded, reliability=reliability, model=model)
    elif not measured:
        sentences = " ".join(finding.sentence for finding in history.findings)
        msg = f"no calibration has values that can be used. {sentences}".removesuffix(".")
        raise InputError(msg.removesuffix(" "))
    out = _out(model, limits, results, date_order)
    if whole_case and model is not None:
        begin("forecasts of earlier calibrations")
        predicted = tuple(_predicted(history, oscillator_class, fitted))
        variations: list[Variation] = []
        if interval is not None:
            outlook = partial(_outlook, question=question, constant=math.hypot(*constant.values()))
            variations = of_the_question(outlook(model))
            variations += of_the_model(
                _other_models(histories, oscillator_class, fitted, outlook, _shares(model)), begin
            )
        files = tuple(
            file_source(one, rows=len(each))
            for one, each in zip(tables, histories, strict=True)
            if not isinstance(one, CalibrationHistory)
        )
        case = Case(
            basis=chosen,
            decision=found,
            variations=tuple(variations),
            models=_models(model, variations) if variations else (),
            backtest=None,
            predicted=predicted,
            inputs=(*files, *inputs),
            stories=()
            if interval is None
            else cheapest_stories(model, limits, interval.interval_s, **constant),
            findings=(
                chosen.finding(history.last_date),
                *predicted_finding(predicted),
                *(() if found is None else found.findings),
            ),
        )
    until, used, overdue = checked_date(reference_due, "reference_due"), history.last_date, list[Finding]()
    if until is not None and used is not None and until < used:
        sentence = (
            f"The reference was due on {until}, before the last calibration of {used}: its value is in doubt."
        )
        overdue = [caution("REFERENCE_OVERDUE", sentence)]
    sources = (model or history, interval, setpoint, out, case)
    asked = {name: value for name, value in question.items() if name not in ("tolerance", "start")}
    results_hash = None if isinstance(results, tuple) and not results else "in memory"
    if isinstance(results, str | Path):
        results_hash = file_source(results, rows=0).sha256
    return HistoryAssessment(
        history=history,
        tolerance=limits,
        guard_band=band,
        reliability=reliability,
        meaning=meaning,
        analysed_on=checked_date(analysed_on, "analysed_on") or dt.datetime.now(dt.UTC).date(),
        model=model,
        interval=interval,
        setpoint=setpoint,
        last_found=found,
        last_left=left,
        out=out,
        methods=others,
        case=case,
        reference=(reference.strip(), until),
        settings={
            **asked,
            "tolerance": limits.to_dict(),
            "oscillator_class": oscillator_class,
            "drift_law": drift_law,
            "family": family,
            "methods": methods,
            "date_order": date_order,
            "nominal_frequency_hz": nominal_frequency_hz,
            "instruments": names,
            "results_sha256": results_hash,
        },
        software=software_versions(),
        findings=merged(said, *(one.findings for one in sources if one is not None), overdue),
    )


def _out(
    model: HistoryModel | None,
    limits: Tolerance,
    results: pd.DataFrame | str | Path | tuple[DatedResult, ...],
    date_order: str | None,
) -> BackCast | None:
    """Return when it left, if the last calibration found it out of tolerance."""
    points = () if model is None else model.history[0].points
    found = points[-1].as_found if points else math.nan
    if model is None or math.isnan(found) or limits.holds(found):
        if not isinstance(results, tuple) or results:
            msg = "results are given, but the last calibration did not find a value out of tolerance"
            raise InputError(msg)
        return None
    if math.isnan(points[-2].as_left):
        return None
    return back_cast(model, tolerance=limits, results=results, date_order=date_order)


def _limits(
    history: CalibrationHistory, tolerance: ToleranceLike | Tolerance | None
) -> tuple[Tolerance, list[Finding]]:
    """Return the tolerance that is stated, or the last of the table, which is said."""
    if tolerance is not None:
        return Tolerance.of(tolerance), []
    for point in reversed(history.points):
        if point.tolerance is not None:
            sentence = f"The tolerance is that of the table, {point.tolerance} ({point.place})."
            return point.tolerance, [note("TOLERANCE_OF_TABLE", sentence)]
    msg = (
        "no tolerance is stated; give --tolerance, such as 1e-8 (tolerance=1e-8), or say it in table, bench "
        "file or register"
    )
    raise InputError(msg)


def _outlook(model: HistoryModel, *, question: Mapping[str, Any], constant: float) -> Outlook:
    """Return the forecast far ahead, without any cap: sensitivities go on where the evidence ends."""
    times = np.concatenate([[0.0], np.geomspace(SECONDS_PER_YEAR / 365.25, LOOKED_AHEAD_S, 240)])
    return Outlook(
        elapsed_s=times,
        offset=model.offset(times).widened(constant),
        tolerance=question["tolerance"],
        guard_band=question["guard_band"],
        reliability=question["reliability"],
        meaning=question["meaning"],
    )


def _other_models(
    histories: Sequence[CalibrationHistory],
    oscillator_class: str | None,
    fitted: Mapping[str, Any],
    outlook: Callable[[HistoryModel], Outlook],
    shares: Mapping[str, float],
) -> Iterator[tuple[str, Callable[[], Outlook]]]:
    """Yield other laws, other priors, and the history without its first calibration."""

    def foreseen(some: Sequence[CalibrationHistory], prior: object, **changed: object) -> Outlook:
        return outlook(fit_history(some, oscillator_class=prior, **{**fitted, **changed}))  # type: ignore[arg-type]

    for law in LAWS:
        yield _law_alone(law, shares[law]), partial(foreseen, histories, oscillator_class, drift_law=law)
    usual = DriftPrior.of(oscillator_class)
    for factor in PRIOR_FACTORS:
        name = "prior of drift and walk three times as wide" if factor > 1 else "prior a third as wide"
        yield name, partial(foreseen, histories, usual.scaled(factor))
    own = histories[0]
    if len(own) > FEWEST_TO_PREDICT + 1:
        later = replace(own, points=own.points[1:])
        yield "without the first calibration", lambda: foreseen([later, *histories[1:]], oscillator_class)


def _shares(model: HistoryModel) -> dict[str, float]:
    """Return the probability of each drift law, within 0 and 1; a yearly course counts as constant."""
    logarithmic = min(max(model.logarithmic_share, 0.0), 1.0)
    wandering = min(max(model.wandering_share, 0.0), 1.0)
    return {
        "constant": max(1 - logarithmic - wandering, 0.0),
        "logarithmic": logarithmic,
        "wandering": wandering,
    }


def _law_alone(law: str, share: float) -> str:
    return f"drift law: {law} only (weight {percent(share)})"


def _models(model: HistoryModel, variations: Sequence[Variation]) -> tuple[tuple[str, str, str], ...]:
    """Return what each drift law weighs and gives."""
    said = {one.changed: str(one) for one in variations}
    rows = [
        (f"{law} drift and random walk", percent(share), said[_law_alone(law, share)])
        for law, share in _shares(model).items()
    ]
    return (*rows, ("all, by their weight", "", str(variations[0])))


def _predicted(
    history: CalibrationHistory, oscillator_class: str | None, fitted: Mapping[str, Any]
) -> Iterator[PredictedCalibration]:
    """Yield each later calibration as those before it predicted it."""
    for at in range(FEWEST_TO_PREDICT, len(history)):
        before = replace(history, points=history.points[:at])
        point, last = history.points[at], history.points[at - 1]
        if math.isnan(point.as_found) or math.isnan(last.as_left):
            continue
        try:
            model = fit_history(before, oscillator_class=oscillator_class, **fitted)
        except EvenbeatError:
            continue
        forecast = model.offset([point.time_s - last.time_s]).widened(point.standard_uncertainty)
        low, high = forecast.one(0).interval()
        date = history.date_of(point)
        yield PredictedCalibration(
            when=duration_text(point.time_s) if date is None else date.isoformat(),
            low=float(low),
            high=float(high),
            found=point.as_found,
        )
