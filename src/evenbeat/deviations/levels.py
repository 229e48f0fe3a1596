"""The levels of all five power-law noises of one record, fitted at once to three variances of it.

Overlapping Allan, modified Allan and overlapping Hadamard variances at doublings of the averaging time are
linear in the levels, ``V = Σ h_α Φ_α + D² τ²/2``, so that these follow from generalized least squares with
levels that cannot be negative (Vernotte et al., "Oscillator noise: analysis of multivariance measurement",
IEEE Trans. Instrum. Meas. 42, 1993). Which noises exist is decided by likelihood ratio, every subset of them
tried. The test of a level on its boundary takes the variances as Gaussian; those at long averaging times are
sums of few squares, skewed to the right, and where several noises have their level tested beside each other
chance lowers the misfit more often than half a chi-squared says. A narrow pass is therefore simulated.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from functools import cached_property
from itertools import combinations
from types import MappingProxyType

import numpy as np
import numpy.typing as npt
import scipy
from scipy import linalg, special

from evenbeat.deviations.averaging import BoolArray
from evenbeat.deviations.covariance import FIVE, in_seconds, mean_square_difference, products_of, term_spectra
from evenbeat.deviations.points import about_record
from evenbeat.deviations.statistics import DIFFERENCES, STATISTICS, name_of
from evenbeat.deviations.sums.kernels import one_thread
from evenbeat.deviations.sums.samples import samples_of
from evenbeat.errors import InputError, TooShortError
from evenbeat.findings import Finding, caution, good, note
from evenbeat.plain import UNLISTED
from evenbeat.powerlaw import NOISE_NAMES, NoiseLevels
from evenbeat.quantities import FloatArray, checked_probability, number_text
from evenbeat.record import Record, check_record
from evenbeat.result import Column, Result
from evenbeat.units import duration_text

FEWEST_POINTS = 128
LONGEST_SHARE = 8
"""The longest averaging time is the record divided by this: beyond it two or three degrees are left."""
OCTAVE_POINTS = 509
SHRINKAGE = 0.02
LONG_SHRINKAGE = 0.15
"""Share taken off every correlation, and how much more at the longest averaging time: no direction that the
sampled integral or the ends of the record blur is to be trusted. With the first alone a random walk in a
mixture scattered by 20 %, where 17 % are possible."""

LOOKS = ("overlapping_allan", "modified_allan", "overlapping_hadamard")
DRIFT = 5
"""Position of the squared drift among the six unknowns."""


@dataclass(frozen=True, eq=False, kw_only=True)
class Variances:
    """All variances of a record, what each noise (in the order of :data:`FIVE`) and a drift do to them.

    ``terms`` are order, factor and whether averaged, of each; ``values`` (n,) the variances; ``responses``
    (n, 6) expected ones per unit h_α, and per unit squared drift [1/s²]; ``scatter`` (n, 5, 5) half their
    variance per unit of two h_α, ends and gaps of the record included; ``samples`` the most terms of any.
    """

    terms: tuple[tuple[int, int, bool], ...]
    values: FloatArray
    responses: FloatArray
    scatter: FloatArray
    samples: int
    units: FloatArray

    def spectral_parts(self, levels: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Return each variance's spectrum under levels of shape (6,), up to a factor, and widths.

        Shapes (n, frequencies) and (frequencies,), in cycles per sample.
        """
        spectra, width = term_spectra(self.terms, FIVE, OCTAVE_POINTS)
        return np.tensordot(levels[:DRIFT] * self.units, spectra, axes=1) / np.sqrt(width), width

    def covariance(self, levels: FloatArray) -> FloatArray:
        """Return the covariance of the variances, shape (n, n), for levels of shape (6,).

        The sum of the squared covariances of two statistics' terms over all lags is the integral of the
        product of the spectra of the terms (Parseval), which gives the correlations. What the ends of the
        record and its gaps do is in the variances, which are exact.
        """
        pairs = np.multiply.outer(levels[:DRIFT], levels[:DRIFT])
        products = (pairs * np.multiply.outer(self.units, self.units)).ravel() @ self._products
        products = products.reshape(len(self.values), -1)
        diagonal = np.sqrt(np.diag(products))
        factors = np.array([factor for _, factor, _ in self.terms], dtype=float)
        shrinkage = SHRINKAGE + LONG_SHRINKAGE * factors / factors.max()
        trusted = np.sqrt(1 - shrinkage) / diagonal
        correlation = products * np.outer(trusted, trusted) + np.diag(shrinkage)
        pure = 2 * np.tensordot(self.scatter, pairs, axes=2)
        means, drift = self.responses[:, :DRIFT] @ levels[:DRIFT], self.responses[:, DRIFT] * levels[DRIFT]
        spread = np.sqrt(pure + 4 * drift * means / np.maximum(2 * means**2 / pure, 1.0))
        return np.asarray(correlation * np.outer(spread, spread))

    @cached_property
    def _products(self) -> FloatArray:
        return products_of(term_spectra(self.terms, FIVE, OCTAVE_POINTS)[0])

    def whitened(
        self, levels: FloatArray, values: FloatArray, used: BoolArray | None = None
    ) -> tuple[FloatArray, FloatArray, BoolArray]:
        """Return responses and variances divided by the root of their covariance, and which these are.

        Those that are noise for the most part, the drift a small one, unless ``used`` says which.
        """
        if used is None:
            drift = self.responses[:, DRIFT] * levels[DRIFT]
            used = np.asarray(drift <= LARGEST_DRIFT_SHARE * (self.responses @ levels))
        covariance = self.covariance(levels)[np.ix_(used, used)]
        root = np.sqrt(np.diag(covariance))
        lower = linalg.cholesky(covariance / np.outer(root, root), lower=True)
        both = np.column_stack([self.responses[used], values[used]]) / root[:, np.newaxis]
        solved = linalg.solve_triangular(lower, both, lower=True)
        return solved[:, :-1], solved[:, -1], used


