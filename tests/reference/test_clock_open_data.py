"""The clock model on openly licensed measurements: nine years of quartz, a change of oscillator, an oven."""

from __future__ import annotations

import gzip
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

import evenbeat as eb

DAY = 86400.0


def clock_read_now_and_then(path: Path, *, grid_s: float) -> eb.Record:
    """Return a clock minus reference table (column 1: reference seconds, 3: seconds gained) on a fine grid.

    Readings come seconds to hundreds of days apart. Moving one by half a grid step of 10 min is worth
    30 µs at 1e-7, far below the millisecond to which the tables are given.
    """
    table = np.genfromtxt(path, delimiter=",", skip_header=2, usecols=(1, 3))
    position = np.round((table[:, 0] - table[0, 0]) / grid_s).astype(int)
    phase = np.full(position[-1] + 1, np.nan)
    phase[position] = table[:, 1]
    return eb.Record.from_phase(phase, interval_s=grid_s)


@pytest.fixture(scope="module")
def nine_years(open_data: Path) -> eb.Record:
    """Return 56 readings over 9.2 years."""
    return clock_read_now_and_then(open_data / "nine-year-quartz-clock.csv", grid_s=600.0)


@pytest.fixture(scope="module")
def changed_clock(open_data: Path) -> eb.Record:
    """Return 154 readings over a year, conditioned."""
    return eb.condition(clock_read_now_and_then(open_data / "oscillator-change-clock.csv", grid_s=600.0))


def part_until(record: eb.Record, share: float) -> eb.Record:
    """Return the record up to the last reading within a share of its length."""
    readings = np.flatnonzero(~np.isnan(record.values))
    last = readings[readings <= share * readings[-1]][-1]
    return record.between(0, (last + 1) * record.interval_s)


def later_frequencies(record: eb.Record, early: eb.Record) -> tuple[np.ndarray, np.ndarray]:
    """Return times of the readings after a part, and the mean frequency from its end to each of them."""
    readings = np.flatnonzero(~np.isnan(record.values))
    last = len(early) - 1
    later = readings[readings > last]
    gained = record.values[later] - record.values[last]
    return later * record.interval_s, gained / ((later - last) * record.interval_s)


def errors(early: eb.Record, record: eb.Record, aging: str) -> tuple[float, float]:
    """Return rms of what a forecast of mean frequencies missed, and the share inside its 95 % band."""
    times, observed = later_frequencies(record, early)
    forecast = eb.fit_clock(early, aging=aging).time_error_at(times)
    low, high = (limit / forecast.horizon_s for limit in forecast.interval())
    missed = forecast.mean / forecast.horizon_s - observed
    return float(np.sqrt(np.mean(missed**2))), float(np.mean((low <= observed) & (observed <= high)))


@pytest.mark.slow
# SOURCE: nine-year-quartz-clock.csv (spacecraft quartz clock, from public clock-coefficient tables),
# described beside the data: smooth logarithmic aging; fitted to the first 60 % a law a + b ln(1 + t/c)
# predicts the rest to about 1.3e-9, a straight line to 9.6e-9
def test_nine_years_are_foretold_by_their_first_sixty_per_cent(nine_years: eb.Record) -> None:
    """The average over the laws is as good as the best law, its band holds, and the line is far worse."""
    early = part_until(nine_years, 0.6)
    averaged, inside = errors(early, nine_years, "auto")
    line, _ = errors(early, nine_years, "linear")
    logarithmic, _ = errors(early, nine_years, "logarithmic")

    assert inside == 1.0
    assert averaged < 2.5e-9
    assert averaged < 2 * logarithmic
    assert line > 5 * averaged


# SOURCE: as above: AICc and forecasts within the record must agree with what the next years showed
def test_the_laws_that_fail_are_those_that_the_record_rejects(nine_years: eb.Record) -> None:
    """Linear aging is rejected on the first 60 % already; the score within the record says the same."""
    model = eb.fit_clock(part_until(nine_years, 0.6))
    laws = {law.law: law for law in model.laws}

    assert laws["linear"].rejected
    assert not laws["logarithmic"].rejected
    assert laws["logarithmic"].forecast_error < 0.5 * laws["linear"].forecast_error
    assert laws["logarithmic"].forecast_score > laws["linear"].forecast_score + 2
    assert "READ_NOW_AND_THEN" in {finding.code for finding in model.findings}


