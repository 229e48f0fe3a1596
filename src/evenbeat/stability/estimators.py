"""The table of stability statistics, and the function that computes them."""

from __future__ import annotations

import math
import os
from collections.abc import Mapping
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from types import MappingProxyType

import numpy as np

from evenbeat.errors import InputError, TooShortError
from evenbeat.findings import Finding
from evenbeat.quantities import FloatArray
from evenbeat.record import Record
from evenbeat.stability import kernels
from evenbeat.stability.averaging import Averaging, IntArray, chosen_factors
from evenbeat.stability.covariance import lowest_exponent
from evenbeat.stability.curve import StabilityCurve
from evenbeat.stability.freedom import equivalent_degrees_of_freedom, smallest_degrees_of_freedom
from evenbeat.stability.kernels import TermSum
from evenbeat.stability.noise_type import noise_type
from evenbeat.stability.samples import Samples, samples_of
from evenbeat.units import duration_text

FEWEST_SAMPLES_FOR_THREADS = 1 << 18
MOST_IDENTIFIED = 128


@dataclass(frozen=True, kw_only=True)
class Statistic:
    """One statistic: a mean of squared differences of phase, and what it is called.

    Attributes
    ----------
    name, title, symbol, unit
        How it is asked for and how it is written.
    order
        Order of the difference of phase: 2 (Allan) or 3 (Hadamard).
    overlapping
        Whether a difference starts at every sample, or once per averaging time.
    averaged
        Whether each term is the mean of as many neighbouring differences as the averaging factor.
    source
        Where it is defined.
    """

    name: str
    title: str
    symbol: str
    order: int
    overlapping: bool
    source: str
    averaged: bool = False
    unit: str = ""

    @property
    def blind_to_drift(self) -> bool:
        """Whether a constant drift of frequency leaves it unchanged."""
        return self.order >= 3

    @property
    def spans(self) -> int:
        """How many averaging times one term spans."""
        return self.order + self.averaged

    def largest_factor(self, points: int) -> int:
        """Return the largest averaging factor with at least one term."""
        return points // self.spans if self.averaged else (points - 1) // self.spans

    def normalised(self, mean_square_s2: float, averaging_time_s: float) -> float:
        """Return the deviation from the mean square of the terms.

        The divisor is the sum of squares of the binomial weights of the frequency averages: 2 for the
        Allan, 6 for the Hadamard variance; the time deviation is ``τ/√3`` times the modified Allan one.
        """
        divisor = math.comb(2 * (self.order - 1), self.order - 1)
        root = math.sqrt(mean_square_s2 / divisor)
        return root / math.sqrt(3) if self.unit == "s" else root / averaging_time_s


_HANDBOOK = "NIST SP 1065 (2008), 5.2"
STATISTICS: Mapping[str, Statistic] = MappingProxyType(
    {
        statistic.name: statistic
        for statistic in (
            Statistic(
                name="allan",
                title="Allan deviation",
                symbol="σ_y(τ)",
                order=2,
                overlapping=False,
                source=f"{_HANDBOOK}.2; IEEE Std 1139",
            ),
            Statistic(
                name="overlapping_allan",
                title="overlapping Allan deviation",
                symbol="σ_y(τ)",
                order=2,
                overlapping=True,
                source=f"{_HANDBOOK}.4; ITU-T G.810 appendix II",
            ),
            Statistic(
                name="modified_allan",
                title="modified Allan deviation",
                symbol="Mod σ_y(τ)",
                order=2,
                overlapping=True,
                averaged=True,
                source=f"{_HANDBOOK}.5; IEEE Std 1139",
            ),
            Statistic(
                name="time",
                title="time deviation",
                symbol="σ_x(τ)",
                order=2,
                overlapping=True,
                averaged=True,
                unit="s",
                source=f"{_HANDBOOK}.6; ITU-T G.810 appendix II",
            ),
            Statistic(
                name="hadamard",
                title="Hadamard deviation",
                symbol="Hσ_y(τ)",
                order=3,
                overlapping=False,
                source=f"{_HANDBOOK}.8",
            ),
            Statistic(
                name="overlapping_hadamard",
                title="overlapping Hadamard deviation",
                symbol="Hσ_y(τ)",
                order=3,
                overlapping=True,
                source=f"{_HANDBOOK}.9",
            ),
        )
    }
)


