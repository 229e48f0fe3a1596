"""Counters that average within their gate: how readings are weighted, recorded and warned of."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest

import evenbeat as eb
from evenbeat.deviations.counter_weighting import RATIO_AT_GATE, reading_weights, weighted_readings

STAMPS = 1000
JITTER_S = 1e-9


def jittered(weighting: str, readings: int = 3000, stamps: int = STAMPS) -> eb.Record:
    """Return the readings of a perfect clock whose edges jitter by 1 ns, gate 1 s."""
    errors = np.random.default_rng(7).standard_normal(stamps * (readings + 2)) * JITTER_S
    return weighted_readings(errors, weighting=weighting, stamps_per_gate=stamps, gate_s=1.0)


def test_spread_of_plain_readings_is_the_published_one() -> None:
    """Difference of two edges: √2 σ/T = 1.4142e-9, Allan deviation √3 σ/T (Rubiola 2005)."""
    record = jittered("plain")

    # 3000 readings: 1.3 % standard error of a standard deviation
    assert np.std(record.values) == pytest.approx(1.4142e-9, rel=0.05)
    assert eb.stability(record, averaging=[1]).deviation[0] == pytest.approx(math.sqrt(3) * 1e-9, rel=0.05)


def test_triangular_readings_give_the_published_deviation() -> None:
    """√(3/n) σ/T = 5.477e-11: the Allan deviation of the log is the modified Allan one (Rubiola 2005)."""
    record = jittered("triangular")

    assert eb.stability(record, averaging=[1]).deviation[0] == pytest.approx(5.477e-11, rel=0.05)


def test_regression_readings_give_the_published_spread() -> None:
    """√(12/n) σ/T = 1.0954e-10, and the same as Allan deviation of contiguous readings (arXiv:1506.05009)."""
    record = jittered("regression")

    assert np.std(record.values) == pytest.approx(1.0954e-10, rel=0.05)
    assert eb.stability(record, averaging=[1]).deviation[0] == pytest.approx(1.0954e-10, rel=0.05)


@pytest.mark.parametrize(("weighting", "slope"), [("plain", -1), ("triangular", -1), ("regression", -0.5)])
def test_white_pm_falls_with_averaging_as_stated(weighting: str, slope: float) -> None:
    """Over 16 gates white PM falls as 1/M from shared edges, as 1/√M from contiguous regressions."""
    curve = eb.stability(jittered(weighting, 6000, 20), averaging=[1, 16])

    assert math.log(curve.deviation[1] / curve.deviation[0]) / math.log(16) == pytest.approx(slope, abs=0.04)


def test_triangular_log_is_the_modified_deviation_of_the_same_edges() -> None:
    """Readings stepped by one gate average to the modified Allan deviation of the edges (Rubiola 2005)."""
    phase = np.cumsum(np.random.default_rng(3).standard_normal(64 * 4000)) * 1e-12
    readings = weighted_readings(phase, weighting="triangular", stamps_per_gate=64, gate_s=64.0)
    edges = eb.Record.from_phase(phase, interval_s=1.0)
    modified = eb.stability(edges, "modified_allan", averaging=[64]).deviation[0]

    # the one steps by 64 edges, the other by 1: they share the data, not every term
    assert eb.stability(readings, averaging=[1]).deviation[0] == pytest.approx(modified, rel=0.03)


@pytest.mark.parametrize("weighting", ["triangular", "regression"])
@pytest.mark.parametrize(
    ("levels", "alpha"),
    [
        (eb.NoiseLevels(white_fm=1e-22), 0),
        (eb.NoiseLevels(flicker_fm=1e-22), -1),
        (eb.NoiseLevels(random_walk_fm=1e-22), -2),
    ],
)
def test_stated_ratios_at_the_gate_are_seen(weighting: str, levels: eb.NoiseLevels, alpha: int) -> None:
    """MVAR/AVAR and PVAR/AVAR of the FM noises (NIST TN 1337; arXiv:1506.00687) hold for simulated logs."""
    phase = eb.simulate_clock(64 * 8000, interval_s=1.0, levels=levels, seed=9, kind="phase").values
    plain = weighted_readings(phase, weighting="plain", stamps_per_gate=64, gate_s=64.0)
    other = weighted_readings(phase, weighting=weighting, stamps_per_gate=64, gate_s=64.0)
    ratio = eb.stability(other, averaging=[1]).deviation[0] / eb.stability(plain, averaging=[1]).deviation[0]

    assert ratio == pytest.approx(RATIO_AT_GATE[weighting][alpha], rel=0.025)


@pytest.mark.parametrize("weighting", ["plain", "triangular", "regression"])
def test_every_weighting_measures_a_constant_frequency_exactly(weighting: str) -> None:
    """A constant offset is read as it is, also beside a large time error."""
    phase = 5.0 + 3e-7 * np.arange(200) * 0.1
    record = weighted_readings(phase, weighting=weighting, stamps_per_gate=10, gate_s=1.0)

    # the stored phase near 5 s has steps of 9e-16 s
    assert np.asarray(record.values) == pytest.approx(np.full(len(record), 3e-7), rel=1e-7)
    assert np.sum(reading_weights(weighting, 10)) == pytest.approx(0.0, abs=1e-12)


def test_weighting_is_recorded_and_kept() -> None:
    """It is told by name or by the sign the trade uses, kept through the record's changes, and saved."""
    record = eb.Record.from_frequency(np.arange(40.0) * 1e-12, interval_s=1.0, counter_weighting="Λ")

    assert record.counter_weighting == "triangular"
    assert record.between(2.0, 30.0).counter_weighting == "triangular"
    assert record.averaged(4).counter_weighting == "triangular"
    assert eb.condition(record).counter_weighting == "triangular"
    assert record.to_dict()["counter_weighting"] == "triangular"
    assert eb.Record.from_frequency([1e-9, 2e-9], interval_s=1.0).to_dict()["counter_weighting"] is None


