"""Times as numbers that begin anew: at midnight written as hhmmss, and where a day or a week is over."""

from __future__ import annotations

import re

import numpy as np

from evenbeat.findings import Finding
from evenbeat.quantities import FloatArray
from evenbeat.units import SECONDS_PER_DAY

CLOCK_WORDS = re.compile(r"\bhh ?mm ?ss\b")
WEEK_S = 7 * SECONDS_PER_DAY
_WITHIN = 1.5  # steps that the first row of a new week or day may be away from its place


def seconds_of_clock(values: FloatArray) -> FloatArray | None:
    """Return seconds of the day of numbers such as 235959, ``None`` where some is no time of day."""
    hours, minutes, seconds = values // 10_000, values // 100 % 100, values % 100
    if not ((values >= 0) & (hours < 24) & (minutes < 60) & (seconds < 60)).all():
        return None
    return hours * 3600 + minutes * 60 + seconds


def looks_like_clock(values: FloatArray) -> bool:
    """Return whether rising numbers jump by 40 where a minute is full, and by 4040 where an hour is."""
    seconds = seconds_of_clock(values)
    if seconds is None or len(values) < 3:
        return False
    step = float(np.median(np.diff(values)))
    over = np.unique(np.diff(values)) - step
    full_minutes = bool(np.isin(over, (0, 40, 4040)).all() and (over > 0).any())
    return full_minutes and step > 0 and bool(np.allclose(np.diff(seconds), step))


def across_midnights(seconds: FloatArray) -> tuple[FloatArray, Finding]:
    """Return seconds of the day as seconds since the first, a day added at each midnight."""
    midnights = np.concatenate([[0], np.cumsum(np.diff(seconds) < -SECONDS_PER_DAY / 2)])
    sentence = (
        "The time column holds times of day without a date; the start stays unknown, and a day was added "
        f"at each of {int(midnights[-1])} midnight(s)."
    )
    finding = Finding(code="NO_DATE", severity="caution", sentence=sentence)
    total = seconds + SECONDS_PER_DAY * midnights
    return total - total[0], finding


def across_weeks(seconds: FloatArray) -> tuple[FloatArray, tuple[Finding, ...]]:
    """Return elapsed times with a day or a week added wherever they fall by one less a step."""
    steps = np.diff(seconds)
    falls = np.flatnonzero(steps < 0)
    if not len(falls) or not (steps > 0).any():
        return seconds, ()
    step = float(np.median(steps[steps > 0]))
    for span, name in ((WEEK_S, "week"), (SECONDS_PER_DAY, "day")):
        if (np.abs(steps[falls] + span - step) < _WITHIN * step).all() and step < span / 10:
            turns = np.concatenate([[0], np.cumsum(steps < 0)])
            sentence = f"The time begins anew {len(falls)} time(s) after a {name}, which was added there."
            values = {"turns": len(falls), "span_s": span}
            finding = Finding(code="TIME_WRAPPED", severity="note", sentence=sentence, values=values)
            return seconds + span * turns, (finding,)
    return seconds, ()
