"""What may enter a record: rows of finite numbers or NaN, positive spacings, moments in UTC.

Also rows that know their time, as a pandas series does: they are put on their grid, not taken as they come.
"""

from __future__ import annotations

import math
import mmap
import numbers
import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
import numpy.typing as npt

from evenbeat.errors import InputError
from evenbeat.findings import Finding
from evenbeat.quantities import FloatArray
from evenbeat.units import duration_text

SCAN_BLOCK = 1 << 20
_UNEVEN = 0.05  # of an interval that an index may be off
_CONTRADICTS = 1e-3  # of an interval between index and statement
_FEWEST_SINGLE = 0.1  # share of rows that follow each other without a hole
_LARGEST_GROWTH = 30  # places for each row beyond which an index is wrong rather than holed
_JUDGED = 2000  # samples whose size is looked at
_LARGEST_OFFSET = 0.1
_LARGEST_MOVEMENT = 1e-3
_SURELY_HERTZ = 1e4
_ALIKE = 0.01  # spread over size of readings of one frequency
_WEIGHTINGS = {
    **dict.fromkeys(("plain", "pi", "π"), "plain"),
    **dict.fromkeys(("triangular", "lambda", "λ"), "triangular"),
    **dict.fromkeys(("regression", "omega", "ω"), "regression"),
}


def blocks(values: FloatArray) -> Iterator[FloatArray]:
    """Yield views of at most ``SCAN_BLOCK`` samples, so that a memory-mapped row stays on disk."""
    mapping = mapping_of(values)
    for begin in range(0, len(values), SCAN_BLOCK):
        yield values[begin : begin + SCAN_BLOCK]
        let_go(mapping)


def mapping_of(values: FloatArray) -> mmap.mmap | None:
    """Return the mapping of a file behind a row, if there is one whose pages can be read again."""
    base: Any = values
    while base is not None and not isinstance(base, np.memmap):
        base = getattr(base, "base", None)
    if base is None or base.mode == "c":  # changes of a copy on write would be lost
        return None
    return base.base if isinstance(base.base, mmap.mmap) else None


def let_go(mapping: mmap.mmap | None) -> None:
    """Drop the pages read so far from this process; the system keeps them in its cache while it can."""
    if mapping is not None and hasattr(mapping, "madvise"):
        mapping.madvise(mmap.MADV_DONTNEED)


def extremes_and_mean(values: FloatArray) -> tuple[float, float, float]:
    """Return smallest, mean and largest of the samples that are not NaN; NaN where there is none."""
    smallest, largest, total, count = math.inf, -math.inf, 0.0, 0
    for block in blocks(values):
        present = block[~np.isnan(block)]
        if len(present):
            smallest, largest = min(smallest, float(present.min())), max(largest, float(present.max()))
            total, count = total + float(present.sum(dtype=float)), count + len(present)
    return (smallest, total / count, largest) if count else (math.nan, math.nan, math.nan)


def check_positive(value: object, name: str, *, optional: bool) -> None:
    """Raise ``InputError`` unless the value is positive and finite, or absent where that is allowed."""
    if value is None and optional:
        return
    if not (isinstance(value, numbers.Real) and math.isfinite(value) and float(value) > 0):
        msg = f"{name} is {value!r}; it must be a positive number"
        raise InputError(msg)


def checked_weighting(weighting: str) -> str:
    """Return ``plain``, ``triangular`` or ``regression`` for it or its name in the trade (Π, Λ, Ω)."""
    name = _WEIGHTINGS.get(str(weighting).strip().lower())
    if name is None:
        msg = f"the counter weighting is {weighting!r}; it must be 'plain', 'triangular' or 'regression'"
        raise InputError(msg)
    return name


def whole_factor(factor: float) -> int:
    """Return an averaging factor as an int, or raise ``InputError``."""
    if not math.isfinite(factor) or factor != int(factor) or factor < 1:
        msg = f"factor is {factor}; it must be a positive whole number"
        raise InputError(msg)
    return int(factor)


