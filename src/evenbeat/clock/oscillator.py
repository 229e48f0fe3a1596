"""A class of oscillators as a weak prior on the noise of a clock, and a check of its aging.

A prior of this kind (:mod:`evenbeat.clock.oscillator_classes`) helps where the record is short: it says how
strong a random walk may hide under white FM before the record can.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from scipy import special

from evenbeat.clock.likelihood import GridFit
from evenbeat.clock.model import ClockModel
from evenbeat.clock.noise_grid import NoiseGrid
from evenbeat.clock.noise_ratios import NoisePrior
from evenbeat.clock.oscillator_classes import OscillatorClass, OscillatorName, oscillator_class_named
from evenbeat.findings import Finding
from evenbeat.quantities import FloatArray
from evenbeat.units import SECONDS_PER_DAY

TRUSTED = 0.9
"""Weight of the class; the rest stays with the prior for unknown clocks, in case the class is wrong."""
BEYOND_RANGE = 0.25
"""Decades added to half of a range: two thirds of a class lie within it, give or take."""
CONTRADICTED = 0.1
UNUSUAL_FACTOR = 10.0


@dataclass(frozen=True, eq=False, kw_only=True)
class StatedPrior:
    """The prior of one fit: that for unknown clocks, or nine tenths of a class beside it.

    Attributes
    ----------
    scale
        Unit of frequency of the fits.
    block_s
        Length of a regular block in seconds.
    """

    grid: NoiseGrid
    noise_prior: NoisePrior
    oscillator_class: OscillatorName | None
    scale: float
    block_s: float

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
        found = [Finding(code="CLASS_DOUBTFUL", severity="caution", sentence=sentence, values=values)]
    else:
        sentence = f"Noise levels usual for {usual.spoken} were assumed as a weak prior (common practice)."
        found = [Finding(code="CLASS_ASSUMED", severity="note", sentence=sentence, values=values)]
    return found + _aging_findings(model, usual)


def _aging_findings(model: ClockModel, usual: OscillatorClass) -> list[Finding]:
    low, high = (abs(float(limit)) * SECONDS_PER_DAY for limit in model.aging_rate().interval())
    rate = model.aging_rate()
    both_signs = float(rate.interval()[0]) * float(rate.interval()[1]) < 0
    least, most = (0.0 if both_signs else min(low, high)), usual.aging_per_day[1]
    if not least > UNUSUAL_FACTOR * most:
        return []
    factor = abs(rate.value) * SECONDS_PER_DAY / most
    sentence = (
        f"The aging is {factor:.0f} times what is usual for {usual.spoken} at most "
        f"({most:g} per day, common practice): is it still warming up, or something else?"
    )
    values = {"factor": factor, "usual_per_day": most}
    return [Finding(code="AGING_UNUSUAL", severity="caution", sentence=sentence, values=values)]
