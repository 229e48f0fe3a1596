"""Stability in a window that moves along the record, and whether the noise changed.

Galleani and Tavella, "The characterization of clock behavior with the dynamic Allan variance", EFTF
2003; "The dynamic Allan variance", IEEE Trans. UFFC 56 (2009) 450.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace

import numpy as np

from evenbeat.deviations.averaging import Averaging, IntArray
from evenbeat.deviations.chi_squared_sums import ChiSquaredSums
from evenbeat.deviations.curve import StabilityCurve
from evenbeat.deviations.estimators import stability
from evenbeat.deviations.points import about_record, about_variation
from evenbeat.errors import InputError, TooShortError
from evenbeat.findings import Finding, caution, good, note
from evenbeat.plain import UNLISTED, Plain, listed_as
from evenbeat.quantities import DEFAULT_CONFIDENCE, FloatArray, checked_probability
from evenbeat.record import Record, check_record
from evenbeat.result import Column, Result, Table
from evenbeat.units import duration_text

STEPS_PER_WINDOW = 4
MOST_WINDOWS = 2000
FEWEST_EDF = 3.0
"""Windows are compared at averaging times where both have at least this many degrees of freedom."""
MOST_COMPARED = 60
OFTEN = 0.9
"""Probability with which a change of the stated size would have been seen."""


@dataclass(frozen=True, kw_only=True)
class NoiseChange(Plain):
    """The noise of two windows that do not overlap, compared at one averaging time.

    Windows by their start in seconds of the record; ``factor`` is the deviation of the second over that of
    the first, with limits that hold for all comparisons at once with 95 %: the pair was chosen because it is
    extreme, and so its factor is too large on average. ``probability`` is the chance of a ratio as extreme
    without any change, multiplied by Holm's adjustment.
    """

    averaging_time_s: float
    first_start_s: float
    second_start_s: float
    factor: float
    low: float
    high: float
    probability: float


def noise_changes(
    deviation: FloatArray, edf: FloatArray, times: FloatArray, starts: FloatArray
) -> tuple[tuple[NoiseChange, ...], int, FloatArray]:
    """Compare all pairs of disjoint windows.

    Returns
    -------
    changes
        The surest significant change per averaging time.
    comparisons
        How many there were.
    smallest_seen
        Shape (n,): factor between the deviations of any two of the windows compared that would have been seen
        in nine of ten records; NaN where none were.
    """
    from scipy import stats

    chosen = np.unique(np.linspace(0, len(starts) - 1, min(len(starts), MOST_COMPARED)).round().astype(int))
    one, two = (chosen[index] for index in np.triu_indices(len(chosen), 1))
    with np.errstate(invalid="ignore"):
        usable = (np.minimum(edf[one], edf[two]) >= FEWEST_EDF) & (
            np.minimum(deviation[one], deviation[two]) > 0
        )
    pairs, columns = np.nonzero(usable)
    smallest_seen = np.full(len(times), np.nan)
    if len(pairs) == 0:
        return (), 0, smallest_seen
    before, after = (one[pairs], columns), (two[pairs], columns)
    ratio = (deviation[after] / deviation[before]) ** 2
    spread = stats.f(edf[after], edf[before])
    # a true ratio ρ is seen where ρ F > the limit of the first of Holm's steps: P(F > limit/ρ) = 0.9
    tail = 0.5 * (1 - DEFAULT_CONFIDENCE) / len(pairs)
    limit = spread.isf(tail)
    np.fmax.at(smallest_seen, columns, np.sqrt(limit / spread.isf(OFTEN)))
    adjusted = holm(np.minimum(1.0, 2 * np.minimum(spread.cdf(ratio), spread.sf(ratio))))
    found = []
    for column in np.unique(columns[adjusted < 1 - DEFAULT_CONFIDENCE]):
        here = np.flatnonzero(columns == column)
        # probabilities underflow to zero together: among those the larger ratio is the clearer one
        best = int(here[np.lexsort((-np.abs(np.log(ratio[here])), adjusted[here]))[0]])
        widest = stats.f(edf[after][best], edf[before][best])
        low, high = (math.sqrt(ratio[best] / float(widest.isf(p))) for p in (tail, 1 - tail))
        found.append(
            NoiseChange(
                averaging_time_s=float(times[column]),
                first_start_s=float(starts[one[pairs[best]]]),
                second_start_s=float(starts[two[pairs[best]]]),
                factor=math.sqrt(ratio[best]),
                low=low,
                high=high,
                probability=float(adjusted[best]),
            )
        )
    return tuple(sorted(found, key=lambda change: change.probability)), len(pairs), smallest_seen


def holm(probabilities: FloatArray) -> FloatArray:
    """Return the probabilities adjusted by Holm's method for having made all these tests."""
    count = len(probabilities)
    order = np.argsort(probabilities, kind="stable")
    stepped = np.maximum.accumulate(probabilities[order] * np.arange(count, 0, -1))
    adjusted = np.empty(count)
    adjusted[order] = np.minimum(stepped, 1.0)
    return adjusted


