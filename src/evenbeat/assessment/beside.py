"""Calibrations beside a log: brought into the clock model, and compared with what the log says alone."""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

from evenbeat.assessment.case import file_source
from evenbeat.assessment.verdict import Verdict
from evenbeat.calibration.history import CalibrationHistory
from evenbeat.calibration.history_model import agreement, fit_history
from evenbeat.calibration.interval import checked_date
from evenbeat.clock.calibration_points import CalibrationPoint
from evenbeat.clock.fit import fit_clock
from evenbeat.clock.fusion import FusedModel
from evenbeat.clock.model import ClockModel
from evenbeat.errors import EvenbeatError, InputError
from evenbeat.findings import Finding, caution, good, note
from evenbeat.quantities import Estimate
from evenbeat.record import Source
from evenbeat.units import SECONDS_PER_YEAR, counted

SAID = (
    "CALIBRATIONS_AGREE",
    "CALIBRATIONS_DOUBTFUL",
    "CALIBRATIONS_DISAGREE",
    "CALIBRATIONS_NOT_CHECKED",
)


CONTRADICT = ("CALIBRATIONS_DISAGREE", "DRIFTS_DISAGREE")


@dataclass(frozen=True, eq=False, kw_only=True)
class Beside:
    """What a history brings to a log; nothing where there is none. ``fitted``: keywords of ``fit_clock``."""

    history: CalibrationHistory | None = None
    fitted: Mapping[str, Any] = field(default_factory=dict)
    findings: tuple[Finding, ...] = ()
    inputs: tuple[Source, ...] = ()

    @classmethod
    def of(
        cls,
        history: CalibrationHistory | str | Path | None,
        reference_uncertainty: float,
        *,
        since: dt.date | str | None = None,
        instrument: str | None = None,
        date_order: str | None = None,
        nominal_frequency_hz: float | None = None,
    ) -> Beside:
        """Return what a history, or a table of one, brings; calibrations before ``since`` are left out."""
        if history is None:
            return cls()
        inputs: tuple[Source, ...] = ()
        if isinstance(history, str | Path):
            path = history
            history = CalibrationHistory.from_table(
                path, instrument=instrument, date_order=date_order, nominal_frequency_hz=nominal_frequency_hz
            )
            inputs = (file_source(path, rows=len(history)),)
        history, too_old = _since(history, checked_date(since, "history_from"))
        points, findings = calibration_points_of(history)
        if not points:
            msg = "the history holds no calibration with a value; beside a log values are needed"
            raise InputError(msg)
        reference = Estimate.normal(0.0, reference_uncertainty) if reference_uncertainty > 0 else None
        return cls(
            history=history,
            fitted={"calibrations": points, "reference_offset": reference},
            findings=(*too_old, *findings),
            inputs=inputs,
        )

    @property
    def settings(self) -> dict[str, object]:
        """Which table the calibrations are from."""
        return (
            {"history": {"name": self.inputs[0].name, "sha256": self.inputs[0].sha256}} if self.inputs else {}
        )

    def compared(self, model: ClockModel, fitted: Mapping[str, Any]) -> ClockModel:
        """Return the model with what the comparison of log and calibrations found."""
        if self.history is None:
            return model
        alone = {name: value for name, value in fitted.items() if name not in self.fitted}
        drifts = drift_agreement(fit_clock(model.record, **alone), self.history, model.oscillator_class)
        return model.with_findings(*self.findings, *(() if drifts is None else (drifts,)))

    def asked(self, model: ClockModel | None) -> dict[str, Any]:
        """Return what changes in the question of the interval: the reference is in the model already."""
        if self.history is None or not isinstance(model, FusedModel):
            return {}
        longest = self.history.longest_interval_s
        combined = model.fusion is not None and longest > 0
        return {"reference_uncertainty": 0.0, "longest_observed_s": longest if combined else None}

    def spoken(self, verdict: Verdict, model: ClockModel | None) -> Verdict:
        """Return the verdict with a line on whether log and calibrations agree."""
        if self.history is None or model is None:
            return verdict
        lines = [("calibration", f.sentence) for f in model.findings if f.code in SAID]
        headline = verdict.headline
        if any(f.code in CONTRADICT for f in model.findings):
            headline = f"Log and calibrations contradict each other: settle that first. {headline}"
        return replace(verdict, headline=headline, lines=(*verdict.lines, *lines))


def _since(history: CalibrationHistory, day: dt.date | None) -> tuple[CalibrationHistory, list[Finding]]:
    """Return a history from a day on, and how many calibrations are left out."""
    if day is None:
        return history, []
    kept = tuple(point for point in history.points if (history.date_of(point) or day) >= day)
    if not kept:
        msg = f"no calibration of the history is of {day} or later; choose an earlier day"
        raise InputError(msg)
    left_out = len(history) - len(kept)
    sentence = f"Made without {counted(left_out, 'calibration')} before {day}, as asked."
    found = note("CALIBRATIONS_TOO_OLD", sentence)
    return replace(history, points=kept), [found] if left_out else []


def calibration_points_of(history: CalibrationHistory) -> tuple[list[CalibrationPoint], list[Finding]]:
    """Return the calibrations of a history for the clock model, and what cannot be used."""
    points, left_out = [], 0
    for point in history.points:
        date = history.date_of(point)
        if date is None:
            msg = "the history has no dates; calibrations beside a log need them"
            raise InputError(msg)
        anew = point.adjusted or point.jumped
        usable = math.isfinite(point.as_left) if anew else math.isfinite(point.as_found)
        if not usable:
            left_out += 1
            continue
        points.append(
            CalibrationPoint(
                at=date.isoformat(),
                as_found=point.as_found,
                standard_uncertainty=point.standard_uncertainty,
                as_left=point.as_left if anew else None,
                adjusted=anew,
                as_left_uncertainty=point.as_left_standard_uncertainty if anew else None,
            )
        )
    if not left_out:
        return points, []
    sentence = f"Made without {counted(left_out, 'calibration')} that give no value, beside the log."
    return points, [note("CALIBRATIONS_WITHOUT_VALUE", sentence)]


def drift_agreement(
    model: ClockModel, history: CalibrationHistory, oscillator_class: str | None = None
) -> Finding | None:
    """Say whether the drift of the log and that of the calibrations agree; ``None`` where one has none."""
    try:
        learnt = fit_history(history, oscillator_class=oscillator_class).drift_rate
    except EvenbeatError:
        return None
    own = model.aging_rate()
    normalised = agreement(own, learnt)
    log_says, they_say = (str(rate.scaled(SECONDS_PER_YEAR, "")) for rate in (own, learnt))
    said = f"per year {log_says} from the log, {they_say} from the others: normalised error {normalised:.2f}"
    values = {"normalised_error": normalised}
    if normalised > 1:
        sentence = f"The log and the calibrations disagree about the drift ({said}); do not average them."
        return caution("DRIFTS_DISAGREE", sentence, **values)
    sentence = f"The log and the calibrations agree about the drift ({said})."
    return good("DRIFTS_AGREE", sentence, **values)
