"""What a log could be and what it was taken for, line by line and column by column, before any analysis."""

from __future__ import annotations

import contextlib
from collections.abc import Mapping
from dataclasses import asdict, dataclass, fields, replace
from pathlib import Path
from typing import Any

from evenbeat.bench import Bench
from evenbeat.errors import InputError, LogError
from evenbeat.ledger import Ledger, Rejected
from evenbeat.logs.files import LogText, load_text
from evenbeat.logs.form.detect import first_lines
from evenbeat.logs.form.headers import Meaning, column_meaning
from evenbeat.logs.form.rewriting import readable_cells
from evenbeat.logs.hypotheses import SHOWN, Hypothesis, hypotheses
from evenbeat.logs.layout import Layout
from evenbeat.logs.layout_file import chosen_layout
from evenbeat.logs.options import Options
from evenbeat.logs.reader import record_of, understood_times
from evenbeat.logs.rows.tables import first_cells
from evenbeat.logs.sheet import Sheet, open_sheet
from evenbeat.logs.terms import Candidate, Form
from evenbeat.plain import Plain
from evenbeat.record import Record
from evenbeat.results import UNKNOWN, Column, Result

_KNOWN = {b"RINEX VERSION / TYPE": "RINEX clock file", b"GENERIC DATA FORMAT": "CGGTTS file"}
_SHOWN_CELLS = 3
_SHOWN_CANDIDATES = 4


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
    rejected: tuple[Rejected, ...]
    ledger: Ledger | None
    layout: Layout | None
    hypotheses: tuple[Hypothesis, ...]
    record: Record | None
    needs: str

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
        """Return all of it as text: columns, findings, ways to read the rows, what it could mean, needs.

        Parameters
        ----------
        needs
            Whether what is wrong or missing stands at the end.
        """
        ledger = self.ledger
        told = [] if ledger is None else [f"{ledger._headline()}.", *(f"  {line}" for line in ledger.told())]
        parts = [
            str(self),
            "How its rows could be written, the likeliest first:",
            *(
                f"  {rank}. {candidate}\n     {candidate.reason}"
                for rank, candidate in enumerate(self.candidates[:_SHOWN_CANDIDATES], 1)
            ),
            *told,
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

    Raises
    ------
    LogError
        If there is no such file, or it cannot be opened at all.
    InputError
        If an option is not known or cannot be used.

    References
    ----------
    Source: reads as read_log does
    Tests: tests/logs/test_written_ways.py
    """
    known = {f.name for f in fields(Options)}
    unknown = sorted(set(options) - known)
    if unknown:
        msg = f"{unknown[0]!r} is no option of a log; there are {', '.join(sorted(known))} and layout"
        raise InputError(msg)
    wanted, chosen = chosen_layout(layout, Options(**options))
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
    if not needs and not chosen.reject:
        needs = _refusal(path, chosen, wanted, sheet, record)
    return _seen(sheet, record, needs, hypotheses(sheet.log, chosen, wanted))


def _refusal(
    path: str | Path, options: Options, wanted: Candidate | None, sheet: Sheet, record: Record | None
) -> str:
    """Return what the strict reader objects to, nothing where it reads the log."""
    late = record is not None and any(finding.code == "LATE_ROWS" for finding in record.findings)
    if not (sheet.table.rejected or late):
        return ""
    try:
        record_of(open_sheet(path, options, wanted), options)
    except LogError as error:
        return str(error)
    return ""


def _seen(sheet: Sheet, record: Record | None, needs: str, meant: tuple[Hypothesis, ...]) -> Inspection:
    log, form = sheet.log, sheet.layout.form
    return Inspection(
        path=log.path,
        kind=f"{log.packing} {sheet.kind}".strip(),
        size_bytes=log.size_bytes,
        sha256=log.sha256,
        candidates=_different(form.candidates),
        columns=tuple(_column(sheet, index) for index in range(form.columns)),
        rejected=sheet.table.rejected,
        ledger=sheet.ledger() if record is None else record.ledger,
        layout=sheet.layout,
        hypotheses=meant,
        record=record,
        needs=needs,
        findings=sheet.findings if record is None else record.findings,
    )


def _different(candidates: tuple[Candidate, ...]) -> tuple[Candidate, ...]:
    """Return the candidates that read differently: without cells, the separator makes no difference."""
    return tuple({str(candidate): candidate for candidate in reversed(candidates)}.values())[::-1]


def _column(sheet: Sheet, index: int) -> ColumnSeen:
    layout, form = sheet.layout, sheet.layout.form
    name = form.header[index] if index < len(form.header) else ""
    taken, because = _taken_for(layout, index, column_meaning(name))
    return ColumnSeen(
        position=index, name=name, taken_for=taken, because=because, cells=_cells(sheet.log, form, index)
    )


def _taken_for(layout: Layout, index: int, meaning: Meaning) -> tuple[str, str]:
    """Return what a column was taken for, and why."""
    kind = layout.form.kinds[index]
    named = f"the name says {meaning.quantity or meaning.words or meaning.unit}" if meaning.words else ""
    named += f" in {meaning.unit}" if named and meaning.unit else ""
    chosen = (layout.stated.get("columns") or {}).values()
    if index in chosen or (index < len(layout.form.header) and layout.form.header[index] in chosen):
        named = "it was chosen"
    if index == layout.value:
        if meaning.role != "value" and named != "it was chosen":
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


def _cells(log: LogText, form: Form, index: int) -> tuple[str, ...]:
    return tuple(first_cells(log, form, index, _SHOWN_CELLS)) if log.text and form.separator else ()


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
            log, form = readable_cells(log, wanted)
    columns = tuple(
        ColumnSeen(
            position=index,
            name=name,
            taken_for="undecided",
            because=column_meaning(name).quantity or column_meaning(name).words,
            cells=_cells(log, form, index),
        )
        for index, name in enumerate(form.header or ("",) * form.columns)
    )
    lines = len(first_lines(log.text))
    kind = known or f"text of {lines}{'+' if lines >= 1000 else ''} lines"
    kind = f"{log.packing} {kind}".strip()
    return Inspection(
        path=log.path,
        kind=kind,
        size_bytes=log.size_bytes,
        sha256=log.sha256,
        candidates=_different(form.candidates),
        columns=columns,
        rejected=(),
        ledger=None,
        layout=None,
        hypotheses=() if known else hypotheses(text, chosen, wanted),
        record=None,
        needs=str(refused),
    )


def _short(text: str, width: int) -> str:
    return text if len(text) <= width else f"{text[: width - 1]}…"
