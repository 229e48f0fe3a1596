"""Random valid layouts come back bit for bit; random bytes give a record or a sentence, and in good time."""

from __future__ import annotations

import gzip
import lzma
import time
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import evenbeat as eb

FIRST_NS = 1_772_323_180_000_000_000


@st.composite
def layouts(draw: st.DrawFn) -> dict[str, object]:
    """Return how a log is written."""
    separator = draw(st.sampled_from([",", ";", "\t", "|", " ", "   ", " ; ", "\t "]))
    decimal = draw(st.sampled_from([".", ","])) if "," not in separator else "."
    return {
        "separator": separator,
        "decimal": decimal,
        "newline": draw(st.sampled_from(["\n", "\r\n"])),
        "time": draw(st.sampled_from(["iso", "unix_ns", "unix_s", "elapsed", "none"])),
        "covariate": draw(st.booleans()),
        "comments": draw(
            st.lists(st.sampled_from(["# bench 3", "% second run", "// see the book"]), max_size=3)
        ),
        "blank_lines": draw(st.booleans()),
        "bom": draw(st.booleans()),
        "quotes": draw(st.booleans()),
        "exponent": draw(st.sampled_from(["e", "E", "D"])),
        "trailing": draw(st.booleans()) and not separator.isspace(),
        "unit": draw(st.sampled_from(["_s", " [s]", " (s)"])),
        "pack": draw(st.sampled_from([bytes, gzip.compress, lzma.compress])),
    }


def stamp(form: object, k: int) -> list[str]:
    """Return the time of row ``k``, one second apart."""
    ns = FIRST_NS + k * 10**9
    return {
        "iso": [f"{np.datetime64(ns, 'ns').astype('datetime64[ms]')}Z"],
        "unix_ns": [str(ns)],
        "unix_s": [f"{ns // 10**9}"],
        "elapsed": [str(k)],
        "none": [],
    }[str(form)]


def written(values: list[float], how: dict[str, object]) -> bytes:
    """Return a log of phase."""
    separator, quote = str(how["separator"]), '"' if how["quotes"] else ""
    times = {
        "iso": ["utc"],
        "unix_ns": ["unix_ns"],
        "unix_s": ["unix_s"],
        "elapsed": ["elapsed_s"],
        "none": [],
    }
    names = [*times[str(how["time"])], f"phase{how['unit']}", *(["room_temp_c"] if how["covariate"] else [])]
    if separator.isspace() and separator != "\t":
        names = [name.replace(" ", "_").replace("[", "").replace("]", "").strip("()") for name in names]
        names = [name.replace("(", "").replace(")", "") for name in names]
    lines = [*how["comments"], separator.join(quote + name + quote for name in names)]
    for k, value in enumerate(values):
        text = f"{value:.16e}".replace("e", str(how["exponent"]))
        numbers = [text, *(["21.5"] if how["covariate"] else [])]
        cells = stamp(how["time"], k) + [number.replace(".", str(how["decimal"])) for number in numbers]
        lines.append(separator.join(cells) + (separator.strip() if how["trailing"] else ""))
        if how["blank_lines"] and k % 3 == 1:
            lines.append("")
    content = (str(how["newline"]).join(lines) + str(how["newline"])).encode()
    return how["pack"](b"\xef\xbb\xbf" * bool(how["bom"]) + content)


@settings(max_examples=120)
@given(
    values=st.lists(st.floats(-1e-3, 1e-3, allow_nan=False, allow_subnormal=False), min_size=4, max_size=30),
    how=layouts(),
)
def test_random_valid_layouts_come_back_bit_exact(
    tmp_path_factory: pytest.TempPathFactory, values: list[float], how: dict[str, object]
) -> None:
    """Phase printed with 17 digits in any valid way is read back without losing a bit, nor its start."""
    path = tmp_path_factory.mktemp("layout") / "log"
    path.write_bytes(written(values, how))
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
