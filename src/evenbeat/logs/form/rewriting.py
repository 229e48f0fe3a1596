"""Rows without separated cells, rewritten line by line as cells: pairs, words and fixed columns."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Sequence
from dataclasses import replace

from evenbeat.findings import Finding
from evenbeat.logs.files import LogText
from evenbeat.logs.form.cells import CLOCK, DATE, cell_kind, holds_joined_moment, is_comment, split_line
from evenbeat.logs.form.detect import detect_form, first_lines
from evenbeat.logs.form.words import WordPattern, word_pattern
from evenbeat.logs.terms import Candidate, Form

_SHARE = 0.9
_FEWEST_LINES = 3
_NAME = r"[^\W\d][\w./%°]*(?:\s?[\[(][^\])=]*[\])])?"
_PAIR = re.compile(
    rf'({_NAME})\s*=\s*("[^"]*"|{DATE}[T ]{CLOCK}'
    r"|[^\s,;|=]+(?:,\d+(?=[\s;|]|$))?(?:\s(?:[kMG]?Hz|[mnpu]?s|°?C)\b)?)"
)


_MOMENT_FIRST = re.compile(rf"\s*[\[(]?({DATE}[T ]\s*{CLOCK})[\])]?[\s,;:]+(?=[^\W\d])")
_THOUSANDS = re.compile(r"[+-]?\d{1,3}(?:,\d{3}){2,}(?:\.\d+)")
_MOST_LEADING = 4  # cells before a remark


def readable_cells(log: LogText, wanted: Candidate | None = None) -> tuple[LogText, Form]:
    """Return a text whose rows are cells, one line for each line of the log, and its form.

    Raises
    ------
    LogError
        If no line holds a number.
    """
    log = _without_thousands(log)
    lines = first_lines(log.text)
    writing = None if wanted is None else wanted.writing
    names = _pair_names(lines) if writing in (None, "pairs") else ()
    if names:
        return _from_pairs(log, names)
    pattern = word_pattern(lines) if writing in (None, "words") else None
    if pattern is not None:
        return _from_words(log, pattern)
    form = detect_form(log, wanted if writing == "cells" else None)
    leading = _cells_before_remarks(lines, form) if writing in (None, "fixed") else 0
    if leading:
        return _from_remarks(log, form, leading)
    fields = _fixed_fields(lines, form) if writing in (None, "fixed") else ()
    return _from_fields(log, fields, form) if fields else (log, form)


def _pair_names(lines: Sequence[str]) -> tuple[str, ...]:
    """Return the names of name=value rows, or nothing where most lines are none."""
    content = [line for line in lines if line.strip() and not line.lstrip().startswith(("#", "%", "//"))]
    found = [_pairs(line) if "=" in line else [] for line in content]
    rows = [p for p in found if any(cell_kind(_bare(v)) in ("number", "measured") for _, v in p)]
    if len(rows) < max(_FEWEST_LINES, _SHARE * len(content)):
        return ()
    return tuple(dict.fromkeys(name for pairs in rows for name, _ in pairs))


def _pairs(line: str) -> list[tuple[str, str]]:
    """Return the names and values in a line; a moment in front of them is the time."""
    pairs = _PAIR.findall(line)
    moment = _MOMENT_FIRST.match(line)
    named = moment is None or any(name.lower() == "time" for name, _ in pairs)
    return pairs if named or moment is None else [("time", moment.group(1)), *pairs]


def _bare(value: str) -> str:
    return value.strip('"').replace("\t", " ")


def _from_pairs(log: LogText, names: tuple[str, ...]) -> tuple[LogText, Form]:
    place = {name: index for index, name in enumerate(names)}
    lines = log.text.decode(errors="replace").split("\n")
    rows = [[] if line.lstrip().startswith(("#", "%", "//")) else _pairs(line) for line in lines]
    ends = Counter(pairs[-1][0] for pairs in rows if pairs)
    enough = max(_FEWEST_LINES, (1 - _SHARE) * ends.total())
    for number, pairs in enumerate(rows):
        if not pairs or ends[pairs[-1][0]] < enough or any(name not in place for name, _ in pairs):
            continue  # no row, or one that ends where hardly any other does
        cells = [""] * len(names)
        for name, value in pairs:
            cells[place[name]] = _bare(value)
        lines[number] = "\t".join(cells)
    rewritten = replace(log, text="\n".join(lines).encode(), first_rows={})
    form = detect_form(rewritten, _cells_of(len(names), "\t"))
    chosen = replace(_cells_of(form.columns, "\t"), writing="pairs", rows=len(lines))
    reason = f"nearly every line is made of pairs name=value; the names are {', '.join(names)}"
    candidates = (replace(chosen, understood=1.0, reason=reason), *form.candidates)
    return rewritten, replace(form, header=names, writing="pairs", candidates=candidates)


def _from_words(log: LogText, pattern: WordPattern) -> tuple[LogText, Form]:
    lines = log.text.decode(errors="replace").split("\n")
    rows = [None if line.lstrip().startswith(("#", "%", "//")) else pattern.cells(line) for line in lines]
    text = "\n".join(line if row is None else "\t".join(row) for line, row in zip(lines, rows, strict=True))
    rewritten = replace(log, text=text.encode(), first_rows={})
    form = detect_form(rewritten, _cells_of(len(pattern.names), "\t"))
    said = ", ".join(name for name in pattern.names if name)
    chosen = replace(
        _cells_of(form.columns, "\t"),
        writing="words",
        rows=len(rows),
        reason=f"nearly every line says its numbers after the same words: {said}",
    )
    return rewritten, replace(form, header=pattern.names, writing="words", candidates=(chosen,))


def _cells_of(columns: int, separator: str) -> Candidate:
    return Candidate(
        writing="cells", separator=separator, decimal=".", columns=columns, understood=1.0, rows=0
    )


def _without_thousands(log: LogText) -> LogText:
    """Return a text of one column without the commas that mark thousands, as in ``9,999,999.680``."""
    content = [line.strip() for line in first_lines(log.text) if line.strip()]
    content = [line for line in content if not line.startswith(("#", "%", "//"))]
    marked = sum(_THOUSANDS.fullmatch(line) is not None for line in content)
    if marked < _FEWEST_LINES or marked < _SHARE * len(content):
        return log
    lines = log.text.decode(errors="replace").split("\n")
    lines = [line.replace(",", "") if _THOUSANDS.fullmatch(line.strip()) else line for line in lines]
    sentence = "Commas in the numbers were taken as marks of thousands, three digits apart before a point."
    finding = Finding(code="THOUSANDS", severity="note", sentence=sentence)
    text = "\n".join(lines).encode()
    return replace(log, text=text, first_rows={}, findings=(*log.findings, finding))


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


def _from_remarks(log: LogText, form: Form, leading: int) -> tuple[LogText, Form]:
    """Return rows of cells with the remark of each as its last, and what they say as a finding."""
    lines = log.text.decode(errors="replace").split("\n")
    first = form.first_line - 1
    remarks: dict[str, list[int]] = {}
    for number, line in enumerate(lines[first:], form.first_line):
        cells, remark = _before_remark(line, form)
        if len(cells) != leading or is_comment(line, " "):
            continue
        lines[number - 1] = "\t".join([*cells, remark])
        if remark:
            remarks.setdefault(remark, []).append(number)
    head = [re.split(r"\s{2,}|\t", line.strip()) for line in lines[:first]]
    for number, names in enumerate(head):
        if len(names) == leading + 1:
            lines[number] = "\t".join(names)
    told = "; ".join(f"'{remark}' in {_numbered(numbers)}" for remark, numbers in remarks.items())
    count = sum(map(len, remarks.values()))
    sentence = f"{count} row(s) carry a remark, which was kept but not used: {told}."
    finding = Finding(code="REMARKS", severity="note", sentence=sentence, values={"rows": count})
    text = "\n".join(lines).encode()
    rewritten = replace(log, text=text, first_rows={}, findings=(*log.findings, finding))
    cells_form = detect_form(rewritten, replace(_cells_of(leading + 1, "\t"), decimal=form.decimal))
    reason = f"rows of {leading} numbers or times, some of them with a remark behind"
    chosen = replace(
        _cells_of(leading + 1, "\t"), writing="fixed", decimal=form.decimal, rows=len(lines), reason=reason
    )
    return rewritten, replace(cells_form, writing="fixed", candidates=(chosen, *form.candidates))


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


def _from_fields(log: LogText, fields: tuple[tuple[int, int], ...], form: Form) -> tuple[LogText, Form]:
    lines = log.text.decode(errors="replace").split("\n")
    first = form.first_line - 1
    rewritten = [
        "\t".join(line[a:b] for a, b in fields)
        if line.strip() and not line.lstrip().startswith(("#", "%", ";", "//")) and _fills(line, fields)
        else line
        for line in lines[first:]
    ]
    head = lines[:first]
    if form.header or (head and len(head[-1].split()) == len(fields)):
        head[-1] = "\t".join(head[-1].split())
    text = replace(log, text="\n".join([*head, *rewritten]).encode(), first_rows={})
    cells = detect_form(text, replace(_cells_of(len(fields), "\t"), decimal=form.decimal))
    reason = f"rows differ in their number of cells but fill the same {len(fields)} columns of characters"
    chosen = replace(
        _cells_of(len(fields), "\t"),
        writing="fixed",
        decimal=form.decimal,
        rows=len(rewritten),
        reason=reason,
    )
    return text, replace(cells, writing="fixed", candidates=(chosen, *form.candidates))
