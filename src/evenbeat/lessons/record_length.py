"""How long a record must be and what gaps cost: a known noise, cut short and with holes."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import Literal, get_args

import numpy as np

from evenbeat.deviations.curve import StabilityCurve
from evenbeat.deviations.estimators import stability
from evenbeat.errors import InputError
from evenbeat.lessons.lesson import Code, Lesson, call_text
from evenbeat.powerlaw import NOISE_NAMES, NoiseLevels, simulate_clock
from evenbeat.quantities import FloatArray
from evenbeat.record import Record
from evenbeat.units import SECONDS_PER_DAY, duration_text, percent

Pattern = Literal["single readings", "one outage", "every night"]
INTERVAL_S = 60.0
LONGEST = 8192
DEVIATION = 1e-11
"""Allan deviation of the noise at one interval."""
KNOWN_WITHIN = 1.5
"""An averaging time counts as well known while neither limit is this many times off."""
KINDS = {"overlapping_allan": "allan", "modified_allan": "modified", "overlapping_hadamard": "hadamard"}
NOISES = {0: "white_fm", -1: "flicker_fm", -2: "random_walk_fm"}


@dataclass(frozen=True, eq=False, kw_only=True)
class GapLesson(Lesson):
    """A record with holes, its deviation, and what the deviation really is.

    Attributes
    ----------
    record
        NaN where a reading is missing.
    curve
        Deviation with its degrees of freedom.
    truth
        Expected deviation of the noise at the averaging times of the curve, shape (n,).
    """

    record: Record
    curve: StabilityCurve
    truth: FloatArray

    @property
    def held(self) -> tuple[int, int]:
        """How many 95 % intervals hold the truth, of how many that exist."""
        low, high = self.curve.confidence_interval()
        there = np.isfinite(self.curve.deviation)
        return int(np.sum((low <= self.truth) & (self.truth <= high) & there)), int(there.sum())


def without_readings(
    record: Record, share: float, *, pattern: Pattern | str = "single readings", seed: int = 1
) -> Record:
    """Return a frequency record from which a share of the readings is missing.

    Parameters
    ----------
    share
        At least 0 and below 1.
    pattern
        ``'single readings'`` at random, ``'one outage'`` in the middle, or ``'every night'`` that part of
        each day, from its end backwards.

    Raises
    ------
    InputError
        If the share or the pattern cannot be used.
    """
    if not 0 <= share < 1:
        msg = f"share is {share}; it must be at least 0 and below 1"
        raise InputError(msg)
    n = len(record)
    values = np.array(record.values, dtype=float)
    if pattern == "single readings":
        generator = np.random.default_rng(seed)
        values[generator.permutation(n)[: round(share * n)]] = np.nan
    elif pattern == "one outage":
        first = round(0.5 * n * (1 - share))
        values[first : first + round(share * n)] = np.nan
    elif pattern == "every night":
        values[(record.elapsed_s / SECONDS_PER_DAY) % 1 >= 1 - share] = np.nan
    else:
        msg = f"pattern is {pattern!r}; it must be one of {', '.join(get_args(Pattern))}"
        raise InputError(msg)
    return Record.from_frequency(values, interval_s=record.interval_s)


def look_through_gaps(
    samples: int = 1024,
    *,
    share: float = 0.0,
    pattern: Pattern | str = "single readings",
    exponent: int = 0,
    statistic: str = "overlapping_allan",
    minimum_coverage: float = 1.0,
    seed: int = 1,
) -> GapLesson:
    """Return the deviation of a noise whose level is known, from a record cut short and with holes.

    Parameters
    ----------
    samples
        One a minute, at most 8192; a longer record begins like a shorter one.
    share, pattern
        See :func:`without_readings`.
    exponent
        0, -1 or -2: white, flicker or random-walk FM.
    statistic, minimum_coverage
        See :func:`evenbeat.stability`.

    Raises
    ------
    InputError
        If an argument cannot be used, or nothing is left to compute.
    """
    if not 2 <= samples <= LONGEST or exponent not in NOISES or statistic not in KINDS:
        msg = (
            f"samples={samples}, exponent={exponent}, statistic={statistic!r}: samples must lie between 2 "
            f"and {LONGEST}, exponent be one of {list(NOISES)}, statistic one of {', '.join(KINDS)}"
        )
        raise InputError(msg)
    whole = _whole(exponent, seed)
    record = without_readings(whole.between(0, samples * INTERVAL_S), share, pattern=pattern, seed=seed)
    curve = stability(record, statistic, averaging="doublings", minimum_coverage=minimum_coverage)
    truth = _levels(exponent).deviation(curve.averaging_time_s, KINDS[statistic])  # type: ignore[arg-type]
    simulated = call_text(
        "eb.simulate_clock", str(LONGEST), interval_s=INTERVAL_S, levels=Code("levels"), seed=seed
    )
    holes = call_text("without_readings", "record", repr(share), pattern=pattern, seed=seed)
    asked = {"averaging": "doublings", "minimum_coverage": minimum_coverage}
    estimate = call_text("eb.stability", "record", repr(statistic), **asked)
    return GapLesson(
        record=record,
        curve=curve,
        truth=truth,
        sentence=_sentence(curve, record, exponent),
        call=(
            "import evenbeat as eb\nfrom evenbeat.lessons.record_length import without_readings\n\n"
            f"levels = eb.NoiseLevels.from_allan_deviations({INTERVAL_S}, {NOISES[exponent]}={DEVIATION})\n"
            f"record = {simulated}.between(0, {samples * INTERVAL_S})\n"
            f"record = {holes}\ncurve = {estimate}"
        ),
    )


def _levels(exponent: int) -> NoiseLevels:
    return NoiseLevels.from_allan_deviations(INTERVAL_S, **{NOISES[exponent]: DEVIATION})


@lru_cache(maxsize=8)
def _whole(exponent: int, seed: int) -> Record:
    return simulate_clock(LONGEST, interval_s=INTERVAL_S, levels=_levels(exponent), seed=seed)


def _sentence(curve: StabilityCurve, record: Record, exponent: int) -> str:
    there = np.flatnonzero(np.isfinite(curve.deviation))
    if not len(there):
        return "The gaps leave no term at any averaging time: accept averages with fewer readings."
    last = int(there[-1])
    low, high = (limit / curve.deviation for limit in curve.confidence_interval())
    known = [int(i) for i in there if high[i] <= KNOWN_WITHIN and low[i] >= 1 / KNOWN_WITHIN]
    missing = f" with {percent(record.missing / len(record))} missing" if record.missing else ""
    opening = f"{duration_text(record.duration_s)} of {NOISE_NAMES[exponent]}{missing}"
    reach = (
        f"the deviation is known within a factor of {KNOWN_WITHIN:g} up to "
        f"{duration_text(float(curve.averaging_time_s[known[-1]]))}"
        if known
        else f"nowhere is the deviation known within a factor of {KNOWN_WITHIN:g}"
    )
    terms, edf = int(curve.terms[last]), f"{curve.edf[last]:.2g}"
    counted = "one term is" if terms == 1 else f"{terms} terms are"
    degrees = "degree of freedom" if edf == "1" else "degrees of freedom"
    return (
        f"{opening}: {reach}. At {duration_text(float(curve.averaging_time_s[last]))}, the last point, "
        f"{counted} worth {edf} {degrees}, "
        f"and the 95 % interval reaches from {low[last]:.2g} to {high[last]:.2g} times the value."
    )
