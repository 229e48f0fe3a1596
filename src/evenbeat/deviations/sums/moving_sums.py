"""Moving sums of one row over rising numbers of values, each made of shorter ones.

A sum over m values is that over the first a and that over the last b of them, less that over those which
both hold. So its rounding is relative to the sum itself, not to all that was summed before.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from evenbeat.quantities import FloatArray

MOST_ROWS = 12
"""Moving sums kept at once for longer ones to be made of."""


@dataclass(frozen=True, kw_only=True)
class Step:
    """How the sums over ``length`` values come from shorter ones.

    Attributes
    ----------
    first, last, both
        Numbers of values of the sum at the beginning and of that at the end, and how many both hold.
    rounding
        Bound on the rounding error of a sum over so many values, in units of rounding of so many times the
        largest of them.
    needed
        The sums, this one perhaps among them, that a later step needs.
    """

    first: int
    last: int
    both: int
    rounding: float
    needed: frozenset[int]


def steps_to(lengths: Sequence[int]) -> dict[int, Step]:
    """Return the steps to those sums over rising numbers of values that can be made of each other.

    No more, once more than ``MOST_ROWS`` shorter sums would have to be kept.
    """
    rounding, parts = {1: 0.0}, {}
    for length in lengths:
        found = _parts(length, sorted(rounding))
        if found is None or length == 1:
            continue
        first, last, both = parts[length] = found
        inherited = first * rounding[first] + last * rounding[last] + both * rounding.get(both, 0.0)
        rounding[length] = inherited / length + (2.0 if both else 1.0)
    steps: dict[int, Step] = {}
    order = list(parts)
    for number, length in enumerate(order):
        later = {part for other in order[number + 1 :] for part in parts[other]}
        needed = frozenset(later.intersection((1, *order[: number + 1])))
        if len(needed) > MOST_ROWS:
            break
        first, last, both = parts[length]
        steps[length] = Step(first=first, last=last, both=both, rounding=rounding[length], needed=needed)
    return steps


def _parts(length: int, known: Sequence[int]) -> tuple[int, int, int] | None:
    """Return lengths of a first and a last part, and of what both hold, all of them known ones."""
    long = [some for some in known if length <= 2 * some < 2 * length]
    for first in long:
        if length - first in known:
            return first, length - first, 0
    for first in long:
        for last in long:
            if first + last - length in known:
                return first, last, first + last - length
    return None


class MovingSums:
    """Moving sums of one row after the other.

    Parameters
    ----------
    steps
        How they are made.
    length
        Of the longest row.
    """

    def __init__(self, steps: Mapping[int, Step], length: int) -> None:
        self._steps, self._length = steps, length
        self._free: list[FloatArray] = []
        self._rows: dict[int, FloatArray] = {}

    def begin(self, values: FloatArray) -> None:
        """Take another row."""
        self._let_go(frozenset())
        self._rows = {1: values}

    def over(self, length: int) -> FloatArray:
        """Return the sums over so many values, which stand until those over more of them are asked for."""
        sums = self._made(length)
        if length != 1:
            self._let_go(self._steps[length].needed | {length})
        return sums

    def _made(self, length: int) -> FloatArray:
        if length in self._rows:
            return self._rows[length]
        step = self._steps[length]
        first, last = self._made(step.first), self._made(step.last)
        sums = (self._free.pop() if self._free else np.empty(self._length))[: len(self._rows[1]) - length + 1]
        np.add(first[: len(sums)], last[length - step.last :][: len(sums)], out=sums)
        if step.both:
            sums -= self._made(step.both)[length - step.last :][: len(sums)]
        self._rows[length] = sums
        return sums

    def _let_go(self, needed: frozenset[int]) -> None:
        for length in [some for some in self._rows if some != 1 and some not in needed]:
            row = self._rows.pop(length)
            self._free.append(row if row.base is None else row.base)
