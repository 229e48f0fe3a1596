"""The bias of Théo1 measured in the record: what its scatter costs, and where one ratio does not fit."""

from __future__ import annotations

import numpy as np
import pytest

import evenbeat as eb
from evenbeat.deviations.forms.form import allan_variance, variance_of
from evenbeat.deviations.forms.theo1 import theo1_variance
from evenbeat.deviations.hybrid import corrected_moments, expected_misfit, measured_ratio
from evenbeat.deviations.statistics import STATISTICS
from evenbeat.deviations.sums.samples import PhasePoints

POINTS, SPAN = 257, 64


@pytest.mark.parametrize(("exponent", "name"), [(0, "white_fm"), (-1, "flicker_fm")])
def test_scatter_and_misfit_are_those_of_simulated_records(exponent: int, name: str) -> None:
    """Of 300 records the corrected variances scatter as the degrees of freedom say and have that mean."""
    found = []
    for seed in range(300):
        levels = eb.NoiseLevels(**{name: 1.0})
        clock = eb.simulate_clock(POINTS, interval_s=1.0, levels=levels, seed=seed, kind="phase")
        samples = PhasePoints.of(np.asarray(clock.values))
        found.append(theo1_variance(samples.phase_s, SPAN) / measured_ratio(samples))
    ratio = np.array(found) / allan_variance(0.75 * SPAN, exponent)
    noise = np.eye(5)[2 - exponent]
    moments = STATISTICS["theo1"].form.moments(variance_of(0.0, 1), POINTS, SPAN)
    alone = moments.freedom(noise)
    edf = corrected_moments(POINTS, SPAN, noise, moments).freedom(noise)

    # SOURCE: simulation; the variance of 300 values is known to 15 %, their mean to 6 % of their spread
    assert edf < 0.75 * alone
    assert 2 / np.var(ratio) == pytest.approx(edf, rel=0.3)
    assert np.mean(ratio) - 1 == pytest.approx(expected_misfit(POINTS, SPAN, noise[np.newaxis]), abs=0.08)


def test_white_phase_noise_is_said_not_to_fit() -> None:
    """Under white PM the measured ratio is too small by a third at long times, and a caution says so."""
    record = eb.simulate_clock(512, interval_s=1.0, levels=eb.NoiseLevels(white_pm=1.0), seed=1)
    published = eb.stability(record, "theo1_hybrid", averaging=[60, 150], bias="published")
    exact = eb.stability(record, "theo1_hybrid", averaging=[60, 150])
    found = {finding.code: finding for finding in published.findings}

    assert found["RATIO_DOES_NOT_FIT"].severity == "caution"
    assert found["RATIO_DOES_NOT_FIT"].values["largest_misfit"] == pytest.approx(
        (published.deviation[1] / exact.deviation[1]) ** 2 - 1, abs=0.15
    )
    assert "RATIO_DOES_NOT_FIT" not in {finding.code for finding in exact.findings}


def test_white_frequency_noise_fits() -> None:
    """Under white FM Théo1 has no bias at any averaging time: no caution, and fewer degrees of freedom."""
    record = eb.simulate_clock(512, interval_s=1.0, levels=eb.NoiseLevels(white_fm=1.0), seed=1)
    published = eb.stability(record, "theo1_hybrid", averaging=[20, 60, 120], bias="published")
    exact = eb.stability(record, "theo1_hybrid", averaging=[20, 60, 120])

    assert "RATIO_DOES_NOT_FIT" not in {finding.code for finding in published.findings}
    assert published.edf[0] == exact.edf[0]
    assert np.all(published.edf[1:] < exact.edf[1:])