def group_means(values: FloatArray, factor: int, count: int) -> FloatArray:
    """Return means of groups, NaN where fewer than half of a group are present."""
    groups = np.asarray(values[: count * factor], dtype=float).reshape(count, factor)
    present = np.count_nonzero(~np.isnan(groups), axis=1)
    totals = np.nansum(groups, axis=1)
    return np.where(2 * present >= factor, totals / np.maximum(present, 1), np.nan)


def every(values: FloatArray, factor: int, count: int) -> FloatArray:
    """Return every ``factor``-th sample, ``count`` of them."""
    return np.asarray(values[: (count - 1) * factor + 1 : factor], dtype=float)


def first_of_groups(column: FloatArray | None, factor: int, count: int) -> FloatArray | None:
    """Return the first of each group, ``None`` where there is no such column."""
    return None if column is None else column[: (count - 1) * factor + 1 : factor]


def read_only(values: npt.ArrayLike, name: str) -> FloatArray:
    """Return a read-only view of a row of floats; integers are converted."""
    array = np.asarray(values)
    if array.ndim != 1 or array.dtype.kind not in "fiu":
        msg = f"{name} has shape {array.shape} and type {array.dtype}; a row of numbers is needed"
        raise InputError(msg)
    view = (array if array.dtype.kind == "f" else array.astype(float)).view()
    view.flags.writeable = False
    return view


@dataclass(frozen=True, eq=False, kw_only=True)
class Placed:
    """Where samples lie on their grid.

    Parameters
    ----------
    positions
        Shape (n,), strictly increasing from zero; ``None`` where every place of the grid has its sample.
    start
        UTC of the first sample, where an index tells it.
    """

    interval_s: float
    places: int = 0
    positions: npt.NDArray[np.int64] | None = None
    start: np.datetime64 | None = None
    findings: tuple[Finding, ...] = ()

    def on_grid(self, column: FloatArray) -> FloatArray:
        """Return a column with NaN where the index left rows out."""
        if self.positions is None or len(column) != len(self.positions):
            return column
        placed = np.full(self.places, np.nan)
        placed[self.positions] = column
        return placed


def placed(samples: npt.ArrayLike, name: str, interval_s: float | None) -> Placed:
    """Return where samples lie, from the index of a pandas series where that tells times or numbers rows.

    Parameters
    ----------
    interval_s
        As the caller stated it; ``None`` where the index tells.

    Raises
    ------
    InputError
        If neither tells the interval, they contradict each other, or the index is not in order or has
        no regular grid.
    """
    check_positive(interval_s, "interval_s", optional=True)
    index: Any = getattr(samples, "index", None) if hasattr(samples, "to_numpy") else None
    kind = getattr(getattr(index, "dtype", None), "kind", "O")
    if interval_s is None and (kind not in "mMf" or len(index) < 2):
        msg = (
            "interval_s is not given; it must be a positive number of seconds, or the samples a pandas "
            "series with dates, time differences or seconds as its index"
        )
        raise InputError(msg)
    if kind not in "mMfiu" or len(index) < 2:
        return Placed(interval_s=interval_s or math.nan)
    elapsed = _elapsed(index, kind, name)
    steps = np.diff(elapsed)
    _check_index_order(index, steps, name)
    usual = float(np.median(steps))
    stated = usual if interval_s is None or kind in "iu" else interval_s  # numbers of rows are no seconds
    whole = np.rint(steps / stated)
    mean = float(elapsed[-1]) / max(float(whole.sum()), 1.0)
    single = np.mean(np.abs(steps / stated - 1) < _UNEVEN)
    even = np.mean(np.abs(steps / usual - np.rint(steps / usual)) < _UNEVEN) > 1 - _UNEVEN
    if even and (single < _FEWEST_SINGLE or abs(mean / stated - 1) > _CONTRADICTS):
        msg = (
            f"the index of {name} is {duration_text(usual)} apart but interval_s is {interval_s}; leave "
            "interval_s out to take the spacing from the index, or correct the index"
        )
        raise InputError(msg)
    off = np.abs(steps / stated - whole)
    if off.max() > _UNEVEN or float(whole.sum()) > _LARGEST_GROWTH * len(index):
        row = int(np.argmax(off if off.max() > _UNEVEN else whole)) + 1
        msg = (
            f"the index of {name} is not regular: row {row} ({index[row]}) lies {steps[row - 1] / usual:.3g} "
            "usual steps behind the row before; make the series regular, such as with "
            "series.resample('10s').mean() or series.asfreq('10s')"
        )
        raise InputError(msg)
    positions = np.concatenate([[0], np.cumsum(whole)]).astype(np.int64)
    places = int(positions[-1]) + 1
    interval = float(f"{mean:.12g}") if interval_s is None else interval_s
    return Placed(
        interval_s=interval,
        places=places,
        positions=positions if places > len(positions) else None,
        start=np.datetime64(int(_nanoseconds(index)[0]), "ns") if kind == "M" else None,
        findings=_holes(positions, interval),
    )