def _about_changes(
    changes: tuple[NoiseChange, ...],
    comparisons: int,
    smallest_seen: FloatArray,
    times: FloatArray,
    window_s: float,
) -> tuple[Finding, ...]:
    """Return the changes in words, that there are none and which would have been seen, or that none could."""
    if comparisons == 0:
        sentence = (
            "No two windows could be compared: two that do not overlap, with at least "
            f"{FEWEST_EDF:.0f} degrees of freedom each, are needed."
        )
        return (note("NOT_COMPARED", sentence),)
    if not changes:
        seen = np.flatnonzero(~np.isnan(smallest_seen))
        sizes = smallest_seen[seen]
        least, most = int(np.argmin(sizes)), int(np.argmax(sizes))
        said = [
            f"{sizes[place]:.3g} at τ = {duration_text(float(times[seen[place]]))}"
            for place in dict.fromkeys((least, most))
        ]
        sentence = (
            f"The noise is steady in {comparisons} comparisons of windows of {duration_text(window_s)}: "
            f"between any two of them a change of the deviation by a factor of {' or of '.join(said)} would "
            "have been seen nine times in ten."
        )
        least_and_most = {
            "smallest_factor_seen": float(sizes[least]),
            "largest_factor_seen": float(sizes[most]),
        }
        return (good("NOISE_STEADY", sentence, comparisons=comparisons, **least_and_most),)
    found = []
    for change in changes:
        first, second = (
            f"{duration_text(start)} to {duration_text(start + window_s)}"
            for start in (change.first_start_s, change.second_start_s)
        )
        sentence = (
            f"The noise at τ = {duration_text(change.averaging_time_s)} changed by a factor of "
            f"{change.factor:.3g} (95 %: {change.low:.3g} to {change.high:.3g}) between the window from "
            f"{first} and the one from {second}; among {comparisons} comparisons chance would show this "
            f"with a probability of {change.probability:.1g}."
        )
        found.append(caution("NOISE_CHANGED", sentence, **change.to_dict(), comparisons=comparisons))
    return tuple(found)


