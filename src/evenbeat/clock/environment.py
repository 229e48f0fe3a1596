"""What acts on a clock from outside: which covariates, with what lag they act, and how they may go on.

An oscillator feels the temperature of its crystal, not that of the sensor: what it feels follows the
sensor with a first-order lag, dz/dt = (T - z) / lag, and its frequency follows what it feels, by a
polynomial up to the third order (AT-cut crystals are cubic).
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
import numpy.typing as npt

from evenbeat.errors import InputError
from evenbeat.quantities import FloatArray
from evenbeat.record import Record
from evenbeat.units import SECONDS_PER_DAY

HIGHEST_ORDER = 3
STEPS_PER_LAG = 64
FEWEST_STEPS_AHEAD = 512
MOST_STEPS_AHEAD = 50_000


@dataclass(frozen=True)
class Influence:
    """One covariate that acts on the clock, and how.

    Parameters
    ----------
    name
        Of the record's covariate, such as ``'room_temperature_c'``.
    order
        1, 2 or 3: frequency follows a polynomial of this order in what the oscillator feels.
    lag_s
        Time constant in seconds by which the clock follows the covariate, zero for at once, or
        ``'fit'``: estimated from the record, its uncertainty included in every answer.

    Raises
    ------
    InputError
        If the order or the lag is not one of these.
    """

    name: str
    order: int = 1
    lag_s: float | Literal["fit"] = "fit"

    def __post_init__(self) -> None:
        if self.order not in range(1, HIGHEST_ORDER + 1):
            msg = f"order of {self.name} is {self.order!r}; it must be 1, 2 or 3"
            raise InputError(msg)
        stated = not isinstance(self.lag_s, str)
        if not (self.lag_s == "fit" or (stated and math.isfinite(self.lag_s) and self.lag_s >= 0)):
            msg = (
                f"lag_s of {self.name} is {self.lag_s!r}; it must be 'fit' or a time in seconds, not negative"
            )
            raise InputError(msg)


def chosen_influences(
    record: Record, environment: str | Influence | Sequence[str | Influence]
) -> tuple[Influence, ...]:
    """Return what ``environment`` names, one or several; a plain name is a line with a lag to be found."""
    named = (environment,) if isinstance(environment, str | Influence) else environment
    chosen = tuple(Influence(each) if isinstance(each, str) else each for each in named)
    names = [each.name for each in chosen]
    for name in names:
        if name not in record.covariates:
            known = ", ".join(record.covariates) or "none"
            msg = f"the record has no covariate {name!r}; it has: {known}"
            raise InputError(msg)
        if names.count(name) > 1:
            msg = f"{name} is named {names.count(name)} times in environment; once is enough"
            raise InputError(msg)
    return chosen


def without_holes(column: FloatArray) -> FloatArray:
    """Return a covariate with missing samples on the straight line between their neighbours."""
    missing = np.isnan(column)
    filled = np.array(column, dtype=float)
    if missing.any():
        index = np.flatnonzero(~missing)
        filled[missing] = np.interp(np.flatnonzero(missing), index, column[index])
    return filled


def recursion(gains: FloatArray, keep: float) -> FloatArray:
    """Return y_n = keep y_(n-1) + gains_n from zero, on the last axis: pieces by a matrix, their ends alike.

    A million take 30 ms longer than by ``scipy.signal.lfilter``, whose import takes ten times as long.
    """
    length, size = gains.shape[-1], 64
    pieces = np.zeros((*gains.shape[:-1], -(-length // size), size))
    pieces.reshape(*gains.shape[:-1], -1)[..., :length] = gains
    place = np.arange(size)
    apart = place - place[:, np.newaxis]
    found = pieces @ np.where(apart < 0, 0.0, keep ** np.maximum(apart, 0))
    if found.shape[-2] > 1:
        ends = recursion(found[..., -1], keep**size)
        found[..., 1:, :] += ends[..., :-1, np.newaxis] * keep ** (place + 1)
    return np.asarray(found.reshape(*gains.shape[:-1], -1)[..., :length])


def lagged(column: FloatArray, lag_in_samples: float, *, initial: float | None = None) -> FloatArray:
    """Return a covariate without holes behind a first-order lag, shape (n,).

    Parameters
    ----------
    lag_in_samples
        Time constant over the sampling interval. A negative one returns the mirror image, which leads
        by as much: no oscillator does, but an estimate near zero needs both sides to be unbiased.
    initial
        Its value one sample before; the first value by default: equilibrium at the start.

    Notes
    -----
    Not valid within a few lags of a long hole or of the start if the covariate was changing there.
    """
    if lag_in_samples == 0:
        return column
    keep = math.exp(-1 / abs(lag_in_samples))
    start = column[0] if initial is None else initial
    behind = recursion((1 - keep) * (column - start), keep) + start
    return 2 * column - behind if lag_in_samples < 0 else behind


@dataclass(frozen=True, kw_only=True)
class Course:
    """How a covariate goes on after the record: steady, a daily wave, a step, or given values.

    Attributes
    ----------
    value_after
        Seconds after the end of the record, shape (m,), to values of the covariate.
    words
        For the report.
    residual
        Whether the covariate may stray from this course as it did in the record (an assumption about
        the future), or not (values that were measured).
    """

    value_after: Callable[[FloatArray], FloatArray]
    words: str
    residual: bool = True

    @classmethod
    def steady(cls, value: float) -> Course:
        """Return a covariate that stays at ``value``."""
        return cls(value_after=lambda after: np.full(len(after), float(value)), words=f"steady at {value:g}")

    @classmethod
    def daily(cls, mean: float, amplitude: float, *, highest_after_s: float = 0.0) -> Course:
        """Return a wave with a period of one day, highest ``highest_after_s`` after the record's end."""
        turn = 2 * math.pi / SECONDS_PER_DAY
        return cls(
            value_after=lambda after: mean + amplitude * np.cos(turn * (after - highest_after_s)),
            words=f"daily wave of amplitude {amplitude:g} around {mean:g}",
        )

    @classmethod
    def step(cls, before: float, later: float, *, after_s: float) -> Course:
        """Return a change from one value to another ``after_s`` after the record's end."""
        return cls(
            value_after=lambda after: np.where(after < after_s, float(before), float(later)),
            words=f"step from {before:g} to {later:g}",
        )

    @classmethod
    def given(cls, after_s: npt.ArrayLike, values: npt.ArrayLike, *, residual: bool = False) -> Course:
        """Return values at times after the record's end, straight lines between, the last one kept.

        Raises
        ------
        InputError
            If the times do not increase or do not match the values.
        """
        times, known = np.asarray(after_s, dtype=float), np.asarray(values, dtype=float)
        usable = times.ndim == 1 and times.shape == known.shape and len(times) > 0
        if not (usable and np.all(np.diff(times) > 0) and np.isfinite(known).all()):
            msg = "a course needs as many finite values as times after the record, and times that increase"
            raise InputError(msg)
        return cls(
            value_after=lambda after: np.interp(after, times, known), words="as given", residual=residual
        )


