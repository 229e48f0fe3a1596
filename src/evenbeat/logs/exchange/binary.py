"""Files of binary columns: NumPy ``.npy`` (memory-mapped), Parquet (pyarrow) and HDF5 (h5py)."""

from __future__ import annotations

import io
import tokenize
from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np

from evenbeat.errors import LogError
from evenbeat.logs.exchange.opened import Opened
from evenbeat.logs.files import LogText, RawFile, refuse_bomb
from evenbeat.logs.rows import Columns
from evenbeat.logs.terms import CellKind, Form
from evenbeat.logs.times import Moments

_KINDS = {
    b"\x93NUMPY": "NumPy array",
    b"PAR1": "Parquet table",
    b"\x89HDF\r\n\x1a\n": "HDF5 file",
    b"ARROW1": "Arrow file",
}
_LARGEST_EXACT = 2**53
_BAD_HEADER = (ValueError, OSError, EOFError, TypeError, LookupError, OverflowError, SyntaxError)
_UNEVEN_HEADER = tokenize.TokenError  # brackets or quotation marks that are not closed


def open_binary(raw: RawFile) -> Opened | None:
    """Return the columns of a file of binary columns, ``None`` where it is none.

    Raises
    ------
    LogError
        If the file is damaged, holds no table of readings, or needs a library that is not installed.
    """
    kind = next((name for magic, name in _KINDS.items() if raw.content.startswith(magic)), None)
    if kind is None:
        return None
    comments: tuple[str, ...] = ()
    if kind == "NumPy array":
        columns = _numpy_columns(raw)
    elif kind == "HDF5 file":
        columns = _hdf5_columns(raw)
    else:
        columns, comments = _arrow_columns(raw, kind)
    return _opened(raw, columns, kind, comments)


def _opened(raw: RawFile, columns: Mapping[str, Any], kind: str, comments: tuple[str, ...]) -> Opened:
    """Return columns as if they had been cells."""
    named = {name: values for name, values in columns.items() if values.dtype.kind in "iufMb"}
    if not named or not len(next(iter(named.values()))):
        msg = f"the {kind} holds no column of numbers; a table of readings is needed"
        raise LogError(msg, path=raw.path)
    kinds: tuple[CellKind, ...] = tuple("moment" if v.dtype.kind == "M" else "number" for v in named.values())
    header = tuple(named) if any(named) else ()
    log = LogText(
        path=raw.path, text=b"", sha256=raw.sha256, size_bytes=len(raw.content), findings=raw.findings
    )
    form = Form(separator="", decimal=".", columns=len(named), kinds=kinds, header=header, comments=comments)
    numbers, moments, whole = {}, {}, None
    for index, values in enumerate(named.values()):
        if values.dtype.kind == "M":
            ns = values.astype("datetime64[ns]").astype(np.int64)
            moments[index] = Moments(ns=ns, zoned=True)
            continue
        if index == _exact_time(named):
            whole = np.ascontiguousarray(values, dtype=np.int64)
        numbers[index] = values if values.dtype == np.float64 else values.astype(float)
    rows = len(next(iter(named.values())))
    table = Columns(rows=rows, numbers=numbers, cell_units={}, whole=whole)
    return Opened(log=log, form=form, columns=table, kind=kind, moments=moments)


def _exact_time(named: Mapping[str, Any]) -> int | None:
    """Return the first column of integers that float64 does not hold, such as Unix nanoseconds."""
    for index, values in enumerate(named.values()):
        if values.dtype.kind in "iu" and len(values) and int(np.abs(values[:1])[0]) > _LARGEST_EXACT:
            return index
    return None


def _numpy_columns(raw: RawFile) -> dict[str, Any]:
    """Return the fields of a structured array, the columns of a table, or the one column of an array."""
    try:
        array = np.load(raw.path, mmap_mode="r", allow_pickle=False)
    except (*_BAD_HEADER, _UNEVEN_HEADER) as error:
        if b"'O'" in raw.content[:256] or b"|O" in raw.content[:256]:
            msg = "the NumPy file holds Python objects, which are not read; save an array of numbers"
        else:
            msg = f"the NumPy file is cut off or damaged ({error}); copy or save it again"
        raise LogError(msg, path=raw.path) from None
    if array.dtype.names:
        return {name: array[name] for name in array.dtype.names}
    if array.ndim == 1:
        return {"": array}
    if array.ndim == 2 and array.shape[1] <= 64:
        return {f"column_{index}": array[:, index] for index in range(array.shape[1])}
    msg = f"the NumPy array has shape {array.shape}; one row for each reading and few columns are needed"
    raise LogError(msg, path=raw.path)


