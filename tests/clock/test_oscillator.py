"""Oscillator classes as weak priors: they help where they are right and give way where they are wrong."""

import numpy as np
import pytest

from evenbeat.clock.fit import fit_clock
from evenbeat.clock.oscillator_classes import OSCILLATOR_CLASSES, oscillator_class_named
from evenbeat.errors import InputError
from evenbeat.powerlaw import NoiseLevels, simulate_clock
from evenbeat.record import Record

DAY = 86400.0


def _caesium(seed: int) -> Record:
    """Return 60 days of a caesium clock: 1e-11 at 1 s, flicker floor of 1e-14 (common practice)."""
    levels = NoiseLevels(white_fm=2e-22, flicker_fm=1e-28 / (2 * np.log(2)))
    return simulate_clock(60, interval_s=DAY, levels=levels, seed=seed)


def _rubidium(seed: int, rate_per_day: float = 1e-12) -> Record:
    """Return 60 days on the flicker floor of a rubidium oscillator, 3e-13 (common practice)."""
    levels = NoiseLevels(flicker_fm=9e-26 / (2 * np.log(2)))
    return simulate_clock(
        60, interval_s=DAY, levels=levels, seed=seed, aging=lambda t: rate_per_day * t / DAY
    )


def _codes(record: Record, oscillator_class: str) -> set[str]:
    model = fit_clock(record, aging="linear", oscillator_class=oscillator_class)  # type: ignore[arg-type]
    return {finding.code for finding in model.findings}


@pytest.mark.slow
def test_a_right_class_narrows_the_aging_and_still_holds() -> None:
    """Thirty clocks: narrower by an eighth at least, and 80 % cover (binomial 1e-3 limit of 95 %)."""
    covered, shorter = 0, []
    for seed in range(30):
        record = _caesium(seed)
        plain = fit_clock(record, aging="linear").aging_rate().interval()
        known = fit_clock(record, aging="linear", oscillator_class="caesium").aging_rate().interval()
        covered += bool(known[0] <= 0 <= known[1])
        shorter.append((known[1] - known[0]) / (plain[1] - plain[0]))
    assert covered / 30 >= 0.8
    assert np.mean(shorter) < 7 / 8


def test_a_wrong_class_gives_way() -> None:
    """A wandering crystal called caesium: a finding says so, and the band stays that of an unknown clock."""
    record = simulate_clock(100, interval_s=DAY, levels=NoiseLevels(random_walk_fm=1e-30), seed=3)
    plain = fit_clock(record, aging="linear").aging_rate().standard_uncertainty
    model = fit_clock(record, aging="linear", oscillator_class="caesium")
    assert "CLASS_DOUBTFUL" in {finding.code for finding in model.findings}
    assert model.aging_rate().standard_uncertainty == pytest.approx(plain, rel=0.15)


def test_a_fitting_class_is_noted_and_unusual_aging_is_said() -> None:
    """Rubidium usually ages up to 5e-11 per month; 1e-10 per day is sixty times that."""
    assert "CLASS_ASSUMED" in _codes(_rubidium(1), "rubidium")
    assert "AGING_UNUSUAL" not in _codes(_rubidium(1), "rubidium")
    assert "AGING_UNUSUAL" in _codes(_rubidium(1, 1e-10), "rubidium")


def test_the_class_speaks_of_absolute_levels() -> None:
    """The class speaks of absolute levels: the same record ten thousand times noisier is no rubidium."""
    record = _rubidium(2)
    louder = Record.from_frequency(np.array(record.values) * 1e4, interval_s=DAY)
    assert "CLASS_DOUBTFUL" in _codes(louder, "rubidium")


def test_ranges_are_ordered() -> None:
    """Every range rises."""
    for usual in OSCILLATOR_CLASSES.values():
        assert usual.floor[0] < usual.floor[1]
        assert usual.walk_after_s[0] < usual.walk_after_s[1]


def test_unknown_class_is_refused() -> None:
    """The sentence lists what is accepted."""
    with pytest.raises(InputError, match="'uncompensated', 'temperature_compensated', 'oven'"):
        oscillator_class_named("quartz")
