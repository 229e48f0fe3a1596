"""Decision rules: whether a measured value may be called within its limits, and at what risk.

Sources: conformance probability and risks, JCGM 106:2012; names and guard bands of the rules,
ILAC-G8:09/2019; the duty to agree on a rule before measuring, ISO/IEC 17025:2017, 7.1.3.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from typing import Literal

from scipy import special

from evenbeat.calibration.tolerance import Tolerance, ToleranceLike
from evenbeat.errors import InputError
from evenbeat.findings import Finding, caution
from evenbeat.quantities import Estimate, checked_coverage, checked_probability, need_positive
from evenbeat.result import Result

ConformityVerdict = Literal["pass", "conditional pass", "conditional fail", "fail"]
FARTHEST = 12.0
"""Standard deviations of the prior within which a risk is integrated: beyond lie 4e-33 of it."""


@dataclass(frozen=True, kw_only=True)
class DecisionRule:
    """How far inside its limits a value must lie to be accepted.

    Attributes
    ----------
    name
        As in :data:`DECISION_RULES`.
    guard_factor
        Guard band over the expanded uncertainty U.
    non_binary
        Whether values within the guard band are 'conditional' instead of failed.
    root_sum_of_squares
        The acceptance limit is √(T² - U²) instead of T - w, T being half the width of the tolerance.
    says
        What it does, in words.
    """

    name: str
    guard_factor: float = 0.0
    non_binary: bool = False
    root_sum_of_squares: bool = False
    says: str = ""

    def guard_band(self, half_width: float, expanded_uncertainty: float) -> float:
        """Return what is held back from a limit; ``half_width`` of the tolerance (``inf``: one-sided)."""
        if not self.root_sum_of_squares:
            return self.guard_factor * expanded_uncertainty
        if math.isinf(half_width):
            msg = "the root-sum-of-squares rule needs two limits; state both, or choose another rule"
            raise InputError(msg)
        return half_width - math.sqrt(max(half_width**2 - expanded_uncertainty**2, 0.0))


DECISION_RULES: dict[str, DecisionRule] = {
    rule.name: rule
    for rule in (
        DecisionRule(name="simple_acceptance", says="accepted if within the limits; no guard band"),
        *(
            DecisionRule(name=name, guard_factor=factor, says=f"accepted if within the limits less {held}")
            for name, factor, held in (
                ("guard_band", 1.0, "U"),
                ("guard_band_0.83", 0.83, "0.83 U"),
                ("guard_band_1.5", 1.5, "1.5 U"),
                ("guard_band_3", 3.0, "3 U"),
            )
        ),
        DecisionRule(
            name="root_sum_of_squares", root_sum_of_squares=True, says="accepted if within √(T² - U²)"
        ),
        DecisionRule(
            name="non_binary",
            guard_factor=1.0,
            non_binary=True,
            says="pass and fail only where U leaves no doubt; conditional within U of a limit",
        ),
    )
}


def decision_rule(rule: str | DecisionRule) -> DecisionRule:
    """Return the rule of this name."""
    if isinstance(rule, DecisionRule):
        return rule
    if rule not in DECISION_RULES:
        msg = f"decision rule is {rule!r}; it must be one of {', '.join(DECISION_RULES)}"
        raise InputError(msg)
    return DECISION_RULES[rule]


@dataclass(frozen=True, eq=False, kw_only=True, repr=False)
class Decision(Result):
    """One measured value against its limits, made by :func:`evenbeat.decide`.

    Attributes
    ----------
    measured
        The value with its distribution.
    lower, upper
        Limits, in the unit of ``measured``; infinite where there is none.
    rule, guard_band
        The rule, and what it holds back from each limit.
    expanded_uncertainty
        U: half the width of the interval with the coverage probability the rule was given.
    conformance_probability
        Probability that the true value is within the limits.
    verdict
        ``pass``, ``conditional pass``, ``conditional fail`` or ``fail``.
    """

    measured: Estimate
    lower: float
    upper: float
    rule: DecisionRule
    expanded_uncertainty: float
    guard_band: float
    conformance_probability: float
    verdict: ConformityVerdict

    _also = ("risk",)

    @property
    def acceptance_limits(self) -> tuple[float, float]:
        """The limits less the guard band."""
        return self.lower + self.guard_band, self.upper - self.guard_band

    @property
    def risk(self) -> float:
        """Probability that this verdict is wrong (specific risk, JCGM 106:2012)."""
        accepted = self.verdict in ("pass", "conditional pass")
        return 1 - self.conformance_probability if accepted else self.conformance_probability

    @property
    def test_uncertainty_ratio(self) -> float:
        """Half the width of the tolerance over U; ``inf`` for one-sided limits."""
        return 0.5 * (self.upper - self.lower) / self.expanded_uncertainty

    def _facts(self) -> Mapping[str, object]:
        return {**super()._facts(), "rule": self.rule.name}

    def _lines(self) -> Iterable[tuple[str, str]]:
        low, high = self.acceptance_limits
        return (
            ("measured", str(self.measured)),
            ("limits", f"{self.lower:.6g} to {self.upper:.6g}"),
            ("expanded uncertainty U", f"{self.expanded_uncertainty:.3g}"),
            ("accepted from, to", f"{low:.6g} to {high:.6g}"),
            ("test uncertainty ratio", f"{self.test_uncertainty_ratio:.3g}"),
            ("risk that the verdict is wrong", probability_text(self.risk)),
        )

    def _headline(self) -> str:
        probability = probability_text(self.conformance_probability)
        return (
            f"{self.verdict.capitalize()} by {self.rule.name}: {self.measured} within "
            f"{self.lower:.6g} to {self.upper:.6g} with probability {probability}"
        )


def probability_text(probability: float) -> str:
    """Return ``97.7 %``, with as many digits as its distance from 0 or 100 % needs."""
    distance = min(probability, 1 - probability)
    if distance < 1e-6:
        return "<0.0001 %" if probability < 0.5 else ">99.9999 %"
    decimals = max(0, 1 - math.floor(math.log10(100 * distance)))
    return f"{100 * probability:.{decimals}f} %"


def decide(
    measured: Estimate,
    *,
    lower: float = -math.inf,
    upper: float = math.inf,
    tolerance: ToleranceLike | Tolerance | None = None,
    rule: str | DecisionRule = "simple_acceptance",
    coverage: float = 0.9545,
) -> Decision:
    """Decide whether a measured value conforms to its limits.

    Parameters
    ----------
    measured
        With its distribution; limits are in its unit.
    lower, upper
        Limits of the true value; one may be left out.
    tolerance
        Both limits at once: ``1e-8`` for ±1e-8, or ``(-5e-9, 1e-8)``.
    rule
        A name of :data:`DECISION_RULES` or a rule of your own; agree on it before measuring.
    coverage
        Probability of the interval whose half width is U; 0.9545 is exactly k = 2 of a normal distribution.

    Returns
    -------
    Decision
        State, probability of conformance, acceptance limits and risk.

    Raises
    ------
    InputError
        If no limit is given, the lower is not below the upper, or the rule is unknown.

    Examples
    --------
    >>> import evenbeat as eb
    >>> eb.decide(eb.Estimate.normal(6e-9, 5e-10), tolerance=1e-8, rule="guard_band").verdict
    'pass'

    References
    ----------
    Formula: p_c = Φ((T_U - y)/u) - Φ((T_L - y)/u); accepted within T - w
    Source: JCGM 106:2012; ILAC-G8:09/2019
    Tests: tests/calibration/test_decision.py
    """
    chosen = decision_rule(rule)
    if tolerance is not None:
        if math.isfinite(lower) or math.isfinite(upper):
            msg = "tolerance is given beside lower or upper; state the limits once"
            raise InputError(msg)
        limits = Tolerance.of(tolerance)
        lower, upper = limits.lower, limits.upper
    if math.isinf(lower) and math.isinf(upper):
        msg = "no limit is given; state lower, upper, both, or a tolerance"
        raise InputError(msg)
    if not lower < upper:
        msg = f"lower is {lower:g} and upper {upper:g}; the lower limit must be below the upper one"
        raise InputError(msg)
    low, high = measured.interval(checked_coverage(coverage))
    expanded = 0.5 * (high - low)
    half_width = 0.5 * (upper - lower)
    band = chosen.guard_band(half_width, expanded)
    conforming = float(measured.distribution.probability_between(lower, upper))
    return Decision(
        measured=measured,
        lower=lower,
        upper=upper,
        rule=chosen,
        expanded_uncertainty=expanded,
        guard_band=band,
        conformance_probability=conforming,
        verdict=verdict_of(measured.value, lower, upper, band, chosen),
        findings=tuple(_remarks(chosen, band, half_width, expanded)),
    )


def verdict_of(
    value: float, lower: float, upper: float, band: float, rule: DecisionRule
) -> ConformityVerdict:
    """Return the verdict of a rule on a value, given what the rule holds back from a limit."""
    # a value computed to lie on an acceptance limit belongs to it, whatever its last binary digit
    slack = 1e-12 * max(abs(limit) for limit in (lower, upper) if math.isfinite(limit))
    inside = min(value - lower, upper - value)
    if inside >= band - slack:
        return "pass"
    if not rule.non_binary:
        return "fail"
    if inside >= -slack:
        return "conditional pass"
    return "conditional fail" if inside >= -band - slack else "fail"


def _remarks(rule: DecisionRule, band: float, half_width: float, expanded: float) -> Iterator[Finding]:
    if band >= half_width or (rule.root_sum_of_squares and expanded >= half_width):
        sentence = (
            f"The uncertainty leaves nothing to accept: the guard band {band:.3g} is as wide as the "
            f"tolerance {half_width:.3g}; measure with less uncertainty or agree on another rule."
        )
        yield caution("NOTHING_ACCEPTED", sentence)
    ratio = half_width / expanded if expanded > 0 else math.inf
    if ratio < 4:
        sentence = (
            f"The tolerance is only {ratio:.2g} times the expanded uncertainty; 4 or more is common practice."
        )
        yield caution("LOW_UNCERTAINTY_RATIO", sentence, ratio=ratio)


@dataclass(frozen=True, kw_only=True)
class GlobalRisk:
    """Risks before anything is measured, for instruments drawn from a population.

    That an instrument is out of tolerance and accepted (consumer's risk), or in tolerance and rejected
    (producer's risk).
    """

    false_accept: float
    false_reject: float


def global_risk(
    *,
    tolerance: float,
    expanded_uncertainty: float,
    in_tolerance_probability: float,
    rule: str | DecisionRule = "simple_acceptance",
    coverage_factor: float = 2.0,
) -> GlobalRisk:
    """Return the risks of a rule for instruments whose errors are normal about zero.

    Parameters
    ----------
    tolerance
        The limits are ± this.
    expanded_uncertainty, coverage_factor
        U of the measurement, and the factor it was made with.
    in_tolerance_probability
        Share of instruments that arrive within tolerance.
    rule
        Decision rule, as for :func:`evenbeat.decide`.

    Returns
    -------
    GlobalRisk
        Probabilities of a false accept and of a false reject.

    Raises
    ------
    InputError
        If a value is not positive or a probability not between 0 and 1.

    Notes
    -----
    Global risks as in JCGM 106:2012, by quadrature. Not valid where errors pile up on one side, as
    those of oscillators that age in one direction do: use the clock model's own forecast for those.

    Examples
    --------
    >>> import evenbeat as eb
    >>> risk = eb.calibration.global_risk(
    ...     tolerance=1e-8, expanded_uncertainty=2.5e-9, in_tolerance_probability=0.95
    ... )
    >>> 0 < risk.false_accept < 0.02
    True

    References
    ----------
    Formula: false accept = ∫ outside g₀(η) P(accepted | η) dη
    Source: JCGM 106:2012 (global consumer's and producer's risk)
    Tests: tests/calibration/test_decision.py
    """
    need_positive(
        tolerance=tolerance, expanded_uncertainty=expanded_uncertainty, coverage_factor=coverage_factor
    )
    share = checked_probability(in_tolerance_probability, "in_tolerance_probability")
    # in units of the population's standard deviation
    limit = float(special.ndtri(0.5 * (1 + share)))
    unit = limit / tolerance
    noise = expanded_uncertainty / coverage_factor * unit
    accepted_within = limit - decision_rule(rule).guard_band(limit, expanded_uncertainty * unit)

    if accepted_within <= 0:
        return GlobalRisk(false_accept=0.0, false_reject=share)

    def wrong(error: float) -> float:
        """Return the density of an error that is judged wrongly."""
        ends = (accepted_within - error) / noise, (-accepted_within - error) / noise
        accepted = float(special.ndtr(ends[0]) - special.ndtr(ends[1]))
        density = math.exp(-0.5 * error**2) / math.sqrt(2 * math.pi)
        return density * (accepted if error > limit else 1 - accepted)

    from scipy import integrate

    # most of the integrand lies within a few standard uncertainties of the limit: tell the quadrature
    edges = 0.0, max(limit - 6 * noise, 0.0), limit, min(limit + 6 * noise, FARTHEST), FARTHEST
    parts = [integrate.quad(wrong, *ends, limit=200)[0] for ends in itertools.pairwise(edges)]
    return GlobalRisk(false_accept=2 * sum(parts[2:]), false_reject=2 * sum(parts[:2]))
