"""Records without a grid: readings at epochs of their own, from Python."""

from __future__ import annotations

import doctest
import json
from typing import Any

import numpy as np
import pandas as pd
import pytest

import evenbeat as eb
from evenbeat.record import Flag

RNG = np.random.default_rng(15)
DAYS = np.cumsum(RNG.uniform(15, 35, 30).round()) - 20
SECONDS = 86400.0 * DAYS
UTC = np.datetime64("2024-01-06", "ns") + (SECONDS * 1e9).astype("timedelta64[ns]")
OFFSETS = 3e-8 + 2e-9 * np.arange(30)


def found(record: eb.Record, code: str) -> eb.Finding:
    """Return the one finding of that code."""
    (finding,) = (each for each in record.findings if each.code == code)
    return finding


@pytest.mark.parametrize(
    "epochs",
    [
        SECONDS,
        SECONDS + 1.7e9,
        UTC,
        pd.DatetimeIndex(UTC),
        UTC.astype(str),
        pd.to_timedelta(SECONDS, unit="s"),
    ],
    ids=["seconds", "Unix seconds", "datetime64", "index", "text", "differences"],
)
def test_readings_keep_their_own_times(epochs: Any) -> None:
    """Seconds, moments and an index give one record; a finding says that there is no grid."""
    record = eb.Record.from_readings(OFFSETS * 1e9, unit="ppb", epochs=epochs, gate_s=10)
    assert len(record) == 30
    assert np.isnan(record.interval_s)
    np.testing.assert_allclose(record.elapsed_s, SECONDS - SECONDS[0], rtol=1e-15)
    np.testing.assert_array_equal(record.spans_s, 10.0)
    assert record.duration_s == SECONDS[-1] - SECONDS[0] + 10
    said = found(record, "NO_GRID").sentence
    assert "follow no grid" in said
    assert "kept at their own times" in said
    assert "on_grid(interval_s=…)" in said
    assert "at times of their own" in str(record)
    assert json.loads(json.dumps(record.to_dict()))["interval_s"] is None


def test_every_way_in_takes_epochs() -> None:
    """from_phase, from_frequency and the index of a series, irregular, are one and the same."""
    by_epochs = eb.Record.from_frequency(OFFSETS, epochs_s=UTC, gate_s=1.0)
    by_index = eb.Record.from_frequency(pd.Series(OFFSETS, index=UTC), gate_s=1.0)
    assert by_epochs.fingerprint() == by_index.fingerprint()
    assert by_epochs.start == by_index.start == UTC[0]
    phase = eb.Record.from_phase(OFFSETS, epochs_s=SECONDS)
    assert phase.kind == "phase"
    assert phase.spans_s is None
    assert phase.duration_s == SECONDS[-1] - SECONDS[0]
    assert phase.fingerprint() != eb.Record.from_phase(OFFSETS, epochs_s=SECONDS + DAYS).fingerprint()


def test_regular_epochs_stay_on_a_grid() -> None:
    """Epochs with 30 % of a grid missing are that grid with holes, as they always were."""
    kept = np.sort(RNG.choice(200, 140, replace=False))
    record = eb.Record.from_frequency(np.ones(140) * 1e-9, epochs_s=10.0 * kept)
    assert record.interval_s == 10
    assert record.epochs_ns is None
    assert record.missing == len(record) - 140


def test_a_span_that_nobody_states_is_said() -> None:
    """Until the next reading, at most the median spacing and 1000 s; a stated one is taken as stated."""
    often = np.cumsum(np.array([5.0, 3.0, 9.0, 4.0, 8.0, 2.0, 7.0]))
    record = eb.Record.from_frequency(np.ones(7) * 1e-9, epochs_s=often)
    np.testing.assert_allclose(record.spans_s, [3, 5.5, 4, 5.5, 2, 5.5, 5.5])
    assert "not stated" in found(record, "SPAN_ASSUMED").sentence
    rare = eb.Record.from_frequency(OFFSETS, epochs_s=SECONDS)
    np.testing.assert_array_equal(rare.spans_s, 1000.0)
    stated = eb.Record.from_frequency(OFFSETS, epochs_s=SECONDS, spans_s=np.arange(1.0, 31.0))
    np.testing.assert_array_equal(stated.spans_s, np.arange(1.0, 31.0))
    assert all(finding.code != "SPAN_ASSUMED" for finding in stated.findings)
    gated = eb.Record.from_frequency(np.ones(7) * 1e-9, epochs_s=often, gate_s=2.5)
    assert gated.spans_s.min() == 2
    assert found(gated, "SPANS_CUT").sentence.startswith("1 readings are followed by the next before")


