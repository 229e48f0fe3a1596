"""Blocked sums of squared differences: numpy only, constant extra memory, any block size.

Differences are taken of neighbours first (``(x₂ - x₁) - (x₁ - x₀)``), which is exact for phase that
carries a large offset or slope; the moving sums of the modified statistics run over differences,
never over the phase itself.
"""

from __future__ import annotations

import threading
from collections.abc import Iterator, Sequence
from contextlib import AbstractContextManager
from dataclasses import dataclass, field
from functools import lru_cache

import numpy as np
from threadpoolctl import ThreadpoolController

from evenbeat.deviations.averaging import BoolArray
from evenbeat.deviations.sums.pairs import pairs_of_bins
from evenbeat.deviations.sums.samples import Samples, needed_samples
from evenbeat.quantities import FloatArray

BLOCK = 1 << 16
"""Terms worked on at once: an operation then lasts long enough for two threads not to wait for each other."""
PRODUCTS = 1 << 12
"""Numbers multiplied in one call: below 10⁴ the usual linear algebra starts no threads of its own."""
MATRIX_PRODUCTS = 1 << 15
"""The same for a product of two matrices, the second ``ROW`` wide."""
ROW = 8
"""Numbers summed by one product with a triangular matrix: four times as quick as ``np.cumsum``."""
FEWEST_IN_ROWS = 2048
MOST_ADDITIONS = 5
"""Moving sums that need no more additions per term than this are formed by doubling."""
_UP_TO_AND_WITH = np.triu(np.ones((ROW, ROW)))
_KEPT = threading.local()


@dataclass(frozen=True, eq=False, kw_only=True)
class TermSum:
    """Sum of the squared terms of a statistic at one averaging factor.

    Attributes
    ----------
    total
        Sum of squares in s².
    possible
        Number of terms the record would have without gaps.
    terms
        Number of terms that were used.
    valid
        Shape (possible,): which terms were used; ``None`` means all.
    """

    total: float
    possible: int
    terms: int
    valid: BoolArray | None = None
    _counted: dict[tuple[int, int], FloatArray] = field(default_factory=dict, init=False, repr=False)

    @property
    def mask(self) -> BoolArray:
        """Which terms were used, shape (possible,)."""
        return np.ones(self.possible, dtype=bool) if self.valid is None else self.valid

    def pairs(self, width: int, count: int) -> FloatArray:
        """Return how many pairs of used terms are 0, 1 … ``count - 1`` bins of this width apart.

        Counted once for all noises.
        """
        if (width, count) not in self._counted:
            self._counted[width, count] = pairs_of_bins(self.mask, width, count)
        return self._counted[width, count]

    def pairs_apart(self, lag: int) -> float:
        """Return how many pairs of used terms are ``lag`` terms apart."""
        mask = self.mask
        return float(np.count_nonzero(mask[lag:] & mask[: max(0, self.possible - lag)]))


@lru_cache(maxsize=1)
def _libraries() -> ThreadpoolController:
    import scipy.linalg  # noqa: F401  # has a library of its own

    return ThreadpoolController()


def one_thread() -> AbstractContextManager[object]:
    """Return a context in which linear algebra starts no threads of its own.

    Some thousand numbers are too few to share: on a busy machine two threads took fifty times as long as one.
    The libraries are looked for once: ``threadpool_limits`` looks each time, longer than short sums take.
    """
    return _libraries().limit(limits=1, user_api="blas")


class Workspace:
    """Buffers for one thread, so that the blocks of all averaging times share them.

    Parameters
    ----------
    order
        Highest order of differences asked for.
    block
        Number of terms worked on at once.
    """

    def __init__(self, order: int, block: int = BLOCK) -> None:
        self.block = block
        self.rows = [np.empty(2 * block) for _ in range(max(order, 2))]
        self.sums = (np.empty(2 * block), np.empty(2 * block))

    @classmethod
    def of_thread(cls, order: int) -> Workspace:
        """Return the buffers that this thread keeps: taking new ones each time costs more than short sums."""
        kept: Workspace | None = getattr(_KEPT, "workspace", None)
        if kept is None or len(kept.rows) < order or kept.block != BLOCK:
            kept = _KEPT.workspace = cls(order)
        return kept


def sum_of_squared_differences(
    samples: Samples, lag: int, order: int, *, workspace: Workspace | None = None
) -> TermSum:
    """Return the sum of squares of the differences of ``order`` between points ``lag`` apart.

    Differences that touch a gap are left out and counted.
    """
    workspace = workspace or Workspace.of_thread(order)
    possible = samples.points - order * lag
    valid = np.ones(possible, dtype=bool) if samples.has_gaps else None
    total, terms = 0.0, 0
    for begin, count in _blocks(possible, workspace.block):
        difference = _differences(samples, (begin, count), lag, order, workspace)
        if valid is not None:
            terms += _silence_gaps(difference, valid[begin : begin + count])
        total += sum_of_products(difference, difference)
    return TermSum(total=total, possible=possible, terms=possible if valid is None else terms, valid=valid)


