"""Every bad log gets one clear sentence that names the file, the line or the option."""

from __future__ import annotations

import gzip
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

import evenbeat as eb

HEADER = "utc,frequency_hz\n"


def rows(n: int, start: int = 0) -> str:
    """Return rows ten seconds apart near 10 MHz."""
    stamps = np.datetime64("2026-01-01T00:00:00") + np.arange(start, start + n) * np.timedelta64(10, "s")
    return "".join(f"{stamp}Z,{10_000_000 + 1e-4 * (k % 7):.4f}\n" for k, stamp in enumerate(stamps))


def written(folder: Path, content: str | bytes, name: str = "log.csv") -> Path:
    """Write a log and return where."""
    path = folder / name
    path.write_bytes(content.encode() if isinstance(content, str) else content)
    return path


def test_missing_file_is_named(tmp_path: Path) -> None:
    """A file that does not exist is named."""
    with pytest.raises(eb.LogError, match=r"absent\.csv: there is no such file"):
        eb.read_log(tmp_path / "absent.csv")


def test_folder_is_refused(tmp_path: Path) -> None:
    """A folder is not taken for a log."""
    with pytest.raises(eb.LogError, match="this is a folder"):
        eb.read_log(tmp_path)


@pytest.mark.parametrize(
    ("content", "sentence"),
    [
        (b"", "the file is empty"),
        (b" \n\n \n", "holds nothing but spaces"),
        (bytes(range(256)) * 40, "this is a binary file"),
        (b"\x89PNG\r\n\x1a\n\x00\x00\x00\rIHDR", "this is a binary file"),
        (b"no number here\nnor here\n", "no row of numbers was found"),
        (gzip.compress(rows(500).encode(), mtime=0)[:-40], "ends too early"),
        (b"\x1f\x8b\x08\x00nonsense that is no gzip stream", "gzip file is damaged"),
    ],
)
def test_unreadable_content_is_described(tmp_path: Path, content: bytes, sentence: str) -> None:
    """What is wrong with the file as a whole is said in a sentence."""
    with pytest.raises(eb.LogError, match=sentence):
        eb.read_log(written(tmp_path, content))


@pytest.mark.parametrize(
    ("line", "sentence"),
    [
        ("2026-01-01T00:08:20Z,hello", r"line 52: 'hello' in column 'frequency_hz' is neither"),
        ("operator was here", r"line 52: "),
        ("2026-01-01T00:08:20Z,inf", r"line 52: column 'frequency_hz' holds an infinite value"),
        ("2026-01-01T00:08:20Z,1e999", r"line 52: column 'frequency_hz' holds an infinite value"),
        ("2026-01-01T00:08:20Z,10000000.0000,7,8", r"line 52: the row has 4 cells where the others have 2"),
        ("2025-12-31T00:08:20Z,10000000.0000", r"line 52: the time runs backwards"),
        (
            "2026-01-01T00:08:10Z,10000000.0000",
            r"line 52: the time advances by 0 s where rows are 10 s apart",
        ),
        ("not-a-time,10000000.0000", r"line 52: the time 'not-a-time'"),
        (",10000000.0000", r"line 52: the time is missing"),
        ("2026-01-01T00:08:20,10000000.0000", r"line 52: of the time .* only one states a zone"),
        ("2029-01-01T00:08:20Z,10000000.0000", r"line 52: the time jumps by"),
    ],
)
def test_bad_line_is_named(tmp_path: Path, line: str, sentence: str) -> None:
    """A single line that cannot be used is named by its number in the file."""
    tail = rows(50, 51) if "2029" not in line else ""
    content = HEADER + rows(50) + line + "\n" + tail
    with pytest.raises(eb.LogError, match=sentence) as caught:
        eb.read_log(written(tmp_path, content))
    assert caught.value.line == 52


def test_line_numbers_count_comments_and_blank_lines(tmp_path: Path) -> None:
    """The named line is the one an editor shows, comments and blank lines counted."""
    content = (
        "# a comment\n\nutc,frequency_hz\n"
        + rows(10)
        + "\n# changed a cable\n"
        + "2026-01-01T00:02:00Z,oops\n"
    )
    with pytest.raises(eb.LogError, match="line 16: 'oops'"):
        eb.read_log(written(tmp_path, content))


def test_all_missing_is_refused(tmp_path: Path) -> None:
    """A log whose readings are all NaN holds nothing to analyse."""
    content = HEADER + "".join(f"2026-01-01T00:00:{s:02d}Z,NaN\n" for s in range(20))
    with pytest.raises(eb.LogError, match="all 20 readings in column 'frequency_hz' are missing"):
        eb.read_log(written(tmp_path, content))


def test_too_few_readings_are_counted(tmp_path: Path) -> None:
    """The number of usable readings is said where it is below three."""
    with pytest.raises(eb.LogError, match=r"holds 2 usable readings; at least 3"):
        eb.read_log(written(tmp_path, HEADER + rows(2)))


def test_units_mixed_in_cells_are_refused(tmp_path: Path) -> None:
    """Megahertz and hertz in one column are not guessed apart."""
    content = "reading\n" + "10.000001 MHz\n" * 5 + "9999999.9 Hz\n"
    with pytest.raises(
        eb.LogError, match="line 7: the unit written in column 'reading' changes from 'MHz' to 'Hz'"
    ):
        eb.read_log(written(tmp_path, content), interval_s=1)