def _elapsed(index: Any, kind: str, name: str) -> FloatArray:
    """Return the index as seconds since its first row, or as numbers of rows, shape (n,)."""
    absent = np.asarray(index.isna())
    if absent.any():
        msg = f"the index of {name} has no time in row {int(np.argmax(absent))}; leave that row out"
        raise InputError(msg)
    if kind in "mM":
        return np.asarray((_nanoseconds(index) - _nanoseconds(index)[0]) * 1e-9)
    values = np.asarray(index, dtype=float)
    return values - values[0]


def _nanoseconds(index: Any) -> npt.NDArray[np.int64]:
    """Return dates as nanoseconds since 1970 in UTC, where those without a zone are; or time differences."""
    return np.asarray(index.as_unit("ns").asi8)


def _check_index_order(index: Any, steps: FloatArray, name: str) -> None:
    if (steps > 0).all():
        return
    row = int(np.argmin(steps > 0)) + 1
    if steps[row - 1] == 0:
        msg = (
            f"the index of {name} states {index[row]} twice, in rows {row - 1} and {row}; keep one row for "
            "each time, such as with series[~series.index.duplicated()]"
        )
    else:
        msg = (
            f"the index of {name} is not in order: row {row} ({index[row]}) comes after {index[row - 1]}; "
            "sort it with series.sort_index()"
        )
    raise InputError(msg)


def _holes(positions: npt.NDArray[np.int64], interval_s: float) -> tuple[Finding, ...]:
    jumps = np.diff(positions) - 1
    gaps, missing = int(np.count_nonzero(jumps)), int(jumps.sum())
    if not gaps:
        return ()
    longest_s = int(jumps.max()) * interval_s
    sentence = (
        f"{missing} samples are missing in {gaps} gap{'s' * (gaps > 1)} of the index, the longest "
        f"{duration_text(longest_s)}; they stay missing, nothing was filled in."
    )
    values = {"missing": missing, "gaps": gaps, "longest_s": longest_s}
    return (Finding(code="GAPS", severity="note", sentence=sentence, values=values),)