@dataclass(frozen=True, eq=False, kw_only=True, repr=False)
class MovingStability(Result):
    """Stability in windows along a record, made by :func:`evenbeat.moving_stability`.

    Attributes
    ----------
    window_s, step_s
        Length of the window and from one window to the next.
    window_start_s
        Shape (w,): seconds from the start of the record.
    start
        UTC of the record, where it is known.
    averaging_factor, averaging_time_s
        Shape (n,).
    deviation, edf, noise_exponent
        Shape (w, n); NaN where gaps leave no term in a window.
    terms
        Shape (w, n).
    distributions
        Of the variances in each window, over their expectations.
    changes
        The clearest significant change at each averaging time that has one, the surest first.
    comparisons
        How many pairs of windows and averaging times were compared.
    smallest_seen
        Shape (n,): factor between the deviations of any two windows compared that would have been seen in
        nine of ten records; NaN where none were compared.
    """

    statistic: str
    title: str
    symbol: str
    unit: str
    window_s: float
    step_s: float
    start: np.datetime64 | None = field(metadata=listed_as("start_utc"))
    window_start_s: FloatArray
    averaging_factor: IntArray
    averaging_time_s: FloatArray
    deviation: FloatArray
    edf: FloatArray
    noise_exponent: FloatArray
    terms: IntArray
    distributions: tuple[ChiSquaredSums, ...] = field(metadata=UNLISTED)
    changes: tuple[NoiseChange, ...] = ()
    comparisons: int = 0
    smallest_seen: FloatArray | None = field(default=None, metadata=UNLISTED)

    _longest_table = 60

    def __len__(self) -> int:
        return len(self.window_start_s)

    @property
    def window_middle_s(self) -> FloatArray:
        """Shape (w,): seconds from the start of the record to the middle of each window."""
        return self.window_start_s + 0.5 * self.window_s

    def confidence_interval(self, confidence: float = DEFAULT_CONFIDENCE) -> tuple[FloatArray, FloatArray]:
        """Return the limits of the deviations, shape (w, n), as those of a single curve.

        Raises
        ------
        InputError
            If the confidence does not lie between 0 and 1.
        """
        tail = 0.5 * (1 - checked_probability(confidence, "confidence"))
        quantiles = [
            np.array([window.quantile(probability) for window in self.distributions])
            for probability in (1 - tail, tail)
        ]
        return self.deviation / np.sqrt(quantiles[0]), self.deviation / np.sqrt(quantiles[1])

    def _columns(self) -> tuple[Column, ...]:
        low, high = self.confidence_interval()
        ending = "_s" if self.unit == "s" else ""
        windows, times = self.deviation.shape
        return (
            Column("window_start_s", np.repeat(self.window_start_s, times)),
            Column("averaging_time_s", np.tile(self.averaging_time_s, windows)),
            Column(f"deviation{ending}", self.deviation.ravel()),
            Column(f"low_95{ending}", low.ravel()),
            Column(f"high_95{ending}", high.ravel()),
            Column("noise_exponent", self.noise_exponent.ravel()),
            Column("terms", self.terms.ravel()),
            Column("edf", self.edf.ravel()),
        )

    def _headline(self) -> str:
        return (
            f"{self.title} in {len(self)} windows of {duration_text(self.window_s)}, one every "
            f"{duration_text(self.step_s)}"
        )

    def _table(self) -> Table | None:
        times = np.unique(np.linspace(0, len(self.averaging_time_s) - 1, 5).round().astype(int))
        heads = [f"τ = {duration_text(float(tau))}" for tau in self.averaging_time_s[times]]
        columns = zip(heads, self.deviation[:, times].T, strict=True)
        return self._table_of(
            (
                Column("", self.window_start_s, "window from", duration_text),
                *(Column("", deviation, head, ".3e") for head, deviation in columns),
            )
        )


