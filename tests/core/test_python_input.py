"""What people hand over from Python: hertz for fractions, series with an index, arrays for records."""

from __future__ import annotations

import math
import warnings
from collections.abc import Callable
from typing import Any

import numpy as np
import pandas as pd
import pytest

import evenbeat as eb

N = 120
NOISE = np.random.default_rng(4).normal(0, 1e-9, N)
TIMES = pd.date_range("2026-03-01", periods=N, freq="10s")


def codes(record: eb.Record) -> set[str]:
    """Return the codes of the findings."""
    return {finding.code for finding in record.findings}


class TestSize:
    """Readings in another unit than the argument asks for."""

    @pytest.mark.parametrize("hertz", [1e7, 32_768.0, 12.288e6, 60.0])
    def test_hertz_are_refused_as_fractions(self, hertz: float) -> None:
        """The sentence says how hertz become fractions, and what does it for a log."""
        with pytest.raises(
            eb.InputError,
            match=r"fractional_frequency look like hertz \(median .*\): divide by the nominal frequency and "
            r"subtract one, .*\(f - nominal\) / nominal.*read_log",
        ):
            eb.Record.from_frequency(hertz * (1 + NOISE), interval_s=1.0)

    def test_one_frequency_again_and_again_is_refused_too(self) -> None:
        """Readings that never change, as of a coarse display."""
        with pytest.raises(eb.InputError, match="look like hertz"):
            eb.Record.from_frequency(np.full(N, 10_000_000), interval_s=1.0)

    def test_ratios_are_refused_as_fractions(self) -> None:
        """A ratio to nominal is one too much."""
        with pytest.raises(eb.InputError, match=r"look like ratios to the nominal frequency .*subtract one"):
            eb.Record.from_frequency(1 + NOISE, interval_s=1.0)

    def test_frequencies_no_clock_has_are_said(self) -> None:
        """Off by more than a tenth: kept, with a caution; a few outliers are none of its business."""
        assert "IMPLAUSIBLE_SIZE" in codes(eb.Record.from_frequency(3e8 * NOISE, interval_s=1.0))
        spiked = NOISE.copy()
        spiked[7] = 1e7
        assert not codes(eb.Record.from_frequency(spiked, interval_s=1.0))

    @pytest.mark.parametrize(("interval_s", "said"), [(1.0, True), (1e5, False)])
    def test_nanoseconds_for_seconds_are_said(self, interval_s: float, said: bool) -> None:
        """Phase that moves by a nanosecond, given as a second each: so fast is no clock."""
        record = eb.Record.from_phase(1e9 * NOISE, interval_s=interval_s)
        assert ("IMPLAUSIBLE_SIZE" in codes(record)) is said
        if said:
            (found,) = record.findings
            assert found.severity == "caution"
            assert "multiply nanoseconds by 1e-9" in found.sentence


MAKERS: dict[str, Callable[..., eb.Record]] = {
    "phase": eb.Record.from_phase,
    "frequency": eb.Record.from_frequency,
}


