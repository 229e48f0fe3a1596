"""Do the intervals hold the truth as often as they say? For every statistic, noise and averaging time.

``pytest -m slow tests/coverage/test_stability_coverage_table.py`` simulates records of one length, computes
every statistic of each, and writes ``stability_coverage.md`` beside this file.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pytest

import evenbeat as eb
from evenbeat.deviations.chi_squared_sums import ChiSquaredSums
from evenbeat.deviations.estimators import STATISTICS, Statistic
from evenbeat.deviations.estimators import _freedom as freedom_and_weights
from evenbeat.deviations.extended.forms import EXTENDED, Extended
from evenbeat.deviations.extended.measured_ratio import corrected_weights, measured_ratio
from evenbeat.deviations.extended.quadratic import allan_variance, hadamard_variance, phase_kernel
from evenbeat.deviations.noise_type import noise_exponents, with_last_inherited
from evenbeat.deviations.sums.kernels import TermSum, sum_of_squared_averages, sum_of_squared_differences
from evenbeat.deviations.sums.samples import PhasePoints
from evenbeat.powerlaw import white_pm_deviation

TABLE = Path(__file__).with_name("stability_coverage.md")
POINTS = 257
RECORDS = 2000
LEVELS = (0.683, 0.95)
FACTORS = (2, 16, 64)
SPANS = (12, 32, 128)
HYBRID_SPANS = (36, 64, 128)  # from a tenth of the record, where it begins to be Théo1
MEASURED = "theo1_hybrid, ratio measured"
NOISES = {
    2: ("white PM", eb.NoiseLevels(white_pm=1.0)),
    1: ("flicker PM", eb.NoiseLevels(flicker_pm=1.0)),
    0: ("white FM", eb.NoiseLevels(white_fm=1.0)),
    -1: ("flicker FM", eb.NoiseLevels(flicker_fm=1.0)),
    -2: ("random-walk FM", eb.NoiseLevels(random_walk_fm=1.0)),
}


@dataclass(frozen=True, kw_only=True)
class Cell:
    """Coverage of one statistic at one averaging factor under one noise."""

    statistic: str
    exponent: int
    factor: int
    edf: float
    known: tuple[float, ...]
    """Share of records whose intervals hold the truth, the noise taken as known."""
    told: tuple[float, ...]
    """The same with the noise told from each record."""
    right: float
    """Share of records in which the noise told is the true one."""


@dataclass(frozen=True, kw_only=True)
class Law:
    """How a statistic is distributed under one noise."""

    edf: float
    bias: float
    quantiles: tuple[float, ...]


def law_of(name: str, factor: int, exponent: int, terms: TermSum) -> Law:
    """Return degrees of freedom, bias and the quantiles at the ends of both intervals."""
    if name in STATISTICS:
        edf, weights = freedom_and_weights(terms, STATISTICS[name], factor, exponent)
        bias = 1.0
    else:
        form = EXTENDED["theo1" if name == MEASURED else name].form
        edf = form.freedom(terms, POINTS, factor, exponent, "exact")
        weights = form.weights(terms, POINTS, factor, exponent, edf)
        bias = form.bias(POINTS, factor, exponent, "exact")
    if name == MEASURED:
        (edf, weights), bias = corrected_weights(POINTS, factor, exponent, weights), 1.0
    distribution = ChiSquaredSums.of_weights(np.array([edf]), [weights])
    ends = [0.5 + sign * level / 2 for level in LEVELS for sign in (-1, 1)]
    return Law(edf=edf, bias=bias, quantiles=tuple(float(distribution.quantile(p)[0]) for p in ends))


def records(exponent: int, count: int) -> list[PhasePoints]:
    """Return simulated phase of one noise.

    Flicker PM is drawn from the covariance of its increments (spectrum cut off at half the sampling rate):
    the fractional sum of ``simulate_clock`` starts from nothing, which long averaging times notice.
    """
    if exponent == 1:
        lag = np.abs(np.arange(POINTS - 1)[:, np.newaxis] - np.arange(POINTS - 1)).astype(float)
        shape = [phase_kernel(np.abs(lag + step), 1) for step in (-1, 0, 1)]
        root = np.linalg.cholesky(2 * shape[1] - shape[0] - shape[2])
        increments = np.random.default_rng(1).standard_normal((count, POINTS - 1)) @ root.T
        return [PhasePoints.of(np.concatenate([[0.0], np.cumsum(row)])) for row in increments]
    levels = NOISES[exponent][1]
    clocks = (
        eb.simulate_clock(POINTS, interval_s=1.0, levels=levels, seed=seed, kind="phase")
        for seed in range(count)
    )
    return [PhasePoints.of(np.asarray(clock.values)) for clock in clocks]


def of_differences(kind: Statistic, factor: int, samples: PhasePoints) -> tuple[float, TermSum]:
    """Return the mean square of a difference statistic, and its terms."""
    if kind.averaged:
        terms = sum_of_squared_averages(samples, factor, kind.order)
    else:
        points, lag = (samples, factor) if kind.overlapping else (samples.decimated(factor), 1)
        terms = sum_of_squared_differences(points, lag, kind.order)
    return terms.total / terms.terms, terms


def raw_variances(name: str, factor: int, phases: list[PhasePoints]) -> tuple[np.ndarray, TermSum]:
    """Return the variances of all records, bias still in them, and the number of terms."""
    if name in STATISTICS:
        found = [of_differences(STATISTICS[name], factor, samples) for samples in phases]
        return np.array([value for value, _ in found]), found[0][1]
    form = EXTENDED["theo1" if name == MEASURED else name].form
    terms = [form.terms(samples, factor, "exact") for samples in phases]
    values = np.array([term.total for term in terms])
    if name == MEASURED:
        values = values / np.array([measured_ratio(samples) for samples in phases])
    return values, terms[0]


def shares(ratios: np.ndarray, laws: list[Law]) -> tuple[float, ...]:
    """Return how often the interval of each record holds the truth, from the variance over it."""
    ends = np.array([law.quantiles for law in laws])
    value = ratios / np.array([law.bias for law in laws])
    return tuple(
        float(np.mean((ends[:, 2 * i] <= value) & (value <= ends[:, 2 * i + 1]))) for i in range(len(LEVELS))
    )


def told_exponents(phases: list[PhasePoints], averaging: tuple[int, ...], order: int) -> np.ndarray:
    """Return the noise told from each record at these averaging factors, shape (records, factors)."""
    return np.array(
        [
            with_last_inherited(noise_exponents(samples, np.array(averaging), order=order))
            for samples in phases
        ]
    ).astype(int)


def truth(name: str, factor: int, exponent: int, values: np.ndarray) -> float:
    """Return the expectation: of Allan and Hadamard variances by the theory, of others the mean of all."""
    unit = white_pm_deviation(1.0, 1.0) ** 2 if exponent == 2 else 1.0
    if name in {"modified_allan", "time", "modified_total", "time_total", "parabolic"}:
        return float(np.mean(values))
    if name.startswith("theo1"):
        return unit * allan_variance(0.75 * factor, exponent)
    kind: Statistic | Extended = STATISTICS[name] if name in STATISTICS else EXTENDED[name]
    variance = (hadamard_variance if kind.order == 3 else allan_variance)(factor, exponent)
    divisor = {2: 2, 3: 6}[kind.order] * factor**2 if name in STATISTICS else 1
    return unit * variance * divisor


def factors_of(name: str) -> tuple[int, ...]:
    """Return the three averaging factors of a statistic; spans for Théo1."""
    return {"theo1": SPANS, MEASURED: HYBRID_SPANS}.get(name, FACTORS)


def cells(count: int) -> Iterator[Cell]:
    """Yield the coverage of every statistic under every noise."""
    names = [*STATISTICS, *EXTENDED, MEASURED]
    for exponent in NOISES:
        phases = records(exponent, count)
        told = {}
        for name in names:
            kind: Statistic | Extended = (
                STATISTICS.get(name) or EXTENDED["theo1" if name == MEASURED else name]
            )
            share = 0.75 if "theo1" in name else 1.0
            averaging = tuple(round(share * factor) for factor in factors_of(name))
            if (averaging, kind.order) not in told:
                told[averaging, kind.order] = told_exponents(phases, averaging, kind.order)
            for number, factor in enumerate(factors_of(name)):
                said = told[averaging, kind.order][:, number]
                values, terms = raw_variances(name, factor, phases)
                laws = {noise: law_of(name, factor, noise, terms) for noise in {exponent, *said.tolist()}}
                true = laws[exponent]
                ratios = values / truth(name, factor, exponent, values / true.bias)
                yield Cell(
                    statistic=name,
                    exponent=exponent,
                    factor=factor,
                    edf=true.edf,
                    known=shares(ratios, [true] * count),
                    told=shares(ratios, [laws[noise] for noise in said.tolist()]),
                    right=float(np.mean(said == exponent)),
                )


HEAD = """# Coverage of the intervals of the stability statistics

