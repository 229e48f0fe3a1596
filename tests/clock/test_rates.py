"""Plain least squares as a reference library computes it: that is what our intervals are compared with."""

import numpy as np
import pytest
import statsmodels.api as sm

from evenbeat.clock.fit import fit_clock
from evenbeat.powerlaw import NoiseLevels, simulate_clock
from evenbeat.record import Flag

DAY = 86400.0


# SOURCE: statsmodels OLS: parameters, their standard errors and the prediction interval of an observation
def test_the_line_is_that_of_statsmodels() -> None:
    """Rate, its uncertainty, and the 95 % prediction interval half a record ahead, beside a step."""
    record = simulate_clock(
        100, interval_s=DAY, levels=NoiseLevels(flicker_fm=1e-25), seed=2, aging=lambda t: 1e-12 * t / DAY
    ).with_flags(Flag(cause="frequency_step", start=40, stop=40, excluded=False, sentence="", size=1e-12))
    line = fit_clock(record, aging="linear").least_squares
    times = (np.arange(100) + 0.5) * DAY
    after = (np.arange(100) >= 40).astype(float)
    fit = sm.OLS(record.values * 1e12, np.column_stack([np.ones(100), times / DAY, after])).fit()
    assert line.rate.per_day.value == pytest.approx(fit.params[1] * 1e-12, rel=1e-9)
    scale = float(line.rate.per_day.distribution.scales[0])
    assert scale == pytest.approx(fit.bse[1] * 1e-12, rel=1e-9)
    low, high = line.frequency_at([150 * DAY]).interval()
    reference = fit.get_prediction(np.array([[1.0, 150.0, 1.0]])).conf_int(obs=True)[0] * 1e-12
    assert (low[0], high[0]) == pytest.approx(tuple(reference), rel=1e-8)
