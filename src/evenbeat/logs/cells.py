"""Cells and lines as text: what one cell is, where cells and lines begin and end, and what is no cell."""

from __future__ import annotations

import io
import re
from collections.abc import Iterable, Iterator, Sequence

import numpy as np
import numpy.typing as npt

from evenbeat.epochs import IntArray
from evenbeat.logs.files import LogText
from evenbeat.logs.terms import CellKind, Form
from evenbeat.units import SCPI_NO_READING

MISSING_TEXTS = frozenset(
    {"", "-", "--", "---", "nan", "none", "null", "na", "n/a", "#n/a", "ovld", "ovl", "ol", "overload"}
    | {"inv", "invalid", "missing", "-nan", "+nan", "nil", "*", "?"}
)
"""Texts that stand for a reading that is missing, in lower case."""

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

UNIT = "\x02"
"""In a cell of its own, stands for the unit of the number before it."""

_MOMENT = re.compile(rf"@?{DATE}(?:[T ]\s*{CLOCK}|[:_-]{CLOCK})?", re.ASCII)
_TIME_OF_DAY = re.compile(r"\d{1,2}:\d{2}:\d{2}(?:[.,]\d+)?(?:\s?[AaPp][Mm])?", re.ASCII)
_JOINED_TEXT = re.compile(JOINED_MOMENT, re.ASCII)
_EXPONENT = r"(?:[eEdD][+-]?\d+)?"
_DIGITS = {  # one way only to match, or a cell of ten thousand digits takes a minute
    mark: rf"(?:\d+(?:{re.escape(mark)}\d*)?|{re.escape(mark)}\d+)" for mark in ".,"
}
_NUMBERS = {
    mark: re.compile(rf"[+-]?{_DIGITS[mark]}{_EXPONENT}|[+-]?inf(?:inity)?", re.ASCII | re.IGNORECASE)
    for mark in ".,"
}
_ZEROS = str.maketrans("123456789", "000000000")
_DAY_OF_YEAR = re.compile(r"0000[-:]000")
_MEASURED = {
    mark: re.compile(rf"([+-]?{_DIGITS[mark]}(?:[eE][+-]?\d+)?)\s?([A-Za-zµμ°%]{{1,4}})", re.ASCII)
    for mark in ".,"
}


def cell_kind(cell: str, decimal: str = ".") -> CellKind:
    """Return what one cell holds."""
    if _NUMBERS[decimal].fullmatch(cell):
        absent = cell.endswith("37") and abs(number_in(cell, decimal)) in SCPI_NO_READING
        return "missing" if absent else "number"
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
    if joined_moment:
        line = _JOINED_TEXT.sub(r"\1T\2", line)
    cells = line.split() if separator == " " else line.split(separator)
    return [cell.strip().strip('"').strip() if '"' in cell else cell.strip() for cell in cells]


def row_cells(line: str, form: Form) -> list[str]:
    """Return the cells of a line of known form."""
    return split_line(line, form.separator, joined_moment=form.joined_moment)


def cells_at(lines: Iterable[str], index: int, form: Form) -> list[str]:
    """Return one cell of each line that has so many."""
    rows = (row_cells(line, form) for line in lines)
    return [row[index] for row in rows if index < len(row)]


def holds_joined_moment(line: str, separator: str = " ") -> bool:
    """Return whether a line holds date and time of day in cells side by side."""
    match = _JOINED_TEXT.search(line)
    if match is None:
        return False
    gap = line[match.end(1) : match.start(2)]
    return separator in gap or (separator == " " and "\t" in gap)


def is_comment(line: str, separator: str) -> bool:
    """Return whether a line is a comment; a leading semicolon is an empty cell where it separates cells."""
    start = line.lstrip()
    return start.startswith(("#", "%", "//")) or (start.startswith(";") and separator != ";")


def row_lines(log: LogText, form: Form) -> Iterator[tuple[int, str]]:
    """Yield line number and text of every line that is neither blank nor a comment."""
    for number, raw in enumerate(io.BytesIO(log.text), 1):
        content = raw[form.lead_in :] if number == form.first_line else raw
        if number >= form.first_line and (line := row_in(content, form)):
            yield number, line


def row_in(raw: bytes, form: Form) -> str:
    """Return the text of a line without its comment; nothing where it is blank or all comment."""
    line = raw.decode(errors="replace").rstrip("\n").partition("#")[0]
    return line if line.strip() and not is_comment(line, form.separator) else ""


def shown(text: str) -> str:
    """Return a text in quotation marks, shortened, without characters that cannot be printed."""
    clean = text.strip()
    clean = clean if clean.isprintable() else "".join(c if c.isprintable() else "?" for c in clean)
    return f"'{clean[:40]}…'" if len(clean) > 40 else f"'{clean}'"


