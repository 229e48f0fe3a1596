"""Columns written block by block: Parquet, or NumPy ``.npy`` that can be memory-mapped."""

from __future__ import annotations

import os
import tempfile
from collections.abc import Mapping
from pathlib import Path
from types import TracebackType
from typing import Any, Protocol

import numpy as np

from evenbeat.disk import umask
from evenbeat.errors import InputError, OutputError

Block = Mapping[str, Any]


class Writer(Protocol):
    """Takes blocks of columns of equal length; the first decides names and types."""

    def write(self, block: Block) -> None:
        """Append the rows of a block."""

    def close(self) -> None:
        """Finish the file."""


class NumpyWriter:
    """Writes a structured array; its header is completed when the number of rows is known."""

    def __init__(self, path: Path) -> None:
        self._file = path.open("wb")
        self._dtype: np.dtype[Any] | None = None
        self._rows = 0

    def write(self, block: Block) -> None:
        """Append the rows of a block."""
        if self._dtype is None:
            self._dtype = np.dtype([(name, values.dtype) for name, values in block.items()])
            self._header()
        rows = np.empty(len(next(iter(block.values()))), dtype=self._dtype)
        for name, values in block.items():
            rows[name] = values
        self._file.write(rows.tobytes())
        self._rows += len(rows)

    def _header(self) -> None:
        dtype = self._dtype or np.dtype(float)
        header = {
            "descr": np.lib.format.dtype_to_descr(dtype),
            "fortran_order": False,
            "shape": (self._rows,),
        }
        np.lib.format.write_array_header_1_0(self._file, header)  # leaves room for a longer shape

    def close(self) -> None:
        """Finish the file."""
        self._file.seek(0)
        self._header()
        self._file.flush()
        os.fsync(self._file.fileno())
        self._file.close()


class ParquetWriter:
    """Writes row groups, compressed."""

    def __init__(self, path: Path, said: Mapping[str, str]) -> None:
        try:
            from pyarrow import parquet
        except ImportError:
            msg = "Parquet needs pyarrow; install it with: pip install 'evenbeat[files]', or write .npy"
            raise InputError(msg) from None
        self._parquet = parquet
        self._path = path
        self._said = {f"evenbeat {key}": value for key, value in said.items()}
        self._writer: Any = None

    def write(self, block: Block) -> None:
        """Append the rows of a block."""
        import pyarrow as pa

        columns = dict(block)
        if "unix_ns" in columns:
            utc = pa.array(columns.pop("unix_ns"), type=pa.int64()).cast(pa.timestamp("ns", tz="UTC"))
            columns = {"utc": utc, **columns}
        table = pa.table(columns).replace_schema_metadata(self._said)
        if self._writer is None:
            self._writer = self._parquet.ParquetWriter(self._path, table.schema, compression="zstd")
        self._writer.write_table(table)

    def close(self) -> None:
        """Finish the file."""
        if self._writer is not None:
            self._writer.close()


class Replacing:
    """A place for a new file that takes its name only when it is complete; nothing partial is left."""

    def __init__(self, to: str | Path, *, overwrite: bool) -> None:
        self.to = Path(to)
        if self.to.suffix not in (".npy", ".parquet"):
            msg = f"'{self.to.name}' is neither .parquet nor .npy; give a name that ends in one of them"
            raise InputError(msg)
        if self.to.is_dir() or (self.to.exists() and not overwrite):
            msg = f"{self.to} exists already; give another name, or overwrite it with overwrite=True"
            raise OutputError(msg)
        if not self.to.parent.is_dir():
            msg = f"there is no folder {self.to.parent} to write {self.to.name} into"
            raise OutputError(msg)
        self.writer: Writer | None = None

    def __enter__(self) -> Replacing:
        try:
            handle, name = tempfile.mkstemp(prefix=f".{self.to.name}.", suffix=".part", dir=self.to.parent)
        except OSError as error:
            msg = f"{self.to} cannot be written ({error.strerror})"
            raise OutputError(msg) from None
        os.close(handle)
        self.part = Path(name)
        return self

    def open(self, said: Mapping[str, str]) -> Writer:
        """Return the writer for the kind of file that is wanted."""
        npy = self.to.suffix == ".npy"
        self.writer = NumpyWriter(self.part) if npy else ParquetWriter(self.part, said)
        return self.writer

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        try:
            if self.writer is not None:
                self.writer.close()
            if kind is None and self.writer is not None:
                self.part.chmod(0o666 & ~umask())
                self.part.replace(self.to)
        finally:
            self.part.unlink(missing_ok=True)