def lagged_powers_ahead(
    course: Course,
    *,
    lag_s: float,
    lagged_at_end: float,
    powers: Callable[[FloatArray], FloatArray],
    start_s: FloatArray,
    stop_s: FloatArray,
) -> FloatArray:
    """Return the means of powers of the lagged covariate, over spans after the record, shape (m, order).

    It relaxes from its last lagged value towards the course; ``powers`` makes shape (k, order) of shape (k,).
    """
    reach = float(np.max(stop_s))
    finest = min(
        lag_s / STEPS_PER_LAG if lag_s > 0 else reach, reach / FEWEST_STEPS_AHEAD, SECONDS_PER_DAY / 96
    )
    count = min(MOST_STEPS_AHEAD, math.ceil(reach / finest))
    step = reach / count
    outside = course.value_after((np.arange(count) + 0.5) * step)
    inside = lagged(outside, lag_s / step, initial=lagged_at_end)
    columns = powers(inside)
    if lag_s > 0:  # the value at the end of every step; without a lag the middle is right as it is
        columns = 0.5 * (columns + np.vstack([powers(np.array([lagged_at_end])), columns[:-1]]))
    total = np.vstack([np.zeros((1, columns.shape[1])), np.cumsum(columns, axis=0)]) * step
    edges = np.arange(count + 1) * step
    width = np.maximum(stop_s - start_s, step)
    begin = np.clip(stop_s - width, 0.0, reach - step)
    end = np.minimum(begin + width, reach)
    means = [
        (np.interp(end, edges, each) - np.interp(begin, edges, each)) / (end - begin) for each in total.T
    ]
    return np.array(means).T
