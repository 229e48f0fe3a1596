"""What predicts a clock: the protocol that holdover, interval and setpoint ask, and how long limits hold.

A clock model, a model of calibrations and a stated drift all give the distribution of the offset and of the
time error at any time, and possible paths of both. From the distributions follows when the probability of
being within limits falls below what is asked, from the paths the probability of never having left them.
"""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, Literal, Protocol

import numpy as np
import numpy.typing as npt
import scipy

from evenbeat.errors import InputError
from evenbeat.findings import Finding, caution
from evenbeat.plain import UNLISTED, listed_as
from evenbeat.quantities import DEFAULT_CONFIDENCE, Estimate, FloatArray, StudentMixture
from evenbeat.result import Column, Result
from evenbeat.units import counted, duration_text, time_text

if TYPE_CHECKING:
    import pandas as pd

    from evenbeat.clock.environment import Course


ForecastQuantity = Literal["frequency", "frequency_change", "time_error"]
_TITLES = {
    "frequency": "fractional frequency",
    "frequency_change": "change of fractional frequency",
    "time_error": "time error gained [s]",
}


@dataclass(frozen=True, eq=False, kw_only=True)
class VarianceTerms:
    """The variance of a time-error forecast by what causes it; the terms add up to the whole."""

    by_term: Mapping[str, FloatArray]  # Term to variance [s²] of shape (m,)

    @property
    def total(self) -> FloatArray:
        """Sum of the terms, shape (m,)."""
        return np.sum(list(self.by_term.values()), axis=0)


@dataclass(frozen=True, eq=False, kw_only=True, repr=False)
class Forecast(Result):
    """What a clock is expected to show at some times.

    Attributes
    ----------
    quantity
        ``frequency``, ``frequency_change`` (since the end of the record) or ``time_error`` (seconds
        gained since the end of the record, positive when the clock is ahead).
    times_s
        Shape (m,): seconds since the start of the record.
    horizon_s
        Shape (m,): seconds since the end of the record; negative within it.
    distribution
        Of every value, shape (m, k).
    laws
        Aging law to the mean under it, shape (m,), for every law that the data do not reject, the most
        likely first.
    terms
        Of a time error: its variance by cause.
    """

    quantity: ForecastQuantity
    times_s: FloatArray
    horizon_s: FloatArray
    distribution: StudentMixture = field(metadata=UNLISTED)
    laws: Mapping[str, FloatArray] = field(default_factory=dict, metadata=listed_as("mean_by_law"))
    terms: VarianceTerms = field(default=VarianceTerms(by_term={}), metadata=UNLISTED)

    def __len__(self) -> int:
        return len(self.times_s)

    @property
    def mean(self) -> FloatArray:
        """Expected value, shape (m,)."""
        return self.distribution.mean

    @property
    def standard_uncertainty(self) -> FloatArray:
        """Standard deviation, shape (m,)."""
        return self.distribution.standard_deviation

    def interval(self, confidence: float = DEFAULT_CONFIDENCE) -> tuple[FloatArray, FloatArray]:
        """Return the limits of the band, each of shape (m,)."""
        return self.distribution.interval(confidence)

    def envelope(self) -> tuple[FloatArray, FloatArray]:
        """Return the lowest and the highest mean of all laws that the data do not reject, shape (m,)."""
        means = np.array([*self.laws.values()] or [self.mean])
        return means.min(axis=0), means.max(axis=0)

    def probability_within(self, limit: float) -> FloatArray:
        """Return P(|value| <= limit), shape (m,)."""
        return self.distribution.probability_within(limit)

    def to_frame(self, confidence: float = DEFAULT_CONFIDENCE) -> pd.DataFrame:
        """Return one row per time: horizon, mean, standard uncertainty, band, and envelope of the laws."""
        import pandas as pd

        return pd.DataFrame({column.name: column.cells for column in self._columns(confidence)})

    def _columns(self, confidence: float = DEFAULT_CONFIDENCE) -> tuple[Column, ...]:
        low, high = self.interval(confidence)
        lowest, highest = self.envelope()
        return (
            Column("time_s", self.times_s),
            Column("horizon_s", self.horizon_s, "after", duration_text),
            Column("mean", self.mean, "mean", ".3e"),
            Column("standard_uncertainty", self.standard_uncertainty, "std. unc.", ".3e"),
            Column("low", low, "low 95 %", ".3e"),
            Column("high", high, "high 95 %", ".3e"),
            Column("lowest_law", lowest),
            Column("highest_law", highest),
        )

    def _headline(self) -> str:
        return f"Forecast of the {_TITLES[self.quantity]} at {counted(len(self), 'time')}"


