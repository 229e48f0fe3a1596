"""Is the result usual for such an oscillator? Stability and aging held against what each class does.

It raises questions for the owner and decides nothing: no number of a result depends on it. A class that
was stated is a weak prior besides, which helps where the record is short: it says how strong a random
walk may hide under white FM before the record can. The table is
:mod:`evenbeat.clock.oscillator_classes`.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np
from scipy import special

from evenbeat.clock.model import ClockModel
from evenbeat.clock.noise_grid import GridFit, NoiseGrid, NoisePrior
from evenbeat.clock.oscillator_classes import (
    OSCILLATOR_CLASSES,
    OscillatorClass,
    OscillatorName,
    oscillator_class_named,
)
from evenbeat.findings import Finding, caution, good, note
from evenbeat.quantities import Estimate, FloatArray
from evenbeat.units import duration_text

if TYPE_CHECKING:
    from evenbeat.deviations.curve import StabilityCurve

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

    The curve is a Hadamard deviation of the same record, which a drift does not raise. Without
    ``oscillator``, one of ``OSCILLATOR_CLASSES``, the class is taken from the stability alone.
    ``USUAL_FOR_ITS_CLASS`` (good), ``AGING_UNUSUAL``, ``AGING_UNUSUALLY_SMALL`` or ``STABILITY_UNUSUAL``
    (caution); ``None`` where the curve is empty or nothing can be told. Not valid as a verdict: classes
    overlap, the measurement adds noise of its own, and good oscillators are better than usual ones.
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
        sentence = (
            f"It was stated to be {kind.spoken}, but its lowest deviation is {floor:.1e} at "
            f"{duration_text(floor_s)}, {floor / kind.floor[1]:.2g} times more than is usual (common "
            f"practice: {kind.floor[0]:.0e} to {kind.floor[1]:.0e}): does the measurement, the supply or the "
            "room limit it?"
        )
        seen: dict[str, float | str] = {"lowest_deviation": floor, "averaging_time_s": floor_s}
        return caution("STABILITY_UNUSUAL", sentence, **{"class": kind.name}, **seen)
    rate = model.aging_rate().per_day
    low, high = rate.interval()
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
    like = (
        f"It was stated to be {kind.spoken}" if oscillator else f"Its stability is like that of {kind.spoken}"
    )
    measured = f"{like} ({floor:.1e} at {duration_text(floor_s)})"
    usual = _usual_aging(kind)
    unusual = _ages_too_much(rate, kind, measured, values)
    if unusual is not None:
        return None if any(each.code == unusual.code for each in model.findings) else unusual
    if at_most < least / FAR:
        sentence = (
            f"{measured}, but it ages less than {at_most:.1e} per day, which is less than usual (common "
            f"practice: {usual}): is it held by a reference, or compared with itself?"
        )
        return caution("AGING_UNUSUALLY_SMALL", sentence, **values)
    if at_most > FAR * most:
        return None  # the record is too short to say
    sentence = f"{measured}, and so is its aging (common practice: {usual})."
    return good("USUAL_FOR_ITS_CLASS", sentence, **values)


def most_like(times_s: np.ndarray, deviations: np.ndarray) -> OscillatorClass | None:
    """Return the best class that is usually as stable as a curve, or ``None`` where it is like none.

    Atomic standards are told from ovens by what they still gain at long averaging times; a record that does
    not reach them is compared with an oven.
    """
    lowest = int(np.argmin(deviations))
    floor, at = float(deviations[lowest]), float(times_s[lowest])
    names: tuple[OscillatorName, ...] = ("oven", "temperature_compensated", "uncompensated")
    if at >= LONG_TERM_S and deviations[0] > IMPROVES * floor:
        names = ("caesium", "rubidium", *names)
    likely = (OSCILLATOR_CLASSES[name] for name in names)
    return next((kind for kind in likely if floor <= kind.floor[1]), None)


def _ages_too_much(
    rate_per_day: Estimate, kind: OscillatorClass, like: str, values: dict[str, float | int | str]
) -> Finding | None:
    """Ask about an aging that is surely beyond the usual range."""
    low, high = rate_per_day.interval()
    most = kind.aging_per_day[1]
    if (0.0 if low <= 0 <= high else min(abs(low), abs(high))) <= FAR * most:
        return None
    sentence = (
        f"{like}, but at {abs(rate_per_day.value):.1e} per day it ages {abs(rate_per_day.value) / most:.2g} "
        f"times more than is usual (common practice: {_usual_aging(kind)}): {kind.settles}?"
    )
    return caution("AGING_UNUSUAL", sentence, **values)


def _usual_aging(kind: OscillatorClass) -> str:
    least, most = kind.aging_per_day
    return f"{least:.0e} to {most:.0e} per day" if least else f"below {most:.0e} per day"


TRUSTED = 0.9
"""Weight of the class; the rest stays with the prior for unknown clocks, in case the class is wrong."""
BEYOND_RANGE = 0.25
"""Decades added to half of a range: two thirds of a class lie within it, give or take."""
CONTRADICTED = 0.1


@dataclass(frozen=True, eq=False, kw_only=True)
class StatedPrior:
    """The prior of one fit: that for unknown clocks, or nine tenths of a class beside it."""

    grid: NoiseGrid
    noise_prior: NoisePrior
    oscillator_class: OscillatorName | None
    scale: float  # Unit of frequency of the fits
    block_s: float  # Length of a regular block in seconds

    @cached_property
    def _unknown(self) -> FloatArray:
        return self.grid.log_prior(self.noise_prior)

    def log_weight(self, fit: GridFit) -> FloatArray:
        """Return the log of the prior weight of every point, shape (nodes, random-walk ratios)."""
        if self.oscillator_class is None:
            return self._unknown
        return np.logaddexp(np.log(TRUSTED) + self._of_class(fit), np.log(1 - TRUSTED) + self._unknown)

    def support(self, fit: GridFit) -> float:
        """Return how much the record raises the class above its weight at the outset: one if not at all."""
        unknown = special.logsumexp(self._unknown + fit.log_restricted)
        stated = special.logsumexp(self._of_class(fit) + fit.log_restricted)
        return float(np.exp(min(stated - unknown, 50.0)))

    def _of_class(self, fit: GridFit) -> FloatArray:
        """Return the log weight under log-normal floors and walks.

        A ratio stands for all levels nearer to it than to its neighbours, the ends for all beyond. The
        overall level at each point is its estimate, which is good to a few percent of a decade.
        """
        usual = oscillator_class_named(self.oscillator_class or "")
        floor, floor_spread = _log_normal(usual.floor_of_most)
        after, after_spread = _log_normal(usual.walk_after_s)
        walk = floor + 0.5 * (math.log10(self.block_s) - after)
        wanders = slice(self.grid.walks, None)
        white = np.log10(fit.level * self.scale**2)
        flicker_ratios = np.array(self.grid.ratios.flicker_fm)
        place = np.searchsorted(flicker_ratios, [node.flicker_fm for node in self.grid.nodes])
        low, high = _bins(flicker_ratios)
        flicker = _mass(low[place][:, np.newaxis], high[place][:, np.newaxis], white, floor, floor_spread)
        low, high = _bins(np.array(self.grid.ratios.random_walk_fm))
        spread = math.hypot(floor_spread, 0.5 * after_spread)
        mass = flicker * _mass(low, high, white, walk, spread) / len(self.grid.ratios.white_pm)
        # no class says how drifts wander: there it keeps what it has for an unknown clock
        unknown = np.exp(self._unknown[wanders])
        mass[: self.grid.walks] *= 1 - unknown.sum()
        mass[wanders] = flicker[wanders] * unknown
        return np.log(np.maximum(mass, 1e-300))


def _log_normal(limits: tuple[float, float]) -> tuple[float, float]:
    """Return mean and standard deviation of the decimal logarithm for a usual range."""
    low, high = math.log10(limits[0]), math.log10(limits[1])
    return 0.5 * (low + high), 0.5 * (high - low) + BEYOND_RANGE


def _bins(ratios: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return the decimal logarithms of the limits between rising ratios, the first of which may be zero."""
    if len(ratios) == 1:
        return np.array([-np.inf]), np.array([np.inf])
    logs = np.log10(np.maximum(ratios, np.finfo(float).tiny))
    between = 0.5 * (logs[1:] + logs[:-1])
    if ratios[0] == 0:
        between[0] = logs[1] - (logs[2] - logs[1]) / 2 if len(ratios) > 2 else logs[1]
    return np.append(-np.inf, between), np.append(between, np.inf)


