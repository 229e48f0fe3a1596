"""Ways to write rows, quantities and units; layouts written down; packed files; lines that are no rows."""

from __future__ import annotations

import bz2
import gzip
import lzma
import time
import zipfile
from pathlib import Path

import numpy as np
import pytest

import evenbeat as eb

N = 12
VALUES = np.array([0.0, 1.3, -0.7, 2.1, 0.4, -1.1, 0.9, 0.2, 0.3, -0.4, 1.7, 0.6]) * 1e-7
TABLE = "elapsed_s,phase_s\n" + "".join(f"{10 * k},{v!r}\n" for k, v in enumerate(VALUES.tolist()))


def codes(record: eb.Record) -> set[str]:
    """Return the codes of the findings."""
    return {finding.code for finding in record.findings}


def read(tmp_path: Path, content: str | bytes, **options: object) -> eb.Record:
    """Write and read a log."""
    path = tmp_path / "log.txt"
    path.write_bytes(content.encode() if isinstance(content, str) else content)
    return eb.read_log(path, **options)


@pytest.mark.parametrize(
    "row",
    [
        "elapsed_s={t} phase_s={v!r}",
        "elapsed_s={t}, phase_s={v!r}, status=ok",
        "elapsed_s = {t} ; phase_s = {v!r}",
        "phase_s={v!r}|elapsed_s={t}",
    ],
)
def test_pairs_of_name_and_value(tmp_path: Path, row: str) -> None:
    """Rows of name=value are read by their names, in any order."""
    content = "".join(row.format(t=10 * k, v=v) + "\n" for k, v in enumerate(VALUES.tolist()))
    record = read(tmp_path, content)
    np.testing.assert_array_equal(record.values, VALUES)
    assert record.interval_s == 10.0


def test_columns_of_fixed_width_may_be_empty(tmp_path: Path) -> None:
    """Where cells of blanks are missing, the place in the line tells which one it is."""
    rows = [f"{10 * k:6d} {v:14.6e} {20 + k:5.1f}" for k, v in enumerate(VALUES)]
    rows[4] = rows[4][:7] + " " * 14 + rows[4][21:]
    record = read(tmp_path, " time_s        phase_s  temp\n" + "\n".join(rows) + "\n")
    np.testing.assert_array_equal(np.flatnonzero(np.isnan(record.values)), [4])
    np.testing.assert_array_equal(record.covariates["temperature_c"], 20.0 + np.arange(N))


def test_table_drawn_with_bars_and_rules(tmp_path: Path) -> None:
    """Outer bars are empty cells, rules within are no rows, and both leave the numbers alone."""
    rows = [f"| {10 * k} | {v!r} |" for k, v in enumerate(VALUES.tolist())]
    rows.insert(6, "|------|------|")
    record = read(tmp_path, "| elapsed_s | phase_s |\n|------|------|\n" + "\n".join(rows))
    np.testing.assert_array_equal(record.values, VALUES)
    assert "REJECTED_LINES" in codes(record)


def test_fortran_exponents(tmp_path: Path) -> None:
    """2.7D-07 is a number, also where all rows are read at once."""
    rows = "".join(f"{10 * k} {v:.16e}\n".replace("e", "D") for k, v in enumerate(VALUES))
    np.testing.assert_array_equal(read(tmp_path, "elapsed_s phase_s\n" + rows).values, VALUES)


@pytest.mark.parametrize("pack", [gzip.compress, lzma.compress, bz2.compress])
def test_packed_files(tmp_path: Path, pack: object) -> None:
    """gzip, xz and bzip2 are known by their bytes."""
    np.testing.assert_array_equal(read(tmp_path, pack(TABLE.encode())).values, VALUES)


@pytest.mark.slow
def test_a_stream_that_begins_anywhere_in_the_file_is_read(tmp_path: Path) -> None:
    """Joined gzip streams (RFC 1952, 2.2) are one log, also where the second begins beside a full MiB."""
    whole = 1 << 20
    for early in range(3):
        room = whole - early - len(gzip.compress(TABLE.encode() + b"\n" * whole, 0)) + whole
        first = gzip.compress(TABLE.encode() + b"\n" * room, 0)
        assert abs(len(first) - whole) < 10
        rows = "".join(f"{10 * k},{v!r}\n" for k, v in enumerate(VALUES.tolist(), N))
        record = read(tmp_path, first + gzip.compress(rows.encode()))
        np.testing.assert_array_equal(record.values, [*VALUES, *VALUES])


