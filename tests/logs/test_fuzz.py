"""Random valid layouts come back bit for bit; random bytes give a record or a sentence, and in good time."""

from __future__ import annotations

import time
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from random_logs import FIRST_NS, WAYS, written

import evenbeat as eb


@pytest.mark.slow
@settings(max_examples=120)
@given(
    values=st.lists(st.floats(-1e-3, 1e-3, allow_nan=False, allow_subnormal=False), min_size=4, max_size=30),
    how=st.fixed_dictionaries({way: st.sampled_from(each) for way, each in WAYS.items()}),
)
def test_random_valid_layouts_come_back_bit_exact(
    tmp_path_factory: pytest.TempPathFactory, values: list[float], how: dict[str, object]
) -> None:
    """Phase printed with 17 digits in any valid way is read back without losing a bit, nor its start."""
    path = tmp_path_factory.mktemp("layout") / "log"
    path.write_bytes(written([f"{value:.16e}" for value in values], how))
    record = eb.read_log(path, interval_s=1.0)
    np.testing.assert_array_equal(record.values, np.array(values))
    if how["time"] in ("iso", "unix_ns", "unix_s"):
        assert record.start == np.datetime64(FIRST_NS, "ns")
    assert list(record.covariates) == (["room_temperature_c"] if how["covariate"] else [])
    seen = eb.inspect_log(path, interval_s=1.0)
    again = eb.read_log(path, layout=seen.layout)
    np.testing.assert_array_equal(again.values, record.values)


MAGICS = [
    b"",
    b"\x1f\x8b\x08\x00",
    b"\xfd7zXZ\x00",
    b"BZh9",
    b"PK\x03\x04",
    b"PAR1",
    b"\x93NUMPY\x01\x00",
    b"\x89HDF\r\n\x1a\n",
    b"     3.00           C                                       RINEX VERSION / TYPE\nEND OF HEADER\nAR ",
    b"CGGTTS     GENERIC DATA FORMAT VERSION = 2E\nSAT CL  MJD  STTIME TRKL REFSYS CK\nG01 99 61100 ",
    b"\xff\xfe",
]


@pytest.mark.slow
@settings(max_examples=250)
@given(
    magic=st.sampled_from(MAGICS),
    body=st.binary(max_size=300)
    | st.text("0123456789.,;=:-+eDE \t\n#|NaTZ[]Hz\"%/'@", max_size=300).map(str.encode),
    options=st.fixed_dictionaries(
        {},
        optional={
            "bad_lines": st.sampled_from(["refuse", "reject"]),
            "partial": st.booleans(),
            "columns": st.just({"time": None}),
            "date_order": st.sampled_from(["day-first", "month-first"]),
            "quantity": st.sampled_from(["phase", "count", "interval_error", "period", "frequency"]),
        },
    ),
)
def test_random_bytes_never_crash_nor_hang(
    tmp_path_factory: pytest.TempPathFactory, magic: bytes, body: bytes, options: dict[str, object]
) -> None:
    """Behind every known beginning: a record, or a LogError that names the file; never another error."""
    path = tmp_path_factory.mktemp("bytes") / "log"
    path.write_bytes(magic + body)
    begun = time.monotonic()
    refusal = ""
    try:
        record = eb.read_log(path, interval_s=1.0, **options)
    except eb.LogError as error:
        refusal = str(error)
    assert refusal.startswith(str(path)) if refusal else np.isfinite(record.values).any()
    assert time.monotonic() - begun < 60  # far above any load of the machine: this is about hanging
    if (magic + body).strip():
        look(path, options)


def look(path: Path, options: dict[str, object]) -> None:
    """Inspect a log; only the refusals of files that cannot be opened at all may come through."""
    refusal = ""
    try:
        text = eb.inspect_log(path, interval_s=1.0, **options).as_text()
    except eb.LogError as error:
        refusal = str(error)
    assert refusal.startswith(str(path)) if refusal else "Of " in text or "not readable" in text
