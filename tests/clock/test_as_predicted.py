"""The check that the end of a record is what its beginning predicted."""

from dataclasses import replace

import numpy as np
import pytest

from evenbeat.clock.backtest import as_predicted_finding
from evenbeat.clock.fit import fit_clock
from evenbeat.powerlaw import NoiseLevels, simulate_clock
from evenbeat.record import Flag, Record

LEVELS = {
    "white FM": NoiseLevels(white_fm=1e-22),
    "flicker FM": NoiseLevels(flicker_fm=1e-24),
    "random-walk FM": NoiseLevels(random_walk_fm=1e-32),
}


def _code(record: Record) -> str | None:
    finding = as_predicted_finding(fit_clock(record, aging="linear"))
    return None if finding is None else finding.code


def _clock(levels: NoiseLevels, seed: int) -> Record:
    return simulate_clock(200, interval_s=3600.0, levels=levels, seed=seed)


@pytest.mark.parametrize("clocks", [2, pytest.param(40, marks=pytest.mark.slow)])
@pytest.mark.parametrize("name", LEVELS)
def test_steady_clocks_are_as_predicted(name: str, clocks: int) -> None:
    """At most two false alarms in forty (a rate of 0.2 % would give three in 1 of 10 000 trials)."""
    codes = [_code(_clock(LEVELS[name], seed)) for seed in range(clocks)]
    assert codes.count("NOT_AS_PREDICTED") <= clocks // 20
    assert None not in codes


def test_a_clock_that_changed_is_not() -> None:
    """A tenfold excursion in the last fifth is called; the same change as a known step is not."""
    record = _clock(LEVELS["white FM"], 1)
    values = np.array(record.values)
    values[170:] += 40 * np.std(values)
    changed = replace(record, values=values)
    assert _code(changed) == "NOT_AS_PREDICTED"
    size = 40 * float(np.std(record.values))
    step = Flag(cause="frequency_step", start=170, stop=170, excluded=False, sentence="", size=size)
    assert _code(changed.with_flags(step)) == "AS_PREDICTED"


def test_phase_and_frequency_records_agree() -> None:
    """The kind of record does not matter."""
    record = _clock(LEVELS["flicker FM"], 7)
    assert _code(record.to_phase()) == _code(record) == "AS_PREDICTED"


def test_too_little_to_check_is_no_finding() -> None:
    """Nine readings leave too few for a model, and a last fifth that is missing cannot be compared."""
    assert _code(simulate_clock(9, interval_s=1.0, levels=LEVELS["white FM"], seed=0)) is None
    record = _clock(LEVELS["white FM"], 3)
    values = np.array(record.values)
    values[161:190] = np.nan
    assert _code(replace(record, values=values)) is None
