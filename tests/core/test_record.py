"""The record: what it accepts and refuses, and that flags, gaps and steps survive every change of form."""

from __future__ import annotations

import json
import math
import pickle
from pathlib import Path

import allantools
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from evenbeat.errors import InputError, TooShortError
from evenbeat.findings import Finding
from evenbeat.intake import SCAN_BLOCK, extremes_and_mean
from evenbeat.record import Flag, Record, Source

FREQUENCY = np.array([1.0, 2.0, 3.0, np.nan, 5.0, 6.0, 7.0, 8.0, 9.0, 10.0]) * 1e-9


def frequency_record(**options: object) -> Record:
    """Return ten frequencies at 10 s, the fourth missing."""
    return Record.from_frequency(FREQUENCY, interval_s=10.0, **options)


def flag(cause: str, start: int, stop: int, *, excluded: bool = True, size: float | None = None) -> Flag:
    """Return a flag with a sentence."""
    return Flag(cause=cause, start=start, stop=stop, excluded=excluded, sentence=f"{cause}.", size=size)


class TestIntake:
    """What may enter."""

    def test_float_samples_are_not_copied_and_cannot_be_written_through(self) -> None:
        """The record looks at the caller's memory and refuses to change it."""
        samples = np.array([1.0, 2.0, 3.0])
        record = Record.from_phase(samples, interval_s=1.0)

        assert np.shares_memory(record.values, samples)
        with pytest.raises(ValueError, match="read-only"):
            record.values[0] = 5.0
        samples[0] = 7.0  # the caller's own array stays writable

    def test_memory_mapped_samples_stay_on_disk(self, tmp_path: Path) -> None:
        """Neither construction, use without flags, nor printing copies a memory-mapped file."""
        path = tmp_path / "samples.f8"
        np.linspace(0, 1, 5000).tofile(path)
        mapped = np.memmap(path, dtype=np.float64, mode="r")

        record = Record.from_frequency(mapped, interval_s=1.0)

        assert np.shares_memory(record.values, mapped)
        assert record.usable_values(without_steps=True) is record.values
        assert np.shares_memory(record.between(100, 200).values, mapped)
        assert "mean" in str(record)

    def test_float32_is_kept_as_it_is_and_integrated_in_double_precision(self) -> None:
        """Float32 is not doubled in memory; a phase integrated from it has double precision."""
        samples = (1e-9 * np.sin(np.arange(100_000))).astype(np.float32)
        record = Record.from_frequency(samples, interval_s=1.0)

        phase = record.to_phase()

        assert record.values.dtype == np.float32
        assert phase.values.dtype == np.float64
        exact = np.concatenate([[0.0], np.cumsum(samples.astype(float))])
        np.testing.assert_allclose(phase.phase_s, exact, rtol=0, atol=1e-20)
        thinned = Record.from_phase(samples, interval_s=1.0).to_frequency()
        np.testing.assert_array_equal(thinned.values, np.diff(samples.astype(float)))

    def test_masked_samples_are_missing(self) -> None:
        """A masked element is a missing one, for integers too."""
        samples = np.ma.masked_array([1, 2, 3, 4], mask=[False, True, False, False])

        record = Record.from_frequency(samples, interval_s=1.0, covariates={"temperature_c": samples})

        np.testing.assert_array_equal(record.values, [1.0, np.nan, 3.0, 4.0])
        np.testing.assert_array_equal(record.covariates["temperature_c"], [1.0, np.nan, 3.0, 4.0])
        assert record.missing == 1

    @pytest.mark.parametrize("infinity", [math.inf, -math.inf])
    @pytest.mark.parametrize("position", [2, SCAN_BLOCK + 3])
    def test_infinite_samples_are_refused_by_position(self, infinity: float, position: int) -> None:
        """Infinity is not a way to say missing; the position is named, beyond the first block too."""
        samples = np.zeros(position + 2)
        samples[position] = infinity

        with pytest.raises(
            InputError, match=rf"phase_s\[{position}\] is infinite; a missing sample must be NaN"
        ):
            Record.from_phase(samples, interval_s=1.0)

    @pytest.mark.parametrize(
        ("samples", "message"),
        [
            ([np.nan] * 3, "all 3 samples of phase_s are missing"),
            ([[1.0, 2.0]], r"phase_s has shape \(1, 2\)"),
            (["a", "b"], "phase_s holds text such as 'a'"),
            ([1 + 2j, 3], "type complex128; a row of numbers is needed"),
            ([True, False], "type bool; a row of numbers is needed"),
            (3.0, r"shape \(\)"),
        ],
    )
    def test_what_is_no_row_of_numbers_is_refused(self, samples: object, message: str) -> None:
        """One sentence says what was found and what is needed."""
        with pytest.raises(InputError, match=message):
            Record.from_phase(samples, interval_s=1.0)

    @pytest.mark.parametrize("samples", [[], [1.0]])
    def test_too_few_samples_are_refused(self, samples: list[float]) -> None:
        """One sample is no record; the error carries both numbers."""
        with pytest.raises(TooShortError, match="at least 2 are needed") as caught:
            Record.from_phase(samples, interval_s=1.0)
        assert (caught.value.needed, caught.value.available) == (2, len(samples))

    @pytest.mark.parametrize("interval", [0.0, -1.0, math.nan, math.inf, None])
    def test_interval_must_be_positive(self, interval: object) -> None:
        """Zero, negative, unknown or infinite spacing is refused."""
        with pytest.raises(InputError, match=r"interval_s is .*; it must be a positive number"):
            Record.from_phase([0.0, 1.0], interval_s=interval)

    def test_gate_longer_than_interval_is_refused(self) -> None:
        """Overlapping gates are another thing; equal within rounding is accepted."""
        assert frequency_record(gate_s=10.0 * (1 + 1e-12)).gate_s == pytest.approx(10.0, rel=1e-9, abs=0)
        with pytest.raises(InputError, match=r"gate_s is 11.0, longer than the interval of 10.0 s"):
            frequency_record(gate_s=11.0)

    def test_covariate_of_another_length_is_refused(self) -> None:
        """A temperature belongs to each sample."""
        with pytest.raises(InputError, match="covariate 'temperature_c' has 3 samples but the record has 10"):
            frequency_record(covariates={"temperature_c": [1.0, 2.0, 3.0]})

    def test_kind_is_checked(self) -> None:
        """Only phase and frequency exist."""
        with pytest.raises(InputError, match="kind is 'period'"):
            Record(kind="period", values=np.zeros(3), interval_s=1.0)

    @pytest.mark.parametrize(
        "moment", ["2026-03-01T12:00:00Z", "2026-03-01T12:00", np.datetime64("2026-03-01T12", "h")]
    )
    def test_start_is_utc_to_the_nanosecond(self, moment: object) -> None:
        """ISO text with or without Z and any datetime64 are the same moment."""
        assert frequency_record(start=moment).start == np.datetime64("2026-03-01T12:00:00", "ns")

    @pytest.mark.parametrize("moment", ["yesterday", "2026-13-01", "NaT", 5.5])
    def test_what_is_no_moment_is_refused(self, moment: object) -> None:
        """Text that is no time gets a sentence."""
        with pytest.raises(InputError, match="is not a moment; give UTC"):
            frequency_record(start=moment)

    def test_an_offset_from_utc_is_refused(self) -> None:
        """Local time is never turned into UTC in silence."""
        with pytest.raises(InputError, match="offset from UTC"):
            frequency_record(start="2026-03-01T12:00:00+02:00")


