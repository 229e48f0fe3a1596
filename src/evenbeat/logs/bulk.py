"""A long log of text → Parquet or NumPy columns in SI, block by block, in bounded memory."""

from __future__ import annotations

import contextlib
import functools
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import numpy as np

from evenbeat.bench import Bench
from evenbeat.disk import replacing
from evenbeat.errors import InputError, LogError, OutputError, RowError, blamed
from evenbeat.findings import Finding
from evenbeat.ledger import Ledger, Rejected, RejectedLines
from evenbeat.logs.files import LogText, blocks_of
from evenbeat.logs.reader import TableReader, converted_readings, stated_quantity, understood_times
from evenbeat.logs.remarks import form_findings
from evenbeat.logs.rows import Columns
from evenbeat.logs.sheet import Sheet, chosen_rows, label_column, labelled_rows
from evenbeat.logs.terms import Candidate, Layout, Options, Statements, TimeForm, chosen_layout
from evenbeat.logs.times import Times, floats_of
from evenbeat.plain import UNLISTED
from evenbeat.result import Column, Result

Block = Mapping[str, Any]


class _NumpyWriter:
    """Writes a structured array; its header is completed when the number of rows is known."""

    def __init__(self, path: Path, _said: Mapping[str, str]) -> None:
        self._file = path.open("wb")
        self._dtype: np.dtype[Any] = np.dtype(float)
        self._rows = 0

    def write(self, block: Block) -> None:
        """Append the rows of a block."""
        if not self._rows:
            self._dtype = np.dtype([(name, values.dtype) for name, values in block.items()])
            self._header()
        rows = np.empty(len(next(iter(block.values()))), dtype=self._dtype)
        for name, values in block.items():
            rows[name] = values
        self._file.write(rows.tobytes())
        self._rows += len(rows)

    def _header(self) -> None:
        descr = np.lib.format.dtype_to_descr(self._dtype)
        header = {"descr": descr, "fortran_order": False, "shape": (self._rows,)}
        np.lib.format.write_array_header_1_0(self._file, header)  # leaves room for a longer shape

    def close(self) -> None:
        """Finish the file."""
        with self._file:
            self._file.seek(0)
            self._header()


class _ParquetWriter:
    """Writes row groups, compressed."""

    def __init__(self, path: Path, said: Mapping[str, str]) -> None:
        try:
            from pyarrow import parquet
        except ImportError:
            msg = "Parquet needs pyarrow; install it with: pip install 'evenbeat[files]', or write .npy"
            raise InputError(msg) from None
        self._open: Callable[..., Any] = functools.partial(parquet.ParquetWriter, path, compression="zstd")
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
        self._writer = self._writer or self._open(schema=table.schema)
        self._writer.write_table(table)

    def close(self) -> None:
        """Finish the file."""
        if self._writer is not None:
            self._writer.close()


_Open = Callable[[Mapping[str, str]], _NumpyWriter | _ParquetWriter]
_WRITERS: dict[str, type[_NumpyWriter | _ParquetWriter]] = {".npy": _NumpyWriter, ".parquet": _ParquetWriter}


_BLOCK_BYTES = 1 << 25
_MOST_TOLD = 1000  # lines that were no rows


@dataclass(frozen=True, eq=False, kw_only=True, repr=False)
class ConvertedLog(Result):
    """What :func:`evenbeat.convert_log` wrote.

    Attributes
    ----------
    rows
        Number of rows written.
    columns
        Names of the columns, units in them; ``unix_ns`` (``utc`` in Parquet) or ``elapsed_s`` is the time.
    source_sha256
        SHA-256 of the file that was read.
    nominal_frequency_hz
        Used to turn readings into fractional frequency.
    ledger
        What became of each line of that file.
    """

    path: str
    rows: int
    columns: tuple[str, ...] = field(metadata=UNLISTED)
    source_path: str
    source_sha256: str
    source_bytes: int
    nominal_frequency_hz: float | None
    ledger: Ledger

    def _columns(self) -> tuple[Column, ...]:
        return (Column("columns", self.columns, "column"),)

    def _headline(self) -> str:
        return f"{self.rows} rows of {Path(self.source_path).name} written to {Path(self.path).name}"


