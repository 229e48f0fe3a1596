"""Files that are no text table: RINEX clock, CGGTTS, and columns in NumPy, Parquet, Arrow and HDF5 files.

RINEX after "RINEX Extensions to Handle Clock Information", versions 2.00, 3.00, 3.02 and 3.04 (IGS): data
records AS (satellites) and AR (receivers), epoch, bias in seconds; other records are passed over.

CGGTTS after P. Defraigne and G. Petit, "CGGTTS-Version 2E: an extended standard for GNSS Time Transfer",
Metrologia 52 (2015) G1: columns by their names, REFSYS (REFGPS before version 2E) in 0.1 ns as local
reference minus system time at the middle of the track, and the check sum of each line. A signal is a code
(FRC) of one system: each has delays of its own, so that no two are averaged.
"""

from __future__ import annotations

import io
import re
import tokenize
from collections import Counter
from collections.abc import Callable, Iterable, Mapping
from dataclasses import replace
from typing import Any, NamedTuple

import numpy as np
import numpy.typing as npt

from evenbeat.errors import LogError
from evenbeat.findings import Finding, note
from evenbeat.ledger import Rejected, RejectedLines
from evenbeat.logs.files import LogText, refuse_bomb
from evenbeat.logs.form import PROBE_LINES
from evenbeat.logs.rows import Columns
from evenbeat.logs.sheet import Sheet, layout_of
from evenbeat.logs.terms import CellKind, Form, Options
from evenbeat.logs.times import Moments, floats_of
from evenbeat.units import MJD_OF_UNIX_EPOCH


def _sheet(
    log: LogText,
    form: Form,
    options: Options,
    *,
    table: Columns,
    moments: Mapping[int, Moments],
    findings: tuple[Finding, ...] = (),
    **more: Any,
) -> Sheet:
    """Return columns of known names as a sheet; whole numbers stay exact where they are the time."""
    first = {index: floats_of(values[:PROBE_LINES]) for index, values in table.numbers.items()}
    layout = layout_of(log, form, options, first=first.get)
    numbers = {i: values if i == layout.time else floats_of(values) for i, values in table.numbers.items()}
    table = replace(table, numbers=numbers, moments=None if layout.time is None else moments.get(layout.time))
    return Sheet(log=log, layout=layout, table=table, findings=(*log.findings, *findings), **more)


_RINEX_ROW = re.compile(
    r"A[RS] (\S+)\s+(\d{4})\s+(\d{1,2})\s+(\d{1,2})\s+(\d{1,2})\s+(\d{1,2})"
    r"\s+(\d{1,2}(?:\.\d*)?)\s+(\d+)\s+(\S+)"
)
_NAME = re.compile(rb"(?m)^A[RS] (\S+)")
_SCALES = {"GPS": "GPS", "GLO": "UTC", "UTC": "UTC", "TAI": "TAI", "GAL": "Galileo", "BDT": "BeiDou"}


def _open_rinex_clock(log: LogText, options: Options) -> Sheet:
    """Return epoch and bias of one clock."""
    head, found, body = log.text.partition(b"END OF HEADER")
    if not found:
        msg = "the header of the RINEX file has no end (END OF HEADER); the file is cut off"
        raise LogError(msg, line=log.text.count(b"\n"))
    first = head.count(b"\n") + 1
    records = Counter(name.decode(errors="replace") for name in _NAME.findall(body))
    name = _clock_chosen(records, options.clock, first + 1)
    wanted = (f"AS {name} ".encode(), f"AR {name} ".encode())
    lines = [(number, raw) for number, raw in enumerate(body.split(b"\n"), first) if raw.startswith(wanted)]

    def read(raw: bytes) -> tuple[int, float] | str:
        return _rinex_row(raw.decode(errors="replace")) or f"a record of clock {name} that is not understood"

    epochs, numbers, rejected = _understood(lines, read, options)
    if not epochs:
        msg = f"no record of clock {name} can be read"
        raise LogError(msg)
    said = head.decode(errors="replace")
    stated = re.search(r"(?m)^\s+([A-Z]{3})\s.*TIME SYSTEM ID", said)
    scale = _SCALES.get(stated.group(1), "GPS") if stated else "GPS"
    reference = re.search(r"(?m)^(\S+).*ANALYSIS CLK REF", said)
    ns, values = (np.array(column) for column in zip(*epochs, strict=True))
    values[np.abs(values) >= 0.999999] = np.nan  # the mark for no value
    told = f"The bias of clock {name} was read from the RINEX file, positive where it is ahead."
    findings = [note("CLOCK_CHOSEN", told, clock=name)]
    if scale != "UTC":
        told = f"The epochs are in {scale} time, not UTC; the start of the record keeps them as they are."
        findings.append(note("TIME_SCALE", told, scale=scale))
    form = _phase_form("clock bias [s]", numbers[0], reference.group(1) if reference else None)
    table = Columns(rows=len(ns), numbers={1: values}, lines=np.array(numbers), rejected=rejected)
    return _sheet(
        log,
        form,
        options,
        table=table,
        moments={0: Moments(ns=ns, zoned=True)},
        findings=tuple(findings),
        kind="RINEX clock file",
        exact_times=True,
        scale=scale,
        left_out=records.total() - len(epochs) - len(rejected),
        several_lines=len(epochs),
    )