def test_curve_warns_of_averaging_counters_only() -> None:
    """Triangular and regression readings carry the caution with gate and ratios; plain ones none."""
    for weighting in ("triangular", "regression", "plain", None):
        y = np.random.default_rng(1).standard_normal(200) * 1e-11
        record = eb.Record.from_frequency(y, interval_s=2.0, counter_weighting=weighting)
        found = [f for f in eb.stability(record).findings if f.code == "COUNTER_WEIGHTING"]
        assert len(found) == (weighting in ("triangular", "regression"))
        for finding in found:
            assert finding.severity == "caution"
            assert finding.values["gate_s"] == 2.0
            assert finding.values["white_fm_ratio"] == pytest.approx(
                {"triangular": 0.5**0.5, "regression": 1.2**0.5}[weighting]
            )
    averaged = eb.stability(
        eb.Record.from_frequency(y, interval_s=2.0, counter_weighting="regression").averaged(5)
    )
    found = [f for f in averaged.findings if f.code == "COUNTER_WEIGHTING"]
    assert found[0].values["gate_s"] == 2.0


def test_a_log_states_the_weighting_in_a_comment(tmp_path: Path) -> None:
    """``# counter weighting: triangular`` reaches the record unless another is stated; others are refused."""
    lines = ["# interval: 1 s", "# counter weighting: triangular", "fractional frequency"]
    values = [f"{1e-11 * (i % 7):.3e}" for i in range(30)]
    path = tmp_path / "log.csv"
    path.write_text("\n".join([*lines, *values]) + "\n", encoding="utf-8")

    assert eb.read_log(path).counter_weighting == "triangular"
    assert eb.read_log(path, counter_weighting="Ω").counter_weighting == "regression"  # what is stated counts
    with pytest.raises(eb.InputError, match="counter weighting is 'clever'; it must be 'plain'"):
        eb.read_log(path, counter_weighting="clever")

    path.write_text(path.read_text(encoding="utf-8").replace("triangular", "clever"), encoding="utf-8")
    with pytest.raises(eb.InputError, match="counter weighting is 'clever'; it must be 'plain'"):
        eb.read_log(path)


def test_impossible_requests_are_answered() -> None:
    """Unknown weightings, missing edges, too few of them: a sentence each."""
    with pytest.raises(eb.InputError, match="counter weighting is 'smart'"):
        eb.Record.from_frequency([1e-9, 2e-9], interval_s=1.0, counter_weighting="smart")
    with pytest.raises(eb.InputError, match="regression needs at least 2 time stamps"):
        reading_weights("regression", 1)
    with pytest.raises(eb.InputError, match=r"stamps_s\[1\] is missing"):
        weighted_readings([0.0, np.nan, 0.0, 0.0], weighting="plain", stamps_per_gate=1, gate_s=1.0)
    with pytest.raises(
        eb.errors.TooShortError, match="15 time stamps give fewer than 2 readings; at least 30"
    ):
        weighted_readings(np.zeros(15), weighting="triangular", stamps_per_gate=10, gate_s=1.0)
