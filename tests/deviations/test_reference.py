"""Taking a known reference out of a curve: the worked value, its interval, and what is refused."""

from __future__ import annotations

import json
from dataclasses import replace

import numpy as np
import pytest
from scipy import stats

import evenbeat as eb
from evenbeat.deviations.curve import StabilityCurve


def curve(deviation: np.ndarray, edf: float, statistic: str = "overlapping_allan") -> StabilityCurve:
    """Return a curve with these deviations at 1, 2, 3 … seconds."""
    count = len(deviation)
    return StabilityCurve(
        statistic=statistic,
        title=statistic.replace("_", " ") + " deviation",
        symbol="σ",
        unit="",
        interval_s=1.0,
        averaging_factor=np.arange(1, count + 1),
        averaging_time_s=np.arange(1.0, count + 1),
        deviation=np.asarray(deviation, dtype=float),
        terms=np.full(count, 100),
        edf=np.full(count, float(edf)),
        noise_exponent=np.zeros(count),
    )


# SOURCE: variances of independent sources add, evaluated by hand: 1.00e-11, 3e-12 and 2e-12 leave 9.3274e-12
def test_worked_value() -> None:
    """Variances subtract."""
    result = eb.without_reference(curve(np.array([1e-11]), 50), {1.0: 3e-12}, floor={1.0: 2e-12})

    assert result.deviation[0] == pytest.approx(9.3274e-12, rel=1e-5)
    assert "TAKEN_AS_EXACT" in {f.code for f in result.findings}


# SOURCE: scipy.stats.chi2
def test_interval_with_an_exact_reference_is_chi_squared() -> None:
    """Nothing but a shift happens to the interval of the measured variance."""
    result = eb.without_reference(curve(np.array([1e-11]), 12.0), {1.0: 3e-12})

    low, high = result.variance_interval()

    ends = 12 * 1e-22 / stats.chi2.ppf([0.975, 0.025], 12) - 9e-24
    assert [low[0], high[0]] == pytest.approx(ends, rel=1e-9)


# SOURCE: independent chi-squared draws by numpy; binomial error of 4000: 0.35 %
@pytest.mark.parametrize(("device", "reference"), [(1.0, 0.3), (1.0, 3.0), (0.05, 1.0)])
@pytest.mark.parametrize(("edf", "reference_edf"), [(5, 5), (20, 100), (100, 20)])
def test_interval_holds_the_device(device: float, reference: float, edf: int, reference_edf: int) -> None:
    """The nominal 95 % interval holds the device's variance in 94 to 97.5 % of the cases."""
    generator = np.random.default_rng(2)
    measured = (device + reference) * generator.chisquare(edf, 4000) / edf
    known = reference * generator.chisquare(reference_edf, 4000) / reference_edf

    result = eb.without_reference(curve(np.sqrt(measured), edf), curve(np.sqrt(known), reference_edf))
    low, high = result.variance_interval()

    assert 0.935 < np.mean((low <= device) & (device <= high)) < 0.98


def test_no_significant_difference_gives_an_upper_limit() -> None:
    """A reference as noisy as the measurement leaves only a limit, said so in table and findings."""
    result = eb.without_reference(curve(np.array([1e-11, 1e-11]), 20), curve(np.array([1.05e-11, 1e-12]), 20))

    assert result.variance[0] < 0
    assert np.isnan(result.deviation[0])
    assert 0 < result.upper_limit()[0] < 2e-11
    assert result.deviation[1] == pytest.approx(np.sqrt(0.99e-22), rel=1e-9)
    assert "NOT_SIGNIFICANT" in {f.code for f in result.findings}
    assert "< " in str(result)


def test_simulated_device_is_found_behind_its_reference() -> None:
    """A device measured against a noisier reference comes out within its interval at most times."""
    device, reference = (
        eb.simulate_clock(20_000, interval_s=1.0, levels=eb.NoiseLevels(white_fm=h), seed=seed, kind="phase")
        for h, seed in ((2e-24, 1), (1e-24, 2))
    )
    monitor = eb.simulate_clock(
        20_000, interval_s=1.0, levels=eb.NoiseLevels(white_fm=1e-24), seed=3, kind="phase"
    )
    measured = eb.Record.from_phase(device.values - reference.values, interval_s=1.0)

    result = eb.without_reference(
        eb.stability(measured, averaging="doublings"), eb.stability(monitor, averaging="doublings")
    )
    low, high = result.variance_interval()
    truth = 1e-24 / result.averaging_time_s

    assert np.mean((low <= truth) & (truth <= high)) >= 0.8
    assert result.deviation[0] == pytest.approx(1e-12, rel=0.03)


def test_points_that_do_not_match_are_refused() -> None:
    """Nothing is interpolated: the missing averaging time and the nearest are named."""
    with pytest.raises(eb.InputError, match="the reference has no point at 3 s, the nearest is at 2 s"):
        eb.without_reference(curve(np.ones(3), 9), {1.0: 0.1, 2.0: 0.1})


def test_other_statistics_are_refused() -> None:
    """A curve of another statistic is not subtracted."""
    with pytest.raises(eb.InputError, match="the floor is a curve of the hadamard deviation"):
        eb.without_reference(
            curve(np.ones(2), 9), {1.0: 0.1, 2.0: 0.1}, floor=curve(np.ones(2), 9, "hadamard")
        )


@pytest.mark.parametrize("bad", [-1e-12, float("nan")])
def test_bad_deviations_are_refused(bad: float) -> None:
    """A plain number must be a deviation."""
    with pytest.raises(eb.InputError, match="reference holds a deviation that is negative or not a number"):
        eb.without_reference(curve(np.ones(1), 9), {1.0: bad})


def test_gaps_stay_unknown() -> None:
    """A point that gaps left without a term is unknown, neither zero nor a limit."""
    result = eb.without_reference(curve(np.array([1e-11, np.nan]), 20), {1.0: 3e-12, 2.0: 3e-12})

    assert np.isnan(result.variance[1])
    assert np.isnan(result.upper_limit()[1])
    shown = [line.split() for line in str(result).splitlines()]
    assert ["2", "–", "3.000e-12", "–", "–", "–"] in shown


def test_result_tabulates_itself() -> None:
    """Frame and dictionary hold measured, reference, floor and device."""
    result = eb.without_reference(
        curve(np.array([1e-11]), 50), {1.0: 3e-12}, floor=replace(curve(np.array([2e-12]), 9))
    )

    assert {"measured", "reference", "floor", "deviation"} <= set(result.to_frame().columns)
    assert json.loads(json.dumps(result.to_dict()))["floor"] == pytest.approx([2e-12])
