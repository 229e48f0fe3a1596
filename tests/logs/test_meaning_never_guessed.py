"""What a log means is stated or asked for: unit of time and phase, nominal frequency, which clock."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

import evenbeat as eb
from evenbeat.command.main import main


def codes(record: eb.Record) -> set[str]:
    """Return the codes of the findings."""
    return {finding.code for finding in record.findings}


def written(tmp_path: Path, content: str) -> Path:
    """Return the path of a log."""
    path = tmp_path / "log.csv"
    path.write_text(content)
    return path


def table(header: str, times: np.ndarray, readings: np.ndarray, form: str = ".4f") -> str:
    """Return a table of whole times and readings."""
    rows = "".join(f"{int(t)},{reading:{form}}\n" for t, reading in zip(times, readings, strict=True))
    return f"{header}\n{rows}"


def white(seed: int, rows: int, offset: float, noise: float, nominal_hz: float = 1e7) -> np.ndarray:
    """Return frequencies in hertz of an oscillator with white noise."""
    rng = np.random.default_rng(seed)
    return nominal_hz * (1 + offset + noise * rng.standard_normal(rows))


SECONDS = np.arange(206)


@pytest.mark.parametrize(
    ("name", "per_second"),
    [
        ("TimeNanos", 1e9),
        ("elapsedRealtimeNanos", 1e9),
        ("t_ns", 1e9),
        ("timeMs", 1e3),
        ("time_millis", 1e3),
        ("uptime_us", 1e6),
        ("time (µs)", 1e6),
        ("time_micros", 1e6),
    ],
)
def test_the_name_of_a_time_column_states_its_unit(tmp_path: Path, name: str, per_second: float) -> None:
    """A receiver's nanoseconds are no seconds: 206 s, not 6528 years."""
    content = table(f"{name},phase_ns", 7e4 * per_second + SECONDS * per_second, SECONDS)
    columns = {"time": name, "value": "phase_ns"}
    assert eb.read_log(written(tmp_path, content), columns=columns).interval_s == pytest.approx(1.0)


@pytest.mark.parametrize("header", ["t,phase_ns", "time,phase_ns", "elapsed_s,phase_ns"])
def test_times_over_centuries_are_asked_for(tmp_path: Path, header: str) -> None:
    """Bare nanoseconds span thousands of years as seconds: the unit is asked for, and the option decides."""
    path = written(tmp_path, table(header, SECONDS * 1e9, SECONDS))
    with pytest.raises(eb.LogError, match=r"every 1 s over .* in ns \(--set time_unit=ns\)"):
        eb.read_log(path)
    assert eb.read_log(path, time_unit="ns").interval_s == pytest.approx(1.0)


def test_a_year_before_1990_from_bare_numbers_is_asked_for(tmp_path: Path) -> None:
    """568 800 000 is 1988 as Unix seconds, and a week's milliseconds with a step of one second."""
    path = written(tmp_path, table("time,phase_ns", 568_800_000 + SECONDS * 1000, SECONDS))
    with pytest.raises(eb.LogError, match=r"Unix time in seconds \(year 1988\).*every 1 s .*time_unit=ms"):
        eb.read_log(path)
    record = eb.read_log(path, time_unit="ms")
    assert (record.interval_s, record.start) == (1.0, None)


def test_milliseconds_of_the_week(tmp_path: Path) -> None:
    """A column TOW with more than a week's seconds counts milliseconds, which a finding says."""
    record = eb.read_log(written(tmp_path, table("TOW,phase_ns", 568_800_000 + SECONDS * 1000, SECONDS)))
    assert (record.interval_s, record.start) == (1.0, None)
    assert "ASSUMED_TIME_FORM" in codes(record)
    plain = eb.read_log(written(tmp_path, table("TOW,phase_ns", 568_800 + SECONDS, SECONDS)))
    assert plain.interval_s == 1.0


