"""Works out from the first lines how the rows of a log are written: separator, decimal mark, header."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass

from evenbeat.errors import LogError
from evenbeat.logs.files import LogText
from evenbeat.logs.layout import CellKind, Form

MISSING_TEXTS = frozenset(
    {"", "-", "--", "---", "nan", "none", "null", "na", "n/a", "#n/a", "ovld", "ovl", "ol", "overload"}
    | {"inv", "invalid", "missing", "-nan", "nil", "*", "?"}
)
"""Texts that stand for a reading that is missing, in lower case."""

PROBE_LINES = 1000
_PROBE_BYTES = 1 << 18
_COMMENT = re.compile(r"\s*(?:#|%|//|;)+\s?")
_CANDIDATES = tuple(
    (separator, decimal) for separator in ";\t|, " for decimal in ".," if separator != decimal
)
_NUMBERS = {
    ".": re.compile(
        r"[+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?|[+-]?inf(?:inity)?", re.ASCII | re.IGNORECASE
    ),
    ",": re.compile(r"[+-]?(?:\d+,?\d*|,\d+)(?:[eE][+-]?\d+)?|[+-]?inf(?:inity)?", re.ASCII | re.IGNORECASE),
}
_MEASURED = {
    mark: re.compile(rf"([+-]?\d+{re.escape(mark)}?\d*(?:[eE][+-]?\d+)?)\s?([A-Za-zµμ°%]{{1,4}})", re.ASCII)
    for mark in ".,"
}
_MOMENT = re.compile(
    r"\d{4}[-/]\d{1,2}[-/]\d{1,2}"
    r"(?:[T ]\s*\d{1,2}:\d{2}(?::\d{2}(?:[.,]\d+)?)?\s*(?:Z|UTC|[+-]\d{2}:?\d{2})?)?",
    re.ASCII,
)
JOINED_MOMENT = r"(\d{4}[-/]\d\d[-/]\d\d)[ \t,;|]+(\d\d:\d\d)"
_JOINED_MOMENT = re.compile(JOINED_MOMENT, re.ASCII)


def detect_form(log: LogText) -> Form:
    """Return how the rows are written.

    Raises
    ------
    LogError
        If no line holds a number, or the file is of a known kind that is no plain table.
    """
    lines = _first_lines(log.text)
    if any("RINEX VERSION / TYPE" in line for line in lines[:3]):
        msg = "this is a RINEX file with several clocks; extract one as a table with columns time and phase"
        raise LogError(msg, path=log.path)
    content = [(number, line) for number, line in enumerate(lines, 1) if line.strip()]
    split = _best_split([line for _, line in content])
    if split is None:
        raise LogError(_no_numbers(lines), path=log.path)
    return _form(content, split)


def _no_numbers(lines: list[str]) -> str:
    absent = sum(bool(line.strip()) and line.strip().lower() in MISSING_TEXTS for line in lines)
    if absent:
        return f"all {absent} readings are missing (NaN or a text such as OVLD); there is nothing to analyse"
    return f"no row of numbers was found in the first {len(lines)} lines; a table of readings is needed"


def cell_kind(cell: str, decimal: str = ".") -> CellKind:
    """Return what one cell holds."""
    if cell.lower() in MISSING_TEXTS:
        return "missing"
    if _NUMBERS[decimal].fullmatch(cell):
        return "number"
    if _MOMENT.fullmatch(cell):
        return "moment"
    return "measured" if _MEASURED[decimal].fullmatch(cell) else "text"


def is_moment(cell: str) -> bool:
    """Return whether a cell holds a date, with or without time of day."""
    return _MOMENT.fullmatch(cell.strip()) is not None


def measured_parts(cell: str, decimal: str) -> tuple[str, str] | None:
    """Return number and unit of a cell such as ``10.000001 MHz``."""
    match = _MEASURED[decimal].fullmatch(cell)
    return (match.group(1), match.group(2)) if match else None


def split_line(line: str, separator: str, *, joined_moment: bool = False) -> list[str]:
    """Return the cells of one line without surrounding blanks and quotation marks."""
    if joined_moment:
        line = _JOINED_MOMENT.sub(r"\1T\2", line)
    cells = line.split() if separator == " " else line.split(separator)
    return [cell.strip().strip('"').strip() for cell in cells]


def is_comment(line: str, separator: str) -> bool:
    """Return whether a line is a comment; a leading semicolon is an empty cell where it separates cells."""
    start = line.lstrip()
    return start.startswith(("#", "%", "//")) or (start.startswith(";") and separator != ";")


@dataclass(frozen=True, kw_only=True)
class _Split:
    separator: str
    decimal: str
    columns: int
    joined: bool

    def cells(self, line: str) -> list[str]:
        return split_line(line, self.separator, joined_moment=self.joined)

    def is_row(self, line: str) -> bool:
        if is_comment(line, self.separator):
            return False
        return _looks_like_row([cell_kind(cell, self.decimal) for cell in self.cells(line)], self.separator)


def _looks_like_row(kinds: Sequence[CellKind], separator: str) -> bool:
    """Return whether cells of these kinds are a row; a text in front is allowed where it is no prose."""
    values = sum(kind in ("number", "moment", "measured") for kind in kinds)
    texts = sum(kind == "text" for kind in kinds)
    return (
        values > (kinds[0] == "text")
        and 2 * values >= texts
        and not (kinds[0] == "text" and separator == " ")
    )


def _first_lines(text: bytes) -> list[str]:
    probe = text[:_PROBE_BYTES]
    lines = probe.decode("utf-8", errors="ignore").split("\n")
    if len(probe) < len(text):
        lines = lines[:-1] or lines
    return lines[:PROBE_LINES]


def _best_split(lines: Sequence[str]) -> _Split | None:
    joined = sum(bool(_JOINED_MOMENT.search(line)) for line in lines) > len(lines) / 2
    best: tuple[float, int, _Split] | None = None
    for separator, decimal in _CANDIDATES:
        body = [line for line in lines if not is_comment(line, separator)]
        score, columns = _score(body, separator, decimal, joined=joined)
        if columns and (best is None or (round(score, 9), columns) > best[:2]):  # on a tie more columns
            split = _Split(separator=separator, decimal=decimal, columns=columns, joined=joined)
            best = (round(score, 9), columns, split)
    if best is None:
        return None
    split = best[2]
    if split.separator == "," and split.columns == 2 and _comma_is_decimal(lines):
        return _Split(separator=" ", decimal=",", columns=1, joined=joined)
    return split


def _score(lines: Sequence[str], separator: str, decimal: str, *, joined: bool) -> tuple[float, int]:
    """Return the share of understood cells over all lines, and the most frequent number of cells."""
    total = 0.0
    widths: Counter[int] = Counter()
    for line in lines:
        kinds = [cell_kind(cell, decimal) for cell in split_line(line, separator, joined_moment=joined)]
        if _looks_like_row(kinds, separator):
            total += sum(kind != "text" for kind in kinds) / len(kinds)
            widths[len(kinds)] += 1
    if not widths:
        return 0.0, 0
    return total / len(lines), widths.most_common(1)[0][0]


def _comma_is_decimal(lines: Sequence[str]) -> bool:
    """Return whether ``a,b`` is one number: the second part starts with zeros or the first never changes.

    It is two where a line of two names stands above, as in ``elapsed_s,phase_s``.
    """
    parts = [line.strip().split(",") for line in lines if not is_comment(line, ",")]
    if any(len(p) == 2 and all(re.search(r"[A-Za-z]{2}", name) for name in p) for p in parts):
        return False
    rows = [(a, b) for a, b in (p for p in parts if len(p) == 2) if re.fullmatch(r"[+-]?\d+", a)]
    if len(rows) < 2 or not all(re.fullmatch(r"\d*(?:[eE][+-]?\d+)?", b) for _, b in rows):
        return False
    if any(re.match(r"0\d", b) or "e" in b.lower() for _, b in rows):
        return True
    return len({a for a, _ in rows}) == 1 and len({len(b) for _, b in rows}) <= 2


def _form(content: Sequence[tuple[int, str]], split: _Split) -> Form:
    glued = _glued_header(content, split)
    rows = [(number, line) for number, line in content if split.is_row(line)]
    first = glued.line if glued else rows[0][0]
    before = [(number, line) for number, line in content if number < first]
    comments = [
        _COMMENT.sub("", line, count=1).strip() for _, line in before if is_comment(line, split.separator)
    ]
    prose = [line for _, line in before if not is_comment(line, split.separator)]
    header = glued.names if glued else _header(prose, comments, split)
    used_prose = bool(prose) and bool(header) and glued is None and _names(prose[-1], split) == header
    kinds = _column_kinds([line for _, line in rows], split)
    return Form(
        separator=split.separator,
        decimal=split.decimal,
        columns=split.columns,
        kinds=kinds,
        header=header,
        first_line=first,
        lead_in=glued.lead_in if glued else 0,
        joined_moment=split.joined,
        comments=tuple(comment for comment in comments if comment),
        skipped=len(prose) - used_prose,
    )


def _header(prose: Sequence[str], comments: Sequence[str], split: _Split) -> tuple[str, ...]:
    for line in (*prose[-1:], *comments[-1:]):
        names = _names(line, split)
        if names:
            return names
    return ()


def _names(line: str, split: _Split) -> tuple[str, ...]:
    """Return the column names in a line, or nothing where their number does not fit the rows."""
    half = len(line) // 2
    if half and line[:half] == line[half:]:  # a header written twice without a line end
        line = line[:half]
    cells = split_line(line, split.separator)
    if split.separator == " " and len(cells) != split.columns:
        cells = [cell.strip() for cell in re.split(r"\s{2,}|\t", line.strip())]
    if split.joined and len(cells) == split.columns + 1:
        moments = [i for i, cell in enumerate(cells[:-1]) if re.search("date|day", cell, re.IGNORECASE)]
        position = moments[0] if moments else 0
        cells = [*cells[: position + 1], *cells[position + 2 :]]
    if split.columns - len(cells) == 1 and split.columns > 2 and split.separator != " ":
        cells.append("")  # rows end in a separator, the header does not
    if len(cells) != split.columns or any(
        cell_kind(c, split.decimal) not in ("text", "missing") for c in cells
    ):
        return ()
    sentence = split.columns == 1 and (len(cells[0].split()) > 3 or re.search("[:=]", cells[0]))
    return () if sentence or not any(cells) else tuple(cells)


@dataclass(frozen=True, kw_only=True)
class _GluedHeader:
    line: int
    names: tuple[str, ...]
    lead_in: int


def _glued_header(content: Sequence[tuple[int, str]], split: _Split) -> _GluedHeader | None:
    """Return where the header lost its line end and runs into the first row."""
    if split.columns < 2:
        return None
    for number, line in content[:50]:
        mark = _COMMENT.match(line) if is_comment(line, split.separator) else None
        start = mark.end() if mark else 0
        cells = split.cells(line[start:])
        if len(cells) != 2 * split.columns - 1:
            continue
        match = re.fullmatch(r"(.*?[A-Za-z\])])([+-]?\d[\d.,eE+:TZ-]*)", cells[split.columns - 1])
        names, rest = cells[: split.columns - 1], cells[split.columns :]
        if match is None or any(cell_kind(c, split.decimal) != "text" for c in names):
            continue
        if all(cell_kind(c, split.decimal) != "text" for c in rest):
            lead_in = line.index(match.group(0)) + len(match.group(1))
            names = [*names, match.group(1)]
            return _GluedHeader(line=number, names=tuple(names), lead_in=len(line[:lead_in].encode()))
    return None


def _column_kinds(lines: Sequence[str], split: _Split) -> tuple[CellKind, ...]:
    counts: list[Counter[CellKind]] = [Counter() for _ in range(split.columns)]
    for line in lines:
        for count, cell in zip(counts, split.cells(line), strict=False):
            count[cell_kind(cell, split.decimal)] += 1
    return tuple(_main_kind(count) for count in counts)


def _main_kind(count: Counter[CellKind]) -> CellKind:
    kinds: tuple[CellKind, ...] = ("measured", "moment", "number")
    for kind in kinds:
        if count[kind] > count["text"]:
            return kind
    return "text" if count["text"] else "missing"