def check_size(
    values: FloatArray, kind: Literal["phase", "frequency"], interval_s: float
) -> tuple[Finding, ...]:
    """Return a caution where samples are of a size that no clock has.

    Raises
    ------
    InputError
        If they look like hertz or ratios to nominal: nearly all within 1 % of one value of 1 or more.

    Notes
    -----
    No oscillator is off by a tenth, and no time error moves by a thousandth of the time (common practice).
    The median is judged: outliers are left to conditioning.
    """
    places = np.arange(0, len(values) - 1, max(1, len(values) // _JUDGED))
    some = np.asarray(values[places], dtype=float)
    if kind == "phase":
        some = (np.asarray(values[places + 1], dtype=float) - some) / interval_s
    some = np.abs(some[~np.isnan(some)])
    low, size, high = np.quantile(some, [0.1, 0.5, 0.9]).tolist() if len(some) else (0.0, 0.0, 0.0)
    alike = high - low <= _ALIKE * size and (high > low or size >= _SURELY_HERTZ)
    if kind == "frequency" and alike and abs(size - 1) <= _ALIKE:
        msg = (
            "the samples of fractional_frequency look like ratios to the nominal frequency (median "
            f"{size:.9g}): subtract one"
        )
        raise InputError(msg)
    if kind == "frequency" and alike and size > 1:
        msg = (
            f"the samples of fractional_frequency look like hertz (median {size:.9g}): divide by the nominal "
            "frequency and subtract one, as in Record.from_frequency((f - nominal) / nominal, interval_s=…), "
            "or read the log with read_log(…, nominal_frequency_hz=…)"
        )
        raise InputError(msg)
    largest, remedy = {
        "phase": (_LARGEST_MOVEMENT, "give seconds (multiply nanoseconds by 1e-9)"),
        "frequency": (_LARGEST_OFFSET, "give (f - nominal) / nominal"),
    }[kind]
    if size <= largest:
        return ()
    sentence = (
        f"The samples mean that the clock is off by {size:.3g} of its frequency (median), as no oscillator "
        f"is; {remedy}."
    )
    found = {"fractional_frequency": size}
    return (Finding(code="IMPLAUSIBLE_SIZE", severity="caution", sentence=sentence, values=found),)


def checked_samples(values: npt.ArrayLike, name: str) -> FloatArray:
    """Return samples in which a missing one is NaN, masked ones included; refuse infinite or none at all."""
    if isinstance(values, np.ma.MaskedArray):
        values = np.ma.filled(values.astype(float), np.nan)
    extended = getattr(values, "dtype", None)
    if (
        hasattr(values, "to_numpy")
        and hasattr(extended, "na_value")
        and getattr(extended, "kind", "O") in "fiu"
    ):
        values = values.to_numpy(dtype=float, na_value=np.nan)
    array = read_only(values, name)
    finite = 0
    for number, block in enumerate(blocks(array)):
        bad = np.isinf(block)
        if bad.any():
            position = number * SCAN_BLOCK + int(np.argmax(bad))
            msg = f"{name}[{position}] is infinite; a missing sample must be NaN"
            raise InputError(msg)
        finite += int(np.count_nonzero(~np.isnan(block)))
    if len(array) and not finite:
        msg = f"all {len(array)} samples of {name} are missing (NaN); there is nothing to analyse"
        raise InputError(msg)
    return array


def checked_covariates(
    covariates: Mapping[str, npt.ArrayLike] | None, samples: npt.ArrayLike, grid: Placed
) -> dict[str, FloatArray]:
    """Return every covariate as checked samples on the grid of the samples beside which it was measured."""
    indices = [
        getattr(each, "index", None) if hasattr(each, "to_numpy") else None
        for each in (samples, *(covariates or {}).values())
    ]
    for name, index in zip(covariates or {}, indices[1:], strict=True):
        if index is not None and indices[0] is not None and not index.equals(indices[0]):
            msg = (
                f"covariate {name!r} has another index than the samples; give it the same rows, such as with "
                "column.reindex(samples.index)"
            )
            raise InputError(msg)
    return {name: grid.on_grid(checked_samples(c, name)) for name, c in (covariates or {}).items()}


def utc(moment: Any) -> Any:
    """Return a moment as UTC with a resolution of one nanosecond; ``None`` stays ``None``.

    Raises
    ------
    InputError
        If text is not a UTC moment, or states an offset from UTC, or the moment is not a time.
    """
    if moment is None:
        return None
    text = moment.strip().removesuffix("Z") if isinstance(moment, str) else moment
    if isinstance(text, str) and re.search(r":\d\d\S*[+-]\d", text):
        msg = f"{moment!r} is given with an offset from UTC; give UTC, such as 2026-03-01T00:00:00Z"
        raise InputError(msg)
    try:
        when = np.datetime64(text, "ns")
    except (ValueError, TypeError):
        when = np.datetime64("NaT", "ns")
    if np.isnat(when):
        msg = f"{moment!r} is not a moment; give UTC, such as 2026-03-01T00:00:00Z"
        raise InputError(msg)
    return when