def variances_of(record: Record) -> Variances:
    """Return the variances of a record at doublings up to an eighth of it.

    Raises
    ------
    TooShortError
        If the record has fewer than 128 phase points.
    """
    samples = samples_of(record, 1.0)
    if samples.points < FEWEST_POINTS:
        needed = FEWEST_POINTS - (record.kind == "frequency")
        msg = f"a fit of noise levels needs at least {needed} samples; the record has {len(record)}"
        raise TooShortError(msg, needed=needed, available=len(record))
    factors = 2 ** np.arange(int(math.log2((samples.points - 1) / LONGEST_SHARE)) + 1)
    units = np.array([in_seconds(alpha, record.interval_s) for alpha in FIVE]) / record.interval_s**2
    kinds: list[tuple[int, int, bool]] = []
    values, responses, scatter, most = (
        [np.empty(0)],
        [np.empty((0, DRIFT + 1))],
        [np.empty((0, DRIFT, DRIFT))],
        0,
    )
    for form in (DIFFERENCES[name] for name in LOOKS):
        # at factor 1 the modified Allan variance is the Allan variance
        wanted = factors[form.averaged :]
        sums = form.variances(samples, wanted)
        there = [place for place, terms in enumerate(sums) if terms.terms >= 2]
        if not there:
            continue
        wanted, sums = wanted[there], [sums[place] for place in there]
        moments = form.moments(sums, samples.points, wanted.tolist())
        expected, products = moments.expected[:, :DRIFT], moments.products[:, :DRIFT, :DRIFT]
        drift = 0.5 * (wanted * record.interval_s) ** 2 * (form.order == 2)
        kinds += [(form.order, factor, form.averaged) for factor in wanted.tolist()]
        values.append(np.array([terms.total for terms in sums]) / record.interval_s**2)
        responses.append(np.column_stack([expected * units, drift]))
        # no noise has less than one degree of freedom
        least = units * np.minimum(1.0, expected / np.sqrt(np.diagonal(products, axis1=1, axis2=2)))
        scatter.append(products * least[:, :, np.newaxis] * least[:, np.newaxis])
        most = max(most, *(terms.possible for terms in sums))
    if not kinds:
        msg = (
            "gaps leave no two terms of any variance, so that no noise can be fitted; take a stretch without"
        )
        raise InputError(msg)
    return Variances(
        terms=tuple(kinds),
        values=np.concatenate(values),
        responses=np.concatenate(responses),
        scatter=np.concatenate(scatter),
        samples=most,
        units=units,
    )