def _mass(low: FloatArray, high: FloatArray, white: FloatArray, mean: float, spread: float) -> FloatArray:
    """Return the probability of a deviation whose variance is between two multiples of white FM."""
    upper = special.ndtr((0.5 * (high + white) - mean) / spread)
    lower = special.ndtr((0.5 * (low + white) - mean) / spread)
    return np.maximum(upper - lower, 1e-30)


def class_findings(model: ClockModel, prior: StatedPrior) -> list[Finding]:
    """Say that a class was assumed, whether the record's noise fits it, and whether its aging does."""
    if prior.oscillator_class is None:
        return []
    usual = oscillator_class_named(prior.oscillator_class)
    support = prior.support(model.variants[model.components[0].variant].fit)
    values = {
        "support": support,
        "usual_floor_low": usual.floor_of_most[0],
        "usual_floor_high": usual.floor_of_most[1],
    }
    if support < CONTRADICTED:
        sentence = (
            f"The noise is not that of {usual.spoken}: this record is {1 / support:.3g} times likelier from "
            "a clock of no stated class, so that the stated class hardly counted."
        )
        found = [caution("CLASS_DOUBTFUL", sentence, **values)]
    else:
        sentence = f"Noise levels usual for {usual.spoken} were assumed as a weak prior (common practice)."
        found = [note("CLASS_ASSUMED", sentence, **values)]
    like, most = f"It was stated to be {usual.spoken}", {"usual_most_per_day": usual.aging_per_day[1]}
    unusual = _ages_too_much(model.aging_rate().per_day, usual, like, {"class": usual.name, **most})
    return found if unusual is None else [*found, unusual]
