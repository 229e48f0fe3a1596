"""Small files that would become huge, and files that read others: refused in bounded memory and time."""

from __future__ import annotations

import bz2
import gzip
import lzma
import subprocess
import sys
import zipfile
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

import evenbeat as eb

ROW = b"10000000.0\n"


def zipped(content: bytes) -> bytes:
    """Return a zip file of one member."""
    import io

    memory = io.BytesIO()
    with zipfile.ZipFile(memory, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("log.csv", content)
    return memory.getvalue()


def many(pack: Callable[[bytes], bytes]) -> Callable[[bytes], bytes]:
    """Return what packs a piece many times over, as joined streams."""
    return lambda piece: pack(piece) * 40


@pytest.mark.parametrize(
    "pack",
    [
        many(gzip.compress),
        pytest.param(many(lzma.compress), marks=pytest.mark.slow),
        pytest.param(many(bz2.compress), marks=pytest.mark.slow),
        pytest.param(lambda piece: zipped(piece * 40), marks=pytest.mark.slow),
    ],
    ids=["gzip", "xz", "bzip2", "zip"],
)
def test_a_bomb_is_refused_within_its_limit(pack: Callable[[bytes], bytes], tmp_path: Path) -> None:
    """Some 300 MB of one row in less than a megabyte: refused, with less than 1 GB of memory."""
    bomb = tmp_path / "log.csv.packed"
    bomb.write_bytes(pack(ROW * 800_000))
    script = (
        "import sys, evenbeat as eb\n"
        "try: eb.read_log(sys.argv[1], interval_s=1)\n"
        "except eb.LogError as error: print(error)\n"
        "peak, = (line for line in open('/proc/self/status') if line.startswith('VmHWM'))\n"
        "print(int(peak.split()[1]) // 1024)\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", script, str(bomb)], capture_output=True, text=True, check=True, timeout=60
    )
    refusal, megabytes = done.stdout.splitlines()

    assert "file would take" in refusal
    assert "more than 100 times its size" in refusal
    assert "damaged" not in refusal
    assert "unpack it" in refusal
    assert int(megabytes) < 1000


def test_a_well_packed_log_is_no_bomb(tmp_path: Path) -> None:
    """A display that stands still packs 500 times; a megabyte of it is a log."""
    log = tmp_path / "log.csv.gz"
    log.write_bytes(gzip.compress(b"frequency_Hz\n" + ROW * 100_000))

    assert len(eb.read_log(log, interval_s=1, nominal_frequency_hz=1e7)) == 100_000


def test_hdf5_that_would_fill_the_memory(tmp_path: Path) -> None:
    """A kilobyte that states ten thousand million readings."""
    h5py = pytest.importorskip("h5py")
    path = tmp_path / "log.h5"
    with h5py.File(path, "w") as file:
        file.create_dataset("frequency_Hz", shape=(10**10,), dtype="f8", chunks=(10**6,), compression="gzip")

    with pytest.raises(eb.LogError, match=r"80000 MB .* more than 100 times its size"):
        eb.read_log(path, interval_s=1)


def test_hdf5_that_reads_another_file(tmp_path: Path) -> None:
    """Its readings would stand outside the file whose hash is in the record."""
    h5py = pytest.importorskip("h5py")
    path = tmp_path / "log.h5"
    (tmp_path / "other.bin").write_bytes(np.arange(100.0).tobytes())
    with h5py.File(path, "w") as file:
        file.create_dataset(
            "frequency_Hz", shape=(100,), dtype="f8", external=[(str(tmp_path / "other.bin"), 0, 800)]
        )

    with pytest.raises(eb.LogError, match="'frequency_Hz' stands in another file"):
        eb.read_log(path, interval_s=1)


def test_parquet_that_would_fill_the_memory(tmp_path: Path) -> None:
    """Runs of one value pack without end."""
    pa = pytest.importorskip("pyarrow")
    parquet = pytest.importorskip("pyarrow.parquet")
    path = tmp_path / "log.parquet"
    piece = pa.table({"frequency_Hz": pa.array(np.full(10**6, 1e7))})
    with parquet.ParquetWriter(path, piece.schema, compression="zstd") as writer:
        for _ in range(60):
            writer.write_table(piece, row_group_size=10**6)

    with pytest.raises(eb.LogError, match=r"480 MB .* more than 100 times its size"):
        eb.read_log(path, interval_s=1)


@pytest.mark.parametrize("text", ["a = " + "[" * 5000, "version = " + "1" * 5000])
def test_deep_and_long_toml(text: str, tmp_path: Path) -> None:
    """A layout, a description of an instrument and a specification: one sentence each."""
    path = tmp_path / "file.toml"
    path.write_text(text)
    log = tmp_path / "log.csv"
    log.write_bytes(ROW * 10)

    with pytest.raises(eb.LogError, match="the bench file is not valid TOML"):
        eb.read_log(log, layout=path)
    with pytest.raises(eb.InputError, match="not valid TOML"):
        eb.calibration.Specification.from_toml(path)
    with pytest.raises(eb.InputError, match="not valid TOML"):
        eb.collect(path, "tcp://127.0.0.1:1", tmp_path / "new")
