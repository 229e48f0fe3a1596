"""The case for the interval of a log: decision, sensitivity, models, backtest."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from evenbeat.assessment.case import Case, DecisionBasis, Outlook, Variation, of_the_model, of_the_question
from evenbeat.calibration.decision import decide
from evenbeat.calibration.interval import IntervalSuggestion
from evenbeat.calibration.tolerance import Tolerance
from evenbeat.clock.aging import AUTOMATIC_LAWS
from evenbeat.clock.backtest import backtest
from evenbeat.clock.fit import fit_clock
from evenbeat.clock.model import ClockModel
from evenbeat.clock.origins import LawWeight
from evenbeat.clock.tested import Backtest
from evenbeat.errors import EvenbeatError
from evenbeat.findings import Finding, caution
from evenbeat.plausible import ASSUMED_NOMINAL
from evenbeat.quantities import Estimate
from evenbeat.record import Record, Source

MOMENTS = 32
"""At which other models are asked, evenly on a logarithmic scale: 1 % in the interval."""
ORIGINS = 12
"""Moments at which the backtest fits anew: the work is that of as many fits."""
PRIORS = ("cautious", "uniform")
LEAST_WEIGHT = 1e-4
MOST_STAGES = len(AUTOMATIC_LAWS) + len(PRIORS) + 1 + ORIGINS
"""What a case computes at most, one after the other: other models, then the fits of the backtest."""
Progress = Callable[[str], None]


@dataclass(frozen=True, eq=False, kw_only=True)
class LogQuestion:
    """What was asked of a log, as its case needs it again."""

    record: Record
    model: ClockModel | None
    interval: IntervalSuggestion | None
    fitted: dict[str, Any]
    asked: dict[str, Any]


def case_of_log(
    question: LogQuestion,
    basis: DecisionBasis,
    *,
    beside: tuple[Source, ...] = (),
    progress: Progress | None = None,
) -> Case:
    """Return the case for the interval of a log; files used ``beside`` the log are inputs as well."""
    begin = progress or (lambda _stage: None)
    record, model = question.record, question.model
    first_day = None if record.start is None else record.start.astype("datetime64[D]").item()
    findings = [basis.finding(first_day)]
    variations: list[Variation] = []
    if question.interval is not None and model is not None:
        others = _other_models(question, model)
        variations = [*of_the_question(question.interval), *of_the_model(others, begin)]
    result = _backtest(question, findings, begin) if model is not None else None
    if result is not None:
        findings += result.findings[:1]
    decision = None
    assumed = any(finding.code == ASSUMED_NOMINAL for finding in record.findings)
    untold = assumed and question.asked.get("as_left") is None
    if model is not None and question.asked.get("tolerance") is not None and not untold:
        now = Estimate(distribution=model.frequency_at(np.array([record.duration_s])).distribution.one(0))
        extra = float(question.asked.get("reference_uncertainty") or 0.0)
        measured = Estimate(distribution=now.distribution.widened(extra))
        decision = decide(measured, tolerance=question.asked["tolerance"], rule=basis.rule)
        findings += decision.findings
    return Case(
        basis=basis,
        decision=decision,
        variations=tuple(variations),
        models=_models(model, variations),
        backtest=result,
        predicted=(),
        inputs=(*(() if record.source is None else (record.source,)), *beside),
        findings=tuple(findings),
    )


def _other_models(question: LogQuestion, model: ClockModel) -> Iterator[tuple[str, Callable[[], Outlook]]]:
    """Yield every aging law by itself, other priors of the noise, and the log without its calibrations."""

    def suggest(**changed: Any) -> Outlook:
        return _outlook(question, fit_clock(question.record, **{**question.fitted, **changed}))

    if len(model.laws) > 1:
        for law in model.laws:
            if law.weight > LEAST_WEIGHT:
                yield _law_alone(law), lambda law=law: suggest(aging=law.law)  # type: ignore[misc]
    for prior in PRIORS:
        yield f"noise prior: {prior}", lambda prior=prior: suggest(noise_prior=prior)  # type: ignore[misc]
    if question.fitted.get("calibrations"):
        yield "without the calibrations", lambda: suggest(calibrations=())


def _outlook(question: LogQuestion, model: ClockModel) -> Outlook:
    """Return what another model foresees, at as many moments as a table of intervals needs."""
    asked, interval = question.asked, question.interval
    reach = question.record.duration_s if interval is None else float(interval.elapsed_s[-1])
    times = np.concatenate([[0.0], np.geomspace(reach / 100, reach, MOMENTS)])
    offset = model.offset(times, as_left=asked["as_left"])
    return Outlook(
        elapsed_s=times,
        offset=offset.widened(float(asked["reference_uncertainty"])),
        tolerance=Tolerance.of(asked["tolerance"]),
        guard_band=float(asked["guard_band"] or 0.0),
        reliability=float(asked["reliability"]),
    )


def _law_alone(law: LawWeight) -> str:
    return f"aging law: {law.law.replace('_', ' ')} only (weight {law.weight:.2g})"


def _models(model: ClockModel | None, variations: Sequence[Variation]) -> tuple[tuple[str, str, str], ...]:
    if model is None:
        return ()
    said = {one.changed: str(one) for one in variations}
    rows = [
        (
            f"{law.law.replace('_', ' ')} aging",
            f"{law.weight:.2g}",
            said.get(_law_alone(law), "–"),
        )
        for law in model.laws
    ]
    return (*rows, ("all, by their weight", "", str(variations[0]) if variations else "–"))


def _backtest(question: LogQuestion, findings: list[Finding], begin: Progress) -> Backtest | None:
    try:
        return backtest(
            question.record,
            origins=ORIGINS,
            aging=question.fitted["aging"],
            environment=question.fitted["environment"],
            oscillator_class=question.fitted["oscillator_class"],
            progress=lambda number, count: begin(f"backtest, {number} of {count}"),
        )
    except EvenbeatError as error:
        sentence = f"No backtest: {error}."
        findings.append(caution("NO_BACKTEST", sentence))
        return None
