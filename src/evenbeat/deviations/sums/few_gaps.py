"""Sums of squares of a record with few gaps: those of the record filled, less the terms that touch a gap.

Straight lines across the gaps make a record whose sums come by the ways of one without gaps; the terms that
rest on a filled point are then formed once more and taken away. Gaps are few where these are.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Self

import numpy as np

from evenbeat.deviations.averaging import IntArray
from evenbeat.deviations.sums.gap_free import sums_without_gaps
from evenbeat.deviations.sums.kernels import (
    TermSum,
    Workspace,
    sum_of_squared_averages,
    sum_of_squared_differences,
)
from evenbeat.deviations.sums.samples import PhasePoints, Samples

FEWEST_POINTS = 1 << 14
POINTS_PER_RUN = 1 << 13
"""Of fewer points for each run of terms to be taken away, all terms one by one are as quick."""
MOST_TAKEN_AWAY = 0.75
"""Share of the terms and of their sum; what rounding leaves of the sum is then below four times its own."""


class FewGaps:
    """Sums at those averaging factors at which few terms touch a gap.

    Parameters
    ----------
    samples
        Phase with gaps, in memory.
    missing
        Places of the missing points, rising.
    factors
        Averaging factors in rising order.
    order
        Order of the differences.
    averaged
        Whether a term is the mean of as many consecutive differences as the factor.
    """

    def __init__(
        self, samples: PhasePoints, missing: IntArray, factors: IntArray, order: int, *, averaged: bool
    ) -> None:
        self._order, self._averaged = order, averaged
        last = np.append(np.diff(missing) > 1, True)
        self._begins, self._ends = missing[np.roll(last, 1)], missing[last] + 1
        beside = np.unique(np.concatenate([self._begins - 1, self._ends]))
        beside = beside[(beside >= 0) & (beside < samples.points)]
        phase = np.array(samples.phase_s, dtype=float)
        phase[missing] = np.interp(missing, beside, phase[beside])
        self._filled = PhasePoints(phase_s=phase, has_gaps=False)
        served = np.array([factor for factor in factors.tolist() if self._serves(factor)], dtype=np.int64)
        whole = sums_without_gaps(self._filled, served, order, averaged=averaged) if len(served) else []
        self._whole = dict(zip(served.tolist(), whole, strict=True))

    @classmethod
    def of(cls, samples: Samples, factors: IntArray, order: int, *, averaged: bool) -> Self | None:
        """Return the sums where the record is long, in memory, and has few gaps."""
        if not isinstance(samples, PhasePoints) or samples.mapping is not None:
            return None
        if samples.points < FEWEST_POINTS:
            return None
        missing = np.flatnonzero(np.isnan(samples.phase_s))
        if np.count_nonzero(np.diff(missing) > 1) >= samples.points // POINTS_PER_RUN:
            return None
        return cls(samples, missing, factors, order, averaged=averaged)

    def terms(self, factor: int, workspace: Workspace) -> TermSum | None:
        """Return the sum at one of the averaging factors, ``None`` where many terms touch a gap."""
        if factor not in self._whole:
            return None
        whole = self._whole[factor]
        reach = self._reach(factor)
        way = sum_of_squared_averages if self._averaged and factor > 1 else sum_of_squared_differences
        kept, valid = whole.total, np.ones(whole.possible, dtype=bool)
        for begin, end in self._runs(factor):
            part = replace(self._filled, phase_s=self._filled.phase_s[begin : end + reach])
            kept -= way(part, factor, self._order, workspace=workspace).total
            valid[begin:end] = False
        if kept < (1 - MOST_TAKEN_AWAY) * whole.total:
            return None
        terms = int(np.count_nonzero(valid))
        return TermSum(total=kept, possible=whole.possible, terms=terms, valid=valid)

    def _reach(self, factor: int) -> int:
        """Return how many points a term reaches beyond its first."""
        return (self._order + self._averaged) * factor - self._averaged

    def _serves(self, factor: int) -> bool:
        runs = self._runs(factor)
        possible = self._filled.points - self._reach(factor)
        few = len(runs) * POINTS_PER_RUN <= self._filled.points
        return few and sum(end - begin for begin, end in runs) <= MOST_TAKEN_AWAY * possible

    def _runs(self, factor: int) -> list[tuple[int, int]]:
        """Return the terms that touch a gap as disjoint runs (begin, end). A mean touches all it spans."""
        reach = self._reach(factor)
        possible = self._filled.points - reach
        begins, ends = self._begins - reach, self._ends
        if not self._averaged:
            points = factor * np.arange(self._order + 1)[:, np.newaxis]
            begins, ends = np.sort((self._begins - points).ravel()), np.sort((self._ends - points).ravel())
        runs: list[tuple[int, int]] = []
        for begin, end in zip(begins.clip(0).tolist(), ends.clip(None, possible).tolist(), strict=True):
            if runs and begin <= runs[-1][1]:
                runs[-1] = (runs[-1][0], max(end, runs[-1][1]))
            elif begin < end:
                runs.append((begin, end))
        return runs
