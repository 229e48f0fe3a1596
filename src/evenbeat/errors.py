"""Every exception and warning of evenbeat, on one page.

::

    EvenbeatError                 anything this package refuses to do
    ├── InputError (ValueError)   an argument or the data cannot be used as given
    │   ├── LogError              a log cannot be read; carries the file and, where known, the line
    │   ├── DisplayLimitedError   the readings do not change: the display limits them, not the oscillator
    │   └── TooShortError         the record cannot carry the answer; carries what it would need
    ├── OutputError (OSError)     a result cannot be written where asked
    └── InstrumentError (OSError) an instrument does not answer
    EvenbeatWarning (UserWarning)

A message is one sentence: what is wrong, what was found, what would be accepted.
"""

from __future__ import annotations

import contextlib
from collections.abc import Callable, Iterable, Iterator
from pathlib import Path


class EvenbeatError(Exception):
    """Base of everything this package raises on purpose."""


class InputError(EvenbeatError, ValueError):
    """An argument or the data cannot be used as given."""


class LogError(InputError):
    """A log cannot be read.

    Parameters
    ----------
    sentence
        What is wrong and what would be accepted.
    path
        The file, put in front of the sentence.
    line
        One-based line number in the file, where one line is to blame.
    """

    def __init__(self, sentence: str, *, path: str | Path | None = None, line: int | None = None) -> None:
        self.sentence = sentence
        self.path = None if path is None else Path(path)
        self.line = line
        where = "" if path is None else f"{path}: " if line is None else f"{path}, line {line}: "
        super().__init__(where + sentence)


class RowError(LogError):
    """One row of a log is to blame."""

    def __init__(self, sentence: str, row: int) -> None:
        self.row = row
        super().__init__(sentence)


class NoTimeError(RowError):
    """Some rows, marked in ``rows``, have no time that can be understood; the sentence is about the first."""

    def __init__(self, sentence: str, rows: Iterable[object]) -> None:
        self.rows = [row for row, odd in enumerate(rows) if odd]
        super().__init__(sentence, self.rows[0])


class DisplayLimitedError(InputError):
    """The readings are all the same, but for steps: the display, not the oscillator, limits them."""


class TooShortError(InputError):
    """The record is too short to carry the answer that was asked for.

    Parameters
    ----------
    sentence
        What was asked and what would be needed.
    needed, available
        Number of samples that the answer needs and that the record has.
    """

    def __init__(self, sentence: str, *, needed: int, available: int) -> None:
        self.needed = needed
        self.available = available
        super().__init__(sentence)

    def __reduce__(self) -> tuple[object, ...]:
        return _rebuild_too_short, (str(self), self.needed, self.available)


def _rebuild_too_short(sentence: str, needed: int, available: int) -> TooShortError:
    """Return the error again in another process, where keywords do not arrive by themselves."""
    return TooShortError(sentence, needed=needed, available=available)


class OutputError(EvenbeatError, OSError):
    """A result cannot be written where asked."""


class InstrumentError(EvenbeatError, OSError):
    """An instrument does not answer, or the link to it is gone."""


class EvenbeatWarning(UserWarning):
    """Something worth knowing that has no result to be attached to."""


@contextlib.contextmanager
def blamed(path: str | Path, locate: Callable[[int], int] | None = None) -> Iterator[None]:
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
