"""A text, tidied: where its lines begin and end, how many cells each has, and without what is no cell."""

from __future__ import annotations

import re

import numpy as np
import numpy.typing as npt

from evenbeat.epochs import IntArray
from evenbeat.logs.form.cells import JOINED_MOMENT
from evenbeat.logs.terms import Form

_FORTRAN_EXPONENT = re.compile(rb"(?<=[\d.])[dD](?=[+-]?\d)")
_OF_NUMBERS = b"0123456789+-.,;:|/ \t\ndDeE"
_D_TO_E = bytes.maketrans(b"dD", b"eE")
_JOINED = re.compile(JOINED_MOMENT.encode())


class Scan:
    """Where the lines of a text begin and end, and how many cells each has.

    Parameters
    ----------
    text
        Lines without blanks at their ends; each ends in a line feed.
    """

    def __init__(self, text: bytes, separator: str) -> None:
        self.text, self.separator = text, separator.encode()
        self.body = np.frombuffer(text, np.uint8)
        self.marks = np.flatnonzero(self.body - np.uint8(ord("0")) > 9)  # all that is no digit
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

    def line(self, place: int) -> str:
        """Return the text of a line."""
        start = int(self.starts[place])
        return self.text[start : start + int(self.lengths[place])].decode(errors="replace")

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