def _arrow_columns(raw: RawFile, kind: str) -> tuple[dict[str, Any], tuple[str, ...]]:
    try:
        import pyarrow as pa
        from pyarrow import ipc, parquet
    except ImportError:
        msg = f"this is a {kind}, for which pyarrow is needed; install it with: pip install 'evenbeat[files]'"
        raise LogError(msg, path=raw.path) from None
    source = pa.BufferReader(raw.content)
    try:
        if kind == "Parquet table":
            stated = parquet.read_metadata(source)
            refuse_bomb(8 * stated.num_rows * stated.num_columns, len(raw.content), kind, raw.path)
            source.seek(0)
        table = parquet.read_table(source) if kind == "Parquet table" else ipc.open_file(source).read_all()
        metadata = table.schema.metadata or {}
        columns = {
            name: table.column(name).combine_chunks().to_numpy(zero_copy_only=False)
            for name in table.column_names
        }
    except LogError:
        raise
    except (pa.ArrowException, OSError, ValueError, TypeError, NotImplementedError) as error:
        msg = f"the {kind} is cut off or damaged ({str(error).splitlines()[0]}); copy it again"
        raise LogError(msg, path=raw.path) from None
    said = [
        f"{key.decode(errors='replace').removeprefix('evenbeat ')}: {value.decode(errors='replace')}"
        for key, value in metadata.items()
        if key.startswith(b"evenbeat ")
    ]
    return columns, tuple(said)


def _hdf5_columns(raw: RawFile) -> dict[str, Any]:
    try:
        import h5py
    except ImportError:
        msg = "this is an HDF5 file, for which h5py is needed; install it with: pip install 'evenbeat[files]'"
        raise LogError(msg, path=raw.path) from None
    try:
        with h5py.File(io.BytesIO(raw.content), "r") as file:
            return _datasets(file, raw)
    except LogError:
        raise
    except (OSError, ValueError, KeyError, TypeError, RuntimeError) as error:
        msg = f"the HDF5 file is cut off or damaged ({error}); copy it again"
        raise LogError(msg, path=raw.path) from None


def _datasets(file: Any, raw: RawFile) -> dict[str, Any]:
    """Return all columns of equal length; a table made of fields counts as its fields."""
    import h5py

    found: dict[str, Any] = {}
    path, total = raw.path, 0

    def visit(name: str, item: Any) -> None:
        if not isinstance(item, h5py.Dataset) or item.ndim not in (1, 2) or item.dtype.kind not in "iufV":
            return
        if item.external or item.is_virtual:
            msg = f"the column '{name}' stands in another file; save the HDF5 file with its readings in it"
            raise LogError(msg, path=path)
        nonlocal total
        total += item.size * item.dtype.itemsize
        refuse_bomb(total, len(raw.content), "HDF5 file", path)
        if item.dtype.names:
            found.update({field: item[field] for field in item.dtype.names})
        elif item.ndim == 1:
            found[name.rpartition("/")[2]] = item[:]
        elif item.shape[1] <= 64:
            found.update({f"{name.rpartition('/')[2]}_{k}": item[:, k] for k in range(item.shape[1])})

    file.visititems(visit)
    if "axis0" in file or any("block0_values" in str(key) for key in _all_names(file)):
        msg = "this HDF5 file was written by pandas; save the table as Parquet or CSV instead"
        raise LogError(msg, path=path)
    lengths = {len(values) for values in found.values()}
    if len(lengths) > 1:
        named = ", ".join(f"{name} ({len(values)})" for name, values in found.items())
        msg = f"the HDF5 file holds columns of different lengths: {named}; one table is needed"
        raise LogError(msg, path=path)
    return found


def _all_names(file: Any) -> Sequence[str]:
    names: list[str] = []
    file.visit(names.append)
    return names
