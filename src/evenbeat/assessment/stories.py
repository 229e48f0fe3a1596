"""What would have to be true for a suggested interval to be wrong, how large it is, and how to see it.

Each story displaces the offset; it breaks the interval where it puts the offset expected at its end on the
nearer limit, so that the instrument is as likely out of tolerance as in. Its size in its own standard
uncertainties says how cheap it is. A check sees it where the displacement then is 3.29 standard uncertainties
of the difference between reading and forecast: found with 95 %, with 5 % false alarms (own derivation; two
one-sided normal tests).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from evenbeat.calibration.history_model import HistoryModel
from evenbeat.calibration.tolerance import Tolerance
from evenbeat.plain import Plain
from evenbeat.units import SECONDS_PER_YEAR

MOST = 3
SEEN = 2 * 1.6448536269514722
"""Standard uncertainties between displaced and undisplaced for one-sided tests of 5 % and 95 %."""
UNSTATED = 3.0
"""Where a story that nothing is stated of stands among the others: as if it were so many uncertainties."""


@dataclass(frozen=True, kw_only=True)
class Story(Plain):
    """One story that would break the interval.

    Attributes
    ----------
    story
        In words.
    size, unit
        How large it must be: fractional, or per year.
    uncertainties
        The same in standard uncertainties of what it is about; NaN where none is stated.
    check_after_s
        When a check shows it, after the last calibration.
    check_uncertainty
        Largest standard uncertainty (k = 1) of a check that shows it then; NaN where the forecast itself is
        too uncertain by then.
    """

    story: str
    size: float
    unit: str
    uncertainties: float
    check_after_s: float
    check_uncertainty: float


def cheapest_stories(
    model: HistoryModel,
    tolerance: Tolerance,
    interval_s: float,
    *,
    environment_uncertainty: float,
    transport_uncertainty: float,
    reference_uncertainty: float,
) -> tuple[Story, ...]:
    """Return the three stories that take fewest of their own standard uncertainties, the cheapest first."""
    if model.as_left is None or not interval_s > 0:
        return ()
    years, half = interval_s / SECONDS_PER_YEAR, 0.5 * interval_s
    end = float(model.offset([interval_s]).mean[0])
    displaced = min(tolerance.upper - end, end - tolerance.lower)
    if not displaced > 0:
        return ()
    drift = model.drift_per_year.standard_uncertainty
    stated = model.as_left.standard_uncertainty

    def told(story: str, known: float, *, per_year: bool = False, at_once: bool = False) -> Story:
        """Return a story; a drift has displaced half as much at half time."""
        size = displaced / years if per_year else displaced
        seen = (0.5 if per_year else 1.0) * displaced / SEEN
        after = 0.0 if at_once else half
        forecast = float(model.offset([after]).standard_deviation[0])
        room = seen**2 - forecast**2
        return Story(
            story=story,
            size=size,
            unit="1/yr" if per_year else "1",
            uncertainties=size / known if known > 0 else math.nan,
            check_after_s=after,
            check_uncertainty=math.sqrt(room) if room > 0 else math.nan,
        )

    every = (
        told("The drift is another than the calibrations show", drift, per_year=True),
        told("The last calibration was wrong, or written down wrongly", stated, at_once=True),
        told("The reference of the calibrations is off", reference_uncertainty, at_once=True),
        told("The offset jumped: a shock, transport, power off and on", transport_uncertainty),
        told("It is used in another temperature, orientation or supply", environment_uncertainty),
    )
    ranked = sorted(every, key=lambda one: UNSTATED if math.isnan(one.uncertainties) else one.uncertainties)
    return tuple(ranked[:MOST])
