"""Running totals of cycles → time error: exact as integers, wraps of the counter undone."""

from __future__ import annotations

import numpy as np

from evenbeat.epochs import Grid
from evenbeat.errors import LogError
from evenbeat.findings import Finding
from evenbeat.logs.conversion import Converted, assumed_nominal
from evenbeat.logs.times import Locate
from evenbeat.quantities import FloatArray

_CAPACITIES = (*(2.0**bits for bits in (16, 24, 32, 40, 48)), *(10.0**digits for digits in range(6, 15)))
_LARGEST_EXACT = 2.0**53
_OFTEN, _FEWEST_FALLS = 0.1, 2  # of the rows


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
    if grid.epochs_ns is None:
        places, unit_s = rows if grid.positions is None else grid.positions[rows], grid.interval_s
    else:
        places, unit_s = grid.epochs_ns[rows], 1e-9
    cells = (places - places[0]).astype(float)
    nominal = nominal_frequency_hz
    expected = None if nominal is None else np.diff(cells) * unit_s * nominal
    total, findings = _unwrapped(known, rows, expected, path, locate)
    if nominal is None:
        rate = float((total[-1] - total[0]) / (cells[-1] * unit_s))
        nominal, found = assumed_nominal(rate, path)
        findings = (*findings, found)
    phase = np.full(len(counts), np.nan)
    phase[rows] = ((total - total[0]) - cells * (nominal * unit_s)) / nominal
    when = "grid" if grid.epochs_ns is None else "times"
    sentence = (
        f"The time error was taken from totals of cycles and the {when} of the rows; it starts at zero."
    )
    finding = Finding(code="PHASE_FROM_COUNTS", severity="note", sentence=sentence)
    return Converted(
        kind="phase",
        values=phase,
        step_factor=1 / nominal,
        nominal_frequency_hz=nominal,
        findings=(*findings, finding),
    )


def _unwrapped(
    known: FloatArray,
    rows: np.ndarray[tuple[int], np.dtype[np.int64]],
    expected: FloatArray | None,
    path: str,
    locate: Locate,
) -> tuple[FloatArray, tuple[Finding, ...]]:
    """Return totals that never fall, the capacity of the counter added at each wrap.

    Parameters
    ----------
    expected
        Shape (totals - 1,), cycles between them by the nominal frequency, which tells how often a short
        counter wraps from one total to the next; ``None`` where it is not stated.
    """
    falls = np.flatnonzero(np.diff(known) < 0)
    if not len(falls):
        return known, ()
    largest = float(known.max())
    capacity = next((size for size in _CAPACITIES if largest < size), 0.0)
    if capacity and expected is not None and float(np.median(expected)) >= capacity:
        return _unwrapped_by_nominal(known, expected, capacity, rows, path, locate)
    step = float(np.median(np.diff(known)))
    back = np.diff(known)[falls] + capacity
    if not capacity or step <= 0 or bool((np.abs(back - step) > 0.5 * step).any()):
        row = int(rows[falls[0] + 1])
        msg = (
            f"the total falls from {known[falls[0]]:.15g} to {known[falls[0] + 1]:.15g}, which is no wrap "
            "of a counter; cut the log there"
        )
        if expected is None and capacity and len(falls) > max(_FEWEST_FALLS, _OFTEN * len(known)):
            msg = (
                f"the total falls in {len(falls)} of {len(known)} rows, as a counter of {capacity:.15g} does "
                "that wraps several times from row to row: only the nominal frequency tells how often; state "
                "it with --nominal-frequency, such as --nominal-frequency '10 MHz' (nominal_frequency_hz)"
            )
        raise LogError(msg, path=path, line=locate(row))
    wraps = np.concatenate([[0.0], np.cumsum(np.diff(known) < 0)])
    sentence = f"The counter wrapped {len(falls)} time(s) at {capacity:.15g}; this was undone."
    values = {"wraps": len(falls), "capacity": capacity}
    finding = Finding(code="COUNT_WRAPPED", severity="note", sentence=sentence, values=values)
    return known + capacity * wraps, (finding,)


def _unwrapped_by_nominal(
    known: FloatArray,
    expected: FloatArray,
    capacity: float,
    rows: np.ndarray[tuple[int], np.dtype[np.int64]],
    path: str,
    locate: Locate,
) -> tuple[FloatArray, tuple[Finding, ...]]:
    """Return totals of a counter that wraps several times from row to row.

    Notes
    -----
    Not valid for an offset of more than half a capacity from row to row, which the sentence names.
    """
    steps = np.diff(known)
    excess = steps - expected
    excess -= capacity * np.rint(excess / capacity)
    far = np.abs(excess) > capacity / 4
    if far.any():
        row = int(rows[int(np.argmax(far)) + 1])
        msg = (
            f"from the row before the counter of {capacity:.15g} went on by {abs(excess[far][0]):.6g} cycles "
            "more or less than its nominal frequency, too many to tell how often it wrapped; check "
            "--nominal-frequency (nominal_frequency_hz) or log more often"
        )
        raise LogError(msg, path=path, line=locate(row))
    wraps = np.rint((expected + excess - steps) / capacity)
    largest = capacity / 2 / float(np.median(expected))
    sentence = (
        f"The counter wrapped about {np.median(wraps):.0f} times from row to row at {capacity:.15g}; how "
        f"often was taken from the nominal frequency, so an offset beyond ±{largest:.1g} is misread."
    )
    values = {"wraps": int(wraps.sum()), "capacity": capacity}
    finding = Finding(code="COUNT_WRAPPED", severity="caution", sentence=sentence, values=values)
    return known + capacity * np.concatenate([[0.0], np.cumsum(wraps)]), (finding,)
