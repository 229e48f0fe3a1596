"""What is read of a text, and the columns of some consecutive rows of it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
import numpy.typing as npt

from evenbeat.logs.rows.lines import Rejected
from evenbeat.logs.rows.stamps import IntArray, Moments
from evenbeat.quantities import FloatArray

KEPT_STARTS = 50
"""Places of rows that are remembered of those that are alike; more of them are no odd ones."""


@dataclass(frozen=True, kw_only=True)
class Wanted:
    """Which columns are read and as what.

    Parameters
    ----------
    numbers
        Positions of columns of numbers.
    moment
        Position of a column of time stamps, ``None`` where there is none.
    exact
        Position of a column of times that float64 would not hold.
    time
        Position of the time, however it is written.
    """

    numbers: tuple[int, ...]
    moment: int | None = None
    exact: int | None = None
    time: int | None = None

    def holds(self, index: int) -> bool:
        """Return whether a column is read."""
        return index in self.numbers or index in (self.moment, self.exact)

    @property
    def begins_with_reading(self) -> bool:
        """Whether the first column holds numbers other than the time."""
        return 0 in self.numbers and self.time != 0


@dataclass(frozen=True, kw_only=True)
class Alike:
    """Rows that begin and end as one of them does.

    Parameters
    ----------
    line
        One of the rows.
    starts
        Where the first few of them begin in the text.
    """

    line: str
    count: int
    starts: tuple[int, ...] = ()


@dataclass(frozen=True, eq=False, kw_only=True)
class Part:
    """Columns of some consecutive rows.

    Parameters
    ----------
    finite
        Whether none of the numbers is missing or infinite.
    stamps
        Texts of the time stamps, where they were not read as moments.
    whole, fraction
        The exact times; no fraction where all are whole.
    lines
        One-based lines of the rows, where some line between them was rejected.
    alike
        Its rows by how they begin and end; odd ones may be left out.
    """

    rows: int
    finite: bool
    numbers: dict[int, FloatArray]
    stamps: Any = None
    moments: Moments | None = None
    whole: IntArray | None = None
    fraction: FloatArray | None = None
    lines: IntArray | None = None
    rejected: tuple[Rejected, ...] = ()
    alike: tuple[Alike, ...] = ()
    units: dict[int, str] = field(default_factory=dict)

    def with_exact(self, whole: IntArray, fraction: FloatArray | None) -> Part:
        """Return the part with exact times."""
        return replace(self, whole=whole, fraction=fraction)

    def with_starts(self, starts: npt.NDArray[np.integer]) -> Part:
        """Return the part, all of whose rows are alike, with the places where they begin in the text."""
        places = tuple(starts[:KEPT_STARTS].tolist())
        return replace(self, alike=tuple(replace(alike, starts=places) for alike in self.alike))

    def with_moments(self, moments: Moments) -> Part:
        """Return the part with moments."""
        return replace(self, moments=moments)


def one_scale(parts: Sequence[Part]) -> bool:
    """Return whether all parts hold moments of one scale, or none holds moments."""
    return len({None if part.moments is None else part.moments.zoned for part in parts}) < 2


def exact_of(parts: Sequence[Part]) -> tuple[IntArray | None, FloatArray | None]:
    """Return the exact times of consecutive parts, end to end."""
    whole = [part.whole for part in parts if part.whole is not None]
    if not whole:
        return None, None
    fractions = [np.zeros(part.rows) if part.fraction is None else part.fraction for part in parts]
    some = any(part.fraction is not None for part in parts)
    return end_to_end(whole), end_to_end(fractions) if some else None


def end_to_end(columns: Sequence[npt.NDArray[Any]]) -> npt.NDArray[Any]:
    """Return consecutive pieces of a column as one."""
    return columns[0] if len(columns) == 1 else np.concatenate(columns)
