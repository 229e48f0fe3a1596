"""Degrees of freedom at thousands of averaging factors: computed at some, interpolated between them.

They cost more than the deviation itself where ``every`` factor of a short record is asked for. Of one
noise they follow a smooth law of the averaging factor, nearly ``1/factor``, except close to the
largest factor, where they fall to one; the factors looked at are dense there and at the smallest ones.
Only for terms that begin at every sample: the number of others changes by leaps.
"""

from __future__ import annotations

import numpy as np

from evenbeat.deviations.averaging import BoolArray, IntArray
from evenbeat.quantities import FloatArray

FEWEST_INTERPOLATED = 1000
"""In shorter lists of averaging factors all are computed."""
RATIO = 1.05
"""Between neighbours looked at, in distance from either end; what is between them is within 0.1 %."""
_KINKS = (2 / 3, 3 / 4)
"""Under white PM those of the Allan and the Hadamard deviation have a kink at this share of the largest
factor: a third and a quarter of the record, beyond which no term is uncorrelated with another."""


def looked_at(exponents: FloatArray) -> BoolArray:
    """Return at which of many averaging factors in a row the degrees of freedom are to be computed.

    Parameters
    ----------
    exponents
        Shape (n,): exponent of the noise at every factor, NaN where it is not known.
    """
    if len(exponents) < FEWEST_INTERPOLATED:
        return np.ones(len(exponents), dtype=bool)
    chosen = np.zeros(len(exponents), dtype=bool)
    distance = np.unique(np.geomspace(1, len(exponents), _steps(len(exponents))).astype(np.int64)) - 1
    chosen[distance] = True
    chosen[-1 - distance] = True
    for kink in _KINKS:
        near = int(kink * len(exponents))
        chosen[near - 3 : near + 4] = True
    for begin, end in _same_noise(exponents):
        chosen[[begin, end - 1]] = True
    return chosen


def interpolated(
    factors: IntArray, exponents: FloatArray, freedom: FloatArray, chosen: BoolArray
) -> FloatArray:
    """Return the degrees of freedom at all factors, monotone cubic in the logarithms between the chosen ones.

    Never across a change of the noise. Shapes are all (n,).
    """
    if chosen.all():
        return freedom
    from scipy.interpolate import PchipInterpolator  # slow to import

    found = freedom.copy()
    for begin, end in _same_noise(exponents):
        here, known = slice(begin, end), begin + np.flatnonzero(chosen[begin:end])
        if len(known) < end - begin:
            curve = PchipInterpolator(np.log(factors[known]), np.log(freedom[known]))
            found[here] = np.where(chosen[here], freedom[here], np.exp(curve(np.log(factors[here]))))
    return found


def next_shorter(chosen: BoolArray) -> IntArray:
    """Return which of the chosen factors is the longest not beyond each, so that it has the same noise."""
    return np.searchsorted(np.flatnonzero(chosen), np.arange(len(chosen)), side="right") - 1


def _steps(count: int) -> int:
    return int(np.log(count) / np.log(RATIO)) + 2


def _same_noise(exponents: FloatArray) -> list[tuple[int, int]]:
    """Return the stretches of one exponent, as indices (begin, end)."""
    codes = np.nan_to_num(exponents, nan=99.0)
    borders = np.flatnonzero(np.diff(codes)) + 1
    return list(zip([0, *borders.tolist()], [*borders.tolist(), len(codes)], strict=True))
