"""A serial port written down as it was: prompts, queries, and answers to other queries than the usual."""

from __future__ import annotations

import re
from collections import Counter

from evenbeat.logs.files import LogText
from evenbeat.logs.form.cells import ASIDE
from evenbeat.logs.form.detect import first_lines

QUERY = "a prompt or a query, no reading"
OTHER_ANSWER = "an answer to another query"
BEFORE = "a line before the first query"
_QUERY = re.compile(
    r"\s*(?:>\s*[*:]?[A-Za-z]?[\w:*]*\??\s*[\w,@()]*|\$?\s*[*:]?[A-Za-z][\w:*]*\?)\s*", re.ASCII
)
_SHARE = 0.2
_FEWEST = 3


class Dialogue:
    """Sets aside all but the answers to the usual query, part after part of a log."""

    def __init__(self, usual: str) -> None:
        self.usual, self.last = usual, ""

    def of(self, text: bytes) -> tuple[bytes, list[tuple[int, str]]]:
        """Return the next part with marks instead of these lines, and their numbers in it and reasons."""
        lines, out, last = text.decode(errors="replace").split("\n"), [], self.last
        for number, line in enumerate(lines, 1):
            if _is_query(line):
                last, reason = _words(line) or last, QUERY
            elif last == self.usual or not line or line.isspace():
                continue
            else:
                reason = OTHER_ANSWER if last else BEFORE
            out.append((number, reason))
            lines[number - 1] = ASIDE
        self.last = last
        return "\n".join(lines).encode(), out


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