def _understood(
    lines: Iterable[tuple[int, Any]], read: Callable[[Any], tuple[Any, ...] | str], options: Options
) -> tuple[list[Any], list[int], RejectedLines]:
    """Return what some lines hold, with their numbers; those that cannot be read are refused or rejected."""
    found, numbers, rejected = list[Any](), list[int](), list[Rejected]()
    for number, line in lines:
        one = read(line)
        if not isinstance(one, str):
            found.append(one)
            numbers.append(number)
        elif options.reject:
            rejected.append(Rejected(line=number, reason=one))
        else:
            msg = f"{one}; pass over such lines with --set bad_lines=reject (bad_lines='reject')"
            raise LogError(msg, line=number)
    return found, numbers, RejectedLines.of(rejected)


def _phase_form(column: str, first_line: int, reference: str | None) -> Form:
    """Return the form of rows of an epoch and a time error."""
    said = () if reference is None else (f"reference: {reference}",)
    return Form(
        separator="",
        decimal=".",
        columns=2,
        kinds=("moment", "number"),
        header=("epoch", column),
        first_line=int(first_line),
        comments=("quantity: phase", *said),
    )


def _clock_chosen(records: Counter[str], clock: str | None, first_line: int) -> str:
    """Return the name of the clock that is read."""
    names = sorted(records)
    shown = ", ".join(names[:8]) + (f", … ({len(names)} in all)" if len(names) > 8 else "")
    if not names:
        msg = "the RINEX clock file holds no clock records (AS or AR)"
        raise LogError(msg)
    if clock is not None:
        exact = [name for name in names if name.lower() == clock.strip().lower()]
        if exact:
            return exact[0]
        msg = f"there is no clock '{clock}'; the file holds {shown}"
        raise LogError(msg)
    if len(names) == 1:
        return names[0]
    msg = f"the RINEX file holds {len(names)} clocks; choose one with --set clock=… (clock): {shown}"
    raise LogError(msg, line=first_line)


def _rinex_row(line: str) -> tuple[int, float] | None:
    """Return nanoseconds since 1970 and bias in seconds."""
    match = _RINEX_ROW.match(line)
    if match is None:
        return None
    year, month, day, hour, minute = (int(match.group(k)) for k in range(2, 7))
    try:
        moment = np.datetime64(f"{year:04d}-{month:02d}-{day:02d}T{hour:02d}:{minute:02d}", "ns")
        bias = float(re.sub("[dD]", "E", match.group(9)))
    except ValueError:
        return None
    return int(moment.astype(np.int64)) + round(float(match.group(7)) * 1e9), bias


_TENTH_NS = 1e-10
_DAY_NS = 86_400_000_000_000
_NEEDED = ("MJD", "STTIME", "TRKL")


class _Track(NamedTuple):
    ns: int
    value: float
    signal: tuple[str, str]  # system and code


