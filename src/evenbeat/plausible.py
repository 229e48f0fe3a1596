"""What no clock does: offsets, smallness, spans and years that rather tell of a wrong unit.

Such a record is kept, since somebody may mean it, but it carries a caution, and a verdict on it begins with
that caution. The limits are common practice: generous, and met by every oscillator from a ceramic one to an
optical clock.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from typing import Literal

import numpy as np

from evenbeat.findings import Finding, caution, stop
from evenbeat.intake import extremes_and_mean
from evenbeat.quantities import FloatArray
from evenbeat.units import SECONDS_PER_YEAR, duration_text, frequency_text

ASSUMED_NOMINAL = "ASSUMED_NOMINAL"
"""Code of the finding that the nominal frequency was assumed: no tolerance is judged on it."""
LARGEST_OFFSET = 0.1
"""Offset beyond which a log is refused, unless its unit was stated by the caller."""
YEARS = (1990, 2060)
"""Years in which logs begin and end; others are of clocks that were not set, or of another unit."""
LONGEST_S = 100 * SECONDS_PER_YEAR
FAR_TOLERANCE = 1000.0
UNUSUAL_OFFSET = 1e-3
"""Offset that no oscillator has: a caution about a record, refused in a table, where units are stated."""
_SMALLEST = {"frequency": 1e-20, "phase": 1e-18}
_JUDGED = 2000  # samples whose size is looked at
_ROUNDED = 1e-15
_DOUBTS = "IMPLAUSIBLE_"
_FIRST = {"IMPLAUSIBLE_YEAR": "dates", "IMPLAUSIBLE_TOLERANCE": "tolerance"}


def implausible(
    kind: Literal["phase", "frequency"], values: FloatArray, interval_s: float, start: np.datetime64 | None
) -> tuple[Finding, ...]:
    """Return a caution for everything about a record that no clock does."""
    size, change = _sizes(kind, values, interval_s)
    findings = []
    if size > UNUSUAL_OFFSET:
        remedy = {
            "phase": "give seconds (multiply nanoseconds by 1e-9)",
            "frequency": "give (f - nominal) / nominal",
        }[kind]
        sentence = (
            f"The samples mean that the clock is off by {size:.3g} of its frequency (median), as no "
            f"oscillator is; {remedy}."
        )
        findings.append(_caution("SIZE", sentence, fractional_frequency=size))
    if 0 < change < _SMALLEST[kind]:
        what = "time error" if kind == "phase" else "fractional frequency"
        sentence = (
            f"From one reading to the next the {what} changes by {change:.2g}{' s' * (kind == 'phase')} "
            "(median), which no clock is steady enough for and no counter resolves: is the unit right?"
        )
        findings.append(_caution("SMALLNESS", sentence, change=change))
    span_s = (len(values) - 1) * interval_s
    if span_s > LONGEST_S:
        sentence = (
            f"The readings lie {duration_text(interval_s)} apart and span {duration_text(span_s)}: is the "
            "unit of time right?"
        )
        findings.append(_caution("SPAN", sentence, span_s=span_s))
    elif start is not None:
        ends = start, start + np.timedelta64(round(span_s * 1e9), "ns")
        first, last = (1970 + int(end.astype("datetime64[Y]").astype(int)) for end in ends)
        if first < YEARS[0] or last > YEARS[1]:
            sentence = (
                f"The log begins in {first} and ends in {last}, as where the clock that dates it was not "
                "set; dates that follow from it are no better."
            )
            findings.append(_caution("YEAR", sentence, first_year=first, last_year=last))
    return tuple(findings)


def far_offset(kind: Literal["phase", "frequency"], values: FloatArray, interval_s: float) -> float | None:
    """Return the median fractional frequency where it is so large that the unit must be wrong."""
    size, _ = _sizes(kind, values, interval_s)
    return size if size > LARGEST_OFFSET else None


def implausible_tolerance(
    widest: float, kind: Literal["phase", "frequency"], values: FloatArray, interval_s: float
) -> Finding | None:
    """Return a caution where a tolerance is a thousand times everything in a record.

    Parameters
    ----------
    widest
        The limit that lies farther from nominal.
    values
        The usable samples.
    """
    low, _, high = extremes_and_mean(values if kind == "frequency" else np.diff(values) / interval_s)
    largest = max(high, -low)
    if not 0 < FAR_TOLERANCE * largest < widest:
        return None
    sentence = (
        f"The tolerance of {widest:.3g} is {widest / largest:.2g} times the largest offset in the whole log, "
        f"{largest:.2g}: is it in the unit that was meant?"
    )
    return _caution("TOLERANCE", sentence, tolerance=widest, largest_offset=largest)


def doubt(findings: Iterable[Finding]) -> str:
    """Return the words with which a verdict on implausible input begins, nothing where there is no doubt."""
    for finding in findings:
        if finding.code.startswith(_DOUBTS):
            sentence = finding.sentence[0].lower() + finding.sentence[1:]
            return f"Check the {_FIRST.get(finding.code, 'unit')} first: {sentence}"
    return ""


def stated_nominal(findings: Iterable[Finding], nominal_frequency_hz: float | None) -> float | None:
    """Return the nominal frequency of a record where it was not assumed."""
    return None if any(finding.code == ASSUMED_NOMINAL for finding in findings) else nominal_frequency_hz


def assumed_nominal(
    findings: Iterable[Finding], nominal_frequency_hz: float | None, what: str = "tolerance is judged"
) -> Finding | None:
    """Return why nothing is judged or ordered where the nominal frequency of a log was assumed."""
    if not any(finding.code == ASSUMED_NOMINAL for finding in findings):
        return None
    nominal = frequency_text(nominal_frequency_hz or math.nan)
    sentence = (
        f"The log states no nominal frequency and {nominal} was assumed, so no {what} on it; "
        f"state it with --nominal-frequency '{nominal}' (nominal_frequency_hz)."
    )
    return stop("NOMINAL_NOT_STATED", sentence, nominal_frequency_hz=nominal_frequency_hz or math.nan)


def _caution(about: str, sentence: str, **values: float) -> Finding:
    return caution(f"{_DOUBTS}{about}", sentence, **values)


def _sizes(kind: Literal["phase", "frequency"], values: FloatArray, interval_s: float) -> tuple[float, float]:
    """Return the median size of the fractional frequency, and of the changes that are none of its trend.

    The median is judged, so that outliers are left to conditioning; some two thousand samples tell it.
    """
    if len(values) < 2:
        return 0.0, 0.0
    places = np.arange(0, max(1, len(values) - 2), max(1, len(values) // _JUDGED))
    here, there = (np.asarray(values[places + k], dtype=float) for k in (0, 1))
    changes = there - here
    sizes = np.abs(here)
    if kind == "phase":
        sizes = np.abs(changes) / interval_s
        if len(values) > 2:
            changes = np.asarray(values[places + 2], dtype=float) - there - changes  # second differences
    changes = np.abs(changes)
    changes[changes < _ROUNDED * (np.abs(here) + np.abs(there))] = 0.0  # of a line: rounding, no clock
    size, change = (
        float(np.median(known)) if len(known := some[~np.isnan(some)]) else 0.0 for some in (sizes, changes)
    )
    return size, change
