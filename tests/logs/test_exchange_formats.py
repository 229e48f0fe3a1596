"""Open exchange formats and binary columns give the numbers that were written into them."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

import evenbeat as eb

RINEX_HEAD = """\
     3.00           C                                       RINEX VERSION / TYPE
demonstration       invented            20260301 000000 UTC PGM / RUN BY / DATE
   GPS                                                      TIME SYSTEM ID
                                                            END OF HEADER
"""


def rinex(clocks: dict[str, float], n: int = 6) -> str:
    """Return a RINEX clock file (fields as in RINEX clock 3.00, IGS) with biases that count up."""
    rows = [
        f"{'AS' if name.startswith('G') else 'AR'} {name:<4} 2026 03 01 {k // 12:02d} {5 * k % 60:02d}  "
        f"0.000000  2   {bias + k * 1e-9:19.12E}   1.0E-11"
        for k in range(n)
        for name, bias in clocks.items()
    ]
    return RINEX_HEAD + "\n".join(rows) + "\n"


def test_a_clock_is_chosen_by_name(tmp_path: Path) -> None:
    """Among several clocks one is chosen; the others are named where none was."""
    path = tmp_path / "day.clk"
    path.write_text(rinex({"G01": 1e-4, "TERN": -2e-7}))
    with pytest.raises(eb.LogError, match=r"line 5: the RINEX file holds 2 clocks; choose one .*G01, TERN"):
        eb.read_log(path)
    with pytest.raises(eb.LogError, match="there is no clock 'SKUA'; the file holds G01, TERN"):
        eb.read_log(path, clock="SKUA")
    record = eb.read_log(path, clock="tern")
    np.testing.assert_allclose(record.values, -2e-7 + 1e-9 * np.arange(6), rtol=1e-9)
    assert (record.kind, record.interval_s, str(record.start)[:16]) == ("phase", 300.0, "2026-03-01T00:00")
    assert {"CLOCK_CHOSEN", "TIME_SCALE"} <= {finding.code for finding in record.findings}


def test_fortran_exponents_in_a_clock_file(tmp_path: Path) -> None:
    """Biases with the exponent letter D are numbers."""
    path = tmp_path / "day.clk"
    path.write_text(rinex({"TERN": 5e-7}).replace("E-", "D-"))
    np.testing.assert_allclose(eb.read_log(path).values, 5e-7 + 1e-9 * np.arange(6), rtol=1e-9)


def test_masers_of_the_open_clock_product(open_data: Path) -> None:
    """gnss-clocks-300s: station ALGO has 285 records (counted with grep) on the 288 epochs of a day."""
    path = open_data / "gnss-clocks-300s.clk.gz"
    record = eb.read_log(path, clock="ALGO")
    assert (len(record), record.interval_s, record.missing) == (288, 300.0, 3)


TRACK = (
    "SAT CL  MJD  STTIME TRKL ELV AZTH   REFSV      SRSV     REFSYS    SRSYS DSG IOE MDTR SMDT MDIO SMDI CK"
)


def cggtts(epochs: int = 5, spoil: int | None = None) -> str:
    """Return a CGGTTS 2E file: tracks every 16 min of 780 s, three satellites, check sums as laid down."""
    lines = [
        "CGGTTS     GENERIC DATA FORMAT VERSION = 2E",
        "REV DATE = 2026-03-01",
        "RCVR = invented receiver",
        "",
        TRACK,
        "             hhmmss  s  .1dg .1dg    .1ns     .1ps/s     .1ns    .1ps/s .1ns     .1ns.1ps/s.1ns",
    ]
    for k in range(epochs):
        seconds = 120 + 960 * k
        clock = f"{seconds // 3600:02d}{seconds // 60 % 60:02d}{seconds % 60:02d}"
        for satellite, offset in ((1, -30), (7, 0), (19, 30)):
            value = 1000 + 10 * k + offset
            row = (
                f"G{satellite:02d} 99 61100 {clock}  780 450 1800 {-3:+11d} {5:+6d} {value:+11d} {2:+6d}   9 "
            )
            row += " 10  100    1   50    2 "
            check = sum(row.encode()) % 256
            if spoil == len(lines):
                check ^= 1
            lines.append(f"{row}{check:02X}")
    return "\n".join(lines) + "\n"


def test_tracks_are_averaged_by_epoch(tmp_path: Path) -> None:
    """The mean of REFSYS over satellites in 0.1 ns, at the middle of the track (Metrologia 52 G1)."""
    path = tmp_path / "GZtest61.100"
    path.write_text(cggtts())
    record = eb.read_log(path)
    np.testing.assert_allclose(record.values, (1000 + 10 * np.arange(5)) * 1e-10, rtol=1e-12)
    assert record.interval_s == 960.0
    assert record.start == np.datetime64("2026-03-01T00:02:00") + np.timedelta64(390, "s")  # MJD 61100
    (finding,) = [f for f in record.findings if f.code == "TRACKS_AVERAGED"]
    assert dict(finding.values) == {"tracks": 15, "epochs": 5}


def two_frequencies() -> str:
    """Return a CGGTTS 2E file of two frequencies with its whole head, names and order `from memory`."""
    head = [
        "CGGTTS     GENERIC DATA FORMAT VERSION = 2E",
        "REV DATE = 2026-03-01",
        "RCVR = invented receiver",
        "CH = 12 (GNSS)",
        "IMS = invented receiver",
        "LAB = tide-gauge workshop",
        *(f"{axis} = +1234567.89 m" for axis in "XYZ"),
        "FRAME = ITRF",
        "COMMENTS = invented",
        "INT DLY = 20.0 ns (GPS P1), 21.5 ns (GPS P2)      CAL_ID = none",
        "CAB DLY = 120.0 ns",
        "REF DLY = 10.0 ns",
        "REF = gannet",
    ]
    # the check sum of the head covers all characters up to and with 'CKSUM = '
    check = sum("".join([*head, "CKSUM = "]).encode()) % 256
    lines = [*head, f"CKSUM = {check:02X}", ""]
    lines.append(TRACK.removesuffix("CK") + "MSIO SMSI ISG FR HC FRC CK")
    units = "hhmmss  s  .1dg .1dg    .1ns     .1ps/s     .1ns    .1ps/s .1ns     .1ns.1ps/s"
    lines.append(f"             {units}.1ns.1ps/s.1ns.1ps/s.1ns")
    for k in range(5):
        seconds = 120 + 960 * k
        clock = f"{seconds // 3600:02d}{seconds // 60 % 60:02d}{seconds % 60:02d}"
        for satellite, offset in (("G01", -30), ("G07", 0), ("G19", 30)):
            value = 1000 + 10 * k + offset
            row = f"{satellite} FF 61100 {clock}  780 450 1800 {-3:+11d} {5:+6d} {value:+11d} {2:+6d}   9 "
            row += " 10  100    1   50    2   50    2   3  0  0 L3P "
            lines.append(f"{row}{sum(row.encode()) % 256:02X}")
    return "\r\n".join(lines) + "\r\n"


def test_tracks_of_two_frequencies_with_their_whole_head(tmp_path: Path) -> None:
    """Measured ionosphere, signal and code columns behind it change nothing in what is read."""
    path = tmp_path / "GZtest61.100"
    path.write_bytes(two_frequencies().encode())
    record = eb.read_log(path)
    np.testing.assert_allclose(record.values, (1000 + 10 * np.arange(5)) * 1e-10, rtol=1e-12)
    assert record.interval_s == 960.0
    assert record.start == np.datetime64("2026-03-01T00:08:30")


def test_a_wrong_check_sum_is_named_or_rejected(tmp_path: Path) -> None:
    """A track whose check sum differs is refused with its line, or rejected and counted."""
    path = tmp_path / "GZtest61.100"
    path.write_text(cggtts(spoil=8))
    with pytest.raises(eb.LogError, match=r"line 9: the check sum is .. where the track states"):
        eb.read_log(path)
    record = eb.read_log(path, bad_lines="reject")
    assert record.values[0] == pytest.approx((1000 - 15) * 1e-10)
    assert "REJECTED_LINES" in {finding.code for finding in record.findings}


def test_numpy_columns_are_mapped_not_copied(tmp_path: Path) -> None:
    """A column of float64 seconds is used where it lies on disk."""
    values = np.random.default_rng(1).normal(0, 1e-9, 1000)
    np.save(tmp_path / "x.npy", values)
    record = eb.read_log(tmp_path / "x.npy", quantity="phase", unit="1e0 s", interval_s=1)
    np.testing.assert_array_equal(record.values, values)
    np.save(tmp_path / "o.npy", np.array([object()] * 3), allow_pickle=True)
    with pytest.raises(eb.LogError, match="holds Python objects"):
        eb.read_log(tmp_path / "o.npy")


def test_structured_numpy_states_its_columns(tmp_path: Path) -> None:
    """Field names are read as headers; Unix nanoseconds stay exact."""
    table = np.zeros(8, dtype=[("unix_ns", "i8"), ("phase_ns", "f8"), ("room_temp_c", "f8")])
    table["unix_ns"] = 1_772_323_180_123_456_789 + 10**10 * np.arange(8)
    table["phase_ns"] = np.arange(8)
    np.save(tmp_path / "x.npy", table)
    record = eb.read_log(tmp_path / "x.npy")
    assert record.start == np.datetime64(1_772_323_180_123_456_789, "ns")
    assert list(record.covariates) == ["room_temperature_c"]


def test_parquet_and_hdf5_give_the_same_record(tmp_path: Path) -> None:
    """The same columns written by pandas/pyarrow and by h5py are the same record."""
    pd = pytest.importorskip("pandas")
    pytest.importorskip("pyarrow", reason="pyarrow is not installed")
    h5py = pytest.importorskip("h5py", reason="h5py is not installed")
    frame = pd.DataFrame({"elapsed_s": 10.0 * np.arange(50), "frequency_hz": 1e7 + np.arange(50) % 7 * 1e-3})
    frame.to_parquet(tmp_path / "x.parquet")
    with h5py.File(tmp_path / "x.h5", "w") as file:
        for name in frame:
            file.create_dataset(f"run/{name}", data=frame[name].to_numpy())
    records = [eb.read_log(tmp_path / name, nominal_frequency_hz=1e7) for name in ("x.parquet", "x.h5")]
    np.testing.assert_array_equal(records[0].values, records[1].values)
    assert records[0].interval_s == records[1].interval_s == 10.0


@pytest.mark.parametrize("magic", [b"PAR1", b"\x89HDF\r\n\x1a\n", b"\x93NUMPY", b"ARROW1\x00\x00"])
def test_damaged_binary_files_are_described(tmp_path: Path, magic: bytes) -> None:
    """A file that begins as one of the known kinds and goes on as nonsense gets a sentence."""
    path = tmp_path / "x"
    path.write_bytes(magic + bytes(range(256)))
    with pytest.raises(eb.LogError, match=r"cut off or damaged|is needed; install"):
        eb.read_log(path)