@pytest.mark.parametrize(
    ("header", "options", "sentence"),
    [
        ("utc,frequency_hz\n", {"unit": "kHz"}, "says 'kHz' but the name of column 'frequency_hz' says 'hz'"),
        ("utc,frequency_hz\n", {"quantity": "phase"}, "says 'phase' but the name of column"),
        ("# unit: MHz\nutc,frequency [Hz]\n", {}, "says 'Hz' but a comment line says 'MHz'"),
        ("utc,frequency_hz\n", {"quantity": "colour"}, "gives the quantity 'colour'"),
        ("utc,frequency\n", {"unit": "furlong"}, "'furlong' is not a known unit"),
        ("# interval: 60 s\nutc,frequency_hz\n", {}, "stated as 60 s but the time stamps are 10 s apart"),
        ("# gate: 20 s\nutc,frequency_hz\n", {}, "the gate of 20 s is longer than the interval of 10 s"),
        ("# interval: often\nutc,frequency_hz\n", {}, "the comment 'interval: often' is not understood"),
        (
            "utc,frequency_hz\n",
            {"columns": {"value": "phase"}},
            "there is no column 'phase'; the header names",
        ),
        (
            "utc,frequency_hz\n",
            {"columns": {"value": 5}},
            "there is no column 5; the table has columns 0 to 1",
        ),
        ("utc,frequency_hz\n", {"nominal_frequency_hz": 5e6}, "away from the nominal 5000000 Hz"),
    ],
)
def test_contradictions_are_refused(
    tmp_path: Path, header: str, options: dict[str, object], sentence: str
) -> None:
    """Where header, comments and options disagree, none of them wins in silence."""
    with pytest.raises(eb.LogError, match=sentence):
        eb.read_log(written(tmp_path, header + rows(20)), **options)


@pytest.mark.parametrize("options", [{"quantity": "period", "unit": "s"}, {"reading_of": "reference"}])
def test_reading_of_zero_is_named(tmp_path: Path, options: dict[str, str]) -> None:
    """A period or frequency of zero, which has no fractional frequency, is named by its line."""
    value = "1e-7" if "unit" in options else "10000000.1"
    content = (f"{value}\n" * 9 + "0\n") + f"{value}\n" * 3
    with pytest.raises(eb.LogError, match="line 10: the reading 0 in column number 0 cannot be converted"):
        eb.read_log(written(tmp_path, content), interval_s=1, **options)


def test_two_value_columns_are_named_with_the_option(tmp_path: Path) -> None:
    """Two columns that could be the clock are named, with the option that decides."""
    content = "frequency_a_hz,frequency_b_hz\n" + "10000000.1,10000000.2\n" * 9
    with pytest.raises(
        eb.LogError, match="'frequency_a_hz', 'frequency_b_hz' could all be the clock; choose with"
    ):
        eb.read_log(written(tmp_path, content), interval_s=1)


def test_small_numbers_without_statement_are_ambiguous(tmp_path: Path) -> None:
    """Numbers near 1e-9 may be phase or frequency: the option that decides is named."""
    with pytest.raises(eb.LogError, match="time errors or fractional frequencies; decide with --quantity"):
        eb.read_log(written(tmp_path, "1.1e-9\n1.2e-9\n1.3e-9\n1.2e-9\n"), interval_s=1)


def test_log_without_times_asks_for_the_interval(tmp_path: Path) -> None:
    """Without time column and interval the option is named."""
    with pytest.raises(eb.LogError, match=r"--interval \(interval_s\)"):
        eb.read_log(written(tmp_path, "10000000.1\n10000000.2\n10000000.1\n"))


@pytest.mark.parametrize("name", ["interval_s", "gate_s", "nominal_frequency_hz"])
def test_options_must_be_positive(tmp_path: Path, name: str) -> None:
    """An option that must be positive says so."""
    with pytest.raises(eb.InputError, match=f"{name} is -1; it must be a positive number"):
        eb.read_log(written(tmp_path, HEADER + rows(9)), **{name: -1})


def read_or_refuse(path: Path, **options: str) -> None:
    """Check that a log is read, or refused with a sentence that starts with its name."""
    refusal = ""
    try:
        record = eb.read_log(path, interval_s=1.0, **options)
    except eb.LogError as error:
        refusal = str(error)
    assert refusal.startswith(str(path)) if refusal else np.isfinite(record.values).any()


@given(content=st.binary(max_size=400))
def test_random_bytes_never_crash(tmp_path_factory: pytest.TempPathFactory, content: bytes) -> None:
    """Whatever the bytes are, the answer is a record or a LogError."""
    path = tmp_path_factory.mktemp("fuzz") / "log"
    path.write_bytes(content)
    read_or_refuse(path)


@pytest.mark.slow
@given(content=st.text(alphabet='0123456789.,;:-+eE \t\n#|NaTZ[]Hz"%/', max_size=300))
def test_random_tables_never_crash(tmp_path_factory: pytest.TempPathFactory, content: str) -> None:
    """Text made of the characters of tables gives a record or a LogError."""
    path = tmp_path_factory.mktemp("fuzz") / "log"
    path.write_text(content)
    read_or_refuse(path, quantity="phase", unit="s")
