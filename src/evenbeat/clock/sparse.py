"""Blocks of a clock that was read now and then: the mean frequency from one reading to the next.

A clock kept against a time scale is often read every few days or months. Two readings of phase know the
mean frequency between them exactly, whatever happened meanwhile, if no cycle was lost and nobody set the
clock. Such a record has hardly two readings in a row on its grid, so averages of neighbours are none.
"""

from __future__ import annotations

import numpy as np

from evenbeat.clock.blocks import FEWEST_BLOCKS, Blocks, phase_steps
from evenbeat.clock.covariance import Spans
from evenbeat.errors import TooShortError
from evenbeat.findings import Finding
from evenbeat.record import Record
from evenbeat.units import duration_text

MOSTLY_ALONE = 0.5
"""Share of readings without a neighbour from which a phase record counts as read now and then."""


def read_now_and_then(record: Record) -> bool:
    """Return whether most phase readings have no neighbour on the record's grid."""
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
    where = np.unique(np.append(where[::factor], where[-1]))
    stepped = np.histogram(np.array(phase_steps(record)) - 0.5, bins=where)[0] > 0
    first, last = where[:-1][~stepped], where[1:][~stepped]
    if len(first) < FEWEST_BLOCKS:
        msg = (
            f"the record has {len(first)} intervals between readings without a step of phase; a clock model "
            f"needs at least {FEWEST_BLOCKS}"
        )

        raise TooShortError(msg, needed=FEWEST_BLOCKS, available=len(first))
    spans = Spans(start=first * record.interval_s, stop=last * record.interval_s)
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