def stability(
    record: Record,
    statistic: str = "overlapping_allan",
    *,
    averaging: Averaging = "ten_per_decade",
    minimum_coverage: float = 1.0,
) -> StabilityCurve:
    """Return a stability deviation of a record against averaging time, with intervals.

    Parameters
    ----------
    record
        Phase or frequency; flagged samples are left out, steps of known size are subtracted.
    statistic
        ``allan``, ``overlapping_allan``, ``modified_allan``, ``time``, ``hadamard`` or
        ``overlapping_hadamard``.
    averaging
        Averaging factors: ``ten_per_decade``, ``doublings``, ``every``, or whole numbers (computed in
        rising order, each once; those beyond the record are returned as a finding).
    minimum_coverage
        Share of the samples that an average of a frequency record with gaps (and a mean of the
        modified statistics) must rest on. With 1 one missing sample ends every average that holds it,
        with 0.9 an occasional gap does not end the long averaging times. Below 1 white and flicker PM
        come out too large, because the ends of an average no longer cancel; the finding
        ``PARTIAL_AVERAGES`` says so.

    Returns
    -------
    StabilityCurve
        In seconds for ``time``, otherwise a fractional frequency.

    Raises
    ------
    InputError
        For an unknown statistic or impossible averaging factors.
    TooShortError
        If the record is too short for the statistic.

    Notes
    -----
    Definitions as in :data:`STATISTICS`. A phase record of any length needs constant extra memory (it may
    be memory-mapped); a frequency record is integrated once. Not valid for the noise alone where the
    record drifts and the statistic is not blind to drift: drift D gives ``D τ/√2``.

    Examples
    --------
    >>> from evenbeat import NoiseLevels, simulate_clock
    >>> record = simulate_clock(1000, interval_s=1.0, levels=NoiseLevels(white_fm=2e-22), seed=1)
    >>> curve = stability(record, averaging=[1, 10, 100])
    >>> bool(abs(curve.deviation[0] / 1e-11 - 1) < 0.1)
    True
    """
    kind = _known(statistic)
    samples = samples_of(record, minimum_coverage)
    largest = kind.largest_factor(samples.points)
    if largest < 1:
        needed = kind.spans + (not kind.averaged) - (record.kind == "frequency")
        msg = f"the {kind.title} needs at least {needed} samples; the record has {len(record)}"
        raise TooShortError(msg, needed=needed, available=len(record))
    chosen = chosen_factors(averaging, largest=largest, samples=len(record), interval_s=record.interval_s)
    sums = _computed(samples, kind, chosen.factors, minimum_coverage)
    times = chosen.factors * record.interval_s
    exponents, noise_findings = _noise(samples, chosen.factors, times, kind)
    deviation = np.array([_deviation(term, kind, time) for term, time in zip(sums, times, strict=True)])
    return StabilityCurve(
        statistic=kind.name,
        title=kind.title,
        symbol=kind.symbol,
        unit=kind.unit,
        interval_s=record.interval_s,
        averaging_factor=chosen.factors,
        averaging_time_s=times,
        deviation=deviation,
        terms=np.array([term.terms for term in sums], dtype=np.int64),
        edf=_freedom(sums, chosen.factors, exponents, kind),
        noise_exponent=exponents,
        record_name="" if record.source is None else record.source.name,
        record_sha256="" if record.source is None else record.source.sha256,
        findings=(
            *chosen.findings,
            *_record_findings(record),
            *_gap_findings(samples, sums, times, minimum_coverage),
            *_silence_findings(deviation),
            *noise_findings,
        ),
    )


def _known(statistic: str) -> Statistic:
    if statistic not in STATISTICS:
        msg = f"statistic is {statistic!r}; it must be one of {', '.join(STATISTICS)}"
        raise InputError(msg)
    return STATISTICS[statistic]


def _computed(samples: Samples, kind: Statistic, factors: IntArray, minimum_coverage: float) -> list[TermSum]:
    def one(factor: int) -> TermSum:
        if kind.averaged and factor > 1:
            return kernels.sum_of_squared_averages(
                samples, factor, kind.order, minimum_coverage=minimum_coverage
            )
        if kind.overlapping:
            return kernels.sum_of_squared_differences(samples, factor, kind.order)
        return kernels.sum_of_squared_differences(samples.decimated(factor), 1, kind.order)

    whole = [int(factor) for factor in factors]
    workers = min(2, os.cpu_count() or 1)
    if samples.points < FEWEST_SAMPLES_FOR_THREADS or workers == 1:
        return [one(factor) for factor in whole]
    with ThreadPoolExecutor(workers) as pool:
        return list(pool.map(one, whole))


def _deviation(terms: TermSum, kind: Statistic, averaging_time_s: float) -> float:
    if terms.terms == 0:
        return math.nan
    return kind.normalised(terms.total / terms.terms, averaging_time_s)


def _noise(
    samples: Samples, factors: IntArray, times: FloatArray, kind: Statistic
) -> tuple[FloatArray, tuple[Finding, ...]]:
    """Return the exponent at each averaging time; the longest inherit the last that was told."""
    exponents = _identified(samples, factors, kind)
    known = np.flatnonzero(~np.isnan(exponents))
    if len(known) == 0:
        sentence = (
            "The kind of noise could not be told at any averaging time (too few averages, or no variation); "
            "the intervals are for the noise that makes them widest."
        )
        return exponents, (Finding(code="NOISE_TYPE_UNKNOWN", severity="caution", sentence=sentence),)
    last = int(known[-1])
    if last == len(exponents) - 1:
        return exponents, ()
    exponents[last + 1 :] = exponents[last]
    sentence = (
        f"Beyond {duration_text(times[last])} too few averages are left to tell the kind of noise; "
        "the intervals there assume that of the last averaging time where it could be told."
    )
    values: dict[str, float | int | str] = {
        "last_told_averaging_time_s": float(times[last]),
        "assumed_exponent": int(exponents[last]),
    }
    return exponents, (
        Finding(code="NOISE_TYPE_INHERITED", severity="note", sentence=sentence, values=values),
    )


