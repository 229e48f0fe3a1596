"""Lines without separated cells, rewritten as cells: pairs, words, columns of fixed width, dialogues."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np

from evenbeat.findings import note
from evenbeat.ledger import RejectedLines
from evenbeat.logs.cells import (
    CLOCK,
    DATE,
    cell_kind,
    holds_joined_moment,
    is_comment,
    shape_of,
    split_line,
)
from evenbeat.logs.files import LogText
from evenbeat.logs.form import detect_form, first_lines
from evenbeat.logs.terms import Candidate, Form, Writing
from evenbeat.units import counted

QUERY = "a prompt or a query, no reading"
OTHER_ANSWER = "an answer to another query"
BEFORE = "a line before the first query"
_QUERY = re.compile(
    r"\s*(?:>\s*[*:]?[A-Za-z]?[\w:*]*\??\s*[\w,@()]*|\$?\s*[*:]?[A-Za-z][\w:*]*\?)\s*", re.ASCII
)
_SHARE_OF_QUERIES = 0.2
_PIECE_BYTES = 1 << 20
_FEWEST_QUERIES = 3


class Dialogue:
    """Sets aside all but the answers to the usual query, part after part of a log."""

    def __init__(self, usual: str) -> None:
        self.usual, self.last = usual, ""

    def of(self, text: bytes) -> tuple[bytes, RejectedLines]:
        """Return the next part with empty comments instead of these lines, and what these are."""
        reasons = (QUERY, OTHER_ANSWER, BEFORE)
        pieces, codes = [], list[np.ndarray[tuple[int], np.dtype[np.int8]]]()
        start = 0
        while start < len(text):
            stop = text.find(b"\n", start + _PIECE_BYTES) + 1 or len(text)
            lines = text[start:stop].decode(errors="replace").split("\n")
            found = np.full(len(lines) - (stop < len(text)), -1, dtype=np.int8)
            for place, line in enumerate(lines[: len(found)]):
                if _is_query(line):
                    self.last, found[place] = _asked(line) or self.last, 0
                elif self.last == self.usual or not line or line.isspace():
                    continue
                else:
                    found[place] = 1 if self.last else 2
                lines[place] = "#"
            pieces.append("\n".join(lines).encode())
            codes.append(found)
            start = stop
        code = np.concatenate(codes)
        places = np.flatnonzero(code >= 0)
        return b"".join(pieces), RejectedLines(places + 1, code[places], [(r, False) for r in reasons])


def dialogue_in(log: LogText) -> Dialogue | None:
    """Return what sets aside prompts and queries of a log, ``None`` where the first lines hold hardly any."""
    probe = first_lines(log.text)
    queries = Counter(_asked(line) for line in probe if _is_query(line))
    if queries.total() < max(_FEWEST_QUERIES, _SHARE_OF_QUERIES * sum(bool(line.strip()) for line in probe)):
        return None
    return Dialogue(max(queries, key=lambda query: queries[query]))


def _is_query(line: str) -> bool:
    return (">" in line or "?" in line) and _QUERY.fullmatch(line) is not None


def _asked(line: str) -> str:
    return line.strip().lstrip(">$ ")


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
    return WordPattern(words=words, names=_names_of_words(words)) if enough else None


def _names_all(line: str) -> bool:
    """Return whether a line names each of its numbers."""
    words = _words(_tokens(line))
    names = _names_of_words(words)
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


def _names_of_words(words: Sequence[str | None]) -> tuple[str, ...]:
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


_NAME = r"[^\W\d][\w./%°]*(?:\s?[\[(][^\])=]*[\])])?"
_PAIR = re.compile(
    rf'({_NAME})\s*=\s*("[^"]*"|{DATE}[T ]{CLOCK}'
    r"|[^\s,;|=]+(?:,\d+(?=[\s;|]|$))?(?:\s(?:[kMG]?Hz|[mnpu]?s|°?C)\b)?)"
)


_MOMENT_FIRST = re.compile(rf"\s*[\[(]?({DATE}[T ]\s*{CLOCK})[\])]?[\s,;:]+(?=[^\W\d])")
_THOUSANDS = re.compile(r"[+-]?\d{1,3}(?:,\d{3}){2,}(?:\.\d+)")
_MOST_LEADING = 4  # cells before a remark
_COMMENTS = ("#", "%", "//")
_DONE = b"\x0e"  # begins a line that was rewritten


@dataclass(frozen=True, eq=False, kw_only=True)
class Rewriting:
    """Turns lines into cells, one line for each line: those of usual make at once, others one by one."""

    one: Callable[[str], str] = str  # the cells of a line, parted by tabs; the line itself where it is no row
    away: bytes = b""  # an expression of what is taken out, where nothing else is to be done
    usual: bytes = (
        b""  # an expression of a usual line, each cell a group; empty where none is like the others
    )
    first_line: int = 1  # one-based line of the log from which on lines are rewritten

    def of(self, text: bytes, line: int = 1) -> bytes:
        """Return the text of some lines, the first of which has that number in the log, as cells."""
        start = 0
        for _ in range(max(0, self.first_line - line)):
            start = text.find(b"\n", start) + 1
        pieces = [text[:start]]
        while start < len(text):
            stop = text.find(b"\n", start + _PIECE_BYTES) + 1 or len(text)
            pieces.append(self._piece(text[start:stop]))
            start = stop
        return b"".join(pieces)

    def _piece(self, text: bytes) -> bytes:
        if self.away:
            return re.sub(self.away, b"", text)
        if self.usual and _DONE not in text:
            count = re.compile(self.usual).groups
            text = re.sub(self.usual, _DONE + b"\t".join(b"\\%d" % (k + 1) for k in range(count)), text)
            if text.count(_DONE) == text.count(b"\n"):
                return text.replace(_DONE, b"")
        lines = text.split(b"\n")
        for at, line in enumerate(lines):
            if not line.startswith((_DONE, b"#", b"%", b"//")) and line.strip():
                told = line.decode(errors="replace")
                lines[at] = line if told.lstrip().startswith(_COMMENTS) else self.one(told).encode()
        return b"\n".join(lines).replace(_DONE, b"")


def readable_cells(
    log: LogText, wanted: Candidate | None = None
) -> tuple[LogText, Form, tuple[Rewriting, ...]]:
    """Return a text whose rows are cells, one line for each line of the log, its form, and how it was made.

    Later parts of the log become such a text by the same rewritings.
    """
    log, done = _without_thousands(log)
    lines = first_lines(log.text)
    writing = None if wanted is None else wanted.writing
    names = _pair_names(lines) if writing in (None, "pairs") else ()
    if names:
        reason = f"nearly every line is made of pairs name=value; the names are {', '.join(names)}"
        return _named(log, _of_pairs(lines, names), done, "pairs", names, reason)
    pattern = word_pattern(lines) if writing in (None, "words") else None
    if pattern is not None:
        said = ", ".join(name for name in pattern.names if name)
        reason = f"nearly every line says its numbers after the same words: {said}"
        return _named(log, _of_words(lines, pattern), done, "words", pattern.names, reason)
    form = detect_form(log, wanted if writing == "cells" else None)
    leading = _cells_before_remarks(lines, form) if writing in (None, "fixed") else 0
    if leading:
        return _from_remarks(log, form, leading, done)
    fields = _fixed_fields(lines, form) if writing in (None, "fixed") else ()
    if fields:
        return _from_fields(log, fields, form, done)
    return log, form, done


def _named(
    log: LogText,
    rewriting: Rewriting,
    done: tuple[Rewriting, ...],
    writing: Writing,
    names: tuple[str, ...],
    reason: str,
) -> tuple[LogText, Form, tuple[Rewriting, ...]]:
    """Return the text as cells with names, and their form."""
    rewritten = replace(log, text=rewriting.of(log.text), first_rows={})
    form = _form_of_cells(rewritten, len(names), ".", writing, reason, ())
    return rewritten, replace(form, header=names), (*done, rewriting)


def _form_of_cells(
    log: LogText, columns: int, decimal: str, writing: Writing, reason: str, others: tuple[Candidate, ...]
) -> Form:
    """Return the form of rows whose cells are separated by tabs now."""
    how = Candidate(writing="cells", separator="\t", decimal=decimal, columns=columns, understood=1.0, rows=0)
    form = detect_form(log, how)
    rows = len(first_lines(log.text))
    chosen = replace(how, writing=writing, columns=form.columns, rows=rows, reason=reason)
    return replace(form, writing=writing, candidates=(chosen, *(others or form.candidates)))


def _pair_names(lines: Sequence[str]) -> tuple[str, ...]:
    """Return the names of name=value rows, or nothing where most lines are none."""
    content = [line for line in lines if line.strip() and not _is_remark(line)]
    found = [_pairs(line) if "=" in line else [] for line in content]
    rows = [p for p in found if any(cell_kind(_bare_value(v)) in ("number", "measured") for _, v in p)]
    if len(rows) < max(_FEWEST_LINES, _SHARE * len(content)):
        return ()
    return tuple(dict.fromkeys(name for pairs in rows for name, _ in pairs))


def _pairs(line: str) -> list[tuple[str, str]]:
    """Return the names and values in a line; a moment in front of them is the time."""
    pairs = _PAIR.findall(line)
    moment = _MOMENT_FIRST.match(line)
    named = moment is None or any(name.lower() == "time" for name, _ in pairs)
    return pairs if named or moment is None else [("time", moment.group(1)), *pairs]


def _bare_value(value: str) -> str:
    return value.strip('"').replace("\t", " ")


def _of_pairs(lines: Sequence[str], names: tuple[str, ...]) -> Rewriting:
    """Return how name=value rows are rewritten."""
    place = {name: index for index, name in enumerate(names)}
    rows = [(line, pairs) for line in lines if not _is_remark(line) and (pairs := _pairs(line))]
    ends = Counter(pairs[-1][0] for _, pairs in rows)
    enough = max(_FEWEST_LINES, (1 - _SHARE) * ends.total())

    def one(line: str) -> str:
        pairs = _pairs(line)
        if not pairs or ends[pairs[-1][0]] < enough or any(name not in place for name, _ in pairs):
            return line  # no row, or one that ends where hardly any other does
        cells = [""] * len(names)
        for name, value in pairs:
            cells[place[name]] = _bare_value(value)
        return "\t".join(cells)

    usual = next((line for line, pairs in rows if tuple(name for name, _ in pairs) == names), "")
    spans = [match.span(2) for match in _PAIR.finditer(usual)]
    moment = _MOMENT_FIRST.match(usual)
    spans = spans if moment is None or len(spans) == len(names) else [moment.span(1), *spans]
    return Rewriting(one=one, usual=_usual(usual, spans))


def _of_words(lines: Sequence[str], pattern: WordPattern) -> Rewriting:
    """Return how rows that say each number after its name are rewritten."""

    def one(line: str) -> str:
        cells = pattern.cells(line)
        return line if cells is None else "\t".join(cells)

    usual = next((line for line in reversed(lines) if pattern.cells(line)), "")
    return Rewriting(one=one, usual=_usual(usual, pattern.spans(usual)))


def _usual(line: str, spans: Sequence[tuple[int, int]]) -> bytes:
    """Return an expression of lines with the words of this one; none where only blanks part some values."""
    edges = [0, *(edge for span in spans for edge in span), len(line)]
    parts = [line[a:b] for a, b in zip(edges[::2], edges[1::2], strict=True)]
    if not spans or not all(part.strip() for part in parts[1:-1]):
        return b""
    words = [re.sub(r"\d+", r"\\d+", re.sub(r"(?:\\\s)+", " +", re.escape(part))) for part in parts]
    values = [r"([^\s=]+" + r" [^\s=]+" * line[a:b].count(" ") + ")" for a, b in spans]
    values[-1] = (
        values[-1] if words[-1] else r"([^=\t\n]+)"
    )  # what stands behind it is of its cell, and no number
    return "".join(
        ["(?m)^", words[0], *(v + w for v, w in zip(values, words[1:], strict=True)), "$"]
    ).encode()


def _is_remark(line: str) -> bool:
    return line.lstrip().startswith(_COMMENTS)


def _without_thousands(log: LogText) -> tuple[LogText, tuple[Rewriting, ...]]:
    """Return a text of one column without the commas that mark thousands, as in ``9,999,999.680``."""
    content = [line.strip() for line in first_lines(log.text) if line.strip() and not _is_remark(line)]
    marked = sum(_THOUSANDS.fullmatch(line) is not None for line in content)
    if marked < _FEWEST_LINES or marked < _SHARE * len(content):
        return log, ()
    sentence = "Commas in the numbers were taken as marks of thousands, three digits apart before a point."
    finding = note("THOUSANDS", sentence)
    rewriting = Rewriting(away=rb",(?=\d{3}[,.])")
    text = rewriting.of(log.text)
    return replace(log, text=text, first_rows={}, findings=(*log.findings, finding)), (rewriting,)


def _before_remark(line: str, form: Form) -> tuple[list[str], str]:
    """Return the numbers and moments that begin a line, and the text behind them."""
    cells = split_line(line, " ", joined_moment=form.joined_moment)
    kinds = [cell_kind(cell, form.decimal) for cell in cells]
    first_text = kinds.index("text") if "text" in kinds else len(cells)
    return cells[:first_text], " ".join(cells[first_text:])


def _cells_before_remarks(lines: Sequence[str], form: Form) -> int:
    """Return how many cells stand before the remarks that some rows end in; nothing where none do."""
    if form.separator != " " or any("\t" in line for line in lines):
        return 0
    rows = [line for line in lines[form.first_line - 1 :] if line.strip() and not is_comment(line, " ")]
    split = [_before_remark(line, form) for line in rows]
    widths = Counter(len(cells) for cells, _ in split)
    width, same = widths.most_common(1)[0] if widths else (0, 0)
    remarked = sum(bool(remark) for cells, remark in split if len(cells) == width)
    different = len({len(remark.split()) for _, remark in split}) > 1
    fits = same >= _FEWEST_LINES and same >= _SHARE * len(rows) and 1 < width <= _MOST_LEADING
    return width if fits and remarked and different else 0


def _from_remarks(
    log: LogText, form: Form, leading: int, done: tuple[Rewriting, ...]
) -> tuple[LogText, Form, tuple[Rewriting, ...]]:
    """Return rows of cells with the remark of each as its last, and what they say as a finding."""
    first = form.first_line
    remarks: dict[str, list[int]] = {}

    def one(line: str) -> str:
        cells, remark = _before_remark(line, form)
        return line if len(cells) != leading else "\t".join([*cells, remark])

    rewriting = Rewriting(one=one, first_line=first)
    head, lines = log.text.decode(errors="replace").split("\n")[: first - 1], []
    for line in head:
        names = re.split(r"\s{2,}|\t", line.strip())
        lines.append("\t".join(names) if len(names) == leading + 1 else line)
    rows = rewriting.of(log.text)
    for number, line in enumerate(rows.decode(errors="replace").split("\n")[first - 1 :], first):
        remark = line.rpartition("\t")[2].strip() if line.count("\t") == leading else ""
        if remark and not _is_remark(line):
            remarks.setdefault(remark, []).append(number)
    told = "; ".join(f"'{remark}' in {_numbered(numbers)}" for remark, numbers in remarks.items())
    count = sum(map(len, remarks.values()))
    sentence = f"{counted(count, 'row carries', 'rows carry')} a remark, which was kept but not used: {told}."
    finding = note("REMARKS", sentence, rows=count)
    body = rows.split(b"\n", first - 1)[-1]
    text = b"\n".join([*(line.encode() for line in lines), body])
    rewritten = replace(log, text=text, first_rows={}, findings=(*log.findings, finding))
    reason = f"rows of {leading} numbers or times, some of them with a remark behind"
    form = _form_of_cells(rewritten, leading + 1, form.decimal, "fixed", reason, form.candidates)
    return rewritten, form, (*done, rewriting)


def _numbered(lines: Sequence[int]) -> str:
    return f"line{'s' * (len(lines) > 1)} {', '.join(map(str, lines[:20]))}{', …' * (len(lines) > 20)}"


def _fixed_fields(lines: Sequence[str], form: Form) -> tuple[tuple[int, int], ...]:
    """Return start and stop of columns of fixed width, where rows of blanks differ in their cells."""
    if form.separator != " " or form.joined_moment or any("\t" in line for line in lines):
        return ()
    rows = [line.rstrip() for line in lines[form.first_line - 1 :] if line.strip()]
    rows = [line for line in rows if not line.lstrip().startswith(("#", "%", ";", "//"))]
    counts = Counter(len(line.split()) for line in rows)
    enough = max(_FEWEST_LINES, (1 - _SHARE) * len(rows))
    most = max((cells for cells, often in counts.items() if often >= enough), default=0)
    rows = [line for line in rows if len(line.split()) <= most]  # two lines that ran into one are no row
    if len({len(line.split()) for line in rows}) < 2 or len(rows) < _FEWEST_LINES:
        return ()
    if any(holds_joined_moment(line) for line in rows[:9]):
        return ()
    used = [any(line[i : i + 1].strip() for line in rows) for i in range(max(map(len, rows)))]
    edges = [i for i in range(len(used) + 1) if (used[i - 1] if i else False) != (used[i : i + 1] == [True])]
    fields = tuple(zip(edges[::2], edges[1::2], strict=True))
    if len(fields) != most:
        return ()
    cells = [line[a:b].strip() for line in rows for a, b in fields]
    return fields if not any(" " in cell for cell in cells) else ()


def _fills(line: str, fields: tuple[tuple[int, int], ...]) -> bool:
    """Return whether a line is a row of such columns, and where it ends early does so behind a whole cell."""
    gaps = zip((0, *(b for _, b in fields)), (*(a for a, _ in fields), len(line)), strict=True)
    last = max((i for i, (a, b) in enumerate(fields) if line[a:b].strip()), default=-1)
    reaches = last == len(fields) - 1 or len(line) >= fields[last][1]
    return last >= 0 and reaches and not any(line[a:b].strip() for a, b in gaps)


def _from_fields(
    log: LogText, fields: tuple[tuple[int, int], ...], form: Form, done: tuple[Rewriting, ...]
) -> tuple[LogText, Form, tuple[Rewriting, ...]]:
    """Return rows of columns of fixed width as cells."""

    def one(line: str) -> str:
        return "\t".join(line[a:b] for a, b in fields) if _fills(line, fields) else line

    lengths = Counter(map(len, first_lines(log.text)[form.first_line - 1 :]))
    whole = max(fields[-1][1], lengths.most_common(1)[0][0])
    gaps = [a - b for (a, _), b in zip((*fields, (whole, 0)), (0, *(b for _, b in fields)), strict=True)]
    cells = zip(gaps, (b - a for a, b in fields), strict=False)
    usual = "".join(f" {{{gap}}}(.{{{width}}})" for gap, width in cells) + f" {{{gaps[-1]}}}"
    rewriting = Rewriting(one=one, usual=f"(?m)^{usual}$".encode(), first_line=form.first_line)
    text = rewriting.of(log.text)
    head = text.split(b"\n", form.first_line - 1)
    if len(head) > 1 and (form.header or len(head[-2].split()) == len(fields)):
        head[-2] = b"\t".join(head[-2].split())
    rewritten = replace(log, text=b"\n".join(head), first_rows={})
    reason = f"rows differ in their number of cells but fill the same {len(fields)} columns of characters"
    form = _form_of_cells(rewritten, len(fields), form.decimal, "fixed", reason, form.candidates)
    return rewritten, form, (*done, rewriting)