def extrapolation_findings(forecast: Forecast, record_s: float) -> tuple[Finding, ...]:
    """Return a caution where a forecast reaches further ahead than the record is long.

    Common practice: the laws that fit one record alike differ by a factor of three one to ten record
    lengths later, so what they say there is quoted beside the band.
    """
    reach = float(forecast.horizon_s.max())
    if reach <= record_s * (1 + 1e-9):
        return ()
    sentence = (
        f"The forecast reaches {duration_text(reach)} ahead, further than the record is long "
        f"({duration_text(record_s)}): beyond that it rests on the aging law alone"
    )
    values: dict[str, float | int | str] = {"horizon_s": reach, "record_s": record_s}
    if len(forecast.laws) > 1:
        last = int(np.argmax(forecast.horizon_s))
        low, high = (float(limit[last]) for limit in forecast.envelope())
        lowest, highest = (
            time_text(law) if forecast.quantity == "time_error" else f"{law:.3g}" for law in (low, high)
        )
        if lowest != highest:
            sentence += (
                f", and the {len(forecast.laws)} laws that the data do not reject lead to anything from "
                f"{lowest} to {highest}"
            )
        values |= {"lowest_law": low, "highest_law": high}
    return (caution("EXTRAPOLATION", f"{sentence}.", **values),)


Quantity = Literal["offset", "time_error"]
PATHS, FEWEST_PATHS = 4000, 100
MOMENTS = 96
CERTAIN = 1e-9
"""Share of the largest deviation below which a quantity counts as certain."""
FAR = 700.0
"""Exponent beyond which the chance of touching a limit is zero."""


@dataclass(frozen=True, eq=False, kw_only=True)
class Paths:
    """Normal paths at m times, n of them drawn with one set of noise levels."""

    mean: FloatArray  # Shape (n, m)
    covariance: FloatArray  # Shape (m, m); ``growth`` of shape (n,) multiplies it for each path
    growth: FloatArray
    diffusion: FloatArray  # Shape (n,): growth of the variance per second between two neighbouring times

    def drawn(self, generator: np.random.Generator) -> FloatArray:
        """Return one path for each row of the mean, shape (n, m)."""
        normal = generator.standard_normal(self.mean.shape) @ root_of(self.covariance).T
        return np.asarray(self.mean + np.sqrt(self.growth)[:, np.newaxis] * normal)


@dataclass(frozen=True, eq=False, kw_only=True)
class Grounds:
    """What a forecast rests on."""

    kind: Literal["log", "calibrations", "statement"]  # A log, calibrations, or what was stated
    reach_s: float  # How far ahead it can vouch for what it says; infinite for a statement
    first_s: float  # How soon a change is looked for: the length of an average, or an hour
    drift_rate: Estimate | None  # Per second; ``None`` where no drift is told apart
    # What an offset is the mean over where nothing is asked; ``None`` where averages have no noise
    averaging_time_s: float | None = None
    reference_stated: bool = True  # Whether what is known of the reference is part of the forecast already
    seasons_seen: bool = True  # Whether a yearly course would have been seen
    # The clock model of a log, ``None`` of all else: it was tested on its past, and from its noise an
    # experiment can be planned
    log: Any = None
    # as_left, start, last_interval: of calibrations: what the last one left, on which date, and what the
    # last two found
    as_left: Estimate | None = None
    start: dt.date | None = None
    last_interval: LastInterval | None = None

    def beyond(self, elapsed_s: float) -> tuple[Finding, ...]:
        """Return a caution where so long a time is longer than what it rests on can vouch for."""
        if elapsed_s <= self.reach_s:
            return ()
        long = duration_text(self.reach_s)
        known = {
            "log": f"The record is {long} long and can vouch for about as long again",
            "calibrations": f"Twice the longest interval that was observed is {long}",
        }[self.kind]
        sentence = f"{known}; for longer times the aging law is carried on, untested."
        return (caution("BEYOND_EVIDENCE", sentence, interval_s=elapsed_s, evidence_s=self.reach_s),)


