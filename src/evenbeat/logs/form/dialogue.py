"""A serial port written down as it was: prompts, queries, and answers to other queries than the usual."""

from __future__ import annotations

import re
from collections import Counter
from dataclasses import replace

from evenbeat.logs.files import LogText
from evenbeat.logs.form.cells import ASIDE
from evenbeat.logs.form.detect import first_lines

QUERY = "a prompt or a query, no reading"
OTHER_ANSWER = "an answer to another query"
BEFORE = "a line before the first query"
_LINE = re.compile(r"\s*(?:[>$]\s*[*:]?[A-Za-z]?[\w:*]*\??|[*:]?[A-Za-z][\w:*]*\?)\s*(?:[\w,@()]*)", re.ASCII)
_SHARE = 0.2
_FEWEST = 3


def without_dialogue(log: LogText) -> tuple[LogText, tuple[tuple[int, str], ...]]:
    """Return the text with only the answers to the usual query, and line and reason of what was taken out.

    The lines stay in their places, marked.
    """
    probe = [line for line in first_lines(log.text) if line.strip()]
    asked = sum(_is_query(line) for line in probe)
    if asked < max(_FEWEST, _SHARE * len(probe)):
        return log, ()
    lines = log.text.decode(errors="replace").split("\n")
    queries = Counter(_words(line) for line in lines if _is_query(line))
    usual = max(queries, key=lambda query: queries[query])
    out: list[tuple[int, str]] = []
    last = ""
    for number, line in enumerate(lines, 1):
        reason = ""
        if _is_query(line):
            last, reason = _words(line) or last, QUERY
        elif line.strip() and last != usual:
            reason = OTHER_ANSWER if last else BEFORE
        if reason:
            out.append((number, reason))
            lines[number - 1] = ASIDE
    return replace(log, text="\n".join(lines).encode(), first_rows={}), tuple(out)


def _is_query(line: str) -> bool:
    text = line.strip()
    return bool(text) and (text.endswith("?") or text.startswith(">")) and _LINE.fullmatch(text) is not None


def _words(line: str) -> str:
    return line.strip().lstrip(">$ ")
