"""Pairs of valid terms at every distance: the autocorrelation of a mask, in constant extra memory."""

from __future__ import annotations

from collections.abc import Sequence
from functools import lru_cache

import numpy as np
import numpy.typing as npt
from scipy import fft

from evenbeat.deviations.averaging import BoolArray, IntArray
from evenbeat.quantities import FloatArray

SHORTEST_SEGMENT = 1 << 10
TERMS_AT_ONCE = 1 << 16
MOST_PAIRS = 1 << 20


def pairs_of_bins(valid: BoolArray, width: int, count: int) -> FloatArray:
    """Return the numbers of pairs of valid terms 0, 1 … ``count - 1`` bins of so many terms apart.

    With b valid terms in each bin these are the sums ``Σ b[i] b[i + lag]``, whole numbers, by Fourier
    transforms of segments of the mask, all lags being within a segment and its neighbour. Segments fill half
    of a transform each, so that the next one, delayed by half its length, is ``(-1)^f`` times its own
    transform. Single precision is exact here.
    """
    length = fft.next_fast_len(max(count, SHORTEST_SEGMENT), real=True)
    delayed = np.where(np.arange(length + 1) % 2, np.float32(-1), np.float32(1))
    at_once = max(1, TERMS_AT_ONCE // (length * width))
    rows = np.zeros((at_once, 2 * length), dtype=np.float32)
    spectrum, last = np.zeros(length + 1, dtype=complex), np.zeros(length + 1, dtype=np.complex64)
    for begin in range(0, len(valid), at_once * length * width):
        bins = _bins(valid[begin : begin + at_once * length * width], width)
        whole, rest = divmod(len(bins), length)
        rows[:whole, :length] = bins[: whole * length].reshape(whole, length)
        if rest:
            rows[whole, :length] = 0
            rows[whole, :rest] = bins[whole * length :]
        own = fft.rfft(rows[: whole + (rest > 0)])
        back = own.conj()
        spectrum += np.einsum("ij,ij->j", back, own)
        spectrum += delayed * (np.einsum("ij,ij->j", back[:-1], own[1:]) + last * own[0])
        last = back[-1].copy()
    return np.rint(np.maximum(fft.irfft(spectrum, 2 * length)[:count], 0.0))


def few_borders(runs: IntArray, possible: int) -> bool:
    """Return whether runs, shape (2, r), are so few that pairs of borders are quicker than transforms."""
    return (2 * runs.shape[1]) ** 2 < min(possible, MOST_PAIRS)


def pairs_in_runs(
    masks: Sequence[IntArray], lags: Sequence[IntArray], weights: Sequence[FloatArray]
) -> list[FloatArray]:
    """Return for how many pairs of valid terms each of the rising lags stands; for several masks at once.

    A mask is given by where its runs begin and end, shape (2, r). Two borders d apart add ``∓max(d, k)`` to
    the number n(k) of pairs k apart. The ``weights`` are those of trapezoids between the lags; where n bends
    at a d between two of them, the triangle by which it leaves their straight line is shared between both.
    """
    found: list[FloatArray] = []
    at_once = MOST_PAIRS // max((mask.size**2 for mask in masks), default=1)
    for begin in range(0, len(masks), at_once):
        here = slice(begin, begin + at_once)
        found += _pairs_in_runs(masks[here], lags[here], weights[here])
    return found


def _pairs_in_runs(
    masks: Sequence[IntArray], lags: Sequence[IntArray], weights: Sequence[FloatArray]
) -> list[FloatArray]:
    sizes = [len(row) + 1 for row in lags]  # one place more, for distances beyond the last lag
    starts = np.cumsum([0, *sizes])
    begins, row = starts[:-1], np.repeat(np.arange(len(sizes)), sizes)
    far = max(mask[1, -1] for mask in masks) + max(some[-1] for some in lags) + 1
    at = np.concatenate([part for some in lags for part in (some, [far])])
    two = [_two_of(2 * mask.shape[1]) for mask in masks]
    each = [mask.T.ravel() for mask in masks]
    apart = np.concatenate([place[b] - place[a] for place, (a, b, _) in zip(each, two, strict=True)])
    signs = np.concatenate([sign for _, _, sign in two])
    own = np.repeat(np.arange(len(two)), [len(sign) for _, _, sign in two])
    near = np.searchsorted(at + row * (far + 1), apart + own * (far + 1))
    within, upto = (np.cumsum(np.bincount(near, some, starts[-1])) for some in (signs, signs * apart))
    # whole numbers: what other masks come before changes no digit
    before, last = within[begins - 1] * (begins > 0), upto[starts[1:] - 1]
    runs = np.array([mask.shape[1] for mask in masks])
    pairs = at * (within - (before + runs)[row]) + (last[row] - upto)
    width = np.where(at[near] < far, at[near] - at[near - 1], 0)
    part = (apart - at[near - 1]) / np.maximum(width, 1)
    triangle = -signs * part * (1 - part) * width.astype(float) ** 2
    later = triangle * (1 + part) / 3
    bends = np.bincount(near - 1, triangle - later, starts[-1]) + np.bincount(near, later, starts[-1])
    return [
        weight * pairs[start : start + len(weight)] + bends[start : start + len(weight)]
        for start, weight in zip(begins, weights, strict=True)
    ]


def stretches_of_runs(runs: IntArray, length: int, possible: int) -> tuple[IntArray, FloatArray]:
    """Return the mean place and the number of valid terms in each stretch of this length that has any."""
    begins, ends = runs
    borders = np.minimum(np.arange(0, possible + length, length), possible)
    run = np.searchsorted(begins, borders, side="right") - 1
    sizes = ends - begins
    inside = np.where(run < 0, 0, np.minimum(borders, ends[run]) - begins[run])
    # over runs before, and the part of the run that holds the border: numbers, and sums of places
    counts, sums = (
        np.concatenate([[0], np.cumsum(row)])[np.maximum(run, 0)]
        for row in (sizes, sizes * (begins + ends - 1) // 2)
    )
    counts = np.diff(counts + inside)
    sums = np.diff(sums + inside * begins[run] + inside * (inside - 1) // 2)
    some = np.flatnonzero(counts)
    first = some * length
    offsets = (sums[some] - counts[some] * first) / counts[some]
    return first + np.rint(offsets).astype(np.int64), counts[some].astype(float)


@lru_cache(maxsize=32)
def _two_of(count: int) -> tuple[IntArray, IntArray, FloatArray]:
    """Return the places of all pairs out of so many borders, and one, negative where both are of one kind."""
    one, other = np.triu_indices(count, 1)
    return one, other, 2.0 * ((one ^ other) & 1) - 1


def _bins(valid: BoolArray, width: int) -> npt.NDArray[np.generic]:
    """Return how many are valid in each bin, the last of which may be shorter."""
    if width == 1:
        return valid
    whole = len(valid) - len(valid) % width
    counts = valid[:whole].astype(np.float32).reshape(-1, width) @ np.ones(width, dtype=np.float32)
    return np.append(counts, np.float32(np.count_nonzero(valid[whole:]))) if whole < len(valid) else counts
