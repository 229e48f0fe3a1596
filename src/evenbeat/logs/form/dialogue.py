"""A serial port written down as it was: prompts, queries, and answers to other queries than the usual."""

from __future__ import annotations

import re
from collections import Counter

import numpy as np

from evenbeat.ledger import RejectedLines
from evenbeat.logs.cells import ASIDE
from evenbeat.logs.files import LogText
from evenbeat.logs.form.detect import first_lines

QUERY = "a prompt or a query, no reading"
OTHER_ANSWER = "an answer to another query"
BEFORE = "a line before the first query"
_QUERY = re.compile(
    r"\s*(?:>\s*[*:]?[A-Za-z]?[\w:*]*\??\s*[\w,@()]*|\$?\s*[*:]?[A-Za-z][\w:*]*\?)\s*", re.ASCII
)
_SHARE = 0.2
_PIECE_BYTES = 1 << 20
_FEWEST = 3


class Dialogue:
    """Sets aside all but the answers to the usual query, part after part of a log."""

    def __init__(self, usual: str) -> None:
        self.usual, self.last = usual, ""

    def of(self, text: bytes) -> tuple[bytes, RejectedLines]:
        """Return the next part with marks instead of these lines, and what these are."""
        reasons = (QUERY, OTHER_ANSWER, BEFORE)
        pieces, codes = [], list[np.ndarray[tuple[int], np.dtype[np.int8]]]()
        start = 0
        while start < len(text):
            stop = text.find(b"\n", start + _PIECE_BYTES) + 1 or len(text)
            lines = text[start:stop].decode(errors="replace").split("\n")
            found = np.full(len(lines) - (stop < len(text)), -1, dtype=np.int8)
            for place, line in enumerate(lines[: len(found)]):
                if _is_query(line):
                    self.last, found[place] = _words(line) or self.last, 0
                elif self.last == self.usual or not line or line.isspace():
                    continue
                else:
                    found[place] = 1 if self.last else 2
                lines[place] = ASIDE
            pieces.append("\n".join(lines).encode())
            codes.append(found)
            start = stop
        code = np.concatenate(codes)
        places = np.flatnonzero(code >= 0)
        return b"".join(pieces), RejectedLines(places + 1, code[places], [(r, False) for r in reasons])


def dialogue_in(log: LogText) -> Dialogue | None:
    """Return what sets aside prompts and queries of a log, ``None`` where the first lines hold hardly any."""
    probe = first_lines(log.text)
    queries = Counter(_words(line) for line in probe if _is_query(line))
    if queries.total() < max(_FEWEST, _SHARE * sum(bool(line.strip()) for line in probe)):
        return None
    return Dialogue(max(queries, key=lambda query: queries[query]))


def _is_query(line: str) -> bool:
    return (">" in line or "?" in line) and _QUERY.fullmatch(line) is not None


def _words(line: str) -> str:
    return line.strip().lstrip(">$ ")