def _identified(samples: Samples, factors: IntArray, kind: Statistic) -> FloatArray:
    """Return the exponent at each factor, of a long list from the next shorter factor looked at.

    Of power laws the one that dominates at a longer averaging time never has the higher exponent, so
    that a weak identification (few averages) may lower the last firm one but not raise it.
    """
    count = len(factors)
    looked_at = np.unique(np.geomspace(1, count, min(count, MOST_IDENTIFIED)).round().astype(int)) - 1
    told = np.full(len(looked_at), np.nan)
    ceiling = math.inf
    for position, i in enumerate(looked_at):
        noise = noise_type(samples, int(factors[i]), order=kind.order)
        told[position] = noise.exponent if noise.firm else min(noise.exponent, ceiling)
        if noise.firm and not math.isnan(noise.exponent):
            ceiling = noise.exponent
    return told[np.searchsorted(looked_at, np.arange(count), side="right") - 1]


def _freedom(sums: list[TermSum], factors: IntArray, exponents: FloatArray, kind: Statistic) -> FloatArray:
    plausible = tuple(range(2, lowest_exponent(kind.order) - 1, -1))
    edf = np.empty(len(sums))
    for i, (terms, factor, exponent) in enumerate(zip(sums, factors, exponents, strict=True)):
        if math.isnan(exponent):
            edf[i] = smallest_degrees_of_freedom(
                terms,
                int(factor),
                exponents=plausible,
                order=kind.order,
                averaged=kind.averaged,
                overlapping=kind.overlapping,
            )
        else:
            edf[i] = equivalent_degrees_of_freedom(
                terms,
                int(factor),
                exponent=int(exponent),
                order=kind.order,
                averaged=kind.averaged,
                overlapping=kind.overlapping,
            )
    return edf


def _record_findings(record: Record) -> tuple[Finding, ...]:
    found = []
    if record.steps:
        count = len(record.steps)
        sentence = f"{count} known step{'s were' if count > 1 else ' was'} subtracted before the analysis."
        found.append(
            Finding(code="STEPS_REMOVED", severity="note", sentence=sentence, values={"steps": count})
        )
    gate = record.gate_s
    if record.kind == "frequency" and gate is not None and gate < record.interval_s * (1 - 1e-9):
        sentence = (
            f"Each gate of {duration_text(gate)} is followed by dead time until the next reading after "
            f"{duration_text(record.interval_s)}; the values are used as they are, and short averaging times "
            "are biased (white PM most: it looks like white FM)."
        )
        values: dict[str, float | int | str] = {"gate_s": gate, "interval_s": record.interval_s}
        found.append(Finding(code="DEAD_TIME", severity="caution", sentence=sentence, values=values))
    return tuple(found)


def _gap_findings(
    samples: Samples, sums: list[TermSum], times: FloatArray, minimum_coverage: float
) -> tuple[Finding, ...]:
    if not samples.has_gaps:
        return ()
    lost = sum(term.possible - term.terms for term in sums) / sum(term.possible for term in sums)
    found = [
        Finding(
            code="GAPS_SKIPPED",
            severity="note",
            sentence=f"Terms that touch a missing or excluded sample were left out ({lost:.2%} of all).",
            values={"terms_left_out_share": lost},
        )
    ]
    if minimum_coverage < 1:
        sentence = (
            f"Averages with at least {minimum_coverage:.0%} of their samples were used as if complete; "
            "white and flicker PM come out too large where samples are missing."
        )
        values: dict[str, float | int | str] = {"minimum_coverage": minimum_coverage}
        found.append(Finding(code="PARTIAL_AVERAGES", severity="note", sentence=sentence, values=values))
    empty = [float(time) for time, term in zip(times, sums, strict=True) if term.terms == 0]
    if empty:
        sentence = (
            f"Gaps leave no complete term at {len(empty)} averaging time(s), the shortest of them "
            f"{duration_text(min(empty))}; a lower minimum_coverage admits averages with missing samples."
        )
        values = {"averaging_times": len(empty), "shortest_s": min(empty)}
        found.append(Finding(code="NO_COMPLETE_TERMS", severity="caution", sentence=sentence, values=values))
    return tuple(found)


def _silence_findings(deviation: FloatArray) -> tuple[Finding, ...]:
    silent = int(np.count_nonzero(deviation == 0))
    if silent == 0:
        return ()
    sentence = (
        f"The deviation is exactly zero at {silent} averaging time(s): the readings do not vary, so that the "
        "display and not the oscillator limits the result."
    )
    return (
        Finding(
            code="NO_VARIATION", severity="caution", sentence=sentence, values={"averaging_times": silent}
        ),
    )