def numbered(lines: Sequence[int] | IntArray, most: int = 5) -> str:
    """Return line numbers as people say them, the first few."""
    return f"line{'s' * (len(lines) > 1)} {', '.join(map(str, lines[:most]))}{', …' * (len(lines) > most)}"


_FORTRAN_EXPONENT = re.compile(rb"(?<=[\d.])[dD](?=[+-]?\d)")
_OF_NUMBERS = b"0123456789+-.,;:|/ \t\ndDeE"
_D_TO_E = bytes.maketrans(b"dD", b"eE")
_JOINED = re.compile(JOINED_MOMENT.encode())


class Scan:
    """Where lines without blanks at their ends begin and end, and how many cells each has."""

    def __init__(self, text: bytes, separator: str) -> None:
        self.text, self.separator = text, separator.encode()
        self.body = np.frombuffer(text, np.uint8)
        self.marks = np.flatnonzero(self.body - np.uint8(ord("0")) > 9).astype(np.int32)  # all but digits
        self.codes = self.body[self.marks]
        self.ends = np.flatnonzero(self.codes == ord("\n"))
        self.firsts = np.concatenate([[0], self.ends[:-1] + 1])
        stops = self.marks[self.ends]
        self.starts = np.concatenate([[0], stops[:-1] + 1])
        self.lengths = stops - self.starts
        if separator != " ":
            self.separates = self.codes == ord(separator)
            self.cells = np.add.reduceat(self.separates, self.firsts, dtype=np.int32) + 1
            return
        self.separates = (self.codes == ord(" ")) | (self.codes == ord("\t"))
        run = self.separates.copy()
        run[1:] &= ~(self.separates[:-1] & (np.diff(self.marks) == 1))
        begins = self.separates[self.firsts] & (self.marks[self.firsts] == self.starts)
        self.cells = np.add.reduceat(run, self.firsts, dtype=np.int32) + 1 - begins

    def first_cells(self, lines: npt.NDArray[np.bool_]) -> npt.NDArray[np.bytes_] | None:
        """Return the first cells of some lines, ``None`` where these are not equally long."""
        starts = self.starts[lines]
        width = self.text.find(self.separator, int(starts[0])) - int(starts[0])
        if not 0 < width < int(self.lengths[lines].min()):
            return None
        every = np.ndarray((len(self.text) - width,), f"V{width + 1}", buffer=self.text, strides=(1,))
        cells = every[starts].view(np.uint8).reshape(-1, width + 1)
        if (cells[:, width] != ord(self.separator)).any():
            return None
        return np.ascontiguousarray(cells[:, :width]).view(f"S{width}").ravel()

    def text_of(self, lines: npt.NDArray[np.bool_]) -> bytes:
        """Return the text of some lines."""
        if lines[self.lengths > 0].all():
            return self.text
        return self.body[np.repeat(lines, self.lengths + 1)].tobytes()


def joined_column(form: Form) -> int | None:
    """Return the one column of dates whose times of day are in the next cell, ``None`` for none."""
    moments = [index for index, kind in enumerate(form.kinds) if kind == "moment"]
    return moments[0] if form.joined_moment and len(moments) == 1 else None


def line_ends(text: bytes) -> IntArray:
    """Return where the lines of a text end."""
    return np.flatnonzero(np.frombuffer(text, np.uint8) == ord("\n"))


def without_blanks(text: bytes, form: Form) -> bytes:
    """Return lines without blanks at their ends, and tabs where these separate nothing."""
    blank, tab = b" " in text and b" \n" in text, b"\t" in text and b"\t\n" in text
    if not (blank or tab):  # one byte is looked for much faster than two
        return text
    text = re.sub(rb"(?m)^[ \t\v\f]+$", b"", text)
    return re.sub(rb"(?m)[ \t]+$" if form.separator == " " else rb"(?m) +$", b"", text)


def cleaned(text: bytes, form: Form) -> bytes:
    """Return lines without comments and quotation marks, their exponents with an E."""
    before = text
    if b"#" in text:
        text = re.sub(rb"#.*", b"", text)
    marks = rb"%|//" if form.separator == ";" else rb"[%;]|//"
    slashes = b"/" in text and b"//" in text
    if b"%" in text or slashes or (form.separator != ";" and b";" in text):
        text = re.sub(rb"(?m)^[ \t]*(?:" + marks + rb").*", b"", text)
    if b'"' in text:
        text = re.sub(rb'(?m)^[ \t]*""[ \t]*$', b"nan", text).replace(b'"', b"")
    if form.fortran:
        numbers = not text.translate(None, _OF_NUMBERS)  # nothing else has a letter D
        text = text.translate(_D_TO_E) if numbers else _FORTRAN_EXPONENT.sub(b"E", text)
    if form.joined_moment and joined_column(form) is None:
        text = _JOINED.sub(rb"\1T\2", text)
    return text if text is before else without_blanks(text, form)
