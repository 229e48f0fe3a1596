"""When readings were taken: a time index, epochs or a stated interval → a grid, or epochs of their own."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from evenbeat.errors import InputError, TooShortError
from evenbeat.findings import Finding, note
from evenbeat.intake import blocks, check_positive, checked_samples, utc
from evenbeat.quantities import FloatArray
from evenbeat.units import SECONDS_PER_DAY, duration_text

IntArray = npt.NDArray[np.int64]

EXACT_STAMPS = 1e-6
"""Part of an interval: stamps so near their place say nothing."""
CLEAR_STEP = 0.2
"""Part of an interval: steps this close to whole intervals leave no doubt."""
LARGEST_GROWTH = 30
"""Cells per reading beyond which stamps are wrong rather than gapped."""
LONGEST_GATE_S = 1000.0
"""Longest gate in common use on a counter: what a reading of unknown gate is taken to last at most."""
_SNAP = 2e-4  # ordinary error of a computer's clock
_FEW = 0.2  # of the steps
_LONGEST_S = 100 * 365.25 * SECONDS_PER_DAY
_FARTHEST = 0.5  # of an interval; a reading farther from its place would belong to another


@dataclass(frozen=True, eq=False, kw_only=True)
class Grid:
    """Where readings go: to cells of a grid, or to epochs of their own where they follow none."""

    cells: int  # of the grid, or readings where there is none
    interval_s: float  # NaN where there is no grid
    positions: IntArray | None = None  # of the readings, from zero; ``None`` where no cell is empty
    epochs_ns: IntArray | None = None  # nanoseconds since the first, where there is no grid
    findings: tuple[Finding, ...] = ()

    @property
    def spacing_s(self) -> float:
        """Interval of the grid, or the mean time between neighbours where there is none."""
        if self.epochs_ns is None:
            return self.interval_s
        return float(self.epochs_ns[-1]) / 1e9 / (len(self.epochs_ns) - 1)

    def place(self, column: FloatArray) -> FloatArray:
        """Return the column on the grid, NaN where no reading is."""
        if self.positions is None or self.cells == len(column):
            return column
        placed, filled = np.full(self.cells, np.nan), 0
        for block in blocks(column):
            placed[self.positions[filled : filled + len(block)]] = block
            filled += len(block)
        return placed

    def late(self, moments: FloatArray | IntArray, rows: slice) -> FloatArray:
        """Return by how many seconds some readings are stamped after their place.

        The moments are seconds since the first, or nanoseconds from any zero, which stay exact where the
        interval is a whole number of them.
        """
        places = np.arange(*rows.indices(len(moments))) if self.positions is None else self.positions[rows]
        if moments.dtype.kind != "i":
            return np.asarray(moments[rows] - places * self.interval_s)
        interval_ns = self.interval_s * 1e9
        since = moments[rows] - moments[0]
        if round(interval_ns) == interval_ns:
            return np.asarray((since - places * round(interval_ns)) / 1e9)
        return np.asarray(since / 1e9 - places * self.interval_s)


@dataclass(frozen=True, eq=False, kw_only=True)
class Moments:
    """When readings were taken."""

    seconds: FloatArray  # shape (n,), since the first reading
    start: np.datetime64 | None  # UTC of the first reading; ``None`` where only differences of time are known
    name: str  # what they are called in a message
    ns: IntArray | None = None  # the same in nanoseconds, where the source states them so that they are exact


def placed(
    given: Any,
    name: str,
    *,
    interval_s: float | None,
    epochs: Any = None,
    start: np.datetime64 | str | None = None,
) -> tuple[Grid, np.datetime64 | None, FloatArray | None]:
    """Return where samples go, the UTC of the first, and by how much they are stamped after their place.

    Epochs tell it, or the index of a pandas series (dates, time differences, seconds, or numbers of rows,
    which need the interval beside them), or the interval alone.
    """
    check_positive(interval_s, "interval_s", optional=True)
    begin = utc(start)
    moments = _moments_of(given, name, interval_s=interval_s, epochs=epochs)
    if moments is None:
        if interval_s is None:
            msg = (
                "interval_s is not given; it must be a positive number of seconds, or the samples must come "
                "with their times: a pandas series with dates, time differences or seconds as its index, or "
                "Record.from_readings(…, epochs=…)"
            )
            raise InputError(msg)
        return Grid(cells=len(given), interval_s=interval_s), begin, None
    if begin is not None and moments.start is not None and begin != moments.start:
        msg = (
            f"start is {begin}, but {moments.name} begins at {moments.start}; leave start out, or correct "
            "what is wrong"
        )
        raise InputError(msg)
    grid = grid_of(moments, interval_s=interval_s)
    offset = None
    if grid.epochs_ns is None:
        late = grid.late(moments.seconds if moments.ns is None else moments.ns, slice(None))
        offset = grid.place(late) if np.abs(late).max() > EXACT_STAMPS * grid.interval_s else None
    return grid, begin if moments.start is None else moments.start, offset


def checked_covariates(covariates: Any, given: Any, grid: Grid) -> dict[str, FloatArray]:
    """Return every covariate as checked samples on the grid of the samples beside which it was measured."""
    columns: Mapping[str, Any] = {} if covariates is None else covariates
    checked = {}
    for name, column in columns.items():
        _check_same_rows(given, column, f"covariate {name!r}")
        samples = checked_samples(column, name)
        if len(samples) != len(given):
            msg = f"covariate {name!r} has {len(samples)} samples but the record has {len(given)}"
            raise InputError(msg)
        checked[f"{name}"] = grid.place(samples)
    return checked


def _check_same_rows(given: Any, other: Any, name: str) -> None:
    """Refuse a second column whose index shows that its rows are not those of the samples."""
    ours, theirs = _index_of(given), _index_of(other)
    if ours is not None and theirs is not None and not theirs.equals(ours):
        msg = (
            f"{name} has another index than the samples; give it the same rows, such as with "
            "column.reindex(samples.index)"
        )
        raise InputError(msg)


def _index_of(given: Any) -> Any:
    """Return the index of what pandas made, so that no other rows cost its import."""
    return getattr(given, "index", None) if hasattr(given, "to_numpy") else None


def _moments_of(given: Any, name: str, *, interval_s: float | None, epochs: Any) -> Moments | None:
    """Return when samples were taken, where epochs or an index tell it."""
    index, called = _index_of(given), f"the index of {name}"
    kind = getattr(getattr(index, "dtype", None), "kind", "O")
    period = hasattr(index, "to_timestamp")
    if epochs is not None:
        _check_same_rows(given, epochs, "epochs")
        stated = _moments(epochs, "epochs")
        if len(stated.seconds) != len(given):
            msg = f"epochs has {len(stated.seconds)} entries for {len(given)} readings; give one for each"
            raise InputError(msg)
        if kind not in "mM" and not period:
            return stated
        by_index = _moments(index, called)
        if not np.array_equal(stated.seconds, by_index.seconds) or stated.start not in (None, by_index.start):
            msg = f"epochs is not the same as {called}; leave out the one that is wrong"
            raise InputError(msg)
        return by_index
    if index is None or (kind in "iu" and interval_s is None):
        return None
    if kind in "mMf" or period:
        return _moments(index, called)
    if kind not in "iu":
        msg = (
            f"{called} is neither times nor numbers, but such as '{index[0] if len(index) else ''}'; turn it "
            "into times, as with pandas.to_datetime, or leave it out with series.to_numpy()"
        )
        raise InputError(msg)
    if len(index) < 2 or interval_s is None:
        return None
    rows = index.to_numpy(dtype=float)  # numbers of rows, of which some may have been left out
    usual = abs(float(np.median(np.diff(rows)))) or 1.0
    return Moments(seconds=(rows - rows[0]) / usual * interval_s, start=None, name=called)


def _moments(epochs: Any, name: str) -> Moments:
    """Return seconds since the first epoch, and the UTC of that one where the epochs tell it."""
    import pandas as pd

    accepted = "seconds, or UTC as datetime64 or ISO text, would be"
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
        msg = f"{name} holds true and false, not times; {accepted}"
        raise InputError(msg)
    missing = index.isna() | (np.isinf(index) if index.dtype.kind == "f" else False)
    if missing.any():
        place = int(np.argmax(missing))
        msg = f"{name} has no time in row {place}; leave that row out"
        raise InputError(msg)
    if isinstance(index, pd.DatetimeIndex | pd.TimedeltaIndex):
        exact = index.to_numpy()
        ns = exact.view(np.int64) - exact.view(np.int64)[:1]
        start = exact[0] if len(exact) and isinstance(index, pd.DatetimeIndex) else None
        return Moments(seconds=ns / 1e9, start=start, name=name, ns=ns)
    numbers = index.to_numpy()
    seconds = (numbers - numbers[:1]).astype(float)  # of integers the difference is exact
    if len(seconds) and abs(float(seconds[-1])) > _LONGEST_S:
        msg = (
            f"{name} would span {duration_text(abs(float(seconds[-1])))} as seconds; give seconds, or "
            "moments with their unit: nanoseconds since 1970 with stamps.astype('datetime64[ns]')"
        )
        raise InputError(msg)
    return Moments(seconds=seconds, start=None, name=name)


def grid_of(moments: Moments, *, interval_s: float | None = None) -> Grid:
    """Return where readings go; where some are missing of a grid, or there is none, a finding says so."""
    seconds, name = moments.seconds, moments.name
    check_positive(interval_s, "interval_s", optional=True)
    if len(seconds) < 2:
        msg = f"there are {len(seconds)} readings; at least 2 are needed"
        raise TooShortError(msg, needed=2, available=len(seconds))
    steps = np.diff(seconds) if moments.ns is None else np.diff(moments.ns) / 1e9
    if (steps <= 0).any():
        row = int(np.argmax(steps <= 0)) + 1
        msg = (
            f"{name} is not in order: row {row} lies {duration_text(-steps[row - 1])} before row {row - 1}; "
            "sort the rows by time, such as with series.sort_index()"
        )
        if steps[row - 1] == 0:
            msg = (
                f"{name} states the same time twice, in rows {row - 1} and {row}; keep one row for each "
                "time, such as with series[~series.index.duplicated()]"
            )
        raise InputError(msg)
    usual = float(np.median(steps))
    near = steps[np.abs(steps / usual - 1) < 0.5]
    spacing = interval_s if interval_s is not None else float(near.mean()) if len(near) else usual
    counts = steps / spacing
    whole = np.rint(counts)
    if interval_s is not None and (
        whole.min() != 1 or abs(float(np.median(counts / np.maximum(whole, 1))) - 1) > 0.05
    ):
        raise _contradiction(name, interval_s, float(steps.min()))
    unclear = (np.abs(counts - whole) > CLEAR_STEP) | (whole < 1)
    off, odd = -1, ""  # row that lies on no grid
    if unclear.any():
        off = int(np.argmax(unclear)) + 1
        if unclear.mean() <= _FEW:
            odd = (
                f" But for {np.count_nonzero(unclear)} they would be {duration_text(spacing)} apart: "
                f"row {off} comes {steps[off - 1]:.6g} s after the row before."
            )
    elif whole.sum() > LARGEST_GROWTH * len(seconds) + 1000:
        row = int(np.argmax(steps)) + 1
        msg = (
            f"{name} jumps by {duration_text(steps[row - 1])} before row {row}, where rows are "
            f"{duration_text(spacing)} apart; divide the samples there"
        )
        raise InputError(msg)
    cells = np.concatenate([[0], np.cumsum(whole.astype(np.int64))])
    if off < 0:
        mean = mean_interval(seconds, cells)
        offset = seconds - cells * mean
        offset -= np.median(offset)
        farthest = float(np.abs(offset).max())
        off = int(np.argmax(np.abs(offset))) if farthest > _FARTHEST * mean else -1
    if off >= 0 and interval_s is None:
        return irregular(seconds, moments.ns, name=name, odd=odd)
    if off >= 0:
        row = max(off, 1)
        msg = (
            f"{name} is not regular: row {row} comes {steps[row - 1]:.6g} s after the row before, where rows "
            f"are {spacing:.6g} s apart; leave interval_s out to keep every sample at its own time"
        )
        raise InputError(msg)
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
        findings=(*measured, *gap_finding(cells, interval, what="samples", whole=name)),
    )


def irregular(seconds: FloatArray, ns: IntArray | None = None, *, name: str, odd: str = "") -> Grid:
    """Return epochs that follow no grid, kept to the nanosecond; a finding says so, and what is ``odd``."""
    epochs = np.rint(seconds * 1e9).astype(np.int64) if ns is None else ns
    steps = np.diff(epochs)
    if (steps <= 0).any():
        row = int(np.argmax(steps <= 0)) + 1
        msg = f"{name} is not in order: row {row} lies less than a nanosecond after row {row - 1}"
        raise InputError(msg)
    shortest, usual, longest = (float(q) / 1e9 for q in np.quantile(steps, [0, 0.5, 1]))
    sentence = (
        f"The times follow no grid: neighbours are {duration_text(shortest)} to {duration_text(longest)} "
        f"apart (median {duration_text(usual)}).{odd} The {len(epochs)} readings were kept at their own "
        "times, as read; deviations need a grid, which --set on_grid=… or record.on_grid(interval_s=…) makes."
    )
    finding = note("NO_GRID", sentence, shortest_s=shortest, median_s=usual, longest_s=longest)
    return Grid(cells=len(epochs), interval_s=math.nan, epochs_ns=epochs, findings=(finding,))


def spans_of(
    kind: str, grid: Grid, *, gate_s: float | None, spans_s: npt.ArrayLike | None
) -> tuple[FloatArray | None, tuple[Finding, ...]]:
    """Return over what time each frequency at an epoch of its own is a mean; ``None`` for phases and grids.

    Where it is not stated: until the next reading, as where gates follow each other, but no longer than is
    usual for the record or than any gate in common use (1000 s, common practice). Too long a span widens
    forecasts of time error and moves readings by half of it; too short a one narrows those forecasts.
    """
    if kind == "phase" or grid.epochs_ns is None:
        return None, ()
    steps = np.diff(grid.epochs_ns) / 1e9
    if spans_s is not None:
        spans = np.array(checked_samples(spans_s, "spans_s"), dtype=float)
        if len(spans) != len(grid.epochs_ns) or not (spans > 0).all():
            needed = len(grid.epochs_ns)
            msg = f"spans_s has {len(spans)} entries; {needed} positive numbers of seconds are needed"
            raise InputError(msg)
        return spans, ()
    if gate_s is not None:
        spans = np.minimum(gate_s, np.append(steps, gate_s))
        cut = int(np.count_nonzero(spans < gate_s * (1 - 1e-9)))
        if cut > _FEW * len(steps):
            msg = (
                f"gate_s is {gate_s}, but {cut} of {len(steps)} readings are followed sooner by the next one "
                f"({duration_text(float(np.median(steps)))} in the median); state the gate that was used"
            )
            raise InputError(msg)
        sentence = (
            f"{cut} readings are followed by the next before their gate ends, and were taken to end there."
        )
        found = note("SPANS_CUT", sentence, readings=cut)
        return spans, (found,) * (cut > 0)
    longest = min(float(np.median(steps)), LONGEST_GATE_S)
    sentence = (
        "Over what time each frequency was measured is not stated; it was taken as the time from its epoch "
        f"to the next one, {duration_text(longest)} at most. State it with --set gate=… (gate_s)."
    )
    found = note("SPAN_ASSUMED", sentence, longest_s=longest)
    return np.minimum(np.append(steps, longest), longest), (found,)


def _contradiction(name: str, interval_s: float, found_s: float) -> InputError:
    msg = (
        f"{name} is {duration_text(found_s)} apart but interval_s is {interval_s}; leave interval_s out to "
        "take the spacing from there, or correct what is wrong"
    )
    return InputError(msg)


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
    return interval, (note("MEASURED_INTERVAL", sentence, measured_interval_s=mean, interval_s=interval),)


def round_value(value: float, reach: float, digits: int = 3) -> float | None:
    """Return the number with the fewest digits, at most so many, within reach, if there is one."""
    exponent = math.floor(math.log10(value))
    for more in range(digits):
        candidate = round(value, more - exponent)
        if candidate > 0 and abs(candidate - value) <= reach:
            return candidate
    return None


def gap_finding(
    cells: IntArray, interval: float, *, what: str = "readings", whole: str = "the log"
) -> tuple[Finding, ...]:
    """Return what is missing between readings in these cells."""
    jumps = np.diff(cells)
    jumps = jumps[jumps != 1] - 1
    gaps = len(jumps)
    if not gaps:
        return ()
    missing, longest = int(jumps.sum()), int(jumps.max())
    sentence = (
        f"{missing} {what} are missing in {gaps} gap{'s' * (gaps > 1)} of {whole}, the longest "
        f"{duration_text(longest * interval)}; they stay missing, nothing was filled in."
    )
    return (note("GAPS", sentence, missing=missing, gaps=gaps, longest_s=longest * interval),)
