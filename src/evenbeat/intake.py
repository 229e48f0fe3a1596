"""What may enter a record: rows of finite numbers or NaN, positive spacings, moments in UTC."""

from __future__ import annotations

import math
import mmap
import numbers
import re
from collections.abc import Iterator
from typing import Any

import numpy as np
import numpy.typing as npt

from evenbeat.errors import InputError
from evenbeat.quantities import FloatArray

SCAN_BLOCK = 1 << 20
FARTHEST_FROM_NOMINAL = 0.02
"""Part of the nominal frequency: readings farther from it are of another unit or another source."""
LARGEST = 1e60
"""Size of a sample beyond which it is no reading of anything, and products of variances overflow."""
_JUDGED = 2000  # samples whose size is looked at
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


def mapping_of(values: npt.NDArray[Any]) -> mmap.mmap | None:
    """Return the mapping of a file behind a row, if there is one whose pages can be read again."""
    base: Any = values
    while isinstance(base, np.ndarray) and not isinstance(base.base, mmap.mmap):
        base = base.base
    if not isinstance(base, np.memmap) or base.mode == "c":  # changes of a copy on write would be lost
        return None
    return base.base if isinstance(base.base, mmap.mmap) else None


def let_go(mapping: mmap.mmap | None) -> None:
    """Drop the pages read so far from this process; the system keeps them in its cache while it can."""
    if mapping is not None and hasattr(mapping, "madvise"):
        mapping.madvise(mmap.MADV_DONTNEED)


def thinned(values: FloatArray, most: int) -> FloatArray:
    """Return samples spread evenly over a row, a few more than ``most`` where it is longer."""
    stride, begin, some = max(1, len(values) // most), 0, [np.empty(0)]
    for block in blocks(values):
        some.append(np.array(block[-begin % stride :: stride], dtype=float))
        begin += len(block)
    return np.concatenate(some)


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


def read_only(values: npt.ArrayLike, name: str) -> FloatArray:
    """Return a read-only view of a row of floats; integers are converted."""
    array = np.asarray(values)
    if array.ndim != 1 or array.dtype.kind not in "fiu":
        msg = f"{name} has shape {array.shape} and type {array.dtype}; a row of numbers is needed"
        raise InputError(msg)
    view = (array if array.dtype.kind == "f" else array.astype(float)).view()
    view.flags.writeable = False
    return view


def refuse_hertz(values: FloatArray) -> None:
    """Raise ``InputError`` where fractional frequencies look like hertz or ratios to nominal.

    So do nearly all within 1 % of one value of 1 or more.
    """
    some = np.abs(np.asarray(values[:: max(1, len(values) // _JUDGED)], dtype=float))
    some = some[~np.isnan(some)]
    low, size, high = np.quantile(some, [0.1, 0.5, 0.9]).tolist() if len(some) else (0.0, 0.0, 0.0)
    alike = high - low <= _ALIKE * size and (high > low or size >= _SURELY_HERTZ)
    if alike and abs(size - 1) <= _ALIKE:
        msg = (
            "the samples of fractional_frequency look like ratios to the nominal frequency (median "
            f"{size:.9g}): subtract one"
        )
        raise InputError(msg)
    if alike and size > 1:
        msg = (
            f"the samples of fractional_frequency look like hertz (median {size:.9g}): divide by the nominal "
            "frequency and subtract one, as in Record.from_frequency((f - nominal) / nominal, interval_s=…), "
            "or read the log with read_log(…, nominal_frequency_hz=…)"
        )
        raise InputError(msg)


def checked_samples(values: Any, name: str) -> FloatArray:
    """Return samples as :func:`numbers_of` does; refuse huge ones or none at all."""
    array = numbers_of(values, name)
    finite = 0
    for number, block in enumerate(blocks(array)):
        bad = np.abs(block) > np.float64(LARGEST)
        if bad.any():
            place = int(np.argmax(bad))
            what = "infinite" if np.isinf(block[place]) else f"{block[place]:.3g}, as no clock reads"
            msg = f"{name}[{number * SCAN_BLOCK + place}] is {what}; a missing sample must be NaN"
            raise InputError(msg)
        finite += int(np.count_nonzero(~np.isnan(block)))
    if len(array) and not finite:
        msg = f"all {len(array)} samples of {name} are missing (NaN); there is nothing to analyse"
        raise InputError(msg)
    return array


def numbers_of(values: Any, name: str) -> FloatArray:
    """Return a list, an array, a Series or a table of one column as a row of floats, missing ones NaN.

    Raises
    ------
    InputError
        If it holds several columns, or anything but numbers.
    """
    if hasattr(values, "columns"):
        if values.shape[1] != 1:
            names = ", ".join(f"{column}" for column in values.columns)
            msg = f"{name} is a table with the columns {names}; give one of them"
            raise InputError(msg)
        values = values.iloc[:, 0]
    if hasattr(values, "to_numpy") and getattr(values.dtype, "kind", "O") in "fiu":
        values = values.to_numpy(dtype=float, na_value=np.nan)
    if isinstance(values, np.ma.MaskedArray):
        values = np.ma.filled(values.astype(float), np.nan)
    try:
        array = np.asarray(values)
        if array.dtype.kind == "O" and not any(isinstance(value, str | bytes) for value in array.flat):
            array = array.astype(float)  # None is NaN
    except (ValueError, TypeError) as error:
        msg = f"{name} is not a row of numbers ({error}); a missing one must be NaN"
        raise InputError(msg) from None
    if array.dtype.kind in "OUS" and array.size:
        msg = f"{name} holds text such as '{array.flat[0]}'; turn it into numbers, as with pandas.to_numeric"
        raise InputError(msg)
    return read_only(array, name)


def relative_to(nominal: float, readings: FloatArray) -> FloatArray:
    """Return fractional frequencies y = (f - f₀) / f₀ of frequencies in the unit of the nominal one."""
    values = readings - nominal
    values /= nominal
    return values


def utc(moment: Any) -> Any:
    """Return a moment as UTC with a resolution of one nanosecond; ``None`` stays ``None``.

    Raises
    ------
    InputError
        If text is not a UTC moment, or states an offset from UTC, or the moment is not a time.
    """
    if moment is None:
        return None
    moment = f"{moment}" if isinstance(moment, str) else moment  # NumPy has a text of its own
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
