"""What a backtest found: every outcome, and the scores of every horizon."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Literal

import numpy as np
import numpy.typing as npt
from scipy import special

from evenbeat.clock.scores import coverage_limits, coverage_p_value, error_ratio, uniformity_p_value
from evenbeat.plain import UNLISTED, Plain, declared
from evenbeat.quantities import FloatArray
from evenbeat.result import Column, Result
from evenbeat.units import duration_text, time_text

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
    """Return the scores of the outcomes of one quantity at one horizon.

    Parameters
    ----------
    beside
        Number of such groups that are judged together: a verdict needs a probability below 0.05 divided
        by three times that number (Bonferroni), because each group has three chances to look odd.
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
    surprising = min(p_coverage, p_uniform, p_size) * 3 * beside < SURPRISING
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
        verdict=_verdict(independent, ratio, surprising=surprising),
    )


def _counts(transforms: Sequence[float] | FloatArray) -> tuple[npt.NDArray[np.int_], FloatArray]:
    """Return how many transforms fall into each class, and the edges of the classes."""
    return np.histogram(transforms, bins=HISTOGRAM_BINS, range=(0, 1))


def _verdict(independent: float, ratio: float, *, surprising: bool) -> ScoreVerdict:
    if surprising:  # so odd an outcome needs no further tests
        return "too narrow" if ratio > 1 else "too wide"
    return "consistent" if independent >= FEWEST_INDEPENDENT else "too few tests"


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
        held = [f"{s.coverage:.0%} ({100 * s.coverage_low:.0f}–{100 * s.coverage_high:.0f})" for s in scores]
        width = [
            time_text(s.mean_width) if s.quantity == "time_error" else f"{s.mean_width:.2e}" for s in scores
        ]
        return (
            Column("", [f"{_NAMES[s.quantity]} {duration_text(s.horizon_s)}" for s in scores], "ahead"),
            Column("", [f"{s.tests} ({s.independent_tests:.0f})" for s in scores], "tests"),
            Column("", held, f"held {self.confidence:.0%}"),
            Column("", width, "width"),
            Column("", [s.error_ratio for s in scores], "errors", ".2f"),
            Column("", [s.uniformity_p_value for s in scores], "PIT p", ".2g"),
            Column("", [s.verdict.removesuffix(" tests") for s in scores], "verdict"),
        )