LEVEL_UNITS: Mapping[int, str] = MappingProxyType({2: "s³", 1: "s²", 0: "s", -1: "1", -2: "1/s"})


@dataclass(frozen=True, eq=False, kw_only=True, repr=False)
class NoiseFit(Result):
    """The noise levels of a record, made by :func:`evenbeat.fit_noise_levels`.

    Attributes
    ----------
    levels
        h₊₂ … h₋₂, zero where not detected; ``levels.upper_limits`` holds the 95 % limits of those.
    standard_uncertainty
        Exponent α to the standard uncertainty of h_α, for the detected noises.
    drift_per_s
        Size of the constant drift fitted along, zero where none is seen; its sign is not known here.
    drift_limit_per_s
        Its 95 % upper limit where none is seen, otherwise NaN.
    interval_s, samples
        Of the record.
    misfit, variances
        Weighted sum of squared residuals, and of how many variances.
    """

    levels: NoiseLevels
    standard_uncertainty: Mapping[int, float] = field(metadata=UNLISTED)
    drift_per_s: float
    interval_s: float
    samples: int
    misfit: float
    variances: int
    drift_limit_per_s: float = math.nan
    record_name: str = ""

    def __post_init__(self) -> None:
        object.__setattr__(self, "standard_uncertainty", MappingProxyType(dict(self.standard_uncertainty)))

    @property
    def detected(self) -> tuple[int, ...]:
        """The exponents α of the noises that were detected, white PM first."""
        return tuple(alpha for alpha, level in self.levels.by_exponent.items() if level > 0)

    def deviation(self, statistic: str, averaging_time_s: npt.ArrayLike) -> FloatArray:
        """Return the deviation that the fitted noises give in expectation, drift apart.

        Parameters
        ----------
        statistic
            ``allan``, ``overlapping_allan``, ``modified_allan``, ``time``, ``hadamard`` or
            ``overlapping_hadamard``.
        averaging_time_s
            Shape (n,), seconds, whole multiples of the record's interval: between samples there is no
            expectation of sampled phase.

        Returns
        -------
        FloatArray
            Shape (n,), a fractional frequency, seconds for ``time``; the root of the expected variance.

        Raises
        ------
        InputError
            For an unknown statistic or an averaging time that is no multiple of the interval.
        """
        times = np.atleast_1d(np.asarray(averaging_time_s, dtype=float))
        return np.array([self._deviation(statistic, float(time)) for time in times])

    def _deviation(self, statistic: str, time: float) -> float:
        statistic = name_of(statistic)
        if statistic not in DIFFERENCES:
            msg = f"statistic is {statistic!r}; it must be one of {', '.join(DIFFERENCES)}"
            raise InputError(msg)
        factor = round(time / self.interval_s) if math.isfinite(time) else 0
        if factor < 1 or not math.isclose(factor * self.interval_s, time, rel_tol=1e-6):
            msg = f"{time:g} s is not a whole multiple of the interval of {self.interval_s:g} s"
            raise InputError(msg)
        kind, form = STATISTICS[statistic], DIFFERENCES[statistic]
        square = sum(
            level
            * in_seconds(alpha, self.interval_s)
            * mean_square_difference(alpha, factor, order=form.order, averaged=form.averaged)
            for alpha, level in self.levels.by_exponent.items()
        )
        variance, times = np.array([form.scale(factor) * square]), np.array([time])
        return float(kind.deviation(variance, times, self.interval_s)[0])

    def _columns(self) -> tuple[Column, ...]:
        limits, levels = self.levels.upper_limits, self.levels.by_exponent
        uncertainty = [self.standard_uncertainty.get(alpha, math.nan) for alpha in levels]
        texts = [
            number_text(level, u) if level > 0 else "not detected"
            for level, u in zip(levels.values(), uncertainty, strict=True)
        ]
        return (
            Column("noise", [NOISE_NAMES[alpha] for alpha in levels], "noise"),
            Column("", [f"h({alpha:+d})" if alpha else "h(0)" for alpha in levels], "coefficient"),
            Column("exponent", list(levels)),
            Column("level", list(levels.values())),
            Column("standard_uncertainty", uncertainty),
            Column("", texts, "level"),
            Column("unit", [LEVEL_UNITS[alpha] for alpha in levels], "unit"),
            Column("upper_limit_95", [limits.get(a, math.nan) for a in levels], "95 % upper limit", ".2e"),
        )

    def _headline(self) -> str:
        of = f" of {self.record_name}" if self.record_name else ""
        names = ", ".join(NOISE_NAMES[alpha] for alpha in self.detected)
        span = f"{self.samples} samples every {duration_text(self.interval_s)}"
        return f"Noise levels{of} from {span}: {names} detected"


