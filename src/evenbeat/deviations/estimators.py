"""The table of stability statistics, and the function that computes them."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import partial
from types import MappingProxyType

import numpy as np

from evenbeat.deviations.averaging import Averaging, IntArray, asked_factors, chosen_factors
from evenbeat.deviations.curve import StabilityCurve
from evenbeat.deviations.drift import LAW, without_drift
from evenbeat.deviations.extended.curves import check_bias, extended_curve
from evenbeat.deviations.extended.form import Bias
from evenbeat.deviations.extended.forms import EXTENDED
from evenbeat.deviations.extended.hybrid import HYBRID, hybrid_curve
from evenbeat.deviations.freedom import Moments, moments_of_differences
from evenbeat.deviations.names import name_of
from evenbeat.deviations.noise_mixture import Law, NoiseMixture
from evenbeat.deviations.noise_search import mixture_of
from evenbeat.deviations.remarks import about_gaps, about_noise, about_record, about_rounding, about_variation
from evenbeat.deviations.self_check import Asked
from evenbeat.deviations.sums.kernels import Progress, TermSum, one_thread, sums_of_squares
from evenbeat.deviations.sums.samples import Samples, samples_of
from evenbeat.deviations.term_weights import weights_of_differences
from evenbeat.errors import InputError, TooShortError
from evenbeat.powerlaw import NoiseLevels
from evenbeat.quantities import FloatArray
from evenbeat.record import Record, check_record


@dataclass(frozen=True, kw_only=True)
class Statistic:
    """One statistic: a mean of squared differences of phase, and what it is called.

    Attributes
    ----------
    name, title, symbol, unit
        How it is asked for and how it is written.
    order
        Order of the difference of phase: 2 (Allan) or 3 (Hadamard).
    overlapping
        Whether a difference starts at every sample, or once per averaging time.
    averaged
        Whether each term is the mean of as many neighbouring differences as the averaging factor.
    source
        Where it is defined.
    """

    name: str
    title: str
    symbol: str
    order: int
    overlapping: bool
    source: str
    averaged: bool = False
    unit: str = ""

    @property
    def blind_to_drift(self) -> bool:
        """Whether a constant drift of frequency leaves it unchanged."""
        return self.order >= 3

    @property
    def spans(self) -> int:
        """How many averaging times one term spans."""
        return self.order + self.averaged

    def largest_factor(self, points: int) -> int:
        """Return the largest averaging factor with at least one term."""
        return points // self.spans if self.averaged else (points - 1) // self.spans

    def normalised(self, mean_square_s2: float, averaging_time_s: float) -> float:
        """Return the deviation from the mean square of the terms.

        The divisor is the sum of squares of the binomial weights of the frequency averages: 2 for the
        Allan, 6 for the Hadamard variance; the time deviation is ``τ/√3`` times the modified Allan one.
        """
        divisor = math.comb(2 * (self.order - 1), self.order - 1)
        root = math.sqrt(mean_square_s2 / divisor)
        return root / math.sqrt(3) if self.unit == "s" else root / averaging_time_s

    def white_phase_response(self, factors: IntArray, averaging_time_s: FloatArray) -> FloatArray:
        """Return the deviation that independent phase errors spread evenly over one second make."""
        mean_squares = math.comb(2 * self.order, self.order) / 12 / (factors if self.averaged else 1)
        pairs = np.broadcast(mean_squares, averaging_time_s)
        return np.array([self.normalised(square, tau) for square, tau in pairs])


_HANDBOOK = "NIST SP 1065 (2008), 5.2"
STATISTICS: Mapping[str, Statistic] = MappingProxyType(
    {
        statistic.name: statistic
        for statistic in (
            Statistic(
                name="allan",
                title="Allan deviation",
                symbol="σ_y(τ)",
                order=2,
                overlapping=False,
                source=f"{_HANDBOOK}.2; IEEE Std 1139",
            ),
            Statistic(
                name="overlapping_allan",
                title="overlapping Allan deviation",
                symbol="σ_y(τ)",
                order=2,
                overlapping=True,
                source=f"{_HANDBOOK}.4; ITU-T G.810 appendix II",
            ),
            Statistic(
                name="modified_allan",
                title="modified Allan deviation",
                symbol="Mod σ_y(τ)",
                order=2,
                overlapping=True,
                averaged=True,
                source=f"{_HANDBOOK}.5; IEEE Std 1139",
            ),
            Statistic(
                name="time",
                title="time deviation",
                symbol="σ_x(τ)",
                order=2,
                overlapping=True,
                averaged=True,
                unit="s",
                source=f"{_HANDBOOK}.6; ITU-T G.810 appendix II",
            ),
            Statistic(
                name="hadamard",
                title="Hadamard deviation",
                symbol="Hσ_y(τ)",
                order=3,
                overlapping=False,
                source=f"{_HANDBOOK}.8",
            ),
            Statistic(
                name="overlapping_hadamard",
                title="overlapping Hadamard deviation",
                symbol="Hσ_y(τ)",
                order=3,
                overlapping=True,
                source=f"{_HANDBOOK}.9",
            ),
        )
    }
)


def stability(
    record: Record,
    statistic: str = "overlapping_allan",
    *,
    averaging: Averaging = "ten_per_decade",
    averaging_time_s: Sequence[float] | float | None = None,
    minimum_coverage: float = 1.0,
    bias: Bias = "exact",
    noise: NoiseLevels | str | None = None,
    remove_drift: bool = False,
    progress: Progress | None = None,
) -> StabilityCurve:
    """Return a stability deviation of a record against averaging time, with intervals.

    Parameters
    ----------
    record
        Phase or frequency; flagged samples are left out, steps of known size are subtracted.
    statistic
        ``allan``, ``overlapping_allan``, ``modified_allan``, ``time``, ``hadamard``,
        ``overlapping_hadamard``, ``total``, ``modified_total``, ``time_total``, ``hadamard_total``,
        ``theo1``, ``theo1_hybrid`` or ``parabolic``; or, in the trade's abbreviations, ``adev``, ``oadev``,
        ``mdev``, ``tdev``, ``hdev``, ``ohdev``, ``totdev``, ``mtotdev``, ``ttotdev``, ``htotdev``, ``theoh``
        or ``pdev``. The total family and Théo1 need a record without gaps.
    averaging
        Averaging factors: ``ten_per_decade``, ``doublings``, ``every`` (at most 500, thinned to equal
        proportions), or whole numbers (computed in rising order, each once; those beyond the record are
        returned as a finding).
    averaging_time_s
        In place of ``averaging`` the averaging times in seconds, multiples of the interval.
    minimum_coverage
        Share of the samples that an average of a frequency record with gaps (and a mean of the
        modified statistics) must rest on. With 1 one missing sample ends every average that holds it,
        with 0.9 an occasional gap does not end the long averaging times. Below 1 white and flicker PM
        come out too large, because the ends of an average no longer cancel; the finding
        ``PARTIAL_AVERAGES`` says so.
    bias
        What is done about the bias of the total family and of Théo1 against the variance they estimate:
        ``exact`` divides by the exact ratio of expectations under the record's mixture of noises,
        ``published`` by the published factor (so that the tables of the handbook come out; for the modified
        total it is up to 6 % in variance away from the exact one, at factor 1 by 46 %), ``none`` leaves it
        in. Without effect on the others. For ``theo1_hybrid`` ``published`` is the ratio measured where both
        parts exist; its intervals are then too short.
    noise
        The noise behind the intervals and the bias, taken as given: levels, or the name of one noise, such as
        ``"white FM"``. Unless given the mixture of noises is found from the record, with what is not known of
        it, and never from the averaging times asked for.
    remove_drift
        Whether a linear drift of frequency, fitted by least squares, is taken out first. Title and findings
        say so; beyond about a tenth of the record the deviations then come out low.
    progress
        Called after each averaging time with how many are done and how many there are; of averaging times
        worked on together so many count as done as is their share of the work.

    Returns
    -------
    StabilityCurve
        In seconds for ``time``, otherwise a fractional frequency.

    Raises
    ------
    InputError
        For an unknown statistic or impossible averaging factors.
    TooShortError
        If the record is too short for the statistic.

    Notes
    -----
    Definitions as in :data:`STATISTICS` and :data:`evenbeat.deviations.extended.forms.EXTENDED`. Averaging
    factors of ``theo1`` are even spans of ten samples and more, its averaging times 0.75 of them. A phase
    record of any length needs constant extra memory (it may be memory-mapped), with gaps an eighth of its
    own; a frequency record is integrated once, which takes the memory of another record. Not valid for the
    noise alone where the record drifts and the statistic is not blind to drift: drift D gives ``D τ/√2``.

    References
    ----------
    Formula: σ_y²(τ) = ⟨(ȳ₂ - ȳ₁)²⟩/2 (Allan); the others as in the table of statistics
    Source: NIST SP 1065 (2008), 5.2; IEEE Std 1139; Greenhall and Riley 2003 (degrees of freedom)
    Tests: tests/reference/test_published_stability.py

    Examples
    --------
    >>> from evenbeat import NoiseLevels, simulate_clock
    >>> record = simulate_clock(1000, interval_s=1.0, levels=NoiseLevels(white_fm=2e-22), seed=1)
    >>> curve = stability(record, averaging=[1, 10, 100])
    >>> bool(abs(curve.deviation[0] / 1e-11 - 1) < 0.1)
    True
    """
    check_record(record, grid_for="stability")
    check_bias(bias)
    statistic = name_of(statistic)
    if statistic in ("mtie", "rms"):
        msg = f"the statistic {statistic!r} is one of time error: time_interval_error(record, {statistic!r})"
        raise InputError(msg)
    given = record
    if remove_drift:
        record, removed = without_drift(record)
    form = EXTENDED[statistic].form if statistic in EXTENDED else None
    averaging = asked_factors(
        averaging,
        averaging_time_s,
        interval_s=record.interval_s,
        share=form.effective_share if form else 1.0,
        step=form.step if form else 1,
    )
    with one_thread():  # the matrices are too small for two threads
        if statistic == HYBRID:
            curve = hybrid_curve(
                record,
                averaging,
                minimum_coverage=minimum_coverage,
                bias=bias,
                noise=noise,
                progress=progress,
            )
        elif statistic in EXTENDED:
            curve = extended_curve(
                record,
                statistic,
                averaging,
                minimum_coverage=minimum_coverage,
                bias=bias,
                noise=noise,
                progress=progress,
            )
        else:
            curve = _difference_curve(record, _known(statistic), averaging, minimum_coverage, noise, progress)
    again = partial(
        stability,
        statistic=statistic,
        averaging=curve.averaging_factor.tolist(),
        minimum_coverage=minimum_coverage,
        bias=bias,
        noise=noise,
        remove_drift=remove_drift,
    )
    curve = replace(curve, asked=Asked(record=given, again=again))
    if not remove_drift:
        return curve
    return replace(curve, title=f"{curve.title}, {LAW} removed", findings=(removed, *curve.findings))


def _difference_curve(
    record: Record,
    kind: Statistic,
    averaging: Averaging,
    minimum_coverage: float,
    noise: NoiseLevels | str | None,
    progress: Progress | None,
) -> StabilityCurve:
    """Return the curve of one of :data:`STATISTICS`."""
    samples = samples_of(record, minimum_coverage)
    largest = kind.largest_factor(samples.points)
    if largest < 1:
        needed = kind.spans + (not kind.averaged) - (record.kind == "frequency")
        msg = f"the {kind.title} needs at least {needed} samples; the record has {len(record)}"
        raise TooShortError(msg, needed=needed, available=len(record))
    chosen = chosen_factors(averaging, largest=largest, samples=len(record), interval_s=record.interval_s)
    times = chosen.factors * record.interval_s
    mixture = mixture_of(samples, record.interval_s, noise, order=kind.order)
    sums, moments, weights = _computed(
        samples, kind, chosen.factors, mixture, minimum_coverage=minimum_coverage, progress=progress
    )
    law = Law.of(mixture, moments)
    deviation = np.array([_deviation(term, kind, time) for term, time in zip(sums, times, strict=True)])
    return StabilityCurve.of_record(
        record,
        kind,
        averaging_factor=chosen.factors,
        averaging_time_s=times,
        deviation=deviation,
        terms=np.array([term.terms for term in sums], dtype=np.int64),
        edf=law.edf,
        distribution=law.distribution(weights),
        noise_exponent=law.exponent,
        noise=mixture,
        expected=np.array(
            [kind.normalised(aim, time) for aim, time in zip(law.aimed_at, times, strict=True)]
        ),
        findings=(
            *chosen.findings,
            *about_record(record),
            *about_gaps(samples, sums, times, minimum_coverage),
            *about_variation(deviation),
            *about_rounding(samples, deviation, kind.white_phase_response(chosen.factors, times)),
            *about_noise(law, times, stated=noise is not None),
        ),
    )


def _known(statistic: str) -> Statistic:
    if statistic not in STATISTICS:
        msg = f"statistic is {statistic!r}; it must be one of {', '.join((*STATISTICS, *EXTENDED, HYBRID))}"
        raise InputError(msg)
    return STATISTICS[statistic]


def _computed(
    samples: Samples,
    kind: Statistic,
    factors: IntArray,
    mixture: NoiseMixture | None,
    *,
    minimum_coverage: float,
    progress: Progress | None,
) -> tuple[list[TermSum], list[Moments], list[FloatArray | None]]:
    """Return the sums, what they are in expectation, and the weights behind them."""
    sums = sums_of_squares(
        samples,
        factors,
        kind.order,
        averaged=kind.averaged,
        overlapping=kind.overlapping,
        minimum_coverage=minimum_coverage,
        progress=progress,
    )
    mean = None if mixture is None else mixture.levels_for(2 * kind.order + 1).mean(axis=0)
    moments, weights = [], []
    for terms, factor in zip(sums, factors.tolist(), strict=True):
        found = moments_of_differences(
            terms, factor, order=kind.order, averaged=kind.averaged, overlapping=kind.overlapping
        )
        levels = found.least_freedom if mean is None else mean
        moments.append(found)
        weights.append(
            weights_of_differences(
                terms,
                factor,
                found.freedom(levels),
                levels=levels,
                order=kind.order,
                averaged=kind.averaged,
                overlapping=kind.overlapping,
            )
        )
    return sums, moments, weights


def _deviation(terms: TermSum, kind: Statistic, averaging_time_s: float) -> float:
    if terms.terms == 0:
        return math.nan
    return kind.normalised(terms.total / terms.terms, averaging_time_s)
