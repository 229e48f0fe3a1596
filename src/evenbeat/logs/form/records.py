"""Tables that are none as they stand: records wrapped over lines, of several kinds, or in hexadecimal."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Callable, Sequence

from evenbeat.errors import LogError
from evenbeat.logs.cells import cell_kind, is_comment
from evenbeat.logs.terms import CellKind

_LOOKED_AT = 99
_FEWEST = 3
_MOST_KINDS = 6
_HEXADECIMAL = re.compile(r"(?:0[xX])?[0-9A-Fa-f]{2,16}")


def refuse_mixed_records(
    content: Sequence[tuple[int, str]], cells_of: Callable[[str], list[str]], separator: str, path: str
) -> None:
    """Refuse records that have to be put on one line each, or of which one kind has to be chosen.

    Comment lines are none.

    Raises
    ------
    LogError
        Naming the first line and what is needed.
    """
    lines = [(number, line) for number, line in content[-_LOOKED_AT:] if not is_comment(line, separator)]
    rows = [(number, cells_of(line)) for number, line in lines]
    rows = [(number, cells) for number, cells in rows if cells and cells[0]]
    kinds = [cell_kind(cells[0]) if len(cells) == 1 else "" for _, cells in rows]
    if len(rows) > 2 * _FEWEST and {*kinds[::2]} != {*kinds[1::2]}:
        wrapped = {frozenset(kinds[::2]), frozenset(kinds[1::2])}
        if wrapped == {frozenset({"moment"}), frozenset({"number"})}:
            msg = "each record is wrapped over two lines, its time and its reading; write it on one line"
            raise LogError(msg, path=path, line=rows[0][0])
    widths: dict[str, Counter[int]] = {}
    for _, cells in rows:
        if cell_kind(cells[0]) == "text":
            widths.setdefault(cells[0], Counter())[len(cells)] += 1
    often = {word: count.most_common(1)[0][0] for word, count in widths.items() if count.total() >= _FEWEST}
    if 1 < len(often) <= _MOST_KINDS and len(set(often.values())) > 1:
        told = ", ".join(f"'{word}' with {cells} cells" for word, cells in often.items())
        msg = (
            f"the first cell tells records of several kinds apart ({told}); keep the lines of one kind, such "
            f"as those that begin with '{next(iter(often))}'"
        )
        raise LogError(msg, path=path, line=rows[0][0])


def hexadecimal_columns(rows: Sequence[Sequence[str]], kinds: Sequence[CellKind]) -> tuple[int, ...]:
    """Return the columns of texts that are all hexadecimal numbers."""
    texts = [i for i, kind in enumerate(kinds) if kind == "text"]
    found = []
    for index in texts:
        cells = [row[index] for row in rows if index < len(row)]
        letters = any(re.search("[A-Fa-fx]", cell) for cell in cells)
        if cells and letters and all(_HEXADECIMAL.fullmatch(cell) for cell in cells):
            found.append(index)
    return tuple(found)
