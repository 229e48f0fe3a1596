"""The levels of all five power-law noises of one record, fitted at once to three variances of it.

Overlapping Allan, modified Allan and overlapping Hadamard variances at doublings of the averaging time are
linear in the levels, ``V = Σ h_α Φ_α + D² τ²/2`` (Vernotte et al., "Oscillator noise: analysis of
multivariance measurement", IEEE Trans. Instrum. Meas. 42, 1993). Their logarithms are taken as jointly
normal, with mean and variance of those of chi-squared variables, as in
:mod:`evenbeat.deviations.noise_mixture`: variances at long averaging times are sums of few squares, skewed to
the right. Which noises exist is decided by likelihood ratio, every subset of them tried.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from types import MappingProxyType

import numpy as np
import numpy.typing as npt
from scipy import special

from evenbeat.deviations.covariance import FIVE, in_seconds, mean_square_difference
from evenbeat.deviations.freedom import Moments
from evenbeat.deviations.noise_mixture import STANDS_STILL, Fits, Fitted, MeanSquares, log_likelihood
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
sampled integral or the ends of the record blur is to be trusted."""
LOOKS = ("overlapping_allan", "modified_allan", "overlapping_hadamard")
DRIFT = 5
"""Position of the squared drift among the six unknowns."""


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


ROUNDS, ROUNDS_OF_LIMITS = 12, 6
PLACES_OF_LIMITS = np.geomspace(1e-4, 1.0, 24)
"""Of a level in units of the most that the record can hold of it."""
ONE_SIDED_95 = 2.7055434540954146
LARGEST_DRIFT_SHARE = 0.2
LEAST_PROBABILITY = 0.001
"""Of a misfit that counts as one: correlations not being fully trusted, it is smaller than chi-squared."""


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
    record; exact expectations of sampled phase at every factor; their logarithms as jointly normal, with the
    moments of logarithms of chi-squared variables. A noise is reported where leaving it out raises minus
    twice the logarithm of the likelihood by more than the quantile of half chi-squared with no and half with
    one degree of freedom (2.706 at 5 %: the level cannot be negative; Self and Liang 1987), among all subsets
    of the five. So is a constant drift, at 5 %; variances that it dominates are then left out, so that the
    Hadamard variance decides there. White PM is that of phase cut off at half the sampling rate.

    CLAIMS    Flicker PM is the half-order sum of white noise (:mod:`evenbeat.deviations.covariance`).

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
    chance = checked_probability(significance, "significance")
    if chance >= 0.5:
        msg = f"significance is {significance}; at half and more every noise would be reported, give 0.05"
        raise InputError(msg)
    threshold = float(special.ndtri(1 - chance) ** 2)
    variances = variances_of(record)
    with one_thread():  # these matrices are too small for two threads
        everything = solution = _solved(variances, threshold)
        used = everything.drift_share <= LARGEST_DRIFT_SHARE
        if not used.all():
            some = np.flatnonzero(used).tolist()
            left = MeanSquares(
                tuple(variances.terms[k] for k in some),
                variances.values[used],
                tuple(variances.moments[k] for k in some),
                variances.drift[used],
            )
            solution = _solved(left, threshold)
        upper = solution.limits()
        drift_limit = (upper if used.all() else everything.limits()).get(DRIFT, 0.0)
    units = np.array([in_seconds(alpha, record.interval_s) for alpha in FIVE])
    levels = solution.levels[:DRIFT] / units
    uncertainty = solution.standard_uncertainty[:DRIFT] / units
    limits = {FIVE[place]: limit / float(units[place]) for place, limit in upper.items() if place < DRIFT}
    drift, drift_limit = (
        math.sqrt(square) / record.interval_s**2 for square in (everything.levels[DRIFT], drift_limit)
    )
    detected = np.flatnonzero(levels)
    return NoiseFit(
        levels=NoiseLevels.in_order(levels.tolist(), limits),
        standard_uncertainty={FIVE[place]: float(uncertainty[place]) for place in detected},
        drift_per_s=drift,
        drift_limit_per_s=math.nan if drift else drift_limit,
        interval_s=record.interval_s,
        samples=len(record),
        misfit=solution.misfit,
        variances=int(used.sum()),
        record_name="" if record.source is None else record.source.name,
        findings=(
            *about_record(record),
            _about_drift(drift, drift_limit, int(np.count_nonzero(~used))),
            *_about_levels(limits, solution.misfit, int(used.sum()) - len(detected)),
        ),
    )