def convert_log(
    path: str | Path,
    to: str | Path,
    *,
    overwrite: bool = False,
    progress: bool = False,
    block_bytes: int = _BLOCK_BYTES,
    layout: str | Path | Layout | Bench | None = None,
    **options: Any,
) -> ConvertedLog:
    """Write a log of text as columns in SI that open at once, in memory bounded by the size of a block.

    Parameters
    ----------
    path
        A table of text, plain, gzip, xz or bzip2.
    to
        Name of the new file: ``.parquet`` (needs pyarrow; carries nominal frequency, gate and reference)
        or ``.npy`` (numbers only, memory-mapped by :func:`evenbeat.read_log`).
    overwrite
        Replace an earlier file of that name.
    progress
        Show a bar on the terminal or in the notebook.
    block_bytes
        Text that is held at a time.
    layout, **options
        As for :func:`evenbeat.read_log`; what nothing states is told from the first lines.

    Returns
    -------
    ConvertedLog
        Rows, columns and findings; the rows are those of the log, not yet on a grid.

    Raises
    ------
    LogError
        If the log cannot be read without a guess; nothing is left behind then.
    OutputError
        If the new file exists or cannot be written.

    Examples
    --------
    >>> import evenbeat as eb, tempfile, pathlib
    >>> folder = tempfile.TemporaryDirectory()
    >>> done = eb.convert_log(eb.demo_data("fulmar-evening.csv"), pathlib.Path(folder.name) / "evening.npy")
    >>> done.rows
    720
    >>> folder.cleanup()

    References
    ----------
    Source: reads as read_log does
    Tests: tests/logs/test_conversion_of_long_logs.py
    """
    wanted, chosen = chosen_layout(layout, options)
    source = Path(path)
    if not source.is_file():
        msg = "there is no such file"
        raise LogError(msg, path=path)
    place = Path(to)
    if place.suffix not in _WRITERS:
        msg = f"'{place.name}' is neither .parquet nor .npy; give a name that ends in one of them"
        raise InputError(msg)
    if place.is_dir() or (place.exists() and not overwrite):
        msg = f"{place} exists already; give another name, or overwrite it with overwrite=True"
        raise OutputError(msg)
    if not place.parent.is_dir():
        msg = f"there is no folder {place.parent} to write {place.name} into"
        raise OutputError(msg)
    try:
        with blamed(path), replacing(place) as part, contextlib.ExitStack() as stack:
            seen: Callable[[int], object] = int
            if progress:
                from tqdm.auto import tqdm

                size = source.stat().st_size
                bar = tqdm(total=size, unit="B", unit_scale=True, desc=source.name)
                seen = stack.enter_context(bar).update
            work = _Work(source, chosen, wanted, functools.partial(_WRITERS[place.suffix], part))
            with contextlib.closing(work):
                for block in blocks_of(source, block_bytes, seen, work.done):
                    work.take(block)
            return work.result(place)
    except OSError as error:
        if isinstance(error, OutputError):
            raise
        msg = f"{to} cannot be written ({error.strerror or error})"
        raise OutputError(msg) from None


