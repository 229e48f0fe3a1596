"""What may enter a record: rows of finite numbers or NaN, positive spacings, moments in UTC."""

from __future__ import annotations

import math
import mmap
import re
from collections.abc import Iterator, Mapping
from typing import Any

import numpy as np
import numpy.typing as npt

from evenbeat.errors import InputError
from evenbeat.quantities import FloatArray

SCAN_BLOCK = 1 << 20
FARTHEST_FROM_NOMINAL = 0.02
"""Part of the nominal frequency: readings farther from it are of another unit or another source."""
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


def check_positive(value: float | None, name: str, *, optional: bool) -> None:
    """Raise ``InputError`` unless the value is positive and finite, or absent where that is allowed."""
    if value is None and optional:
        return
    if value is None or not (math.isfinite(value) and value > 0):
        msg = f"{name} is {value}; it must be a positive number"
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


def checked_samples(values: npt.ArrayLike, name: str) -> FloatArray:
    """Return samples in which a missing one is NaN, masked ones included; refuse infinite or none at all."""
    if isinstance(values, np.ma.MaskedArray):
        values = np.ma.filled(values.astype(float), np.nan)
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


def numbers_of(values: Any, name: str) -> FloatArray:
    """Return a list, an array, a Series or a table of one column as a row of floats, missing ones NaN.

    Raises
    ------
    InputError
        If it holds several columns, or anything but numbers.
    """
    import pandas as pd

    if isinstance(values, pd.DataFrame):
        if values.shape[1] != 1:
            names = ", ".join(f"{column}" for column in values.columns)
            msg = f"{name} is a table with the columns {names}; give one of them"
            raise InputError(msg)
        values = values.iloc[:, 0]
    if isinstance(values, pd.Series) and pd.api.types.is_numeric_dtype(values.dtype) and values.dtype != bool:
        return values.to_numpy(dtype=float, na_value=np.nan)
    if isinstance(values, np.ma.MaskedArray):
        values = np.ma.filled(values.astype(float), np.nan)
    try:
        array = np.asarray(values)
        if array.dtype.kind == "O" and not any(isinstance(value, str | bytes) for value in array.flat):
            array = array.astype(float)  # None is NaN
    except (ValueError, TypeError) as error:
        msg = f"{name} is no row of numbers ({error}); a missing one must be NaN"
        raise InputError(msg) from None
    if array.dtype.kind in "OUS" and array.size:
        msg = f"{name} holds text such as '{array.flat[0]}'; turn it into numbers, as with pandas.to_numeric"
        raise InputError(msg)
    return np.asarray(read_only(array, name), dtype=float)


def relative_to(nominal: float, readings: FloatArray) -> FloatArray:
    """Return fractional frequencies y = (f - f₀) / f₀ of frequencies in the unit of the nominal one."""
    values = readings - nominal
    values /= nominal
    return values


def checked_covariates(covariates: Mapping[str, npt.ArrayLike] | None) -> dict[str, FloatArray]:
    """Return every covariate as checked samples."""
    return {name: checked_samples(column, name) for name, column in (covariates or {}).items()}


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
