"""Comparing aging laws: one correlated likelihood for all, and how well each has predicted the record.

The nonlinear parameters of a law are profiled over a grid that is refined where the likelihood changes,
and mixed over it; laws are weighted by AICc, which is computed from the likelihood at its maximum (not
the restricted one, whose value depends on the columns). Beside it stands a score of forecasts made
within the record (:mod:`evenbeat.clock.origins`).
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace

import numpy as np

from evenbeat.clock.aging import AgingLaw, Curvature
from evenbeat.clock.likelihood import GridFit
from evenbeat.clock.prediction import Variant
from evenbeat.findings import Finding, caution, note
from evenbeat.plain import Plain
from evenbeat.quantities import FloatArray, StudentMixture
from evenbeat.units import percent

MOST_POINTS = 48
MOST_FITS = 150
EXCLUDED = 12.0
"""Log likelihood below the top from which a curvature is no longer looked at when there are too many."""
LOG_LIKELIHOOD_THAT_MATTERS = 4.0
LARGEST_JUMP = 0.7
NOT_REJECTED = 6.0
"""AICc difference up to which a law counts as one that the data cannot reject (Burnham & Anderson 2002,
2.6: 'considerably less' support begins at 4 to 7)."""
CLEARLY_BETTER = 2.0
"""Difference of mean log score from which a law predicted the record clearly better than another."""


@dataclass(frozen=True, kw_only=True)
class LawWeight(Plain):
    """How well one aging law does beside the others.

    Attributes
    ----------
    aicc_difference
        To the smallest AICc of all laws.
    weight
        exp(-difference/2), normalised (Akaike weight).
    forecast_error
        Root mean square of what the law missed in forecasts within the record, fractional frequency;
        NaN where the record is too short for them.
    forecast_score
        Mean log predictive density of the same forecasts, relative to the best law: zero or negative.
    """

    law: str
    aicc_difference: float
    weight: float
    forecast_error: float = math.nan
    forecast_score: float = math.nan

    @property
    def rejected(self) -> bool:
        """Whether the data speak clearly against the law."""
        return self.aicc_difference > NOT_REJECTED


def searched(
    law: AgingLaw, fitted: Callable[[AgingLaw, list[Curvature]], Iterable[Variant]]
) -> list[Variant]:
    """Fit a law over its grid, refined until the likelihood changes little between points that matter."""
    axes = [list(axis) for axis in law.axes]
    found: dict[Curvature, Variant] = {}
    while True:
        points = list(itertools.product(*axes))
        if new := [point for point in points if point not in found]:
            found.update(zip(new, fitted(law, new), strict=True))
        scores = np.array([best(found[point].fit) for point in points]).reshape([len(axis) for axis in axes])
        axis, jumps = _widest_jumps(scores)
        if not jumps or len(found) >= MOST_FITS:
            break
        if len(points) >= MOST_POINTS:
            axes, before = _where_it_matters(axes, scores), axes
            if axes == before:
                break
            continue
        values = axes[axis]
        axes[axis] = sorted([*values, *(math.sqrt(values[k] * values[k + 1]) for k in jumps)])
    widths = np.ones(1)
    for axis_values in axes:
        widths = np.multiply.outer(widths, np.gradient(np.log(axis_values)))
    return [
        replace(found[point], width=float(width)) for point, width in zip(points, widths.ravel(), strict=True)
    ]


def _where_it_matters(axes: list[list[float]], scores: FloatArray) -> list[list[float]]:
    """Return the axes without those values, but for one on either side, that the likelihood excludes."""
    kept = []
    for axis, values in enumerate(axes):
        profile = scores.max(axis=tuple(other for other in range(scores.ndim) if other != axis))
        likely = np.flatnonzero(profile > scores.max() - EXCLUDED)
        kept.append(values[max(likely[0] - 1, 0) : likely[-1] + 2])
    return kept


def _widest_jumps(scores: FloatArray) -> tuple[int, list[int]]:
    """Return the axis along which the profile likelihood jumps most, and after which values."""
    widest, axis, places = LARGEST_JUMP, 0, []
    top = scores.max()
    for along in range(scores.ndim):
        profile = scores.max(axis=tuple(other for other in range(scores.ndim) if other != along))
        matters = profile > top - LOG_LIKELIHOOD_THAT_MATTERS
        change = np.abs(np.diff(np.maximum(profile, top - 20)))
        jump = np.where(matters[1:] | matters[:-1], change, 0.0)
        if len(jump) and jump.max() > widest:
            widest, axis, places = float(jump.max()), along, np.flatnonzero(jump > LARGEST_JUMP).tolist()
    return axis, places


def best(fit: GridFit) -> float:
    """Return the largest log likelihood over the noise levels of a clock whose drift does not wander.

    One that does follows any law, and would make all of them alike.
    """
    return float(fit.log_likelihood[: fit.walks].max())


def curvature_shares(group: Sequence[Variant]) -> FloatArray:
    """Return the weight of every curvature of one law: likelihood times its width in the logarithm."""
    scores = np.array([best(variant.fit) for variant in group])
    shares = np.array([variant.width for variant in group]) * np.exp(scores - scores.max())
    return np.asarray(shares / shares.sum())


def by_law(variants: Sequence[Variant]) -> dict[str, list[Variant]]:
    """Return the variants of each law, in order."""
    groups: dict[str, list[Variant]] = {}
    for variant in variants:
        groups.setdefault(variant.law.name, []).append(variant)
    return groups


def weigh_laws(variants: Sequence[Variant], *, observations: int, noise_levels: int) -> tuple[LawWeight, ...]:
    """Compare the aging laws by AICc (Hurvich & Tsai 1989) of the likelihood at its maximum.

    Parameters
    ----------
    observations
        Number of block averages less the one that the constant takes.
    noise_levels
        Number of noise levels that are estimated with every law.

    Notes
    -----
    AICc = -2 ln L + 2k + 2k(k + 1)/(n - k - 1), where k counts columns, nonlinear parameters and noise
    levels. Not valid as a probability that a law is true: none of them is, and none knows the future.
    """
    groups = by_law(variants)
    scores = []
    for group in groups.values():
        k = group[0].design.shape[1] + len(group[0].curvature) + noise_levels
        correction = 2 * k * (k + 1) / max(observations - k - 1, 1)
        scores.append(-2 * max(best(v.fit) for v in group) + 2 * k + correction)
    weights = np.exp(-0.5 * (np.array(scores) - min(scores)))
    weights /= weights.sum()
    return tuple(
        LawWeight(law=name, aicc_difference=score - min(scores), weight=float(weight))
        for name, score, weight in zip(groups, scores, weights, strict=True)
    )


def means_by_law(
    distribution: StudentMixture,
    law_of_part: Sequence[str],
    laws: Sequence[LawWeight],
) -> dict[str, FloatArray]:
    """Return the mean under each law that the data do not reject, shape (m,), the most likely first.

    Parameters
    ----------
    distribution
        Of all targets.
    law_of_part
        Name of the aging law behind every component of the mixture.
    """
    law_of = np.array(law_of_part)
    means = {}
    for law in sorted(laws, key=lambda law: law.aicc_difference):
        weights = np.where(law_of == law.law, distribution.weights, 0.0)
        if not law.rejected and weights.any():
            means[law.law] = np.asarray(distribution.locations @ weights / weights.sum())
    return means


def law_findings(laws: Sequence[LawWeight]) -> list[Finding]:
    """Return the weights in words, and a caution where another law has predicted the record better."""
    if len(laws) < 2:
        return []
    shown = sorted(laws, key=lambda law: -law.weight)
    shares = ", ".join(f"{spoken(law.law)} {percent(law.weight)}" for law in shown if law.weight >= 0.005)
    sentence = f"Forecasts average over the aging laws by their AICc weight: {shares}."
    weights = {law.law: law.weight for law in laws}
    findings = [note("AGING_LAWS_AVERAGED", sentence, **weights)]
    leader = shown[0]
    closest = max(laws, key=lambda law: -math.inf if math.isnan(law.forecast_score) else law.forecast_score)
    if closest.forecast_score - leader.forecast_score > CLEARLY_BETTER:
        sentence = (
            f"The {spoken(leader.law)} law fits the record best, but within it forecasts by the "
            f"{spoken(closest.law)} law came closer ({closest.forecast_error:.1e} against "
            f"{leader.forecast_error:.1e} rms): the aging changed its course, so trust no long forecast."
        )
        findings.append(
            caution(
                "AGING_LAWS_DISAGREE", sentence, fits=leader.forecast_error, predicts=closest.forecast_error
            )
        )
    return findings


def spoken(law: str) -> str:
    """Return the name of a law in words."""
    return law.replace("_", " ")
