"""Displays coarser than the noise: every reading is an interval, and nothing is known beyond it.

Records are rounded here; truth is the line that was rounded. A value known between limits at either end has a
triangular distribution: JCGM 100:2008, 4.3.9.
"""

from __future__ import annotations

import re
from dataclasses import replace

import numpy as np
import pytest

import evenbeat as eb

MINUTE, STEP, READINGS = 60.0, 1e-8, 300


def shown(line: np.ndarray, noise: float = 0.0, seed: int = 0) -> eb.Record:
    """Return a record of counts of the display."""
    noisy = line + noise * STEP * np.random.default_rng(seed).standard_normal(len(line))
    return eb.Record.from_frequency(STEP * np.round(noisy / STEP), interval_s=MINUTE)


def test_a_display_that_stands_still_leaves_its_step_unknown() -> None:
    """Ten million hertz to 0.1 Hz, all the same: the rate may be a step over the record, either way."""
    record = replace(shown(np.full(READINGS, 3e-8)), resolution=STEP)
    model = eb.fit_clock(eb.condition(record))
    rate, bound = model.aging_rate(), STEP / record.duration_s
    assert bound / 2 < rate.standard_uncertainty < 2 * bound
    low, high = model.frequency_at([record.duration_s]).interval()
    assert low[0] < 3e-8 - STEP / 2
    assert high[0] > 3e-8 + STEP / 2
    gained = model.time_error_at([2 * record.duration_s])
    assert gained.standard_uncertainty[0] > STEP / np.sqrt(12) * record.duration_s
    assert "DISPLAY_HIDES" in {each.code for each in model.findings}


def test_without_a_known_step_one_value_throughout_is_refused_by_name() -> None:
    """Nothing bounds what such a display hides."""
    record = eb.Record.from_frequency(np.full(READINGS, 3e-8), interval_s=MINUTE)
    with pytest.raises(eb.InputError, match="unless the record states its resolution"):
        eb.fit_clock(record)


def test_an_exact_drift_is_known_as_well_as_numbers_are_held() -> None:
    """Double precision holds 16 digits, the printed rate no more, and no uncertainty below it."""
    values = 1.7195e-9 + 1e-15 * np.arange(500)
    record = eb.Record.from_frequency(values, interval_s=MINUTE)
    rate = eb.fit_clock(eb.condition(record)).aging_rate()
    assert rate.standard_uncertainty > 0.5 * np.spacing(values[-1]) / record.duration_s
    digits = re.match(r"-?([\d.]+)\(", str(rate))
    assert digits is not None
    assert len(digits[1].replace(".", "")) <= 16
    assert rate.value == pytest.approx(1e-15 / MINUTE, rel=1e-9)


def test_one_count_of_the_display_is_a_drift_not_a_step() -> None:
    """Between no drift and two counts a record: the truth of 0.4 counts is within, and the end is known."""
    line = STEP * (3.3 + 0.4 * np.arange(READINGS) / READINGS)
    model = eb.fit_clock(eb.condition(shown(line)))
    low, high = model.aging_rate().interval()
    assert low < 0.4 * STEP / model.record.duration_s < high
    assert high - low < 8 * STEP / model.record.duration_s


def test_an_adjustment_of_many_counts_is_a_step_though_nothing_else_moves() -> None:
    """401 readings of one value, 319 of another 100 counts higher: two levels, each known to a count."""
    line = np.repeat([0.0, 100 * STEP], [401, 319])
    model = eb.fit_clock(eb.condition(replace(shown(line), resolution=STEP)))
    assert abs(model.aging_rate().value) < 2 * STEP / model.record.duration_s
    offset = model.frequency_at([model.record.duration_s])
    assert offset.mean[0] == pytest.approx(100 * STEP, abs=STEP)
    assert STEP / 3 < offset.standard_uncertainty[0] < 2 * STEP


@pytest.mark.slow
@pytest.mark.parametrize("noise", [0.0, 0.05, 0.2])
def test_intervals_cover_drifts_slower_than_a_count(noise: float) -> None:
    """Drifts up to one count a record, 40 clocks: at least 33 held (binomial 1e-3 limit of a true 95 %)."""
    rng, held = np.random.default_rng(5), np.zeros(3)
    for seed in range(40):
        drift, offset = rng.uniform(-1, 1), rng.uniform(-0.5, 0.5)
        line = STEP * (offset + drift * np.arange(0.5, READINGS) / READINGS)
        record = shown(line, noise, seed)
        model = eb.fit_clock(replace(eb.condition(record), resolution=STEP))
        end = model.record.duration_s
        truths = STEP * np.array([drift / end, offset + drift, 0.5 * (offset + 1.25 * drift) * end])
        sides = zip(
            model.aging_rate().interval(),
            model.frequency_at([end]).interval(),
            model.time_error_at([1.5 * end]).interval(),
            strict=True,
        )
        low, high = ([float(np.ravel(each)[0]) for each in side] for side in sides)
        held += (low <= truths) & (truths <= high)
    assert held.min() >= 33, held