@pytest.mark.parametrize(
    ("options", "sentence"),
    [
        ({"epochs_s": SECONDS[::-1]}, "not in order: row 1"),
        ({"epochs_s": np.minimum(SECONDS, SECONDS[9])}, "the same time twice, in rows 9 and 10"),
        ({"epochs_s": SECONDS, "interval_s": 86400.0}, "is 15 d apart but interval_s is 86400.0; leave"),
        ({"epochs_s": SECONDS, "spans_s": np.ones(3)}, "spans_s has 3 entries; 30 positive"),
        ({"epochs_s": SECONDS, "spans_s": np.zeros(30)}, "spans_s has 30 entries; 30 positive"),
        ({"interval_s": 10.0, "spans_s": np.ones(30)}, "spans_s is given but the samples lie on a grid"),
        ({"epochs_s": SECONDS, "spans_s": np.ones(30), "gate_s": 1.0}, "spans_s is given but gate_s"),
        ({"epochs_s": SECONDS, "gate_s": 1e7}, "gate_s is 10000000.0, but 29 of 29 readings are followed"),
    ],
)
def test_what_cannot_be_is_one_sentence(options: dict[str, Any], sentence: str) -> None:
    """Disorder, repetition and contradiction are refused with what would be accepted."""
    with pytest.raises(eb.InputError, match=sentence):
        eb.Record.from_frequency(OFFSETS, **options)


def test_a_part_of_it_is_one_of_its_own() -> None:
    """Cut by seconds or by UTC: the epochs begin anew, the flags move along, phases keep their values."""
    record = eb.Record.from_phase(OFFSETS, epochs_s=UTC, covariates={"room_c": DAYS})
    part = record.between(SECONDS[5] - SECONDS[0], SECONDS[12] - SECONDS[0])
    assert len(part) == 7
    assert part.start == UTC[5]
    np.testing.assert_array_equal(part.elapsed_s, SECONDS[5:12] - SECONDS[5])
    np.testing.assert_array_equal(part.values, OFFSETS[5:12])
    np.testing.assert_array_equal(part.covariates["room_c"], DAYS[5:12])
    by_utc = record.between(UTC[5], UTC[12])
    assert by_utc.fingerprint() == part.fingerprint()
    with pytest.raises(eb.InputError, match="fewer than 2 samples"):
        record.between(1.0, 2.0)


def test_a_table_of_it_has_exact_times() -> None:
    """Nanoseconds of a source come out as they went in, a year later too, and every span is there."""
    ns = 1_767_225_600_123_456_789 + np.cumsum(RNG.integers(1, 10**13, 6000))
    record = eb.Record.from_frequency(
        RNG.normal(0, 1e-9, 6000), epochs_s=ns.astype("datetime64[ns]"), gate_s=1e-6
    )
    assert record.duration_s > 300 * 86400
    frame = record.to_frame()
    np.testing.assert_array_equal(frame["utc"].to_numpy().astype(np.int64), ns)
    np.testing.assert_array_equal(record.epochs_ns, ns - ns[0])
    assert set(frame["span_s"]) == {1e-6}


def test_a_grid_of_nanoseconds_stays_exact_over_a_year() -> None:
    """Stamps a nanosecond off their places are told from those that lie on them, a year after the start."""
    ns = 3_500_000_000_000 * np.arange(9000)
    late = np.zeros(9000, dtype=np.int64)
    late[8000:] = 5_000_001
    record = eb.Record.from_frequency(
        np.ones(9000) * 1e-9,
        epochs_s=(1_767_225_600_123_456_789 + ns + late).astype("datetime64[ns]"),
        interval_s=3500.0,
    )
    assert record.epochs_ns is None
    np.testing.assert_array_equal(np.rint(record.stamp_offset_s * 1e9).astype(np.int64), late)


def test_phases_become_mean_frequencies_between_their_epochs() -> None:
    """Each frequency has the span from one epoch to the next."""
    phase = eb.Record.from_phase(1e-9 * SECONDS, epochs_s=SECONDS)
    frequency = phase.to_frequency()
    np.testing.assert_allclose(frequency.values, 1e-9, rtol=1e-12)
    np.testing.assert_allclose(frequency.spans_s, np.diff(SECONDS))
    assert frequency.duration_s == phase.duration_s


@pytest.mark.parametrize(
    ("analysis", "what"),
    [
        (eb.stability, "stability"),
        (eb.time_interval_error, "time_interval_error"),
        (eb.spectrum, "spectrum"),
        (lambda record: eb.moving_stability(record, window_s=1e7), "moving_stability"),
        (eb.fit_noise_levels, "fit_noise_levels"),
        (lambda record: eb.difference(record, record), "difference"),
        (lambda record: record.averaged(2), "averaging by a factor"),
        (lambda record: record.to_phase(), "integrating frequency"),
    ],
)
def test_what_needs_a_grid_says_what_makes_one(analysis: Any, what: str) -> None:
    """One sentence: the need, the median spacing, and the call."""
    record = eb.Record.from_frequency(OFFSETS, epochs_s=SECONDS, gate_s=10)
    with pytest.raises(
        eb.InputError, match=rf"{what}.* needs readings on a grid.*on_grid\(interval_s=…\), such as"
    ):
        analysis(record)


