"""What a log could be and what it was taken for, before any analysis: its columns, and hypotheses of it."""

from __future__ import annotations

import contextlib
import itertools
import math
from collections.abc import Iterator, Mapping
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np

from evenbeat.bench import Bench, typed
from evenbeat.errors import EvenbeatError, LogError
from evenbeat.ledger import Ledger, Rejected
from evenbeat.logs.conversion import ASSUMED_NOMINALS_HZ, USUAL_NOMINALS_HZ
from evenbeat.logs.files import LogText, load_text
from evenbeat.logs.form import first_lines, head_of
from evenbeat.logs.headers import Meaning, column_meaning
from evenbeat.logs.reader import open_sheet, open_text, record_of, understood_times
from evenbeat.logs.rewriting import readable_cells
from evenbeat.logs.rows import first_cells
from evenbeat.logs.sheet import Sheet, label_columns, layout_of, probe, wanted_columns
from evenbeat.logs.terms import Candidate, Form, Layout, Options, chosen_layout
from evenbeat.plain import Plain
from evenbeat.record import Record
from evenbeat.result import UNKNOWN, Column, Result
from evenbeat.units import duration_text, frequency_text, parse_unit

SHOWN = 3
"""Readings that are offered."""
_HEAD_LINES = 1500
_MOST_COLUMNS = 6
_MOST_TRIED = 60
_NEAR_NOMINAL = 1e-3
_OF_CRYSTALS = 1e-4
_USUAL_INTERVAL_S = (1e-3, 100 * 86400.0)
_LOWEST_HZ = 900.0
_PULSES_HZ = 2.0  # seconds between the pulses of a clock
_FREQUENCIES = ("Hz", "MHz", "kHz", "GHz")
_PERIODS = ("s", "us", "ns", "ms")
_NOMINAL = "nominal_frequency_hz"
_Way = tuple[str, str | None, float | None, float]
"""Quantity, unit and nominal frequency, and how unlikely they are."""
_OF_ANY_SIZE: tuple[_Way, ...] = (
    ("fractional_frequency", "1", None, 0.6),
    ("fractional_frequency", "ppm", None, 1.0),
    ("fractional_frequency", "ppb", None, 1.0),
    ("fractional_frequency", "1e-12", None, 2.0),
    ("phase", "s", None, 0.5),
    ("phase", "ns", None, 0.9),
    ("phase", "us", None, 1.2),
    ("phase", "ps", None, 1.6),
    ("phase", "ms", None, 1.8),
    ("frequency_difference", "Hz", 10e6, 1.4),
)


_KNOWN = {b"RINEX VERSION / TYPE": "RINEX clock file", b"GENERIC DATA FORMAT": "CGGTTS file"}
_SHOWN_CELLS = 3
_SHOWN_CANDIDATES = 4


@dataclass(frozen=True, kw_only=True)
class Hypothesis(Plain):
    """One thing that a log could mean.

    Attributes
    ----------
    meaning
        What its readings would be, and of what source.
    answer
        What the first lines would then say of the clock.
    doubt
        Why that is not likely; empty where nothing speaks against it.
    command_options
        What to add to the command; empty for the log as it stands.
    options
        The same for :func:`evenbeat.read_log`.
    """

    meaning: str
    answer: str
    doubt: str
    command_options: str
    options: Mapping[str, Any]

    def __str__(self) -> str:
        doubt = f": {self.doubt}" if self.doubt else ""
        return f"{self.meaning}, {self.answer}{doubt}"


@dataclass(frozen=True, kw_only=True)
class _Proposal:
    """Options to try, and how unlikely they are before the readings are looked at."""

    options: Mapping[str, Any]
    unlikely: float = 0.0
    sheet: Sheet | None = None  # the first lines, where they were opened with other options


_AS_IT_STANDS = _Proposal(options={})


