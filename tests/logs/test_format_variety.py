"""The ways of writing met in public logs of clocks: each is read, or the sentence says what it needs.

The list is of forms seen in logs that people published (time columns, units, signs, separators, headers,
noise); the tiny files are our own, with invented readings.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
import pytest

import evenbeat as eb

OFFSETS = np.array([1.2, -0.7, 2.1, 0.4, -1.1, 0.9, 0.2, 1.5]) * 1e-10
HERTZ = (1e7 * (1 + OFFSETS)).tolist()
PHASE = (np.array([3.0, 5.0, 4.0, 7.0, 6.0, 9.0, 8.0, 11.0]) * 1e-9).tolist()
STAMPED = "time,frequency_hz\n"
ELAPSED = "elapsed_s,frequency_hz\n"


@dataclass(frozen=True, kw_only=True)
class Way:
    """One way of writing: the text, options, and what is expected of the record or of the refusal."""

    text: str
    options: dict[str, Any] = field(default_factory=dict)
    values: np.ndarray | None = None
    interval_s: float = 1.0
    start: str | None = None
    said: tuple[str, ...] = ()
    refused: str = ""


def lines(row: Callable[[int], str]) -> str:
    """Return eight lines."""
    return "".join(f"{row(k)}\n" for k in range(8))


def stamp(k: int, zone: str = "Z") -> str:
    """Return the time of row ``k``."""
    return f"2026-01-01T00:00:{k:02d}{zone}"


def hertz(k: int) -> str:
    """Return a reading in hertz."""
    return f"{HERTZ[k]:.4f}"


FREQUENCY, TIME_ERROR = OFFSETS, np.array(PHASE)
FIRST = "2026-01-01T00:00:00"
WAYS: dict[str, Way] = {
    # time
    "no time": Way(
        text="frequency_hz\n" + lines(hertz), refused="give the spacing of its rows with --interval"
    ),
    "no time, interval given": Way(text=lines(hertz), options={"interval_s": 1.0}, values=FREQUENCY),
    "Unix seconds with two decimals": Way(
        text="unix_s,frequency_hz\n" + lines(lambda k: f"{1767225600 + k}.25,{hertz(k)}"),
        values=FREQUENCY,
        start="2026-01-01T00:00:00.25",
    ),
    "Unix nanoseconds": Way(
        text=lines(lambda k: f"{1767225600123456789 + k * 10**9},{hertz(k)}"),
        values=FREQUENCY,
        start="2026-01-01T00:00:00.123456789",
        said=("ASSUMED_TIME_FORM",),
    ),
    "milliseconds of a week that begins anew": Way(
        text="tow_ms,phase_ns\n"
        + lines(lambda k: f"{(604796000 + k * 1000) % 604800000},{PHASE[k] * 1e9:.3f}"),
        values=TIME_ERROR,
        said=("TIME_WRAPPED",),
    ),
    "MJD and seconds": Way(
        text="mjd,sod,offset_s\n" + lines(lambda k: f"61100,{100 + k},{PHASE[k]:.3e}"),
        values=TIME_ERROR,
        start="2026-03-01T00:01:40",
    ),
    "fractional MJD": Way(
        text="mjd,phase_s\n" + lines(lambda k: f"{61100 + k / 24:.6f},{PHASE[k]:.3e}"),
        values=TIME_ERROR,
        interval_s=3600.0,
        start="2026-03-01T00:00:00",
    ),
    "hhmmss over midnight": Way(
        text="hhmmss,frequency_hz\n" + lines(lambda k: f"{(235956 + k) if k < 4 else k - 4:06d},{hertz(k)}"),
        values=FREQUENCY,
        said=("NO_DATE",),
    ),
    "hhmmss without a name": Way(
        text=lines(lambda k: f"{(100056 + k) if k < 4 else 100096 + k} {hertz(k)}"),
        values=FREQUENCY,
        said=("NO_DATE", "ASSUMED_TIME_FORM"),
    ),
    "day of the year": Way(
        text=STAMPED + lines(lambda k: f"2026-{100 + k},{hertz(k)}"),
        values=FREQUENCY,
        interval_s=86400.0,
        start="2026-04-10T00:00:00",
    ),
    "a sign in front, the month as a word": Way(
        text=lines(lambda k: f"@09-JUN-2019-10:00:{k:02d} {hertz(k)}"),
        values=FREQUENCY,
        start="2019-06-09T10:00:00",
    ),
    "days of a spreadsheet": Way(
        text="date,frequency_hz\n" + lines(lambda k: f"{46023 + k / 86400:.10f},{hertz(k)}"),
        values=FREQUENCY,
        start=FIRST,
        said=("ASSUMED_TIME_FORM",),
    ),
    "local time without zone": Way(
        text=STAMPED + lines(lambda k: f"{stamp(k, '').replace('T', ' ')},{hertz(k)}"),
        values=FREQUENCY,
        start=FIRST,
        said=("NO_TIME_ZONE",),
    ),
    "the start in a sentence only": Way(
        text="# begun at 2026-01-01 12:00:00 by hand\n" + ELAPSED + lines(lambda k: f"{k},{hertz(k)}"),
        values=FREQUENCY,
        said=("DATE_IN_COMMENT",),
    ),
    # values
    "megahertz": Way(
        text="elapsed_s,frequency [MHz]\n" + lines(lambda k: f"{k},{HERTZ[k] * 1e-6:.12f}"), values=FREQUENCY
    ),
    "parts per million": Way(
        text="elapsed_s,frequency offset (ppm)\n" + lines(lambda k: f"{k},{OFFSETS[k] * 1e6:.6f}"),
        values=FREQUENCY,
    ),
    "units of 1e-11": Way(
        text="elapsed_s,fractional frequency [1e-11]\n" + lines(lambda k: f"{k},{OFFSETS[k] * 1e11:.3f}"),
        values=FREQUENCY,
    ),
    "microseconds": Way(
        text="elapsed_s,phase [µs]\n" + lines(lambda k: f"{k},{PHASE[k] * 1e6:.6f}"), values=TIME_ERROR
    ),
    "tenths of nanoseconds": Way(
        text="elapsed_s,phase [0.1 ns]\n" + lines(lambda k: f"{k},{PHASE[k] * 1e10:.2f}"), values=TIME_ERROR
    ),
    "seconds per clock count": Way(
        text="elapsed_s,seconds per clock count\n" + lines(lambda k: f"{k},{1 / HERTZ[k]:.17e}"),
        refused="could all be the time; choose with --column time=",
    ),
    "seconds per clock count, told": Way(
        text="elapsed_s,seconds per clock count\n" + lines(lambda k: f"{k},{1 / HERTZ[k]:.17e}"),
        options={"columns": {"time": 0, "value": 1}, "quantity": "period", "unit": "s"},
        values=FREQUENCY,
    ),
    "ratio to one": Way(
        text="elapsed_s,ratio\n" + lines(lambda k: f"{k},{1 + OFFSETS[k]:.14f}"), values=FREQUENCY
    ),
    "errors of one second in microseconds": Way(
        text="elapsed_s,interval error [us]\n" + lines(lambda k: f"{k},{-OFFSETS[k] * 1e6:.6f}"),
        values=FREQUENCY,
        said=("ASSUMED_SECONDS",),
    ),
    "1e6 minus the interval": Way(
        text=lines(lambda k: f"{OFFSETS[k] * 1e6:.6f}"),
        options={"quantity": "interval_error", "unit": "-us", "interval_s": 1.0},
        values=FREQUENCY,
    ),
    "a correction to add": Way(
        text="elapsed_s,correction to add [ns]\n" + lines(lambda k: f"{k},{PHASE[k] * 1e9:.1f}"),
        values=TIME_ERROR,
        said=("CORRECTION",),
    ),
    # separators
    "semicolon and decimal comma": Way(
        text="elapsed_s;frequency_hz\n" + lines(lambda k: f"{k};{hertz(k)}".replace(".", ",")),
        values=FREQUENCY,
        said=("DECIMAL_COMMA",),
    ),
    "bars": Way(text=lines(lambda k: f"| {stamp(k)} | {hertz(k)} |"), values=FREQUENCY, start=FIRST),
    "fixed columns, one of them empty": Way(
        text=" elapsed_s  frequency_hz  temp_c\n"
        + lines(lambda k: f"{k:10d}  {hertz(k):>12}  " + ("" if k == 3 else f"{20 + k:6.1f}")),
        values=FREQUENCY,
    ),
    "name=value": Way(
        text=lines(lambda k: f"time={stamp(k)} freq={hertz(k)}Hz temp=21.{k}"), values=FREQUENCY, start=FIRST
    ),
    "JSON lines": Way(
        text=lines(lambda k: f'{{"time": "{stamp(k)}", "freq_hz": {hertz(k)}, "temp": 21.{k}}}'),
        values=FREQUENCY,
        start=FIRST,
    ),
    "records over two lines": Way(
        text=lines(lambda k: f"{stamp(k)}\n  {hertz(k)}"),
        refused="line 1: each record is wrapped over two lines",
    ),
    "records of two kinds": Way(
        text=lines(lambda k: f"CLK,{k},{PHASE[k]:.3e}\nTMP,{k},{20 + k / 10:.1f},x,y"),
        refused="records of several kinds apart ('CLK' with 3 cells, 'TMP' with 5 cells)",
    ),
    "two rows for each time": Way(
        text="time,who,phase_s\n" + lines(lambda k: f"{stamp(k)},A,{PHASE[k]}\n{stamp(k)},B,{PHASE[k]}"),
        refused="column 'who' labels the rows of several oscillators",
    ),
    # numbers
    "three digits of exponent": Way(
        text="elapsed_s,phase_s\n" + lines(lambda k: f"{k},{PHASE[k]:+.7E}".replace("E-0", "E-00")),
        values=TIME_ERROR,
    ),
    "fourteen decimals": Way(text=ELAPSED + lines(lambda k: f"{k},{HERTZ[k]:.14f}"), values=FREQUENCY),
    "hexadecimal": Way(
        text="elapsed_s,count\n" + lines(lambda k: f"{k},{10**7 * k:08X}"),
        refused="no column of decimal numbers is left for the clock among 'elapsed_s', 'count'",
    ),
    "the word None": Way(
        text=ELAPSED + lines(lambda k: f"{k},{'None' if k == 3 else hertz(k)}"),
        values=np.where(np.arange(8) == 3, np.nan, FREQUENCY),
        said=("MISSING_READINGS",),
    ),
    # headers
    "no header": Way(
        text=lines(lambda k: f"{k},{hertz(k)}"),
        values=FREQUENCY,
        said=("ASSUMED_QUANTITY", "ASSUMED_TIME_COLUMN"),
    ),
    "header behind a star": Way(
        text="* bench 3\n* elapsed_s,frequency_hz\n" + lines(lambda k: f"{k},{hertz(k)}"),
        values=FREQUENCY,
        said=("SKIPPED_LINES",),
    ),
    "header behind a percent sign": Way(
        text="% " + ELAPSED + lines(lambda k: f"{k},{hertz(k)}"), values=FREQUENCY
    ),
    "byte-order mark": Way(text="\ufeff" + ELAPSED + lines(lambda k: f"{k},{hertz(k)}"), values=FREQUENCY),
    "header without its line end": Way(
        text=ELAPSED.strip() + lines(lambda k: f"{k},{hertz(k)}"), values=FREQUENCY
    ),
    "two names for three columns": Way(
        text="frequency,time\n" + lines(lambda k: f"{1767225600 + k},{hertz(k)},{20 + k / 10:.1f}"),
        refused="columns number 1, number 2 could all be the clock; choose with --column value=",
    ),
    "two names for three columns, told": Way(
        text="frequency,time\n" + lines(lambda k: f"{1767225600 + k},{hertz(k)},{20 + k / 10:.1f}"),
        options={"columns": {"time": 0, "value": 1}},
        values=FREQUENCY,
        start=FIRST,
        said=("SKIPPED_LINES", "UNUSED_COLUMNS"),
    ),
    "a rule between rows": Way(
        text=ELAPSED + lines(lambda k: f"{k},{hertz(k)}" + "\n========" * (k == 3)),
        values=FREQUENCY,
        said=("REJECTED_LINES",),
    ),
    "titles above the header": Way(
        text="Bench log\nRun 7\n" + ELAPSED + lines(lambda k: f"{k},{hertz(k)}"),
        values=FREQUENCY,
        said=("SKIPPED_LINES",),
    ),
    "prose behind the rows": Way(
        text=ELAPSED + lines(lambda k: f"{k},{hertz(k)}") + "\nThe run ended here.\n",
        refused="line 11: the row has 1 cell where the others have 2: 'The run ended here.'",
    ),
    "prose behind the rows, passed over": Way(
        text=ELAPSED + lines(lambda k: f"{k},{hertz(k)}") + "\nThe run ended here.\n",
        options={"bad_lines": "reject"},
        values=FREQUENCY,
        said=("REJECTED_LINES",),
    ),
    # noise
    "a blank line after every row": Way(
        text=(ELAPSED + lines(lambda k: f"{k},{hertz(k)}")).replace("\n", "\r\n\r\n"), values=FREQUENCY
    ),
    "trailing comma": Way(text=ELAPSED + lines(lambda k: f"{k},{hertz(k)},"), values=FREQUENCY),
    "trailing blanks": Way(text=ELAPSED + lines(lambda k: f"{k},{hertz(k)}   "), values=FREQUENCY),
    "a last cell left out": Way(
        text="elapsed_s,frequency_hz,temp_c\n" + lines(lambda k: f"{k},{hertz(k)}" + ",21.5" * (k != 4)),
        refused="line 6: the row has 2 cells where the others have 3",
    ),
    "a last cell left out in every third row": Way(
        text="elapsed_s,frequency_hz,temp_c\n" + lines(lambda k: f"{k},{hertz(k)}" + ",21.5" * (k % 3 > 0)),
        values=FREQUENCY,
    ),
    "only a time stamp": Way(
        text=STAMPED + lines(lambda k: stamp(k) + f",{hertz(k)}" * (k != 4)),
        refused="line 6: the row has 1 cell where the others have 2",
    ),
    "only a time stamp, passed over": Way(
        text=STAMPED + lines(lambda k: stamp(k) + f",{hertz(k)}" * (k != 4)),
        options={"bad_lines": "reject"},
        values=np.where(np.arange(8) == 4, np.nan, FREQUENCY),
        start=FIRST,
        said=("REJECTED_LINES", "GAPS"),
    ),
    "a ditto mark for the time": Way(
        text=STAMPED + lines(lambda k: f"{stamp(k) if k != 4 else chr(34)},{hertz(k)}"),
        refused="line 6: the time is missing in this row",
    ),
    "a remark glued on": Way(
        text=ELAPSED + lines(lambda k: f"{k},{hertz(k)}" + "door opened" * (k == 4)),
        refused="door opened' in column 'frequency_hz' is neither a number",
    ),
    "day zero": Way(
        text="mjd,phase_s\n" + lines(lambda k: f"{0 if k == 4 else 61100 + k},{PHASE[k]:.3e}"),
        refused="line 6: the time runs backwards by 167 years",
    ),
    "day zero, passed over": Way(
        text="mjd,phase_s\n" + lines(lambda k: f"{0 if k == 4 else 61100 + k},{PHASE[k]:.3e}"),
        options={"bad_lines": "reject"},
        values=np.where(np.arange(8) == 4, np.nan, TIME_ERROR),
        interval_s=86400.0,
        start="2026-03-01T00:00:00",
        said=("LATE_ROWS", "GAPS"),
    ),
    "nines for no reading": Way(
        text="elapsed_s,phase_ns\n" + lines(lambda k: f"{k},{99999.999 if k == 4 else PHASE[k] * 1e9:.3f}"),
        values=np.where(np.arange(8) == 4, 99999.999e-9, TIME_ERROR),
        said=("ALL_NINES",),
    ),
    "a second twice and one left out": Way(
        text=STAMPED + lines(lambda k: f"{stamp([0, 1, 1, 3, 4, 5, 6, 7][k])},{hertz(k)}"),
        refused="line 4: 1 repeated rows state the time of the row before",
    ),
    "a day backwards": Way(
        text="mjd,phase_s\n" + lines(lambda k: f"{61100 + [0, 1, 2, 1, 4, 5, 6, 7][k]},{PHASE[k]:.3e}"),
        refused="line 5: the time runs backwards by 24 h",
    ),
    "a hole of 19 years": Way(
        text="mjd,phase_s\n" + lines(lambda k: f"{61100 + k + 7000 * (k > 3)},{PHASE[k]:.3e}"),
        refused="line 6: the time jumps by 19.2 years",
    ),
    "a column of check sums": Way(
        text="elapsed_s,frequency_hz,check\n" + lines(lambda k: f"{k},{hertz(k)},{k * 37 % 256:02X}"),
        values=FREQUENCY,
    ),
    # daemons
    "day, second, offset, ppm, jitter, wander, poll": Way(
        text=lines(lambda k: f"61100 {100 + k}.0 {PHASE[k]:.9f} {1.2 + k / 100:.3f} 0.000001 0.012 4"),
        options={"columns": {"value": 2}, "quantity": "phase", "unit": "s"},
        values=TIME_ERROR,
        start="2026-03-01T00:01:40",
        said=("UNUSED_COLUMNS",),
    ),
    "date, time, source, ppm, skew, offset": Way(
        text="   Date (UTC) Time     IP Address   St   Freq ppm   Skew ppm     Offset\n"
        + lines(
            lambda k: (
                f"2026-01-01 00:00:{k:02d} 192.0.2.1       2   {1.2 + k / 100:.3f}  0.010  {PHASE[k]:.3e}"
            )
        ),
        refused="columns 'Freq ppm', 'Skew ppm' could all be the clock; choose with --column value=",
    ),
    "words between numbers": Way(
        text=lines(lambda k: f"[{100 + k}.5] master offset {k - 4} s2 freq {100 + k:+d} path delay 500"),
        refused="columns 'master offset', 'freq', 'path delay' could all be the clock; choose",
    ),
}


@pytest.mark.parametrize("name", WAYS)
def test_each_way_of_writing_is_read_or_says_what_it_needs(tmp_path: Path, name: str) -> None:
    """Values, interval and start come back, assumptions are said; a refusal names line and option."""
    way = WAYS[name]
    path = tmp_path / "log.txt"
    path.write_bytes(way.text.encode())
    if way.refused:
        with pytest.raises(eb.LogError) as refusal:
            eb.read_log(path, **way.options)
        assert way.refused in str(refusal.value)
        return
    record = eb.read_log(path, **way.options)
    np.testing.assert_allclose(record.values, way.values, rtol=1e-5, atol=2e-15)
    assert record.interval_s == way.interval_s
    assert record.start == (None if way.start is None else np.datetime64(way.start))
    assert {finding.code for finding in record.findings} >= set(way.said)


def test_a_sampling_that_becomes_denser_keeps_every_reading(tmp_path: Path) -> None:
    """A day between readings, then an hour: a grid of hours with gaps."""
    path = tmp_path / "log.txt"
    days = [61100 + k for k in range(10)] + [61110 + k / 24 for k in range(40)]
    path.write_text("mjd,phase_s\n" + "".join(f"{day:.6f},{k}e-9\n" for k, day in enumerate(days)))
    record = eb.read_log(path)
    assert record.interval_s == 3600.0
    np.testing.assert_allclose(record.values[~np.isnan(record.values)], np.arange(50) * 1e-9, rtol=1e-12)
    assert "GAPS" in {finding.code for finding in record.findings}
