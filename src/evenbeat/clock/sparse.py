"""Blocks of a clock that was read now and then, or at times that follow no grid.

Of time errors the mean frequency from one reading to the next; of frequencies the readings themselves, each
with its own span, in groups where there are many.

A clock kept against a time scale is often read every few days or months. Two readings of phase know the
mean frequency between them exactly, whatever happened meanwhile, if no cycle was lost and nobody set the
clock. Such a record has hardly two readings in a row on its grid, so averages of neighbours are none.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from evenbeat.clock.blocks import FEWEST_BLOCKS, HALVINGS, Blocks, phase_steps
from evenbeat.clock.covariance import Gates, Spans
from evenbeat.errors import TooShortError
from evenbeat.findings import Finding
from evenbeat.record import Record
from evenbeat.units import duration_text

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
    """Return the mean frequencies between successive readings of phase.

    Parameters
    ----------
    most_blocks
        Where there are more, only every second, third … reading is used, and the last.

    Raises
    ------
    TooShortError
        If there are fewer than 9 readings.

    Notes
    -----
    Not valid where the clock was set, or whole cycles were lost, between readings without a flag.
    """
    values = np.asarray(record.usable_values(without_steps=False), dtype=float)
    where = np.flatnonzero(~np.isnan(values))
    if len(where) <= FEWEST_BLOCKS:
        msg = f"the record has {len(where)} readings; a clock model needs at least {FEWEST_BLOCKS + 1}"
        raise TooShortError(msg, needed=FEWEST_BLOCKS + 1, available=len(where))
    factor = -(-(len(where) - 1) // most_blocks)
    chosen = np.append(where[::factor], where[-1])
    if record.epochs_ns is not None:  # the present frequency counts most for a forecast
        chosen = np.append(chosen, where[_last_halved(len(where) - 1, factor)])
    where = np.unique(chosen)
    stepped = np.histogram(np.array(phase_steps(record)) - 0.5, bins=where)[0] > 0
    first, last = where[:-1][~stepped], where[1:][~stepped]
    if len(first) < FEWEST_BLOCKS:
        msg = (
            f"the record has {len(first)} intervals between readings without a step of phase; a clock model "
            f"needs at least {FEWEST_BLOCKS}"
        )
        raise TooShortError(msg, needed=FEWEST_BLOCKS, available=len(first))
    elapsed = record.elapsed_s
    spans = Spans(start=elapsed[first], stop=elapsed[last])
    typical = float(np.median(spans.length))
    sentence = (
        f"The clock was read {len(where)} times, mostly {duration_text(typical)} apart; the mean frequency "
        "from one reading to the next is used, which assumes that it was not set in between."
    )
    finding = Finding(
        code="READ_NOW_AND_THEN", severity="note", sentence=sentence, values={"readings": len(where)}
    )
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
    """Return frequencies at epochs of their own, each with its span, or averages of neighbours.

    Parameters
    ----------
    most_blocks
        Where there are more readings, groups of neighbours are averaged, weighted by their spans; a group
        ends at a step of frequency and where half of its usual length is empty.

    Raises
    ------
    TooShortError
        If there are fewer than 8.

    Notes
    -----
    A group stands for the span about the centre of its readings that lies within it; its noise is that of the
    readings (see :func:`evenbeat.clock.covariance.block_covariance`).
    """
    values = np.asarray(record.usable_values(without_steps=False), dtype=float)
    where = np.flatnonzero(~np.isnan(values))
    if len(where) < FEWEST_BLOCKS:
        msg = f"the record has {len(where)} readings; a clock model needs at least {FEWEST_BLOCKS}"
        raise TooShortError(msg, needed=FEWEST_BLOCKS, available=len(where))
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