def sums_in_span(
    samples: Samples, span: tuple[int, int], lags: Sequence[int], order: int, workspace: Workspace
) -> FloatArray:
    """Return for each lag the sum of squares of the differences that begin in a span, without gaps.

    Block by block for all lags, so that the first points of the differences are read once.
    """
    totals = np.zeros(len(lags))
    for begin in range(*span, workspace.block):
        for number, lag in enumerate(lags):
            count = min(workspace.block, span[1] - begin, samples.points - order * lag - begin)
            if count > 0:
                difference = _differences(samples, (begin, count), lag, order, workspace)
                totals[number] += sum_of_products(difference, difference)
    return totals


def sum_of_squared_averages(
    samples: Samples,
    lag: int,
    order: int,
    *,
    minimum_coverage: float = 1.0,
    workspace: Workspace | None = None,
) -> TermSum:
    """Return the sum of squares of the means of ``lag`` consecutive differences of ``order``.

    A mean is used where at least ``minimum_coverage`` of its differences are known.
    """
    workspace = workspace or Workspace.of_thread(order + 1)
    if samples.has_gaps:
        return _averages_with_gaps(samples, lag, order, minimum_coverage, workspace)
    if _additions(lag) <= MOST_ADDITIONS and order * lag <= workspace.block:
        return _averages_by_doubling(samples, lag, order, workspace)
    return _averages_by_running_sum(samples, lag, order, workspace)


def _additions(lag: int) -> int:
    """Return how many additions per term sums of ``lag`` values take by doubling."""
    return lag.bit_length() + lag.bit_count() - 2


def _averages_by_doubling(samples: Samples, lag: int, order: int, workspace: Workspace) -> TermSum:
    possible = samples.points - (order + 1) * lag + 1
    total = 0.0
    for begin, count in _blocks(possible, workspace.block):
        difference = _differences(samples, (begin, count + lag - 1), lag, order, workspace)
        sums = _moving_sums(difference, lag, workspace.sums)
        total += sum_of_products(sums, sums)
    return TermSum(total=total / lag**2, possible=possible, terms=possible)


def _moving_sums(values: FloatArray, lag: int, buffers: tuple[FloatArray, FloatArray]) -> FloatArray:
    """Return the sums of ``lag`` consecutive values: of twice as many at each binary digit of ``lag``."""
    spare, other = buffers
    sums, width = values, 1
    for digit in f"{lag:b}"[1:]:
        count = len(values) - 2 * width + 1
        sums = np.add(sums[:count], sums[width : width + count], out=spare[:count])
        spare, other, width = other, spare, 2 * width
        if digit == "1":
            sums = np.add(sums[:-1], values[width:], out=sums[:-1])
            width += 1
    return sums


def _averages_by_running_sum(samples: Samples, lag: int, order: int, workspace: Workspace) -> TermSum:
    possible = samples.points - (order + 1) * lag + 1
    moving_sum = sum(
        float(np.sum(_differences(samples, (begin, count), lag, order, workspace)))
        for begin, count in _blocks(lag, workspace.block)
    )
    total = moving_sum**2
    for begin, count in _blocks(possible - 1, workspace.block):
        change = _differences(samples, (begin, count), lag, order + 1, workspace)
        running, block_sum = running_sums(change, moving_sum, workspace.sums)
        total += sum_of_products(running, running)
        moving_sum += block_sum  # summed for itself: the running sum's own rounding is not carried over
    return TermSum(total=total / lag**2, possible=possible, terms=possible)


def running_sums(
    values: FloatArray, start: float, buffers: tuple[FloatArray, FloatArray]
) -> tuple[FloatArray, float]:
    """Return the running sums from ``start`` in the first buffer, and the sum; the values are used up.

    By rows: the sum of all before it is added to the first number of each row, then every row is
    multiplied by a triangle of ones.
    """
    count = len(values) - len(values) % ROW
    running = buffers[0][: len(values)]
    if len(values) < FEWEST_IN_ROWS:
        block_sum = float(values.sum())
        values[0] += start
        return values.cumsum(out=running), block_sum
    rows = values[:count].reshape(-1, ROW)
    row_sums = _by_parts(rows, _UP_TO_AND_WITH[:, -1:], buffers[1])
    block_sum = float(row_sums.sum())
    if count < len(values):
        block_sum += float(values[count:].sum())
    free = buffers[1][len(row_sums) :]
    before, _ = running_sums(row_sums, start, (free[: len(rows)], free[len(rows) :]))
    rows[0, 0] += start
    rows[1:, 0] += before[:-1]
    _by_parts(rows, _UP_TO_AND_WITH, running)
    if count < len(values):
        values[count] += running[count - 1]
        np.cumsum(values[count:], out=running[count:])
    return running, block_sum