class TestForms:
    """Phase and frequency, averages and parts."""

    def test_duration_counts_gates_for_frequency_and_gaps_between_for_phase(self) -> None:
        """Ten gates of 10 s last 100 s; ten phase samples span 90 s."""
        assert frequency_record().duration_s == 100.0
        assert Record.from_phase(np.zeros(10), interval_s=10.0).duration_s == 90.0

    def test_phase_of_constant_frequency_is_a_straight_line(self) -> None:
        """Phase is y t, the slope remembered beside values that stay zero."""
        record = Record.from_frequency(np.full(1000, 1e-6), interval_s=10.0)

        phase = record.to_phase()

        assert len(phase) == 1001
        assert np.abs(phase.values).max() < 1e-15
        np.testing.assert_allclose(phase.phase_s, 1e-6 * 10.0 * np.arange(1001), rtol=1e-12)

    @given(st.integers(min_value=2, max_value=300), st.floats(min_value=-1e-5, max_value=1e-5))
    def test_to_phase_and_back_is_the_same(self, n: int, offset: float) -> None:
        """Differences of the integral are the frequencies."""
        values = offset + 1e-12 * np.cos(np.arange(n) ** 2.0)
        record = Record.from_frequency(values, interval_s=10.0)

        np.testing.assert_allclose(record.to_phase().to_frequency().values, values, rtol=1e-13, atol=1e-24)

    def test_integration_agrees_with_allantools(self) -> None:
        """allantools.frequency2phase removes the mean as well: the same samples up to a constant."""
        values = np.random.default_rng(3).normal(1e-9, 1e-11, 500)
        ours = Record.from_frequency(values, interval_s=2.0).to_phase().values

        theirs = allantools.frequency2phase(values, 0.5)

        np.testing.assert_allclose(ours - ours.mean(), theirs - theirs.mean(), rtol=0, atol=1e-20)

    def test_phase_across_a_gap_is_refused(self) -> None:
        """The time error gained while nothing was measured is not known; the sample is named."""
        with pytest.raises(InputError, match="sample 3 of the frequency record is missing or excluded"):
            frequency_record().to_phase()

    def test_phase_across_an_excluded_sample_is_refused(self) -> None:
        """An outlier leaves a hole as well."""
        record = frequency_record().between(40, 100).with_flags(flag("outlier", 2, 3))
        with pytest.raises(InputError, match="sample 2 of the frequency record"):
            record.to_phase()

    def test_dead_time_is_said_when_integrating(self) -> None:
        """Integration over unmeasured time is an assumption, so it is a finding."""
        dead = Record.from_frequency(np.full(5, 1e-9), interval_s=10.0, gate_s=9.0).to_phase()
        whole = Record.from_frequency(np.full(5, 1e-9), interval_s=10.0, gate_s=10.0).to_phase()

        assert [f.code for f in dead.findings] == ["DEAD_TIME"]
        assert whole.findings == ()

    def test_phase_gap_becomes_a_frequency_gap_on_both_sides(self) -> None:
        """A missing phase makes the two frequencies beside it missing, and no more."""
        record = Record.from_phase(
            [0.0, 1.0, np.nan, 3.0, 4.0], interval_s=1.0, covariates={"t_c": np.arange(5.0)}
        )

        frequency = record.to_frequency()

        np.testing.assert_array_equal(frequency.values, [1.0, np.nan, np.nan, 1.0])
        np.testing.assert_array_equal(frequency.covariates["t_c"], [0.5, 1.5, 2.5, 3.5])

    def test_average_of_frequency_uses_what_is_there(self) -> None:
        """Half of the samples is enough, fewer is missing; the incomplete last group is left out."""
        np.testing.assert_allclose(
            frequency_record().averaged(2).values, [1.5e-9, 3e-9, 5.5e-9, 7.5e-9, 9.5e-9]
        )
        np.testing.assert_allclose(frequency_record().averaged(4).values, [2e-9, 6.5e-9])
        holes = Record.from_frequency([1.0, np.nan, np.nan, 4.0, 5.0, 6.0], interval_s=1.0)
        np.testing.assert_array_equal(holes.averaged(3).values, [np.nan, 5.0])

    def test_average_leaves_excluded_samples_out(self) -> None:
        """An outlier is not averaged in."""
        record = Record.from_frequency([1.0, 1.0, 99.0, 1.0], interval_s=1.0).with_flags(
            flag("outlier", 2, 3)
        )

        np.testing.assert_array_equal(record.averaged(2).values, [1.0, 1.0])

    def test_average_of_phase_keeps_every_other_sample(self) -> None:
        """Thinned phase is phase at the longer interval, the last sample included where it fits."""
        thinned = Record.from_phase(np.arange(9.0), interval_s=1.0).averaged(4)

        np.testing.assert_array_equal(thinned.values, [0.0, 4.0, 8.0])
        assert thinned.interval_s == 4.0

    def test_thinned_phase_and_averaged_frequency_agree(self) -> None:
        """Averaging commutes with going over to frequency."""
        phase = Record.from_phase(np.random.default_rng(1).normal(size=101).cumsum(), interval_s=3.0)

        np.testing.assert_allclose(
            phase.averaged(5).to_frequency().values, phase.to_frequency().averaged(5).values, rtol=1e-12
        )

    def test_dead_time_stays_visible_in_averages(self) -> None:
        """The gate of an average is the time that was measured."""
        record = Record.from_frequency(np.ones(6), interval_s=10.0, gate_s=8.0).averaged(3)

        assert (record.gate_s, record.interval_s) == (24.0, 30.0)

    @pytest.mark.parametrize("factor", [0, -2, 1.5, math.nan, math.inf])
    def test_factor_must_be_a_positive_whole_number(self, factor: float) -> None:
        """Anything else is refused; 2.0 is 2."""
        assert len(frequency_record().averaged(2.0)) == 5
        with pytest.raises(InputError, match=r"factor is .*; it must be a positive whole number"):
            frequency_record().averaged(factor)

    def test_averaging_to_nothing_is_refused(self) -> None:
        """At least two averages must be left; the error says how many samples that takes."""
        with pytest.raises(TooShortError, match="averaging by 6 leaves 1 of 10 samples") as caught:
            frequency_record().averaged(6)
        assert caught.value.needed == 12
        with pytest.raises(TooShortError, match="averaging by 10 leaves 1") as caught:
            Record.from_phase(np.zeros(10), interval_s=1.0).averaged(10)
        assert caught.value.needed == 11

    def test_part_by_seconds_and_by_utc_is_the_same(self) -> None:
        """Start inclusive, stop exclusive; the part knows its own start."""
        record = frequency_record(start="2026-03-01T00:00:00Z", covariates={"t_c": np.arange(10.0)})

        by_seconds = record.between(20, 60)
        by_utc = record.between("2026-03-01T00:00:20Z", np.datetime64("2026-03-01T00:01:00"))

        for part in (by_seconds, by_utc):
            np.testing.assert_array_equal(part.values, FREQUENCY[2:6])
            np.testing.assert_array_equal(part.covariates["t_c"], [2.0, 3.0, 4.0, 5.0])
            assert part.start == np.datetime64("2026-03-01T00:00:20", "ns")

    def test_part_to_infinity_is_the_rest(self) -> None:
        """Limits outside the record are its ends."""
        assert len(frequency_record().between(-5.0, math.inf)) == 10
        assert len(frequency_record().between(25, 1e9)) == 7

    @pytest.mark.parametrize(("start", "stop"), [(50, 40), (0, 10), (1e6, 2e6), (-9, -5)])
    def test_empty_part_is_refused(self, start: float, stop: float) -> None:
        """Fewer than two samples in between is an error that says how long the record is."""
        with pytest.raises(InputError, match=r"fewer than 2 samples lie between .*; the record lasts 100 s"):
            frequency_record().between(start, stop)

    def test_part_by_utc_needs_a_start(self) -> None:
        """A log without time cannot be cut by the calendar; nonsense is refused too."""
        with pytest.raises(InputError, match="states no start time"):
            frequency_record().between("2026-03-01", "2026-03-02")
        with pytest.raises(InputError, match="nan is not a moment"):
            frequency_record().between(math.nan, 50)

    def test_part_of_integrated_phase_keeps_its_time_error(self) -> None:
        """Cutting moves no sample: the time error gained before the cut stays."""
        whole = Record.from_frequency(1e-6 + 1e-9 * np.arange(50), interval_s=10.0).to_phase()

        np.testing.assert_allclose(whole.between(200, 400).phase_s, whole.phase_s[20:40], rtol=1e-13)


