"""Running totals of cycles → time error: exact as integers, wraps of the counter undone."""

from __future__ import annotations

import numpy as np

from evenbeat.epochs import Grid
from evenbeat.errors import LogError
from evenbeat.findings import Finding
from evenbeat.logs.conversion import Converted, round_frequency
from evenbeat.logs.times.timestamps import Locate
from evenbeat.quantities import FloatArray

_CAPACITIES = (*(2.0**bits for bits in (16, 24, 32, 40, 48)), *(10.0**digits for digits in range(6, 15)))
_LARGEST_EXACT = 2.0**53


def phase_of_counts(
    counts: FloatArray, *, grid: Grid, nominal_frequency_hz: float | None, path: str, locate: Locate
) -> Converted:
    """Return the time error of a source whose cycles were totalised: cycles / nominal - elapsed time.

    Parameters
    ----------
    counts
        Shape (rows,), running total at each row; NaN = missing.

    Raises
    ------
    LogError
        If a total is no whole number, too large, or falls where no counter wraps.

    Notes
    -----
    Not valid when the rows are timed by a clock that is worse than the source.
    """
    rows = np.flatnonzero(~np.isnan(counts))
    known = counts[rows]
    bad = (known != np.floor(known)) | (np.abs(known) >= _LARGEST_EXACT)
    if bad.any():
        row = int(rows[int(np.argmax(bad))])
        msg = f"the total {counts[row]:.15g} is no whole number of cycles below 2^53"
        raise LogError(msg, path=path, line=locate(row))
    total, findings = _unwrapped(known, rows, path, locate)
    places = rows if grid.positions is None else grid.positions[rows]
    cells = (places - places[0]).astype(float)
    nominal = nominal_frequency_hz
    if nominal is None:
        rate = float((total[-1] - total[0]) / (cells[-1] * grid.interval_s))
        nominal, found = round_frequency(rate, path)
        findings = (*findings, found)
    expected = nominal * grid.interval_s
    phase = np.full(len(counts), np.nan)
    phase[rows] = ((total - total[0]) - cells * expected) / nominal
    sentence = "The time error was taken from totals of cycles and the grid of the rows; it starts at zero."
    finding = Finding(code="PHASE_FROM_COUNTS", severity="note", sentence=sentence)
    return Converted(
        kind="phase",
        values=phase,
        step_factor=1 / nominal,
        nominal_frequency_hz=nominal,
        findings=(*findings, finding),
    )


def _unwrapped(
    known: FloatArray, rows: np.ndarray[tuple[int], np.dtype[np.int64]], path: str, locate: Locate
) -> tuple[FloatArray, tuple[Finding, ...]]:
    """Return totals that never fall, the capacity of the counter added at each wrap."""
    falls = np.flatnonzero(np.diff(known) < 0)
    if not len(falls):
        return known, ()
    largest = float(known.max())
    capacity = next((size for size in _CAPACITIES if largest < size), 0.0)
    step = float(np.median(np.diff(known)))
    back = np.diff(known)[falls] + capacity
    if not capacity or step <= 0 or bool((np.abs(back - step) > 0.5 * step).any()):
        row = int(rows[falls[0] + 1])
        msg = (
            f"the total falls from {known[falls[0]]:.15g} to {known[falls[0] + 1]:.15g}, which is no wrap "
            "of a counter; cut the log there"
        )
        raise LogError(msg, path=path, line=locate(row))
    wraps = np.concatenate([[0.0], np.cumsum(np.diff(known) < 0)])
    sentence = f"The counter wrapped {len(falls)} time(s) at {capacity:.15g}; this was undone."
    values = {"wraps": len(falls), "capacity": capacity}
    finding = Finding(code="COUNT_WRAPPED", severity="note", sentence=sentence, values=values)
    return known + capacity * wraps, (finding,)