ROUNDS = 4
ROUNDS_BY_CHANCE = 2
"""Fits to simulated variances begin at the levels that were simulated."""
LEAST_VARIANCE = 1e-12
"""Smallest weight at the start, where a variance is zero because the display stands still."""
LIMIT_ROUNDS = 3
CLEAR = 4.0
"""A noise that lowers the sum of squares by so many times the threshold is not tested once more."""
ONE_SIDED_95 = 2.7055434540954146
LARGEST_DRIFT_SHARE = 0.2
LEAST_SHARE = 1e-4
DRAWS = 200
SEED = 1993
"""Of the simulation, fixed: a fit is repeated to the last digit."""
LEAST_PROBABILITY = 0.001
"""Of simulated pure power laws 3 in 700 fell below (512 to 32768 samples): the misfit of long averaging
times is not quite chi-squared, that of the others smaller, their correlations not being fully trusted."""


def fit_noise_levels(record: Record, *, significance: float = 0.05) -> NoiseFit:
    """Return the levels h₊₂ … h₋₂ of the noises in a record, upper limits of those not seen.

    Parameters
    ----------
    record
        Phase or frequency; flagged samples are left out, steps of known size are subtracted.
    significance
        Probability that a noise which is absent is nevertheless reported, for each of the five. It holds
        where one noise is alone (each other one in at most 7 of 100 simulated clocks, most in 0 to 5);
        beside white PM, white FM and random-walk FM together flicker PM was reported in 4 %, flicker FM in
        7 % of 300 clocks at 5 %. Where a random walk hardly stands out, flicker FM sometimes takes its place.

    Returns
    -------
    NoiseFit
        Levels with standard uncertainties, 95 % upper limits of what was not detected, fitted curve.

    Raises
    ------
    InputError
        If the significance does not lie between 0 and 1, or the record does not vary.
    TooShortError
        If the record has fewer than 128 phase points.

    Notes
    -----
    Overlapping Allan, modified Allan and overlapping Hadamard variances at doublings up to an eighth of the
    record; exact expectations of sampled phase at every factor; covariance under the fitted levels, repeated
    until it is that of the result. A noise is reported where leaving it out raises the weighted sum of
    squares by more than the quantile of half chi-squared with no and half with one degree of freedom (2.706
    at 5 %: the level cannot be negative; Self and Liang 1987), among all subsets of the five, and if it
    does so too under the covariance of the fit without it, which is what the test assumes. A noise that
    passes narrowly is tested once more against 200 simulated sets of variances (fixed seed): those of long
    averaging times are skewed, and the covariance is itself fitted, so that 3.3 may be needed. A constant
    drift is fitted along; variances that it dominates are left out, so that the Hadamard variance decides
    there. White PM is that of phase cut off at half the sampling rate.

    Simulated white PM, white FM and random-walk FM (16384 samples, 300 clocks) come back with medians
    within 0.5, 0.5 and 5 % and, where just these were detected, means within 0.1, 0.5 and 2.5 % and spreads
    of 1.6, 3.4 and 17 %, as the standard uncertainties say. The random walk lies low because few squares
    stand behind it, skewed, whose weights follow the fit; and because flicker FM sometimes takes a part.
    Flicker PM is the half-order sum of white noise (:mod:`evenbeat.deviations.covariance`).

    Not valid for readings with dead time or counter averaging (see the findings), for periodic disturbances,
    which look like noise, and for drift that is not constant.

    Examples
    --------
    >>> import evenbeat as eb
    >>> noise = eb.NoiseLevels(white_fm=1e-20, random_walk_fm=1e-30)
    >>> record = eb.simulate_clock(600, interval_s=60, levels=noise, seed=1)
    >>> fit = eb.fit_noise_levels(record)
    >>> fit.detected
    (1, 0)

    References
    ----------
    Formula: σ²(τ) = Σ h_α Φ_α(τ), h_α ≥ 0
    Source: NIST SP 1065 (2008), power-law conversions; Vernotte et al. (several variances jointly)
    Tests: tests/deviations/test_level_fit.py
    """
    check_record(record, grid_for="fit_noise_levels")
    threshold = detection_threshold(significance)
    everything = variances_of(record)
    scale = float(everything.values.max())
    if scale <= 0:
        msg = "the record does not vary at all, so that no noise can be fitted; look at the counter's display"
        raise InputError(msg)
    with one_thread():  # these matrices are too small for two threads
        solution = _solved(everything, scale, threshold)
        limits = {
            alpha: _limit(everything, solution, position) * scale
            for position, alpha in enumerate(FIVE)
            if solution.levels[position] == 0
        }
        drift_limit = math.sqrt(_limit(everything, solution, DRIFT) * scale)
    levels, deviations = solution.levels * scale, np.sqrt(np.diag(solution.covariance)) * scale
    # squared drift: one-sided at 95 %, as for the noises
    drifts = levels[DRIFT] > math.sqrt(ONE_SIDED_95) * deviations[DRIFT]
    drift = math.sqrt(levels[DRIFT]) if drifts else 0.0
    detected = tuple(a for a, level in zip(FIVE, levels[:DRIFT], strict=True) if level > 0)
    return NoiseFit(
        levels=NoiseLevels.in_order(levels[:DRIFT].tolist(), limits),
        standard_uncertainty={
            a: float(u) for a, u in zip(FIVE, deviations[:DRIFT], strict=True) if a in detected
        },
        drift_per_s=drift,
        drift_limit_per_s=math.nan if drifts else drift_limit,
        interval_s=record.interval_s,
        samples=len(record),
        misfit=solution.misfit,
        variances=int(solution.used.sum()),
        record_name="" if record.source is None else record.source.name,
        findings=(
            *about_record(record),
            _about_drift(drift, drift_limit, int(np.count_nonzero(~solution.used))),
            *_about_levels(limits, solution.misfit, int(np.count_nonzero(solution.used)) - len(detected)),
        ),
    )