def moving_stability(
    record: Record,
    window_s: float,
    *,
    step_s: float | None = None,
    statistic: str = "overlapping_allan",
    averaging: Averaging = "doublings",
    minimum_coverage: float = 1.0,
) -> MovingStability:
    """Return a stability deviation in a window that moves along the record, and where the noise changed.

    Parameters
    ----------
    record
        Phase or frequency, as for :func:`evenbeat.stability`.
    window_s
        Length of the window; rounded to whole samples.
    step_s
        From one window to the next; a quarter of the window unless stated.
    statistic, averaging, minimum_coverage
        As for :func:`evenbeat.stability`.

    Returns
    -------
    MovingStability
        With intervals for every window. Windows that overlap share data; only windows that do not are
        compared.

    Raises
    ------
    InputError
        If the window or the step is not positive, or there would be more than 2000 windows.
    TooShortError
        If the window is longer than the record.

    Notes
    -----
    Two windows differ at an averaging time if the ratio of their variances is improbable under the F
    distribution with their equivalent degrees of freedom (each at least three; where few terms are
    independent true ratios are a little less scattered than that), after Holm's adjustment
    (Scandinavian Journal of Statistics 6, 1979) for all comparisons made: then the chance of any false
    alarm in the whole record is at most about 5 %. Not valid as a test of *when* the noise changed:
    that is known to about a window. A drift of frequency differs in nothing between windows.

    Examples
    --------
    >>> import evenbeat as eb
    >>> noise = eb.NoiseLevels(white_fm=1e-20, random_walk_fm=1e-30)
    >>> record = eb.simulate_clock(600, interval_s=60, levels=noise, seed=1)
    >>> moving = eb.moving_stability(record, 7200.0)
    >>> len(moving.window_start_s)
    17

    References
    ----------
    Formula: σ_y(τ) in a window that moves; F = s₁²/s₂²
    Source: Galleani and Tavella 2009 (dynamic Allan variance); F test, Holm 1979
    Tests: tests/deviations/test_moving.py
    """
    check_record(record, grid_for="moving_stability")
    length, step = _whole_samples(record, window_s, step_s)
    phase = int(record.kind == "phase")
    begins = np.arange(0, len(record) - phase - length + 1, step)
    if len(begins) > MOST_WINDOWS:
        msg = f"{len(begins)} windows were asked for; choose a longer step_s for at most {MOST_WINDOWS}"
        raise InputError(msg)
    parts = [record]
    if length + phase < len(record):
        bounds = [
            (begin * record.interval_s, (begin + length + phase) * record.interval_s) for begin in begins
        ]
        parts = [record.between(float(start), float(end)) for start, end in bounds]
    curves = _curves(parts, statistic, averaging, minimum_coverage)
    first = curves[0]
    deviation, edf = (np.array([getattr(c, name) for c in curves]) for name in ("deviation", "edf"))
    apart = -(-length // step)
    changes, comparisons, smallest_seen = noise_changes(
        deviation[::apart], edf[::apart], first.averaging_time_s, begins[::apart] * record.interval_s
    )
    computed = [finding for finding in first.findings if finding.code == "FACTORS_NOT_COMPUTED"]
    terms = np.array([curve.terms for curve in curves])
    if empty := int(np.count_nonzero(terms == 0)):
        sentence = (
            f"Gaps leave no term at {empty} pairs of a window and an averaging time; they stay unknown."
        )
        computed.append(caution("NO_COMPLETE_TERMS", sentence, places=empty))
    return MovingStability(
        statistic=first.statistic,
        title=first.title,
        symbol=first.symbol,
        unit=first.unit,
        window_s=length * record.interval_s,
        step_s=step * record.interval_s,
        start=record.start,
        window_start_s=begins * record.interval_s,
        averaging_factor=first.averaging_factor,
        averaging_time_s=first.averaging_time_s,
        deviation=deviation,
        edf=edf,
        noise_exponent=np.array([curve.noise_exponent for curve in curves]),
        terms=terms,
        distributions=tuple(curve.distribution or ChiSquaredSums.of_edf(curve.edf) for curve in curves),
        changes=changes,
        comparisons=comparisons,
        smallest_seen=smallest_seen,
        findings=(
            *about_record(record),
            *computed,
            *about_variation(np.where(np.isnan(deviation), 1.0, deviation).min(axis=0)),
            *_about_changes(
                changes, comparisons, smallest_seen, first.averaging_time_s, length * record.interval_s
            ),
        ),
    )


def _whole_samples(record: Record, window_s: float, step_s: float | None) -> tuple[int, int]:
    for name, value in (("window_s", window_s), ("step_s", step_s)):
        if value is not None and not (value > 0 and math.isfinite(value)):
            msg = f"{name} is {value}; it must be a positive number of seconds"
            raise InputError(msg)
    length = max(1, round(window_s / record.interval_s))
    available = len(record) - (record.kind == "phase")
    if length > available:
        msg = (
            f"window_s is {window_s:g} s but the record lasts {record.duration_s:g} s; "
            "choose a window within the record"
        )
        raise TooShortError(msg, needed=length, available=available)
    step = length / STEPS_PER_WINDOW if step_s is None else step_s / record.interval_s
    return length, max(1, round(step))


def _curves(
    parts: list[Record], statistic: str, averaging: Averaging, minimum_coverage: float
) -> list[StabilityCurve]:
    """Return the curve of every window; all unknown for a window without any sample."""
    present = [not np.isnan(part.usable_values(without_steps=False)).all() for part in parts]
    if not any(present):
        msg = "every sample of the record is missing or excluded; there is nothing to compute"
        raise InputError(msg)
    curves = {
        i: stability(part, statistic, averaging=averaging, minimum_coverage=minimum_coverage)
        for i, part in enumerate(parts)
        if present[i]
    }
    known = next(iter(curves.values()))
    nothing = np.full(len(known), np.nan)
    unknown = replace(
        known,
        deviation=nothing,
        edf=nothing,
        noise_exponent=nothing,
        terms=np.zeros_like(known.terms),
        distribution=None,
    )
    return [curves.get(i, unknown) for i in range(len(parts))]
