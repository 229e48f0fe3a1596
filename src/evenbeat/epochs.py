"""When readings were taken: a time index, epochs or a stated interval → places on a regular grid."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt

from evenbeat.errors import InputError, TooShortError
from evenbeat.findings import Finding
from evenbeat.intake import check_positive
from evenbeat.quantities import FloatArray
from evenbeat.units import duration_text

if TYPE_CHECKING:
    import pandas as pd

IntArray = npt.NDArray[np.int64]

EXACT_STAMPS = 1e-6
"""Part of an interval: stamps so near their place say nothing."""
CLEAR_STEP = 0.2
"""Part of an interval: steps this close to whole intervals leave no doubt."""
LARGEST_GROWTH = 30
"""Cells per reading beyond which stamps are wrong rather than gapped."""
_SNAP = 2e-4  # ordinary error of a computer's clock
_FARTHEST = 0.5  # of an interval; a reading farther from its place would belong to another


@dataclass(frozen=True, eq=False, kw_only=True)
class Grid:
    """Where readings go.

    Parameters
    ----------
    positions
        Shape (readings,), strictly increasing from zero; ``None`` where every cell has its reading.
    cells
        Number of cells of the grid.
    """

    positions: IntArray | None
    cells: int
    interval_s: float
    findings: tuple[Finding, ...] = ()

    def place(self, column: FloatArray) -> FloatArray:
        """Return the column on the grid, NaN where no reading is."""
        if self.positions is None or self.cells == len(column):
            return column
        placed = np.full(self.cells, np.nan)
        placed[self.positions] = column
        return placed

    def late(self, seconds: FloatArray, rows: slice) -> FloatArray:
        """Return by how much some readings are stamped after their place, in seconds."""
        if self.positions is None:
            places = np.arange(*rows.indices(len(seconds)), dtype=float)
        else:
            places = self.positions[rows].astype(float)
        places *= self.interval_s
        return np.subtract(seconds[rows], places, out=places)


@dataclass(frozen=True, eq=False, kw_only=True)
class Moments:
    """When readings were taken.

    Parameters
    ----------
    seconds
        Shape (n,), since the first reading.
    start
        UTC of the first reading; ``None`` where only differences of time are known.
    name
        What they are called in a message.
    """

    seconds: FloatArray
    start: np.datetime64 | None
    name: str


def regular_grid(rows: int, interval_s: float) -> Grid:
    """Return the grid of readings without time stamps."""
    return Grid(positions=None, cells=rows, interval_s=interval_s)


def moments_of(values: Any, epochs: Any = None) -> Moments | None:
    """Return when readings were taken: by their epochs or by the time index of a Series; else ``None``.

    Raises
    ------
    InputError
        If the index is neither times nor 0, 1, 2 …, or if epochs are missing, are no times, are not one
        for each reading, or contradict the index.
    """
    import pandas as pd

    index = values.index if isinstance(values, pd.Series | pd.DataFrame) else None
    timed = isinstance(index, pd.DatetimeIndex | pd.TimedeltaIndex | pd.PeriodIndex)
    by_index = _moments(index, "the index of the readings") if timed else None
    if epochs is None:
        if index is not None and not timed and not _counts_rows(index):
            shown = ", ".join(f"{label}" for label in index[:3])
            msg = (
                f"the index of the readings is neither times nor 0, 1, 2 … but {shown} …; turn it into times "
                "(pandas.to_datetime, to_timedelta), give its seconds with epochs=values.index, or leave it "
                "away with values.to_numpy()"
            )
            raise InputError(msg)
        return by_index
    check_same_index(values, epochs, "epochs")
    stated = _moments(epochs, "epochs")
    if len(stated.seconds) != len(values):
        msg = f"epochs has {len(stated.seconds)} entries for {len(values)} readings; give one for each"
        raise InputError(msg)
    if by_index is not None and not (
        np.array_equal(stated.seconds, by_index.seconds)
        and (stated.start or by_index.start) == by_index.start
    ):
        msg = "epochs are other moments than the time index of the readings; leave out the one that is wrong"
        raise InputError(msg)
    return by_index or stated


def check_same_index(values: Any, other: Any, name: str) -> None:
    """Refuse a second column whose index shows that its rows are not those of the readings."""
    import pandas as pd

    indexed = pd.Series | pd.DataFrame
    if isinstance(values, indexed) and isinstance(other, indexed) and not values.index.equals(other.index):
        msg = f"{name} has another index than the readings; take both from the same rows of one table"
        raise InputError(msg)


def _counts_rows(index: pd.Index[Any]) -> bool:
    """Return whether an index says no more than the order: one whole number after the other."""
    return index.dtype.kind in "iu" and bool(np.all(np.diff(index.to_numpy()) == 1))


def _moments(epochs: Any, name: str) -> Moments:
    """Return seconds since the first epoch, and the UTC of that one where the epochs tell it."""
    import pandas as pd

    accepted = "give seconds, or UTC as datetime64 or ISO text"
    try:
        index = pd.Index(epochs)
        if isinstance(index, pd.PeriodIndex):
            index = index.to_timestamp()
        elif index.dtype.kind not in "iufmMb":
            index = pd.to_datetime(index, utc=True, format="ISO8601")
        if isinstance(index, pd.DatetimeIndex) and index.tz is not None:
            index = index.tz_convert("UTC").tz_localize(None)
        if isinstance(index, pd.DatetimeIndex | pd.TimedeltaIndex):
            index = index.as_unit("ns")
    except (ValueError, TypeError, OverflowError) as error:
        msg = f"{name} cannot be read as times ({f'{error}'.splitlines()[0]}); {accepted}"
        raise InputError(msg) from None
    if index.dtype.kind == "b":
        msg = f"{name} are true or false, not times; {accepted}"
        raise InputError(msg)
    missing = index.isna() | (np.isinf(index) if index.dtype.kind == "f" else False)
    if missing.any():
        place = int(np.argmax(missing))
        msg = f"entry {place} of {name} is missing; leave that reading out or state when it was taken"
        raise InputError(msg)
    if isinstance(index, pd.DatetimeIndex | pd.TimedeltaIndex):
        exact = index.to_numpy()
        seconds = (exact - exact[0]).astype(float) * 1e-9 if len(exact) else np.zeros(0)
        start = exact[0] if len(exact) and isinstance(index, pd.DatetimeIndex) else None
        return Moments(seconds=seconds, start=start, name=name)
    numbers = index.to_numpy(dtype=float)
    return Moments(seconds=numbers - numbers[:1], start=None, name=name)


def grid_of(moments: Moments, *, interval_s: float | None = None) -> Grid:
    """Return where readings with regular epochs go; where some are missing, a finding says so.

    Parameters
    ----------
    interval_s
        Where it was stated; else it is found from the epochs.

    Raises
    ------
    InputError
        If the epochs are not in order, repeat, are not evenly spaced, or contradict the stated interval.
    """
    seconds, name = moments.seconds, moments.name
    check_positive(interval_s, "interval_s", optional=True)
    if len(seconds) < 2:
        msg = f"there are {len(seconds)} readings; at least 2 are needed"
        raise TooShortError(msg, needed=2, available=len(seconds))
    steps = np.diff(seconds)
    if (steps < 0).any():
        row = int(np.argmax(steps < 0)) + 1
        msg = (
            f"{name}: entry {row} lies {duration_text(-steps[row - 1])} before entry {row - 1}; sort the "
            "readings by time first, such as with values.sort_index()"
        )
        raise InputError(msg)
    if (steps == 0).any():
        row = int(np.argmax(steps == 0)) + 1
        msg = (
            f"{name}: entry {row} repeats the moment of entry {row - 1}; keep one reading for each moment, "
            "such as with values[~values.index.duplicated()]"
        )
        raise InputError(msg)
    usual = float(np.median(steps))
    spacing = float(steps[np.abs(steps / usual - 1) < 0.5].mean()) if interval_s is None else interval_s
    counts = steps / spacing
    whole = np.rint(counts)
    if interval_s is not None and (
        whole.min() != 1 or abs(float(np.median(counts / np.maximum(whole, 1))) - 1) > 0.05
    ):
        raise _contradiction(name, interval_s, float(steps.min()))
    unclear = np.abs(counts - whole) > CLEAR_STEP
    unclear |= whole < 1
    if unclear.any():
        raise _uneven(name, int(np.argmax(unclear)) + 1, steps, spacing)
    if whole.sum() > LARGEST_GROWTH * len(seconds) + 1000:
        row = int(np.argmax(steps)) + 1
        msg = (
            f"{name}: entry {row} comes {duration_text(steps[row - 1])} after the one before, where "
            f"readings are {duration_text(spacing)} apart; divide the readings there"
        )
        raise InputError(msg)
    cells = np.concatenate([[0], np.cumsum(whole.astype(np.int64))])
    mean = mean_interval(seconds, cells)
    offset = seconds - cells * mean
    offset -= np.median(offset)
    farthest = float(np.abs(offset).max())
    if farthest > _FARTHEST * mean:
        raise _uneven(name, int(np.argmax(np.abs(offset))), steps, spacing)
    interval: float | None = None
    measured: tuple[Finding, ...] = ()
    if interval_s is None and farthest <= EXACT_STAMPS * mean:  # stamps without jitter mean what they say
        interval = round_value(mean, 2 * farthest / float(cells[-1]) + 1e-12 * mean, digits=12)
    if interval is None:
        interval, measured = reported_interval(mean, offset, int(cells[-1]), interval_s)
    if measured and interval_s is not None:
        raise _contradiction(name, interval_s, mean)
    return Grid(
        positions=None if whole.max() == 1 else cells,
        cells=int(cells[-1]) + 1,
        interval_s=interval,
        findings=(*measured, *gap_finding(cells, interval)),
    )


def _contradiction(name: str, interval_s: float, found_s: float) -> InputError:
    msg = (
        f"interval_s is {interval_s:g} s, but by {name} the readings are {found_s:.9g} s apart; leave "
        "interval_s out, or correct what is wrong"
    )
    return InputError(msg)


def _uneven(name: str, row: int, steps: FloatArray, spacing: float) -> InputError:
    row = min(max(row, 1), len(steps))
    msg = (
        f"{name}: entry {row} comes {steps[row - 1]:.6g} s after the one before, where readings are "
        f"{spacing:.6g} s apart; a record needs evenly spaced readings, of which some may be missing, so "
        "take means or the nearest readings at even spacing first"
    )
    return InputError(msg)


def stamp_offset(moments: Moments, grid: Grid) -> FloatArray | None:
    """Return by how much each reading is stamped after its place, ``None`` where all lie on it."""
    late = grid.late(moments.seconds, slice(None))
    return None if np.abs(late).max() <= EXACT_STAMPS * grid.interval_s else grid.place(late)


def mean_interval(seconds: FloatArray, cells: IntArray) -> float:
    """Return seconds per cell by least squares."""
    places = cells - cells.mean()
    return float(places @ (seconds - seconds.mean())) / float(places @ places)


def reported_interval(
    mean: float, jitter: FloatArray, span: int, stated_s: float | None
) -> tuple[float, tuple[Finding, ...]]:
    """Return the stated interval, a round one within jitter and clock error, or the measured mean."""
    reach = max(_SNAP * mean, (4 * float(np.median(np.abs(jitter))) + 1e-9) / span)
    interval = stated_s if stated_s is not None else round_value(mean, reach)
    if interval is not None and abs(mean - interval) <= reach:
        return interval, ()
    if interval is not None:
        sentence = (
            f"The interval is stated as {interval:g} s, but the time stamps advance by {mean:.9g} s per row "
            "on average; the stated interval was used."
        )
    else:
        interval = mean
        sentence = (
            f"The time stamps advance by {mean:.9g} s per row on average; this was used as the interval."
        )
    values = {"measured_interval_s": mean, "interval_s": interval}
    return interval, (Finding(code="MEASURED_INTERVAL", severity="note", sentence=sentence, values=values),)


def round_value(value: float, reach: float, digits: int = 3) -> float | None:
    """Return the number with the fewest digits, at most so many, within reach, if there is one."""
    exponent = math.floor(math.log10(value))
    for more in range(digits):
        candidate = round(value, more - exponent)
        if candidate > 0 and abs(candidate - value) <= reach:
            return candidate
    return None


def gap_finding(cells: IntArray, interval: float) -> tuple[Finding, ...]:
    """Return what is missing between readings in these cells."""
    jumps = np.diff(cells) - 1
    gaps = int(np.count_nonzero(jumps))
    if not gaps:
        return ()
    missing, longest = int(jumps.sum()), int(jumps.max())
    sentence = (
        f"{missing} readings are missing in {gaps} gap{'s' * (gaps > 1)} of the log, the longest "
        f"{duration_text(longest * interval)}; they stay missing, nothing was filled in."
    )
    values = {"missing": missing, "gaps": gaps, "longest_s": longest * interval}
    return (Finding(code="GAPS", severity="note", sentence=sentence, values=values),)
