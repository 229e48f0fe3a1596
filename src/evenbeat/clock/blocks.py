"""Averaging a record into at most a few hundred blocks, finer towards the end.

A forecast depends on the last samples, a drift on all of them: long blocks carry the drift, and the
last one is halved again and again so that the present frequency is known as well as the log allows.

A clock kept against a time scale is often read every few days or months. Two readings of phase know the mean
frequency between them exactly, whatever happened meanwhile, if no cycle was lost and nobody set the clock.
Frequencies at epochs of their own are the readings themselves, each with its span, in groups where many.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from functools import cached_property

import numpy as np
import numpy.typing as npt

from evenbeat.clock.covariance import Gates, Gating, Spans
from evenbeat.errors import InputError, TooShortError
from evenbeat.findings import Finding, note
from evenbeat.logs.display import display_step
from evenbeat.quantities import FloatArray
from evenbeat.record import Record
from evenbeat.units import counted, duration_text

MOST_BLOCKS = 400
MOST_BLOCKS_WITH_WHITE_PM = 200
WHITE_PM_MATTERS_BELOW = 64
"""Samples per block under which white PM is a noise of its own: its share falls with their square."""
FEWEST_BLOCKS = 8
HALVINGS = 4
MOSTLY_REPEATED = 0.6
LONGEST_HOLE = 0.1
"""Share of a block that may be missing in one piece before the block is divided there."""


@dataclass(frozen=True, kw_only=True)
class Display:
    """The least that readings can show: a step of the display, or the spacing of floating-point numbers.

    A straight line may lie up to a step either way of readings that hide it, at either end of the record:
    triangular distributions (JCGM 100:2008, 4.3.9) of the offset, and of twice as much over the length for
    the rate.
    """

    step: float = 0.0  # Fractional frequency
    # Whether readings mostly repeat, so that averaging them does not see within a step. With noise of half a
    # step or more neighbours differ in at least half of the cases, and the mean of many is right.
    hides: bool = False
    rate: float = 0.0  # Standard uncertainty of the aging rate per second

    @property
    def offset(self) -> float:
        """Standard uncertainty of every absolute frequency."""
        return self.step / math.sqrt(6)

    def time_error(self, ahead_s: FloatArray) -> FloatArray:
        """Return the standard uncertainty of time error gained after the record, shape (m,)."""
        return np.hypot(self.offset * ahead_s, 0.5 * self.rate * ahead_s**2)

    @classmethod
    def of(cls, record: Record, *, ages: bool = True) -> Display:
        """Return that of a record: of a display that hides, else what double precision leaves.

        Of a clock stated not to age no rate is hidden.
        """
        seen = record.usable_values(without_steps=False)
        seen = seen[~np.isnan(seen)]
        step, hides = float(np.spacing(max(seen.max(initial=0.0), -seen.min(initial=0.0)))), False
        if record.kind == "phase":
            step /= record.duration_s
        elif len(seen) > 1:
            change = np.diff(seen)
            np.abs(change, out=change)
            change[change < 64 * step] = 0.0  # one reading, rounded twice
            if np.count_nonzero(change) < (1 - MOSTLY_REPEATED) * len(change):
                least = float(change[change > 0].min(initial=np.inf))
                shown = record.resolution or display_step(seen, None) or least
                hides = math.isfinite(shown)
                step = shown if hides else step
        return cls(step=step, hides=hides, rate=ages * step / (math.sqrt(3) * record.duration_s))


@dataclass(frozen=True, eq=False, kw_only=True)
class Blocks:
    """Mean frequencies over spans of time."""

    spans: Spans  # In seconds since the record's start
    frequency: FloatArray  # Shape (n,), dimensionless
    covariates: Mapping[str, FloatArray]  # Means of the covariates over the same spans
    length_s: float  # Length of a regular block
    factor: int  # Samples in a regular block
    findings: tuple[Finding, ...]
    # Interval and gate in seconds where readings have dead time between them; the spans of all readings
    # where they are at epochs of their own
    gating: Gating | Gates | None = None
    display: Display = field(default_factory=Display)  # What the readings cannot show

    def __len__(self) -> int:
        return len(self.frequency)

    @property
    def white_pm_shows(self) -> bool:
        """Whether white PM is told from white FM: averages are short, and neighbours share an end."""
        between = self.spans.start[1:] - self.spans.stop[:-1]
        apart = isinstance(self.gating, Gates) and np.median(between) > 0
        return self.factor < WHITE_PM_MATTERS_BELOW and not apart

    @cached_property
    def drawn(self) -> FloatArray:
        """What the averages may have been: a draw from within a display that hides it (with a fixed seed).

        Readings are intervals there; without the draw a display that stands still would be a clock without
        noise. The draw leaves the noise of the display in the likelihood, :class:`Display` the rest.
        """
        if not self.display.hides:
            return self.frequency
        return self.frequency + self.display.step * np.random.default_rng(0).uniform(-0.5, 0.5, len(self))


def blocks_of(record: Record, covariates: Sequence[str], most_blocks: int) -> Blocks:
    """Return the averages of a record that a clock model is fitted to, fewer where white PM matters."""
    samples = len(record) - (record.kind == "phase")
    if samples < WHITE_PM_MATTERS_BELOW * most_blocks:
        most_blocks = min(most_blocks, MOST_BLOCKS_WITH_WHITE_PM)
    if record.epochs_ns is not None and record.kind == "frequency":
        return blocks_of_readings(record, most_blocks=most_blocks)
    if not covariates and read_now_and_then(record):
        return blocks_between_readings(record, most_blocks=most_blocks)
    return block_averages(record, most_blocks=most_blocks, covariates=covariates)


def block_averages(record: Record, *, most_blocks: int, covariates: Sequence[str] = ()) -> Blocks:
    """Return the record as block averages; excluded samples are left out, steps of frequency stay.

    A block ends where the record steps, of frequency or of phase, and none runs across a step of phase. A
    sample without one of the ``covariates``, which are averaged too, is left out.
    """
    values, columns, present = with_covariates(record, covariates)
    lost = int(np.count_nonzero(~np.isnan(values)) - np.count_nonzero(present))
    if not present.any():
        msg = f"no reading comes with {' and '.join(covariates)}; leave out what is always missing"
        raise InputError(msg)
    factor = max(1, -(-len(values) // most_blocks))
    edges = sorted(
        {*_edges(len(values), factor), *(f.start for f in record.steps if 0 < f.start < len(values))}
    )
    first, last = _runs(present, edges, hole=max(1, round(LONGEST_HOLE * factor)))
    keep = (last - first) >= _shortest(factor)
    short = int(np.sum((last - first)[~keep]))
    first, last = first[keep], last[keep]
    length_s = factor * record.interval_s
    _need(len(first), f"gives {counted(len(first), 'average')} of {duration_text(length_s)}")
    findings = []
    if lost:
        sentence = f"{lost} readings without {' or '.join(covariates)} were left out of the clock model."
        findings.append(note("COVARIATE_MISSING", sentence, readings=lost))
    if short:
        sentence = (
            f"{short} readings between gaps or steps, too few for a block, were left out of the clock model."
        )
        findings.append(note("FRAGMENTS_LEFT_OUT", sentence, readings=short))

    def means(column: FloatArray) -> FloatArray:
        return np.array([column[a:b][present[a:b]].mean() for a, b in zip(first, last, strict=True)])

    gating = None  # interval and gate where time between the gates goes unmeasured
    gate_s = None if record.kind == "phase" else record.gate_s
    if gate_s is not None and gate_s <= record.interval_s * (1 - 1e-9):
        gating = Gating(interval=record.interval_s, gate=gate_s)
    dead_time = 0.0 if gating is None else gating.interval - gating.gate
    return Blocks(
        spans=Spans(start=first * record.interval_s, stop=last * record.interval_s - dead_time),
        frequency=means(values),
        covariates=dict(zip(covariates, map(means, columns), strict=True)),
        length_s=length_s,
        factor=factor,
        gating=gating,
        findings=tuple(findings),
    )


def _need(count: int, what: str, needed: int = FEWEST_BLOCKS) -> None:
    if count < needed:
        msg = f"the record {what}; a clock model needs at least {needed}"
        raise TooShortError(msg, needed=needed, available=count)


def with_covariates(
    record: Record, names: Iterable[str]
) -> tuple[FloatArray, list[FloatArray], npt.NDArray[np.bool_]]:
    """Return mean frequencies, covariates where these are, and which samples have all of them."""
    values = frequencies(record)
    columns = [between_samples(record, record.covariates[name]) for name in names]
    present = np.asarray(~np.isnan(values))
    for column in columns:
        present &= ~np.isnan(column)
    return values, columns, present


def frequencies(record: Record) -> FloatArray:
    """Return mean frequencies of shape (n,) with NaN where missing or excluded, and across a step of phase.

    A step of phase of unknown size leaves nothing known of the frequency in the one interval across it:
    leaving that out and estimating the step are the same regression.
    """
    values = np.asarray(record.usable_values(without_steps=False), dtype=float)
    if record.kind == "frequency":
        return values
    frequency = np.diff(values) / record.interval_s + record.removed_frequency
    frequency[[start - 1 for start in phase_steps(record)]] = np.nan
    return frequency


def phase_steps(record: Record) -> list[int]:
    """Return the first samples after the steps of phase of a phase record."""
    if record.kind == "frequency":  # its readings know nothing of phase
        return []
    return [f.start for f in record.steps if f.cause == "phase_step" and 0 < f.start < len(record)]


def between_samples(record: Record, column: FloatArray) -> FloatArray:
    """Return a covariate where the mean frequencies are: between the samples of a record of phase."""
    return column if record.kind == "frequency" else 0.5 * (column[1:] + column[:-1])


def _edges(samples: int, factor: int) -> list[int]:
    """Return the first sample of every block and the end, the last block halved ``HALVINGS`` times."""
    shortest = _shortest(factor)
    edges = list(range(0, max(1, samples - shortest + 1), factor))
    start, length = edges[-1], samples - edges[-1]
    for _ in range(HALVINGS):
        if length // 2 < shortest:
            break
        start, length = start + length // 2, length - length // 2
        edges.append(start)
    return [*edges, samples]


def _shortest(factor: int) -> int:
    """Return the fewest samples that make a block."""
    return max(1, factor >> HALVINGS)


def _runs(present: np.ndarray, edges: list[int], hole: int) -> tuple[np.ndarray, np.ndarray]:
    """Return first and end sample of what is present in each block, divided at holes longer than ``hole``."""
    changes = np.flatnonzero(np.diff(present, prepend=False, append=False))
    begins, ends = changes[::2], changes[1::2]
    cuts = np.union1d(edges, begins[1:][begins[1:] - ends[:-1] >= hole])
    after = np.minimum(np.searchsorted(ends, cuts[:-1], side="right"), len(ends) - 1)
    first = np.maximum(cuts[:-1], begins[after])
    last = np.minimum(cuts[1:], ends[np.searchsorted(begins, cuts[1:]) - 1])
    return first[first < last], last[first < last]


def sums_between(values: np.ndarray, first: np.ndarray, last: np.ndarray) -> FloatArray:
    """Return the sums of samples from ``first`` up to ``last``."""
    total = np.zeros(len(values) + 1)
    np.cumsum(values, out=total[1:])
    return total[last] - total[first]


MOSTLY_ALONE = 0.5
"""Share of readings without a neighbour from which a phase record counts as read now and then."""


def read_now_and_then(record: Record) -> bool:
    """Return whether readings follow no grid, or most phase readings have no neighbour on it."""
    if record.epochs_ns is not None:
        return True
    if record.kind != "phase":
        return False
    present = ~np.isnan(record.usable_values(without_steps=False))
    paired = int(np.count_nonzero(present[1:] & present[:-1]))
    return bool(paired < (1 - MOSTLY_ALONE) * (np.count_nonzero(present) - 1))


def blocks_between_readings(record: Record, *, most_blocks: int) -> Blocks:
    """Return the mean frequencies between successive readings of phase; many are thinned out evenly.

    Not valid where the clock was set, or whole cycles were lost, between readings without a flag.
    """
    values = np.asarray(record.usable_values(without_steps=False), dtype=float)
    where = np.flatnonzero(~np.isnan(values))
    _need(len(where), f"has {len(where)} readings", FEWEST_BLOCKS + 1)
    factor = -(-(len(where) - 1) // most_blocks)
    chosen = np.append(where[::factor], where[-1])
    if record.epochs_ns is not None:  # the present frequency counts most for a forecast
        chosen = np.append(chosen, where[_last_halved(len(where) - 1, factor)])
    where = np.unique(chosen)
    stepped = np.histogram(np.array(phase_steps(record)) - 0.5, bins=where)[0] > 0
    first, last = where[:-1][~stepped], where[1:][~stepped]
    _need(len(first), f"has {len(first)} intervals between readings without a step of phase")
    elapsed = record.elapsed_s
    spans = Spans(start=elapsed[first], stop=elapsed[last])
    typical = float(np.median(spans.length))
    sentence = (
        f"The clock was read {len(where)} times, mostly {duration_text(typical)} apart; the mean frequency "
        "from one reading to the next is used, which assumes that it was not set in between."
    )
    finding = note("READ_NOW_AND_THEN", sentence, readings=len(where))
    return Blocks(
        spans=spans,
        frequency=(values[last] - values[first]) / spans.length + record.removed_frequency,
        covariates={},
        length_s=typical,
        factor=1,
        findings=(finding,),
    )


def _last_halved(intervals: int, factor: int) -> npt.NDArray[np.intp]:
    """Return readings that halve the last ``factor`` intervals again and again."""
    return np.array([intervals - (factor >> k) for k in range(1, HALVINGS + 1) if factor >> k], dtype=np.intp)


def blocks_of_readings(record: Record, *, most_blocks: int) -> Blocks:
    """Return frequencies at epochs of their own, each with its span, or averages of neighbours where many.

    Averages are weighted by the spans; a group ends at a step of frequency and where half of its usual length
    is empty. It stands for the span about the centre of its readings that lies within it; its noise is that
    of the readings (see :func:`evenbeat.clock.covariance.block_covariance`).
    """
    values = np.asarray(record.usable_values(without_steps=False), dtype=float)
    where = np.flatnonzero(~np.isnan(values))
    _need(len(where), f"has {len(where)} readings")
    start = record.elapsed_s[where]
    gates = Spans(start=start, stop=start + np.asarray(record.spans_s)[where])
    factor = -(-len(where) // most_blocks)
    length_s = factor * record.spacing_s
    edges = {*range(0, len(where), factor), *_last_halved(len(where), factor).tolist()}
    edges |= {int(np.searchsorted(where, step.start)) for step in record.steps} - {len(where)}
    if factor > 1:
        edges |= set((np.flatnonzero(gates.start[1:] - gates.stop[:-1] > 0.5 * length_s) + 1).tolist())
    grouped = Gates(spans=gates, begins=np.array(sorted(edges), dtype=np.int64))
    weights = grouped.weights
    last = np.append(grouped.begins[1:], len(where)) - 1
    begin, end = gates.start[grouped.begins], gates.stop[last]
    centre = grouped.summed(weights * gates.middle)
    half = np.minimum(centre - begin, end - centre)
    alone = grouped.begins == last
    middle = float(values[where].mean())
    return Blocks(
        spans=Spans(start=np.where(alone, begin, centre - half), stop=np.where(alone, end, centre + half)),
        frequency=middle + grouped.summed(weights * (values[where] - middle)),
        covariates={},
        length_s=length_s,
        factor=factor,
        gating=grouped,
        findings=(),
    )
