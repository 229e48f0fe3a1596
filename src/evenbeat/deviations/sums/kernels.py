"""Sums of squares of differences of phase, and of moving sums of differences, at any averaging factors.

Differences of order k over m samples are taken from neighbours, ``(x₂ - x₁) - (x₁ - x₀)``, which is exact
for phase that carries a large offset or slope. The m consecutive ones that the modified statistics sum are,
in one, differences of order k + 1 of the running sums of phase. These are formed in windows, of phase less
a line that is never rounded, in two parts of which one has exact differences: no digit is lost to an offset
or a drift. Over the longest averaging times the moving sum is carried on from term to term with its
rounding, so that memory stays constant.

The loops are compiled where a compiler was at hand when evenbeat was installed, else numpy's;
``EVENBEAT_PURE=1`` asks for the latter. A point never depends on which others are asked for: the borders of
windows and blocks are those of the record.
"""

from __future__ import annotations

import contextlib
import math
import os
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from functools import cached_property, lru_cache, partial

import numpy as np
from threadpoolctl import ThreadpoolController

from evenbeat.deviations.averaging import BoolArray, IntArray
from evenbeat.deviations.sums import plain
from evenbeat.deviations.sums.samples import FrequencySums, PhasePoints, Samples, needed_samples
from evenbeat.intake import blocks, let_go, mapping_of
from evenbeat.quantities import FloatArray

PURE = os.environ.get("EVENBEAT_PURE", "") not in ("", "0")
"""Whether numpy's loops are asked for."""
loops = plain
"""The loops in use: ``_compiled`` or ``plain``."""
if not PURE:
    with contextlib.suppress(ImportError):  # installed without a compiler
        from evenbeat.deviations.sums import _compiled as loops  # type: ignore[no-redef]
COMPILED = loops is not plain

SPAN = 1 << 17
"""First points of the terms worked on in one go."""
WINDOWS = ((1 << 10, 1 << 15), (1 << 16, 1 << 18))
"""Up to which averaging factor running sums are formed over windows of how many terms."""
MOST_FLATTENED = 1 << 17
"""Points up to which a line is taken out before differences of phase: in a longer record there are so many
that the rounding of some by the line is far below the last digits of their sum."""
FEWEST_POINTS_FOR_THREADS = 1 << 18
"""Below it the pieces of work are so short that two threads cost each other a third of their time."""

MOST_BORDERS = 1 << 14
"""Of gaps, for which the runs of terms are found at several averaging factors at once."""
MOST_WRITTEN = 1 << 12
"""Runs of a mask that are written one by one."""

Progress = Callable[[int, int], None]
_Sums = tuple[FloatArray, IntArray]
BLOCK = 1 << 16
NEARLY_NONE = 1e-3


class TermSum:
    """Sum of the squared terms of a statistic in s² at one averaging factor, and which terms there are.

    Of ``possible`` terms, as many as without gaps, ``terms`` were used: ``valid`` (possible,) or ``runs``,
    where runs of used terms begin and end, shape (2, runs), or what finds it out, say which; else all.
    """

    def __init__(
        self,
        *,
        total: float,
        possible: int,
        terms: int | None = None,
        valid: BoolArray | None = None,
        runs: Callable[[], IntArray] | None = None,
    ) -> None:
        self.total, self.possible, self.terms = total, possible, possible if terms is None else terms
        self._valid, self._runs = valid, runs

    @property
    def nearly_complete(self) -> bool:
        """Whether so few possible terms were left out that expectation and scatter are the same to 1e-3."""
        return self.possible - self.terms <= NEARLY_NONE * self.possible and self.terms > 0

    @cached_property
    def runs(self) -> IntArray:
        """Where runs of used terms begin and end, shape (2, r)."""
        if self._runs is not None:
            return self._runs()
        if self._valid is None:
            return np.array([[0], [self.possible]])
        edged = np.zeros(self.possible + 2, dtype=bool)
        edged[1:-1] = self._valid
        return np.flatnonzero(edged[1:] != edged[:-1]).reshape(-1, 2).T

    @property
    def mask(self) -> BoolArray:
        """Which terms were used, shape (possible,)."""
        begins, ends = self.runs
        if len(begins) > MOST_WRITTEN:
            steps = np.zeros(self.possible + 1, dtype=np.int8)
            steps[begins] = 1
            steps[ends] -= 1
            return np.cumsum(steps[:-1], dtype=np.int8).view(bool)
        mask = np.zeros(self.possible, dtype=bool)
        for begin, end in zip(begins.tolist(), ends.tolist(), strict=True):
            mask[begin:end] = True
        return mask


