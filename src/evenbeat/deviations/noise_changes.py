"""Whether the noise changed between windows of a record that do not overlap."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from evenbeat.findings import Finding
from evenbeat.plain import Plain
from evenbeat.quantities import DEFAULT_CONFIDENCE, FloatArray
from evenbeat.units import duration_text

FEWEST_EDF = 3.0
"""Windows are compared at averaging times where both have at least this many degrees of freedom."""
MOST_COMPARED = 60
OFTEN = 0.9
"""Probability with which a change of the stated size would have been seen."""


@dataclass(frozen=True, kw_only=True)
class NoiseChange(Plain):
    """The noise of two windows that do not overlap, compared at one averaging time.

    Attributes
    ----------
    averaging_time_s
        Where.
    first_start_s, second_start_s
        Seconds from the start of the record to the start of the two windows.
    factor, low, high
        Deviation of the second over that of the first, with limits that hold for all comparisons at
        once with 95 %: the pair was chosen because it is extreme, and so its factor is too large on
        average.
    probability
        Chance of a ratio as extreme without any change, multiplied by Holm's adjustment.
    """

    averaging_time_s: float
    first_start_s: float
    second_start_s: float
    factor: float
    low: float
    high: float
    probability: float


@dataclass(frozen=True, eq=False, kw_only=True)
class Compared:
    """All pairs of disjoint windows, compared.

    Attributes
    ----------
    changes
        The surest significant change per averaging time.
    comparisons
        How many there were.
    smallest_seen
        Shape (n,): factor between the deviations of any two of the windows compared that would have been seen
        in nine of ten records; NaN where none were.
    """

    changes: tuple[NoiseChange, ...]
    comparisons: int
    smallest_seen: FloatArray


def noise_changes(deviation: FloatArray, edf: FloatArray, times: FloatArray, starts: FloatArray) -> Compared:
    """Compare all pairs of disjoint windows."""
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
        return Compared(changes=(), comparisons=0, smallest_seen=smallest_seen)
    before, after = (one[pairs], columns), (two[pairs], columns)
    ratio = (deviation[after] / deviation[before]) ** 2
    spread = stats.f(edf[after], edf[before])
    # a true ratio ρ is seen where ρ F > the limit of the first of Holm's steps: P(F > limit/ρ) = 0.9
    limit = spread.isf(0.5 * (1 - DEFAULT_CONFIDENCE) / len(pairs))
    np.fmax.at(smallest_seen, columns, np.sqrt(limit / spread.isf(OFTEN)))
    adjusted = holm(np.minimum(1.0, 2 * np.minimum(spread.cdf(ratio), spread.sf(ratio))))
    found = []
    for column in np.unique(columns[adjusted < 1 - DEFAULT_CONFIDENCE]):
        here = np.flatnonzero(columns == column)
        # probabilities underflow to zero together: among those the larger ratio is the clearer one
        best = int(here[np.lexsort((-np.abs(np.log(ratio[here])), adjusted[here]))[0]])
        tail = 0.5 * (1 - DEFAULT_CONFIDENCE) / len(pairs)
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
    return Compared(
        changes=tuple(sorted(found, key=lambda change: change.probability)),
        comparisons=len(pairs),
        smallest_seen=smallest_seen,
    )


def holm(probabilities: FloatArray) -> FloatArray:
    """Return the probabilities adjusted by Holm's method for having made all these tests."""
    count = len(probabilities)
    order = np.argsort(probabilities, kind="stable")
    stepped = np.maximum.accumulate(probabilities[order] * np.arange(count, 0, -1))
    adjusted = np.empty(count)
    adjusted[order] = np.minimum(stepped, 1.0)
    return adjusted


def about_changes(compared: Compared, times: FloatArray, window_s: float) -> tuple[Finding, ...]:
    """Return the changes in words, that there are none and which would have been seen, or that none could."""
    comparisons = compared.comparisons
    if comparisons == 0:
        sentence = (
            "No two windows could be compared: two that do not overlap, with at least "
            f"{FEWEST_EDF:.0f} degrees of freedom each, are needed."
        )
        return (Finding(code="NOT_COMPARED", severity="note", sentence=sentence),)
    if not compared.changes:
        seen = np.flatnonzero(~np.isnan(compared.smallest_seen))
        sizes = compared.smallest_seen[seen]
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
        values: dict[str, float | int | str] = {
            "comparisons": comparisons,
            "smallest_factor_seen": float(sizes[least]),
            "largest_factor_seen": float(sizes[most]),
        }
        return (Finding(code="NOISE_STEADY", severity="good", sentence=sentence, values=values),)
    return tuple(
        Finding(
            code="NOISE_CHANGED",
            severity="caution",
            sentence=change_sentence(change, comparisons, window_s),
            values={**change.to_dict(), "comparisons": comparisons},
        )
        for change in compared.changes
    )


def change_sentence(change: NoiseChange, comparisons: int, window_s: float) -> str:
    """Return ``The noise at τ = 10 s changed by a factor of 3 …`` in words."""
    first, second = (
        f"{duration_text(start)} to {duration_text(start + window_s)}"
        for start in (change.first_start_s, change.second_start_s)
    )
    return (
        f"The noise at τ = {duration_text(change.averaging_time_s)} changed by a factor of "
        f"{change.factor:.3g} (95 %: {change.low:.3g} to {change.high:.3g}) between the window from {first} "
        f"and the one from {second}; among {comparisons} comparisons chance would show this with a "
        f"probability of {change.probability:.1g}."
    )