Share of {count} simulated records of {points} phase points whose nominal 68.3 % and 95 % intervals hold the
deviation that the noise has in expectation. Short, middle and long are averaging factors 2, 16 and 64 (a
quarter of the record); spans of 12, 32 and 128 samples of Théo1 (averaging times 9, 24 and 96), of 36, 64 and
128 of the last statistic, which is the hybrid with the bias measured in each record (`bias="published"`; with
the exact bias the hybrid is `overlapping_allan` and, from a tenth of the record, `theo1`). All other biases
are removed by their exact expectation.

A share of that many records scatters by 1.0 point (68.3 %) and 0.5 points (95 %). Bold: more than two points
off beyond twice this scatter.

Written by `test_stability_coverage_table.py`.

## The noise is known

This is what the intervals are: the distribution of the statistic under that noise. They hold the truth as
often as they say. The one exception is the measured ratio under phase noise, which depends on the averaging
time: a finding (`RATIO_DOES_NOT_FIT`) says by how much it is off.

"""
TOLD = """
## The noise is told from each record

As in `stability()`. Beside each pair: in how many records the noise told at that averaging time is the true
one (told at the middle averaging time it is inherited by the long one). Where a neighbouring noise is told
instead, its degrees of freedom are taken, and of the total family and Théo1 its bias is removed. All but
Théo1 bear it. The bias of Théo1 differs between all noises, and its many degrees of freedom make the interval
narrow beside that difference: its intervals hold the truth in 57 to 69 % and 83 to 95 % of the records.

