"""What is wrong with a log, said without its file and line: whoever knows these adds them."""

from __future__ import annotations

import contextlib
from collections.abc import Callable, Iterator
from pathlib import Path

import numpy as np
import numpy.typing as npt

from evenbeat.errors import InputError, LogError

Locate = Callable[[int], int]
"""Row → line number, asked only where a row is to blame."""


class RowError(LogError):
    """One row of a log is to blame."""

    def __init__(self, sentence: str, row: int) -> None:
        self.row = row
        super().__init__(sentence)


class NoTimeError(RowError):
    """Some rows, marked in ``rows``, have no time that can be understood; the sentence is about the first."""

    def __init__(self, sentence: str, rows: npt.NDArray[np.bool_]) -> None:
        self.rows = np.flatnonzero(rows)
        super().__init__(sentence, int(self.rows[0]))


@contextlib.contextmanager
def blamed(path: str | Path, locate: Locate | None = None) -> Iterator[None]:
    """Put the file, and the line of a row, in front of what is refused within."""
    try:
        yield
    except InputError as error:
        if getattr(error, "path", None) is not None:
            raise
        line = getattr(error, "line", None)
        if isinstance(error, RowError) and locate is not None:
            line = locate(error.row)
        raise LogError(str(error), path=path, line=line) from error.__cause__
