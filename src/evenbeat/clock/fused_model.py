"""A clock model whose answers combine its log with calibrations and with its reference."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, fields, replace
from functools import cached_property

import numpy as np

from evenbeat.clock.calibration_points import CalibrationPoint
from evenbeat.clock.covariance import Spans
from evenbeat.clock.forecaster import Grounds
from evenbeat.clock.fusion import Agreement, Fusion, Reference
from evenbeat.clock.model import ClockModel
from evenbeat.clock.offsets import leans_over, offsets_beside
from evenbeat.clock.prediction import DrawnMeans, Predicted, Targets
from evenbeat.clock.rates import AgingRate
from evenbeat.errors import InputError
from evenbeat.findings import Finding, caution, good, note
from evenbeat.quantities import Estimate, FloatArray
from evenbeat.units import SECONDS_PER_DAY, counted, duration_text

DISAGREEMENT = 0.01
"""Prior-predictive probability below which log and calibrations are not combined."""
DOUBTFUL = 0.05


@dataclass(frozen=True, eq=False, kw_only=True, repr=False)
class FusedModel(ClockModel):
    """A :class:`ClockModel` whose answers are absolute: log, calibrations and reference together.

    Attributes
    ----------
    reference
        Prior of the log's reference, in scaled units.
    fusion
        The log's posterior conditioned on the calibrations; ``None`` where there is none, or where log
        and calibrations contradict each other.
    agreement
        The check of one against the other.
    """

    reference: Reference
    fusion: Fusion | None
    agreement: Agreement | None

    def _predict(self, targets: Targets) -> Predicted:
        if self.fusion is not None:
            return self.fusion.predict(targets)
        predicted = super()._predict(targets)
        leans = leans_over(targets.spans)
        if targets.reference is not None:
            leans = leans - leans_over(targets.reference)
        owed = np.einsum("mi,ij,mj->m", leans, self.reference.covariance, leans)
        mixture = predicted.distribution.shifted(leans @ self.reference.mean).widened(np.sqrt(owed))
        return Predicted(
            distribution=mixture, trend_variance=predicted.trend_variance, reference_variance=owed
        )

    def _drawn(
        self, spans: Spans, designs: Sequence[FloatArray], count: int, rng: np.random.Generator
    ) -> Iterator[DrawnMeans]:
        if self.fusion is None:
            spread = np.sqrt(np.diag(self.reference.covariance))
            for draw in super()._drawn(spans, designs, count, rng):
                drawn = self.reference.mean + spread * rng.standard_normal((len(draw.growth), 2))
                yield replace(draw, mean=draw.mean + drawn @ leans_over(spans).T)
            return
        weights = np.array(self.fusion.weights)
        shares = rng.multinomial(count, weights / weights.sum())
        walks = np.array(self.fusion.walk_of_part)[shares > 0]
        parts = self.fusion.conditioned(spans, designs, only=shares > 0)
        for part, share, walk in zip(parts, shares[shares > 0], walks, strict=True):
            level = np.full(share, part.level)
            yield DrawnMeans(
                mean=part.mean,
                covariance=part.covariance,
                growth=np.ones(share),
                white=level,
                walk=walk * level,
            )

    @cached_property
    def grounds(self) -> Grounds:
        """As :attr:`ClockModel.grounds`; what was stated of the reference is in the model."""
        return replace(super().grounds, reference_stated=True)

    def _law_of_part(self) -> list[str]:
        return super()._law_of_part() if self.fusion is None else self.fusion.law_of_part

    def aging_rate(self, at: float | np.datetime64 | str | None = None) -> AgingRate:
        """Return the clock's own aging rate per second: that of the log plus the drift of its reference.

        Notes
        -----
        As :meth:`ClockModel.aging_rate`, conditioned on the calibrations.
        """
        factor = self.scale / self.record.duration_s
        if self.fusion is not None:
            rate = self.fusion.rate(self._scaled(at)).scaled(factor).stretched(self.self_test.widened_by)
            return AgingRate(distribution=rate.widened(self.blocks.display.rate), unit="/s")
        drift, spread = self.reference.mean[1], math.sqrt(self.reference.covariance[1, 1])
        alone = super().aging_rate(at).distribution
        return AgingRate(distribution=alone.shifted(drift * factor).widened(spread * factor), unit="/s")


def reference_prior(model: ClockModel, offset: Estimate | None, drift: Estimate | None) -> Reference:
    """Return the prior of the log's reference in the model's units; perfect where nothing is stated."""
    sizes = model.scale, model.scale / model.record.duration_s
    means, spreads = [], []
    for name, stated, size in zip(
        ("reference_offset", "reference_drift"), (offset, drift), sizes, strict=True
    ):
        value = 0.0 if stated is None else stated.value
        spread = 0.0 if stated is None else stated.standard_uncertainty
        if not (math.isfinite(value) and math.isfinite(spread)):
            msg = f"{name} is {value:g} with standard uncertainty {spread:g}; both must be finite"
            raise InputError(msg)
        means.append(value / size)
        spreads.append(spread / size)
    return Reference(mean=np.array(means), covariance=np.diag(np.square(spreads)))


def fused_model(
    model: ClockModel,
    points: Sequence[CalibrationPoint],
    *,
    reference_offset: Estimate | None,
    reference_drift: Estimate | None,
) -> FusedModel:
    """Return the model of a log combined with calibrations and with what is known of its reference.

    Notes
    -----
    Where the calibrations lie where the log would hardly have put them (prior-predictive probability
    below 1 %), they are not combined: an average of two contradicting answers is neither.
    """
    reference = reference_prior(model, reference_offset, reference_drift)
    stated = {each.name: getattr(model, each.name) for each in fields(model)}
    findings = [_reference_finding(reference_offset, reference_drift)]
    fusion = agreement = None
    if points:
        offsets = offsets_beside(model, points)
        fusion = Fusion(
            log=model._posterior,
            offsets=offsets,
            reference=reference,
        )
        agreement = fusion.agreement
        findings.append(_agreement_finding(agreement, offsets.labels))
        findings.extend(_span_findings(offsets.at_s, points))
        if agreement.probability < DISAGREEMENT:
            fusion = None
    stated["findings"] = (*model.findings, *findings)
    if fusion is not None:
        stated["components"] = fusion.components
    return FusedModel(**stated, reference=reference, fusion=fusion, agreement=agreement)


def _reference_finding(offset: Estimate | None, drift: Estimate | None) -> Finding:
    if offset is None and drift is None:
        sentence = (
            "The reference of the log counts as perfect; state reference_offset and reference_drift to let "
            "its own error into every answer."
        )
        return note("REFERENCE_PERFECT", sentence)
    values = {
        "standard_uncertainty_of_offset": 0.0 if offset is None else offset.standard_uncertainty,
        "standard_uncertainty_of_drift_per_s": 0.0 if drift is None else drift.standard_uncertainty,
    }
    sentence = (
        f"Answers are absolute: the reference of the log counts as off by {offset or 0} at the end of the "
        f"log, drifting by {drift or 0}."
    )
    return note("REFERENCE_ALLOWED_FOR", sentence, **values)


def _agreement_finding(agreement: Agreement, labels: Sequence[str]) -> Finding:
    if agreement.freedom == 0:
        sentence = "Every calibration is taken up by an adjustment's step, so none could be checked."
        return note("CALIBRATIONS_NOT_CHECKED", sentence)
    sizes = np.where(np.isnan(agreement.normalised), 0.0, np.abs(agreement.normalised))
    worst = int(np.argmax(sizes))
    values = {
        "probability": agreement.probability,
        "chi_squared": agreement.chi_squared,
        "degrees_of_freedom": agreement.freedom,
        "largest_normalised_error": float(agreement.normalised[worst]),
    }
    odds = f"χ² {agreement.chi_squared:.1f} for {agreement.freedom}, probability {agreement.probability:.2g}"
    farthest = f"{labels[worst]} (normalised error {agreement.normalised[worst]:+.2f})"
    if agreement.probability < DISAGREEMENT:
        sentence = (
            f"Log and calibrations contradict each other ({odds}), most of all {farthest}. They were not "
            "combined, and the answers rest on the log alone: look for a change of temperature, "
            "orientation, power or reference, or an adjustment that nobody noted."
        )
        return caution("CALIBRATIONS_DISAGREE", sentence, **values)
    if agreement.probability < DOUBTFUL:
        sentence = f"Log and calibrations agree poorly ({odds}), worst {farthest}; they were combined."
        return caution("CALIBRATIONS_DOUBTFUL", sentence, **values)
    sentence = f"The calibrations lie where the log puts them ({odds}); both were combined."
    return good("CALIBRATIONS_AGREE", sentence, **values)


def _span_findings(at_s: FloatArray, points: Sequence[CalibrationPoint]) -> list[Finding]:
    findings = []
    earliest = -float(at_s.min())
    if earliest > SECONDS_PER_DAY:
        sentence = (
            f"The first calibration is {duration_text(earliest)} older than the log: before it the aging "
            "laws run on straight with the rate that they have at its start."
        )
        findings.append(note("CALIBRATIONS_BEFORE_LOG", sentence, earliest_before_log_s=earliest))
    adjusted = sum(point.adjusted for point in points)
    if adjusted:
        sentence = (
            f"{counted(adjusted, 'adjustment counts as a step', 'adjustments count as steps')} of "
            "unknown size; aging goes on across."
        )
        findings.append(note("ADJUSTMENTS_ARE_STEPS", sentence, count=adjusted))
    return findings
