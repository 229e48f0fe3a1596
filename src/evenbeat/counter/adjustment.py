"""Adjusting a timebase: how far from here, and after how many readings."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass

from evenbeat.errors import InputError
from evenbeat.findings import caution, stop
from evenbeat.quantities import Estimate, need_not_negative, need_positive
from evenbeat.result import Result

ENOUGH = 1 / 3
"""Of the tolerance: an adjustment is believed once its measurement is this certain (common practice)."""
MOST_READINGS = 10_000
BEFORE_ADJUSTING = tuple(
    caution("BEFORE_ADJUSTING", sentence)
    for sentence in (
        "Record the as-found value first: adjusting without it destroys the history.",
        "Warm the instrument up as its manual says, in the orientation and with the covers it is used in.",
        "Seals may be broken only by those entitled to, open instruments handled only by qualified persons.",
        "After adjusting wait, read again and record the as-left value: an oscillator may creep after it.",
    )
)


@dataclass(frozen=True, eq=False, kw_only=True, repr=False)
class AdjustmentAdvice(Result):
    """How to adjust, made by :func:`evenbeat.suggest_adjustment`.

    Attributes
    ----------
    as_found
        Measured fractional frequency.
    target
        To be left at.
    move
        From here to there, fractional; positive: make it faster.
    reading_now_hz, reading_then_hz
        What a counter on an exact timebase reads of the oscillator now and at the target; NaN if no
        nominal frequency was stated.
    readings
        How many to average before the adjustment is believed; 0 where averaging does not get there.
    """

    as_found: Estimate
    target: float
    move: float
    reading_now_hz: float
    reading_then_hz: float
    readings: int

    def _lines(self) -> Iterable[tuple[str, str]]:
        many = f"{self.readings} reading{'s' * (self.readings != 1)}"
        yield "average", many if self.readings else "averaging does not suffice"
        if not math.isnan(self.reading_now_hz):
            yield "reads now", f"{self.reading_now_hz:.5f} Hz"
            yield "set to", f"{self.reading_then_hz:.5f} Hz"

    def _headline(self) -> str:
        way = "up" if self.move > 0 else "down"
        return f"Adjust {way} by {abs(self.move):.3g}, from {self.as_found} to {self.target:.3g}"


def suggest_adjustment(
    as_found: Estimate,
    *,
    tolerance: float,
    target: float = 0.0,
    reading_standard_uncertainty: float | None = None,
    readings_average: bool = True,
    nominal_frequency_hz: float | None = None,
) -> AdjustmentAdvice:
    """Return how far to move a timebase and how many readings to average before believing it.

    Parameters
    ----------
    as_found
        Fractional frequency measured against the reference.
    tolerance
        Limits ± of the fractional frequency.
    target
        Fractional frequency to leave it at; :func:`evenbeat.suggest_setpoint` finds the one that lies against
        the aging and keeps within tolerance for longest.
    reading_standard_uncertainty
        Of one reading, relative.
    readings_average
        Whether readings are independent, so that their mean is better; frozen counts are not.
    nominal_frequency_hz
        To say the target as a reading.

    Returns
    -------
    AdjustmentAdvice
        Step to make, and how many readings to average before and after.

    Raises
    ------
    InputError
        If the tolerance is not positive, an uncertainty negative, or the target outside of the tolerance.

    Examples
    --------
    >>> import evenbeat as eb
    >>> eb.suggest_adjustment(eb.Estimate.normal(3e-9, 1e-10), tolerance=1e-8).move
    -3e-09

    References
    ----------
    Formula: step = -offset/sensitivity
    Source: first-order correction; own arithmetic
    Tests: tests/counter/test_card.py
    """
    need_positive(tolerance=tolerance)
    need_not_negative(reading_standard_uncertainty=reading_standard_uncertainty)
    if not abs(target) < tolerance:
        msg = f"target is {target:g}; it must lie within the tolerance of {tolerance:g}"
        raise InputError(msg)
    found = []
    # so many bring two standard uncertainties of their mean to a third of the tolerance
    coarse = 2 * (reading_standard_uncertainty or 0.0) / (ENOUGH * tolerance)
    readings = max(1, math.ceil(coarse**2 * (1 - 1e-12)))
    if readings > (MOST_READINGS if readings_average else 1):
        readings = 0
    if readings == 0:
        sentence = (
            "Averaging these readings does not determine the offset to a third of the tolerance; use a "
            "longer gate, a timed method or a better reference before adjusting."
        )
        found.append(stop("READINGS_TOO_COARSE", sentence))
    if abs(as_found.value - target) < 2 * as_found.standard_uncertainty:
        sentence = "The move is smaller than twice its uncertainty: adjusting would add noise, not accuracy."
        found.append(caution("MOVE_NOT_SIGNIFICANT", sentence))
    nominal = math.nan if nominal_frequency_hz is None else nominal_frequency_hz
    return AdjustmentAdvice(
        as_found=as_found,
        target=target,
        move=target - as_found.value,
        reading_now_hz=nominal * (1 + as_found.value),
        reading_then_hz=nominal * (1 + target),
        readings=readings,
        findings=(*found, *BEFORE_ADJUSTING),
    )
