"""The noise mixture of a record: found once, the same for every point, and what follows from it."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from noise_of_known_truth import EXPONENTS, crossing, expected, simulated

import evenbeat as eb

NAMES = ("white PM", "flicker PM", "white FM", "flicker FM", "random-walk FM")
ALL = (
    "allan",
    "overlapping_allan",
    "modified_allan",
    "time",
    "hadamard",
    "overlapping_hadamard",
    "total",
    "modified_total",
    "time_total",
    "hadamard_total",
    "theo1",
    "theo1_hybrid",
    "parabolic",
)
CLOCK = eb.NoiseLevels(white_pm=4e-22, white_fm=1e-23, random_walk_fm=1e-27)


def record_of(phase: np.ndarray, interval_s: float = 1.0) -> eb.Record:
    """Return a phase record."""
    return eb.Record.from_phase(phase, interval_s=interval_s)


@pytest.mark.grid(3)
@pytest.mark.parametrize("statistic", ALL)
@pytest.mark.parametrize("points", [200, pytest.param(900, marks=pytest.mark.slow)])
def test_a_point_is_the_same_alone_and_in_any_list(statistic: str, points: int) -> None:
    """Degrees of freedom and limits of a point do not depend on which others were asked for.

    The mean squares themselves are formed from those of shorter averaging times and agree to 1e-12.
    """
    record = eb.simulate_clock(points, interval_s=1.0, levels=CLOCK, seed=3, kind="phase")
    whole = eb.stability(record, statistic)
    low, high = whole.confidence_interval()
    for place in {0, len(whole) // 2, len(whole) - 1}:
        factor = int(whole.averaging_factor[place])
        alone = eb.stability(record, statistic, averaging=[factor])
        bounds = alone.confidence_interval()

        assert alone.deviation[0] == pytest.approx(whole.deviation[place], rel=1e-12)
        assert alone.edf[0] == whole.edf[place]
        found = np.array(bounds)[:, 0] / alone.deviation[0]
        assert found == pytest.approx(np.array([low, high])[:, place] / whole.deviation[place], rel=1e-14)

        assert alone.noise_exponent[0] == whole.noise_exponent[place]


@pytest.mark.slow
def test_theo1_of_a_mixture_is_not_biased() -> None:
    """White PM, white FM and random-walk FM crossing at 4 and 62 s: no factor at short and long times."""
    # SOURCE: exact expectation of the Allan variance; with one noise name per averaging time the mean ratio
    # was 1.03 to 1.38 at short and 0.70 at long averaging times, and 0 to 55 % of the intervals held it
    pure = {a: expected(tuple(float(b == a) for b in EXPONENTS), 1, "allan") for a in EXPONENTS}
    levels = (2.0 / pure[2], 0.0, 1.0, 0.0, 0.5 / 62**2 / pure[-2])
    spans = [12, 16, 40, 80, 160]
    ratios, held = [], []
    truth = np.sqrt([expected(levels, 3 * span // 4, "allan") for span in spans])
    for phase in simulated(1000, levels, 60, seed=11):
        curve = eb.stability(record_of(phase), "theo1", averaging=spans)
        low, high = curve.confidence_interval(0.95)
        ratios.append(curve.deviation / truth)
        held.append((low <= truth) & (truth <= high))

    # at 120 s three degrees of freedom are left, the mean root of which is 0.92
    assert np.mean(ratios, axis=0)[:4] == pytest.approx([1, 1, 1, 0.97], abs=0.05)
    assert np.mean(ratios, axis=0)[4] > 0.8
    assert np.all(np.mean(held, axis=0) >= 0.85)


@pytest.mark.parametrize(("points", "factor", "exact"), [(513, 256, 7.7957), (1025, 512, 8.1952)])
def test_total_under_flicker_pm_keeps_its_freedom(points: int, factor: int, exact: float) -> None:
    """Half of the record: eight degrees of freedom, not one."""
    # SOURCE: (tr C)²/tr C² of the covariance of all terms, written out
    phase = simulated(points, (0, 1.0, 0, 0, 0), 1, seed=1)[0]

    curve = eb.stability(record_of(phase), "total", averaging=[factor], noise="flicker PM")

    assert curve.edf[0] == pytest.approx(exact, rel=0.01)


def test_hadamard_total_under_white_pm() -> None:
    """Nearly the whole record in each stretch: the degrees of freedom are those of the form written out."""
    # SOURCE: (tr F)²/tr F² of the form F of phase, from its definition as sums over reflected stretches
    from evenbeat.deviations.statistics import STATISTICS

    form = STATISTICS["hadamard_total"].form.matrix(400, 132)
    phase = simulated(400, (1.0, 0, 0, 0, 0), 1, seed=1)[0]

    curve = eb.stability(record_of(phase), "hadamard_total", averaging=[132], noise="white PM")

    assert curve.edf[0] == pytest.approx(np.trace(form) ** 2 / np.sum(form**2), rel=0.03)


def test_stated_noise_is_taken_as_given() -> None:
    """A name and levels of that noise give the same; a mixture lies between; what is said says so."""
    phase = simulated(300, (0, 0, 1.0, 0, 0), 1, seed=2)[0]
    record = record_of(phase)
    named = eb.stability(record, averaging=[1, 60], noise="white FM")
    levels = eb.stability(record, averaging=[1, 60], noise=eb.NoiseLevels(white_fm=3e-20))
    steep = eb.stability(record, averaging=[1, 60], noise="random-walk FM")
    both = eb.stability(record, averaging=[1, 60], noise=eb.NoiseLevels(white_fm=1, random_walk_fm=1e-4))

    assert named.edf == pytest.approx(levels.edf, rel=1e-12)
    assert steep.edf[1] < both.edf[1] < named.edf[1]
    assert set(named.noise_names) == {"white FM"}
    assert "NOISE_STATED" in {finding.code for finding in named.findings}
    with pytest.raises(eb.InputError, match="noise is 'pink'; it must be levels or one of white PM"):
        eb.stability(record, noise="pink")
    with pytest.raises(eb.InputError, match="all levels zero"):
        eb.stability(record, noise=eb.NoiseLevels())


@pytest.mark.parametrize("interval_s", [0.1, 60.0])
def test_the_mixture_does_not_know_the_unit_of_time(interval_s: float) -> None:
    """The same readings at another interval give the same shares; levels come back in their usual units."""
    phase = simulated(1000, (2.0, 0, 1.0, 0, 0), 1, seed=5)[0]
    second = eb.stability(record_of(1e-9 * phase))
    other = eb.stability(record_of(1e-9 * phase * interval_s, interval_s))

    assert other.edf == pytest.approx(second.edf, rel=1e-9)
    assert other.deviation == pytest.approx(second.deviation, rel=1e-9)
    found = other.noise.noise_levels
    # SOURCE: h₀ of phase in units of the interval: S_y of white FM has the unit of time
    assert found.white_fm == pytest.approx(1e-18 * interval_s, rel=0.3)


@pytest.mark.grid(2)
@pytest.mark.parametrize("name", NAMES)
def test_noises_are_told(name: str) -> None:
    """Of 1000 points each noise is named at nearly all averaging times up to a tenth of the record."""
    # SOURCE: simulated truth
    shares = []
    for phase in simulated(1000, crossing(1000)[name], 10, seed=8):
        curve = eb.stability(record_of(phase))
        near = curve.averaging_factor <= 100
        shares.append(np.mean([told == name for told in np.array(curve.noise_names)[near]]))

    assert np.mean(shares) > 0.85


@pytest.mark.slow
@pytest.mark.parametrize("exponent", [-3, pytest.param(-4, marks=pytest.mark.slow)])
def test_steep_noise_is_told_for_the_hadamard_statistics(exponent: int) -> None:
    """Noises steeper than random-walk FM are told where the statistic can bear them, and capped where not."""
    # SOURCE: sums of simulated noise are steeper by two by definition of the power law
    levels = tuple(float(alpha == exponent + 2) for alpha in EXPONENTS)
    frequency = np.diff(simulated(4000, levels, 1, seed=3)[0])
    record = eb.Record.from_frequency(1e-9 * np.cumsum(frequency), interval_s=1.0)

    hadamard = eb.stability(record, "overlapping_hadamard", averaging=[16, 64])
    allan = eb.stability(record, averaging=[16, 64])

    assert hadamard.noise_exponent.tolist() == [exponent] * 2
    assert allan.noise_exponent.tolist() == [-2, -2]


def test_drift_is_not_taken_for_noise() -> None:
    """White FM on a strong frequency drift is white FM at all but the longest averaging times."""
    phase = simulated(2000, (0, 0, 1.0, 0, 0), 1, seed=3)[0] + 0.005 * np.arange(2000.0) ** 2

    curve = eb.stability(record_of(phase), averaging=[1, 8, 64])

    assert curve.noise_names == ("white FM",) * 3


@pytest.mark.slow
def test_gaps_leave_the_noise() -> None:
    """A third of the samples missing in stretches does not change the answer."""
    frequency = np.diff(simulated(4000, (0, 0, 0, 0, 1.0), 1, seed=3)[0])
    for begin in range(20, 3900, 60):
        frequency[begin : begin + 20] = np.nan

    curve = eb.stability(eb.Record.from_frequency(frequency, interval_s=1.0), averaging=[1, 5])

    assert curve.noise_names == ("random-walk FM",) * 2


def test_readings_that_stand_still_between_gaps_do_not_hide_the_noise() -> None:
    """A mean square of nothing, from a stretch whose display stands still: a rise is no white PM."""
    log = Path(__file__).parents[2] / "data" / "fulmar.csv.gz"
    record = eb.condition(eb.read_log(log).averaged(60))

    curve = eb.stability(record, "overlapping_hadamard", averaging=[1, 4, 16, 32], minimum_coverage=0.9)

    assert np.all(np.diff(curve.deviation) > 0)
    assert np.all(curve.noise_exponent[1:] <= -2)


def test_few_points_are_told_too_and_what_is_unsure_is_said() -> None:
    """Théo1 of 60 points: bias removed for the noises in keeping with the record, and a note."""
    phase = simulated(60, (0, 0, 0, 1.0, 0), 1, seed=4)[0]
    curve = eb.stability(record_of(phase), "theo1")

    assert not np.isnan(curve.noise_exponent).any()
    assert {"BIAS_REMOVED", "NOISE_NOT_SURE"} <= {finding.code for finding in curve.findings}


def test_every_is_thinned_beyond_five_hundred() -> None:
    """Of 3333 averaging times some 500 are computed and a finding says so; a list of all gives all."""
    record = record_of(np.cumsum(np.random.default_rng(1).standard_normal(7000)))
    curve = eb.stability(record, averaging="every")

    assert 400 <= len(curve) <= 500
    assert curve.averaging_factor[:20].tolist() == list(range(1, 21))
    assert curve.averaging_factor[-1] == 3499
    thinned = next(finding for finding in curve.findings if finding.code == "FACTORS_THINNED")
    assert "Of all 3499 averaging factors" in thinned.sentence


@pytest.mark.parametrize("samples", range(11, 17))
@pytest.mark.parametrize("averaging", ["doublings", "ten_per_decade", "every"])
def test_theo1_of_the_shortest_records(samples: int, averaging: str) -> None:
    """Named grids that hold no span of such a short record give the shortest there is."""
    phase = np.cumsum(np.random.default_rng(samples).standard_normal(samples))

    curve = eb.stability(record_of(phase), "theo1", averaging=averaging)

    assert curve.averaging_factor[0] == 10
    assert np.all(curve.deviation > 0)


@pytest.mark.slow
def test_intervals_hold_the_truth_with_the_noise_told() -> None:
    """White FM, 256 points, 150 records: 95 % intervals of four statistics hold what they say."""
    levels, factors = (
        (0, 0, 1.0, 0, 0),
        {"overlapping_allan": 32, "modified_allan": 16, "total": 32, "theo1": 32},
    )
    held = dict.fromkeys(factors, 0)
    for phase in simulated(256, levels, 150, seed=21):
        for name, factor in factors.items():
            curve = eb.stability(record_of(phase), name, averaging=[factor])
            low, high = curve.confidence_interval(0.95)
            kind = "modified" if name == "modified_allan" else "allan"
            truth = np.sqrt(expected(levels, round(curve.averaging_time_s[0]), kind))
            held[name] += bool(low[0] <= truth <= high[0])

    # binomial standard deviation 1.8 %
    assert all(count / 150 >= 0.89 for count in held.values()), held