# SOURCE: as above
def test_laws_not_rejected_diverge_and_the_forecast_says_how_far(nine_years: eb.Record) -> None:
    """The means under the laws lie apart ahead; two records ahead that is a caution with both ends."""
    model = eb.fit_clock(part_until(nine_years, 0.6))
    end = model.record.duration_s
    forecast = model.frequency_at([end, 1.5 * end, 3 * end])
    low, high = forecast.envelope()

    assert set(forecast.laws) >= {"logarithmic", "exponential"}
    assert "linear" not in forecast.laws
    assert np.all(np.diff(high - low) > 0)
    assert np.all((low <= forecast.mean) & (forecast.mean <= high))
    (finding,) = [f for f in forecast.findings if f.code == "EXTRAPOLATION"]
    assert finding.values["lowest_law"] == pytest.approx(low[-1])
    assert "laws that the data do not reject" in finding.sentence


# SOURCE: oscillator-change-clock.csv: crystal at -6.8e-6 to -1.1e-5, finally an oven oscillator at -1.5e-8
def test_a_change_of_oscillator_is_found(changed_clock: eb.Record) -> None:
    """The last change-over, after 267 days, is named to a week with its ratio of noises."""
    findings = {f.code: f for f in eb.fit_clock(changed_clock).findings}

    assert findings["CLOCK_CHANGED"].values["elapsed_s"] == pytest.approx(267.5 * DAY, abs=8 * DAY)
    assert findings["CLOCK_CHANGED"].values["ratio"] > 10
    assert findings["CLOCK_CHANGED"].severity == "caution"


# SOURCE: as above
def test_both_change_overs_are_steps(changed_clock: eb.Record) -> None:
    """The frequency steps after 217 days and, when the oven oscillator takes over for good, after 267."""
    steps = [flag.start * changed_clock.interval_s / DAY for flag in changed_clock.steps]
    assert steps == pytest.approx([217, 267], abs=8)


# SOURCE: as above
def test_a_change_of_oscillator_is_not_smeared_into_drift(changed_clock: eb.Record) -> None:
    """Least squares would be sure of a drift of 2e-8 per day; the model knows that it has none to state."""
    kept = [flag for flag in changed_clock.flags if flag.cause != "frequency_step"]
    model = eb.fit_clock(replace(changed_clock, flags=tuple(kept)))
    low, high = model.aging_rate().per_day.interval()
    least_low, least_high = model.least_squares.rate.per_day.interval()

    assert low < 0 < high
    assert least_low > 1e-8
    assert high - low > 3 * (least_high - least_low)


# SOURCE: as above: the oven oscillator at -1.5e-8
def test_the_part_since_the_change_is_an_oven_oscillator(changed_clock: eb.Record) -> None:
    """Assessed by itself it has its own offset, and ages a thousandth of what the whole seemed to."""
    since = changed_clock.between(268 * DAY, changed_clock.duration_s + 1)
    model = eb.fit_clock(since)

    assert model.frequency_at([since.duration_s]).mean[0] == pytest.approx(-1.6e-8, rel=0.1)
    assert abs(model.aging_rate().per_day.value) < 1e-10
    assert "CLOCK_CHANGED" not in {f.code for f in model.findings}


# SOURCE: oven-oscillator-frequency.txt.gz (10 MHz oven oscillator against a maser, 1 s gate), described
# beside the data: +1.4e-10 per day over its 5.5 hours by plain definitions
def test_an_evening_says_little_of_an_oven(open_data: Path) -> None:
    """The drift is near +1.4e-10 per day, inside an interval that does not exclude zero."""
    text = gzip.decompress((open_data / "oven-oscillator-frequency.txt.gz").read_bytes()).decode("ascii")
    hertz = np.array([float(line) for line in text.splitlines() if line and not line.startswith("#")])
    record = eb.condition(eb.Record.from_frequency(hertz / 1e7 - 1, interval_s=1.0, nominal_frequency_hz=1e7))
    model = eb.fit_clock(record, aging="linear")
    rate, line = model.aging_rate().per_day, model.least_squares.rate.per_day
    low, high = rate.interval()

    assert rate.value == pytest.approx(1.4e-10, abs=6e-11)
    assert line.value == pytest.approx(1.4e-10, rel=0.05)
    assert low < 0
    assert high > 1.4e-10
    assert rate.standard_uncertainty > 5 * line.standard_uncertainty