@dataclass(frozen=True, eq=False, kw_only=True)
class LastInterval:
    """The interval between the last two calibrations: both ends, and what predicts from its beginning.

    ``source`` has learnt from the later end, and is to be asked with ``as_left``. Values are NaN where a
    calibration did not record them.
    """

    as_left: Estimate
    as_found: Estimate
    elapsed_s: float
    start: dt.date | None
    source: Forecaster


class Forecaster(Protocol):
    """Anything that predicts a clock.

    Times are seconds since the forecast begins, ``as_left`` is what the clock is left at then. Only a
    clock model knows the noise of averages and can follow the environment: the others refuse an
    ``averaging_time_s`` and an ``environment``.
    """

    def offset(
        self,
        times: npt.ArrayLike,
        averaging_time_s: float | None = None,
        *,
        as_left: Estimate | None = None,
        environment: Mapping[str, Course] | None = None,
    ) -> StudentMixture:
        """Return the distribution of the fractional offset at each time, shape (m,)."""

    def time_error(
        self, times: npt.ArrayLike, *, environment: Mapping[str, Course] | None = None
    ) -> Forecast:
        """Return the time error in seconds gained by each time, shape (m,)."""

    def paths(
        self,
        times: FloatArray,
        n: int,
        rng: np.random.Generator,
        *,
        of: Quantity = "offset",
        averaging_time_s: float | None = None,
        as_left: Estimate | None = None,
        environment: Mapping[str, Course] | None = None,
    ) -> Iterator[Paths]:
        """Yield ``n`` paths in all, in groups that share their noise levels."""

    @property
    def grounds(self) -> Grounds:
        """What it rests on, and how far that reaches."""


def checked_forecaster(source: Forecaster) -> Forecaster:
    """Return what predicts a clock, or say what would."""
    if hasattr(source, "grounds"):
        return source
    msg = (
        f"the source is a {type(source).__name__}; a clock model (fit_clock), a model of calibrations "
        "(fit_history) or a StatedDrift is needed"
    )
    raise InputError(msg)


def knows_neither(averaging_time_s: float | None, environment: Mapping[str, Course] | None) -> None:
    """Refuse, for a forecaster without a log, an averaging time and an environment."""
    if averaging_time_s is not None:
        msg = "averaging_time_s is given, but only a clock model knows the noise of averages"
        raise InputError(msg)
    if environment:
        msg = "environment is given, but only a clock model fitted with covariates can follow one"
        raise InputError(msg)


def first_exit(
    times: FloatArray,
    probability: FloatArray,
    asked: float,
    *,
    between: Callable[[FloatArray], FloatArray] | None = None,
) -> float:
    """Return the time at which a probability, shape (n,), first falls below ``asked``.

    It is looked for at the times, which increase; an excursion between two of them goes unseen. ``between``
    gives the probability at other times, straight lines by default. NaN if it does not hold at the first
    time, ``inf`` if at all of them.
    """
    below = np.flatnonzero(probability < asked)
    if len(below) == 0:
        return math.inf
    k = int(below[0])
    if k == 0:
        return math.nan
    known = {float(times[i]): float(probability[i]) - asked for i in (k - 1, k)}
    low, high = known
    if between is None:
        return low + known[low] / (known[low] - known[high]) * (high - low)

    def excess(time: float) -> float:
        return known[time] if time in known else float(between(np.array([time]))[0]) - asked

    return float(scipy.optimize.brentq(excess, low, high, xtol=1e-9 * high, rtol=1e-12))