@lru_cache(maxsize=1)
def _libraries() -> ThreadpoolController:
    import scipy.linalg  # noqa: F401  # has a library of its own

    return ThreadpoolController()


@contextlib.contextmanager
def one_thread() -> Iterator[None]:
    """Let linear algebra start no threads of its own, in a ``with`` or in a function so decorated.

    Some thousand numbers are too few to share: on a busy machine a fit took eight times the processor time.
    The libraries are looked for once: ``threadpool_limits`` looks each time, longer than short sums take.
    """
    with _libraries().limit(limits=1, user_api="blas"):
        yield


def _of_parts(samples: Samples, lag: int, order: int, *, averaged: bool, minimum_coverage: float) -> TermSum:
    """Return the sum of squares of differences of partial advances, or of means of those that are known."""
    row, known, whole, least = samples.phase_s if isinstance(samples, PhasePoints) else None, None, lag, 1
    if isinstance(samples, FrequencySums):
        row, known = samples.sums_s, np.ascontiguousarray(samples.counts)
        whole = lag * samples.samples_per_point
        least = max(1, needed_samples(whole, samples.minimum_coverage))
    row = np.ascontiguousarray(row, dtype=np.float64)
    length = lag if averaged else 1
    possible = samples.points - order * lag - length + 1
    needed = max(1, needed_samples(length, minimum_coverage))
    total, state, used = 0.0, np.zeros(3), np.zeros(BLOCK, dtype=bool)
    borders, before = [], False
    for begin in range(0, possible, BLOCK):
        used = used[: possible - begin]
        total += loops.of_parts(row, known, lag, order, whole, least, length, needed, begin, state, used)
        borders.append(begin + np.flatnonzero(np.diff(used, prepend=before)))
        before = used[-1]
        let_go(mapping_of(row))
    borders.append(np.full(int(before), possible))
    runs = np.concatenate(borders).reshape(-1, 2).T
    return TermSum(total=total, possible=possible, terms=int(np.diff(runs, axis=0).sum()), runs=lambda: runs)


def sum_of_squared_differences(samples: Samples, factor: int, order: int) -> TermSum:
    """Return the sum of squares of the differences of ``order`` between points ``factor`` apart."""
    return sums_of_squares(samples, [factor], order)[0]