def hypotheses(log: LogText, options: Options, wanted: Candidate | None = None) -> tuple[Hypothesis, ...]:
    """Return what a log could mean, the likeliest first; what the caller stated is kept."""
    head = head_of(log, _HEAD_LINES)
    tried: dict[tuple[str, str], tuple[float, Hypothesis]] = {}
    for proposal in itertools.islice(_proposals(head, options, wanted), _MOST_TRIED):
        stated = replace(options, **proposal.options)
        try:
            sheet = _with_options(proposal.sheet, stated) or open_text(head, stated, wanted)
            record = record_of(sheet, stated)
        except EvenbeatError:
            continue
        doubt, weight = _doubt(record)
        found = Hypothesis(
            meaning=_meaning(sheet, record),
            answer=f"{_offset(record):+.3g}, {record.spacing_text}",
            doubt=doubt,
            command_options=typed(proposal.options),
            options=dict(proposal.options),
        )
        likely, first = tried.get((found.meaning, found.answer), (math.inf, found))
        tried[found.meaning, found.answer] = min(likely, weight + proposal.unlikely), first
    return tuple(found for _, found in sorted(tried.values(), key=lambda ranked: ranked[0]))


def _with_options(sheet: Sheet | None, options: Options) -> Sheet | None:
    """Return an opened sheet as it is with other options, ``None`` where they change what its columns are."""
    if sheet is None:
        return None
    layout = layout_of(sheet.log, sheet.layout.form, options)
    same = wanted_columns(sheet.log, layout) == wanted_columns(sheet.log, sheet.layout)
    return replace(sheet, layout=layout) if same else None


def _proposals(head: LogText, options: Options, wanted: Candidate | None) -> Iterator[_Proposal]:
    """Yield what to try: the log as it stands, then every column, quantity, unit and time that is open."""
    sheet = None
    with contextlib.suppress(EvenbeatError):
        sheet = open_text(head, options, wanted)
        yield _Proposal(options={}, sheet=sheet)
    for place in _places(head, options, wanted, sheet):
        try:
            stated = replace(options, **place.options)
            opened = _with_options(sheet, stated) or open_text(head, stated, wanted)
        except EvenbeatError:
            continue
        times = _times(opened, options)
        for what in _measures(opened, options):
            for time in times:
                merged = {**place.options, **what.options, **time.options}
                unlikely = place.unlikely + what.unlikely + time.unlikely
                yield _Proposal(options=merged, unlikely=unlikely, sheet=opened)


def _places(
    head: LogText, options: Options, wanted: Candidate | None, sheet: Sheet | None
) -> Iterator[_Proposal]:
    """Yield which column is the clock, and which rows are of one oscillator."""
    if sheet is not None:
        yield _AS_IT_STANDS
        if _only_in_turn(sheet, options):
            labels = sorted({cell for cells in label_columns(sheet).values() for cell in cells})
            yield from (_Proposal(options={"select": label}) for label in labels[:SHOWN])
            in_turn = 1.0 if labels else 0.0
            yield from (_Proposal(options={"every": 2, "offset": row}, unlikely=in_turn) for row in (0, 1))
        form: Form = sheet.layout.form
        taken = {sheet.layout.value, sheet.layout.time, sheet.layout.time_of_day}
    else:
        try:
            _, form, _ = readable_cells(head, wanted)
        except EvenbeatError:
            return
        taken = set()
    if "value" in (options.columns or {}):
        return
    numbers = [k for k, kind in enumerate(form.kinds) if kind in ("number", "measured") and k not in taken]
    for column in numbers[:_MOST_COLUMNS]:
        name = form.header[column] if column < len(form.header) and form.header[column] else column
        role = column_meaning(form.header[column]).role if column < len(form.header) else "unknown"
        if role not in ("value", "unknown"):
            continue
        unlikely = {"value": 0.5, "unknown": 1.0}[role] + (2.0 if sheet is not None else 0.0)
        yield _Proposal(options={"columns": {**(options.columns or {}), "value": name}}, unlikely=unlikely)


def _only_in_turn(sheet: Sheet, options: Options) -> bool:
    """Return whether the log is refused only because two oscillators seem to take turns."""
    if options.every is not None or options.select is not None:
        return False
    spaced = sheet.layout.time is not None or options.interval_s
    interval: dict[str, Any] = {} if spaced else {"interval_s": 1.0}

    def readable(every: int | None) -> bool:
        with contextlib.suppress(EvenbeatError):
            record_of(sheet, replace(options, every=every, **interval))
            return True
        return False

    return not readable(None) and readable(1)