def detection_threshold(significance: float) -> float:
    """Return by how much a noise must lower the sum of squares: 2.706 for 5 %."""
    chance = checked_probability(significance, "significance")
    if chance >= 0.5:
        msg = f"significance is {significance}; at half and more every noise would be reported, give 0.05"
        raise InputError(msg)
    return float(special.ndtri(1 - chance) ** 2)


@dataclass(frozen=True, eq=False, kw_only=True)
class Solution:
    """Levels in units of the largest variance, their covariance (0 where absent), and what was used."""

    levels: FloatArray
    covariance: FloatArray
    misfit: float
    used: BoolArray
    values: FloatArray


def _solved(everything: Variances, scale: float, threshold: float) -> Solution:
    values = everything.values / scale
    floor = np.maximum(values, LEAST_VARIANCE)
    relative = everything.responses / floor[:, np.newaxis]
    levels, _ = _nonnegative(relative, values / floor)
    if not levels[:DRIFT].any():  # a drift alone has no scatter: the search begins with noises alone
        levels[:DRIFT], levels[DRIFT] = _nonnegative(relative[:, :DRIFT], values / floor)[0], 0.0
    for _ in range(ROUNDS):
        whitened, target, used = everything.whitened(levels, values)
        fits = [fit for fit in _all_fits(whitened, target, threshold) if fit[1][:DRIFT].any()]
        levels = min(fits, key=lambda fit: fit[0])[1]
    levels = _confirmed(everything, levels, values, threshold)
    whitened, target, used = everything.whitened(levels, values)
    again, misfit = _fit_of(whitened, target, np.flatnonzero(levels[:DRIFT]).tolist())
    # where a drift explains all but a trace of what is seen, the trace is that of the fit before
    levels = again if again[:DRIFT].any() else levels
    return Solution(
        levels=levels,
        covariance=_covariance_over_subsets(whitened, target, levels, threshold),
        misfit=misfit,
        used=used,
        values=values,
    )


