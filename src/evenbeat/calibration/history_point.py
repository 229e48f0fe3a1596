"""One calibration of an instrument: what it was found at, and what it was left at."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

from evenbeat.calibration.tolerance import Tolerance

FoundState = Literal["in", "out"]


@dataclass(frozen=True, kw_only=True)
class HistoryPoint:
    """One calibration.

    Attributes
    ----------
    time_s
        Since the first calibration.
    as_found
        Fractional offset; NaN where only a state was recorded, or nothing.
    state
        ``in`` or ``out`` where only that was recorded.
    as_left
        Fractional offset after it; equal to ``as_found`` if not adjusted. NaN where unknown.
    standard_uncertainty
        Of each of the two (k = 1).
    as_left_uncertainty
        Of ``as_left`` (k = 1), where it is another one; NaN where it is not.
    jumped
        Whether the offset jumped after it, by a move or an adjustment between calibrations: ``as_left`` is
        then what it was after that.
    tolerance
        That the state was judged by, where the table says so.
    in_use_s
        Reading of a meter of hours in use, in seconds; NaN where there is none.
    certificate
        Its number, where it is known.
    row, place
        Of the table it came from: the line of the file, or the row of the frame, counted from 1, and in
        words, such as ``line 7``; 0 and empty where there was none.
    """

    time_s: float
    as_found: float
    as_left: float
    standard_uncertainty: float
    adjusted: bool
    state: FoundState | None = None
    tolerance: Tolerance | None = None
    in_use_s: float = math.nan
    row: int = 0
    place: str = ""
    certificate: str = ""
    as_left_uncertainty: float = math.nan
    jumped: bool = False

    @property
    def starts_anew(self) -> bool:
        """Whether what it was left at is another reading than what it was found at."""
        return self.adjusted or self.jumped or self.as_left != self.as_found

    @property
    def as_left_standard_uncertainty(self) -> float:
        """Standard uncertainty of ``as_left``."""
        own = self.as_left_uncertainty
        return self.standard_uncertainty if math.isnan(own) else own
