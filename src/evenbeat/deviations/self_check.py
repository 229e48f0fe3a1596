"""Whether the intervals of a curve hold what they say: its record simulated many times, with its gaps."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import Protocol

import numpy as np
from scipy import special

from evenbeat.deviations.averaging import BoolArray
from evenbeat.deviations.noise_mixture import NoiseMixture
from evenbeat.errors import InputError
from evenbeat.findings import Finding, caution, good
from evenbeat.powerlaw import NOISE_NAMES, NoiseLevels, simulate_clock
from evenbeat.quantities import FloatArray, checked_probability
from evenbeat.record import Record
from evenbeat.result import Column, Result
from evenbeat.units import counted, duration_text

FEWEST_PATHS = 20
BY_CHANCE = 0.01
"""Probability that intervals which hold what they say are called too short at any averaging time."""
OFTEN = 0.9
LIKELY = 0.5


class Held(Protocol):
    """A deviation at several averaging times, with its intervals."""

    @property
    def deviation(self) -> FloatArray:
        """Shape (n,)."""

    def confidence_interval(self, confidence: float) -> tuple[FloatArray, FloatArray]:
        """Return the limits."""


@dataclass(frozen=True, kw_only=True)
class Asked:
    """What a curve was made from: the record, and what makes the same curve of another one."""

    record: Record
    again: Callable[[Record], Held]


@dataclass(frozen=True, eq=False, kw_only=True, repr=False)
class CoverageCheck(Result):
    """How often intervals held the truth in simulated records, made by ``curve.checked(…)``.

    Attributes
    ----------
    statistic, title
        Of the curve.
    paths, seed
        How many records were simulated, and from which seed.
    levels
        Of the noises in them.
    confidences
        Shape (c,): what the intervals say.
    held
        Shape (c, n): share of the records whose interval held the truth; NaN where gaps leave no term.
    averaging_time_s, truth
        Shape (n,): where, and the deviation that the levels make in expectation, in the curve's unit.
    ratio
        Shape (n,): root mean square of the deviations over the truth.
    """

    statistic: str
    title: str
    paths: int
    seed: int
    levels: NoiseLevels
    confidences: tuple[float, ...]
    held: FloatArray
    averaging_time_s: FloatArray
    truth: FloatArray
    ratio: FloatArray

    _longest_table = 60

    def _columns(self) -> tuple[Column, ...]:
        of_levels = [
            column
            for confidence, held in zip(self.confidences, self.held, strict=True)
            for column in (
                Column("", [confidence] * len(held), "nominal", ".3g"),
                Column(f"held_{100 * confidence:g}", held, "held", ".3f"),
            )
        ]
        return (
            Column("averaging_time_s", self.averaging_time_s, "τ / s", ".6g"),
            *of_levels,
            Column("rms_over_truth", self.ratio, "rms / truth", ".3f"),
            Column("truth", self.truth),
        )

    def _headline(self) -> str:
        names = ", ".join(NOISE_NAMES[a] for a, level in self.levels.by_exponent.items() if level > 0)
        return f"Intervals of the {self.title} in {self.paths} simulated records of {names}"


def coverage_of(
    asked: Asked | None,
    mixture: NoiseMixture | None,
    *,
    statistic: str,
    title: str,
    averaging_time_s: FloatArray,
    truth: FloatArray | None,
    paths: int,
    seed: int,
    confidences: Sequence[float],
) -> CoverageCheck:
    """Return how often the intervals held; see :meth:`evenbeat.results.StabilityCurve.checked`."""
    if paths < FEWEST_PATHS:
        msg = f"paths is {paths}; at least {FEWEST_PATHS} simulated records are needed to tell a share"
        raise InputError(msg)
    levels_asked = tuple(checked_probability(confidence, "confidences") for confidence in confidences)
    if asked is None or mixture is None or truth is None:
        msg = (
            "this curve has no noise to simulate; only curves made by stability() from readings that vary, "
            "or with noise stated, can be checked"
        )
        raise InputError(msg)
    levels = mixture.noise_levels
    missing = np.isnan(asked.record.usable_values(without_steps=False))
    deviations, inside = [], []
    for stream in np.random.SeedSequence(seed).spawn(paths):
        curve = asked.again(_simulated(asked.record, levels, missing, np.random.default_rng(stream)))
        bounds = [curve.confidence_interval(confidence) for confidence in levels_asked]
        deviations.append(curve.deviation)
        inside.append([(low <= truth) & (truth <= high) for low, high in bounds])
    none = np.isnan(deviations[0])
    held = np.where(none, np.nan, np.mean(inside, axis=0))
    return CoverageCheck(
        statistic=statistic,
        title=title,
        paths=paths,
        seed=seed,
        levels=levels,
        confidences=levels_asked,
        held=held,
        averaging_time_s=averaging_time_s,
        truth=truth,
        ratio=np.sqrt(np.mean(np.square(deviations), axis=0)) / truth,
        findings=(
            *_about_steep_noise(mixture),
            *(
                _about_coverage(confidence, row[~none], averaging_time_s[~none], paths)
                for confidence, row in zip(levels_asked, held, strict=True)
                if not none.all()
            ),
        ),
    )


def _simulated(
    record: Record, levels: NoiseLevels, missing: BoolArray, generator: np.random.Generator
) -> Record:
    """Return a record of these noises on the same grid, with the same samples missing."""
    drawn = simulate_clock(
        len(record), interval_s=record.interval_s, levels=levels, seed=generator, kind=record.kind
    )
    return replace(drawn, values=np.where(missing, np.nan, drawn.values))


def _about_steep_noise(mixture: NoiseMixture) -> tuple[Finding, ...]:
    """Return a caution where noises steeper than random-walk FM, which are not simulated, are likely."""
    steep = mixture.nodes[:, len(NOISE_NAMES) :]
    if not np.any(np.mean(steep > 0, axis=0) > LIKELY):
        return ()
    sentence = (
        "Noise steeper than random-walk FM is likely in the record and is not simulated; the check is for "
        "the five others alone."
    )
    return (caution("STEEP_NOISE_LEFT_OUT", sentence),)


def _about_coverage(confidence: float, held: FloatArray, times: FloatArray, paths: int) -> Finding:
    """Return whether intervals held less often than they say, and which shortfall would have been seen."""
    from scipy import stats

    # binomial, at each averaging time one of n tests
    fewest = stats.binom.ppf(BY_CHANCE / len(held), paths, confidence) / paths
    short = held < fewest
    values: dict[str, float | int | str] = {
        "confidence": confidence,
        "lowest": float(held.min()),
        "highest": float(held.max()),
        "paths": paths,
    }
    name, low, high = f"{100 * confidence:g} %", 100 * held.min(), 100 * held.max()
    if short.any():
        sentence = (
            f"The {name} intervals held the truth too rarely at "
            f"{counted(np.count_nonzero(short), 'averaging time')}, the shortest of them "
            f"{duration_text(float(times[short][0]))}: in {low:.1f} % of "
            f"{paths} records at the least."
        )
        return caution("INTERVALS_TOO_SHORT", sentence, **values)
    # smallest shortfall that leaves the share below the limit in nine of ten checks, normal approximation
    away = special.ndtri(OFTEN) * np.sqrt(fewest * (1 - fewest) / paths)
    values["shortfall_seen"] = shortfall = float(confidence - fewest + away)
    sentence = (
        f"The {name} intervals held the truth in {low:.1f} to {high:.1f} % of {paths} records; "
        f"{100 * shortfall:.1f} points less at one averaging time would have been seen nine times in ten."
    )
    return good("COVERAGE_HELD", sentence, **values)