class _Work:
    """Reads blocks by what the first one showed, and writes them."""

    def __init__(self, source: Path, options: Options, wanted: Candidate | None, open_part: _Open) -> None:
        self.source, self.options, self.open_part = source, options, open_part
        self.reader = TableReader(options, wanted)
        self.writer: _NumpyWriter | _ParquetWriter | None = None
        self.plan: _Plan | None = None
        self.sha256, self.size = "", 0
        self.rows, self.missing = 0, 0
        self.columns: tuple[str, ...] = ()
        self.rejected: list[Rejected] = []
        self.doubtful: list[Rejected] = []
        self.ledger = Ledger(lines=0, accepted=0)

    def close(self) -> None:
        """Finish the new file."""
        if self.writer is not None:
            self.writer.close()

    def done(self, sha256: str, size: int) -> None:
        """Take the hash and size of what was read."""
        self.sha256, self.size = sha256, size

    def take(self, block: bytes) -> None:
        """Read a block and write its rows; what is no row is counted."""
        lines, before = block.count(b"\n") + (not block.endswith(b"\n")), self.ledger.lines
        if not block.strip():
            self.ledger = self.ledger.and_later(Ledger(lines=lines, accepted=0, blank=lines), before)
            return
        log = LogText(path=str(self.source), text=block, sha256="", size_bytes=len(block), lines=lines)
        columns: dict[str, Any] = {}
        try:
            sheet = self.reader.sheet(log)
            doubtful = sheet.table.doubtful
            if self.plan is None or self.writer is None:
                self.plan = _plan(sheet, self.options)
                self.writer = self.open_part(self.plan.said())
            if sheet.table.rows:
                sheet, columns = self.plan.columns_of(sheet, self.rows)
        except LogError as error:
            line = None if error.line is None else error.line + before  # counted from the beginning
            raise LogError(error.sentence, path=self.source, line=line) from None
        for told, into in ((sheet.table.rejected, self.rejected), (doubtful, self.doubtful)):
            into += [replace(r, line=r.line + before) for r in told[: _MOST_TOLD - len(into)]]
        if sheet.table.rows:
            self.columns = tuple(columns)
            self.writer.write(columns)
            self.rows += sheet.table.rows
            self.missing += int(np.count_nonzero(np.isnan(sheet.table.numbers[sheet.layout.value])))
        self.ledger = self.ledger.and_later(sheet.ledger() or Ledger(lines=0, accepted=0), before)

    def result(self, place: Path) -> ConvertedLog:
        """Return what was written."""
        if self.plan is None or not self.rows:
            msg = "the file holds no row of readings"
            raise LogError(msg)
        layout = self.plan.layout
        read = (layout.value, *(covariate.index for covariate in layout.covariates))
        column = np.repeat([0.0, np.nan], [1, self.missing])  # as many missing as there were in the blocks
        table = Columns(
            rows=self.rows,
            numbers=dict.fromkeys(read, column),
            rejected=RejectedLines.of(self.rejected),
            doubtful=tuple(self.doubtful),
        )
        return ConvertedLog(
            path=str(place),
            rows=self.rows,
            columns=self.columns,
            source_path=str(self.source),
            source_sha256=self.sha256,
            source_bytes=self.size,
            nominal_frequency_hz=self.plan.stated.nominal_frequency_hz,
            ledger=self.ledger,
            findings=(*form_findings(layout, table), *self.plan.findings),
        )


