"""What to do after an assessment, most urgent first, in sentences to act on."""

from __future__ import annotations

import math
from collections.abc import Iterator

import numpy as np

from evenbeat.assessment.now import DisplayBound, ToleranceNow
from evenbeat.calibration.experiment import plan_experiment
from evenbeat.calibration.interval import IntervalSuggestion
from evenbeat.clock.model import ClockModel
from evenbeat.errors import EvenbeatError
from evenbeat.quantities import number_text
from evenbeat.record import Record
from evenbeat.units import duration_text

SHARPER = 2.0
"""How many times narrower the interval of the aging rate shall become by logging on."""
OUT_OF_REACH = 10.0
"""How many times the length of this log a longer one may be and still be worth naming."""


def next_steps(
    record: Record,
    *,
    model: ClockModel | None,
    interval: IntervalSuggestion | None,
    display: DisplayBound | None,
    now: ToleranceNow | None,
) -> Iterator[str]:
    """Yield what the results of one record ask for: adjust, calibrate by a day, ask again, log longer."""
    if now is not None and now.state == "out":
        yield (
            "It is out of tolerance now: record the as-found value, find out which results it touches, then "
            "have it adjusted."
        )
    if interval is not None and not math.isnan(interval.interval_s) and interval.interval_s > 0:
        yield _calibrate_by(interval, record)
    elif model is not None and now is None:
        yield "State a tolerance, and an interval until the next calibration follows."
    if display is not None:
        yield "Log again with a longer gate, more digits or by phase: this display hides the clock."
    elif model is None:
        yield "Log longer, or without the breaks, before anything is said of aging or forecasts."
    else:
        yield from _log_on(model)


def _calibrate_by(interval: IntervalSuggestion, record: Record) -> str:
    length = duration_text(interval.interval_s)
    when = f"within {length} of the last reading"
    if record.start is not None:
        seconds = round(record.duration_s + interval.interval_s)
        day = (record.start + np.timedelta64(seconds, "s")).astype("datetime64[D]")
        when = f"by {day}, {length} after the last reading"
    if interval.limited_by == "record length":
        return f"Look again {when}: no interval is promised for longer than the log lasted, so log on."
    return f"Calibrate it {when}. Record the as-found value before anything is adjusted."


def _log_on(model: ClockModel) -> Iterator[str]:
    """Say how long a log would halve the uncertainty of the aging rate, or tell it from none."""
    rate, record = model.aging_rate().per_day, model.record
    seen = rate.sign_established()
    wanted = rate.standard_uncertainty / SHARPER
    try:
        plan = plan_experiment(model, drift_uncertainty_per_day=wanted, interval_s=record.spacing_s)
    except EvenbeatError:
        return
    length_s = plan.goals[0].record_length_s
    if not record.duration_s < length_s < OUT_OF_REACH * record.duration_s:
        return
    purpose = "halve the uncertainty of" if seen else "know twice as well whether there is"
    yield (
        f"To {purpose} its aging ({number_text(rate.value, rate.standard_uncertainty)} per day), log for at "
        f"least {duration_text(length_s)} in all; this log lasted {duration_text(record.duration_s)}."
    )
