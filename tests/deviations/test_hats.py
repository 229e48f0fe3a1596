"""Separating three clocks: constructed and simulated clocks whose own stability is known."""

from __future__ import annotations

import itertools
import json
from dataclasses import replace

import allantools
import numpy as np
import pytest
from scipy import linalg, stats

import evenbeat as eb
from evenbeat.deviations.separation import SeparatedClocks, covariance_limit
from evenbeat.deviations.statistics import DIFFERENCES
from evenbeat.record import Flag

PAIRS = ((0, 1), (1, 2), (2, 0))


def exact_clocks(variances: tuple[float, float, float]) -> list[np.ndarray]:
    """Return phases whose Allan variances at one second are exactly these and whose covariances are zero."""
    rows = linalg.hadamard(64)[[3, 13, 27]]
    differences = rows * np.sqrt(2 * np.array(variances))[:, np.newaxis]
    return [np.concatenate([[0, 0], np.cumsum(np.cumsum(row))]) for row in differences]


def loop(clocks: list[np.ndarray], noise: list[np.ndarray] | None = None) -> list[eb.Record]:
    """Return the records A-B, B-C, C-A, with the noise of three counters."""
    extra = noise or [np.zeros_like(clocks[0])] * 3
    return [
        eb.Record.from_phase(clocks[i] - clocks[j] + n, interval_s=1.0)
        for (i, j), n in zip(PAIRS, extra, strict=True)
    ]


def simulated(
    seed: int, levels: tuple[float, ...] = (1e-24, 4e-24, 2e-23), n: int = 3000
) -> list[np.ndarray]:
    """Return the phases of three white-FM clocks."""
    return [
        eb.simulate_clock(
            n, interval_s=1.0, levels=eb.NoiseLevels(white_fm=h), seed=seed * 10 + k, kind="phase"
        ).values
        for k, h in enumerate(levels)
    ]


# SOURCE: Gray and Allan (1974), formula; constructed: deviations 1, 2, 3 make pair variances 5, 13, 10
def test_constructed_clocks_are_separated_exactly() -> None:
    """Three clocks of 1, 2, 3 are found from differences of 5, 13, 10."""
    result = eb.separate_clocks(*loop(exact_clocks((1.0, 4.0, 9.0))), averaging=[1])

    assert result.pair_variance[:, 0] == pytest.approx([5, 13, 10], rel=1e-12)
    assert result.deviation[:, 0] == pytest.approx([1, 2, 3], rel=1e-12)


# SOURCE: Gray and Allan (1974), formula evaluated by hand: 5e-24, 4e-24, 3e-24 -> 3e-24, 2e-24, 1e-24
def test_small_variances_are_separated_exactly() -> None:
    """At the size of real clocks nothing is lost or clamped."""
    result = eb.separate_clocks(*loop(exact_clocks((3e-24, 2e-24, 1e-24))), averaging=[1])

    assert result.pair_variance[:, 0] == pytest.approx([5e-24, 3e-24, 4e-24], rel=1e-9)
    assert result.variance[:, 0] == pytest.approx([3e-24, 2e-24, 1e-24], rel=1e-9)


# SOURCE: a variance below zero is what the formula gives where a difference exceeds the sum of the others
def test_negative_variance_is_not_clamped() -> None:
    """Clocks that move against each other make a negative variance, reported with its sign and a caution."""
    common, own = exact_clocks((1.0, 4.0, 9.0))[:2]

    result = eb.separate_clocks(*loop([own + common, own - common, 0 * own]), averaging=[1])

    assert result.variance[2, 0] == pytest.approx(3.0, rel=1e-12)
    assert result.variance[0, 0] == pytest.approx(2.0, rel=1e-12)
    turned = eb.separate_clocks(*loop([own, own + common, 2 * common + own]), averaging=[1])
    assert turned.variance[1, 0] == pytest.approx(-1.0, rel=1e-12)
    assert np.isnan(turned.deviation[1, 0])
    assert turned.variance_interval()[0][1, 0] < -1
    assert "NOT_INDEPENDENT" in {f.code for f in turned.findings}