def _times(sheet: Sheet, options: Options) -> list[_Proposal]:
    """Return what the spacing of the rows could be."""
    layout = sheet.layout
    if layout.time is None:
        stated = options.interval_s or layout.statements.interval_s
        return [_AS_IT_STANDS] if stated else [_Proposal(options={"interval_s": 1.0})]
    if options.time_unit or layout.time_unit or layout.form.kinds[layout.time] != "number":
        return [_AS_IT_STANDS]
    others = [_Proposal(options={"time_unit": unit}, unlikely=3.0) for unit in ("ms", "us", "ns", "s")]
    return [_AS_IT_STANDS, *others]


def _measures(sheet: Sheet, options: Options) -> Iterator[_Proposal]:
    """Yield what the readings could be, from their size, where neither log nor caller says so."""
    layout, said = sheet.layout, sheet.layout.statements
    quantity = options.quantity or layout.value_quantity or said.quantity
    cell_unit = sheet.table.cell_units.get(layout.value)
    unit = options.unit or layout.value_unit or said.unit or cell_unit
    nominal = options.nominal_frequency_hz or said.nominal_frequency_hz
    yield _AS_IT_STANDS
    values = probe(sheet.log, layout.form, layout.value)
    values = sheet.table.numbers[layout.value] if values is None else values
    finite = np.abs(values[np.isfinite(values)])
    size = float(np.median(finite)) if len(finite) else 0.0
    if not size > 0:
        return
    ratio: list[_Way] = [("frequency_ratio", None, None, -2.0)] if abs(size - 1) < _NEAR_NOMINAL else []
    count: list[_Way] = [("count", None, 10e6, 2.5)] if nominal is None else []
    for kind, named, source, unlikely in (*_of_sources(size, nominal), *ratio, *_OF_ANY_SIZE, *count):
        alike = quantity in (None, kind) or (quantity, kind) == ("time_interval", "phase")
        fits = unit is None or (named is not None and _same_unit(unit, named))
        if alike and (fits or (kind == "frequency_difference" and unit == "mHz")):
            stated = (("quantity", kind, quantity), ("unit", named, unit), (_NOMINAL, source, nominal))
            new = {name: value for name, value, known in stated if value is not None and known is None}
            yield _Proposal(options=new, unlikely=unlikely)


def _same_unit(unit: str, other: str) -> bool:
    with contextlib.suppress(EvenbeatError):
        return parse_unit(unit) == parse_unit(other)
    return False


def _of_sources(size: float, nominal: float | None) -> Iterator[_Way]:
    """Yield usual nominal frequencies near the readings, taken as frequencies or periods."""
    for kind, named in (*(("frequency", f) for f in _FREQUENCIES), *(("period", p) for p in _PERIODS)):
        factor = parse_unit(named)[1]
        hertz = size * factor if kind == "frequency" else 1 / (size * factor)
        if hertz < _LOWEST_HZ and not (kind == "period" and hertz < _PULSES_HZ):
            continue
        known = {*USUAL_NOMINALS_HZ, *ASSUMED_NOMINALS_HZ} if nominal is None else {nominal}
        near = sorted(known, key=lambda hz: abs(hertz / hz - 1))[:3]
        unlikely = {"Hz": -3.0, "MHz": -2.7, "s": -2.0}.get(named, -1.5)  # it is near one by no accident
        yield from ((kind, named, hz, unlikely) for hz in near if abs(hertz / hz - 1) < 10 * _NEAR_NOMINAL)


