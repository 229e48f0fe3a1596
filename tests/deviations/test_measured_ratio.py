"""The bias of Théo1 measured in the record, as the handbook has it."""

from __future__ import annotations

import numpy as np
import pytest

import evenbeat as eb
from evenbeat.deviations.forms.theo1 import theo1_variance
from evenbeat.deviations.forms.whole import allan_variance
from evenbeat.deviations.hybrid import measured_ratio
from evenbeat.deviations.sums.samples import PhasePoints

POINTS, SPAN = 257, 64


@pytest.mark.grid(2)
@pytest.mark.parametrize(("exponent", "name"), [(0, "white_fm"), (-1, "flicker_fm")])
def test_the_measured_ratio_takes_the_bias_out(exponent: int, name: str) -> None:
    """Of 100 records the corrected variances have the Allan variance for their mean."""
    found = []
    for seed in range(100):
        levels = eb.NoiseLevels(**{name: 1.0})
        clock = eb.simulate_clock(POINTS, interval_s=1.0, levels=levels, seed=seed, kind="phase")
        samples = PhasePoints.of(np.asarray(clock.values))
        found.append(theo1_variance(samples.phase_s, SPAN) / measured_ratio(samples))

    # SOURCE: simulation; the mean of 100 values is known to a tenth of their spread of about 0.5
    assert np.mean(found) == pytest.approx(allan_variance(0.75 * SPAN, exponent), rel=0.12)


def test_what_one_ratio_cannot_do_is_said() -> None:
    """One ratio for all times beyond the join, and a caution that names the way without its faults."""
    record = eb.simulate_clock(512, interval_s=1.0, levels=eb.NoiseLevels(white_fm=1.0), seed=1)
    published, exact, raw = (
        eb.stability(record, "theo1_hybrid", averaging=[20, 60, 120], bias=bias)
        for bias in ("published", "exact", "none")
    )
    removed = {finding.code: finding for finding in published.findings}["BIAS_REMOVED"]

    assert removed.severity == "caution"
    assert 'bias="exact" has neither fault' in removed.sentence
    assert np.ptp((raw.deviation / published.deviation)[1:]) < 1e-9
    assert published.deviation[0] == exact.deviation[0]