"""


def written(found: list[Cell], count: int) -> str:
    """Return both tables."""
    known = _table(found, lambda cell: (f"{cell.edf:.1f}", cell.known), "edf")
    told = _table(found, lambda cell: (f"{100 * cell.right:.0f}", cell.told), "told")
    return HEAD.format(count=count, points=POINTS) + known + TOLD + told


def _table(found: list[Cell], entry: Callable[[Cell], tuple[str, tuple[float, ...]]], what: str) -> str:
    lengths = [f"{what}, {length} | 68.3 % | 95 %" for length in ("short", "middle", "long")]
    lines = [f"| statistic | noise | {' | '.join(lengths)} |", "|---|---|" + "---|---|---|" * 3]
    rows: dict[tuple[str, int], list[str]] = {}
    for cell in found:
        first, pair = entry(cell)
        mark = "" if within(pair, 2, scatters=2) else "**"
        texts = [first, *(f"{mark}{100 * share:.1f}{mark}" for share in pair)]
        rows.setdefault((cell.statistic, cell.exponent), []).append(" | ".join(texts))
    for name in dict.fromkeys(cell.statistic for cell in found):
        lines += [
            f"| {name} | {noise} | {' | '.join(rows[name, exponent])} |"
            for exponent, (noise, _) in NOISES.items()
        ]
    return "\n".join(lines) + "\n"


def within(pair: tuple[float, ...], points: float, *, scatters: float) -> bool:
    """Return whether both shares are this near to what they should be, within so many of their scatters."""
    return all(
        abs(share - level) <= points / 100 + scatters * np.sqrt(level * (1 - level) / RECORDS)
        for share, level in zip(pair, LEVELS, strict=True)
    )


def test_intervals_hold_in_a_few_records() -> None:
    """A hundred records: the 95 % intervals of the total deviation and Théo1 hold in 86 of them or more."""
    # binomial: a true 95 % falls below 86 of 100 once in several thousand times
    phases = records(-1, 100)
    for name, factor in (("total", 16), ("theo1", 32)):
        values, terms = raw_variances(name, factor, phases)
        law = law_of(name, factor, -1, terms)
        ratios = values / truth(name, factor, -1, values / law.bias)
        assert shares(ratios, [law] * 100)[1] >= 0.86


@pytest.mark.slow
def test_coverage_of_every_statistic() -> None:
    """Within two points everywhere where the noise is known, where it is told except for Théo1."""
    found = list(cells(RECORDS))
    TABLE.write_text(written(found, RECORDS), encoding="utf-8")
    for cell in found:
        if cell.statistic == MEASURED and cell.exponent > 0:
            continue  # one ratio for all averaging times does not fit: a finding says so
        assert within(cell.known, 2, scatters=3), cell
        if "theo1" not in cell.statistic:
            assert within(cell.told, 2, scatters=3), cell
