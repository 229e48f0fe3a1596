"""What a limit of time error asks of a clock: arithmetic before any measurement."""

from __future__ import annotations

from dataclasses import dataclass

from evenbeat.holdover.forecast import checked_durations, checked_limit
from evenbeat.result import Result
from evenbeat.units import SECONDS_PER_DAY, duration_text, time_text


@dataclass(frozen=True, kw_only=True, repr=False)
class HoldoverRequirement(Result):
    """What alone would use up a limit of time error within a duration.

    Attributes
    ----------
    frequency_offset
        Constant fractional frequency offset: limit / duration.
    aging_rate_per_s
        Pure drift from an offset of zero: 2 limit / duration².
    """

    time_error_limit_s: float
    duration_s: float

    _also = ("frequency_offset", "aging_rate_per_s", "aging_rate_per_day")
    _line_headings = ("alone uses up the limit", "fractional")

    @property
    def frequency_offset(self) -> float:
        """Constant fractional frequency offset that reaches the limit at the end."""
        return self.time_error_limit_s / self.duration_s

    @property
    def aging_rate_per_s(self) -> float:
        """Drift per second, from an offset of zero, that reaches the limit at the end."""
        return 2 * self.time_error_limit_s / self.duration_s**2

    @property
    def aging_rate_per_day(self) -> float:
        """The same drift per day."""
        return self.aging_rate_per_s * SECONDS_PER_DAY

    def _headline(self) -> str:
        return (
            f"HoldoverRequirement: {time_text(self.time_error_limit_s)} in {duration_text(self.duration_s)} "
            f"is an offset of {self.frequency_offset:.4e} or a drift of {self.aging_rate_per_day:.4e} /day"
        )

    def _lines(self) -> tuple[tuple[str, str], ...]:
        return (
            ("constant offset", f"{self.frequency_offset:.4e}"),
            ("pure drift per day", f"{self.aging_rate_per_day:.4e}"),
            ("pure drift per second", f"{self.aging_rate_per_s:.4e}"),
        )


def holdover_requirement(time_error_limit_s: float, duration_s: float) -> HoldoverRequirement:
    """Return the constant offset or the pure drift that alone reaches a time-error limit.

    Raises
    ------
    InputError
        If limit or duration is not positive.

    Notes
    -----
    A clock needs to be several times better in each, because all terms come together.

    References
    ----------
    Formula: y = x/t; D = 2x/t²
    Source: arithmetic; NIST Technical Note 1337 (1990)
    Tests: tests/holdover/test_stated.py
    """
    return HoldoverRequirement(
        time_error_limit_s=checked_limit(time_error_limit_s),
        duration_s=float(checked_durations(duration_s)[0]),
    )
