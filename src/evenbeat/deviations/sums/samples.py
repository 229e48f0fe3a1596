"""What the kernels read: by how much the phase advances over any number of samples, gaps as NaN."""

from __future__ import annotations

import math
import mmap
from collections.abc import Iterable
from dataclasses import dataclass, replace
from typing import Self

import numpy as np
import numpy.typing as npt

from evenbeat.errors import InputError
from evenbeat.intake import SCAN_BLOCK, blocks, extremes_and_mean, let_go, mapping_of
from evenbeat.quantities import FloatArray
from evenbeat.record import Record

KEPT_BYTES = 1 << 25
"""Read from a memory-mapped record before its pages are dropped."""
BYTES_AT_ONCE = 1 << 21
"""Brought into memory by reading a single sample, where the system uses large pages."""


@dataclass(frozen=True, eq=False, kw_only=True)
class PhasePoints:
    """Phase points in seconds, NaN where missing; any float type, promoted block by block.

    ``rounding_s`` is the spacing of numbers near the largest phase, in the type it is stored in;
    ``mapping`` the file behind a memory-mapped record.
    """

    phase_s: FloatArray
    has_gaps: bool
    rounding_s: float = 0.0
    mapping: mmap.mmap | None = None

    @classmethod
    def of(cls, phase_s: FloatArray) -> Self:
        """Return the points after one look for gaps and for the largest."""
        plain = np.asarray(phase_s)
        largest, has_gaps = 0.0, False
        for block in blocks(plain):
            high, low = block.max(), block.min()
            if np.isnan(high):
                has_gaps, high, low = True, np.fmax.reduce(block), np.fmin.reduce(block)
            largest = np.fmax(largest, np.fmax(high, -low))
        rounding = float(np.spacing(plain.dtype.type(largest)))
        return cls(phase_s=plain, has_gaps=has_gaps, rounding_s=rounding, mapping=mapping_of(plain))

    @property
    def points(self) -> int:
        """Number of phase points."""
        return len(self.phase_s)

    def fill_advances(self, out: FloatArray, begin: int, lag: int) -> None:
        """Write ``x[i + lag] - x[i]`` into ``out``."""
        piece = KEPT_BYTES // min(abs(self.phase_s.strides[0]), BYTES_AT_ONCE)
        for done in range(0, len(out), piece):
            part, first = out[done : done + piece], begin + done
            end = first + len(part)
            later, earlier = self.phase_s[first + lag : end + lag], self.phase_s[first:end]
            np.subtract(later, earlier, out=part, dtype=np.float64)
            if len(out) > piece or first // piece != end // piece:
                let_go(self.mapping)

    def decimated(self, factor: int) -> PhasePoints:
        """Return every ``factor``-th point, without a copy."""
        return replace(self, phase_s=self.phase_s[::factor])

    def between(self, begin: int, end: int) -> PhasePoints:
        """Return the points of a stretch, without a copy."""
        return replace(self, phase_s=self.phase_s[begin:end])


@dataclass(frozen=True, eq=False, kw_only=True)
class FrequencySums:
    """Running sums of a frequency record with gaps.

    The phase gained across a gap is unknown, so that no phase can be formed. An advance over some
    samples is their number times the mean of those present, where at least ``minimum_coverage`` of
    them are; otherwise it is unknown.
    """

    sums_s: FloatArray
    counts: npt.NDArray[np.int64]
    minimum_coverage: float
    samples_per_point: int = 1
    has_gaps: bool = True

    @classmethod
    def of(
        cls,
        parts: Iterable[FloatArray],
        count: int,
        *,
        interval_s: float,
        minimum_coverage: float,
        offset: float = 0.0,
    ) -> Self:
        """Return the sums of ``count`` frequencies, given in parts, less an offset; nothing else is held."""
        sums_s, counts = np.zeros(count + 1), np.zeros(count + 1, dtype=np.int64)
        filled = 1
        for block in parts:
            present, part = ~np.isnan(block), slice(filled, filled + len(block))
            for sums, gains in (
                (sums_s, np.where(present, (block - offset) * interval_s, 0.0)),
                (counts, present.astype(np.int64)),
            ):
                gains[0] += sums[filled - 1]
                np.cumsum(gains, out=sums[part])
            filled += len(block)
        return cls(sums_s=sums_s, counts=counts, minimum_coverage=minimum_coverage)

    @property
    def points(self) -> int:
        """Number of phase points."""
        return len(self.sums_s)

    def fill_advances(self, out: FloatArray, begin: int, lag: int) -> None:
        """Write the advances over ``lag`` points into ``out``, NaN where too few samples are present."""
        end = begin + len(out)
        whole = lag * self.samples_per_point
        present = self.counts[begin + lag : end + lag] - self.counts[begin:end]
        np.subtract(self.sums_s[begin + lag : end + lag], self.sums_s[begin:end], out=out)
        out[present < max(1, needed_samples(whole, self.minimum_coverage))] = np.nan
        partial = present < whole
        out[partial] *= whole / np.maximum(present[partial], 1)

    def decimated(self, factor: int) -> FrequencySums:
        """Return the sums at every ``factor``-th point."""
        return replace(
            self,
            sums_s=self.sums_s[::factor],
            counts=self.counts[::factor],
            samples_per_point=self.samples_per_point * factor,
        )

    def between(self, begin: int, end: int) -> FrequencySums:
        """Return the sums at the points of a stretch."""
        return replace(self, sums_s=self.sums_s[begin:end], counts=self.counts[begin:end])


Samples = PhasePoints | FrequencySums


def needed_samples(whole: int, minimum_coverage: float) -> int:
    """Return how many of ``whole`` samples must be present."""
    return math.ceil(minimum_coverage * whole - 1e-9)


def samples_of(record: Record, minimum_coverage: float) -> Samples:
    """Return what the kernels need of a record: excluded samples missing, known steps subtracted.

    A complete frequency record is integrated once, its mean removed; a phase record is not copied.
    """
    if not 0 < minimum_coverage <= 1:
        msg = f"minimum_coverage is {minimum_coverage}; it must be above 0 and at most 1"
        raise InputError(msg)
    values = np.asarray(record.usable_values(without_steps=True))
    if record.kind == "phase":
        return PhasePoints.of(values)
    _, mean, _ = extremes_and_mean(values)
    if any(bool(np.isnan(block).any()) for block in blocks(values)):
        del values  # a copy, where something is flagged
        edges = range(0, len(record), SCAN_BLOCK)
        return FrequencySums.of(
            (record.usable_rows(a, min(a + SCAN_BLOCK, len(record)), without_steps=True) for a in edges),
            len(record),
            interval_s=record.interval_s,
            minimum_coverage=minimum_coverage,
            offset=mean,
        )
    return PhasePoints(phase_s=_integrated(values, record.interval_s, mean), has_gaps=False)


def _integrated(frequency: FloatArray, interval_s: float, offset: float) -> FloatArray:
    """Return the phase of ``frequency - offset`` from zero; block by block, so that nothing else is held."""
    phase = np.zeros(len(frequency) + 1)
    filled = 1
    for block in blocks(frequency):
        part = phase[filled : filled + len(block)]
        np.subtract(block, offset, out=part, dtype=np.float64)
        part *= interval_s
        part[0] += phase[filled - 1]
        np.cumsum(part, out=part)
        filled += len(block)
    return phase