def variances_of(record: Record) -> MeanSquares:
    """Return the variances of phase [s²] at doublings up to an eighth of it, without those that stand still.

    Raises
    ------
    TooShortError
        If the record has fewer than 128 phase points.
    InputError
        If it does not vary, or gaps leave no two terms of any.
    """
    samples = samples_of(record, 1.0)
    if samples.points < FEWEST_POINTS:
        needed = FEWEST_POINTS - (record.kind == "frequency")
        msg = f"a fit of noise levels needs at least {needed} samples; the record has {len(record)}"
        raise TooShortError(msg, needed=needed, available=len(record))
    factors = 2 ** np.arange(int(math.log2((samples.points - 1) / LONGEST_SHARE)) + 1)
    found: list[tuple[tuple[int, int, bool], float, Moments, float]] = []
    least, some = 0.0, False
    for form in (DIFFERENCES[name] for name in LOOKS):
        # at factor 1 the modified Allan variance is the Allan variance
        wanted = factors[form.averaged :]
        for terms, factor in zip(form.variances(samples, wanted), wanted.tolist(), strict=True):
            # of no noise they fall faster than the third power of the factor: readings that stand still do
            some |= terms.terms > 1
            if terms.terms < 2 or not terms.total * factor**3 > least:
                continue
            least = least or STANDS_STILL * terms.total * factor**3
            of = form.moments(terms, samples.points, factor)
            five = Moments(
                expected=of.expected[:DRIFT],
                aimed_at=of.expected[:DRIFT],
                products=of.products[:DRIFT, :DRIFT],
            )
            drift = 0.0 if form.order > 2 else 0.5 * factor**2
            found.append(((form.order, factor, form.averaged), terms.total, five, drift))
    if not found:
        msg = "the record does not vary at all, so that no noise can be fitted; look at the counter's display"
        if not some:
            msg = "gaps leave no two terms of any variance; take a stretch without, to fit noises to it"
        raise InputError(msg)
    kinds, values, moments, drifts = zip(*found, strict=True)
    return MeanSquares(kinds, np.array(values), moments, np.array(drifts))


@dataclass(frozen=True, eq=False, kw_only=True)
class Solution:
    """Fits of all subsets of unknowns, levels in units of the ``most`` there can be of each.

    ``scores`` are minus twice the logarithm of the likelihood, and a threshold for each unknown that is in.
    """

    variances: MeanSquares
    fits: Fits
    most: FloatArray
    fitted: Fitted
    scores: FloatArray

    @property
    def best(self) -> int:
        """The subset that is chosen."""
        return int(np.argmin(self.scores))

    @property
    def levels(self) -> FloatArray:
        """Shape (6,): levels and the squared drift for an interval of one second, zero where not seen."""
        levels = self.fitted.levels[self.best] * self.fitted.subsets[self.best] * self.most
        return np.pad(levels, (0, DRIFT + 1 - len(levels)))

    @property
    def drift_share(self) -> FloatArray:
        """Shape (n,): share of the drift in what is expected."""
        drift = self.variances.drift * self.levels[DRIFT]
        return drift / (drift + [point.expected @ self.levels[:DRIFT] for point in self.variances.moments])

    @property
    def misfit(self) -> float:
        """Weighted sum of squared residuals."""
        return float(np.sum((self.fitted.inverse[self.best] @ self.fitted.residuals[self.best]) ** 2))

    @property
    def standard_uncertainty(self) -> FloatArray:
        """Shape (unknowns,): about the levels chosen, what other subsets of the noises say included.

        Each subset counts by ``exp(-score/2)``, the rule by which one was chosen, with its own covariance and
        with how far its levels lie from those chosen (Buckland, Burnham and Augustin 1997, Biometrics 53).
        """
        free = self.fitted.subsets
        both = free[:, :, np.newaxis] & free[:, np.newaxis]
        inverse = np.linalg.inv(np.where(both, self.fitted.normal, np.eye(free.shape[1])))
        shares = np.exp(0.5 * (self.scores.min() - self.scores))
        levels = self.fitted.levels * free
        squares = np.einsum("sii->si", inverse) * free + (levels - levels[self.best]) ** 2
        return np.sqrt(shares @ squares / shares.sum()) * self.most

    def limits(self) -> dict[int, float]:
        """Return of each unknown not chosen the level whose likelihood ratio is that of 95 %, one-sided.

        Against the best level of it, the others and a drift fitted again at each.
        """
        chosen = self.fitted.subsets[self.best].copy()
        absent = np.flatnonzero(~chosen)
        if len(absent) == 0:
            return {}
        chosen[DRIFT:] = True
        places = np.repeat(absent, len(PLACES_OF_LIMITS))
        rows = np.arange(len(places))
        subsets, begin = (
            np.tile(each, (len(places), 1)) for each in (chosen, self.fitted.levels[self.best] * chosen)
        )
        subsets[rows, places], begin[rows, places] = False, np.tile(PLACES_OF_LIMITS, len(absent))
        found = replace(self.fits, subsets=subsets).fitted(ROUNDS_OF_LIMITS, hopeless=math.inf, begin=begin)
        ratios = -2 * log_likelihood(found.residuals[:, np.newaxis], found.inverse)
        limits = {}
        for place, ratio in zip(absent.tolist(), ratios.reshape(len(absent), -1), strict=True):
            least = int(np.argmin(ratio))
            beyond = np.maximum.accumulate(ratio[least:] - ratio[least])
            at = np.interp(ONE_SIDED_95, beyond, np.log(PLACES_OF_LIMITS[least:]))
            limits[place] = math.exp(float(at)) * float(self.most[place])
        return limits


def _solved(variances: MeanSquares, threshold: float) -> Solution:
    factors = np.array([factor for _, factor, _ in variances.terms], dtype=float)
    fits, most = variances.fits(DRIFT, OCTAVE_POINTS, SHRINKAGE + LONG_SHRINKAGE * factors / factors.max())
    fitted = fits.fitted(ROUNDS, hopeless=math.inf)
    likelihood = log_likelihood(fitted.residuals[:, np.newaxis], fitted.inverse)[:, 0]
    asked = np.array([threshold] * DRIFT + [ONE_SIDED_95])[: len(most)]
    scores = fitted.subsets @ asked - 2 * likelihood
    return Solution(variances=variances, fits=fits, most=most, fitted=fitted, scores=scores)


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
