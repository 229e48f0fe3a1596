"""Which averaging factors: a named grid, or the ones asked for."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Literal

import numpy as np
import numpy.typing as npt

from evenbeat.errors import InputError, TooShortError
from evenbeat.findings import Finding, caution, note
from evenbeat.units import duration_text

Averaging = Literal["ten_per_decade", "doublings", "every"] | Sequence[int]
MOST_OF_EVERY = 500
"""Of ``every``: beyond so many they are thinned, to equal proportions; a list of all is computed."""
IntArray = npt.NDArray[np.int64]
BoolArray = npt.NDArray[np.bool_]


def chosen_factors(
    averaging: Averaging, *, largest: int, samples: int, interval_s: float
) -> tuple[IntArray, tuple[Finding, ...]]:
    """Return the averaging factors from 1 to ``largest``, in order, each once; others are a finding."""
    if isinstance(averaging, str):
        return _named(averaging, largest)
    asked = _checked(averaging, largest)
    possible = [factor for factor in asked if factor <= largest]
    if not possible:
        msg = (
            f"none of the averaging factors {_listed(asked)} can be computed: {samples} samples allow "
            f"factors from 1 to {largest}"
        )
        raise TooShortError(msg, needed=asked[0], available=samples)
    beyond = asked[len(possible) :]
    found: tuple[Finding, ...] = ()
    if beyond:
        sentence = (
            f"The averaging factors {_listed(beyond)} were asked for but {samples} samples reach only to "
            f"factor {largest} ({duration_text(largest * interval_s)})."
        )
        every = _listed(beyond, limit=len(beyond))
        found = (caution("FACTORS_NOT_COMPUTED", sentence, factors=every, largest_factor=largest),)
    return np.array(possible, dtype=np.int64), found


def asked_factors(
    averaging: Averaging,
    averaging_time_s: Sequence[float] | float | None,
    *,
    interval_s: float,
    share: float = 1.0,
    step: int = 1,
) -> Averaging:
    """Return the averaging factors asked for, or those of the averaging times asked for.

    ``share`` is the averaging time over the span of the factor, of ``step`` the factors are multiples.
    """
    if averaging_time_s is None:
        return averaging
    if not (isinstance(averaging, str) and averaging == "ten_per_decade"):
        msg = f"averaging is {averaging!r} and averaging_time_s {averaging_time_s!r}; give one of them"
        raise InputError(msg)
    try:
        times = np.atleast_1d(np.asarray(averaging_time_s, dtype=float)).ravel().tolist()
    except (TypeError, ValueError):
        times = []
    if not times:
        msg = f"averaging_time_s is {averaging_time_s!r}; it must be a list of seconds"
        raise InputError(msg)
    spacing = interval_s * share * step
    factors = []
    for time in times:
        whole = round(time / spacing) if math.isfinite(time) else 0
        if whole < 1 or not math.isclose(whole * spacing, time, rel_tol=1e-6):
            nearest = max(1, whole) * spacing
            msg = (
                f"the averaging time {time:g} s is not a multiple of {spacing:g} s; "
                f"the nearest is {nearest:g} s"
            )
            raise InputError(msg)
        factors.append(whole * step)
    return factors


def _named(name: str, largest: int) -> tuple[IntArray, tuple[Finding, ...]]:
    if name == "doublings":
        return 2 ** np.arange(largest.bit_length(), dtype=np.int64), ()
    if name == "ten_per_decade":
        steps = np.arange(int(10 * np.log10(largest)) + 2)
        grid = np.unique(np.round(10 ** (steps / 10)).astype(np.int64))
        return grid[grid <= largest], ()
    if name != "every":
        msg = (
            f"averaging is {name!r}; it must be 'ten_per_decade', 'doublings', 'every' "
            "or a sequence of whole numbers"
        )
        raise InputError(msg)
    if largest <= MOST_OF_EVERY:
        return np.arange(1, largest + 1, dtype=np.int64), ()
    singly = np.arange(1, MOST_OF_EVERY + 1)
    # the first k one by one, the others in equal proportions: k where both steps meet
    steps = (MOST_OF_EVERY - singly[:-1]) * np.log1p(1 / singly[:-1])
    begin = int(np.argmin(np.abs(steps - np.log(largest / singly[:-1])))) + 1
    grown = np.geomspace(begin, largest, MOST_OF_EVERY - begin + 1).round().astype(np.int64)
    factors = np.unique(np.concatenate([singly[:begin], grown]))
    sentence = (
        f"Of all {largest} averaging factors {len(factors)} were computed, each of the smallest and then at "
        "equal proportions; give a list of whole numbers for all of them."
    )
    return factors, (note("FACTORS_THINNED", sentence, computed=len(factors), possible=largest),)


def _checked(averaging: Sequence[int], largest: int) -> list[int]:
    """Return the factors asked for in rising order, each once."""
    allowed = f"whole numbers from 1 to {largest} are possible with this record"
    try:
        asked = np.asarray(averaging).tolist()
        wrong = [
            factor
            for factor in asked
            if not isinstance(factor, int | float) or isinstance(factor, bool) or factor < 1 or factor % 1
        ]
    except (TypeError, ValueError):
        asked, wrong = [], []
    if not isinstance(asked, list) or len(asked) == 0:
        msg = f"averaging is {averaging!r}; {allowed}"
        raise InputError(msg)
    if wrong:
        msg = f"averaging factor {wrong[0]!r} is not a positive whole number; {allowed}"
        raise InputError(msg)
    return sorted({int(factor) for factor in asked})


def _listed(factors: list[int], limit: int = 8) -> str:
    shown = ", ".join(str(factor) for factor in factors[:limit])
    return shown if len(factors) <= limit else f"{shown} and {len(factors) - limit} more"
