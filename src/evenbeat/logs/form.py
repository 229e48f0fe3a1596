"""How the rows of a log are written and what each column is for, from its first lines."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, fields, replace

from evenbeat.errors import LogError
from evenbeat.logs.cells import (
    MISSING_TEXTS,
    cell_kind,
    holds_joined_moment,
    is_comment,
    shape_of,
    split_line,
)
from evenbeat.logs.files import LogText
from evenbeat.logs.headers import Meaning, column_meaning, covariate_name, units_in
from evenbeat.logs.terms import Candidate, CellKind, Covariate, Form, Layout, Statements
from evenbeat.units import percent

_LOOKED_AT = 99
_FEWEST_OF_KIND = 3
_MOST_KINDS = 6


def refuse_mixed_records(
    content: Sequence[tuple[int, str]], cells_of: Callable[[str], list[str]], separator: str
) -> None:
    """Refuse records that have to be put on one line each, or of which one kind has to be chosen.

    Comment lines are none.
    """
    lines = [(number, line) for number, line in content[-_LOOKED_AT:] if not is_comment(line, separator)]
    rows = [(number, cells_of(line)) for number, line in lines]
    rows = [(number, cells) for number, cells in rows if cells and cells[0]]
    kinds = [cell_kind(cells[0]) if len(cells) == 1 else "" for _, cells in rows]
    if len(rows) > 2 * _FEWEST_OF_KIND and {*kinds[::2]} != {*kinds[1::2]}:
        wrapped = {frozenset(kinds[::2]), frozenset(kinds[1::2])}
        if wrapped == {frozenset({"moment"}), frozenset({"number"})}:
            msg = "each record is wrapped over two lines, its time and its reading; write it on one line"
            raise LogError(msg, line=rows[0][0])
    widths: dict[str, Counter[int]] = {}
    for _, cells in rows:
        if cell_kind(cells[0]) == "text":
            widths.setdefault(cells[0], Counter())[len(cells)] += 1
    often = {
        word: count.most_common(1)[0][0] for word, count in widths.items() if count.total() >= _FEWEST_OF_KIND
    }
    if 1 < len(often) <= _MOST_KINDS and len(set(often.values())) > 1:
        told = ", ".join(f"'{word}' with {cells} cells" for word, cells in often.items())
        msg = (
            f"the first cell tells records of several kinds apart ({told}); keep the lines of one kind, such "
            f"as those that begin with '{next(iter(often))}'"
        )
        raise LogError(msg, line=rows[0][0])


PROBE_LINES = 1000
_PROBE_BYTES = 1 << 18
_MOST_LEADING_BYTES = 1 << 23
_LEADING = re.compile(rb"(?:[ \t]*(?:(?:[#%;]|//)[^\n]*)?+\n)*+")
_COMMENT = re.compile(r"\s*(?:#|%|//|;)+\s?")
_CANDIDATES = tuple(
    (separator, decimal) for separator in ";\t|, " for decimal in ".," if separator != decimal
)
_SCORED_LINES = 200
_SHORT_ROWS = 0.05  # share of rows; a write that was cut short is rarer
_FEWEST_SHORT = 3
_ODD_ROWS = 0.02
_FORTRAN = re.compile(r"(?:\d|\d\.)[dD][+-]?\d")


def detect_form(log: LogText, wanted: Candidate | None = None) -> Form:
    """Return how the rows are written, as a written layout says if it is ``wanted``."""
    lines = first_lines(log.text)
    content = [(number, line) for number, line in enumerate(lines, 1) if line.strip()]
    written = [line for _, line in content if not line.lstrip().startswith(("#", "%", "//"))]
    splits = _ranked_splits(written, wanted)
    if not splits:
        absent = sum(bool(line.strip()) and line.strip().lower() in MISSING_TEXTS for line in lines)
        msg = f"no row of numbers was found in the first {len(lines)} lines; a table of readings is needed"
        if absent:
            what = f"all {absent} readings are missing (NaN or a text such as OVLD)"
            msg = f"{what}; there is nothing to analyse"
        raise LogError(msg)
    refuse_mixed_records(content, splits[0].cells, splits[0].separator)
    names = [f.name for f in fields(Candidate)]
    ways = tuple(Candidate(**{name: getattr(split, name) for name in names}) for split in splits)
    return replace(_form(content, splits[0]), candidates=ways)


@dataclass(frozen=True, kw_only=True)
class _Split(Candidate):
    """A way to split lines at a separator, date and time of day in two cells ``joined`` or not."""

    joined: bool

    def cells(self, line: str) -> list[str]:
        return split_line(line, self.separator, joined_moment=self.joined)

    def kinds(self, line: str) -> list[CellKind]:
        return [cell_kind(cell, self.decimal) for cell in self.cells(line)]

    def is_row(self, line: str) -> bool:
        """Return whether a line is a row; a text in front is allowed where it is no prose."""
        kinds = [] if is_comment(line, self.separator) else self.kinds(line)
        values = sum(kind in ("number", "moment", "measured") for kind in kinds)
        texts = kinds.count("text")
        prose = self.separator == " " and kinds[:1] == ["text"]
        return values > (kinds[:1] == ["text"]) and 2 * values >= texts and not prose


def first_lines(text: bytes) -> list[str]:
    """Return the comments that a text begins with, and a thousand lines behind them, the last complete."""
    probe = text[: _probe_stop(text, PROBE_LINES)]
    lines = probe.decode("utf-8", errors="ignore").split("\n")
    if len(probe) < len(text):
        lines = lines[:-1] or lines
    return lines


def head_of(log: LogText, count: int) -> LogText:
    """Return the comments that a log begins with, and so many lines behind them."""
    return replace(log, text=log.text[: _probe_stop(log.text, count)], first_rows={})


def _probe_stop(text: bytes, count: int) -> int:
    """Return where the leading comments and some lines end, long ones earlier."""
    head = _LEADING.match(text)
    start = stop = min(head.end(), _MOST_LEADING_BYTES) if head else 0
    for _ in range(count):
        stop = text.find(b"\n", stop, start + _PROBE_BYTES) + 1
        if not stop:
            return min(len(text), start + _PROBE_BYTES)
    return stop


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
    split = _Split(writing="cells", separator=separator, decimal=decimal, columns=0, joined=joined)
    body = [line for line in lines if not is_comment(line, separator)]
    total, widths = 0.0, Counter[int]()
    for shape, count in Counter(map(shape_of, body)).items():
        if split.is_row(shape):
            kinds = split.kinds(shape)
            total += count * sum(kind != "text" for kind in kinds) / len(kinds)
            widths[len(kinds)] += count
    rows = widths.total()
    columns, same = widths.most_common(1)[0] if widths else (0, 0)
    understood = round(total / len(body), 9) if body else 0.0
    reason = f"{percent(understood)} of the cells understood in {rows} of {len(body)} lines"
    reason += "" if same == rows else f", {rows - same} of them with another number of cells"
    return replace(split, columns=columns, understood=understood, rows=rows, reason=reason)


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
    shapes = {line: shape_of(line) for _, line in content}
    is_row = {shape: split.is_row(shape) for shape in set(shapes.values())}
    rows = [(number, line) for number, line in content if is_row[shapes[line]]]
    glued = _glued_header(content, split)
    first = glued[1] if glued else rows[0][0]
    before = [(number, line) for number, line in content if number < first]
    prose, comments = list[tuple[int, str]](), list[tuple[int, str]]()
    for number, line in before:
        if not is_comment(line, split.separator):
            prose.append((number, line))
        elif text := _COMMENT.sub("", line, 1).strip():
            comments.append((number, text))
    header, header_line = glued[:2] if glued else _header(prose, comments, split)
    skipped = tuple(number for number, _ in prose if number != header_line)
    often = Counter(shapes[line] for _, line in rows)
    kinds, widths = _column_kinds(often, split), Counter[int]()
    for shape, count in often.items():
        widths[len(split.cells(shape))] += count
    enough = max(_FEWEST_SHORT, _SHORT_ROWS * widths.total())
    if len(header) == split.columns > 1 and not header[-1] and kinds[-1] in ("number", "moment", "measured"):
        skipped = tuple(sorted((*skipped, header_line or first)))  # names fewer than columns: whose are they?
        header, header_line = (), None
    return Form(
        separator=split.separator,
        decimal=split.decimal,
        columns=split.columns,
        kinds=kinds,
        # fewer cells than most only where many rows have as few
        fewest=min([split.columns, *(width for width, count in widths.items() if count >= enough)]),
        header=header,
        first_line=first,
        lead_in=glued[2] if glued else 0,
        joined_moment=split.joined,
        comments=tuple(comment for _, comment in comments),
        skipped=skipped,
        header_line=header_line,
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
    if len(prose) > 1 and re.fullmatch(r"[\s=\-+|:]{3,}", prose[-1][1]):  # a rule of dashes below it
        names = _names(prose[-2][1], split)
        return names, prose[-2][0] if names else None
    return (), None


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


def _glued_header(
    content: Sequence[tuple[int, str]], split: _Split
) -> tuple[tuple[str, ...], int, int] | None:
    """Return names, line and bytes of a header that lost its line end and runs into the first row."""
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
            return (*names, match.group(1)), number, len(line[:lead_in].encode())
    return None


def _column_kinds(lines: Mapping[str, int], split: _Split) -> tuple[CellKind, ...]:
    """Return what each column holds in lines that occur so often."""
    counts: list[Counter[CellKind]] = [Counter() for _ in range(split.columns)]
    for line, often in lines.items():
        for count, kind in zip(counts, split.kinds(line), strict=False):
            count[kind] += often
    values: tuple[CellKind, ...] = ("measured", "moment", "number")
    found = []
    for count in counts:
        kind = max(values, key=lambda kind: count[kind])
        found.append(kind if count[kind] > count["text"] else "text" if count["text"] else "missing")
    return tuple(found)


_OPTION = "choose with --column value=… (columns={'value': …})"


def assign_columns(
    form: Form,
    statements: Statements,
    *,
    quantity: str | None,
    columns: Mapping[str, str | int | None] | None,
    time_first: bool,
    days_first: bool = False,
) -> Layout:
    """Return what each column is for.

    It may be chosen by ``columns``; the first rises as time does, or the first two are MJD and second of the
    day.
    """
    asked = dict(columns or {})
    timeless = "time" in asked and asked["time"] in (None, "none") and "none" not in form.header
    if timeless:
        del asked["time"]
    chosen = {role: _position(form, column) for role, column in asked.items()}
    meanings = [column_meaning(name) for name in form.header] or [
        Meaning(role="unknown", words="") for _ in range(form.columns)
    ]
    if form.writing == "words":  # a program's own words: its freq may be a correction in any unit
        bare = Meaning(role="unknown", words="")
        meanings = [bare if m.role == "value" and m.unit is None else m for m in meanings]
    usable = [
        i
        for i in range(form.columns)
        if form.kinds[i] in ("number", "measured")
        or (form.kinds[i] == "missing" and meanings[i].role == "value")
    ]
    time, time_of_day = (None, None) if timeless else _time_columns(form, meanings, chosen)
    if days_first and time is None and not timeless and not set(chosen.values()) & {0, 1}:
        time, time_of_day = 0, 1
    assumed = (
        time is None
        and not timeless
        and time_first
        and 0 not in chosen.values()
        and meanings[0].role == "unknown"
    )
    time = 0 if assumed else time
    taken_by_time = {time, time_of_day}
    free = [i for i in usable if i not in taken_by_time and i not in chosen.values()]
    value = chosen.get("value", -1)
    if value < 0:
        value = _value_column(form, meanings, free, quantity=quantity)
    covariates = _covariates(meanings, chosen, [i for i in usable if i != value and i not in taken_by_time])
    taken = {value, *taken_by_time, *(covariate.index for covariate in covariates)}
    return Layout(
        form=form,
        value=value,
        value_quantity=meanings[value].quantity,
        value_unit=meanings[value].unit,
        time=time,
        time_words="" if time is None else meanings[time].words,
        time_unit=None if time is None else meanings[time].unit,
        time_of_day=time_of_day,
        time_assumed=assumed,
        covariates=covariates,
        unused=tuple(i for i in usable if i not in taken),
        statements=statements,
    )


def _position(form: Form, column: str | int | None) -> int:
    if column is None:
        msg = (
            "only the time can be left out (columns={'time': None}); give a name or a position counted from 0"
        )
        raise LogError(msg)
    if isinstance(column, int) or (column not in form.header and str(column).strip().isdigit()):
        position = int(column)
        if 0 <= position < form.columns:
            return position
        msg = f"there is no column {position}; the table has columns 0 to {form.columns - 1}"
        raise LogError(msg)
    if column in form.header:
        return form.header.index(column)
    lowered = [name.lower() for name in form.header]
    if column.lower() in lowered:
        return lowered.index(column.lower())
    names = f"the header names {_listed(form, range(form.columns))}" if form.header else "there is no header"
    msg = f"there is no column '{column}'; {names}; give a name or a position counted from 0"
    raise LogError(msg)


def _listed(form: Form, positions: Sequence[int] | range) -> str:
    return ", ".join(form.label(i) for i in positions)


_DAYS = re.compile(r"\bmjd\b")
_OF_DAY = re.compile(
    r"\b(?:sod|seconds? of (?:the )?day|s of day|day seconds?|time of day|seconds?|sec|secs|s)\b"
)


def _time_columns(
    form: Form, meanings: Sequence[Meaning], chosen: Mapping[str, int]
) -> tuple[int | None, int | None]:
    """Return the time column, and the one of seconds of the day where days stand alone."""
    if "time" in chosen:
        return chosen["time"], chosen.get("time_of_day")
    free = [i for i in range(form.columns) if i not in chosen.values()]
    moments = [i for i in free if form.kinds[i] == "moment"]
    days = [i for i in free if _DAYS.search(meanings[i].words) and form.kinds[i] == "number"]
    others = [i for i in free if form.kinds[i] == "number" and i not in days]
    named_so = {i for i in others if _OF_DAY.search(meanings[i].words)}
    of_day = [i for i in others if i in named_so or (not meanings[i].words and meanings[i].unit == "s")]
    if not moments and len(days) == 1 and len(of_day) == 1:
        return days[0], of_day[0]
    named = [i for i in free if meanings[i].role == "time" and form.kinds[i] == "number"]
    candidates = moments or named
    if len(candidates) > 1:
        msg = (
            f"columns {_listed(form, candidates)} could all be the time; choose with --column time=… "
            "(columns={'time': …})"
        )
        raise LogError(msg, line=form.header_line or form.first_line)
    return (candidates[0] if candidates else None), None


def _value_column(
    form: Form, meanings: Sequence[Meaning], free: Sequence[int], *, quantity: str | None
) -> int:
    stated = [i for i in free if meanings[i].role == "value"]
    wanted = [i for i in stated if quantity is not None and meanings[i].quantity == quantity]
    candidates = wanted or stated or [i for i in free if meanings[i].role == "unknown"]
    if len(candidates) == 1:
        return candidates[0]
    if candidates:
        msg = f"columns {_listed(form, candidates)} could all be the clock; {_OPTION}"
    else:
        names = _listed(form, range(form.columns))
        msg = f"no column of decimal numbers is left for the clock among {names}; {_OPTION}"
    raise LogError(msg, line=form.header_line or form.first_line)


def _covariates(
    meanings: Sequence[Meaning], chosen: Mapping[str, int], free: Sequence[int]
) -> tuple[Covariate, ...]:
    found: dict[int, Covariate] = {}
    names: set[str] = set()
    for index in free:
        forced = next((role for role, i in chosen.items() if i == index), None)
        if forced is None and meanings[index].role != "covariate":
            continue
        name, scale, offset = covariate_name(meanings[index], index)
        name = forced or name
        name = name if name not in names else f"{name}_{index}"
        names.add(name)
        found[index] = Covariate(index=index, name=name, scale=scale, offset=offset)
    return tuple(found.values())