def hat(result: SeparatedClocks) -> np.ndarray:
    """Return the three-cornered hat (Gray and Allan 1974)."""
    ab, bc, ca = result.pair_variance
    return 0.5 * np.array([ab + ca - bc, ab + bc - ca, bc + ca - ab])


@pytest.mark.grid(3)
@pytest.mark.parametrize("statistic", DIFFERENCES)
def test_hat_equals_covariance_for_counters_without_noise(statistic: str) -> None:
    """Where the loop closes the two estimates are the same numbers, gaps or not."""
    clocks = simulated(1)
    clocks[1] = np.where(np.arange(3000) // 20 == 25, np.nan, clocks[1])

    result = eb.separate_clocks(*loop(clocks), statistic=statistic, averaging="doublings")

    size = np.max(result.pair_variance, axis=0)
    assert np.nanmax(np.abs(hat(result) - result.variance) / size) < 1e-10
    assert np.nanmax(result.closure_variance / size) < 1e-12
    assert "COUNTER_NOISE" not in {f.code for f in result.findings}


# SOURCE: the library allantools, three_cornered_hat_phase (where it does not clamp)
def test_hat_agrees_with_an_independent_library() -> None:
    """The deviation of the first clock is that of allantools."""
    records = loop(simulated(2))
    result = eb.separate_clocks(*records, averaging=[1, 2, 4])

    _, theirs, *_ = allantools.three_cornered_hat_phase(
        *(record.values for record in records), 1.0, [1.0, 2.0, 4.0], allantools.oadev
    )

    assert result.deviation[0] == pytest.approx(theirs, rel=1e-9)


@pytest.mark.slow
# SOURCE: Groslambert et al. (1981): independent counters drop out of the covariance; Gray and Allan: half of
# the sum of two counters less the third stays in the hat
def test_covariance_rejects_the_noise_of_counters() -> None:
    """Counters noisier than the best clock bias the hat, not the covariance."""
    generator = np.random.default_rng(5)
    noise = [generator.standard_normal(3000) * 2e-12 for _ in range(3)]
    hats, covariances = [], []
    for seed in range(12):
        shuffled = [np.roll(n, 97 * seed + 31 * k) for k, n in enumerate(noise)]
        result = eb.separate_clocks(*loop(simulated(seed), shuffled), averaging=[1])
        hats.append(hat(result)[0, 0])
        covariances.append(result.variance[0, 0])

    assert np.mean(covariances) == pytest.approx(0.5e-24, abs=4 * np.std(covariances) / np.sqrt(12))
    assert np.mean(hats) > 0.5e-24 + 0.4 * 3 * 4e-24
    assert "COUNTER_NOISE" in {f.code for f in result.findings}


# SOURCE: √((2c² + ab + ac + bc)/ν) by hand: a = b = 1, c = 0.1, ν = 10 gives 0.349; c = 0.01, ν = 100: 0.101
@pytest.mark.parametrize(("c", "edf", "expected"), [(0.1, 10, 0.349), (0.01, 100, 0.1010)])
def test_standard_deviation_of_a_variance(c: float, edf: float, expected: float) -> None:
    """The formula √((2c² + ab + ac + bc)/ν) comes out."""
    variance = np.array([[1.0], [1.0], [c]])
    result = SeparatedClocks(
        names=("A", "B", "C"),
        statistic="allan",
        title="Allan deviation",
        symbol="σ",
        unit="",
        interval_s=1.0,
        averaging_factor=np.array([1]),
        averaging_time_s=np.array([1.0]),
        variance=variance,
        pair_variance=np.array([[2.0], [1 + c], [1 + c]]),
        closure_variance=np.zeros(1),
        edf=np.full((3, 1), edf),
    )

    assert result.standard_deviation[2, 0] == pytest.approx(expected, rel=2e-3)


# SOURCE: scipy.stats.chi2: with the two others silent the covariance is a variance
def test_limits_are_chi_squared_where_the_clock_alone_is_seen() -> None:
    """If both differences are the clock itself, its interval is that of a variance."""
    edf = np.array([2.0, 3.0, 12.8, 300.0])
    ones = np.ones(4)

    for probability in (0.025, 0.5, 0.975):
        limit = covariance_limit(probability, 2 * ones, 2 * ones, edf)
        assert limit == pytest.approx(2 * edf / stats.chi2.ppf(1 - probability, edf), rel=1e-6)


# SOURCE: scipy.stats.chi2; Cauchy-Schwarz: a covariance is at most the root of the product of variances
def test_sign_is_unknown_with_one_term() -> None:
    """One pair of terms excludes neither zero nor a negative covariance, and bounds both ways."""
    given = (np.array([1.0, -1.0]), np.ones(2), np.ones(2))

    low, high = covariance_limit(0.025, *given), covariance_limit(0.975, *given)

    assert high == pytest.approx(1 / stats.chi2.ppf(0.025, 1), rel=1e-9)
    assert low == pytest.approx(-high)


def test_limits_scale_and_turn_with_the_covariance() -> None:
    """Ten to the minus 24 in, ten to the minus 24 out; the sign only exchanges the limits."""
    share, edf = np.array([-0.6, 0.0, 0.3]), np.array([4.0, 10.0, 50.0])

    low = covariance_limit(0.025, share, np.ones(3), edf)

    assert covariance_limit(0.025, share * 1e-24, np.full(3, 1e-24), edf) == pytest.approx(low * 1e-24)
    assert covariance_limit(0.975, -share, np.ones(3), edf) == pytest.approx(-low)


@pytest.mark.grid(4)
# SOURCE: sample covariances by scipy.stats.wishart; binomial error of 400 draws: 1.1 %
@pytest.mark.parametrize("edf", [2, 5, 30])
@pytest.mark.parametrize("levels", [(1, 1, 1), (0.01, 1, 1), (1, 0.01, 1)])
def test_limits_of_a_covariance_hold_what_they_say(edf: int, levels: tuple[float, ...]) -> None:
    """The nominal 95 % limits of a clock's variance hold the truth in 95 % of Wishart samples."""
    a, b, c = levels
    sample = stats.wishart(edf, np.array([[a + b, a], [a, a + c]])).rvs(400, random_state=4) / edf
    given = (sample[:, 0, 1], np.sqrt(sample[:, 0, 0] * sample[:, 1, 1]), np.full(400, float(edf)))

    low, high = covariance_limit(0.025, *given), covariance_limit(0.975, *given)

    assert np.mean((low <= a) & (a <= high)) == pytest.approx(0.955, abs=0.035)


def test_one_clock_too_good_to_be_seen_gets_an_upper_limit() -> None:
    """Where zero cannot be excluded the table says 'below', and the limit is above the truth."""
    result = eb.separate_clocks(*loop(simulated(8, (1e-28, 1e-23, 1e-23))), averaging=[4, 16, 64])

    low, high = result.variance_interval()
    assert (low[0] < 0).all()
    assert (high[0] > 0).all()
    assert (result.upper_limit()[0] > np.sqrt(0.5e-28 / np.array([4, 16, 64]))).all()
    assert "< " in str(result)
    assert "CLOCK_NOT_SEEN" in {f.code for f in result.findings}


def test_scaling_the_data_scales_the_answer() -> None:
    """A million times the phase: a million times the deviations and limits."""
    records = loop(simulated(3))
    larger = [eb.Record.from_phase(record.values * 1e6, interval_s=1.0) for record in records]

    small, large = (eb.separate_clocks(*r, averaging=[1, 30]) for r in (records, larger))

    assert large.variance == pytest.approx(small.variance * 1e12, rel=1e-9)
    assert large.upper_limit() == pytest.approx(small.upper_limit() * 1e6, rel=1e-6)


def test_known_steps_and_flagged_samples_are_treated_as_in_stability() -> None:
    """A flagged step is subtracted, a flagged sample is left out of all three differences."""
    records = loop(simulated(4))
    clean = eb.separate_clocks(*records, averaging=[1, 8])
    stepped = records[0].values.copy()
    stepped[1000:] += 1e-9
    flag = Flag(cause="phase_step", start=1000, stop=1000, excluded=False, sentence="a step", size=1e-9)
    records[0] = eb.Record.from_phase(stepped, interval_s=1.0).with_flags(flag)

    result = eb.separate_clocks(*records, averaging=[1, 8])

    assert result.variance == pytest.approx(clean.variance, rel=1e-3)
    assert "STEPS_REMOVED" in {f.code for f in result.findings}


def test_differences_that_do_not_vary_are_no_error() -> None:
    """Three constant records: zero variances, a caution that nothing varies, no statement about clocks."""
    still = eb.Record.from_phase(np.zeros(50), interval_s=1.0)

    result = eb.separate_clocks(still, still, still)

    assert (result.variance == 0).all()
    codes = {f.code for f in result.findings}
    assert "NO_VARIATION" in codes
    assert not codes & {"CLOCK_NOT_SEEN", "NOT_INDEPENDENT", "COUNTER_NOISE"}


def other(record: eb.Record, **changes: object) -> eb.Record:
    """Return a record with something else."""
    return replace(record, **changes)


@pytest.mark.parametrize(
    ("changed", "said"),
    [
        ({"kind": "frequency"}, r"a_minus_b holds phase but c_minus_a holds frequency"),
        ({"interval_s": 2.0}, r"a_minus_b has a spacing in seconds of 1 but c_minus_a .* of 2"),
        ({"values": np.zeros(9)}, r"a_minus_b has a number of samples of 3000 but c_minus_a .* of 9"),
        (
            {"start": np.datetime64("2026-01-02")},
            r"a_minus_b starts at 2026-01-01.* but c_minus_a .*2026-01-02",
        ),
    ],
)
def test_unequal_records_are_refused(changed: dict[str, object], said: str) -> None:
    """The sentence names both records and what differs."""
    day = np.datetime64("2026-01-01")
    records = [other(record, start=day) for record in loop(simulated(6))]

    with pytest.raises(eb.InputError, match=said):
        eb.separate_clocks(records[0], records[1], other(records[2], **changed))


@pytest.mark.parametrize("turned", range(3))
def test_record_the_wrong_way_round_is_refused(turned: int) -> None:
    """A-C given for C-A is recognised because turned round the loop would close."""
    records = loop(simulated(7))
    records[turned] = eb.Record.from_phase(-records[turned].values, interval_s=1.0)

    role = ("a_minus_b", "b_minus_c", "c_minus_a")[turned]
    with pytest.raises(eb.InputError, match=f"would if {role} were turned round"):
        eb.separate_clocks(*records)


@pytest.mark.parametrize(
    ("options", "said"),
    [
        ({"names": ("A", "A", "B")}, "three different names"),
        ({"statistic": "total"}, "statistic is 'total'; it must be one of allan"),
    ],
)
def test_bad_options_are_refused(options: dict[str, object], said: str) -> None:
    """Every option that cannot be used is named with what could."""
    with pytest.raises(eb.InputError, match=said):
        eb.separate_clocks(*loop(simulated(6)), **options)


def test_result_tabulates_itself() -> None:
    """The frame has a row per clock and averaging time, the dictionary is ready for JSON."""
    result = eb.separate_clocks(
        *loop(simulated(9)), names=("x", "y", "z"), statistic="time", averaging=[1, 2]
    )

    frame = result.to_frame()
    assert list(frame["clock"]) == ["x", "x", "y", "y", "z", "z"]
    assert frame["variance_s2"].to_numpy() == pytest.approx(result.variance.ravel())
    assert json.loads(json.dumps(result.to_dict()))["clock"] == ["x", "x", "y", "y", "z", "z"]


# SOURCE: simulated clocks of known level; binomial error of 400 runs: 1.1 %
@pytest.mark.slow
def test_intervals_of_separated_clocks_hold_the_truth() -> None:
    """With counter noise the nominal 95 % interval of the covariance holds the clock in 92 to 98 %."""
    generator = np.random.default_rng(1)
    levels = (1e-24, 4e-24, 4e-24)
    inside = np.zeros((3, 3))
    for seed in range(400):
        noise = [generator.standard_normal(1000) * 1e-12 for _ in range(3)]
        result = eb.separate_clocks(*loop(simulated(seed, levels, 1000), noise), averaging=[1, 10, 60])
        low, high = result.variance_interval()
        truth = 0.5 * np.array(levels)[:, np.newaxis] / result.averaging_time_s
        inside += (low <= truth) & (truth <= high)

    for k, i in itertools.product(range(3), range(3)):
        assert inside[k, i] / 400 == pytest.approx(0.95, abs=0.03), (k, i, inside / 400)
