"""The display step of a column of readings: from the printed digits and from the readings themselves."""

from __future__ import annotations

import re
from collections.abc import Iterable

import numpy as np

from evenbeat.intake import blocks, extremes_and_mean, thinned
from evenbeat.logs.cells import shape_of
from evenbeat.quantities import FloatArray

MOST_DISTINCT = 4096
_FEW_DIGITS = 4  # more of them are finer than what is measured
_LATTICE_TOLERANCE = 0.02
_NUMBER = re.compile(r"[+-]?\d*(?:[.,](\d*))?(?:[eE]([+-]?\d{1,3}))?", re.ASCII)


def printed_step(cells: Iterable[str]) -> float | None:
    """Return the unit of the last digit that any of the cells shows, ``None`` if none is a number."""
    exponents = []
    for cell in {cell if "e" in cell.lower() else shape_of(cell) for cell in cells}:
        match = _NUMBER.fullmatch(cell.strip())
        if match and any(c.isdigit() for c in cell):
            exponents.append(int(match.group(2) or 0) - len(match.group(1) or ""))
    return float(f"1e{min(exponents)}") or None if exponents else None


def relative_step(values: FloatArray, cells: Iterable[str]) -> float | None:
    """Return the step of the largest reading where all are printed with the same few significant digits.

    ``None`` where they are not, or all are of one size, so that one step holds for all.
    """
    digits = set()
    for cell in {shape_of(cell.partition("e")[0]) + "e" for cell in map(str.lower, cells) if "e" in cell}:
        digits.add(sum(character.isdigit() for character in cell))
    if len(digits) != 1 or not max(digits) <= _FEW_DIGITS:
        return None
    sizes = np.abs(values[np.isfinite(values) & (values != 0)])
    if not len(sizes):
        return None
    largest, usual = (np.floor(np.log10(size)) for size in (sizes.max(), float(np.quantile(sizes, 0.01))))
    return float(10.0 ** (largest - max(digits) + 1)) if largest > usual else None


def display_step(values: FloatArray, printed: float | None) -> float | None:
    """Return the step between neighbouring readings that the display can show, of which NaN are missing.

    It is the common divisor of all differences between distinct readings, at least the last digit
    ``printed``; ``None`` where neither the digits nor the readings show a step above the spacing of floats.
    """
    complete = all(np.isfinite(block).all() for block in blocks(values))
    finite = values if complete else values[np.isfinite(values)]
    if not len(finite):
        return None
    smallest, _, largest = extremes_and_mean(finite)
    float_spacing = float(np.spacing(max(abs(largest), abs(smallest))))
    if printed is not None and printed < 4 * float_spacing:
        printed = None
    some = np.unique(thinned(finite, 4 * MOST_DISTINCT))
    if printed and len(some) > 2 and np.rint(np.diff(some).min() / printed) == 1:
        return printed  # no other reading can make it smaller than the last digit
    if len(some) > MOST_DISTINCT:  # no lattice: spare the sorting
        return _divisor(finite, printed) if printed else None
    if len(finite) < 100_000:
        distinct = np.unique(finite)
    else:  # few are different, so that not all are sorted
        import pandas as pd

        distinct = np.sort(pd.unique(finite))
    if len(distinct) < 3:
        return printed
    coarse = _lattice_step(distinct, printed or 4 * float_spacing)
    return coarse if coarse is not None else (_divisor(distinct, printed) if printed else None)


def _divisor(values: FloatArray, printed: float) -> float:
    """Return the greatest common divisor of the differences from the first value, whole last digits."""
    for some in (values[: 4 * MOST_DISTINCT], values):
        steps = np.abs(np.rint((some - values[0]) / printed))
        divisor = int(np.gcd.reduce(steps.astype(np.int64))) if steps.max() <= 2**53 else 1
        if divisor <= 1:
            return printed
    return printed * divisor


def _lattice_step(distinct: FloatArray, rounding: float) -> float | None:
    """Return the step of a lattice that the readings lie on within rounding, where it is much coarser."""
    steps = np.diff(distinct)
    step = float(np.median(steps[steps <= 1.5 * steps.min() + rounding]))
    if len(distinct) > MOST_DISTINCT or step < 3 * rounding:
        return None
    for _ in range(3):  # a better step counts the far readings better
        places = np.rint((distinct - distinct[0]) / step)
        step = float(places @ (distinct - distinct[0]) / (places @ places))
    error = np.abs(distinct - distinct[0] - places * step)
    return step if error.max() <= max(1.01 * rounding, _LATTICE_TOLERANCE * step) else None
