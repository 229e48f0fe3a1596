"""Lines without separated cells, rewritten as cells: pairs, words, columns of fixed width, dialogues."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace

import numpy as np

from evenbeat.findings import Finding, note
from evenbeat.ledger import RejectedLines
from evenbeat.logs.cells import CLOCK, DATE, cell_kind, holds_joined_moment, is_comment, numbered, split_line
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
        lines, codes = text.decode(errors="replace").split("\n"), {}
        for place, line in enumerate(lines):
            if _is_query(line):
                self.last, codes[place] = _asked(line) or self.last, 0
            elif self.last != self.usual and line and not line.isspace():
                codes[place] = 1 if self.last else 2
            if place in codes:
                lines[place] = "#"
        aside = RejectedLines(np.array([*codes]) + 1, [*codes.values()], [(r, False) for r in reasons])
        return "\n".join(lines).encode(), aside


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
_BRACKETS = "[](){}<>"
_BEHIND = ",;:"
_COMMENTS = ("#", "%", "//")
_END = r'(?=%s\d+ *(?:[\t;|"]|$))'
_THOUSANDS = {  # marks, what may stand before a number that has them, and behind
    ",": (r'(?:^|(?<=[\t;|"]))', _END % r"\."),
    r"\.": (r'(?:^|(?<=[\t;|"]))', _END % ","),
    " ": (r'(?<=[\t;|"])', _END % "[.,]"),
    "['\N{RIGHT SINGLE QUOTATION MARK}\N{NO-BREAK SPACE}\N{THIN SPACE}\N{NARROW NO-BREAK SPACE}]": (
        r"(?<![\d.])",
        r"(?!\d)",
    ),
}
_VALUE = (
    rf'("[^"\n]*"|{DATE}[T ]{CLOCK}'
    r"|[^\s,;|=]+(?:,\d+(?=[\s;|]|$))?(?:[ \t](?:[kMG]?Hz|[mnpu]?s|°?C)\b)?)"
)
_BETWEEN = r"(?:[ \t,;|]*|[^=\n]*?(?<![\w./%]))"  # the first is what is usual, and quick
_PAIR = re.compile(rf"([^\W\d][\w./%°]*(?:\s?[\[(][^\])=]*[\])])?)[ \t]*=[ \t]*{_VALUE}", re.MULTILINE)
_MOMENT_FIRST = re.compile(rf"[ \t]*[\[(]?({DATE}[T ][ \t]*{CLOCK})[\])]?[ \t,;:]+(?=[^\W\d])")
_JSON_LINE = re.compile(r'\s*\{\s*"[^"\\]+"\s*:[^{}]*\}\s*,?\s*')
_MOST_LEADING = 4  # cells before a remark


@dataclass(frozen=True, kw_only=True)
class Rewriting:
    """Turns lines into cells, one line for each line; one that no expression matches stays as it is."""

    ways: tuple[tuple[str, str], ...]  # expressions of whole lines, and the cells that each becomes
    first_line: int = 1  # one-based line of the log from which on lines are rewritten

    def of(self, text: bytes, line: int = 1) -> bytes:
        """Return the text of some lines, the first of which has that number in the log, as cells."""
        start = 0
        for _ in range(max(0, self.first_line - line)):
            start = text.find(b"\n", start) + 1
        pieces = [text[:start]]
        while start < len(text):
            stop = text.find(b"\n", start + _PIECE_BYTES) + 1 or len(text)
            piece = text[start:stop].decode(errors="replace")
            for expression, cells in self.ways:
                piece = re.sub(expression, cells, piece, flags=re.MULTILINE)
            pieces.append(piece.encode())
            start = stop
        return b"".join(pieces)


@dataclass(frozen=True, kw_only=True)
class _Named:
    """Rows whose numbers have names: the names, and how the rows become cells."""

    writing: Writing
    names: tuple[str, ...]
    rewriting: Rewriting
    reason: str


def readable_cells(
    log: LogText, wanted: Candidate | None = None
) -> tuple[LogText, Form, tuple[Rewriting, ...]]:
    """Return a text whose rows are cells, one line for each line of the log, its form, and how it was made.

    Later parts of the log become such a text by the same rewritings.
    """
    log, objects = _without_json(log)
    log, marks = _without_thousands(log)
    done = (*objects, *marks)
    lines = first_lines(log.text)
    writing = None if wanted is None else wanted.writing
    named = _pairs(lines) if writing in (None, "pairs") else None
    named = named or (_words(lines) if writing in (None, "words") else None)
    if named is not None:
        log = replace(log, text=named.rewriting.of(log.text), first_rows={})
        form = _form_of_cells(log, len(named.names), ".", named.writing, named.reason, ())
        return log, replace(form, header=named.names), (*done, named.rewriting)
    form = detect_form(log, wanted if writing == "cells" else None)
    leading = _cells_before_remarks(lines, form) if writing in (None, "fixed") else 0
    if leading:
        return _from_remarks(log, form, leading, done)
    fields = _fixed_fields(lines, form) if writing in (None, "fixed") else ()
    if fields:
        return _from_fields(log, fields, form, done)
    return log, form, done


def _form_of_cells(
    log: LogText, columns: int, decimal: str, writing: Writing, reason: str, others: tuple[Candidate, ...]
) -> Form:
    """Return the form of rows whose cells are separated by tabs now."""
    how = Candidate(writing="cells", separator="\t", decimal=decimal, columns=columns)
    form = detect_form(log, how)
    rows = len(first_lines(log.text))
    chosen = replace(how, writing=writing, columns=form.columns, rows=rows, reason=reason)
    return replace(form, writing=writing, candidates=(chosen, *(others or form.candidates)))


def _content(lines: Sequence[str]) -> list[str]:
    """Return the lines that are neither blank nor comments."""
    return [line for line in lines if line.strip() and not line.lstrip().startswith(_COMMENTS)]


def _groups(places: Iterable[int | None]) -> str:
    """Return cells made of the groups of an expression, an empty one for ``None``."""
    return "\t".join("" if place is None else rf"\g<{place}>" for place in places)


def _pairs(lines: Sequence[str]) -> _Named | None:
    """Return how name=value rows are read, ``None`` where most lines are none.

    A moment in front of them is the time. Rows may hold some of the names in orders that the first lines
    have; those that end where hardly any other does were cut short.
    """
    orders, content = Counter[tuple[bool, tuple[str, ...]]](), _content(lines)
    for line in content:
        pairs = _PAIR.findall(line) if "=" in line else []
        if any(cell_kind(value.strip('"')) in ("number", "measured") for _, value in pairs):
            stamped = _MOMENT_FIRST.match(line) and all(name.lower() != "time" for name, _ in pairs)
            orders[bool(stamped), tuple(name for name, _ in pairs)] += 1
    if orders.total() < max(_FEWEST_LINES, _SHARE * len(content)):
        return None
    names = tuple(dict.fromkeys(name for at, order in orders for name in (*["time"] * at, *order)))
    ends = Counter[str]()
    for (_, order), count in orders.items():
        ends[order[-1]] += count
    ways = []
    for stamped, order in sorted(orders, reverse=True):
        if ends[order[-1]] >= max(_FEWEST_LINES, (1 - _SHARE) * ends.total()):
            words = [rf"{_BETWEEN}{re.escape(name)}[ \t]*=[ \t]*{_VALUE}" for name in order]
            before = _MOMENT_FIRST.pattern if stamped else ""
            place = {name: at for at, name in enumerate((*["time"] * stamped, *order), 1)}
            ways.append((rf"^{before}{''.join(words)}[^=\n]*$", _groups(map(place.get, names))))
    reason = f"nearly every line is made of pairs name=value; the names are {', '.join(names)}"
    return _Named(writing="pairs", names=names, rewriting=Rewriting(ways=tuple(ways)), reason=reason)


def _words(lines: Sequence[str]) -> _Named | None:
    """Return how rows of numbers behind words are read, ``None`` where most lines are none.

    A time or a number in brackets may stand first without a name; every other number follows a word.
    """
    content = _content(lines)
    for row in content[-_FEWEST_LINES:]:  # most logs are tables, and need no more than this look
        names, spans = _named_numbers(row)
        named = [name for name in names if name]
        first = row.split(maxsplit=1)[0].rstrip(_BEHIND)
        bare = names and not names[0] and cell_kind(first) == "number"
        if named and not bare and "" not in names[1:] and len(set(names)) == len(names):
            break
    else:
        return None
    expression = _alike(row, spans)
    often = sum(re.match(expression, line) is not None for line in content)
    if often < max(_FEWEST_LINES, _SHARE * len(content)):
        return None
    rewriting = Rewriting(ways=((expression, _groups(range(1, len(names) + 1))),))
    reason = f"nearly every line says its numbers after the same words: {', '.join(named)}"
    return _Named(writing="words", names=tuple(names), rewriting=rewriting, reason=reason)


def _named_numbers(line: str) -> tuple[list[str], list[tuple[int, int]]]:
    """Return names of the numbers and times of a line, and where these begin and end.

    A name is the words before it, but for those with digits (states, processes).
    """
    names, spans, since = list[str](), list[tuple[int, int]](), list[str]()
    for match in re.finditer(r"\S+", line):
        token = match.group().rstrip(_BEHIND).strip(_BRACKETS)
        kind = cell_kind(token)
        if kind not in ("number", "moment") and not (kind == "missing" and token.isalpha()):
            since.append(token)
            continue
        start = match.start() + match.group().index(token)
        spans.append((start, start + len(token)))
        names.append(" ".join(word for word in since if not re.search(r"\d", word)))
        since = []
    return names, spans


def _alike(line: str, spans: Sequence[tuple[int, int]]) -> str:
    """Return an expression of lines with the words of this one, whose digits may be others."""
    edges = [0, *(edge for span in spans for edge in span), len(line)]
    parts = [re.escape(line[a:b]) for a, b in zip(edges[::2], edges[1::2], strict=True)]
    words = [re.sub(r"\d+", r"\\d+", re.sub(r"(?:\\[ \t])+", r"[ \\t]+", part)) for part in parts]
    values = [*[r"([^\s=]+)"] * (len(spans) - 1), r"([^\s=]+)" if words[-1] else r"([^=\t\n]+)"]
    return "".join(["^", words[0], *(v + w for v, w in zip(values, words[1:], strict=True)), "$"])


def _without_thousands(log: LogText) -> tuple[LogText, tuple[Rewriting, ...]]:
    """Return a text without marks of thousands as in ``9,999,999.680``, where these can be nothing else."""
    content = _content(first_lines(log.text))
    for mark, (before, behind) in _THOUSANDS.items():
        grouped = rf"{before}( *[+-]?\d{{1,3}}){mark}(\d{{3}}){mark}(\d{{3}})(?:{mark}(\d{{3}}))?{behind}"
        marked = sum(re.search(grouped, line) is not None for line in content)
        if marked >= max(_FEWEST_LINES, _SHARE * len(content)):
            break
    else:
        return log, ()
    name = {",": "Commas", r"\.": "Points"}.get(mark, "Blanks or apostrophes")
    sentence = (
        f"{name} in the numbers were taken as marks of thousands, three digits apart before a decimal mark."
    )
    return _rewritten(log, Rewriting(ways=((grouped, r"\1\2\3\4"),)), note("THOUSANDS", sentence))


def _without_json(log: LogText) -> tuple[LogText, tuple[Rewriting, ...]]:
    """Return a text of ``name=value`` pairs where each line is a flat JSON object (RFC 8259)."""
    content = _content(first_lines(log.text))
    objects = sum(_JSON_LINE.fullmatch(line) is not None for line in content)
    if objects < max(_FEWEST_LINES, _SHARE * len(content)):
        return log, ()
    ways = ((r'"([^"\\\n]+)"[ \t]*:[ \t]*', r"\1="), (r"^[ \t]*\{[ \t]*|[ \t]*\},?[ \t]*$", ""))
    return _rewritten(log, Rewriting(ways=ways))


def _rewritten(
    log: LogText, rewriting: Rewriting, *findings: Finding
) -> tuple[LogText, tuple[Rewriting, ...]]:
    findings = (*log.findings, *findings)
    return replace(log, text=rewriting.of(log.text), first_rows={}, findings=findings), (rewriting,)


def _cells_before_remarks(lines: Sequence[str], form: Form) -> int:
    """Return how many cells stand before the remarks that some rows end in; nothing where none do."""
    if form.separator != " " or any("\t" in line for line in lines):
        return 0
    rows = [line for line in lines[form.first_line - 1 :] if line.strip() and not is_comment(line, " ")]
    widths, remarks = Counter[int](), list[tuple[int, int]]()
    for line in rows:
        cells = split_line(line, " ", joined_moment=form.joined_moment)
        width = next((k for k, c in enumerate(cells) if cell_kind(c, form.decimal) == "text"), len(cells))
        widths[width] += 1
        remarks.append((width, len(cells) - width))
    width, same = widths.most_common(1)[0] if widths else (0, 0)
    remarked = any(words for cells, words in remarks if cells == width)
    different = len({words for _, words in remarks}) > 1
    fits = same >= max(_FEWEST_LINES, _SHARE * len(rows)) and 1 < width <= _MOST_LEADING
    return width if fits and remarked and different else 0


def _from_remarks(
    log: LogText, form: Form, leading: int, done: tuple[Rewriting, ...]
) -> tuple[LogText, Form, tuple[Rewriting, ...]]:
    """Return rows of cells with the remark of each as its last, and what they say as a finding."""
    first = form.first_line
    cell = rf"({DATE} +\d\d?:\S*|\S+)" if form.joined_moment else r"(\S+)"
    expression = rf"^ *{' +'.join([cell] * leading)}(?: +(\S.*)| *)$"
    rewriting = Rewriting(ways=((expression, _groups(range(1, leading + 2))),), first_line=first)
    lines = rewriting.of(log.text).decode(errors="replace").split("\n")
    for at, line in enumerate(lines[: first - 1]):
        names = re.split(r"\s{2,}|\t", line.strip())
        lines[at] = "\t".join(names) if len(names) == leading + 1 else line
    remarks: dict[str, list[int]] = {}
    for number, line in enumerate(lines[first - 1 :], first):
        remark = line.rpartition("\t")[2].strip()
        if remark and line.count("\t") == leading and not line.lstrip().startswith(_COMMENTS):
            remarks.setdefault(remark, []).append(number)
    told = "; ".join(f"'{remark}' in {numbered(numbers, most=20)}" for remark, numbers in remarks.items())
    count = sum(map(len, remarks.values()))
    sentence = f"{counted(count, 'row carries', 'rows carry')} a remark, which was kept but not used: {told}."
    findings = (*log.findings, note("REMARKS", sentence, rows=count))
    rewritten = replace(log, text="\n".join(lines).encode(), first_rows={}, findings=findings)
    reason = f"rows of {leading} numbers or times, some of them with a remark behind"
    form = _form_of_cells(rewritten, leading + 1, form.decimal, "fixed", reason, form.candidates)
    return rewritten, form, (*done, rewriting)


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


def _from_fields(
    log: LogText, fields: tuple[tuple[int, int], ...], form: Form, done: tuple[Rewriting, ...]
) -> tuple[LogText, Form, tuple[Rewriting, ...]]:
    """Return rows of columns of fixed width as cells; those that end early do so behind a whole cell."""
    widths = [b - a for a, b in fields]
    gaps = [a - b for (a, _), b in zip(fields, (0, *(b for _, b in fields)), strict=False)]
    expression = rf" {{{gaps[-1]}}}(.{{1,{widths[-1]}}})"
    for gap, width in reversed([*zip(gaps, widths, strict=True)][:-1]):
        expression = rf" {{{gap}}}(.{{{width}}})(?:{expression})?"
    cells = _groups(range(1, len(fields) + 1))
    rewriting = Rewriting(ways=((rf"^(?=.*\S){expression} *$", cells),), first_line=form.first_line)
    text = rewriting.of(log.text)
    head = text.split(b"\n", form.first_line - 1)
    if len(head) > 1 and (form.header or len(head[-2].split()) == len(fields)):
        head[-2] = b"\t".join(head[-2].split())
    rewritten = replace(log, text=b"\n".join(head), first_rows={})
    reason = f"rows differ in their number of cells but fill the same {len(fields)} columns of characters"
    form = _form_of_cells(rewritten, len(fields), form.decimal, "fixed", reason, form.candidates)
    return rewritten, form, (*done, rewriting)
