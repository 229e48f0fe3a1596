"""Time stamps: repeated and backward ones, uneven ones, a change of interval, the computer's clock."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

import evenbeat as eb
from evenbeat.record import CheckOutcome


def stamped(offset: np.ndarray, interval_s: float = 1.0, seed: int = 1) -> eb.Record:
    """Return a white clock whose stamps lie off the grid by ``offset`` seconds."""
    levels = eb.NoiseLevels(white_fm=2e-22)
    record = eb.simulate_clock(
        len(offset), interval_s=interval_s, levels=levels, seed=seed, start="2026-03-01"
    )
    return replace(record, stamp_offset_s=offset)


def outcome(record: eb.Record, check: str) -> CheckOutcome:
    """Return what one check of a record found."""
    return eb.conditioning_report(eb.condition(record)).of(check)


def finding(record: eb.Record, code: str) -> eb.Finding:
    """Return the one finding of a code after conditioning."""
    (found,) = [f for f in eb.condition(record).findings if f.code == code]
    return found


def jitter(n: int, sigma: float = 0.01, seed: int = 1) -> np.ndarray:
    """Return white jitter of stamps."""
    return np.random.default_rng(seed).normal(0, sigma, n)


def test_a_log_on_disk_keeps_its_stamps_beside_the_grid(tmp_path: Path) -> None:
    """What a stamp lies after its place on the grid is kept to the digit; exact stamps keep nothing."""
    path = tmp_path / "log.csv"
    seconds = np.arange(200) + np.round(jitter(200), 3)
    path.write_text("time [s],frequency [Hz]\n" + "".join(f"{t:.3f},10000000.1\n" for t in seconds))
    record = eb.read_log(path)
    np.testing.assert_allclose(record.stamp_offset_s, seconds - seconds[0] - np.arange(200), atol=1e-12)
    path.write_text("time [s],frequency [Hz]\n" + "".join(f"{t},10000000.1\n" for t in range(200)))
    assert eb.read_log(path).stamp_offset_s is None


def test_stamps_follow_a_record_through_its_parts() -> None:
    """Parts, averages and frequencies of a record keep the stamps of the samples that they begin with."""
    record = stamped(jitter(100))
    np.testing.assert_array_equal(record.between(10, 50).stamp_offset_s, record.stamp_offset_s[10:50])
    np.testing.assert_array_equal(record.averaged(10).stamp_offset_s, record.stamp_offset_s[::10])
    phase = replace(record, kind="phase")
    np.testing.assert_array_equal(phase.to_frequency().stamp_offset_s, record.stamp_offset_s[:-1])
    assert record.to_phase().stamp_offset_s is None
    with pytest.raises(eb.InputError, match="stamp_offset_s has 99 samples but the record has 100"):
        replace(record, stamp_offset_s=record.stamp_offset_s[1:])


def test_repeated_and_backward_stamps_are_flagged_but_kept() -> None:
    """Planted: three rows stamped like the row before, one a second before it; none is left out."""
    offset = jitter(2000, 0.001)
    for row in (100, 500, 900):
        offset[row] = offset[row - 1] - 1.0
    offset[1500] = offset[1499] - 2.0
    result = eb.condition(stamped(offset))
    assert [f.start for f in result.flags if f.cause == "repeated_stamp"] == [100, 500, 900]
    assert [f.start for f in result.flags if f.cause == "backward_stamp"] == [1500]
    assert result.excluded == 0
    assert outcome(stamped(offset), "stamp_order").found == 4
    assert dict(finding(stamped(offset), "STAMP_ORDER").values) == {"repeated": 3, "backward": 1}


@pytest.mark.parametrize("sigma", [1e-4, 1e-2, 0.03])
def test_jitter_of_stamps_is_no_alarm(sigma: float) -> None:
    """Jitter of up to 3 % of an interval: no repeated row, even stamps, nothing found."""
    record = stamped(jitter(5000, sigma))
    assert outcome(record, "stamp_order").found == 0
    assert finding(record, "EVEN_STAMPS").values["within_95_percent_s"] == pytest.approx(
        1.96 * sigma, rel=0.1
    )


def test_uneven_stamps_are_a_finding() -> None:
    """Stamps a quarter of an interval off are uneven, and the finding says what was assumed."""
    found = finding(stamped(jitter(5000, 0.25)), "UNEVEN_STAMPS")
    assert "the readings were taken as evenly spaced 1 s apart" in found.sentence


@pytest.mark.parametrize("rate", [-4e-5, 1e-6, 3e-5, 4e-3])
@pytest.mark.parametrize("walk", [0.0, 1e-4])
def test_rate_of_the_computers_clock_is_estimated(rate: float, walk: float) -> None:
    """The planted rate lies within three standard uncertainties, with white jitter and with a random walk."""
    n = 20_000
    wander = np.cumsum(np.random.default_rng(5).normal(0, walk, n))
    found = finding(stamped(jitter(n) + rate * np.arange(n) + wander), "COMPUTER_CLOCK")
    sigma = found.values["standard_uncertainty"]
    assert abs(found.values["rate"] - rate) < 3 * sigma
    assert sigma < (1e-7 if walk == 0 else 2e-6)
    assert found.severity == ("caution" if abs(rate) > 2e-4 else found.severity)
    assert ("dead time" in found.sentence) == (rate > 2e-4)


@pytest.mark.slow
def test_a_clock_that_keeps_step_is_rarely_called_off() -> None:
    """False alarms of the three-sigma rule for white jitter, 200 logs: 0.3 % if exact, at most 2 %."""
    called = 0
    for seed in range(200):
        record = stamped(jitter(400, seed=seed))
        found = [f for f in _clock_only(record).findings if f.code == "COMPUTER_CLOCK"]
        called += found[0].severity != "good"
    assert called <= 4


def _clock_only(record: eb.Record) -> eb.Record:
    from evenbeat.conditioning.stamps import with_computer_clock_reported

    return with_computer_clock_reported(record)


def test_a_clock_that_was_set_is_told_from_its_rate() -> None:
    """Two planted settings of +0.2 s and -0.3 s are found where they are, and do not spoil the rate."""
    n = 5000
    offset = (
        jitter(n, 0.005) + 2e-5 * np.arange(n) + 0.2 * (np.arange(n) >= 1200) - 0.3 * (np.arange(n) >= 3500)
    )
    result = eb.condition(stamped(offset))
    flags = [f.start for f in result.flags if f.cause == "computer_clock_set"]
    assert flags == pytest.approx([1200, 3500], abs=1)
    found = finding(stamped(offset), "COMPUTER_CLOCK")
    assert found.values["rate"] == pytest.approx(2e-5, abs=5 * found.values["standard_uncertainty"] + 1e-6)


def test_four_logs_of_one_computer_agree(open_data: Path) -> None:
    """crystal-with-temperature-1..4 were logged by one computer in two days: one rate, 2.8e-5.

    The four estimates are independent; their spread must be what their uncertainties say (chi-squared
    of three degrees of freedom below its 99.9 % point, 16.3).
    """
    found = [
        finding(eb.read_log(path, nominal_frequency_hz=11.06e6 if k == 1 else 10.14e6), "COMPUTER_CLOCK")
        for k in (1, 2, 3, 4)
        for path in [open_data / f"crystal-with-temperature-{k}.csv.gz"]
    ]
    rates = np.array([f.values["rate"] for f in found])
    sigmas = np.array([f.values["standard_uncertainty"] for f in found])
    mean = np.average(rates, weights=sigmas**-2)
    assert mean == pytest.approx(2.78e-5, rel=0.02)
    assert np.sum(((rates - mean) / sigmas) ** 2) < 16.3


def test_module_clock_against_the_computer(open_data: Path) -> None:
    """module-clock-vs-computer: one row per module second, so the stamps give the rate of its own column.

    Its last column is the running rate in parts per million (module fast, so stamps slow), 2.3 to 2.6
    over the last rows.
    """
    record = eb.read_log(open_data / "module-clock-vs-computer.csv.gz", columns={"time": "Actual Time"})
    found = finding(record, "COMPUTER_CLOCK")
    assert -found.values["rate"] == pytest.approx(
        float(record.values[-1]), abs=3 * found.values["standard_uncertainty"]
    )


def test_duplicated_and_skipped_seconds(open_data: Path) -> None:
    """ratio-decimal-comma-quantised (SOURCES.md: duplicated and skipped whole seconds).

    Counted beside: 11 stamps that repeat the one before, two seconds without a row.
    """
    record = eb.read_log(open_data / "ratio-decimal-comma-quantised.csv.gz", quantity="frequency_ratio")
    report = eb.conditioning_report(eb.condition(record))
    assert report.of("stamp_order").found == 11
    assert report.of("gaps").found == 2
    assert report.of("computer_clock").found == 0


@pytest.mark.parametrize("places", [2, 10])
def test_a_change_of_interval_is_found(places: int) -> None:
    """From sample 1000 on only every second (tenth) place holds a reading; one is lost within."""
    values = np.array(stamped(np.zeros(3000)).values)
    keep = (np.arange(3000) < 1000) | (np.arange(3000) % places == 0)
    keep[1000 + 50 * places] = False
    values[~keep] = np.nan
    result = eb.condition(eb.Record.from_frequency(values, interval_s=1))
    (flag,) = [f for f in result.flags if f.cause == "interval_change"]
    assert flag.start == pytest.approx(1000, abs=places)
    assert flag.stop >= 3000 - places
    assert not flag.excluded
    (found,) = [f for f in result.findings if f.code == "INTERVAL_CHANGE"]
    assert found.values["longest_interval_s"] == places


@pytest.mark.parametrize("share", [0.1, 0.3])
def test_readings_lost_at_random_are_no_change_of_interval(share: float) -> None:
    """One or three in ten readings lost at random in 50 000: no stretch (chance of one below 1e-3)."""
    values = np.array(stamped(np.zeros(50_000)).values)
    values[np.random.default_rng(2).random(50_000) < share] = np.nan
    from evenbeat.conditioning.sampling import with_interval_changes_reported

    assert with_interval_changes_reported(eb.Record.from_frequency(values, interval_s=1)).flags == ()


def test_a_finer_interval_later_in_a_log_names_the_option(tmp_path: Path) -> None:
    """Daily rows that become hourly are refused with the option, and read with it."""
    path = tmp_path / "log.csv"
    hours = [*range(0, 24 * 60, 24), *range(24 * 60, 24 * 60 + 40)]
    path.write_text("time [h],fractional_frequency\n" + "".join(f"{h},{1e-9 * (h % 7)}\n" for h in hours))
    with pytest.raises(eb.LogError, match=r"line 63: the interval between rows changes from .* --interval"):
        eb.read_log(path)
    record = eb.read_log(path, interval_s=3600)
    assert record.missing == 60 * 23
    assert outcome(record, "interval_change").found == 1