def _open_cggtts(log: LogText, options: Options) -> Sheet:
    """Return epochs and the mean of all tracks of one signal at each.

    A signal is chosen by its code (``L1C``), with its system before it (``G-L1C``) where several have it.
    """
    lines = log.text.decode(errors="replace").split("\n")
    start = next((i for i, line in enumerate(lines) if "STTIME" in line and "MJD" in line), None)
    if start is None:
        msg = "the CGGTTS file has no line of column names (SAT … MJD STTIME TRKL …)"
        raise LogError(msg)
    names = lines[start].split()
    column = next((name for name in ("REFSYS", "REFGPS", "REFGLO") if name in names), None)
    if column is None or any(name not in names for name in _NEEDED):
        msg = "the line of column names has no REFSYS (or REFGPS) with MJD, STTIME and TRKL"
        raise LogError(msg, line=start + 1)
    body = [  # but for the line of units
        (number, line)
        for number, line in enumerate(lines[start + 1 :], start + 2)
        if re.search(r"\d{5}", line)
    ]
    tracks, numbers, rejected = _understood(body, lambda line: _track(line, names, column), options)
    if not tracks:
        msg = "the CGGTTS file holds no track"
        raise LogError(msg, line=start + 1)
    chosen, findings = _of_one_signal(tracks, options.signal)
    numbers = [
        number for number, track in zip(numbers, tracks, strict=True) if track.signal == chosen[0].signal
    ]
    ns = np.array([track.ns for track in chosen], dtype=np.int64)
    values = np.array([track.value for track in chosen])
    epochs, first, group = np.unique(ns, return_index=True, return_inverse=True)
    usable = ~np.isnan(values)
    counts = np.bincount(group[usable], minlength=len(epochs))
    totals = np.bincount(group[usable], weights=values[usable], minlength=len(epochs))
    means = np.where(counts > 0, totals / np.maximum(counts, 1), np.nan)
    said = dict(line.split("=", 1) for line in lines[:start] if "=" in line)
    receiver = next((value.strip() for key, value in said.items() if key.strip() == "RCVR"), None)
    reference = f"GNSS time by {receiver}" if receiver else None
    sentence = (
        f"{len(chosen)} tracks were averaged to {len(epochs)} epochs ({counts.min()} to {counts.max()} "
        f"each); the time error is {column}, the local reference minus GNSS time at the middle of a track."
    )
    averaged = note("TRACKS_AVERAGED", sentence, tracks=len(chosen), epochs=len(epochs))
    table = Columns(rows=len(epochs), numbers={1: means}, lines=np.array(numbers)[first], rejected=rejected)
    return _sheet(
        log,
        _phase_form(f"{column} phase [s]", numbers[0], reference),
        options,
        table=table,
        moments={0: Moments(ns=epochs, zoned=True)},
        findings=(*findings, averaged),
        kind="CGGTTS file",
        exact_times=True,
        left_out=len(tracks) - len(chosen),
        several_lines=len(chosen),
    )


def _of_one_signal(tracks: list[_Track], signal: str | None) -> tuple[list[_Track], tuple[Finding, ...]]:
    """Return the tracks of the signal that was chosen, or of the only one."""
    counts = Counter(track.signal for track in tracks)
    alone = Counter(code for _, code in counts)

    def name(system: str, code: str) -> str:
        return code if code and alone[code] == 1 else "-".join(filter(None, (system, code)))

    names = {name(*key): key for key in sorted(counts)}
    told = ", ".join(f"{each} ({counts[key]} tracks)" for each, key in names.items())
    if signal is None:
        if len(names) == 1:
            return tracks, ()
        msg = (
            f"the CGGTTS file holds {len(names)} signals, each with delays of its own: {told}; choose one "
            f"with --set signal=… (signal), such as --set signal={next(iter(names))}"
        )
        raise LogError(msg)
    key = {each.lower(): key for each, key in names.items()}.get(signal.strip().lower())
    if key is None:
        msg = f"there is no signal '{signal}'; the file holds {told or 'tracks without a code'}"
        raise LogError(msg)
    chosen = [track for track in tracks if track.signal == key]
    sentence = f"Only the {len(chosen)} tracks of {name(*key)} were read, of {told}."
    return chosen, (note("SIGNAL_CHOSEN", sentence, tracks=len(chosen), left_out=len(tracks) - len(chosen)),)


