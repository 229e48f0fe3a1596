"""What the checks share: robust level and spread of a series, and places in a record as people say them."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
import numpy.typing as npt
from scipy import ndimage, special

from evenbeat.quantities import FloatArray
from evenbeat.record import Flag, Record
from evenbeat.units import duration_text

MAD_TO_SIGMA = 1.4826
"""Standard deviation of a normal distribution in units of its median absolute deviation."""
MOST_NAMED = 3
MOST_FLAGS = 1000


def present(values: FloatArray) -> npt.NDArray[np.intp]:
    """Return the positions of the samples that are not missing."""
    return np.flatnonzero(~np.isnan(values))


def running_median(values: FloatArray, width: int) -> FloatArray:
    """Return the median of ``width`` neighbours (odd) around each sample; no sample may be missing."""
    width = min(width, len(values) - (len(values) + 1) % 2)
    return np.asarray(ndimage.median_filter(values, size=max(width, 1), mode="reflect"))


def spread(values: FloatArray) -> float:
    """Return the scaled median absolute deviation, an estimate of sigma that outliers do not move."""
    if not len(values):
        return 0.0
    return MAD_TO_SIGMA * float(np.median(np.abs(values - np.median(values))))


def scatter(samples: FloatArray, kind: str, elapsed: FloatArray | None = None) -> float:
    """Return the scatter from one sample to the next, the slope of a phase record removed.

    Parameters
    ----------
    elapsed
        When the samples were taken, where that is not evenly.
    """
    changes = np.diff(samples, n=1 if kind == "frequency" else 2)
    if kind == "phase" and elapsed is not None:  # twice the distance from the line between the neighbours
        steps = np.diff(elapsed)
        before = steps[:-1] / (steps[:-1] + steps[1:])
        changes = 2 * ((1 - before) * samples[:-2] + before * samples[2:] - samples[1:-1])
    robust = spread(changes)
    return (robust if robust > 0 else float(np.std(changes))) / math.sqrt(2 if kind == "frequency" else 6)


def tail_spread(values: FloatArray, share: float) -> float:
    """Return an estimate of sigma that heavy tails raise but the ``share`` farthest values do not.

    The larger of :func:`spread` and the quantile that ``share`` of the values exceed, in units of what
    it is for a normal distribution.
    """
    if not len(values):
        return 0.0
    share = min(max(share, 1e-3), 0.5)
    middle, far = np.quantile(np.abs(values - np.median(values)), (0.5, 1 - share))
    return float(max(MAD_TO_SIGMA * middle, far / special.ndtri(1 - share / 2)))


def moment_text(record: Record, sample: int) -> str:
    """Return the UTC of a sample, or the time since the start where the record states none."""
    elapsed_s = record.time_of(sample)
    if record.start is None:
        return f"{duration_text(elapsed_s)} after the start"
    moment = record.start + np.timedelta64(round(elapsed_s), "s")
    return f"{np.datetime_as_string(moment, unit='s')} UTC"


def places_text(record: Record, samples: Sequence[int] | npt.NDArray[np.intp]) -> str:
    """Return the first three places and how many more there are."""
    named = "; ".join(moment_text(record, int(sample)) for sample in samples[:MOST_NAMED])
    more = len(samples) - MOST_NAMED
    return f"{named}; {more} more" if more > 0 else named


def runs(samples: npt.NDArray[np.intp], apart: int = 1) -> list[npt.NDArray[np.intp]]:
    """Return samples in order, those at most ``apart`` from each other together."""
    if not len(samples):
        return []
    return np.split(samples, np.flatnonzero(np.diff(samples) > apart) + 1)


def flagged_runs(
    samples: npt.NDArray[np.intp], *, cause: str, sentence: str, excluded: bool
) -> tuple[Flag, ...]:
    """Return flags over samples in order, neighbours in one.

    Flags that exclude nothing are joined over short distances where there would be thousands of them.
    """
    found = runs(samples)
    apart = 1
    while not excluded and len(found) > MOST_FLAGS:
        apart *= 4
        found = runs(samples, apart)
    return tuple(
        Flag(cause=cause, start=int(run[0]), stop=int(run[-1]) + 1, excluded=excluded, sentence=sentence)
        for run in found
    )