def sums_of_squares(
    samples: Samples,
    factors: Sequence[int] | IntArray,
    order: int,
    *,
    averaged: bool = False,
    overlapping: bool = True,
    minimum_coverage: float = 1.0,
    progress: Progress | None = None,
) -> list[TermSum]:
    """Return the sums of squares of the terms at averaging factors; those that touch a gap are left out.

    The factors rise, each has at least one term. A term is a difference of phase of this ``order``, or if
    ``averaged`` the mean of as many consecutive ones as the factor, of which ``minimum_coverage`` must be
    known; it begins at every sample, or once per averaging time. ``progress`` counts factors that share the
    reading of the record in proportion. The result does not depend on the number of threads.
    """
    lags = np.asarray(factors, dtype=np.int64)
    tell = _Teller(progress, len(lags))
    if not overlapping:
        return [
            tell.of(sums_of_squares(samples.decimated(lag), [1], order)[0], number)
            for number, lag in enumerate(lags.tolist(), 1)
        ]
    partial_advances = isinstance(samples, FrequencySums) and samples.minimum_coverage < 1
    if samples.has_gaps and (partial_advances or (averaged and minimum_coverage < 1)):
        found = (
            _of_parts(samples, lag, order, averaged=averaged, minimum_coverage=minimum_coverage)
            for lag in lags.tolist()
        )
        return [tell.of(sums, number) for number, sums in enumerate(found, 1)]
    work = _Work(samples, order)
    plainly = lags if not averaged else lags[lags == 1]
    tasks = list(work.differences(plainly))
    if averaged:
        tasks += work.moving_sums(lags[lags > 1])
    totals, terms = np.zeros(len(lags)), np.zeros(len(lags), dtype=np.int64)
    parts: list[_Sums] = []
    for part in _in_order(tasks, points=samples.points):
        parts.append(part)
        tell.done(len(parts) * len(lags) // len(tasks))
    for task, (some, counted) in zip(tasks, parts, strict=True):
        where = np.searchsorted(lags, task.lags)
        totals[where] += some
        terms[where] += counted
    if averaged:
        totals /= lags.astype(float) ** 2
    possible = samples.points - (order + averaged) * lags + averaged
    return [
        TermSum(
            total=float(total),
            possible=int(most),
            terms=int(used),
            runs=partial(work.runs, lags, number, averaged=averaged) if samples.has_gaps else None,
        )
        for number, (total, most, used) in enumerate(zip(totals, possible, terms, strict=True))
    ]


class _Teller:
    """Tells how many averaging factors are done, each once."""

    def __init__(self, progress: Progress | None, count: int) -> None:
        self._progress, self._count, self._told = progress, count, 0

    def done(self, number: int) -> None:
        """Tell all up to this number that have not been told."""
        while self._told < number:
            self._told += 1
            if self._progress is not None:
                self._progress(self._told, self._count)

    def of(self, sums: TermSum, number: int) -> TermSum:
        """Tell all up to this number, and return what was found."""
        self.done(number)
        return sums


@dataclass(frozen=True, eq=False, kw_only=True)
class _Task:
    """A piece of work, and the averaging factors whose sums it adds to."""

    lags: IntArray
    run: Callable[[], _Sums]


def _in_order(tasks: Sequence[_Task], *, points: int) -> Iterator[_Sums]:
    """Yield the results in their order, made on two threads where that pays."""
    if points < FEWEST_POINTS_FOR_THREADS or len(tasks) < 2:
        yield from (task.run() for task in tasks)
        return
    with ThreadPoolExecutor(min(2, os.cpu_count() or 1)) as pool:
        yield from pool.map(lambda task: task.run(), tasks)


@dataclass(frozen=True, eq=False, kw_only=True)
class _Line:
    """A line through the first and the last known point, so coarse that it is never rounded."""

    level: float
    slope: float

    @classmethod
    def through(cls, values: FloatArray) -> _Line:
        """Return the line of some values; a level alone where the known ones are close together."""
        known = np.flatnonzero(~np.isnan(values[[0, -1]]))
        first, last = 0, len(values) - 1
        if len(known) < 2:
            known = np.flatnonzero(~np.isnan(values))
            if len(known) == 0:
                return cls(level=0.0, slope=0.0)
            first, last = int(known[0]), int(known[-1])
        start, end = float(values[first]), float(values[last])
        # whole multiples of this up to eight times the larger end are held exactly
        step = 16 * float(np.spacing(max(abs(start), abs(end))))
        slope = 0.0
        if last - first > len(values) // 4:
            slope = round((end - start) / (last - first) / step) * step
        return cls(level=round((start - slope * first) / step) * step, slope=slope)


class _Work:
    """The pieces of work on one record, for differences of one order."""

    def __init__(self, samples: Samples, order: int) -> None:
        self._samples, self._order, self._points = samples, order, samples.points
        self._counts: IntArray | None = None
        self._runs: tuple[int, bool, tuple[IntArray, ...]] = (-1, False, ())
        self._per_point, self._mapping = 1, None
        if isinstance(samples, FrequencySums):
            self._row = np.ascontiguousarray(samples.sums_s)
            self._counts = np.ascontiguousarray(samples.counts)
            self._per_point = samples.samples_per_point
        else:
            self._row, self._mapping = samples.phase_s, samples.mapping
        # whether the loops can read it as it stands
        self._ready = (
            self._row.dtype == np.float64 and self._row.dtype.isnative and self._row.flags.c_contiguous
        )

    def _at(self, begin: int, count: int) -> FloatArray:
        """Return some points as the loops read them, a copy only where they are stored otherwise."""
        return np.ascontiguousarray(self._row[begin : begin + count], dtype=np.float64)

    def _stretches(self, begin: int, count: int, lag: int, times: int) -> tuple[FloatArray, int]:
        """Return points from ``begin`` on and ``times`` over the lag later, and how far apart these stand."""
        if self._ready:
            return self._row[begin : begin + count + times * lag], lag
        return np.concatenate([self._at(begin + k * lag, count) for k in range(times + 1)]), count

    def differences(self, lags: IntArray) -> Iterator[_Task]:
        """Yield the sums of squared differences, span after span."""
        if len(lags) == 0:
            return
        needs = self._order * lags * self._per_point
        last = self._points - self._order * int(lags[0])
        whole = self._row if self._ready else None
        if self._order > 1 and self._points <= MOST_FLATTENED:
            whole = self._at(0, self._points)
            line = _Line.through(whole)
            whole = whole - (line.level + line.slope * np.arange(self._points))

        def run(begin: int) -> _Sums:
            end = min(begin + SPAN, last)
            totals, terms = np.zeros(len(lags)), np.zeros(len(lags), dtype=np.int64)
            if whole is not None:
                loops.squares(
                    whole, None, self._counts, lags, needs, self._order, 0, begin, end, totals, terms
                )
                let_go(self._mapping)
                return totals, terms
            for k, lag in enumerate(lags.tolist()):
                count = min(end, self._points - self._order * lag) - begin
                if count > 0:
                    row, stride = self._stretches(begin, count, lag, self._order)
                    one, here = np.array([stride]), slice(k, k + 1)
                    loops.squares(
                        row, None, None, one, one, self._order, 0, 0, count, totals[here], terms[here]
                    )
            let_go(self._mapping)
            return totals, terms

        for begin in range(0, last, SPAN):
            yield _Task(lags=lags, run=partial(run, begin))

    def moving_sums(self, lags: IntArray) -> Iterator[_Task]:
        """Yield the sums of squared moving sums of differences: by windows, and far ones each for itself."""
        shortest = 1
        for largest, count in WINDOWS:
            some = lags[(lags > shortest) & (lags <= largest)]
            shortest = largest
            if len(some):
                for begin in range(0, self._points - (self._order + 1) * int(some[0]) + 1, count):
                    length = min(count + (self._order + 1) * largest, self._points - begin)
                    yield _Task(lags=some, run=partial(self._in_window, some, begin, count, length))
        for lag in lags[lags > shortest].tolist():
            yield _Task(lags=np.array([lag]), run=partial(self._carried_on, lag))

    def _in_window(self, lags: IntArray, begin: int, count: int, length: int) -> _Sums:
        """Return the sums over the terms that begin in a window, from its running sums."""
        values = self._at(begin, length)
        times, line = self._order + 1, _Line.through(values)
        space = np.empty((2, length + 1))
        known, shift = None, 0
        if self._counts is not None:
            known, shift = self._counts[begin : begin + length], 1
        elif self._samples.has_gaps and math.isnan(values.sum()):
            known = np.empty(length + 1, dtype=np.int64)
        loops.running_sums(values, line.level, line.slope, space[0], space[1], None if shift else known)
        totals, terms = np.zeros(len(lags)), np.zeros(len(lags), dtype=np.int64)
        needs = (times * lags - shift) * self._per_point
        loops.squares(space[0], space[1], known, lags, needs, times, shift, 0, count, totals, terms)
        let_go(self._mapping)
        return totals, terms

    def _carried_on(self, lag: int) -> _Sums:
        """Return the sum over all terms of one averaging factor, each moving sum from the one before it."""
        times, line = self._order + 1, _Line.through(self._row)
        reach = times * lag
        need = np.array([reach - (self._counts is not None)])
        state = np.array([self._first_sum(lag, line), 0.0, 0.0])
        phase_gaps = self._counts is None and self._samples.has_gaps
        if self._counts is not None:
            there = int(self._counts[reach - 1] - self._counts[0])
        else:
            there = sum(
                int(np.count_nonzero(~np.isnan(self._row[k : min(k + SPAN, reach)])))
                for k in range(0, reach, SPAN)
            )
        state[2] = there
        terms = np.array([int(there == need[0])], dtype=np.int64)
        totals = np.array([state[0] ** 2 if terms[0] else 0.0])
        for begin in range(0, self._points - reach, SPAN):
            count = min(SPAN, self._points - reach - begin)
            row, stride = self._stretches(begin, count, lag, times)
            levels = line.level + line.slope * (begin + lag * np.arange(times + 1.0))
            sums = np.empty(count)
            known = np.empty(count, dtype=np.int64) if phase_gaps else None
            loops.moving_sums(row, stride, self._order, levels, line.slope, state, sums, known)
            if self._counts is not None:
                after = begin + 1
                known = self._counts[after + reach - 1 :][:count] - self._counts[after:][:count]
            loops.squares(sums, None, known, need, need, 0, 0, 0, count, totals, terms)
            let_go(self._mapping)
        return totals, terms

    def _first_sum(self, lag: int, line: _Line) -> float:
        """Return the sum of the first ``lag`` differences of phase less a line, NaN counting as zero."""
        parts = []
        for begin in range(0, lag, SPAN):
            count = min(SPAN, lag - begin)
            rows = []
            for k in range(self._order + 1):
                place = begin + k * lag + np.arange(count)
                row = self._at(begin + k * lag, count) - (line.level + line.slope * place)
                rows.append(np.nan_to_num(row) if self._samples.has_gaps else row)
            space = np.empty((2, count + 1))
            loops.running_sums(np.diff(rows, self._order, axis=0)[0], 0.0, 0.0, space[0], space[1], None)
            parts += space[:, -1].tolist()
        return math.fsum(parts)

    @cached_property
    def _gaps(self) -> tuple[IntArray, IntArray]:
        """Where runs of missing points, or of frequencies, begin and end."""
        if self._counts is None:
            missing = np.concatenate([np.isnan(block) for block in blocks(self._row)])
        else:
            missing = np.diff(self._counts) < self._per_point
        borders = np.flatnonzero(np.diff(missing, prepend=False, append=False))
        return borders[::2], borders[1::2]

    def runs(self, lags: IntArray, number: int, *, averaged: bool) -> IntArray:
        """Return where the runs of terms at one of the lags begin and end, shape (2, runs)."""
        together = max(1, MOST_BORDERS // (len(self._gaps[0]) + 1))
        part = number // together
        if self._runs[:2] != (part, averaged):
            some = lags[part * together : (part + 1) * together]
            self._runs = part, averaged, self._runs_of(some[:, np.newaxis], averaged=averaged)
        before, after = (rows[number % together] for rows in self._runs[2])
        there = before < after
        return np.array([before[there], after[there]])

    def _runs_of(self, lags: IntArray, *, averaged: bool) -> tuple[IntArray, IntArray]:
        """Return where the runs at each lag begin and end, some of them empty, shape (lags, n) each."""
        begins, ends = self._gaps
        reach = (self._order + averaged) * lags - averaged
        if self._counts is not None or averaged:
            begins, ends = begins - reach + (self._counts is not None), ends + 0 * lags
        else:
            shifts = lags[:, :, np.newaxis] * np.arange(self._order + 1)[:, np.newaxis]
            begins, ends = (np.sort((row - shifts).reshape(len(lags), -1)) for row in (begins, ends))
        possible = self._points - reach
        begins, ends = (np.minimum(np.maximum(places, 0), possible) for places in (begins, ends))
        # gaps that meet are one; what is left between them are the runs
        before = np.maximum.accumulate(np.hstack([0 * lags, ends]), axis=1)
        return before, np.hstack([begins, possible])