def _track(line: str, names: list[str], column: str) -> _Track | str:
    """Return one track, or why it cannot be used."""
    cells = line.split()
    shift = len(names) - len(cells)
    check = _check_sum(line, names)
    if check:
        return check
    try:
        # the class (CL) and check sum are single cells; early columns stand at their place, so do late ones
        places = {name: names.index(name) for name in (*_NEEDED, column)}
        if shift not in (0, 1):
            return f"the track has {len(cells)} cells where {len(names)} are named"
        words = {name: cells[place] for name, place in places.items()}
        clock = words["STTIME"]
        seconds = int(clock[:2]) * 3600 + int(clock[2:4]) * 60 + int(clock[4:6])
        middle = seconds * 1_000_000_000 + int(words["TRKL"]) * 500_000_000
        ns = (int(words["MJD"]) - MJD_OF_UNIX_EPOCH) * _DAY_NS + middle
        value = float(words[column])
        system = "".join(filter(str.isalpha, cells[0]))
        code = cells[names.index("FRC") - len(names)] if "FRC" in names else ""
    except (ValueError, IndexError):
        return "the track is not understood"
    missing = re.fullmatch(r"[+-]?9{7,}", words[column]) is not None
    reading = np.nan if missing else value * _TENTH_NS
    return _Track(ns, reading, (system, code))


def _check_sum(line: str, names: list[str]) -> str:
    """Return what is wrong with the check sum: the sum of the characters before it, modulo 256."""
    if "CK" not in names:
        return ""
    places = list(re.finditer(r"\S+", line))
    index = names.index("CK")
    if index >= len(places) or not re.fullmatch(r"[0-9A-Fa-f]{2}", places[index].group()):
        return "the track has no check sum"
    start = places[index].start()
    stated = int(places[index].group(), 16)
    counted = sum(line[:start].encode("latin-1", errors="replace")) % 256
    return "" if counted == stated else f"the check sum is {counted:02X} where the track states {stated:02X}"


_KINDS = {
    b"\x93NUMPY": "NumPy array",
    b"PAR1": "Parquet table",
    b"\x89HDF\r\n\x1a\n": "HDF5 file",
    b"ARROW1": "Arrow file",
}
_BAD_HEADER = (ValueError, OSError, EOFError, TypeError, LookupError, OverflowError, SyntaxError)
_UNEVEN_HEADER = tokenize.TokenError  # brackets or quotation marks that are not closed


def open_binary(log: LogText, options: Options) -> Sheet | None:
    """Return columns as if they had been cells, ``None`` where the file is not one of binary columns."""
    kind = next((name for magic, name in _KINDS.items() if log.raw.startswith(magic)), None)
    if kind is None:
        return None
    comments: tuple[str, ...] = ()
    if kind == "NumPy array":
        columns = _numpy_columns(log)
    elif kind == "HDF5 file":
        columns = _hdf5_columns(log)
    else:
        columns, comments = _arrow_columns(log, kind)
    named = {name: values for name, values in columns.items() if values.dtype.kind in "iufMb"}
    if not named or not len(next(iter(named.values()))):
        msg = f"the {kind} holds no column of numbers; a table of readings is needed"
        raise LogError(msg)
    kinds: tuple[CellKind, ...] = tuple("moment" if v.dtype.kind == "M" else "number" for v in named.values())
    header = tuple(named) if any(named) else ()
    form = Form(separator="", decimal=".", columns=len(named), kinds=kinds, header=header, comments=comments)
    numbers: dict[int, npt.NDArray[Any]] = {}
    moments = {}
    for index, values in enumerate(named.values()):
        if values.dtype.kind == "M":
            moments[index] = Moments(ns=values.astype("datetime64[ns]").astype(np.int64), zoned=True)
        else:
            numbers[index] = values.astype(np.int64 if values.dtype.kind in "iu" else float, copy=False)
    table = Columns(rows=len(next(iter(named.values()))), numbers=numbers)
    log = replace(log, raw=b"")
    return _sheet(log, form, options, table=table, moments=moments, kind=kind, several_lines=table.rows)