def test_the_command_takes_the_unit_of_time(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """The option that the refusal names is one of the command."""
    path = written(tmp_path, table("time,phase_ns", SECONDS * 1e9, SECONDS))
    main(["inspect", str(path)])
    assert "--set time_unit=ns" in capsys.readouterr().out
    main(["inspect", str(path), "--set", "time_unit=ns"])
    assert "every 1 s" in capsys.readouterr().out


@pytest.mark.parametrize("header", ["phase", "time error", "TIE", "period", "interval error"])
def test_a_time_without_its_unit_is_asked_for(tmp_path: Path, header: str) -> None:
    """5.17e-6 in a column 'phase' may be seconds or microseconds: the options are named, not one assumed."""
    path = written(tmp_path, table(f"elapsed_s,{header}", SECONDS, 5.17e-6 + 1e-8 * SECONDS, ".4e"))
    with pytest.raises(eb.LogError, match=r"nothing states the unit .*--unit s, ms, us, ns or ps"):
        eb.read_log(path)


def test_the_stated_unit_of_phase_decides(tmp_path: Path) -> None:
    """Phase in microseconds that rises by 5.17e-6 of them a second is a clock 5.17e-12 fast."""
    path = written(tmp_path, table("elapsed_s,reading", SECONDS, 5.17e-6 * SECONDS, ".6e"))
    with pytest.raises(eb.LogError, match="nothing states the unit of the phase"):
        eb.read_log(path, quantity="phase")
    record = eb.read_log(path, quantity="phase", unit="us")
    assert (record.values[-1] - record.values[0]) / 205 == pytest.approx(5.17e-12, rel=1e-4)
    commented = written(tmp_path, "# unit: us\n" + path.read_text())
    np.testing.assert_array_equal(eb.read_log(commented, quantity="phase").values, record.values)


def test_a_fraction_of_several_hundred_percent_is_asked_for(tmp_path: Path) -> None:
    """A fractional frequency of 23 is in ppm or ppb, not a plain number."""
    path = written(tmp_path, table("elapsed_s,fractional frequency", SECONDS, 23 + 0.1 * SECONDS))
    with pytest.raises(eb.LogError, match="too large for a plain number"):
        eb.read_log(path)
    assert eb.read_log(path, unit="ppb").values[0] == pytest.approx(23e-9)


CRYSTALS = [  # common practice: usual frequencies of crystals, MHz
    *(0.032768, 1.8432, 3.579545, 4.194304, 8, 11.0592, 12, 12.288, 14.31818, 16, 16.384, 19.2, 19.44, 20),
    *(24.576, 25, 26, 27, 32, 38.88, 40, 48, 50, 125, 155.52),
]


@pytest.mark.parametrize("nominal_mhz", CRYSTALS)
def test_the_nominal_frequency_of_a_crystal_is_asked_for(tmp_path: Path, nominal_mhz: float) -> None:
    """No round value is assumed; the right one is named first, and stating it gives the offset."""
    readings = white(1, 206, -2e-5, 1e-9, nominal_mhz * 1e6)
    path = written(tmp_path, table("time_s,frequency_hz", SECONDS, readings))
    with pytest.raises(eb.LogError, match=r"states no nominal frequency.*--nominal-frequency") as refused:
        eb.read_log(path)
    name = f"{nominal_mhz:.10g} MHz" if nominal_mhz >= 1 else f"{nominal_mhz * 1e3:.10g} kHz"
    assert f"near by are {name}" in str(refused.value)
    record = eb.read_log(path, nominal_frequency_hz=nominal_mhz * 1e6)
    assert record.values.mean() == pytest.approx(-2e-5, rel=1e-3)


def test_no_tolerance_is_judged_on_an_assumed_nominal(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """5 ppm off 10 MHz is out of ±1e-8 only if 10 MHz is meant: assumed, it cannot be told."""
    for nominal_mhz in (1, 5, 100, 10):
        readings = white(2, 206, 5e-6, 1e-10, nominal_mhz * 1e6)
        path = written(tmp_path, table("time_s,frequency_hz", SECONDS, readings, ".6f"))
        record = eb.read_log(path)
        assert "ASSUMED_NOMINAL" in codes(record)
    assessment = eb.assess(record, tolerance=1e-8)
    assert assessment.now is not None
    assert (assessment.now.state, assessment.interval) == ("cannot be told", None)
    told = str(assessment)
    assert "--nominal-frequency '10 MHz'" in " ".join(told.split())
    assert "Adjust it" not in told
    assert "change it by" not in told
    stated = ["assess", str(path), "--tolerance", "1e-8", "--no-report", "--fail-if-out"]
    assert main(stated) == 0
    assert main([*stated, "--nominal-frequency", "10 MHz"]) == 1
    assert "Out of tolerance now" in capsys.readouterr().out


def counted(bits: int, seconds: np.ndarray, offset: float, nominal_hz: float = 1e7) -> np.ndarray:
    """Return a free-running count of so many bits."""
    return np.mod(38_527 + np.floor(nominal_hz * (1 + offset) * seconds), 2**bits)


def test_a_short_count_asks_for_the_nominal_frequency(tmp_path: Path) -> None:
    """Sixteen bits of 10 MHz wrap 152 times a second: only the nominal frequency tells the offset."""
    seconds = np.arange(2000)
    path = written(tmp_path, table("sec,tcnt", seconds, counted(16, seconds, -3.2e-6), ".0f"))
    with pytest.raises(eb.LogError, match=r"wraps several times.*--nominal-frequency"):
        eb.read_log(path)
    record = eb.read_log(path, nominal_frequency_hz=1e7)
    assert record.values[-1] / 1999 == pytest.approx(-3.2e-6, rel=1e-3)
    assert "COUNT_WRAPPED" in codes(record)


def test_a_count_without_a_name_is_no_frequency(tmp_path: Path) -> None:
    """Counts spread over 0 … 65 535 have their median near 32 768, and are not hertz of a watch crystal."""
    seconds = np.arange(2000)
    path = written(tmp_path, table("t,n", seconds, counted(16, seconds, -3.2e-6), ".0f"))
    with pytest.raises(eb.LogError, match=r"nothing says what the readings of column 'n'"):
        eb.read_log(path)


def test_field_logs_of_crystals_and_counts(field_logs: Path) -> None:
    """n12288, n32768 and the 16-bit count ask for the nominal frequency; stated, they give the truth."""
    for name, nominal_hz, offset, sentence in (
        ("n12288.csv.gz", 12.288e6, -2e-5, "12.288 MHz"),
        ("n32768.csv.gz", 32768.0, -8e-6, "32.768 kHz"),
    ):
        with pytest.raises(eb.LogError, match=sentence):
            eb.read_log(field_logs / name)
        record = eb.read_log(field_logs / name, nominal_frequency_hz=nominal_hz)
        assert np.nanmean(record.values) == pytest.approx(offset, rel=1e-3)
    path = field_logs / "08b-count16.txt.gz"
    with pytest.raises(eb.LogError, match="--nominal-frequency"):
        eb.read_log(path)
    record = eb.read_log(path, nominal_frequency_hz=1e7)
    assert record.values[-1] / (len(record) - 1) == pytest.approx(-3.2e-8, rel=0.02)


def in_turn(seed: int, rows: int, *offsets: float) -> np.ndarray:
    """Return frequencies of several oscillators read in turn."""
    each = [white(seed + k, rows, offset, 1e-11) for k, offset in enumerate(offsets)]
    return np.stack(each, axis=1).ravel()


@pytest.mark.parametrize("offsets", [(-3.2e-8, 2.1e-7), (-3.2e-8, 2.1e-7, -9e-8)])
def test_oscillators_in_turn_are_named_and_chosen(tmp_path: Path, offsets: tuple[float, ...]) -> None:
    """Their mean is of none of them: the levels are named, and each is read with the option that is named."""
    turn = len(offsets)
    readings = in_turn(3, 200, *offsets)
    path = written(tmp_path, table("time_s,frequency_hz", 5 * np.arange(len(readings)), readings))
    with pytest.raises(eb.LogError, match=rf"9999999.68.*10000002.1.*--set every={turn} --set row_offset=1"):
        eb.read_log(path, nominal_frequency_hz=1e7)
    for k, offset in enumerate(offsets):
        record = eb.read_log(path, nominal_frequency_hz=1e7, every=turn, offset=k)
        assert record.values.mean() == pytest.approx(offset, rel=1e-3)
        assert (len(record), record.interval_s) == (200, 5.0 * turn)
        (finding,) = [f for f in record.findings if f.code == "CHOSEN_ROWS"]
        assert finding.values["left_out"] == len(readings) - 200
    assert len(eb.read_log(path, nominal_frequency_hz=1e7, every=1)) == len(readings)


def test_a_lost_row_does_not_swap_the_oscillators(tmp_path: Path) -> None:
    """Where times show that a row is missing, the turn goes on behind it."""
    readings, times = in_turn(4, 200, -3.2e-8, 2.1e-7), 5 * np.arange(400)
    kept = np.delete(np.arange(400), 121)
    path = written(tmp_path, table("time_s,frequency_hz", times[kept], readings[kept]))
    record = eb.read_log(path, nominal_frequency_hz=1e7, every=2, offset=0)
    np.testing.assert_allclose(record.values, -3.2e-8, atol=1e-10)


def test_labels_of_oscillators_are_named_and_chosen(tmp_path: Path) -> None:
    """A column of few labels tells the oscillators apart, also where they read the same."""
    for offsets in ((-3.2e-8, 2.1e-7), (-3.2e-8, -3.2e-8)):
        readings = in_turn(5, 200, *offsets)
        rows = "".join(
            f"{5 * k},{'heron' if k % 2 else 'tern'},{reading:.4f}\n" for k, reading in enumerate(readings)
        )
        path = written(tmp_path, f"time_s,clock,frequency_hz\n{rows}")
        with pytest.raises(eb.LogError, match=r"'clock'.*'tern'.*--set select"):
            eb.read_log(path, nominal_frequency_hz=1e7)
        for name, offset in zip(("tern", "heron"), offsets, strict=True):
            record = eb.read_log(path, nominal_frequency_hz=1e7, select=name)
            assert record.values.mean() == pytest.approx(offset, rel=1e-3)
    with pytest.raises(eb.LogError, match=r"no row is labelled 'gull'.*heron, tern"):
        eb.read_log(path, select="gull")


def test_a_steady_remark_and_a_toggling_display_are_no_oscillators(tmp_path: Path) -> None:
    """A status that changes without a change of level, and two neighbouring display values, are one clock."""
    readings = white(6, 200, 1e-9, 1e-10)
    rows = "".join(
        f"{k},{reading:.4f},{'steady' if k % 7 else 'locked'}\n" for k, reading in enumerate(readings)
    )
    path = written(tmp_path, f"time_s,frequency_hz,state\n{rows}")
    assert len(eb.read_log(path, nominal_frequency_hz=1e7)) == 200
    toggling = table("time_s,frequency_hz", SECONDS, 1e7 + 0.01 * (SECONDS % 2), ".2f")
    assert len(eb.read_log(written(tmp_path, toggling), nominal_frequency_hz=1e7)) == 206


def test_field_log_of_two_oscillators(field_logs: Path) -> None:
    """06b: asks, and each oscillator has its own offset."""
    path = field_logs / "06b-two-interleaved-nolabel.csv.gz"
    with pytest.raises(eb.LogError, match=r"alternate from row to row between 9999999.6.* and 10000002"):
        eb.read_log(path)
    for k, offset in enumerate((-3.2e-8, 2.1e-7)):
        record = eb.read_log(path, every=2, offset=k)
        assert np.nanmean(record.values) == pytest.approx(offset, rel=0.01)
        assert record.interval_s == 10.0


@pytest.mark.slow
def test_the_command_chooses_an_oscillator(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """The options that the refusal names are those of the command."""
    readings = in_turn(3, 200, -3.2e-8, 2.1e-7)
    path = written(tmp_path, table("time_s,frequency_hz", 5 * np.arange(400), readings))
    asked = ["assess", str(path), "--no-report", "--nominal-frequency", "10 MHz"]
    assert main(asked) == 2
    assert main([*asked, "--set", "every=2", "--set", "row_offset=1"]) == 0
    assert "2.1" in capsys.readouterr().out


HERTZ = white(7, 60, -3.2e-8, 2e-11)


def found(record: eb.Record, code: str) -> eb.Finding:
    """Return the one finding with a code."""
    (finding,) = [finding for finding in record.findings if finding.code == code]
    return finding


def test_a_moment_in_brackets_and_a_frequency_with_its_unit(tmp_path: Path) -> None:
    """``[time] F1= 9.99 MHz`` needs no option: time, value and unit are all written down."""
    rows = "".join(f"[2026-05-06 12:00:{k % 60:02d}] F1= {f / 1e6:.12f} MHz\n" for k, f in enumerate(HERTZ))
    record = eb.read_log(written(tmp_path, rows), nominal_frequency_hz=1e7)
    np.testing.assert_allclose(record.values, HERTZ / 1e7 - 1, rtol=1e-5)
    assert (record.interval_s, str(record.start)[:19]) == (1.0, "2026-05-06T12:00:00")
    assert not codes(record) & {"ASSUMED_QUANTITY", "ASSUMED_UNIT"}


def test_a_number_of_the_reading_behind_a_hash_is_no_comment(tmp_path: Path) -> None:
    """``TI= 402.99 ns #0`` is a phase in nanoseconds."""
    rows = "".join(f"TI= {402.99 + 0.1 * k:.2f} ns #{k}\n" for k in range(50))
    record = eb.read_log(written(tmp_path, rows), interval_s=1)
    assert record.kind == "phase"
    np.testing.assert_allclose(record.values, (402.99 + 0.1 * np.arange(50)) * 1e-9, rtol=1e-9)


def test_prompts_and_queries_between_the_readings(tmp_path: Path) -> None:
    """Every line that is no reading is in the ledger with its reason; nothing has to be rejected by hand."""
    rows = "".join(f"> READ?\n{reading:+.11E}\n" for reading in HERTZ)
    content = f'*IDN?\nBENCH COUNTER,0,1.2\n{rows}> SYST:ERR?\n+0,"No error"\n{rows}> \n'
    path = written(tmp_path, content)
    record = eb.read_log(path, interval_s=1, nominal_frequency_hz=1e7)
    np.testing.assert_allclose(record.values, np.tile(HERTZ, 2) / 1e7 - 1, rtol=1e-3)
    finding = found(record, "REJECTED_LINES")
    assert (finding.severity, finding.values["rejected"]) == ("note", 2 * len(HERTZ) + 5)
    seen = eb.inspect_log(path, interval_s=1, nominal_frequency_hz=1e7)
    assert seen.readable
    assert [line.line for line in seen.rejected][:3] == [1, 2, 3]


@pytest.mark.parametrize(
    ("row", "marks"),
    [
        ("{}", ",."),
        ("{}", "'."),
        ("{}", "\N{NARROW NO-BREAK SPACE},"),
        ("2026-03-01T00:00:{:02d}Z;{}", " ."),
        ("2026-03-01T00:00:{:02d}Z;{}", ".,"),
        ("2026-03-01 00:00:{:02d}Z\t{}", ",."),
        ('"2026-03-01 00:00:{:02d}Z","{}"', ",."),
        ("2026-03-01 00:00:{:02d}Z, {} ,1", "\N{RIGHT SINGLE QUOTATION MARK}."),
    ],
)
def test_marks_of_thousands(tmp_path: Path, row: str, marks: str) -> None:
    """9,999,999.680 is one number, never 999.68; a finding says how it was read.

    The small space is that of ISO 80000-1, 7.3.1 (from memory), the other marks are common practice.
    """
    said = [f"{reading:,.6f}".translate({44: marks[0], 46: marks[1]}) for reading in HERTZ[:60]]
    rows = [row.format(*([k] * ("{:02d}" in row)), text) for k, text in enumerate(said)]
    header = "utc;f\n" if ";" in row else ""
    stated = {} if ":" in row else {"interval_s": 10}
    columns = {"columns": {"value": 1}} if ":" in row else {}
    record = eb.read_log(
        written(tmp_path, header + "\n".join(rows) + "\n"),
        nominal_frequency_hz=1e7,
        quantity="frequency",
        unit="Hz",
        **stated,
        **columns,
    )
    np.testing.assert_allclose(record.values, HERTZ[:60] / 1e7 - 1, rtol=1e-4)
    np.testing.assert_allclose(record.values, HERTZ / 1e7 - 1, rtol=1e-4)
    assert "marks of thousands" in found(record, "THOUSANDS").sentence


def test_a_row_number_before_a_comma_marks_no_thousands(tmp_path: Path) -> None:
    """``1,100.5`` may be two cells, and is read as two."""
    path = written(tmp_path, "".join(f"{k},{100.5 + k % 3}\n" for k in range(1, 60)))
    record = eb.read_log(path, quantity="phase", unit="ns", every=1)
    assert np.nanmax(record.values) == pytest.approx(102.5e-9)


@pytest.mark.parametrize("name", ["delta_f", "df", "freq offset", "frequency_error"])
def test_a_difference_in_hertz_asks_for_the_nominal(tmp_path: Path, name: str) -> None:
    """-0.32 Hz is -3.2e-8 of 10 MHz only; the unit and the nominal frequency are asked for."""
    path = written(tmp_path, table(f"t,{name}", np.arange(60), HERTZ - 1e7, ".6f"))
    with pytest.raises(eb.LogError, match=r"--unit Hz and --nominal-frequency"):
        eb.read_log(path)
    with pytest.raises(eb.LogError, match=r"--nominal-frequency '10 MHz'"):
        eb.read_log(path, unit="Hz")
    record = eb.read_log(path, unit="Hz", nominal_frequency_hz=1e7)
    np.testing.assert_allclose(record.values, HERTZ / 1e7 - 1, rtol=1e-4)
    assert eb.read_log(path, unit="ppb").values.mean() == pytest.approx(-0.32e-9, rel=1e-2)


def test_a_prefix_without_its_unit(tmp_path: Path) -> None:
    """``9.99999968M`` is in megahertz where hertz are stated anywhere; alone it is asked for."""
    rows = "".join(f"{reading / 1e6:.12f}M\n" for reading in HERTZ)
    path = written(tmp_path, rows)
    with pytest.raises(eb.LogError, match="--unit MHz"):
        eb.read_log(path, interval_s=1)
    for unit in ("MHz", "Hz"):
        record = eb.read_log(path, interval_s=1, unit=unit, nominal_frequency_hz=1e7)
        np.testing.assert_allclose(record.values, HERTZ / 1e7 - 1, rtol=1e-4)


def test_two_digits_are_a_relative_resolution(tmp_path: Path) -> None:
    """A pulse interval with two digits steps by 1e-7 s at 2 µs: that is no phase step of the clock."""
    rng = np.random.default_rng(8)
    phase = np.abs(1.2e-10 * np.arange(20_000) + 1e-9 * rng.standard_normal(20_000) + 5e-9)
    path = written(tmp_path, "".join(f"1PPS TI {value:.1E}\n" for value in phase))
    with pytest.raises(eb.LogError, match="--quantity phase"):
        eb.read_log(path, interval_s=1)
    record = eb.read_log(path, interval_s=1, quantity="phase", unit="s")
    assert record.resolution == pytest.approx(1e-7)
    assert "grows with their size" in found(record, "RELATIVE_RESOLUTION").sentence
    assert not eb.condition(record).steps
    slope = np.polyfit(np.arange(20_000), record.values, 1)[0]
    assert slope == pytest.approx(1.2e-10, rel=0.01)


def test_remarks_behind_some_rows_are_kept(tmp_path: Path) -> None:
    """No row is lost because of a remark, and the remarks are told with their lines."""
    remarks = {2: "cold room", 5: "after the move", 7: "cold room"}
    rows = "".join(
        f"{1 + k:02d}/05/2024   {1e7 + 0.3 + 0.01 * k:.2f}   {remarks.get(k, '')}\n" for k in range(20)
    )
    head = "Date        Reading (Hz)   Remarks\n----------  -------------  -------\n"
    path = written(tmp_path, head + rows)
    record = eb.read_log(path, nominal_frequency_hz=1e7)
    np.testing.assert_allclose(record.values, 3e-8 + 1e-9 * np.arange(20), rtol=1e-4)
    assert record.interval_s == 86_400
    finding = found(record, "REMARKS")
    assert finding.values["rows"] == 3
    assert "'cold room' in lines 5, 10" in finding.sentence


def test_a_log_of_mostly_other_lines_is_refused(tmp_path: Path) -> None:
    """Where most lines are no readings, three of the others are shown instead of an answer."""
    other = "lamp on\ndoor shut today\n"
    rows = "".join(f"{reading:.4f}\n" + other * (k > 20) for k, reading in enumerate(HERTZ))
    path = written(tmp_path, rows)
    with pytest.raises(eb.LogError, match=r"only 60 of 138 lines are readings.*'lamp on'.*'door shut today'"):
        eb.read_log(path, interval_s=1, bad_lines="reject", nominal_frequency_hz=1e7)


def test_field_logs_as_counters_write_them(field_logs: Path) -> None:
    """01, 03, 04, 05, 10 and 14: the truth of README, with what each asks for."""
    offsets: dict[str, dict[str, object]] = {
        "01-serial-prompts.txt.gz": {"interval_s": 1},
        "03-thousands.txt.gz": {"interval_s": 10},
        "04-mhz-suffix.log.gz": {},
        "14-delta-hz.csv.gz": {"unit": "Hz", "nominal_frequency_hz": 1e7},
    }
    for name, options in offsets.items():
        record = eb.read_log(field_logs / name, **options)
        assert np.nanmean(record.values) == pytest.approx(-3.2e-8, rel=2e-3), name
    pulses = eb.read_log(field_logs / "05-1pps-ti.txt.gz", interval_s=1, quantity="phase", unit="s")
    slope = np.polyfit(np.arange(len(pulses)), pulses.values, 1)[0]
    assert slope == pytest.approx(1.2e-10, rel=0.01)
    assert not eb.condition(pulses).steps
    path = field_logs / "10-hand.txt"
    hand = eb.read_log(path, nominal_frequency_hz=1e7)
    rate, start = np.polyfit(np.arange(30), hand.values, 1)
    assert (len(hand), hand.missing, hand.epochs_ns is None) == (30, 0, False)
    assert start == pytest.approx(3e-8, rel=0.15)
    assert rate == pytest.approx(2e-9, rel=0.15)
    assert found(hand, "REMARKS").values["rows"] == 15


def test_a_label_whose_rows_hold_no_reading_is_none(tmp_path: Path) -> None:
    """Two words in turn, one of them always without a reading: read with gaps, without a word on stderr."""
    rows = [f"{10 * k},{'' if k % 2 else f'{1e7 + k % 7 * 1e-3:.4f}'},{'AB'[k % 2]}" for k in range(60)]
    path = tmp_path / "log.csv"
    path.write_text("elapsed_s,frequency_hz,channel\n" + "\n".join(rows) + "\n")
    assert eb.read_log(path).missing == 30