def _fit_of(whitened: FloatArray, target: FloatArray, subset: Sequence[int]) -> tuple[FloatArray, float]:
    """Return the levels of these noises and of the drift, the others zero, and the misfit."""
    columns, levels = [*subset, DRIFT], np.zeros(DRIFT + 1)
    levels[columns], misfit = _nonnegative(whitened[:, columns], target)
    return levels, misfit


def _nonnegative(matrix: FloatArray, target: FloatArray) -> tuple[FloatArray, float]:
    """Return the non-negative least-squares solution and its sum of squares; columns of any size."""
    sizes = np.asarray(linalg.norm(matrix, axis=0))
    sizes[sizes == 0] = 1.0
    solution, residual = scipy.optimize.nnls(matrix / sizes, target)
    return solution / sizes, float(residual**2)


def _all_fits(whitened: FloatArray, target: FloatArray, threshold: float) -> list[tuple[float, FloatArray]]:
    """Return the misfit plus ``threshold`` for each noise, and the levels, of every subset of noises."""
    found = []
    for size in range(1, DRIFT + 1):
        for subset in combinations(range(DRIFT), size):
            levels, misfit = _fit_of(whitened, target, subset)
            found.append((misfit + threshold * size, levels))
    return found


def _confirmed(everything: Variances, levels: FloatArray, values: FloatArray, threshold: float) -> FloatArray:
    """Return the levels without those noises that do not stand out from the fit without them.

    The covariance under which a subset was chosen is that of a fit which holds the noise already; a test
    needs that of the hypothesis tested, the noise absent.
    """
    detected = np.flatnonzero(levels[:DRIFT]).tolist()
    whitened, target, _ = everything.whitened(levels, values)
    gains = {noise: _gain(whitened, target, detected, noise) for noise in detected}
    for noise in sorted(detected, key=lambda noise: gains[noise]):
        rest = [other for other in detected if other != noise]
        if not rest or gains[noise] > CLEAR * threshold:
            break
        without, seen = _explained(everything, levels, values, rest, noise)
        if without is None:
            continue

        def by_chance(
            simulated: FloatArray, *, begin: FloatArray = without, rest: list[int] = rest, noise: int = noise
        ) -> float:
            return _explained(everything, begin, simulated, rest, noise, rounds=ROUNDS_BY_CHANCE)[1]

        # simulated records without the noise may show as much of it too often
        if seen < threshold or probability_by_chance(
            by_chance, simulated_variances(everything, without), seen
        ) > special.ndtr(-math.sqrt(threshold)):
            return _confirmed(everything, without, values, threshold)
    return levels


