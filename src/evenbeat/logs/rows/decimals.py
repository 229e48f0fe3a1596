"""Digits and a power of ten → the nearest float64, many at once and without an error in the last bit.

The product is formed with twice the digits of float64 (T. J. Dekker, A floating-point technique for
extending the available precision, Numerische Mathematik 18, 1971), and both ends of the interval in which
the exact product lies are rounded; where they differ, that number alone is read by Python.
"""

from __future__ import annotations

import re
from fractions import Fraction
from functools import lru_cache

import numpy as np
import numpy.typing as npt

from evenbeat.quantities import FloatArray

LARGEST_EXPONENT = 60
"""Powers of ten beyond it are left to other parsers; a femtosecond with seventeen digits needs 31."""

_EXACT_POWER = 22  # 10**22 is the last power of ten that float64 holds
_EXACT_WHOLE = 2**53
_SPLIT = 134217729.0  # 2**27 + 1: halves of 26 bits
_REACH = 2.0**-98  # several times the error of the product


def scaled(digits: npt.NDArray[np.int64], exponent: int | npt.NDArray[np.int64]) -> FloatArray:
    """Return ``digits * 10**exponent`` rounded once, as ``float`` reads them from text.

    Parameters
    ----------
    digits
        Shape (rows,), from 0 to below 2**63.
    exponent
        One for all, or shape (rows,); not beyond :data:`LARGEST_EXPONENT`.
    """
    high: FloatArray = digits.astype(float)
    exact = not len(high) or float(high.max()) < _EXACT_WHOLE
    if isinstance(exponent, int) and exact and abs(exponent) <= _EXACT_POWER:  # one rounding only
        power = 10.0 ** abs(exponent)
        return np.divide(high, power, out=high) if exponent < 0 else np.multiply(high, power, out=high)
    low = np.zeros(1) if exact else (digits - high.astype(np.int64)).astype(float)
    place = np.asarray(exponent) + LARGEST_EXPONENT
    power, power_high, power_low, rest = (column[place] for column in _powers())
    high_head = high * _SPLIT
    high_head -= high_head - high
    high_tail = high - high_head
    product = high * power
    error = high_head * power_high - product
    error += high_head * power_low
    error += high_tail * power_high
    error += high_tail * power_low
    error += high * rest + low * power
    reach = product * _REACH
    values = product + (error - reach)
    doubtful = np.flatnonzero(values != product + (error + reach))
    for row in doubtful.tolist():
        power_of_ten = exponent if isinstance(exponent, int) else int(exponent[row])
        values[row] = float(f"{int(digits[row])}e{power_of_ten}")
    return values


def exact_in(word: str, decimal: str) -> tuple[int, float] | None:
    """Return whole part and fraction of a number without sign, ``None`` where it is none or is too large."""
    match = re.fullmatch(rf"\+?(\d{{1,18}}|[1-8]\d{{18}})(?:{re.escape(decimal)}(\d*))?", word, re.ASCII)
    return (int(match.group(1)), float(f"0.{match.group(2) or ''}")) if match else None


@lru_cache(maxsize=1)
def _powers() -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
    """Return the powers of ten as float64, its two halves, and what it lacks."""
    exact = [Fraction(10) ** k for k in range(-LARGEST_EXPONENT, LARGEST_EXPONENT + 1)]
    power = np.array([float(value) for value in exact])
    rest = np.array([float(value - Fraction(float(value))) for value in exact])
    head = power * _SPLIT
    head -= head - power
    return power, head, power - head, rest