def _numpy_columns(log: LogText) -> dict[str, Any]:
    """Return the fields of a structured array, the columns of a table, or the one column of an array."""
    try:
        array = np.load(log.path, mmap_mode="r", allow_pickle=False)
    except (*_BAD_HEADER, _UNEVEN_HEADER) as error:
        if b"'O'" in log.raw[:256] or b"|O" in log.raw[:256]:
            msg = "the NumPy file holds Python objects, which are not read; save an array of numbers"
        else:
            msg = f"the NumPy file is cut off or damaged ({error}); copy or save it again"
        raise LogError(msg) from None
    if array.dtype.names:
        return {name: array[name] for name in array.dtype.names}
    if array.ndim == 1:
        return {"": array}
    if array.ndim == 2 and array.shape[1] <= 64:
        return {f"column_{index}": array[:, index] for index in range(array.shape[1])}
    msg = f"the NumPy array has shape {array.shape}; one row for each reading and few columns are needed"
    raise LogError(msg)


def _arrow_columns(log: LogText, kind: str) -> tuple[dict[str, Any], tuple[str, ...]]:
    try:
        import pyarrow as pa
        from pyarrow import ipc, parquet
    except ImportError:
        msg = f"this is a {kind}, for which pyarrow is needed; install it with: pip install 'evenbeat[files]'"
        raise LogError(msg) from None
    source = pa.BufferReader(log.raw)
    try:
        if kind == "Parquet table":
            stated = parquet.read_metadata(source)
            refuse_bomb(8 * stated.num_rows * stated.num_columns, len(log.raw), kind)
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
        raise LogError(msg) from None
    said = [
        f"{key.decode(errors='replace').removeprefix('evenbeat ')}: {value.decode(errors='replace')}"
        for key, value in metadata.items()
        if key.startswith(b"evenbeat ")
    ]
    return columns, tuple(said)


def _hdf5_columns(log: LogText) -> dict[str, Any]:
    """Return all columns of equal length; a table made of fields counts as its fields."""
    try:
        import h5py
    except ImportError:
        msg = "this is an HDF5 file, for which h5py is needed; install it with: pip install 'evenbeat[files]'"
        raise LogError(msg) from None
    found: dict[str, Any] = {}
    total = 0

    def visit(name: str, item: Any) -> None:
        if name.endswith(("axis0", "block0_values")):
            msg = "this HDF5 file was written by pandas; save the table as Parquet or CSV instead"
            raise LogError(msg)
        if not isinstance(item, h5py.Dataset) or item.ndim not in (1, 2) or item.dtype.kind not in "iufV":
            return
        if item.external or item.is_virtual:
            msg = f"the column '{name}' stands in another file; save the HDF5 file with its readings in it"
            raise LogError(msg)
        nonlocal total
        total += item.size * item.dtype.itemsize
        refuse_bomb(total, len(log.raw), "HDF5 file")
        if item.dtype.names:
            found.update({field: item[field] for field in item.dtype.names})
        elif item.ndim == 1:
            found[name.rpartition("/")[2]] = item[:]
        elif item.shape[1] <= 64:
            found.update({f"{name.rpartition('/')[2]}_{k}": item[:, k] for k in range(item.shape[1])})

    try:
        with h5py.File(io.BytesIO(log.raw), "r") as file:
            file.visititems(visit)
    except LogError:
        raise
    except (OSError, ValueError, KeyError, TypeError, RuntimeError) as error:
        msg = f"the HDF5 file is cut off or damaged ({error}); copy it again"
        raise LogError(msg) from None
    lengths = {len(values) for values in found.values()}
    if len(lengths) > 1:
        named = ", ".join(f"{name} ({len(values)})" for name, values in found.items())
        msg = f"the HDF5 file holds columns of different lengths: {named}; one table is needed"
        raise LogError(msg)
    return found


def open_exchange(log: LogText, options: Options) -> Sheet | None:
    """Return what a text of a known kind holds, ``None`` for another."""
    head = log.text[:4096]
    if b"RINEX VERSION / TYPE" in head:
        return _open_rinex_clock(log, options)
    if b"GENERIC DATA FORMAT VERSION" in head and head.lstrip().startswith((b"CGGTTS", b"GGTTS")):
        return _open_cggtts(log, options)
    return None