@pytest.mark.parametrize("kind", MAKERS)
class TestIndex:
    """A pandas series knows when its rows were taken."""

    def test_the_interval_is_taken_from_the_index(self, kind: str) -> None:
        """Dates give interval and start; time differences and seconds as numbers give the interval."""
        record = MAKERS[kind](pd.Series(NOISE, index=TIMES))
        assert (record.interval_s, record.start) == (10.0, np.datetime64("2026-03-01T00:00:00"))
        for index in (TIMES - TIMES[0], 100.0 + 10.0 * np.arange(N)):
            record = MAKERS[kind](pd.Series(NOISE, index=index))
            assert (record.interval_s, record.start) == (10.0, None)
        np.testing.assert_array_equal(record.values, NOISE)
        local = MAKERS[kind](pd.Series(NOISE, index=TIMES.tz_localize("Europe/Oslo")), interval_s=10)
        assert local.start == np.datetime64("2026-02-28T23:00:00")

    def test_an_index_that_contradicts_the_interval_is_refused(self, kind: str) -> None:
        """What the index says, what was stated, and what to do."""
        with pytest.raises(
            eb.InputError, match=r"index of \w+ is 10 s apart but interval_s is 1.0; leave interval_s out"
        ):
            MAKERS[kind](pd.Series(NOISE, index=TIMES), interval_s=1.0)
        with pytest.raises(eb.InputError, match="10 s apart but interval_s is 60"):
            MAKERS[kind](pd.Series(NOISE, index=TIMES), interval_s=60)

    def test_holes_are_missing_samples(self, kind: str) -> None:
        """What dropna left out is NaN again, and said."""
        holed = np.where(np.arange(N) % 9 == 4, np.nan, NOISE)
        for index in (TIMES, 10.0 * np.arange(N), np.arange(N)):
            series = pd.Series(holed, index=index).dropna()
            record = MAKERS[kind](
                series, interval_s=10.0, covariates={"temperature_c": pd.Series(20.0, index=series.index)}
            )
            np.testing.assert_array_equal(record.values, holed)
            np.testing.assert_array_equal(np.isnan(record.covariates["temperature_c"]), np.isnan(holed))
            (found,) = [finding for finding in record.findings if finding.code == "GAPS"]
            assert f"{np.isnan(holed).sum()} samples are missing" in found.sentence

    @pytest.mark.parametrize(
        ("index", "sentence"),
        [
            (TIMES[::-1], r"not in order.*sort_index\(\)"),
            (TIMES[[*range(50), 49, *range(51, N)]], "twice.*duplicated"),
            (TIMES + pd.to_timedelta(np.arange(N) ** 2, unit="s"), "not regular.*leave interval_s out"),
            (TIMES[:-1].append(pd.DatetimeIndex([pd.NaT])), "no time in row 119"),
            (np.arange(N)[::-1], r"not in order.*sort_index\(\)"),
            (np.random.default_rng(1).permutation(N), r"not in order.*sort_index\(\)"),
        ],
        ids=["backwards", "twice", "uneven", "no time", "numbers backwards", "shuffled"],
    )
    def test_an_index_without_a_grid_is_refused(self, kind: str, index: Any, sentence: str) -> None:
        """Shuffled, doubled and uneven rows are no record; the sentence names the remedy."""
        with pytest.raises(eb.InputError, match=sentence):
            MAKERS[kind](pd.Series(NOISE, index=index), interval_s=10.0)

    def test_rows_by_number_say_nothing_of_time(self, kind: str) -> None:
        """The index that pandas gives by itself needs the interval, as an array does."""
        record = MAKERS[kind](pd.Series(NOISE), interval_s=3.0)
        assert (record.interval_s, len(record)) == (3.0, N)
        for samples in (pd.Series(NOISE), NOISE):
            with pytest.raises(eb.InputError, match="interval_s is not given"):
                MAKERS[kind](samples)

    def test_covariates_of_other_rows_are_refused(self, kind: str) -> None:
        """A temperature with an index of its own has to have the same rows."""
        other = pd.Series(20.0, index=TIMES + pd.Timedelta("1h"))
        with pytest.raises(eb.InputError, match="covariate 'temperature_c' has another index"):
            MAKERS[kind](pd.Series(NOISE, index=TIMES), covariates={"temperature_c": other})

    def test_missing_values_of_pandas_are_nan(self, kind: str) -> None:
        """Nullable columns hold NA, which is missing."""
        series = pd.Series(NOISE, dtype="Float64")
        series[3] = pd.NA
        assert np.flatnonzero(np.isnan(MAKERS[kind](series, interval_s=1.0).values)).tolist() == [3]


@pytest.mark.parametrize("interval", ["10 s", [1.0], object()])
def test_an_interval_that_is_no_number_is_one_sentence(interval: object) -> None:
    """Text and lists are named as they were given."""
    for make in MAKERS.values():
        with pytest.raises(eb.InputError, match=r"interval_s is .*; it must be a positive number"):
            make(NOISE, interval_s=interval)
    with pytest.raises(eb.InputError, match=r"gate_s is '1 s'; it must be a positive number"):
        eb.Record.from_frequency(NOISE, interval_s=1.0, gate_s="1 s")


RECORD = eb.Record.from_frequency(NOISE, interval_s=1.0)
VERBS: dict[str, Callable[[Any], object]] = {
    "stability": eb.stability,
    "time_interval_error": eb.time_interval_error,
    "spectrum": eb.spectrum,
    "fit_noise_levels": eb.fit_noise_levels,
    "moving_stability": lambda record: eb.moving_stability(record, 10.0),
    "condition": eb.condition,
    "conditioning_report": eb.conditioning_report,
    "difference": lambda record: eb.difference(RECORD, record),
    "separate_clocks": lambda record: eb.separate_clocks(RECORD, RECORD, record),
    "fit_clock": eb.fit_clock,
    "backtest": eb.backtest,
    "crosscheck": lambda record: eb.crosscheck(eb.stability(RECORD), record),
    "assess": eb.assess,
}


@pytest.mark.parametrize("given", [NOISE, pd.Series(NOISE), NOISE.tolist(), "log.csv"], ids=type)
@pytest.mark.parametrize("verb", VERBS)
def test_every_verb_says_that_it_needs_a_record(verb: str, given: object) -> None:
    """An array, a series, a list or a path: the same sentence says how a record is made."""
    with pytest.raises(
        eb.InputError, match=r"a Record is needed, not .*; make one with Record.from_frequency\(.*read_log"
    ):
        VERBS[verb](given)


def test_one_name_of_a_covariate_need_not_be_a_list() -> None:
    """A bare name is one name, not its letters."""
    temperature = 20 + np.sin(np.arange(N) / 9)
    record = eb.Record.from_frequency(
        NOISE + 1e-9 * temperature, interval_s=60.0, covariates={"temperature_c": temperature}
    )
    (influence,) = eb.fit_clock(record, environment="temperature_c").trend.influences
    assert influence.name == "temperature_c"
    with pytest.raises(eb.InputError, match="the record has no covariate 'temp'"):
        eb.fit_clock(record, environment="temp")


@pytest.mark.parametrize("moment", ["yesterday", math.nan, "2026-02-30", object()])
def test_what_is_no_moment_is_one_sentence(moment: object) -> None:
    """And no warning of NumPy on the way, of whatever version."""
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        with pytest.raises(eb.InputError, match="is not a moment; give UTC"):
            eb.Record.from_phase(NOISE, interval_s=1.0, start=moment)
