"""Phase less a line, and its running sums, without a digit lost.

The line's level and slope are whole multiples of the spacing of numbers near the largest phase, so that it
is never rounded; what is left is rounded, if at all, relative to itself. This is split into whole multiples
of a quantum, coarse enough for all their running sums to be exact, and a remainder some 2⁻³⁵ times as large.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from evenbeat.deviations.sums.kernels import running_sums
from evenbeat.quantities import FloatArray


@dataclass(frozen=True, eq=False, kw_only=True)
class ExactSums:
    """Running sums from zero, shapes (n + 1,): exact ones of the coarse part, those of the rest.

    ``largest`` is the largest absolute value of what was summed.
    """

    coarse: FloatArray
    rest: FloatArray
    largest: float


def largest_of(values: FloatArray) -> float:
    """Return the largest absolute value."""
    return float(max(values.max(), -values.min()))


def less_line(phase: FloatArray, ramp: FloatArray, out: FloatArray) -> FloatArray:
    """Return the phase less the line nearest to it by least squares, which is never rounded.

    Parameters
    ----------
    phase
        Shape (n,).
    ramp
        Shape (n,): whole numbers from 0.
    out
        Shape (n,): a buffer for the result.
    """
    count, step = len(phase), 4 * float(np.spacing(largest_of(phase)))
    middle = 0.5 * (count - 1)
    mean = float(phase.mean())
    np.subtract(phase, mean, out=out)
    slope = 12 * float(out.dot(ramp)) / max(count * (count**2 - 1), 1)
    np.multiply(ramp, round(slope / step) * step, out=out)
    out += round((mean - slope * middle) / step) * step
    return np.subtract(phase, out, out=out)


def exact_sums(values: FloatArray, rows: Sequence[FloatArray]) -> ExactSums:
    """Return the running sums in the first two of five buffers, each longer than the values."""
    coarse, rest, rounded, remainder, spare = rows
    count, largest = len(values), largest_of(values)
    rounded, remainder = rounded[:count], remainder[:count]
    # all sums of multiples of 2**power stay below 2**(power + 53)
    power = math.frexp(largest)[1] + count.bit_length() - 52
    shift = 1.5 * 2.0 ** (power + 52)
    np.add(values, shift, out=rounded)
    np.subtract(rounded, shift, out=rounded)
    np.subtract(values, rounded, out=remainder)
    coarse[0] = rest[0] = 0.0
    running_sums(rounded, 0.0, (coarse[1:], spare))
    running_sums(remainder, 0.0, (rest[1:], spare))
    return ExactSums(coarse=coarse[: count + 1], rest=rest[: count + 1], largest=largest)
