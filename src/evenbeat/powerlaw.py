"""The power-law noises of a clock: levels, deviations, covariance, and simulation with known truth.

The one-sided spectral density of fractional frequency is ``S_y(f) = Σ h_α f^α`` with α = 2 (white
PM), 1 (flicker PM), 0 (white FM), -1 (flicker FM), -2 (random-walk FM); IEEE Std 1139.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field, replace
from types import MappingProxyType
from typing import Literal

import numpy as np
import numpy.typing as npt
from scipy import fft, special

from evenbeat.errors import InputError
from evenbeat.intake import check_positive
from evenbeat.plain import Plain, listed_as
from evenbeat.quantities import FloatArray
from evenbeat.record import Kind, Record

NOISE_NAMES: Mapping[int, str] = MappingProxyType(
    {2: "white PM", 1: "flicker PM", 0: "white FM", -1: "flicker FM", -2: "random-walk FM"}
)
_FLICKER_PM_CONSTANT = 3 * np.euler_gamma - math.log(2)

LONGEST_SUMMED = 1024
"""Number of samples in an average up to which the modified variance is summed exactly."""

DeviationKind = Literal["allan", "modified", "time", "hadamard"]


@dataclass(frozen=True, kw_only=True)
class NoiseLevels(Plain):
    """Levels of the five power-law noises, and upper limits of those that were not detected.

    Parameters
    ----------
    white_pm, flicker_pm, white_fm, flicker_fm, random_walk_fm
        The spectral coefficients h₊₂ [s³], h₊₁ [s²], h₀ [s], h₋₁ [1], h₋₂ [1/s].
    upper_limits
        α to the 95 % upper limit of its coefficient, for noises that the data do not show.
    """

    white_pm: float = field(default=0.0, metadata=listed_as("h_plus2_s3"))
    flicker_pm: float = field(default=0.0, metadata=listed_as("h_plus1_s2"))
    white_fm: float = field(default=0.0, metadata=listed_as("h_0_s"))
    flicker_fm: float = field(default=0.0, metadata=listed_as("h_minus1"))
    random_walk_fm: float = field(default=0.0, metadata=listed_as("h_minus2_per_s"))
    upper_limits: Mapping[int, float] = field(default_factory=dict, metadata=listed_as("upper_limits_95"))

    def __post_init__(self) -> None:
        for exponent, level in self.by_exponent.items():
            if not level >= 0:
                msg = f"the level of {NOISE_NAMES[exponent]} is {level}; it must be zero or positive"
                raise InputError(msg)
        object.__setattr__(self, "upper_limits", MappingProxyType(dict(self.upper_limits)))

    def __reduce__(self) -> tuple[object, ...]:
        return NoiseLevels.in_order, (tuple(self.by_exponent.values()), dict(self.upper_limits))

    @classmethod
    def in_order(
        cls, levels: Iterable[float], upper_limits: Mapping[int, float] | None = None
    ) -> NoiseLevels:
        """Return the levels given in their order, white PM first."""
        named = zip(
            ("white_pm", "flicker_pm", "white_fm", "flicker_fm", "random_walk_fm"), levels, strict=True
        )
        return cls(**dict(named), upper_limits=upper_limits or {})

    @classmethod
    def from_allan_deviations(
        cls,
        averaging_time_s: float,
        *,
        cutoff_hz: float | None = None,
        white_pm: float = 0.0,
        flicker_pm: float = 0.0,
        white_fm: float = 0.0,
        flicker_fm: float = 0.0,
        random_walk_fm: float = 0.0,
    ) -> NoiseLevels:
        """Return the levels that give these Allan deviations at one averaging time.

        Parameters
        ----------
        averaging_time_s
            Where the deviations are meant, seconds.
        cutoff_hz
            As for :meth:`deviation`; needed where a phase noise is given.
        white_pm, flicker_pm, white_fm, flicker_fm, random_walk_fm
            Allan deviation of each noise alone, fractional frequency.

        Raises
        ------
        InputError
            If the averaging time is not positive, a deviation is negative, or a cut-off is needed.

        Notes
        -----
        NIST SP 1065 (2008), table of power-law conversions, read backwards.

        Examples
        --------
        >>> f"{NoiseLevels.from_allan_deviations(1.0, white_fm=1e-11).white_fm:.3g}"
        '2e-22'
        """
        check_positive(averaging_time_s, "averaging_time_s", optional=False)
        stated = (white_pm, flicker_pm, white_fm, flicker_fm, random_walk_fm)
        for exponent, deviation in zip(NOISE_NAMES, stated, strict=True):
            if not deviation >= 0:
                msg = f"{NOISE_NAMES[exponent]} is {deviation}; an Allan deviation must be zero or positive"
                raise InputError(msg)
        asked = cls.in_order(deviation**2 for deviation in stated)
        asked.deviation(averaging_time_s, cutoff_hz=cutoff_hz)  # refuses a missing cut-off
        unit = _variance_factors(np.asarray(averaging_time_s, dtype=float), "allan", cutoff_hz or math.nan)
        levels = (v / float(unit[a]) if v > 0 else 0.0 for a, v in asked.by_exponent.items())
        return cls.in_order(levels)

    @property
    def by_exponent(self) -> dict[int, float]:
        """The coefficients h_α by their exponent α."""
        return {
            2: self.white_pm,
            1: self.flicker_pm,
            0: self.white_fm,
            -1: self.flicker_fm,
            -2: self.random_walk_fm,
        }

    def deviation(
        self,
        averaging_time_s: npt.ArrayLike,
        kind: DeviationKind = "allan",
        *,
        cutoff_hz: float | None = None,
        interval_s: float | None = None,
    ) -> FloatArray:
        """Return the expected deviation.

        Parameters
        ----------
        averaging_time_s
            Shape (n,), seconds.
        kind
            ``allan``, ``modified``, ``time`` (seconds) or ``hadamard``.
        cutoff_hz
            Upper cut-off frequency of the phase noises; half the sampling rate for sampled phase.
        interval_s
            Between the samples of phase that ``modified`` and ``time`` average; ``1/(2 cutoff_hz)`` unless
            given, without either the limit of many samples. A wider bandwidth than half the sampling rate
            folds its phase noise into these deviations.

        Raises
        ------
        InputError
            If a phase noise is present and no cut-off is given, or an averaging time is shorter than the
            interval.

        Notes
        -----
        NIST SP 1065 (2008), table of power-law conversions; each coefficient was checked against the
        integral of the transfer function. Of ``n = τ/interval_s`` averaged samples that integral is
        ``2/(n² τ²) ∫ S_x(f) 16 sin⁶(πτf)/sin²(πτ₀f) df/2`` up to the cut-off, summed here over the covariance
        of phase; between whole n it is interpolated. Not valid for flicker PM of ``allan`` and ``hadamard``
        below ``cutoff_hz * tau`` = 1.
        """
        check_positive(cutoff_hz, "cutoff_hz", optional=True)
        check_positive(interval_s, "interval_s", optional=True)
        if cutoff_hz is None and (self.white_pm > 0 or self.flicker_pm > 0):
            msg = "cutoff_hz is not given, but white or flicker PM has no finite deviation without it"
            raise InputError(msg)
        tau = np.asarray(averaging_time_s, dtype=float)
        levels = self.by_exponent
        averaged = kind in ("modified", "time")
        factors = _variance_factors(tau, "modified" if averaged else kind, cutoff_hz or math.nan)
        if averaged and (interval_s or cutoff_hz):
            spacing = interval_s or 0.5 / (cutoff_hz or math.nan)
            if np.any(tau < spacing * (1 - 1e-9)):
                msg = (
                    f"averaging_time_s has {float(tau.min()):g} s; the {kind} deviation of phase every "
                    f"{spacing:g} s begins there (interval_s, or half of one over cutoff_hz)"
                )
                raise InputError(msg)
            factors = {
                a: factors[a] * _averaged_over_limit(a, tau / spacing, spacing, cutoff_hz or math.nan)
                for a in levels
                if levels[a] > 0
            }
        variance = sum((levels[a] * factors[a] for a in levels if levels[a] > 0), np.zeros_like(tau))
        return np.sqrt(variance) * (tau / math.sqrt(3) if kind == "time" else 1.0)


def _variance_factors(tau: FloatArray, kind: str, cutoff: float) -> dict[int, FloatArray]:
    """Return variance per unit h_α (NIST SP 1065, power-law conversion tables)."""
    pi2 = math.pi**2
    constant = np.ones_like(tau)
    if kind == "allan":
        return {
            2: 3 * cutoff / (4 * pi2 * tau**2),
            1: (_FLICKER_PM_CONSTANT + 3 * np.log(2 * math.pi * cutoff * tau)) / (4 * pi2 * tau**2),
            0: 1 / (2 * tau),
            -1: 2 * math.log(2) * constant,
            -2: 2 * pi2 / 3 * tau,
        }
    if kind == "modified":
        return {
            2: 3 / (8 * pi2 * tau**3),
            1: 3 * math.log(256 / 27) / (8 * pi2 * tau**2),
            0: 1 / (4 * tau),
            -1: (27 * math.log(3) - 32 * math.log(2)) / 8 * constant,
            -2: 11 * pi2 / 20 * tau,
        }
    if kind == "hadamard":
        flicker_pm = 5 * (np.euler_gamma + np.log(48**0.1 * math.pi * cutoff * tau)) / (6 * pi2 * tau**2)
        return {
            2: 5 * cutoff / (6 * pi2 * tau**2),
            1: flicker_pm,
            0: 1 / (2 * tau),
            -1: 0.5 * math.log(256 / 27) * constant,
            -2: pi2 / 3 * tau,
        }
    msg = f"kind is {kind!r}; it must be 'allan', 'modified', 'time' or 'hadamard'"
    raise InputError(msg)


def _averaged_over_limit(exponent: int, samples: FloatArray, interval: float, cutoff: float) -> FloatArray:
    """Return the modified variance with so many samples in an average over that with infinitely many.

    With F the double sum of the covariance K of sampled phase the mean square of the averaged second
    differences is ``-Δ⁶F(n)/n²``, Δ⁶ the central difference over steps of n (as in
    :mod:`evenbeat.deviations.covariance`). Beyond ``LONGEST_SUMMED`` samples what is folded into flicker PM
    falls as 1/n; of white PM it stays, of the others nothing is left.
    """
    whole = np.minimum(np.floor(samples * (1 + 1e-12)), LONGEST_SUMMED).astype(np.int64)
    following = np.minimum(whole + 1, LONGEST_SUMMED)
    lag = interval * np.arange(3.0 * following.max() + 2)
    if exponent == 2:  # ∫ h f²/(4π² f²) cos(2πft) df up to the cut-off
        kernel: FloatArray = cutoff / (4 * math.pi**2) * np.sinc(2 * cutoff * lag)
    elif exponent == 1:  # K(t) - K(0) = -Cin(2π f_h t)/(4π²), Cin(z) = γ + ln z - Ci(z)
        angle = 2 * math.pi * cutoff * lag[1:]
        kernel = -np.append(0.0, np.euler_gamma + np.log(angle) - special.sici(angle)[1]) / (4 * math.pi**2)
    else:
        kernel = phase_covariance(exponent, lag)
    sums = double_sum(kernel)

    def ratio(count: npt.NDArray[np.int64]) -> FloatArray:
        # -Δ⁶F = 30 F(n) - 12 F(2n) + 2 F(3n) as F(0) = 0; variance = mean square/(2τ²)
        square = (30 * sums[count] - 12 * sums[2 * count] + 2 * sums[3 * count]) / count**2
        tau = count * interval
        return np.asarray(square / (2 * tau**2) / _variance_factors(tau, "modified", cutoff)[exponent])

    found = ratio(whole)
    found = found + (ratio(following) - found) * np.clip(samples - whole, 0, 1)
    if exponent == 2:
        return found
    beyond = np.maximum(samples / LONGEST_SUMMED, 1.0)
    return np.asarray(1 + (found - 1) / (beyond if exponent == 1 else beyond**2))


def double_sum(kernel: FloatArray) -> FloatArray:
    """Return the even F with F(0) = 0 and F(k+1) - 2 F(k) + F(k-1) = K(k), shape (n,), from an even K."""
    slopes = np.concatenate([[0.5 * kernel[0]], kernel[1:-1]]).cumsum()
    return np.concatenate([[0.0], np.cumsum(slopes)])


def phase_covariance(exponent: int, lag_s: npt.ArrayLike) -> FloatArray:
    """Return the generalized covariance K(t) of phase per unit h_α, for α = 0, -1, -2 [s² per h_α].

    For weights w that annihilate constants and straight lines, ``Var(Σ w_i x(t_i)) = Σ w_i w_j
    K(t_i - t_j)`` exactly (Matheron 1973; for clocks: Greenhall). K is -|t|/4 for white FM,
    (t²/2) ln|t| for flicker FM and (π²/6)|t|³ for random-walk FM; the second difference gives back
    the Allan variances h₀/2τ, 2 ln2 h₋₁ and (2π²/3) h₋₂ τ.

    Raises
    ------
    InputError
        For another exponent: phase noises depend on the bandwidth and have no such form.
    """
    t = np.abs(np.asarray(lag_s, dtype=float))
    if exponent == 0:
        return -t / 4
    if exponent == -1:
        return 0.5 * t**2 * np.log(np.where(t > 0, t, 1.0))
    if exponent == -2:
        return math.pi**2 / 6 * t**3
    msg = f"exponent is {exponent}; a generalized covariance exists for 0, -1 and -2"
    raise InputError(msg)


def simulate_clock(
    n: int,
    *,
    interval_s: float,
    levels: NoiseLevels,
    seed: int | np.random.Generator | np.random.SeedSequence,
    kind: Kind = "frequency",
    frequency_offset: float = 0.0,
    aging: Callable[[FloatArray], FloatArray] | None = None,
    nominal_frequency_hz: float | None = None,
    start: np.datetime64 | str | None = None,
) -> Record:
    """Return a record of a simulated clock, the truth beside it in ``record.truth``.

    Parameters
    ----------
    n
        Number of samples.
    interval_s
        Their spacing in seconds.
    levels
        The noises; white PM is that of sampled phase with cut-off at half the sampling rate.
    seed
        Seed or generator; the same seed gives the same record. A ``SeedSequence`` gives every noise a stream
        of its own, so that another level rescales that noise and leaves the others as they were.
    kind
        Whether to return mean frequencies over each interval or phase.
    frequency_offset
        Constant fractional frequency.
    aging
        Fractional frequency added as a function of elapsed seconds, shape (n,) to shape (n,).
    nominal_frequency_hz, start
        Of the record; UTC as ``datetime64`` or ISO text.

    Returns
    -------
    Record
        Of ``n`` samples; ``record.truth`` holds levels, offset and seed.

    Raises
    ------
    InputError
        If fewer than two samples are asked for, or the interval is not positive.

    Notes
    -----
    White FM, flicker FM and random-walk FM are exact: the increments have the covariance of the
    continuous-time noise averaged over each interval (Davies and Harte 1987 for flicker FM, whose
    second differences are stationary). Flicker and random-walk FM start from zero frequency; only
    their changes have a meaning. Flicker PM is a half-order fractional sum of white noise.

    Examples
    --------
    >>> import evenbeat as eb
    >>> noise = eb.NoiseLevels(flicker_fm=1e-24)
    >>> len(eb.simulate_clock(1000, interval_s=10, levels=noise, seed=1))
    1000

    References
    ----------
    Formula: S_y(f) = Σ h_α f^α, α = 2 … -2
    Source: IEEE Std 1139; Davies and Harte 1987 (circulant embedding); Hosking 1981 (fractional sums)
    Tests: tests/core/test_powerlaw.py
    """
    if n < 2:
        msg = f"n is {n}; at least 2 samples are needed"
        raise InputError(msg)
    check_positive(interval_s, "interval_s", optional=False)
    streams = _streams(seed)
    intervals = n if kind == "frequency" else n - 1
    frequency = _simulated_frequency(intervals, interval_s, levels, streams) + frequency_offset
    if aging is not None:
        frequency = frequency + aging((np.arange(intervals) + 0.5) * interval_s)
    phase_noise = _simulated_phase_noise(intervals + 1, interval_s, levels, streams)
    if kind == "frequency":
        values = frequency if phase_noise is None else frequency + np.diff(phase_noise) / interval_s
    else:
        values = np.concatenate([[0.0], np.cumsum(frequency * interval_s)])
        values = values if phase_noise is None else values + phase_noise
    make: Callable[..., Record] = Record.from_frequency if kind == "frequency" else Record.from_phase
    record = make(values, interval_s=interval_s, start=start, nominal_frequency_hz=nominal_frequency_hz)
    return replace(record, truth=ClockTruth(levels=levels, frequency_offset=frequency_offset, aging=aging))


@dataclass(frozen=True, kw_only=True)
class ClockTruth:
    """What a simulated clock was made of."""

    levels: NoiseLevels
    frequency_offset: float
    aging: Callable[[FloatArray], FloatArray] | None


def _streams(seed: int | np.random.Generator | np.random.SeedSequence) -> dict[int, np.random.Generator]:
    """Return the source of random numbers of every noise: one for all, or one each."""
    if not isinstance(seed, np.random.SeedSequence):
        return dict.fromkeys(NOISE_NAMES, np.random.default_rng(seed))
    keys = {exponent: (*seed.spawn_key, place) for place, exponent in enumerate(NOISE_NAMES)}
    return {
        exponent: np.random.default_rng(np.random.SeedSequence(seed.entropy, spawn_key=key))
        for exponent, key in keys.items()
    }


def _simulated_frequency(
    n: int, interval: float, levels: NoiseLevels, streams: Mapping[int, np.random.Generator]
) -> FloatArray:
    total = np.zeros(n)
    if levels.white_fm > 0:
        total += math.sqrt(levels.white_fm / (2 * interval)) * streams[0].standard_normal(n)
    if levels.flicker_fm > 0:
        total += math.sqrt(levels.flicker_fm) * _unit_flicker_fm(n, streams[-1])
    if levels.random_walk_fm > 0:
        total += math.sqrt(2 * math.pi**2 * levels.random_walk_fm * interval) * _unit_random_walk_fm(
            n, streams[-2]
        )
    return total


def _unit_random_walk_fm(n: int, generator: np.random.Generator) -> FloatArray:
    """Return averages over unit intervals of a Wiener process with unit diffusion."""
    steps = generator.standard_normal(n)
    bridge = generator.standard_normal(n) / math.sqrt(12)  # mean of the path given both its ends
    ends = np.cumsum(steps)
    return ends - 0.5 * steps + bridge


def _unit_flicker_fm(n: int, generator: np.random.Generator) -> FloatArray:
    """Return averages over unit intervals of flicker FM with h₋₁ = 1, the first of them zero."""
    if n == 1:
        return np.zeros(1)
    second_differences = stationary_gaussian(_second_difference_covariance(n - 1), generator)
    return np.concatenate([[0.0], np.cumsum(second_differences)])


def _second_difference_covariance(n: int) -> FloatArray:
    """Return the covariance at lags 0 to n - 1 of the second differences of unit flicker-FM phase."""
    lag = np.arange(n, dtype=float)
    near = phase_covariance(-1, np.arange(-2, min(n, 64) + 2))
    exact = near[:-4] - 4 * near[1:-3] + 6 * near[2:-2] - 4 * near[3:-1] + near[4:]
    with np.errstate(divide="ignore"):
        # derivatives of (t²/2) ln t: the direct fourth difference would cancel to nothing at long lags
        far = -1 / lag**2 - 1 / lag**4 - 1.5 / lag**6
    return np.concatenate([exact, far[64:]])[:n]


def stationary_gaussian(covariance: FloatArray, generator: np.random.Generator) -> FloatArray:
    """Return one Gaussian series with this covariance by circulant embedding (Davies and Harte 1987)."""
    n = len(covariance)
    if n == 1:
        return math.sqrt(covariance[0]) * generator.standard_normal(1)
    length = fft.next_fast_len(2 * n)
    padded = np.concatenate([covariance, np.zeros(length - 2 * n + 1), covariance[:0:-1]])
    power = np.maximum(fft.rfft(padded).real, 0.0)
    return np.asarray(fft.irfft(fft.rfft(generator.standard_normal(length)) * np.sqrt(power), length)[:n])


def _simulated_phase_noise(
    n: int, interval: float, levels: NoiseLevels, streams: Mapping[int, np.random.Generator]
) -> FloatArray | None:
    if levels.white_pm == 0 and levels.flicker_pm == 0:
        return None
    total = np.zeros(n)
    if levels.white_pm > 0:
        total += white_pm_deviation(levels.white_pm, interval) * streams[2].standard_normal(n)
    if levels.flicker_pm > 0:
        total += math.sqrt(levels.flicker_pm / (4 * math.pi)) * _half_order_sum(n, streams[1])
    return total


def white_pm_deviation(white_pm: float, interval_s: float) -> float:
    """Return the standard deviation in seconds of sampled phase for h₊₂ and cut-off 1/(2 interval)."""
    return math.sqrt(white_pm / (8 * math.pi**2 * interval_s))


def _half_order_sum(n: int, generator: np.random.Generator) -> FloatArray:
    """Return the fractional sum of order 1/2 of unit white noise (Hosking 1981)."""
    index = np.arange(1, n)
    weights = np.concatenate([[1.0], np.cumprod((index - 0.5) / index)])
    length = fft.next_fast_len(2 * n)
    product = fft.rfft(weights, length) * fft.rfft(generator.standard_normal(n), length)
    return np.asarray(fft.irfft(product, length)[:n])