class TestFlagsAndSteps:
    """Flags point at the same samples in every form."""

    def test_excluded_samples_are_counted_once_and_not_if_missing(self) -> None:
        """Missing and excluded are different; overlapping flags do not count twice."""
        record = frequency_record().with_flags(flag("outlier", 2, 5), flag("warm_up", 0, 3))

        assert (record.missing, record.excluded) == (1, 4)
        np.testing.assert_array_equal(
            np.isnan(record.usable_values(without_steps=False)[:6]), [1, 1, 1, 1, 1, 0]
        )
        np.testing.assert_array_equal(record.values, FREQUENCY)  # nothing is deleted

    def test_frequency_step_is_subtracted_from_frequency(self) -> None:
        """A record with a step is the record without it plus the step."""
        clean = np.random.default_rng(2).normal(size=40)
        stepped = clean + 3.0 * (np.arange(40) >= 17)
        record = Record.from_frequency(stepped, interval_s=10.0).with_flags(
            flag("frequency_step", 17, 18, excluded=False, size=3.0)
        )

        np.testing.assert_allclose(record.usable_values(without_steps=True), clean, atol=1e-14)
        np.testing.assert_array_equal(record.usable_values(without_steps=False), stepped)

    def test_two_kinds_of_step_are_subtracted_from_phase(self) -> None:
        """A phase step is a level, a frequency step a slope from there on."""
        t = 10.0 * np.arange(40)
        clean = np.random.default_rng(2).normal(size=40)
        stepped = clean + 5.0 * (np.arange(40) >= 9) + 0.3 * np.maximum(0.0, t - t[21])
        record = Record.from_phase(stepped, interval_s=10.0).with_flags(
            flag("frequency_step", 21, 22, excluded=False, size=0.3),
            flag("phase_step", 9, 10, excluded=False, size=5.0),
        )

        assert [step.cause for step in record.steps] == ["phase_step", "frequency_step"]
        np.testing.assert_allclose(record.usable_values(without_steps=True), clean, atol=1e-12)

    def test_frequency_step_survives_going_to_phase_and_back(self) -> None:
        """The step lies at the same moment in either form and subtracts to the same clock."""
        stepped = 1e-9 + 3e-9 * (np.arange(40) >= 17)
        record = Record.from_frequency(stepped, interval_s=10.0).with_flags(
            flag("frequency_step", 17, 17, excluded=False, size=3e-9)
        )

        phase = record.to_phase()
        again = phase.to_frequency()

        slopes = np.diff(phase.usable_values(without_steps=True)) / 10.0
        np.testing.assert_allclose(slopes, slopes[0], atol=1e-22)
        np.testing.assert_allclose(again.usable_values(without_steps=True), 1e-9, rtol=1e-9)

    def test_phase_step_excludes_the_frequency_across_it(self) -> None:
        """The one frequency that contains the jump is left out; its neighbours stay."""
        phase = Record.from_phase([0.0, 1.0, 2.0, 9.0, 10.0], interval_s=1.0).with_flags(
            flag("phase_step", 3, 4, excluded=False, size=6.0)
        )

        frequency = phase.to_frequency()

        np.testing.assert_array_equal(frequency.usable_values(without_steps=True), [1.0, 1.0, np.nan, 1.0])
        assert "The frequency across it is left out." in frequency.flags[0].sentence

    @pytest.mark.parametrize(
        ("start", "stop", "hit"), [(0, 1, [0]), (2, 3, [1, 2]), (1, 4, [0, 1, 2, 3]), (4, 5, [3])]
    )
    def test_excluded_phase_excludes_the_frequencies_on_both_sides(
        self, start: int, stop: int, hit: list[int]
    ) -> None:
        """A frequency that uses an excluded phase is excluded, at the ends as well."""
        phase = Record.from_phase(np.arange(5.0), interval_s=1.0).with_flags(flag("outlier", start, stop))

        usable = phase.to_frequency().usable_values(without_steps=False)

        assert list(np.flatnonzero(np.isnan(usable))) == hit

    @pytest.mark.parametrize(
        ("start", "stop", "expected"),
        [(0, 3, None), (2, 4, (0, 1)), (5, 7, (2, 4)), (8, 10, (5, 6)), (9, 10, None), (0, 10, (0, 6))],
    )
    def test_flags_are_cut_with_the_record(
        self, start: int, stop: int, expected: tuple[int, int] | None
    ) -> None:
        """Of samples 3 to 9, flags keep the part inside and vanish outside."""
        part = frequency_record().with_flags(flag("outlier", start, stop)).between(30, 90)

        assert [(f.start, f.stop) for f in part.flags] == ([] if expected is None else [expected])

    def test_a_note_that_spans_the_cut_stays(self) -> None:
        """What was noticed about all samples is still true of a part."""
        record = frequency_record().with_flags(flag("quantised", 0, 10, excluded=False))

        assert [(f.cause, f.start, f.stop) for f in record.between(0, 50).flags] == [("quantised", 0, 5)]
        assert [(f.cause, f.start, f.stop) for f in record.between(40, 100).flags] == [("quantised", 0, 6)]

    def test_a_step_before_the_cut_is_part_of_the_start(self) -> None:
        """It would subtract nothing but a constant; a step inside keeps its place."""
        record = frequency_record().with_flags(
            flag("frequency_step", 2, 3, excluded=False, size=1e-9),
            flag("frequency_step", 6, 7, excluded=False, size=2e-9),
        )

        assert [(f.start, f.size) for f in record.between(40, 100).flags] == [(2, 2e-9)]

    @pytest.mark.parametrize("at", [4, 8, 9, 13])
    def test_phase_step_of_thinned_phase_is_in_the_next_sample_kept(self, at: int) -> None:
        """Wherever the step falls between kept samples, subtracting it leaves no step."""
        record = Record.from_phase(5.0 * (np.arange(21) >= at), interval_s=1.0).with_flags(
            flag("phase_step", at, at + 1, excluded=False, size=5.0)
        )

        np.testing.assert_array_equal(record.averaged(4).usable_values(without_steps=True), 0.0)

    def test_frequency_step_at_a_group_boundary_is_subtracted_from_averages(self) -> None:
        """Steps are carried over to averages; other flags have done their work there."""
        record = Record.from_frequency(1.0 * (np.arange(20) >= 8), interval_s=1.0).with_flags(
            flag("frequency_step", 8, 9, excluded=False, size=1.0), flag("outlier", 3, 4)
        )

        averaged = record.averaged(4)

        assert [f.cause for f in averaged.flags] == ["frequency_step"]
        np.testing.assert_array_equal(averaged.usable_values(without_steps=True), 0.0)