def _by_parts(rows: FloatArray, matrix: FloatArray, out: FloatArray) -> FloatArray:
    """Return ``rows @ matrix`` as one row, computed in parts that keep to one thread."""
    width = matrix.shape[1]
    part = (PRODUCTS if width == 1 else MATRIX_PRODUCTS) // ROW
    product = out[: len(rows) * width].reshape(len(rows), width)
    whole = len(rows) - len(rows) % part
    if whole:
        pieces = product[:whole].reshape(-1, part, width)
        np.matmul(rows[:whole].reshape(-1, part, ROW), matrix, out=pieces)
    if whole < len(rows):
        np.matmul(rows[whole:], matrix, out=product[whole:])
    return product.reshape(-1)


def _averages_with_gaps(
    samples: Samples, lag: int, order: int, minimum_coverage: float, workspace: Workspace
) -> TermSum:
    possible = samples.points - (order + 1) * lag + 1
    valid = np.zeros(possible, dtype=bool)
    needed = needed_samples(lag, minimum_coverage)
    moving_sum, known = 0.0, 0
    for begin, count in _blocks(lag, workspace.block):
        block_sum, block_known = _known_sum(_differences(samples, (begin, count), lag, order, workspace))
        moving_sum, known = moving_sum + block_sum, known + block_known
    total = (moving_sum * lag / max(known, 1)) ** 2 if known >= needed else 0.0
    valid[0] = known >= needed
    for begin, count in _blocks(possible - 1, workspace.block):
        leaving = _differences(samples, (begin, count), lag, order, workspace).copy()
        entering = _differences(samples, (begin + lag, count), lag, order, workspace)
        leaving_known, entering_known = ~np.isnan(leaving), ~np.isnan(entering)
        change = np.where(entering_known, entering, 0.0) - np.where(leaving_known, leaving, 0.0)
        sums = moving_sum + np.cumsum(change)
        counts = known + np.cumsum(entering_known.astype(np.int64) - leaving_known)
        good = counts >= needed
        means = sums[good] * (lag / counts[good])
        total += sum_of_products(means, means)
        valid[begin + 1 : begin + 1 + count] = good
        moving_sum, known = moving_sum + float(np.sum(change)), int(counts[-1])
    return TermSum(total=total / lag**2, possible=possible, terms=int(np.count_nonzero(valid)), valid=valid)


def sum_of_products(left: FloatArray, right: FloatArray) -> float:
    """Return ``Σ left right`` of two contiguous rows on one thread, in pieces short enough for that."""
    whole = len(left) - len(left) % PRODUCTS
    if not whole:
        return float(left.dot(right))
    pieces = np.matmul(left[:whole].reshape(-1, 1, PRODUCTS), right[:whole].reshape(-1, PRODUCTS, 1))
    total = float(pieces.sum())
    return total + float(left[whole:].dot(right[whole:])) if whole < len(left) else total


def _blocks(length: int, block: int) -> Iterator[tuple[int, int]]:
    for begin in range(0, length, block):
        yield begin, min(block, length - begin)


def _differences(
    samples: Samples, span: tuple[int, int], lag: int, order: int, workspace: Workspace
) -> FloatArray:
    """Return the differences of ``order`` in a span (begin, count), in a buffer of the workspace."""
    begin, count = span
    reach = (order - 1) * lag
    if reach > workspace.block:
        return _differences_of_far_points(samples, span, lag, order, workspace)
    now, spare = workspace.rows[0], workspace.rows[1]
    length = count + reach
    samples.fill_advances(now[:length], begin, lag)
    for _ in range(order - 1):
        length -= lag
        np.subtract(now[lag : lag + length], now[:length], out=spare[:length])
        now, spare = spare, now
    return now[:count]


def _differences_of_far_points(
    samples: Samples, span: tuple[int, int], lag: int, order: int, workspace: Workspace
) -> FloatArray:
    begin, count = span
    if order == 3 and not samples.has_gaps:  # x₃ - x₀ less three times x₂ - x₁: four passes instead of six
        whole, middle = workspace.rows[0][:count], workspace.rows[1][:count]
        samples.fill_advances(whole, begin, 3 * lag)
        samples.fill_advances(middle, begin + lag, lag)
        np.multiply(middle, 3.0, out=middle)
        return np.subtract(whole, middle, out=whole)
    rows = [row[:count] for row in workspace.rows[:order]]
    for number, row in enumerate(rows):
        samples.fill_advances(row, begin + number * lag, lag)
    for level in range(order - 1, 0, -1):
        for number in range(level):
            np.subtract(rows[number + 1], rows[number], out=rows[number])
    return rows[0]


def _silence_gaps(difference: FloatArray, valid: BoolArray) -> int:
    """Set unknown differences to zero, mark them, and return how many are known."""
    unknown = np.isnan(difference)
    difference[unknown] = 0.0
    np.logical_not(unknown, out=valid)
    return int(np.count_nonzero(valid))


def _known_sum(difference: FloatArray) -> tuple[float, int]:
    known = ~np.isnan(difference)
    return float(np.sum(difference[known])), int(np.count_nonzero(known))