def _doubt(record: Record) -> tuple[str, float]:
    """Return what speaks against a reading, and how much."""
    offset, change, codes = _offset(record), _change(record), [finding.code for finding in record.findings]
    known = np.abs(record.values[~np.isnan(record.values)])
    steady = record.kind == "phase" and float(np.ptp(known)) < _NEAR_NOMINAL * float(np.median(known))
    begins = f"the log would begin in {record.start!s:.4}" if record.start else "far too long"
    crystal = _OF_CRYSTALS < abs(offset) <= _NEAR_NOMINAL
    unusual = not _USUAL_INTERVAL_S[0] <= record.spacing_s <= _USUAL_INTERVAL_S[1]
    doubts = [
        (weight, doubt)
        for against, weight, doubt in (
            (abs(offset) > _NEAR_NOMINAL, 10, "implausible for any oscillator"),
            (crystal, 4, "far for a crystal oscillator"),
            (change > _OF_CRYSTALS, 6, f"it would change by {change:.1g} from one reading to the next"),
            (steady, 3, "it hardly changes beside its size"),
            ("IMPLAUSIBLE_SMALLNESS" in codes, 10, "steadier than any clock"),
            (not {"IMPLAUSIBLE_SPAN", "IMPLAUSIBLE_YEAR"}.isdisjoint(codes), 8, begins),
            (unusual, 3, f"a reading every {duration_text(record.spacing_s)} is unusual"),
        )
        if against
    ]
    weight = float(sum(weight for weight, _ in doubts))
    weight += 0.3 * max(0.0, math.log10(record.spacing_s / 3600), math.log10(0.01 / record.spacing_s))
    weight += max(0.0, math.log10(max(abs(offset), 1e-30) / 1e-6)) if offset else 0.0
    weight += 0.5 * sum(code.startswith("ASSUMED") for code in codes)
    return "; ".join(doubt for _, doubt in doubts), weight


def _offset(record: Record) -> float:
    """Return the mean fractional frequency."""
    if record.kind == "frequency":
        return float(np.nanmedian(record.values))
    first, *_, last = np.flatnonzero(~np.isnan(record.values)).tolist()
    return float(record.values[last] - record.values[first]) / (record.time_of(last) - record.time_of(first))


def _change(record: Record) -> float:
    """Return by how much the fractional frequency changes from one reading to the next (median)."""
    order, per = (1, 1.0) if record.kind == "frequency" else (2, record.spacing_s)
    changes = np.abs(np.diff(record.values, order))
    return float(np.nanmedian(changes)) / per if not np.isnan(changes).all() else 0.0


def _meaning(sheet: Sheet, record: Record) -> str:
    form = sheet.layout.form
    column = f"column {form.label(sheet.layout.value)}" if form.columns > 1 else "its numbers"
    if record.kind == "phase":
        what = f"{column} as time errors"
    elif record.nominal_frequency_hz is not None:
        what = f"{column} as frequencies of a {frequency_text(record.nominal_frequency_hz)} source"
    else:
        what = f"{column} as fractional frequencies"
    turn, label = sheet.layout.stated.get("every") or 1, sheet.layout.stated.get("select")
    what = what if label is None else f"rows labelled '{label}', {what}"
    return what if turn == 1 else f"row {sheet.layout.stated['offset']} of every {turn}, {what}"


@dataclass(frozen=True, kw_only=True)
class ColumnSeen(Plain):
    """One column of a log: its name, what it was taken for and why, and its first cells."""

    position: int
    name: str
    taken_for: str
    because: str
    cells: tuple[str, ...]

    _also = ("first_cells",)

    @property
    def first_cells(self) -> str:
        """The cells in one text."""
        return " | ".join(self.cells)