@pytest.mark.grid(2)
@pytest.mark.parametrize(("pack", "name"), [(gzip.compress, "gzip"), (lzma.compress, "xz")])
def test_cut_off_file_names_line_and_option(tmp_path: Path, pack: object, name: str) -> None:
    """A file that was cut off is refused with the line; its complete lines are read on demand."""
    rows = "elapsed_s,phase_s\n" + "".join(
        f"{k},{v!r}\n" for k, v in enumerate(np.random.default_rng(1).normal(0, 1e-9, 20_000).tolist())
    )
    cut = pack(rows.encode())[: -len(pack(rows.encode())) // 3]
    with pytest.raises(eb.LogError, match=rf"line \d+: the {name} file ends too early .*--set partial=yes"):
        read(tmp_path, cut)
    record = read(tmp_path, cut, partial=True)
    assert 100 < len(record) < 20_000
    assert "CUT_OFF" in codes(record)


def test_zip_with_one_member(tmp_path: Path) -> None:
    """A zip file of one log is read; of several, they are named."""
    path = tmp_path / "log.zip"
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("bench/a.csv", TABLE)
    np.testing.assert_array_equal(eb.read_log(path).values, VALUES)
    with zipfile.ZipFile(path, "a") as archive:
        archive.writestr("bench/b.csv", TABLE)
    with pytest.raises(eb.LogError, match=r"holds 2 files \(bench/a.csv, bench/b.csv\)"):
        eb.read_log(path)
    path.write_bytes(path.read_bytes()[:-30])
    with pytest.raises(eb.LogError, match="the zip file is cut off or damaged"):
        eb.read_log(path)


def test_a_file_that_changes_while_it_is_read(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A log that grows under the reader is refused with the line, or its complete lines are read."""
    path = tmp_path / "log.csv"
    path.write_text(TABLE)
    plain = Path.read_bytes

    def growing(self: Path) -> bytes:
        content = plain(self)
        with self.open("a") as file:
            file.write("120,1e")
        return content

    monkeypatch.setattr(Path, "read_bytes", growing)
    with pytest.raises(
        eb.LogError, match=r"line 14: the file changed .*\(from 1\d\d to 1\d\d bytes\).*--set partial=yes"
    ):
        eb.read_log(path)
    assert "STILL_WRITTEN" in codes(eb.read_log(path, partial=True))


@pytest.mark.parametrize(
    ("header", "factor", "kind"),
    [
        ("x [0.1 ns]", 1e-10, "phase"),
        ("phase, ns", 1e-9, "phase"),
        ("time error / us", 1e-6, "phase"),
        ("df/f (10^-11)", 1e-11, "frequency"),
        ("y (x10^-12)", 1e-12, "frequency"),
        ("rate (us/s)", 1e-6, "frequency"),
        ("rate [ns/d]", 1e-9 / 86400, "frequency"),
        ("fractional frequency (parts in 10^9)", 1e-9, "frequency"),
    ],
)
def test_units_of_all_kinds_in_headers(tmp_path: Path, header: str, factor: float, kind: str) -> None:
    """Multipliers, powers of ten and rates are units."""
    record = read(tmp_path, f"{header}\n1.5\n-2.25\n3.125\n0.5\n", interval_s=1)
    assert record.kind == kind
    np.testing.assert_allclose(record.values, np.array([1.5, -2.25, 3.125, 0.5]) * factor, rtol=1e-14)


def test_interval_errors_have_the_sign_of_the_device(tmp_path: Path) -> None:
    """Seconds of a device that last 1.00001 s are of a slow one; a fast timebase reads a true second long."""
    content = "interval error (us)\n" + "10\n" * 5
    slow = read(tmp_path, content, interval_s=1)
    np.testing.assert_allclose(slow.values, 1 / 1.00001 - 1, rtol=1e-9)
    fast = read(tmp_path, content, interval_s=1, reading_of="reference")
    np.testing.assert_allclose(fast.values, 1e-5, rtol=1e-9)
    with_unit = read(tmp_path, "10\n" * 5, quantity="interval_error", unit="-us", interval_s=1)
    np.testing.assert_allclose(with_unit.values, 1 / 0.99999 - 1, rtol=1e-9)


def test_total_counts_become_time_error(tmp_path: Path) -> None:
    """Cycles of a 10 MHz source that is 1e-7 fast gain a cycle each second, also across a 32-bit wrap."""
    totals = [4_200_000_000 + 10_000_001 * k for k in range(20)]
    record = read(tmp_path, "total count\n" + "".join(f"{n % 2**32}\n" for n in totals), interval_s=1)
    np.testing.assert_allclose(record.values, 1e-7 * np.arange(20), atol=1e-15)
    assert (record.kind, record.nominal_frequency_hz) == ("phase", 1e7)
    assert "COUNT_WRAPPED" in codes(record)
    with pytest.raises(eb.LogError, match="line 4: the total falls from"):
        read(tmp_path, "total count\n5\n10\n3\n8\n13\n", interval_s=1)


def test_bad_lines_are_refused_or_counted(tmp_path: Path) -> None:
    """Every line that is passed over is counted with its number and reason; the rest is on its grid."""
    content = TABLE + "some remark\n120,1e-9,7,7\n110,1e-9\n130,2e-9\n"
    with pytest.raises(eb.LogError, match=r"line 14: 'some remark'|line 14: .*--set bad_lines=reject"):
        read(tmp_path, content)
    record = read(tmp_path, content, bad_lines="reject")
    assert {"REJECTED_LINES", "LATE_ROWS"} <= codes(record)
    assert (len(record), record.missing, record.values[-1]) == (14, 1, 2e-9)
    seen = eb.inspect_log(tmp_path / "log.txt")
    assert [line.line for line in seen.rejected] == [14, 15]
    assert not seen.readable
    assert "line 14" in seen.needs


@pytest.mark.parametrize("content", [TABLE, TABLE.replace(",", ";").replace(".", ",")])
def test_a_layout_written_down_reads_the_same(tmp_path: Path, content: str) -> None:
    """The layout of an inspection, written as TOML and read again, gives the same record."""
    path = tmp_path / "log.csv"
    path.write_text(content)
    seen = eb.inspect_log(path, reading_of="reference")
    assert seen.layout is not None
    file = tmp_path / "bench.toml"
    file.write_text(seen.layout.to_toml())
    for layout in (file, seen.layout):
        record = eb.read_log(path, layout=layout)
        np.testing.assert_array_equal(record.values, 0.0 - VALUES)
    assert eb.read_log(path, layout=file, reading_of="device").values[1] == VALUES[1]


def test_a_layout_written_down_is_no_more_lenient_than_was_asked(tmp_path: Path) -> None:
    """An inspection passes over bad lines to show them; what it writes down does so only where asked."""
    path = tmp_path / "log.csv"
    path.write_text(TABLE + "some remark\n")
    for stated in ({}, {"bad_lines": "reject"}):
        seen = eb.inspect_log(path, **stated)
        assert seen.layout is not None
        assert ("bad_lines" in seen.layout.to_toml()) is bool(stated)
        if stated:
            assert len(eb.read_log(path, layout=seen.layout)) == N
        else:
            with pytest.raises(eb.LogError, match="line 14"):
                eb.read_log(path, layout=seen.layout)


@pytest.mark.parametrize(
    ("text", "sentence"),
    [
        ("version = 1\n[rows]\nseparator = '~'\n", "writing is None"),
        ("version = 9\n", "states version 9; this evenbeat reads version 1"),
        ("colour = 'red'\n", "bench.toml, line 1: there is no key 'colour'; did you mean columns"),
        ("unit = 'Hz'\ninterval = -1\n", "bench.toml, line 2: interval: '-1' is not a duration"),
        ("unit = 'Hz'\n\ngate = [10]\n", r"bench.toml, line 3: gate: \[10\] has the wrong type; give a dur"),
        ("version = ", "the bench file is not valid TOML"),
        (
            "version = 1\n[rows]\nwriting = 'cells'\nseparator = ','\ndecimal = '.'\ncolumns = 3\n",
            "line 1: the log has 2 column|line 2: the log has 2 column",
        ),
    ],
)
def test_layouts_that_cannot_be_used_say_why(tmp_path: Path, text: str, sentence: str) -> None:
    """A layout that is damaged, unknown or does not fit the log gets a sentence."""
    path, file = tmp_path / "log.csv", tmp_path / "bench.toml"
    path.write_text(TABLE)
    file.write_text(text)
    with pytest.raises(eb.LogError, match=sentence):
        eb.read_log(path, layout=file)


def test_candidates_are_ranked_with_reasons(tmp_path: Path) -> None:
    """The way that was taken stands first, and each says how much of the log it explains."""
    path = tmp_path / "log.csv"
    path.write_text("Zeit;phase_ns\n" + "".join(f"{10 * k},5;{k},25\n" for k in range(9)))
    seen = eb.inspect_log(path)
    assert str(seen.candidates[0]) == "cells separated by semicolon, decimal comma, 2 columns"
    assert all("of the cells understood" in candidate.reason for candidate in seen.candidates)
    shares = [candidate.understood for candidate in seen.candidates]
    assert shares == sorted(shares, reverse=True)
    assert [column.taken_for for column in seen.columns] == ["time", "the clock"]
    assert "taken for" in seen.as_text()
    assert seen.to_dict()["readable"] is True


def test_units_in_a_line_of_their_own(tmp_path: Path) -> None:
    """A line of units below the names belongs to them."""
    rows = "".join(f"{2 * k};{v * 1e9!r}\n" for k, v in enumerate(VALUES.tolist()))
    record = read(tmp_path, f"Bench of the harbour\nTime;Phase\n[min];[ns]\n{rows}")
    np.testing.assert_allclose(record.values, VALUES, rtol=1e-12)
    assert record.interval_s == 120.0
    assert not codes(record) & {"ASSUMED_UNIT", "ASSUMED_QUANTITY"}


def test_table_exported_by_a_spreadsheet(tmp_path: Path) -> None:
    """A line that names the separator, decimal commas, day-first dates and a byte-order mark."""
    readings = [f"{1e7 + k % 5 / 1000:.3f}".replace(".", ",") for k in range(9)]
    rows = "".join(f"28.02.2026 23:{50 + k}:00;{reading}\n" for k, reading in enumerate(readings))
    record = read(tmp_path, "\ufeffsep=;\r\nTime (UTC);Frequency (Hz)\r\n" + rows.replace("\n", "\r\n"))
    np.testing.assert_allclose(record.values, np.arange(9) % 5 * 1e-10, atol=1e-16)
    assert record.start == np.datetime64("2026-02-28T23:50:00")


@pytest.mark.parametrize(
    ("name", "scale"), [("timestamp_ms", 10**3), ("Time (UTC)", 1), ("time [us]", 10**6)]
)
def test_numbers_that_are_unix_time_in_the_stated_unit(tmp_path: Path, name: str, scale: int) -> None:
    """A unit in the name of a time column does not hide that it counts from 1970."""
    rows = "".join(f"{(1_772_323_180 + 10 * k) * scale},{k}\n" for k in range(9))
    record = read(tmp_path, f"{name},phase_ns\n{rows}")
    assert record.start == np.datetime64("2026-02-28T23:59:40")
    assert record.interval_s == 10.0


@pytest.mark.slow
@pytest.mark.parametrize("comments", [1500, 20_000])
def test_any_number_of_comments_may_stand_above_the_rows(tmp_path: Path, comments: int) -> None:
    """A collector that notes its settings, or a long remark, is not taken for the whole log."""
    rows = [f"2026-01-01 00:{k // 60:02}:{k % 60:02},{1e7 + k % 7 * 1e-3:.4f}" for k in range(600)]
    head = [f"# remark {k}, of many" for k in range(comments)]
    path = tmp_path / "log.csv"
    path.write_text("\n".join([*head, "date time,frequency_hz", *rows]) + "\n")
    record = eb.read_log(path)
    assert (len(record), record.ledger.comments) == (600, comments)
    assert eb.inspect_log(path).readable


@pytest.mark.parametrize("text", ["1" + "0" * 100_000, "1." + "0" * 100_000, "9" * 100_000 + ",1e7"])
def test_a_cell_of_a_hundred_thousand_digits_is_soon_refused(tmp_path: Path, text: str) -> None:
    """Nothing looks at each digit again for every other, which took minutes; the sentence stays short."""
    rows = [f"2026-01-01T00:{k // 60:02}:{k % 60:02}Z,{1e7 + k % 7 * 1e-3:.4f}" for k in range(600)]
    path = tmp_path / "log.csv"
    path.write_text("\n".join(["utc,frequency_hz", *rows, f"2026-01-01T00:10:00Z,{text}"]) + "\n")
    begun = time.process_time()
    with pytest.raises(eb.LogError) as refused:
        eb.read_log(path)
    assert len(str(refused.value)) < 500
    assert time.process_time() - begun < 5.0
