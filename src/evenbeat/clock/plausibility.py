"""Is the result usual for such an oscillator? Stability and aging held against what each class does.

It raises questions for the owner and decides nothing: no number of a result depends on it. The table is
:mod:`evenbeat.clock.oscillator_classes`.
"""

from __future__ import annotations

import numpy as np

from evenbeat.clock.model import ClockModel
from evenbeat.clock.oscillator_classes import OSCILLATOR_CLASSES, OscillatorClass, oscillator_class_named
from evenbeat.deviations.curve import StabilityCurve
from evenbeat.findings import Finding
from evenbeat.units import duration_text

LONG_TERM_S = 3e3
"""Averaging time from which only atomic clocks keep improving."""
IMPROVES = 2.0
"""By how much an atomic clock must have gained there since the shortest averaging time."""
FEWEST_FREEDOM = 5.0
FAR = 3.0
"""How many times beyond the usual range a value must lie with 95 % confidence to be worth a question."""


def plausibility_finding(
    model: ClockModel, curve: StabilityCurve, *, oscillator: str | None = None
) -> Finding | None:
    """Return what is unusual of a clock's stability and aging, or that both are usual.

    Parameters
    ----------
    model
        Gives the aging rate at the end of the record with its interval.
    curve
        A Hadamard deviation of the same record, which a drift does not raise.
    oscillator
        Class of the oscillator, one of ``OSCILLATOR_CLASSES``; without it the class is taken from the
        stability alone.

    Returns
    -------
    Finding or None
        ``USUAL_FOR_ITS_CLASS`` (good), ``AGING_UNUSUAL``, ``AGING_UNUSUALLY_SMALL`` or
        ``STABILITY_UNUSUAL`` (caution); ``None`` where the curve is empty or nothing can be told.

    Raises
    ------
    InputError
        If there is no such class.

    Notes
    -----
    Not valid as a verdict: classes overlap, the measurement adds noise of its own, and good oscillators
    are better than usual ones.
    """
    stated = None if oscillator is None else oscillator_class_named(oscillator, "oscillator")
    known = (curve.deviation > 0) & (curve.edf >= FEWEST_FREEDOM)
    if not known.any():
        return None
    times, deviations = curve.averaging_time_s[known], curve.deviation[known]
    kind = stated or most_like(times, deviations)
    if kind is None:
        return None
    lowest = int(np.argmin(deviations))
    floor, floor_s = float(deviations[lowest]), float(times[lowest])
    if oscillator is not None and floor > FAR * kind.floor[1] and floor_s < curve.averaging_time_s[-1]:
        return _stability_unusual(kind, floor, floor_s)
    return _aging_finding(model, kind, floor, floor_s, stated=oscillator is not None)


def most_like(times_s: np.ndarray, deviations: np.ndarray) -> OscillatorClass | None:
    """Return the best class that is usually as stable as a curve, or ``None`` where it is like none.

    Atomic standards are told from ovens by what they still gain at long averaging times; a record that does
    not reach them is compared with an oven.
    """
    lowest = int(np.argmin(deviations))
    floor, at = float(deviations[lowest]), float(times_s[lowest])
    if at >= LONG_TERM_S and deviations[0] > IMPROVES * floor:
        for name in ("caesium", "rubidium"):
            if floor <= OSCILLATOR_CLASSES[name].floor[1]:
                return OSCILLATOR_CLASSES[name]
    for name in ("oven", "temperature_compensated", "uncompensated"):
        if floor <= OSCILLATOR_CLASSES[name].floor[1]:
            return OSCILLATOR_CLASSES[name]
    return None


def _aging_finding(
    model: ClockModel, kind: OscillatorClass, floor: float, floor_s: float, *, stated: bool
) -> Finding | None:
    rate = model.aging_rate().per_day
    low, high = rate.interval()
    surely = 0.0 if low <= 0 <= high else min(abs(low), abs(high))
    at_most = max(abs(low), abs(high))
    least, most = kind.aging_per_day
    values: dict[str, float | int | str] = {
        "class": kind.name,
        "lowest_deviation": floor,
        "averaging_time_s": floor_s,
        "aging_per_day": rate.value,
        "usual_most_per_day": most,
        "usual_least_per_day": least,
    }
    like = f"It was stated to be {kind.spoken}" if stated else f"Its stability is like that of {kind.spoken}"
    measured = f"{like} ({floor:.1e} at {duration_text(floor_s)})"
    usual = f"{least:.0e} to {most:.0e} per day" if least else f"below {most:.0e} per day"
    if surely > FAR * most:
        sentence = (
            f"{measured}, but at {abs(rate.value):.1e} per day it ages {abs(rate.value) / most:.2g} times "
            f"more than is usual (common practice: {usual}): {kind.settles}?"
        )
        return Finding(code="AGING_UNUSUAL", severity="caution", sentence=sentence, values=values)
    if at_most < least / FAR:
        sentence = (
            f"{measured}, but it ages less than {at_most:.1e} per day, which is less than usual (common "
            f"practice: {usual}): is it held by a reference, or compared with itself?"
        )
        return Finding(code="AGING_UNUSUALLY_SMALL", severity="caution", sentence=sentence, values=values)
    if at_most > FAR * most:
        return None  # the record is too short to say
    sentence = f"{measured}, and so is its aging (common practice: {usual})."
    return Finding(code="USUAL_FOR_ITS_CLASS", severity="good", sentence=sentence, values=values)


def _stability_unusual(kind: OscillatorClass, floor: float, floor_s: float) -> Finding:
    sentence = (
        f"It was stated to be {kind.spoken}, but its lowest deviation is {floor:.1e} at "
        f"{duration_text(floor_s)}, {floor / kind.floor[1]:.2g} times more than is usual (common practice: "
        f"{kind.floor[0]:.0e} to {kind.floor[1]:.0e}): does the measurement, the supply or the room limit it?"
    )
    values: dict[str, float | int | str] = {
        "class": kind.name,
        "lowest_deviation": floor,
        "averaging_time_s": floor_s,
    }
    return Finding(code="STABILITY_UNUSUAL", severity="caution", sentence=sentence, values=values)