@dataclass(frozen=True, eq=False, kw_only=True, repr=False)
class Inspection(Result):
    """What a log is, as :func:`evenbeat.read_log` with the same options sees it.

    Attributes
    ----------
    kind
        What the file is: text table, gzip text table, RINEX clock file …
    candidates
        Ways in which its rows could be written, the likeliest first, each with a reason.
    columns
        What each column was taken for, and why.
    rejected
        Every line that was passed over, with its number and reason.
    ledger
        What became of each line, in numbers; ``None`` for a binary file or one that cannot be opened.
    layout
        How the log was read; write it down with its ``to_toml``. ``None`` where it cannot be read.
    hypotheses
        What the log could mean, the likeliest first, each with the answer that its first lines would give.
    record
        The record, ``None`` where the log cannot be read as it stands.
    needs
        The sentence that says what is wrong or missing; empty where the log can be read.
    """

    path: str
    kind: str
    size_bytes: int
    sha256: str
    candidates: tuple[Candidate, ...]
    columns: tuple[ColumnSeen, ...]
    needs: str
    hypotheses: tuple[Hypothesis, ...]
    rejected: tuple[Rejected, ...] = ()
    ledger: Ledger | None = None
    layout: Layout | None = None
    record: Record | None = None

    _row_objects = "columns"
    _also = ("readable",)

    @property
    def readable(self) -> bool:
        """Whether :func:`evenbeat.read_log` gives a record with the same options."""
        return not self.needs

    def _facts(self) -> Mapping[str, object]:
        return {**super()._facts(), "layout": None if self.layout is None else self.layout.to_toml()}

    def _columns(self) -> tuple[Column, ...]:
        return (
            Column("position", heading="column"),
            Column("name", heading="name", form=lambda name: _short(name, 18) or UNKNOWN),
            Column("taken_for", heading="taken for"),
            Column("because", heading="because", form=lambda because: _short(because, 26)),
            Column("cells", heading="first cells", form=lambda cells: _short(" ".join(cells), 24)),
        )

    def _headline(self) -> str:
        if self.record is None:
            return f"{Path(self.path).name}: {self.kind}, not readable as it stands"
        kind = "time errors" if self.record.kind == "phase" else "fractional frequencies"
        return (
            f"{Path(self.path).name}: {self.kind}, read as {len(self.record)} {kind} "
            f"{self.record.spacing_text}"
        )

    def as_text(self, *, needs: bool = True) -> str:
        """Return all of it as text, each thing once; without ``needs`` what is wrong is left out."""
        told = [] if self.ledger is None else self.ledger.told()
        others = tuple(finding for finding in self.findings if finding.code != "REJECTED_LINES")
        parts = [
            str(replace(self, findings=others)),
            "How its rows could be written, the likeliest first:",
            *(
                f"  {rank}. {candidate}\n     {candidate.reason}"
                for rank, candidate in enumerate(self.candidates[:_SHOWN_CANDIDATES], 1)
            ),
            *(line for line in told if line.strip() not in self.needs),
        ]
        if not self.candidates:
            del parts[1]
        meant = self.hypotheses[:SHOWN]
        if len(meant) > 1 or (meant and self.needs):
            parts.append("What it could mean, the likeliest first:")
            for rank, hypothesis in enumerate(meant, 1):
                parts.append(f"  {rank}. {hypothesis}")
                parts.append(f"     {hypothesis.command_options or 'as it stands'}")
        if self.record is not None:
            parts.append(str(self.record).partition("\n[")[0])
        if self.needs and needs:
            parts.append(f"It cannot be read as it stands: {self.needs}")
        return "\n".join(parts)


def inspect_log(
    path: str | Path, *, layout: str | Path | Layout | Bench | None = None, **options: Any
) -> Inspection:
    """Return what a log is and how it would be read, without analysing it.

    Parameters
    ----------
    path
        The log.
    layout, **options
        As for :func:`evenbeat.read_log`. Lines that cannot be read are always passed over and counted
        here; ``needs`` tells whether ``read_log`` would refuse them.

    Returns
    -------
    Inspection
        Columns, form of the times, the record that would be read or why none is, options to type.

    Raises
    ------
    LogError
        If there is no such file, or it cannot be opened at all.
    InputError
        If an option is not known or cannot be used.

    Examples
    --------
    >>> import evenbeat as eb
    >>> eb.inspect_log(eb.demo_data("fulmar-evening.csv")).readable
    True

    References
    ----------
    Source: reads as read_log does
    Tests: tests/logs/test_written_ways.py
    """
    wanted, chosen = chosen_layout(layout, options)
    lenient = replace(chosen, bad_lines="reject")
    try:
        sheet = open_sheet(path, lenient, wanted)
    except LogError as error:
        return _unread(path, lenient, wanted, error, chosen)
    sheet = replace(sheet, layout=replace(sheet.layout, stated=asdict(chosen)))  # not that it was lenient
    needs = ""
    record: Record | None = None
    try:
        sheet, _ = understood_times(sheet, lenient.with_statements(sheet.layout.statements), lenient)
        record = record_of(sheet, lenient)
    except LogError as error:
        needs = str(error)
    late = record is not None and any(finding.code == "LATE_ROWS" for finding in record.findings)
    if not (needs or chosen.reject) and (sheet.table.rejected or late):
        try:  # what the strict reader objects to
            record_of(open_sheet(path, chosen, wanted), chosen)
        except LogError as error:
            needs = str(error)
    log, layout = sheet.log, sheet.layout
    named = layout.form.writing in ("pairs", "words")  # names are lost in rows that became cells
    original = load_text(path, partial=lenient.partial) if named else log
    return Inspection(
        path=log.path,
        kind=f"{log.packing} {sheet.kind}".strip(),
        size_bytes=log.size_bytes,
        sha256=log.sha256,
        candidates=_different(layout.form.candidates),
        columns=_columns_seen(log, layout.form, layout),
        rejected=tuple(sheet.table.rejected),
        ledger=sheet.ledger() if record is None else record.ledger,
        layout=layout,
        hypotheses=hypotheses(original, chosen, wanted),
        record=record,
        needs=needs,
        findings=sheet.findings if record is None else record.findings,
    )


