"""What one cell of a log is: a number, a number with its unit, a moment, a known text for nothing."""

from __future__ import annotations

import re
from collections.abc import Iterable

from evenbeat.logs.terms import CellKind

MISSING_TEXTS = frozenset(
    {"", "-", "--", "---", "nan", "none", "null", "na", "n/a", "#n/a", "ovld", "ovl", "ol", "overload"}
    | {"inv", "invalid", "missing", "-nan", "+nan", "nil", "*", "?"}
)
"""Texts that stand for a reading that is missing, in lower case."""

ASIDE = "\x03"
"""Begins what stands for a line that was set aside."""

CLOCK = r"\d{1,2}:\d{2}(?::\d{2}(?:[.,]\d+)?)?(?:\s?[AaPp][Mm])?\s*(?:Z|UTC|GMT|[+-]\d{2}:?\d{2})?"
DATE = (
    r"(?:\d{4}[-/.]\d{1,2}[-/.]\d{1,2}|\d{1,2}[-/.]\d{1,2}[-/.]\d{4}"
    r"|\d{1,2}[- ][A-Za-z]{3,9}[- ]\d{4}|\d{4}[-:][0-3]\d{2})"
)
JOINED_MOMENT = (
    r"(\d{4}[-/.]\d{1,2}[-/.]\d{1,2}|\d{1,2}[-/.]\d{1,2}[-/.]\d{4}|\d{1,2}-[A-Za-z]{3,9}-\d{4}"
    r"|\d{4}-[0-3]\d{2})\"?[ \t,;|]+\"?(\d{1,2}:\d\d)"
)
"""Date and time of day in two cells."""

_MOMENT = re.compile(rf"@?{DATE}(?:[T ]\s*{CLOCK}|[:_-]{CLOCK})?", re.ASCII)
_TIME_OF_DAY = re.compile(r"\d{1,2}:\d{2}:\d{2}(?:[.,]\d+)?(?:\s?[AaPp][Mm])?", re.ASCII)
_JOINED_MOMENT = re.compile(JOINED_MOMENT, re.ASCII)
_EXPONENT = r"(?:[eEdD][+-]?\d+)?"
_DIGITS = {  # one way only to match, or a cell of ten thousand digits takes a minute
    mark: rf"(?:\d+(?:{re.escape(mark)}\d*)?|{re.escape(mark)}\d+)" for mark in ".,"
}
_NUMBERS = {
    mark: re.compile(
        rf"[+-]?{_DIGITS[mark]}{_EXPONENT}|[+-]?inf(?:inity)?",
        re.ASCII | re.IGNORECASE,
    )
    for mark in ".,"
}
_ZEROS = str.maketrans("123456789", "000000000")
_DAY_OF_YEAR = re.compile(r"0000[-:]000")
_MEASURED = {
    mark: re.compile(
        rf"([+-]?{_DIGITS[mark]}(?:[eE][+-]?\d+)?)\s?([A-Za-zµμ°%]{{1,4}})",
        re.ASCII,
    )
    for mark in ".,"
}


def cell_kind(cell: str, decimal: str = ".") -> CellKind:
    """Return what one cell holds."""
    if _NUMBERS[decimal].fullmatch(cell):
        return "number"
    if cell.lower() in MISSING_TEXTS:
        return "missing"
    if is_moment(cell):
        return "moment"
    return "measured" if _MEASURED[decimal].fullmatch(cell) else "text"


def shape_of(text: str) -> str:
    """Return a text with zeros for its digits, which holds the same kinds of cells; many lines share one."""
    shape = text.translate(_ZEROS)
    return text if _DAY_OF_YEAR.search(shape) else shape  # the one date that looks at its digits


def is_moment(cell: str) -> bool:
    """Return whether a cell holds a date, with or without time of day, or a time of day alone."""
    text = cell.strip()
    return _MOMENT.fullmatch(text) is not None or _TIME_OF_DAY.fullmatch(text) is not None


def measured_parts(cell: str, decimal: str) -> tuple[str, str] | None:
    """Return number and unit of a cell such as ``10.000001 MHz``."""
    match = _MEASURED[decimal].fullmatch(cell)
    return (match.group(1), match.group(2)) if match else None


def number_in(cell: str, decimal: str) -> float:
    """Return the number that a cell of kind ``number`` or the first part of a measured one states."""
    text = cell.replace(",", ".") if decimal == "," else cell
    return float(re.sub("[dD]", "e", text) if "d" in text.lower() else text)


def split_line(line: str, separator: str, *, joined_moment: bool = False) -> list[str]:
    """Return the cells of one line without surrounding blanks and quotation marks."""
    return [bare(cell) for cell in _raw_cells(line, separator, joined_moment=joined_moment)]


def cells_at(lines: Iterable[str], index: int, separator: str, *, joined_moment: bool = False) -> list[str]:
    """Return one cell of each line that has so many."""
    rows = (_raw_cells(line, separator, joined_moment=joined_moment) for line in lines)
    return [bare(row[index]) for row in rows if index < len(row)]


def bare(cell: str) -> str:
    """Return a cell without surrounding blanks and quotation marks."""
    return cell.strip().strip('"').strip() if '"' in cell else cell.strip()


def _raw_cells(line: str, separator: str, *, joined_moment: bool) -> list[str]:
    if joined_moment:
        line = _JOINED_MOMENT.sub(r"\1T\2", line)
    return line.split() if separator == " " else line.split(separator)


def holds_joined_moment(line: str, separator: str = " ") -> bool:
    """Return whether a line holds date and time of day in cells side by side."""
    match = _JOINED_MOMENT.search(line)
    if match is None:
        return False
    gap = line[match.end(1) : match.start(2)]
    return separator in gap or (separator == " " and "\t" in gap)


def is_comment(line: str, separator: str) -> bool:
    """Return whether a line is a comment; a leading semicolon is an empty cell where it separates cells."""
    start = line.lstrip()
    return start.startswith(("#", "%", "//")) or (start.startswith(";") and separator != ";")