def moments(first: float, last: float) -> FloatArray:
    """Return times for a simulation: close together at the start, and evenly spaced later on."""
    return np.unique(
        np.concatenate([np.geomspace(first, last, MOMENTS // 3), np.linspace(0, last, MOMENTS)[1:]])
    )


def never_left(
    groups: Iterable[Paths],
    times: FloatArray,
    limits: tuple[float, float],
    within: FloatArray,
    rng: np.random.Generator,
    *,
    begun: Estimate | None = None,
    corrected_by: FloatArray | float = 0.0,
) -> tuple[FloatArray, FloatArray]:
    """Return the probability of never having left limits until each time, and its standard error, shape (m,).

    ``within`` is the exact probability of being within at each time; ``begun`` is added to every path of the
    groups as one unknown each, ``corrected_by`` taken from it. Between two moments a path makes a Brownian
    bridge: :func:`staying`. The share that stayed is taken as a share of the exact P(within), a ratio
    estimate (Cochran 1977, 6.2): most of the chance of the simulation is common to both. The chance of never
    having left cannot grow, so what a moment owes to chance alone is held down.
    """
    start = Estimate.normal(0.0, 0.0) if begun is None else begun
    stayed_by_group, inside_by_group = [], []
    for group in groups:
        path = group.drawn(rng)
        path = path + start.value + start.standard_uncertainty * rng.standard_normal((len(path), 1))
        path = path - corrected_by
        stayed_by_group.append(staying(path, times, limits, group.diffusion))
        inside_by_group.append((path >= limits[0]) & (path <= limits[1]))
    stayed, inside = np.vstack(stayed_by_group), np.vstack(inside_by_group)
    share = inside.mean(axis=0)
    ratio = np.divide(stayed.mean(axis=0), share, out=np.zeros(len(share)), where=share > 0)
    rest = np.std(stayed - ratio * inside, axis=0) / math.sqrt(len(stayed))
    error = np.divide(within * rest, share, out=np.zeros(len(share)), where=share > 0)
    return np.minimum.accumulate(within * ratio), error


def checked_paths(paths: int) -> int:
    """Return a number of paths that says something of a probability."""
    if paths < FEWEST_PATHS:
        msg = f"paths is {paths}; fewer than {FEWEST_PATHS} say nothing about a probability"
        raise InputError(msg)
    return paths


def root_of(covariance: FloatArray) -> FloatArray:
    """Return a matrix whose product with its transpose is the covariance, to rounding."""
    deviation = np.sqrt(np.maximum(np.diag(covariance), 0.0))
    # what is certain, such as a change since just now, has rounding errors for covariances
    certain = deviation <= CERTAIN * deviation.max()
    deviation = np.where(certain, 0.0, deviation)
    unit = np.where(certain, 1.0, deviation)
    correlation = np.where(np.logical_or.outer(certain, certain), 0.0, covariance / np.outer(unit, unit))
    values, vectors = np.linalg.eigh(0.5 * (correlation + correlation.T))
    return np.asarray(deviation[:, np.newaxis] * (vectors * np.sqrt(np.maximum(values, 0.0)) @ vectors.T))


def staying(
    paths: FloatArray, times: FloatArray, limits: tuple[float, float], diffusion: FloatArray
) -> FloatArray:
    """Return each path's chance of never having left the limits until each time, shape (n, m).

    Paths of shape (n, m), from wherever they began; ``diffusion`` is the growth of the variance per second
    between two times. Touching a limit between them: exp(-2ab/(qΔt)) for distances a and b from it and
    diffusion q (Brownian bridge, whatever the drift; Karatzas & Shreve 1991, 4.3.40). Both limits count as
    touched independently, which is safe: it overstates touching where the step is as wide as the tolerance.
    """
    left, right = paths[:, :-1], paths[:, 1:]
    spread = np.multiply.outer(diffusion, np.diff(times))
    touched = np.zeros_like(left)
    for limit, sign in zip(limits, (-1, 1), strict=True):
        room = np.maximum(sign * (limit - left), 0) * np.maximum(sign * (limit - right), 0)
        far = np.divide(2 * room, spread, out=np.full(room.shape, FAR), where=spread > 0)
        touched += np.exp(-np.minimum(far, FAR))
    inside = ((paths >= limits[0]) & (paths <= limits[1])).astype(float)
    inside[:, 1:] *= np.clip(1 - touched, 0.0, 1.0)
    return np.cumprod(inside, axis=1)


def drawn_from(estimate: Estimate, count: int, generator: np.random.Generator) -> FloatArray:
    """Return values drawn from the distribution of an estimate, shape (count,)."""
    mixture = estimate.distribution
    part = generator.choice(len(mixture.weights), size=count, p=mixture.weights / mixture.weights.sum())
    freedom = mixture.degrees_of_freedom[part]
    normal = generator.standard_normal(count)
    finite = np.isfinite(freedom)
    chi = generator.chisquare(np.where(finite, freedom, 1.0))
    wider = np.where(finite, np.sqrt(np.where(finite, freedom, 1.0) / chi), 1.0)
    return np.asarray(mixture.locations[part] + mixture.scales[part] * normal * wider)