def _columns_seen(log: LogText, form: Form, layout: Layout | None) -> tuple[ColumnSeen, ...]:
    """Return the columns with what they were taken for by a layout, where there is one."""
    seen = []
    for index, name in enumerate(form.header or ("",) * form.columns):
        meaning = column_meaning(name)
        undecided = "undecided", meaning.quantity or meaning.words
        taken, because = undecided if layout is None else _taken_for(layout, index, meaning)
        cells = tuple(first_cells(log, form, index, _SHOWN_CELLS))
        seen.append(ColumnSeen(position=index, name=name, taken_for=taken, because=because, cells=cells))
    return tuple(seen)


def _different(candidates: tuple[Candidate, ...]) -> tuple[Candidate, ...]:
    """Return the candidates that read differently: without cells, the separator makes no difference."""
    return tuple({str(candidate): candidate for candidate in reversed(candidates)}.values())[::-1]


def _taken_for(layout: Layout, index: int, meaning: Meaning) -> tuple[str, str]:
    """Return what a column was taken for, and why."""
    kind = layout.form.kinds[index]
    named = f"the name says {meaning.quantity or meaning.words or meaning.unit}" if meaning.words else ""
    named += f" in {meaning.unit}" if named and meaning.unit else ""
    chosen = (layout.stated.get("columns") or {}).values()
    if index in chosen or (index < len(layout.form.header) and layout.form.header[index] in chosen):
        named = "it was chosen"
    if index == layout.value:
        unsaid = layout.value_quantity is None and meaning.quantity  # a program's own word, not trusted
        if (meaning.role != "value" or unsaid) and named != "it was chosen":
            named = ""
        return "the clock", named or "no other column is left"
    if index == layout.time:
        if layout.time_assumed:
            return "time", "it rises evenly"
        return "time", named or {"moment": "its cells are moments"}.get(kind, "its numbers rise as time does")
    if index == layout.time_of_day:
        return "second of the day", named or "it stands beside days"
    for covariate in layout.covariates:
        if covariate.index == index:
            return covariate.name, named
    return ("not used", "text" if kind == "text" else "nothing says what it is")


def _unread(
    path: str | Path, options: Options, wanted: Candidate | None, refused: LogError, chosen: Options
) -> Inspection:
    """Return what can be said of a log that cannot be opened as a table of known columns."""
    try:
        log = load_text(path, partial=options.partial)
    except LogError:
        raise refused from None  # which knows more of binary files
    text = log
    known = next((name for mark, name in _KNOWN.items() if mark in log.text[:4096]), "")
    form = Form(separator="", decimal=".", columns=0, kinds=())
    if not known:
        with contextlib.suppress(LogError):  # what is wrong stands in ``needs``
            log, form, _ = readable_cells(log, wanted)
    lines = len(first_lines(log.text))
    kind = known or f"text of {lines}{'+' if lines >= 1000 else ''} lines"
    return Inspection(
        path=log.path,
        kind=f"{log.packing} {kind}".strip(),
        size_bytes=log.size_bytes,
        sha256=log.sha256,
        candidates=_different(form.candidates),
        columns=_columns_seen(log, form, None),
        hypotheses=() if known else hypotheses(text, chosen, wanted),
        needs=str(refused),
    )


def _short(text: str, width: int) -> str:
    return text if len(text) <= width else f"{text[: width - 1]}…"
