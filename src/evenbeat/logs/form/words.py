"""Rows that say each number after its name, as programs that steer clocks do: ``offset 23 freq -7``."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass

from evenbeat.logs.cells import cell_kind, shape_of

_SHARE = 0.9
_FEWEST_LINES = 3
_FEWEST_NAMED = 1
_BRACKETS = "[](){}<>"
_BEHIND = ",;:"


@dataclass(frozen=True, kw_only=True)
class WordPattern:
    """The words that all rows share, ``None`` where a number or a time stands, and the names of those."""

    words: tuple[str | None, ...]
    names: tuple[str, ...]

    def cells(self, line: str) -> list[str] | None:
        """Return the numbers and times of a row, ``None`` where its words are others."""
        tokens = _tokens(line)
        if _words(tokens) != self.words:
            return None
        return [token for token, word in zip(tokens, self.words, strict=True) if word is None]

    def spans(self, line: str) -> list[tuple[int, int]]:
        """Return where the numbers and times of a row begin and end."""
        spans = []
        for match, word in zip(re.finditer(r"\S+", line), self.words, strict=True):
            if word is None:
                (token,) = _tokens(match.group())
                start = match.start() + match.group().index(token)
                spans.append((start, start + len(token)))
        return spans


def word_pattern(lines: Sequence[str]) -> WordPattern | None:
    """Return what nearly all lines have in common, ``None`` where they are no such rows.

    A time or a number in brackets may stand first without a name; every other number follows a word.
    """
    content = [line for line in lines if line.strip() and not line.lstrip().startswith(("#", "%", "//"))]
    row = next((line for line in content[-_FEWEST_LINES:] if _names_all(line)), None)
    if row is None:  # most logs are tables, and need no more than this look
        return None
    words = _words(_tokens(row))
    often = Counter(_words(_tokens(line)) for line in content)[words]
    enough = often >= max(_FEWEST_LINES, _SHARE * len(content))
    return WordPattern(words=words, names=_names(words)) if enough else None


def _names_all(line: str) -> bool:
    """Return whether a line names each of its numbers."""
    words = _words(_tokens(line))
    names = _names(words)
    bare = words[0] is None and cell_kind(line.split(maxsplit=1)[0].rstrip(_BEHIND)) == "number"
    named = [name for name in names if name]
    return not bare and "" not in names[1:] and len(set(names)) == len(names) and len(named) >= _FEWEST_NAMED


def _tokens(line: str) -> list[str]:
    return [token.rstrip(_BEHIND).strip(_BRACKETS) for token in line.split()]


def _words(tokens: Sequence[str]) -> tuple[str | None, ...]:
    """Return the words with zeros for their digits, ``None`` for a number or a time."""
    return tuple(None if _is_value(token) else shape_of(token) for token in tokens)


def _is_value(token: str) -> bool:
    kind = cell_kind(token)
    return kind in ("number", "moment") or (kind == "missing" and token.isalpha())


def _names(words: Sequence[str | None]) -> tuple[str, ...]:
    """Return the name of each number: the words before it, but for those with digits (states, processes)."""
    names: list[str] = []
    since: list[str] = []
    for word in words:
        if word is None:
            names.append(" ".join(w for w in since if not re.search(r"\d", w)))
            since = []
        else:
            since.append(word)
    return tuple(names)