@dataclass(frozen=True, kw_only=True)
class _Plan:
    """What the first block showed and all others follow."""

    layout: Layout
    quantity: str
    unit: str
    stated: Statements
    options: Options
    kind: str
    time_form: TimeForm | None
    label: int | None  # column of the label of rows that were asked for
    first: float  # time of the first row
    findings: tuple[Finding, ...]

    def columns_of(self, sheet: Sheet, row: int) -> tuple[Sheet, dict[str, Any]]:
        """Return the rows taken of a block, and their columns; ``row`` were written before."""
        sheet, times = understood_times(sheet, self.stated, self.options)
        if self.label is not None and self.options.select is not None:
            kept = labelled_rows(sheet, self.label, self.options.select)
            times = times.kept(kept) if times is not None and len(kept) else None
            others = np.setdiff1d(np.delete(sheet.lines, kept), sheet.table.rejected.lines)
            sheet = replace(sheet.kept(kept), left_out=len(others))
        if not sheet.table.rows:
            return sheet, {}
        with blamed(sheet.log.path, sheet.locate):
            converted = converted_readings(sheet, self.quantity, self.unit, self.stated)
            time = self._time_of(sheet, times, row)
        name = "time_error_s" if converted.kind == "phase" else "fractional_frequency"
        columns = {**time, name: converted.values}
        for covariate in self.layout.covariates:
            columns[covariate.name] = covariate.of(sheet.table.numbers[covariate.index])
        return sheet, columns

    def _time_of(self, sheet: Sheet, times: Times | None, row: int) -> dict[str, Any]:
        """Return Unix nanoseconds, seconds since the first row, or nothing where no time is stated."""
        if times is None:
            interval = self.stated.interval_s
            return {} if interval is None else {"elapsed_s": (row + np.arange(sheet.table.rows)) * interval}
        if times.form != self.time_form:
            msg = f"the time is written as {times.form} time from here on, above it was {self.time_form} time"
            raise RowError(msg, 0)
        if any(finding.code == "TIME_WRAPPED" for finding in times.findings):
            msg = (
                "the time begins anew, which is not followed from block to block; read the log with read_log"
            )
            raise LogError(msg, line=sheet.layout.form.first_line)
        if times.start is not None:
            first = int(times.start.astype("datetime64[ns]").astype(np.int64))
            return {"unix_ns": first + times.since_first_ns}
        return {"elapsed_s": times.seconds + (_first(sheet, times) - self.first) * times.scale}

    def said(self) -> dict[str, str]:
        """Return what the new file should state about itself, as comment lines would."""
        stated = self.stated
        said = {
            "quantity": self.kind,
            "unit": "s" if self.kind == "phase" else "1",
            "nominal frequency": stated.nominal_frequency_hz and f"{stated.nominal_frequency_hz!r} Hz",
            "interval": stated.interval_s and f"{stated.interval_s!r} s",
            "gate": stated.gate_s and f"{stated.gate_s!r} s",
            "reference": stated.reference,
            "counter weighting": stated.counter_weighting,
        }
        return {key: f"{value}" for key, value in said.items() if value}


def _plan(sheet: Sheet, options: Options) -> _Plan:
    """Return what the first block shows."""
    log, layout, form = sheet.log, sheet.layout, sheet.layout.form
    if options.every not in (None, 1):
        msg = "rows in turn are chosen when the new file is read; convert all with --set every=1 (every=1)"
        raise LogError(msg)
    if any(finding.code == "REMARKS" for finding in log.findings):
        msg = "rows with remarks are not converted in blocks; read the log with read_log"
        raise LogError(msg, line=form.first_line)
    stated = options.with_statements(layout.statements)
    sheet, times = understood_times(sheet, stated, options)
    quantity, unit = stated_quantity(sheet, options)
    if quantity == "count":
        msg = "a running total of cycles is not converted in blocks; read it with read_log"
        raise LogError(msg, line=form.first_line)
    converted = converted_readings(sheet, quantity, unit, stated)
    if times is not None and times.form == "time_of_day":
        msg = "times of day without a date are not converted in blocks; read the log with read_log"
        raise LogError(msg, line=form.first_line)
    *_, chosen = chosen_rows(sheet, times, options, quantity=quantity)
    return _Plan(
        layout=layout,
        quantity=converted.quantity,
        unit=converted.unit,
        stated=replace(stated, nominal_frequency_hz=converted.nominal_frequency_hz),
        options=options,
        kind="phase" if converted.kind == "phase" else "fractional_frequency",
        time_form=None if times is None else times.form,
        label=None if options.select is None else label_column(sheet, options.select),
        first=0.0 if times is None else _first(sheet, times),
        findings=(
            *log.findings,
            *converted.findings,
            *(() if times is None else times.findings),
            *(finding for finding in chosen if finding.code != "CHOSEN_ROWS"),
        ),
    )


def _first(sheet: Sheet, times: Times) -> float:
    """Return the time of the first row: seconds since 1970, or the number in its column."""
    if times.start is not None:
        return float(times.start.astype("datetime64[ns]").astype(np.int64)) * 1e-9
    return float(floats_of(sheet.table.numbers[sheet.layout.time or 0][:1], sheet.table.decimals)[0])
