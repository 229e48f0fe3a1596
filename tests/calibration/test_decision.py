"""Decision rules against worked values of JCGM 106 and ILAC-G8."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from evenbeat.calibration.decision import DECISION_RULES, decide, global_risk, probability_text
from evenbeat.errors import InputError
from evenbeat.quantities import Estimate


@pytest.mark.parametrize(
    ("value", "probability", "verdict"),
    [
        (5e-8, 1 - 2.87e-7, "pass"),
        (8e-8, 0.977250, "pass"),
        (9e-8, 0.841345, "conditional pass"),
        (1e-7, 0.5, "conditional pass"),
        (1.1e-7, 0.158655, "conditional fail"),
        (1.3e-7, 1.35e-3, "fail"),
    ],
)
def test_conformance_probability(value: float, probability: float, verdict: str) -> None:
    """JCGM 106:2012, 7.2: normal distribution function of (T - y)/u, T = 1e-7, u = 1e-8."""
    decision = decide(
        Estimate.normal(value, 1e-8), lower=-1e-7, upper=1e-7, rule="non_binary", coverage=0.954499736
    )
    assert decision.conformance_probability == pytest.approx(probability, rel=3e-4)
    assert decision.verdict == verdict


@pytest.mark.parametrize(
    ("rule", "false_accept"),
    [
        ("simple_acceptance", 0.5),
        ("guard_band_0.83", 0.04846),
        ("guard_band", 0.02275),
        ("guard_band_1.5", 1.350e-3),
        ("guard_band_3", 9.87e-10),
    ],
)
def test_specific_risk_at_the_acceptance_limit(rule: str, false_accept: float) -> None:
    """ILAC-G8:09/2019, table 1: probability of false accept at the acceptance limit, k = 2."""
    limit = 1.0 - DECISION_RULES[rule].guard_band(1e9, 0.02)
    decision = decide(Estimate.normal(limit, 0.01), upper=1.0, rule=rule, coverage=0.9544997361)
    assert decision.verdict == "pass"
    assert decision.risk == pytest.approx(false_accept, rel=1e-3)


@pytest.mark.parametrize(
    ("ratio", "share", "accept", "reject"),
    [
        (1, 0.95, 1.801, 12.957),
        (1.5, 0.95, 1.541, 6.625),
        (2, 0.95, 1.337, 4.178),
        (3, 0.95, 1.049, 2.294),
        (4, 0.95, 0.858, 1.554),
        (10, 0.95, 0.406, 0.516),
        (2, 0.90, 2.264, 5.083),
        (2, 0.85, 2.952, 5.510),
        (4, 0.90, 1.374, 2.089),
        (4, 0.85, 1.728, 2.383),
    ],
)
def test_global_risks(ratio: float, share: float, accept: float, reject: float) -> None:
    """JCGM 106:2012, 9.3 and 9.4: both risks as probabilities of a bivariate normal (scipy), in percent."""
    risk = global_risk(tolerance=1e-7, expanded_uncertainty=1e-7 / ratio, in_tolerance_probability=share)
    assert 100 * risk.false_accept == pytest.approx(accept, abs=6e-4)
    assert 100 * risk.false_reject == pytest.approx(reject, abs=6e-4)
    limit = stats.norm.ppf(0.5 * (1 + share))
    noise = 0.5 * limit / ratio
    spread = math.hypot(1, noise)
    joint = stats.multivariate_normal([0, 0], [[1, 1], [1, spread**2]])
    both = joint.cdf([limit, limit], lower_limit=[-limit, -limit])
    accepted = 2 * stats.norm.cdf(limit / spread) - 1
    assert risk.false_accept == pytest.approx(accepted - both, abs=2e-6)


@pytest.mark.parametrize(
    ("ratio", "accept", "reject"),
    [
        (1, 0.0, 95.0),
        (1.5, 0.0438, 53.5),
        (2, 0.0359, 32.9),
        (3, 0.0264, 16.4),
        (4, 0.0208, 10.36),
        (10, 0.0091, 2.93),
    ],
)
def test_global_risks_with_guard_band(ratio: float, accept: float, reject: float) -> None:
    """The same with a guard band of U (JCGM 106:2012, 8.3.3)."""
    risk = global_risk(
        tolerance=1.0, expanded_uncertainty=1 / ratio, in_tolerance_probability=0.95, rule="guard_band"
    )
    assert 100 * risk.false_accept == pytest.approx(accept, abs=6e-5)
    assert 100 * risk.false_reject == pytest.approx(reject, rel=3e-3)


def test_root_sum_of_squares() -> None:
    """TUR 4: the acceptance limit is √(1 - 1/16) = 0.96825 of the tolerance (common practice)."""
    decision = decide(
        Estimate.normal(0.0, 0.125), lower=-1, upper=1, rule="root_sum_of_squares", coverage=0.9544997361
    )
    assert decision.acceptance_limits[1] == pytest.approx(0.96825, abs=1e-5)


@given(
    value=st.floats(-2, 2),
    u=st.floats(0.01, 1),
    scale=st.sampled_from([1e-12, 1e-7, 1.0, 1e7]),
    rule=st.sampled_from(list(DECISION_RULES)),
)
def test_units_do_not_matter(value: float, u: float, scale: float, rule: str) -> None:
    """Scaling value, uncertainty and limits leaves verdict and probability as they are."""
    plain = decide(Estimate.normal(value, u), lower=-1, upper=1, rule=rule)
    scaled = decide(Estimate.normal(value * scale, u * scale), lower=-scale, upper=scale, rule=rule)
    assert scaled.conformance_probability == pytest.approx(plain.conformance_probability, rel=1e-9, abs=1e-14)
    if min(abs(abs(value) - edge) for edge in (1, *np.abs(plain.acceptance_limits))) > 1e-6:
        assert scaled.verdict == plain.verdict


def test_stricter_rules_accept_less() -> None:
    """The acceptance interval shrinks as the guard factor grows, and a low ratio is a caution."""
    widths = []
    for rule in ("simple_acceptance", "guard_band_0.83", "guard_band", "guard_band_1.5"):
        decision = decide(Estimate.normal(0.0, 0.2), lower=-1, upper=1, rule=rule)
        widths.append(decision.acceptance_limits[1])
    assert widths == sorted(widths, reverse=True)
    assert "LOW_UNCERTAINTY_RATIO" in {finding.code for finding in decision.findings}
    assert decision.to_dict()["rule"] == "guard_band_1.5"
    assert "guard_band_1.5" in repr(decision)
    assert probability_text(1 - 2.87e-7) == ">99.9999 %"


@pytest.mark.parametrize(
    ("settings", "words"),
    [
        ({}, "no limit is given"),
        ({"lower": 1.0, "upper": -1.0}, "must be below"),
        ({"upper": 1.0, "rule": "half"}, "decision rule is 'half'"),
        ({"upper": 1.0, "rule": "root_sum_of_squares"}, "needs two limits"),
        ({"upper": 1.0, "coverage": 2.0}, "coverage is 2.0"),
    ],
)
def test_bad_input_is_named(settings: dict[str, object], words: str) -> None:
    """Every refusal names the argument and what was found."""
    with pytest.raises(InputError, match=words):
        decide(Estimate.normal(0.0, 1.0), **settings)
