"""Works out from the first lines how the rows of a log are written: separator, decimal mark, header."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

from evenbeat.errors import LogError
from evenbeat.logs.cells import (
    ASIDE,
    MISSING_TEXTS,
    cell_kind,
    holds_joined_moment,
    is_comment,
    shape_of,
    split_line,
)
from evenbeat.logs.files import LogText
from evenbeat.logs.form.headers import column_meaning, units_in
from evenbeat.logs.form.records import hexadecimal_columns, refuse_mixed_records
from evenbeat.logs.terms import Candidate, CellKind, Form

PROBE_LINES = 1000
_PROBE_BYTES = 1 << 18
_COMMENT = re.compile(r"\s*(?:#|%|//|;)+\s?")
_CANDIDATES = tuple(
    (separator, decimal) for separator in ";\t|, " for decimal in ".," if separator != decimal
)
_SCORED_LINES = 200
_SHORT_ROWS = 0.05  # share of rows; a write that was cut short is rarer
_FEWEST_SHORT = 3
_ODD_ROWS = 0.02
_FORTRAN = re.compile(r"\d\.?\d*[dD][+-]?\d")


def detect_form(log: LogText, wanted: Candidate | None = None) -> Form:
    """Return how the rows are written.

    Parameters
    ----------
    wanted
        What a written layout says; the rows are then read so or not at all.

    Raises
    ------
    LogError
        If no line holds a number.
    """
    lines = first_lines(log.text)
    content = [(number, line) for number, line in enumerate(lines, 1) if line.strip()]
    splits = _ranked_splits([line for _, line in content], wanted)
    if not splits:
        raise LogError(_no_numbers(lines), path=log.path)
    refuse_mixed_records(content, splits[0].cells, splits[0].separator, log.path)
    candidates = tuple(split.candidate() for split in splits)
    return replace(_form(content, splits[0]), candidates=candidates)


def _no_numbers(lines: list[str]) -> str:
    absent = sum(bool(line.strip()) and line.strip().lower() in MISSING_TEXTS for line in lines)
    if absent:
        return f"all {absent} readings are missing (NaN or a text such as OVLD); there is nothing to analyse"
    return f"no row of numbers was found in the first {len(lines)} lines; a table of readings is needed"


@dataclass(frozen=True, kw_only=True)
class _Split:
    separator: str
    decimal: str
    columns: int
    joined: bool
    understood: float = 0.0
    rows: int = 0
    reason: str = ""

    def candidate(self) -> Candidate:
        return Candidate(
            writing="cells",
            separator=self.separator,
            decimal=self.decimal,
            columns=self.columns,
            understood=self.understood,
            rows=self.rows,
            reason=self.reason,
        )

    def cells(self, line: str) -> list[str]:
        return split_line(line, self.separator, joined_moment=self.joined)

    def is_row(self, line: str) -> bool:
        if is_comment(line, self.separator):
            return False
        return _looks_like_row([cell_kind(cell, self.decimal) for cell in self.cells(line)], self.separator)


def _looks_like_row(kinds: Sequence[CellKind], separator: str) -> bool:
    """Return whether cells of these kinds are a row; a text in front is allowed where it is no prose."""
    values = sum(kind in ("number", "moment", "measured") for kind in kinds)
    texts = sum(kind == "text" for kind in kinds)
    return (
        values > (kinds[0] == "text")
        and 2 * values >= texts
        and not (kinds[0] == "text" and separator == " ")
    )


def first_lines(text: bytes) -> list[str]:
    """Return the first lines of a text, the last complete."""
    probe = text[:_PROBE_BYTES]
    lines = probe.decode("utf-8", errors="ignore").split("\n")
    if len(probe) < len(text):
        lines = lines[:-1] or lines
    return ["" if line.startswith(ASIDE) else line for line in lines[:PROBE_LINES]]


def _ranked_splits(lines: Sequence[str], wanted: Candidate | None) -> list[_Split]:
    """Return the ways to split the lines into cells, the likeliest first: more understood, more columns."""
    shapes = Counter(map(shape_of, lines))
    head = len(lines) - _SCORED_LINES // 2
    scored = lines if head <= _SCORED_LINES // 2 else [*lines[: _SCORED_LINES // 2], *lines[head:]]
    ways = _CANDIDATES if wanted is None else ((wanted.separator, wanted.decimal),)
    joined = {}
    for separator in {separator for separator, _ in ways}:
        often = sum(count for shape, count in shapes.items() if holds_joined_moment(shape, separator))
        joined[separator] = often > len(lines) / 2
    splits = [_scored(scored, separator, decimal, joined=joined[separator]) for separator, decimal in ways]
    splits = [split for split in splits if split.columns]
    splits.sort(key=lambda split: (-split.understood, -split.columns))
    if not splits or wanted is not None:
        return splits
    best = splits[0]
    if best.separator == "," and best.columns == 2 and _comma_is_decimal(lines):
        reason = (
            "what follows the comma reads as decimals: it starts with zeros, or the first part never changes"
        )
        comma = replace(best, separator=" ", decimal=",", columns=1, reason=reason)
        return [comma, *splits]
    return splits


def _scored(lines: Sequence[str], separator: str, decimal: str, *, joined: bool) -> _Split:
    """Return a split with the share of understood cells over all lines and the most frequent width."""
    total = 0.0
    widths: Counter[int] = Counter()
    body = [line for line in lines if not is_comment(line, separator)]
    for shape, count in Counter(map(shape_of, body)).items():
        kinds = [cell_kind(cell, decimal) for cell in split_line(shape, separator, joined_moment=joined)]
        if _looks_like_row(kinds, separator):
            total += count * sum(kind != "text" for kind in kinds) / len(kinds)
            widths[len(kinds)] += count
    rows = sum(widths.values())
    columns, same = widths.most_common(1)[0] if widths else (0, 0)
    understood = round(total / len(body), 9) if body else 0.0
    reason = f"{understood:.0%} of the cells understood in {rows} of {len(body)} lines"
    reason += "" if same == rows else f", {rows - same} of them with another number of cells"
    return _Split(
        separator=separator,
        decimal=decimal,
        columns=columns,
        joined=joined,
        understood=understood,
        rows=rows,
        reason=reason,
    )


def _comma_is_decimal(lines: Sequence[str]) -> bool:
    """Return whether ``a,b`` is one number: the second part starts with zeros or the first never changes.

    It is two where a line of two names stands above, as in ``elapsed_s,phase_s``.
    """
    parts = [line.strip().split(",") for line in lines if not is_comment(line, ",")]
    if any(len(p) == 2 and all(re.search(r"[A-Za-z]{2}", name) for name in p) for p in parts):
        return False
    rows = [(a, b) for a, b in (p for p in parts if len(p) == 2) if re.fullmatch(r"[+-]?\d+", a)]
    odd = int(_ODD_ROWS * len(rows))  # lines that were cut short
    plain = [(a, b) for a, b in rows if re.fullmatch(r"\d*(?:[eEdD][+-]?\d+)?", b)]
    if len(rows) < 2 or len(plain) < len(rows) - odd:
        return False
    if any(re.match(r"0\d", b) or re.search("[eEdD]", b) for _, b in plain):
        return True
    first = Counter(a for a, _ in plain).most_common(1)[0][1]
    widths = sum(count for _, count in Counter(len(b) for _, b in plain).most_common(2))
    return first >= len(plain) - odd and widths >= len(plain) - odd


def _form(content: Sequence[tuple[int, str]], split: _Split) -> Form:
    glued = _glued_header(content, split)
    shapes = {line: shape_of(line) for _, line in content}
    is_row = {shape: split.is_row(shape) for shape in set(shapes.values())}
    rows = [(number, line) for number, line in content if is_row[shapes[line]]]
    first = glued.line if glued else rows[0][0]
    before = [(number, line) for number, line in content if number < first]
    comment_lines = [
        (number, _COMMENT.sub("", line, count=1).strip())
        for number, line in before
        if is_comment(line, split.separator)
    ]
    prose_lines = [(number, line) for number, line in before if not is_comment(line, split.separator)]
    header, header_line = (glued.names, glued.line) if glued else _header(prose_lines, comment_lines, split)
    skipped = tuple(number for number, _ in prose_lines if number != header_line)
    often = Counter(shapes[line] for _, line in rows)
    kinds = _column_kinds(often, split)
    if len(header) == split.columns > 1 and not header[-1] and kinds[-1] in ("number", "moment", "measured"):
        skipped = tuple(sorted((*skipped, header_line or first)))  # names fewer than columns: whose are they?
        header, header_line = (), None
    return Form(
        separator=split.separator,
        decimal=split.decimal,
        columns=split.columns,
        kinds=kinds,
        fewest=_fewest_cells(often, split),
        header=header,
        first_line=first,
        lead_in=glued.lead_in if glued else 0,
        joined_moment=split.joined,
        comments=tuple(comment for _, comment in comment_lines if comment),
        skipped=skipped,
        header_line=header_line,
        hexadecimal=hexadecimal_columns([split.cells(line) for _, line in rows[:99]], kinds),
        fortran=any(_FORTRAN.search(shape) for shape in {shapes[line] for _, line in rows}),
    )


def _header(
    prose: Sequence[tuple[int, str]], comments: Sequence[tuple[int, str]], split: _Split
) -> tuple[tuple[str, ...], int | None]:
    """Return the names of the columns and their line: the last line of text above the rows, or of comment."""
    for number, line in (*prose[-1:], *comments[-1:]):
        names = _names(line, split)
        above = _names(prose[-2][1], split) if len(prose) > 1 and (number, line) == prose[-1] else ()
        units = units_in(names) if above else ()
        if units:
            joined = zip(above, units, strict=True)
            return tuple(f"{name} [{unit}]" if unit else name for name, unit in joined), number
        if names:
            return names, number
    unit_row = _header_above_units(prose, split)
    return unit_row if unit_row else ((), None)


def _header_above_units(
    prose: Sequence[tuple[int, str]], split: _Split
) -> tuple[tuple[str, ...], int | None] | None:
    """Return the header two lines above the rows where a rule of dashes lies between."""
    if len(prose) > 1 and re.fullmatch(r"[\s=\-+|:]{3,}", prose[-1][1]):
        names = _names(prose[-2][1], split)
        return (names, prose[-2][0]) if names else None
    return None


def _names(line: str, split: _Split) -> tuple[str, ...]:
    """Return the column names in a line, or nothing where their number does not fit the rows."""
    half = len(line) // 2
    if half and line[:half] == line[half:]:  # a header written twice without a line end
        line = line[:half]
    cells = split_line(line, split.separator)
    if split.separator == " " and len(cells) != split.columns:
        cells = [cell.strip() for cell in re.split(r"\s{2,}|\t", line.strip())]
    if split.joined and len(cells) == split.columns + 1:
        moments = [i for i, cell in enumerate(cells[:-1]) if re.search("date|day", cell, re.IGNORECASE)]
        position = moments[0] if moments else 0
        cells = [*cells[: position + 1], *cells[position + 2 :]]
    named = split.columns > 2 or column_meaning(cells[0]).role == "value"
    if split.columns - len(cells) == 1 and named and split.separator != " ":
        cells.append("")  # rows end in a separator, the header does not
    if len(cells) != split.columns or any(
        cell_kind(c, split.decimal) not in ("text", "missing") for c in cells
    ):
        return ()
    if split.columns == 1 and (len(cells[0].split()) > 3 or re.search("[:=]", cells[0])):
        meaning = column_meaning(cells[0])  # a sentence, unless it names a quantity with its unit
        return tuple(cells) if meaning.role == "value" and meaning.unit else ()
    return tuple(cells) if any(re.search(r"\w", cell) for cell in cells) else ()


@dataclass(frozen=True, kw_only=True)
class _GluedHeader:
    line: int
    names: tuple[str, ...]
    lead_in: int


def _glued_header(content: Sequence[tuple[int, str]], split: _Split) -> _GluedHeader | None:
    """Return where the header lost its line end and runs into the first row."""
    if split.columns < 2:
        return None
    for number, line in content[:50]:
        mark = _COMMENT.match(line) if is_comment(line, split.separator) else None
        start = mark.end() if mark else 0
        cells = split.cells(line[start:])
        if len(cells) != 2 * split.columns - 1:
            continue
        match = re.fullmatch(r"(.*?[A-Za-z\])])([+-]?\d[\d.,eE+:TZ-]*)", cells[split.columns - 1])
        names, rest = cells[: split.columns - 1], cells[split.columns :]
        if match is None or any(cell_kind(c, split.decimal) != "text" for c in names):
            continue
        if all(cell_kind(c, split.decimal) != "text" for c in rest):
            lead_in = line.index(match.group(0)) + len(match.group(1))
            names = [*names, match.group(1)]
            return _GluedHeader(line=number, names=tuple(names), lead_in=len(line[:lead_in].encode()))
    return None


def _column_kinds(lines: Mapping[str, int], split: _Split) -> tuple[CellKind, ...]:
    """Return what each column holds in lines that occur so often."""
    counts: list[Counter[CellKind]] = [Counter() for _ in range(split.columns)]
    for line, often in lines.items():
        for count, cell in zip(counts, split.cells(line), strict=False):
            count[cell_kind(cell, split.decimal)] += often
    return tuple(_main_kind(count) for count in counts)


def _fewest_cells(lines: Mapping[str, int], split: _Split) -> int:
    """Return how many cells a row has at least: fewer than most only where many rows have as few."""
    widths: Counter[int] = Counter()
    for line, often in lines.items():
        widths[len(split.cells(line))] += often
    enough = max(_FEWEST_SHORT, _SHORT_ROWS * widths.total())
    return min([split.columns, *(width for width, often in widths.items() if often >= enough)])


def _main_kind(count: Counter[CellKind]) -> CellKind:
    kinds: tuple[CellKind, ...] = ("measured", "moment", "number")
    kind = max(kinds, key=lambda kind: count[kind])
    if count[kind] > count["text"]:
        return kind
    return "text" if count["text"] else "missing"