def _explained(
    everything: Variances,
    levels: FloatArray,
    values: FloatArray,
    rest: Sequence[int],
    noise: int,
    *,
    rounds: int = ROUNDS,
) -> tuple[FloatArray | None, float]:
    """Return the fit without a noise, and by how much the noise lowers the misfit under its covariance.

    ``levels`` is where the fit begins; ``None`` and zero where there is none.
    """
    without = levels
    for _ in range(rounds):
        without, _ = _fit_of(*everything.whitened(without, values)[:2], rest)
        if not without[:DRIFT].any():
            return None, 0.0
    return without, _gain(*everything.whitened(without, values)[:2], sorted([*rest, noise]), noise)


def _gain(whitened: FloatArray, target: FloatArray, subset: Sequence[int], noise: int) -> float:
    """Return by how much one noise of a subset lowers the misfit."""
    rest = [other for other in subset if other != noise]
    return _fit_of(whitened, target, rest)[1] - _fit_of(whitened, target, subset)[1]


def _covariance_over_subsets(
    whitened: FloatArray, target: FloatArray, levels: FloatArray, threshold: float
) -> FloatArray:
    """Return the covariance about the levels chosen, what other subsets of the noises say included.

    Each subset counts by ``exp(-(misfit + threshold · size)/2)``, the rule by which one was chosen, with its
    own covariance and with how far its levels lie from those chosen (Buckland, Burnham and Augustin 1997,
    Biometrics 53). Only of noises that were chosen, and of the drift.
    """
    fits = _all_fits(whitened, target, threshold)
    shares = np.exp(-0.5 * (np.array([score for score, _ in fits]) - min(score for score, _ in fits)))
    total = np.zeros((DRIFT + 1, DRIFT + 1))
    for share, (_, other) in zip(shares / shares.sum(), fits, strict=True):
        if share > LEAST_SHARE:
            away = other - levels
            total += share * (_covariance(whitened, other > 0) + np.outer(away, away))
    chosen = levels > 0
    return np.where(np.outer(chosen, chosen), total, 0.0)


def _covariance(whitened: FloatArray, free: BoolArray) -> FloatArray:
    """Return the covariance of the free unknowns, zero for the others."""
    seen = np.flatnonzero(free)
    sizes = linalg.norm(whitened[:, seen], axis=0)
    scaled = whitened[:, seen] / sizes
    covariance = np.zeros((DRIFT + 1, DRIFT + 1))
    covariance[np.ix_(seen, seen)] = linalg.inv(scaled.T @ scaled) / np.outer(sizes, sizes)
    return covariance


def _limit(everything: Variances, solution: Solution, position: int) -> float:
    """Return the level, or squared drift, whose likelihood ratio against the best is that of 95 %, one-sided.

    The variances are themselves wider where the noise is at its limit, so that the covariance is
    taken there and the limit found again.
    """
    levels, limit = solution.levels.copy(), 0.0
    free = (levels > 0) | (np.arange(DRIFT + 1) == position)
    free[DRIFT] = bool(np.any(everything.responses[solution.used, DRIFT] > 0))
    for _ in range(LIMIT_ROUNDS):
        levels[position] = limit
        whitened, target, _ = everything.whitened(levels, solution.values, solution.used)
        covariance = _covariance(whitened, free)
        best = float(covariance[position] @ (whitened.T @ target))
        width = float(np.sqrt(covariance[position, position]))
        below = min(best, 0.0)  # a level below zero is impossible: the ratio counts from zero
        limit = max(best, 0.0) + float(np.sqrt(below**2 + ONE_SIDED_95 * width**2)) + below
    return limit