class TestSaying:
    """What a record says of itself."""

    def test_frame_has_time_value_covariates_and_flags(self) -> None:
        """The table for people has every sample, flagged ones with their cause."""
        record = frequency_record(start="2026-03-01", covariates={"t_c": np.arange(10.0)}).with_flags(
            flag("outlier", 4, 5), flag("frequency_step", 7, 7, excluded=False, size=1e-9)
        )

        frame = record.to_frame()

        assert list(frame.columns) == ["elapsed_s", "utc", "fractional_frequency", "t_c", "flag"]
        assert list(frame["flag"]) == ["", "", "", "", "outlier", "", "", "frequency_step", "", ""]
        assert frame["utc"].iloc[9] == np.datetime64("2026-03-01T00:01:30")

    def test_dict_is_ready_for_json_and_keeps_folders_private(self) -> None:
        """Plain values only, the source by name and hash without its folder."""
        source = Source(path="/home/somebody/logs/a.csv", sha256="0" * 64, size_bytes=10, rows=10)
        record = Record(kind="frequency", values=FREQUENCY, interval_s=10.0, source=source)
        record = record.with_flags(flag("outlier", 4, 5)).treated("condition", threshold=5)

        text = json.dumps(record.to_dict(), allow_nan=False)

        assert "somebody" not in text
        assert json.loads(text)["source"]["name"] == "a.csv"
        assert json.loads(text)["history"] == ["condition(threshold=5)"]
        assert json.loads(text)["flags"][0]["cause"] == "outlier"

    def test_fingerprint_depends_on_samples_and_spacing_only(self) -> None:
        """The same samples have the same hash whatever their precision or memory layout."""
        samples = np.array([1.0, 2.0, 0.5, np.nan])
        one = Record.from_phase(samples, interval_s=1.0).fingerprint()

        assert Record.from_phase(samples.astype(np.float32), interval_s=1.0).fingerprint() == one
        assert Record.from_phase(np.repeat(samples, 2)[::2], interval_s=1.0).fingerprint() == one
        assert Record.from_phase(samples, interval_s=2.0).fingerprint() != one
        assert Record.from_frequency(samples, interval_s=1.0).fingerprint() != one

    def test_text_fits_a_page_even_with_nothing_usable(self) -> None:
        """A record whose every sample is excluded prints, and says so, without a warning."""
        record = frequency_record(covariates={"oven_temperature_c": np.arange(10.0)}).with_flags(
            flag("outlier", 0, 10)
        )
        record = record.with_findings(Finding(code="A", severity="stop", sentence="Nothing is left. " * 9))

        text = str(record)

        assert "1 missing, 9 excluded" in " ".join(text.split())
        assert "nan" in text
        assert max(len(line) for line in text.splitlines()) <= 80

    def test_time_error_of_a_frequency_record_is_refused(self) -> None:
        """It has none until it is integrated."""
        with pytest.raises(InputError, match=r"use record.to_phase\(\).phase_s"):
            _ = frequency_record().phase_s

    def test_record_survives_pickling(self) -> None:
        """A record goes to another process with its flags and findings."""
        record = frequency_record(start="2026-03-01").with_flags(flag("outlier", 4, 5))

        again = pickle.loads(pickle.dumps(record))

        np.testing.assert_array_equal(again.values, record.values)
        assert (again.flags, again.start) == (record.flags, record.start)

    @pytest.mark.parametrize("n", [5, SCAN_BLOCK + 7])
    def test_extremes_and_mean_are_those_of_numpy(self, n: int) -> None:
        """Block by block gives what numpy gives at once."""
        values = np.random.default_rng(0).normal(3.0, 1.0, n)
        values[1] = np.nan

        expected = (np.nanmin(values), np.nanmean(values), np.nanmax(values))

        assert extremes_and_mean(values) == pytest.approx(expected, rel=1e-12, abs=0)
        assert all(math.isnan(v) for v in extremes_and_mean(np.array([np.nan])))


@pytest.mark.parametrize("kind", ["frequency", "phase"])
def test_usable_rows_are_part_of_the_usable_values(kind: str) -> None:
    """Whatever the part: overlapping flags leave their samples out, a step goes on from its row."""
    values = np.random.default_rng(1).standard_normal(60)
    outliers = [(5, 9), (7, 8), (8, 20), (40, 41)]
    flags = [Flag(cause="outlier", start=a, stop=b, excluded=True, sentence="") for a, b in outliers]
    flags.append(Flag(cause="frequency_step", start=30, stop=30, excluded=False, sentence="", size=2.0))
    record = Record(kind=kind, values=values, interval_s=10.0, flags=tuple(flags))
    expected = values - 2.0 * np.maximum(np.arange(60) - 30, 0) * 10.0
    if kind == "frequency":
        expected = values - 2.0 * (np.arange(60) >= 30)
    expected[[*range(5, 20), 40]] = np.nan
    assert record.excluded == 16
    np.testing.assert_allclose(record.usable_values(without_steps=True), expected)
    for begin, end in [(0, 60), (0, 7), (7, 8), (8, 31), (31, 60), (50, 60)]:
        np.testing.assert_allclose(record.usable_rows(begin, end, without_steps=True), expected[begin:end])
