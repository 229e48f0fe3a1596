"""What a backtest found: every outcome, the scores of every horizon, and the verdict in words.

Sources: interval score and continuous ranked probability score, Gneiting & Raftery 2007 (J. Amer. Statist.
Assoc. 102, 359), equations 43 and 20; probability integral transform, Dawid 1984; exact limits of a share,
Clopper & Pearson 1934.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Literal

import numpy as np
import numpy.typing as npt
from scipy import special

from evenbeat.errors import InputError
from evenbeat.findings import Finding, Severity, caution, good, note
from evenbeat.plain import UNLISTED, Plain, declared
from evenbeat.quantities import DEFAULT_CONFIDENCE, FloatArray, StudentMixture, checked_probability
from evenbeat.result import Column, Result
from evenbeat.units import duration_text, percent, time_text

if TYPE_CHECKING:
    import pandas as pd


ScoredQuantity = Literal["frequency", "time_error"]
ScoreVerdict = Literal["consistent", "too narrow", "too wide", "too few tests"]
FEWEST_INDEPENDENT = 5.0
"""Independent outcomes below which a horizon counts as not tested."""
SURPRISING = 0.05
HISTOGRAM_BINS = 10
_NAMES = {"frequency": "frequency", "time_error": "time error"}


@dataclass(frozen=True, kw_only=True)
class Outcome(Plain):
    """One forecast and what came of it; frequencies without unit, time errors in seconds.

    Attributes
    ----------
    transform
        Probability integral transform: the probability that the forecast gave to values up to the
        outcome. Uniform between 0 and 1 if forecasts are right.
    """

    quantity: ScoredQuantity
    origin_s: float
    horizon_s: float
    observed: float
    mean: float
    low: float
    high: float
    transform: float
    interval_score: float
    ranked_probability_score: float

    _also = ("held",)

    @property
    def held(self) -> bool:
        """Whether the interval held the outcome."""
        return self.low <= self.observed <= self.high


@dataclass(frozen=True, kw_only=True)
class HorizonScore(Plain):
    """The scores of one quantity at one horizon.

    Attributes
    ----------
    tests, independent_tests
        Outcomes, and how many of them would not overlap: what all of them are worth, roughly.
    coverage, coverage_low, coverage_high
        Share of intervals that held, and its exact 95 % limits for the independent tests.
    mean_width, mean_interval_score, mean_ranked_probability_score
        In the unit of the quantity.
    mean_transform, transform_counts
        Of the probability integral transforms: their mean (0.5 is right; less, and outcomes lay below what
        was predicted), and how many fall into each of ten equal classes between 0 and 1.
    coverage_p_value, uniformity_p_value
        Probabilities of so odd a coverage, and of so uneven transforms, if forecasts are right.
    error_ratio
        Size of the errors relative to what was stated; 1 is right.
    """

    quantity: ScoredQuantity
    horizon_s: float
    tests: int
    independent_tests: float
    coverage: float
    coverage_low: float
    coverage_high: float
    mean_width: float
    mean_interval_score: float
    mean_ranked_probability_score: float
    mean_transform: float
    transform_counts: tuple[int, ...]
    coverage_p_value: float
    uniformity_p_value: float
    error_ratio: float
    verdict: ScoreVerdict


def horizon_score(group: Sequence[Outcome], *, confidence: float, beside: int) -> HorizonScore:
    """Return the scores of the outcomes of one quantity at one horizon, one of ``beside`` such groups.

    A verdict needs a probability below 0.05 divided by three times that number (Bonferroni), because each
    group has three chances to look odd.
    """
    origins = np.array([outcome.origin_s for outcome in group])
    horizon = group[0].horizon_s
    independent = min(float(len(group)), 1 + float(np.ptp(origins)) / horizon)
    coverage = float(np.mean([outcome.held for outcome in group]))
    low, high = coverage_limits(coverage * independent, independent)
    transforms = [outcome.transform for outcome in group]
    whole = max(1, math.floor(independent))
    p_coverage = coverage_p_value(round(coverage * whole), whole, confidence)
    p_uniform = uniformity_p_value(transforms, independent)
    ratio = error_ratio(transforms)
    # errors too large or too small as a whole: their squares over what was stated are χ² if that is right
    below = float(special.chdtr(independent, ratio**2 * independent))
    p_size = 2 * min(below, 1 - below)
    verdict: ScoreVerdict = "consistent" if independent >= FEWEST_INDEPENDENT else "too few tests"
    if min(p_coverage, p_uniform, p_size) * 3 * beside < SURPRISING:  # so odd that it needs no further tests
        verdict = "too narrow" if ratio > 1 else "too wide"
    return HorizonScore(
        quantity=group[0].quantity,
        horizon_s=horizon,
        tests=len(group),
        independent_tests=independent,
        coverage=coverage,
        coverage_low=low,
        coverage_high=high,
        mean_width=float(np.mean([outcome.high - outcome.low for outcome in group])),
        mean_interval_score=float(np.mean([outcome.interval_score for outcome in group])),
        mean_ranked_probability_score=float(np.mean([o.ranked_probability_score for o in group])),
        mean_transform=float(np.mean(transforms)),
        transform_counts=tuple(_counts(transforms)[0].tolist()),
        coverage_p_value=p_coverage,
        uniformity_p_value=p_uniform,
        error_ratio=ratio,
        verdict=verdict,
    )


def _counts(transforms: Sequence[float] | FloatArray) -> tuple[npt.NDArray[np.int_], FloatArray]:
    """Return how many transforms fall into each class, and the edges of the classes."""
    return np.histogram(transforms, bins=HISTOGRAM_BINS, range=(0, 1))


@dataclass(frozen=True, eq=False, kw_only=True, repr=False)
class Backtest(Result):
    """How the forecasts of a clock model did on the record itself; made by :func:`evenbeat.backtest`.

    Attributes
    ----------
    scores
        One for each quantity and horizon.
    outcomes
        Every forecast with what came of it.
    origins_s
        Moments at which the model was fitted anew.
    record_s
        Length of the record.
    confidence
        Of the intervals that were scored.
    """

    scores: tuple[HorizonScore, ...]
    outcomes: tuple[Outcome, ...] = field(metadata=UNLISTED)
    origins_s: FloatArray
    record_s: float
    confidence: float

    _also = ("tested_to_s", "verdict")
    _row_objects = "outcomes"

    @property
    def tested_to_s(self) -> float:
        """Longest horizon with enough independent outcomes to say something; NaN where there is none."""
        return max((s.horizon_s for s in self.scores if s.verdict != "too few tests"), default=math.nan)

    @property
    def verdict(self) -> str:
        """The sentence that says whether the forecasts can be believed, and how far ahead."""
        return next(f.sentence for f in self.findings if f.code.startswith("BACKTEST_"))

    def transforms(self, quantity: ScoredQuantity | None = None) -> FloatArray:
        """Return the probability integral transforms of one quantity, or of both."""
        chosen = [o.transform for o in self.outcomes if quantity is None or o.quantity == quantity]
        return np.array(chosen, dtype=float)

    def histogram(self, quantity: ScoredQuantity | None = None) -> tuple[FloatArray, FloatArray]:
        """Return the middles of ten equal classes of the transform and the share of outcomes in each."""
        counts, edges = _counts(self.transforms(quantity))
        return 0.5 * (edges[1:] + edges[:-1]), counts / max(1, counts.sum())

    def scores_frame(self) -> pd.DataFrame:
        """Return one row per quantity and horizon; :meth:`to_frame` has one per outcome."""
        import pandas as pd

        return pd.DataFrame([declared(score) for score in self.scores])

    def _facts(self) -> Mapping[str, object]:
        middle, share = self.histogram()
        return {**super()._facts(), "transform_histogram": {"middle": middle, "share": share}}

    def _headline(self) -> str:
        return f"Backtest from {len(self.origins_s)} origins: {self.verdict}"

    def _columns(self) -> tuple[Column, ...]:
        scores = self.scores
        held = [
            f"{percent(s.coverage)} ({100 * s.coverage_low:.0f}–{100 * s.coverage_high:.0f})" for s in scores
        ]
        width = [
            time_text(s.mean_width) if s.quantity == "time_error" else f"{s.mean_width:.2e}" for s in scores
        ]
        return (
            Column("", [f"{_NAMES[s.quantity]} {duration_text(s.horizon_s)}" for s in scores], "ahead"),
            Column("", [f"{s.tests} ({s.independent_tests:.0f})" for s in scores], "tests"),
            Column("", held, f"held {percent(self.confidence, None)}"),
            Column("", width, "width"),
            Column("", [s.error_ratio for s in scores], "errors", ".2f"),
            Column("", [s.uniformity_p_value for s in scores], "PIT p", ".2g"),
            Column("", [s.verdict.removesuffix(" tests") for s in scores], "verdict"),
        )


_MISSES_BY_LUCK = 1.0  # so many independent misses beyond those expected are no matter


def backtest_findings(
    scores: Sequence[HorizonScore], confidence: float, record_s: float
) -> tuple[Finding, ...]:
    """Return the verdict on all horizons together, then how far it reaches."""
    return _together(scores, confidence), _reach(scores, record_s)


def _together(scores: Sequence[HorizonScore], confidence: float) -> Finding:
    narrow = [score for score in scores if score.verdict == "too narrow"]
    if narrow:
        worst = max(narrow, key=lambda score: score.error_ratio)
        end = (
            f", and errors were {worst.error_ratio:.1f} times what was stated. Widen the bands by that "
            "factor, or look for what the model lacks: temperature, steps, a change of the clock."
        )
        return _said("BACKTEST_TOO_NARROW", "caution", "Forecasts were too sure", worst, confidence, end)
    wide = [score for score in scores if score.verdict == "too wide"]
    if wide:
        worst = min(wide, key=lambda score: score.error_ratio)
        end = f", and errors were {worst.error_ratio:.2f} times what was stated."
        return _said("BACKTEST_TOO_WIDE", "note", "Forecasts were safe but wide", worst, confidence, end)
    tested = [score for score in scores if score.verdict == "consistent"]
    if not tested:
        sentence = (
            f"The record is too short to test its own forecasts: no horizon has {FEWEST_INDEPENDENT:.0f} "
            "outcomes that do not overlap."
        )
        return caution("BACKTEST_TOO_FEW", sentence)
    # how many independent intervals missed beyond those that may
    surplus = {score: (confidence - score.coverage) * score.independent_tests for score in tested}
    worst = max(tested, key=lambda score: surplus[score])
    if surplus[worst] > _MISSES_BY_LUCK:
        lead = "Too few tests to confirm the forecasts"
        end = (
            ", fewer than stated, which may be luck. Log longer before you rely on forecasts that far ahead."
        )
        return _said("BACKTEST_UNDECIDED", "note", lead, worst, confidence, end)
    weakest = max(tested, key=lambda score: score.horizon_s)
    sentence = (
        f"Forecasts up to {duration_text(weakest.horizon_s)} ahead did what they said: {_held(weakest)} "
        f"of the {percent(confidence, None)} intervals held; with so many independent tests a true share of "
        f"{percent(weakest.coverage_low)} would hardly look different."
    )
    return good(
        "BACKTEST_CONSISTENT",
        sentence,
        coverage=weakest.coverage,
        independent_tests=weakest.independent_tests,
    )


def _said(
    code: str, severity: Severity, lead: str, score: HorizonScore, confidence: float, end: str
) -> Finding:
    """Return a verdict on the intervals of one horizon."""
    sentence = (
        f"{lead}: {duration_text(score.horizon_s)} ahead {_held(score)} of the {percent(confidence, None)} "
        f"intervals of the {_NAMES[score.quantity]} held{end}"
    )
    values = {"horizon_s": score.horizon_s, "coverage": score.coverage, "error_ratio": score.error_ratio}
    return Finding(code=code, severity=severity, sentence=sentence, values=values)


def _held(score: HorizonScore) -> str:
    return f"{percent(score.coverage)} (about {score.independent_tests:.0f} independent tests)"


def _reach(scores: Sequence[HorizonScore], record_s: float) -> Finding:
    tested = max((s.horizon_s for s in scores if s.verdict != "too few tests"), default=0.0)
    longest = max(score.horizon_s for score in scores)
    values = {"tested_to_s": tested, "record_s": record_s}
    if tested == 0:
        sentence = f"Not tested at any horizon; the longest tried, {duration_text(longest)}, says little."
    elif longest > tested:
        few = next(s for s in scores if s.horizon_s == longest)
        sentence = (
            f"Not tested beyond {duration_text(tested)}: at {duration_text(longest)} the record holds only "
            f"about {few.independent_tests:.0f} independent outcomes."
        )
    else:
        sentence = f"Not tested beyond {duration_text(tested)}."
    return note("NOT_TESTED_BEYOND", sentence, **values)


REACH = 6.0
"""How many 95 % half-widths beyond the forecast the ranked probability score is integrated."""
PANELS = 8
NODES = 12
CONDENSED = 256
STRATA = 16


def interval_score(
    low: npt.ArrayLike, high: npt.ArrayLike, observed: npt.ArrayLike, confidence: float = DEFAULT_CONFIDENCE
) -> FloatArray:
    """Return the interval score: the width, and (2/α) times what the outcome lies outside; less is better.

    Notes
    -----
    Proper: nobody gains by stating an interval he does not believe. With normal errors of standard
    deviation s the best 95 % interval scores 4.68 s on average.
    """
    below = np.asarray(low, dtype=float) - observed
    above = np.asarray(observed, dtype=float) - high
    missed = np.maximum(below, 0) + np.maximum(above, 0)
    width = np.asarray(high, dtype=float) - low
    return np.asarray(width + 2 / (1 - checked_probability(confidence, "confidence")) * missed)


def ranked_probability_score(forecast: StudentMixture, observed: npt.ArrayLike) -> FloatArray:
    """Return the continuous ranked probability score ∫ (F(x) - 1{x >= observed})² dx, shape of ``observed``.

    Parameters
    ----------
    forecast
        Of one quantity for each outcome, shape (m, k).
    observed
        Shape (m,).

    Notes
    -----
    In the unit of the quantity; for a forecast without uncertainty it is the absolute error. The
    integral is by Gauss's rule on both sides of the outcome, exact to about 1e-6 of the width.
    """
    outcome = np.atleast_1d(np.asarray(observed, dtype=float))
    low, high = forecast.interval()
    reach = 0.5 * REACH * (high - low)
    nodes, weights = np.polynomial.legendre.leggauss(NODES)
    total = np.zeros(len(outcome))
    for panel in range(PANELS):
        share = (panel + 0.5 * (nodes[:, np.newaxis] + 1)) / PANELS
        for far, above in ((np.minimum(outcome, low) - reach, 0.0), (np.maximum(outcome, high) + reach, 1.0)):
            at = forecast.cdf(far + share * (outcome - far))
            total += 0.5 / PANELS * weights @ (at - above) ** 2 * np.abs(outcome - far)
    return total


def condensed(forecast: StudentMixture, count: int = CONDENSED) -> StudentMixture:
    """Return a mixture of ``count`` equally weighted components that stand for all of them.

    Components are sorted into strata of like scale and by location within them, to and fro, and taken
    at equal steps of probability: quick where a score to three digits is enough.
    """
    size = len(forecast.weights)
    if size <= count:
        return forecast
    scales, locations = (each.reshape(-1, size)[0] for each in (forecast.scales, forecast.locations))
    by_scale = np.argsort(scales, kind="stable")
    stratum = np.empty(size, dtype=int)
    stratum[by_scale] = (STRATA * np.cumsum(forecast.weights[by_scale])).astype(int)
    order = np.lexsort((np.where(stratum % 2 == 0, locations, -locations), stratum))
    position = np.searchsorted(np.cumsum(forecast.weights[order]), (np.arange(count) + 0.5) / count)
    chosen = order[np.minimum(position, size - 1)]
    return StudentMixture(
        weights=np.full(count, 1 / count),
        locations=forecast.locations[..., chosen],
        scales=forecast.scales[..., chosen],
        degrees_of_freedom=forecast.degrees_of_freedom[chosen],
    )


def coverage_limits(
    covered: float, tests: float, confidence: float = DEFAULT_CONFIDENCE
) -> tuple[float, float]:
    """Return the exact (Clopper-Pearson) limits of a share of which ``covered`` of ``tests`` were seen.

    Neither needs to be whole: correlated tests count as the number of independent ones they are worth.
    """
    if not 0 <= covered <= tests:
        msg = f"{covered:g} of {tests:g} tests covered makes no sense"
        raise InputError(msg)
    tail = 0.5 * (1 - checked_probability(confidence, "confidence"))
    low = float(special.betaincinv(covered, tests - covered + 1, tail)) if covered > 0 else 0.0
    high = float(special.betaincinv(covered + 1, tests - covered, 1 - tail)) if covered < tests else 1.0
    return low, high


def coverage_p_value(covered: int, tests: int, nominal: float) -> float:
    """Return the exact two-sided binomial probability of so far a share, if ``nominal`` is right."""
    from scipy import stats

    return float(stats.binomtest(covered, tests, nominal).pvalue)


def uniformity_p_value(transforms: npt.ArrayLike, independent: float) -> float:
    """Return the probability of so uneven a set of probability integral transforms, if all is right.

    Notes
    -----
    Kolmogorov's largest distance from the uniform distribution over all of them, judged as if it came
    from ``independent`` ones: approximate where tests overlap.
    """
    from scipy import stats

    ordered = np.sort(np.asarray(transforms, dtype=float))
    count = len(ordered)
    steps = np.arange(count + 1) / count
    distance = float(max(np.max(steps[1:] - ordered), np.max(ordered - steps[:-1])))
    return float(stats.kstwo.sf(distance, max(1, math.floor(independent))))


def error_ratio(transforms: npt.ArrayLike) -> float:
    """Return how large errors were relative to what was stated: 1 is right, 2 means bands half as wide.

    The root mean square of the normal scores Φ⁻¹(PIT), held within six standard deviations.
    """
    edge = float(special.ndtr(-6.0))
    scores = special.ndtri(np.clip(np.asarray(transforms, dtype=float), edge, 1 - edge))
    return float(np.sqrt(np.mean(scores**2)))