def simulated_variances(everything: Variances, levels: FloatArray, draws: int = DRAWS) -> FloatArray:
    """Return variances of so many simulated records with these levels, shape (draws, n).

    Notes
    -----
    A record's periodogram is at each frequency an exponential variable times the spectrum (large-sample
    theory; Brillinger, Time Series, 1981, 5.2), and every variance is a weighted sum over it. What the ends
    of the record and its gaps add is in the spread alone, which is scaled to the exact one.
    """
    generator = np.random.default_rng(SEED)
    parts, width = everything.spectral_parts(levels)
    shape = np.broadcast_to(width * everything.samples, (draws, len(width)))
    powers = generator.standard_gamma(shape) / shape - 1
    scatter = powers @ (parts * width).T
    exact = np.sqrt(np.diag(everything.covariance(levels)))
    rms = np.sqrt(np.sum(parts**2 * width / everything.samples, axis=1))
    means = everything.responses @ levels
    return np.asarray(np.maximum(means + scatter * (exact / rms), 0.0))


def probability_by_chance(
    statistic: Callable[[FloatArray], float], simulated: FloatArray, seen: float
) -> float:
    """Return how often chance alone reaches what was seen, counting the record itself among the draws."""
    reached = sum(statistic(values) >= seen for values in simulated)
    return (reached + 1) / (len(simulated) + 1)


def _about_drift(drift_per_s: float, limit_per_s: float, left_out: int) -> Finding:
    """Return the drift, or below what it would not be seen; ``left_out`` variances are dominated by it."""
    seen = drift_per_s > 0
    sentence = (
        f"A constant drift of the frequency of {drift_per_s:.2e} per second (sign not told) was fitted along"
        if seen
        else "A constant drift of the frequency was allowed for and is not detected: "
        f"below {limit_per_s:.2e} per second (95 %)"
    )
    sentence += (
        f"; {left_out} Allan variances that it may dominate were left out, and the Hadamard variance, which "
        "does not see it, decides there."
        if left_out
        else "."
    )
    values = {"drift_per_s": drift_per_s, "variances_left_out": left_out}
    if seen:
        return note("DRIFT_FITTED", sentence, **values)
    return note("NO_DRIFT_SEEN", sentence, **values, limit_per_s=limit_per_s)


def _about_levels(limits: Mapping[int, float], misfit: float, spare: int) -> tuple[Finding, ...]:
    """Return what the levels are of, limits of those not seen, and whether power laws explain the variances.

    The misfit, weighted sum of squared residuals of ``spare`` degrees of freedom, is nearly chi-squared.
    """
    sentence = (
        "White and flicker PM are taken as cut off at half the sampling rate; a wider measurement bandwidth "
        "folds its noise into the fitted level."
    )
    found = [note("PHASE_NOISE_BANDWIDTH", sentence)]
    if limits:
        units = dict(LEVEL_UNITS) | {-1: ""}
        below = "; ".join(
            f"{NOISE_NAMES[alpha]} not detected: below {limit:.2g} {units[alpha]}".rstrip()
            for alpha, limit in limits.items()
        )
        sentence = f"{below[0].upper()}{below[1:]} (each 95 %)."
        values = {f"h_{alpha:+d}_limit": limit for alpha, limit in limits.items()}
        found.append(note("NOISE_NOT_DETECTED", sentence, **values))
    probability = float(special.gammaincc(0.5 * max(spare, 1), 0.5 * misfit))
    fits = probability >= LEAST_PROBABILITY
    of = f"(misfit {misfit:.0f} for {spare} degrees of freedom)"
    sentence = (
        f"Power-law noises explain the variances {of}."
        if fits
        else f"Power-law noises do not explain the variances {of}: look for a periodic disturbance, steps, "
        "uneven aging or the display's resolution; the levels and limits are doubtful."
    )
    say, code = (good, "POWER_LAWS_FIT") if fits else (caution, "POWER_LAWS_DO_NOT_FIT")
    found.append(say(code, sentence, misfit=misfit, degrees_of_freedom=spare, probability=probability))
    return tuple(found)