class TestOnGrid:
    """Means of frequencies, phases where a reading is near, NaN elsewhere."""

    def test_the_example_runs(self) -> None:
        """What the docstring shows is what comes out."""
        (example,) = doctest.DocTestFinder(recurse=False).find(
            eb.Record.on_grid, "on_grid", globs={"Record": eb.Record}
        )
        assert doctest.DocTestRunner().run(example).failed == 0

    def test_means_by_their_spans_and_holes(self) -> None:
        """A reading counts where its middle lies, for as long as it lasted; a cell without one is missing."""
        record = eb.Record.from_frequency(
            [1e-9, 4e-9, 7e-9, 2e-9],
            epochs_s=[0.0, 30.0, 95.0, 330.0],
            spans_s=[10.0, 20.0, 20.0, 40.0],
            covariates={"room_c": [20.0, 23.0, 21.0, 25.0]},
        )
        gridded = record.on_grid(interval_s=100)
        np.testing.assert_allclose(gridded.values, [3e-9, 7e-9, np.nan, 2e-9])
        np.testing.assert_allclose(gridded.covariates["room_c"], [22.0, 21.0, np.nan, 25.0])
        assert gridded.gate_s == 30
        assert gridded.epochs_ns is None
        said = found(gridded, "MADE_GRID")
        assert dict(said.values) == {"interval_s": 100, "places": 4, "missing": 1}
        assert not [each for each in gridded.findings if each.code == "NO_GRID"]

    def test_phases_only_where_a_reading_is_near(self) -> None:
        """Within a tenth of the interval, on the line between the readings around; elsewhere missing."""
        record = eb.Record.from_phase(
            [0.0, 2e-9, 6e-9, 9e-9],
            epochs_s=[0.0, 95.0, 260.0, 305.0],
            covariates={"room_c": [np.nan, 21.0, np.nan, np.nan]},
        )
        gridded = record.on_grid(interval_s=100)
        np.testing.assert_allclose(
            gridded.values, [0.0, 2e-9 + 4e-9 * 5 / 165, np.nan, 6e-9 + 3e-9 * 40 / 45]
        )
        assert np.isnan(gridded.covariates["room_c"]).all()

    def test_what_is_left_out_and_what_stepped(self) -> None:
        """Excluded readings do not enter; a step moves to the first place after it."""
        record = eb.Record.from_frequency(
            np.ones(60) * 1e-9, epochs_s=np.sort(RNG.uniform(0, 600, 60)), gate_s=0.01
        )
        flags = (
            Flag(cause="outlier", start=0, stop=30, excluded=True, sentence=""),
            Flag(cause="frequency_step", start=45, stop=45, excluded=False, sentence="", size=1e-9),
        )
        gridded = record.with_flags(*flags).on_grid(interval_s=60)
        assert np.isnan(np.asarray(gridded.values)[: int(record.elapsed_s[29] // 60)]).all()
        (step,) = gridded.steps
        assert step.start == np.ceil(record.elapsed_s[45] / 60)

    def test_refusals(self) -> None:
        """Too fine a grid, and one on which nearly nothing lies."""
        record = eb.Record.from_phase([0.0, 2e-9, 6e-9], epochs_s=[0.0, 95.0, 1000.0])
        with pytest.raises(eb.InputError, match="1001 places for 3 readings"):
            record.on_grid(interval_s=1)
        with pytest.raises(eb.InputError, match="interval_s is -1"):
            record.on_grid(interval_s=-1)
        with pytest.raises(eb.InputError, match=r"on a grid of 10 s already; use record.averaged"):
            eb.Record.from_phase([0.0, 1e-9, 3e-9], interval_s=10.0).on_grid(interval_s=60)
        with pytest.raises(eb.errors.TooShortError, match="1 of 15 places"):
            record.on_grid(interval_s=70)

    def test_a_deviation_of_the_gridded_record(self) -> None:
        """White FM read at random epochs: phases of the grid show its level."""
        rng = np.random.default_rng(3)
        epochs = np.cumsum(rng.exponential(2.5, 8000))
        phase = np.cumsum(rng.normal(0, 1e-10, 8000) * np.sqrt(np.diff(epochs, prepend=0.0)))
        record = eb.Record.from_phase(phase, epochs_s=epochs)
        point = eb.stability(record.on_grid(interval_s=50), "allan", averaging=[1])
        assert point.deviation[0] == pytest.approx(np.sqrt(1e-20 / 50), rel=0.15)
