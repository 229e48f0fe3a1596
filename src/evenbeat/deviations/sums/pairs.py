"""Pairs of valid terms at every distance: the autocorrelation of a mask, in constant extra memory."""

from __future__ import annotations

from functools import lru_cache

import numpy as np
import numpy.typing as npt
from scipy import fft

from evenbeat.deviations.averaging import BoolArray, IntArray
from evenbeat.quantities import FloatArray

SHORTEST_SEGMENT = 1 << 10
TERMS_AT_ONCE = 1 << 16
SMALL_SHARE = 0.02
"""Of terms lost, up to which the number of pairs is smooth in the lag."""


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


class Borders:
    """Where runs of valid terms begin and end: pairs at any distance without the mask, where these are few.

    Parameters
    ----------
    begins, ends
        Shape (r,): of the runs, in order.
    """

    def __init__(self, begins: IntArray, ends: IntArray) -> None:
        self._begins, self._ends = begins, ends

    def are_few(self, terms: int, *, bins: int = 0) -> bool:
        """Return whether the number of pairs changes so little from lag to lag that some lags tell of all.

        For ``bins`` whether counting pairs from borders is quicker than by transforms of so many bins.
        """
        count = 2 * len(self._begins)
        if bins:
            return (count * (1 if bins == terms else 2)) ** 2 < bins
        return count**2 < terms and terms - np.sum(self._ends - self._begins) < SMALL_SHARE * terms

    def pairs_of_bins(self, width: int, count: int) -> FloatArray:
        """Return the same as the function :func:`pairs_of_bins`.

        The counts b of bins step by d[i] at the places i of few borders, each in two bins, and
        ``n(k+1) - 2 n(k) + n(k-1) = -Σ d[i] d[i+k]``.
        """
        places = np.concatenate([self._begins, self._ends])
        steps = np.repeat([1.0, -1.0], len(self._begins))
        if width > 1:
            bins, inside = np.divmod(places, width)
            places = np.concatenate([bins, bins + 1])
            steps = np.concatenate([steps * (width - inside), steps * inside])
        apart, products = places - places[:, np.newaxis], np.outer(steps, steps)
        near = (apart >= 0) & (apart < count)
        bends = np.bincount(apart[near], weights=products[near], minlength=count)
        bends[0] *= 0.5
        at_zero = -0.5 * float(np.sum(products * np.abs(apart)))
        return np.concatenate([[at_zero], at_zero + np.cumsum(np.cumsum(-bends)[:-1])])

    def pairs(self, lags: IntArray) -> FloatArray:
        """Return how many pairs of valid terms are so many terms apart, for rising lags.

        Two borders d apart, at which runs begin or end, add ``∓max(d, k)`` to the number at lag k.
        """
        places = np.stack([self._begins, self._ends], axis=1).ravel()
        one, other = _two_of(len(places))
        apart, signs = places[other] - places[one], 2.0 * ((one ^ other) & 1) - 1
        near = np.searchsorted(lags, apart)
        size = len(lags) + 1
        within = np.cumsum(np.bincount(near, signs, size))[:-1]
        beyond = np.cumsum(np.bincount(near, signs * apart, size))
        return np.asarray(lags * (within - len(self._begins)) + (beyond[-1] - beyond[:-1]))

    def stretches(self, length: int, terms: int) -> tuple[IntArray, FloatArray]:
        """Return the mean place and the number of valid terms in each stretch of this length that has any."""
        borders = np.minimum(np.arange(0, terms + length, length), terms)
        run = np.searchsorted(self._begins, borders, side="right") - 1
        sizes = self._ends - self._begins
        inside = np.where(run < 0, 0, np.minimum(borders, self._ends[run]) - self._begins[run])
        # over runs before, and the part of the run that holds the border: numbers, and sums of places
        counts, sums = (
            np.concatenate([[0], np.cumsum(row)])[np.maximum(run, 0)]
            for row in (sizes, sizes * (self._begins + self._ends - 1) // 2)
        )
        counts = np.diff(counts + inside)
        sums = np.diff(sums + inside * self._begins[run] + inside * (inside - 1) // 2)
        some = np.flatnonzero(counts)
        first = some * length
        offsets = (sums[some] - counts[some] * first) / counts[some]
        return first + np.rint(offsets).astype(np.int64), counts[some].astype(float)


@lru_cache(maxsize=8)
def _two_of(count: int) -> tuple[IntArray, IntArray]:
    """Return the places of all pairs out of so many."""
    one, other = np.triu_indices(count, 1)
    return one.astype(np.int64), other.astype(np.int64)


def _bins(valid: BoolArray, width: int) -> npt.NDArray[np.generic]:
    """Return how many are valid in each bin, the last of which may be shorter."""
    if width == 1:
        return valid
    whole = len(valid) - len(valid) % width
    counts = valid[:whole].astype(np.float32).reshape(-1, width) @ np.ones(width, dtype=np.float32)
    return np.append(counts, np.float32(np.count_nonzero(valid[whole:]))) if whole < len(valid) else counts
