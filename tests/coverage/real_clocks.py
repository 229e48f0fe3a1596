"""Clocks that do and do not keep to the model, drawn by a generator of their own.

Power-law noise is white noise through the exact fractional difference (1 - B)^(-d) of Hosking 1981: weights
w₀ = 1, w_k = w_(k-1) (k - 1 + d)/k, with d = 0, ½ and 1 for white, flicker and random-walk FM; a drift that
wanders is a sum of sums. Nothing of :func:`evenbeat.simulate_clock` is in it. Four samples make a reading.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from scipy import signal

import evenbeat as eb

DAY = 86400.0
UNIT = 1e-11
HORIZONS = (0.1, 0.5, 1.0)
PER_READING = 4


def power_law(generator: np.random.Generator, count: int, order: float) -> np.ndarray:
    """Return noise with S_y ~ f^(-2 order), shape (count,), of unit innovations."""
    k = np.arange(1, count)
    weights = np.concatenate([[1.0], np.cumprod((k - 1 + order) / k)])
    return signal.fftconvolve(generator.standard_normal(count), weights)[:count]


@dataclass(frozen=True, kw_only=True)
class RealClock:
    """One clock: noises by their Allan deviation at one reading over 1e-11, and what else it does.

    Attributes
    ----------
    drift
        Adds to the frequency: from the time in records and a generator, the addition and the slope at the end
        per record; NaN where no rate is defined.
    keeps
        Whether it keeps to the model.
    """

    name: str
    readings: int
    white: float = 0.0
    flicker: float = 0.0
    walk: float = 0.0
    wander: float = 0.0
    interval_s: float = DAY
    drift: Callable[[np.ndarray, np.random.Generator], tuple[np.ndarray, float]] | None = None
    missing: float = 0.0
    display: float = 0.0
    phase_step: float = 0.0
    keeps: bool = True

    def simulated(self, seed: int) -> tuple[eb.Record, np.ndarray]:
        """Return a record and the truth: rate at its end per second, then time errors after it."""
        generator = np.random.default_rng(seed)
        per, n = PER_READING, self.readings
        step = self.interval_s / per
        t = (np.arange(2 * n * per) + 0.5) / (n * per)
        y = np.zeros(len(t))
        # Allan variance of a reading: white 1/per, flicker 2 ln 2/π per unit innovation, walk per/3
        for size, order, unit in (
            (self.white, 0.0, 1 / np.sqrt(per)),
            (self.flicker, 0.5, np.sqrt(2 * np.log(2) / np.pi)),
            (self.walk, 1.0, np.sqrt(per / 3)),
        ):
            if size:
                y += size * UNIT / unit * power_law(generator, len(t), order)
        slope = 0.0
        if self.wander:  # the drift itself walks: by `wander` in a record, per record
            drift = self.wander * UNIT * np.cumsum(generator.standard_normal(len(t))) / np.sqrt(n * per)
            y += np.cumsum(drift) / (n * per)
            slope += float(drift[n * per - 1])
        if self.drift is not None:
            added, at_end = self.drift(t, generator)
            y += UNIT * added
            slope += UNIT * at_end
        readings = y[: n * per].reshape(n, per).mean(axis=1)
        if self.display:
            readings = UNIT * self.display * np.round(readings / UNIT / self.display)
        if self.missing:
            readings[generator.random(n) < self.missing] = np.nan
        if self.phase_step:
            phase = np.concatenate([[0.0], np.cumsum(readings)]) * self.interval_s
            phase[int(generator.uniform(0.3, 0.7) * n) :] += self.phase_step * UNIT * self.interval_s
            record = eb.Record.from_phase(phase, interval_s=self.interval_s)
        else:
            record = eb.Record.from_frequency(readings, interval_s=self.interval_s)
        ahead = [round(h * n * per) for h in HORIZONS]
        gained = [float(y[n * per : n * per + m].sum()) * step for m in ahead]
        return record, np.array([slope / (n * self.interval_s), *gained])


def _line(t: np.ndarray, _generator: np.random.Generator) -> tuple[np.ndarray, float]:
    return 10 * t, 10.0


def _logarithm(t: np.ndarray, _generator: np.random.Generator) -> tuple[np.ndarray, float]:
    return 20 * np.log1p(12 * t), 20 * 12 / 13


def _changed_once(t: np.ndarray, generator: np.random.Generator) -> tuple[np.ndarray, float]:
    return 6 * np.maximum(t - generator.uniform(0.3, 0.7), 0), 6.0


def _steps(t: np.ndarray, generator: np.random.Generator) -> tuple[np.ndarray, float]:
    return np.cumsum((generator.random(len(t)) < 0.005) * generator.standard_normal(len(t))), 0.0


def _yearly(t: np.ndarray, generator: np.random.Generator) -> tuple[np.ndarray, float]:
    return 2 * np.sin(2 * np.pi * (t * 400 / 365.25 + generator.random())), np.nan


PANEL = (
    RealClock(name="white FM, 60", readings=60, white=1),
    RealClock(name="white FM, 100", readings=100, white=1),
    RealClock(name="white FM, 365", readings=365, white=1),
    RealClock(name="flicker FM, 100", readings=100, flicker=1),
    RealClock(name="random-walk FM, 60", readings=60, walk=1),
    RealClock(name="random-walk FM, 100", readings=100, walk=1),
    RealClock(name="hidden random walk, 60", readings=60, white=1, walk=0.1),
    RealClock(name="hidden random walk, 100", readings=100, white=1, walk=0.1),
    RealClock(name="hidden random walk, 365", readings=365, white=1, walk=0.1),
    RealClock(name="white + 0.3 flicker, drift, 100", readings=100, white=1, flicker=0.55, drift=_line),
    RealClock(name="white + 0.1 walk, 100", readings=100, white=1, walk=0.32),
    RealClock(
        name="white + 0.1 flicker + 0.01 walk, drift, 365",
        readings=365,
        white=1,
        flicker=0.32,
        walk=0.1,
        drift=_line,
    ),
    RealClock(
        name="log aging, white + 0.3 flicker, 365", readings=365, white=1, flicker=0.55, drift=_logarithm
    ),
    RealClock(name="20 % gaps, flicker + 0.1 walk, 100", readings=100, flicker=1, walk=0.32, missing=0.2),
    RealClock(name="quantised, white + 0.1 walk, 100", readings=100, white=1, walk=0.32, display=2),
    RealClock(
        name="600 s for a week, white + 0.3 flicker", readings=1008, interval_s=600.0, white=1, flicker=0.2
    ),
    RealClock(name="600 s for a week, white + walk", readings=1008, interval_s=600.0, white=1, walk=0.03),
    RealClock(name="phase step, white FM, 200", readings=200, white=1, phase_step=30),
    RealClock(name="drift changes once, 200", readings=200, white=1, drift=_changed_once, keeps=False),
    RealClock(name="drift wanders, 200", readings=200, white=1, wander=6, keeps=False),
    RealClock(name="drift wanders strongly, 200", readings=200, white=1, wander=100, keeps=False),
    RealClock(name="small random steps, 200", readings=200, white=1, drift=_steps, keeps=False),
    RealClock(name="yearly wave, 400", readings=400, white=1, drift=_yearly, keeps=False),
    RealClock(name="hidden wandering, walk, 200", readings=200, white=1, walk=0.1, wander=6, keeps=False),
)
