"""The trend of a clock: aging, environment and steps as columns of a regression, besides the constant."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from evenbeat.clock.aging import AgingLaw, Curvature
from evenbeat.clock.blocks import Blocks
from evenbeat.clock.covariance import Spans
from evenbeat.errors import InputError
from evenbeat.quantities import FloatArray
from evenbeat.record import Record
from evenbeat.units import SECONDS_PER_DAY

SAMPLES_PER_DAY = 48


@dataclass(frozen=True, kw_only=True)
class Influence:
    """One environmental covariate as the model uses it: ``(value - mean) / spread``.

    Attributes
    ----------
    mean, spread
        Of the block averages, in the covariate's unit.
    diurnal_amplitude
        Amplitude of the covariate at a period of one day, in its unit; NaN for records under two days.
    weather
        Standard deviation of what is left of it beside the mean and the daily swing.
    """

    name: str
    mean: float
    spread: float
    diurnal_amplitude: float
    weather: float

    @property
    def usual_amplitude(self) -> float:
        """Daily amplitude; zero where it is not known and all variation counts as weather."""
        return 0.0 if math.isnan(self.diurnal_amplitude) else self.diurnal_amplitude


def influences_of(record: Record, blocks: Blocks) -> tuple[Influence, ...]:
    """Return the covariates of the blocks, scaled.

    Raises
    ------
    InputError
        If a covariate never changes: its influence cannot be seen.
    """
    return tuple(_influence(record, name, column) for name, column in blocks.covariates.items())


def _influence(record: Record, name: str, column: FloatArray) -> Influence:
    spread = float(np.std(column))
    if not spread > 1e-9 * (1 + abs(float(np.mean(column)))):
        msg = f"{name} is {column[0]:g} throughout and shows no influence; leave it out of environment"
        raise InputError(msg)
    amplitude, weather = _swing_and_weather(record, record.covariates[name])
    return Influence(
        name=name,
        mean=float(np.mean(column)),
        spread=spread,
        diurnal_amplitude=amplitude,
        weather=weather,
    )


def _swing_and_weather(record: Record, column: FloatArray) -> tuple[float, float]:
    """Return the amplitude at a period of one day, and the standard deviation of the rest.

    A slow change over the record belongs to the rest: nobody knows whether it goes on.
    """
    stride = max(1, int(SECONDS_PER_DAY / SAMPLES_PER_DAY / record.interval_s))
    sampled = np.asarray(column[::stride], dtype=float)
    present = ~np.isnan(sampled)
    if record.duration_s < 2 * SECONDS_PER_DAY:
        return math.nan, float(np.nanstd(sampled))
    days = record.elapsed_s[::stride][present] / SECONDS_PER_DAY
    wave = np.column_stack([np.sin(2 * np.pi * days), np.cos(2 * np.pi * days)])
    slow = np.column_stack([np.ones_like(days), days / days[-1]])
    solution, *_ = np.linalg.lstsq(np.hstack([wave, slow]), sampled[present], rcond=None)
    rest = sampled[present] - wave @ solution[:2]
    return float(np.hypot(*solution[:2])), float(np.std(rest))


@dataclass(frozen=True, eq=False, kw_only=True)
class Trend:
    """Columns of the trend for any spans: aging (as many as the law has), then influences, then steps.

    Times are in units of the record length.
    """

    influences: tuple[Influence, ...]
    step_times: tuple[float, ...]

    def columns(self, law: AgingLaw, curvature: Curvature, spans: Spans, scaled: FloatArray) -> FloatArray:
        """Return the columns, shape (n, p), given the scaled influences over the spans, shape (n, k)."""
        after = [
            np.clip((spans.stop - time) / spans.length, 0.0, 1.0)[:, np.newaxis] for time in self.step_times
        ]
        return np.hstack([law.mean_over(spans.start, spans.stop, curvature), scaled, *after])

    def scaled_influences(self, blocks: Blocks) -> FloatArray:
        """Return ``(value - mean) / spread`` of every influence over the blocks, shape (n, k)."""
        columns = [(blocks.covariates[i.name] - i.mean) / i.spread for i in self.influences]
        return np.array(columns).reshape(len(columns), len(blocks)).T
