"""What a record can determine: steps and influences that can be told apart, and in words those that cannot.

What is kept first is the offset, then aging, then steps, then the environment, then waves. A covariate
that changes only beside a step, within a block of it, cannot be told apart from it: nobody knows the
moment of either more exactly.

A column counts as told apart from those before it if more than ``TOLD_APART`` of its length is left once
they are taken out; less would inflate the variance of its coefficient more than 10¹⁰-fold. Source: QR
factorisation and rank decision on scaled columns, Golub & Van Loan, Matrix Computations, 5.4.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np
import numpy.typing as npt

from evenbeat.clock.aging import AgingLaw
from evenbeat.clock.blocks import Blocks
from evenbeat.clock.covariance import Spans
from evenbeat.clock.design import after_steps, wave_over
from evenbeat.clock.environment import Influence
from evenbeat.findings import Finding, caution
from evenbeat.quantities import FloatArray
from evenbeat.units import SECONDS_PER_DAY, SECONDS_PER_YEAR, duration_text

WAVES = {SECONDS_PER_DAY: "daily", SECONDS_PER_YEAR: "yearly"}
STANDS_STILL = 1e-9
"""Spread of a covariate, relative to one more than its mean, up to which it counts as constant."""
NOTICED = 0.05
"""Share of a column's spread from which another one is named as what it cannot be told apart from."""


@dataclass(frozen=True, eq=False, kw_only=True)
class Asked:
    """What a clock model is asked to tell apart besides its offset and aging.

    Attributes
    ----------
    step_times
        In units of the record length.
    not_determined
        Covariates that were asked for and are left out, with the sentence that says why.
    findings
        What is left out, and why.
    """

    influences: tuple[Influence, ...]
    step_times: tuple[float, ...]
    waves_s: tuple[float, ...] = ()
    not_determined: Mapping[str, str] = field(default_factory=dict)
    findings: tuple[Finding, ...] = ()

    def without(self, name: str, why: str) -> Asked:
        """Return it without a covariate."""
        sentence = f"The influence of {name} is not determined: {why}."
        finding = caution("INFLUENCE_NOT_DETERMINED", sentence, covariate=name)
        return replace(
            self,
            influences=tuple(each for each in self.influences if each.name != name),
            not_determined={**self.not_determined, name: sentence},
            findings=(*self.findings, finding),
        )


@dataclass(frozen=True, eq=False, kw_only=True)
class _Column:
    """One column of a trend: what it belongs to, which power of it, and its words."""

    kind: str
    place: int = 0
    power: int = 1
    words: str
    values: FloatArray


def changing(asked: Asked, covariates: Mapping[str, FloatArray]) -> Asked:
    """Return what is asked without covariates whose block averages are all the same."""
    for influence in asked.influences:
        column = covariates[influence.name]
        if not float(np.std(column)) > STANDS_STILL * (1 + abs(float(np.mean(column)))):
            asked = asked.without(influence.name, f"it is {column[0]:g} throughout")
    return asked


def told_apart(
    asked: Asked,
    laws: Sequence[AgingLaw],
    blocks: Blocks,
    acting: Sequence[Sequence[FloatArray]],
    *,
    record_s: float,
) -> Asked:
    """Return what is asked without what the record cannot tell apart from what is kept before it.

    What is asked itself is returned where nothing is left out.

    Parameters
    ----------
    acting
        For each set of lags that counts, the powers of each influence over the blocks, shape (n, order), or
        (n, 0) where it is not to be judged yet.
    """
    if not (asked.step_times or asked.influences or asked.waves_s):
        return asked
    spans = blocks.spans.scaled(1 / record_s)
    lost: dict[tuple[str, int], tuple[_Column, list[str]]] = {}
    for aging in _agings(laws, spans):
        for acts in acting:
            columns = [*aging, *_others(asked, spans, acts, block=blocks.length_s, record_s=record_s)]
            values = np.array([each.values for each in columns]).reshape(len(columns), len(spans))
            ranks = ranked(values.T)
            for column in itertools.compress(columns, ~ranks.kept):
                key = column.kind, column.place
                if column.kind in ("law", "beside"):
                    continue
                if key not in lost or column.power < lost[key][0].power:
                    lost[key] = column, _explaining(column, columns, ranks.least_squares(column.values)[1])
    if not lost:
        return asked
    for (kind, _), (column, parts) in lost.items():
        if kind == "step":
            asked = _without_step(asked, column, parts)
        elif kind == "influence":
            asked = _without_influence(asked, column, parts)
        elif kind == "wave":
            asked = _without_wave(asked, column, parts)
    waves = tuple(period for place, period in enumerate(asked.waves_s) if ("wave", place) not in lost)
    kept = tuple(time for place, time in enumerate(asked.step_times) if ("step", place) not in lost)
    return replace(asked, step_times=kept, waves_s=waves)


def _agings(laws: Sequence[AgingLaw], spans: Spans) -> Iterator[list[_Column]]:
    """Yield the columns of every law at every curvature at which its search starts."""
    for law in laws:
        for curvature in itertools.product(*law.axes):
            means = law.mean_over(spans.start, spans.stop, curvature)
            yield [_Column(kind="law", words="the aging", values=each) for each in means.T]


def _others(
    asked: Asked, spans: Spans, acts: Sequence[FloatArray], *, block: float, record_s: float
) -> Iterator[_Column]:
    """Yield the columns of steps, of the blocks beside them, of influences and of waves."""
    names = [f"the step {duration_text(time * record_s)} into the record" for time in asked.step_times]
    for place, column in enumerate(after_steps(asked.step_times, spans).T):
        yield _Column(kind="step", place=place, words=names[place], values=column)
    judged = any(powers.shape[1] for powers in acts)
    for place, time in enumerate(asked.step_times) if judged else ():
        beside = (spans.stop > time - block / record_s) & (spans.start < time + block / record_s)
        for column in np.eye(len(spans))[beside]:
            yield _Column(kind="beside", place=place, words=names[place], values=column)
    for place, (influence, powers) in enumerate(zip(asked.influences, acts, strict=True)):
        for power, column in enumerate(powers.T, start=1):
            yield _Column(kind="influence", place=place, power=power, words=influence.name, values=column)
    for place, period in enumerate(asked.waves_s):
        for column in wave_over(record_s / period, spans).T:
            yield _Column(kind="wave", place=place, words=f"the {WAVES[period]} wave", values=column)


def _explaining(lost: _Column, columns: Sequence[_Column], shares: FloatArray) -> list[str]:
    """Return the words of what a column that was lost is made of."""
    size = NOTICED * float(np.std(lost.values))
    parts = [
        each.words
        for each, share in zip(columns, shares, strict=True)
        if abs(share) * float(np.std(each.values)) > size
    ]
    return list(dict.fromkeys(parts))


def _without_step(asked: Asked, step: _Column, parts: Sequence[str]) -> Asked:
    others = " and ".join(parts)
    if all(part.startswith("the step") for part in parts):
        sentence = f"Of {step.words} and {others} the averages see only one change; they count as one step."
    else:
        sentence = f"A change at {step.words} cannot be told apart from {others}; it is attributed to that."
    finding = caution("STEP_NOT_DETERMINED", sentence)
    return replace(asked, findings=(*asked.findings, finding))


def _without_influence(asked: Asked, column: _Column, parts: Sequence[str]) -> Asked:
    name, others = column.words, " and ".join(parts)
    if column.power == 1 and all(part.startswith("the step") for part in parts):
        why = (
            f"it changes only where {others} comes, and the two cannot be told apart. The change is "
            f"attributed to the step; change {name} on purpose at another time to tell"
        )
        return asked.without(name, why)
    if column.power == 1:
        why = f"it moves just as {others} does, and they cannot be told apart: all of it counts as {others}"
        return asked.without(name, why)
    order = column.power - 1
    sentence = f"{name} takes too few values to show a curve; its influence is fitted to order {order} only."
    finding = caution("INFLUENCE_OF_LOWER_ORDER", sentence)
    fitted = [replace(each, order=order) if each.name == name else each for each in asked.influences]
    return replace(asked, influences=tuple(fitted), findings=(*asked.findings, finding))


def _without_wave(asked: Asked, wave: _Column, parts: Sequence[str]) -> Asked:
    sentence = (
        f"{wave.words.capitalize()} is not determined: {' and '.join(parts)} moves just as it does, and all "
        "of it counts as that."
    )
    finding = caution("WAVE_NOT_DETERMINED", sentence)
    return replace(asked, findings=(*asked.findings, finding))


TOLD_APART = 1e-5


@dataclass(frozen=True, eq=False, kw_only=True)
class Ranked:
    """The columns that can be told apart, and their QR factorisation beside the constant, if there is one.

    Attributes
    ----------
    kept
        Shape (p,).
    basis, triangle
        Q of shape (n, r) and R of shape (r, r) of the constant and the columns that are kept.
    """

    kept: npt.NDArray[np.bool_]
    basis: FloatArray
    triangle: FloatArray

    def least_squares(self, values: FloatArray) -> tuple[float, FloatArray]:
        """Return the constant and the coefficients of all columns, shape (p,), zero of those not kept.

        Not valid without a constant.
        """
        solution = np.linalg.solve(self.triangle, self.basis.T @ values)
        coefficients = np.zeros(len(self.kept))
        coefficients[self.kept] = solution[1:]
        return float(solution[0]), coefficients


def ranked(columns: FloatArray, *, constant: bool = True) -> Ranked:
    """Return which columns, shape (n, p), can be told apart from those before them.

    Parameters
    ----------
    constant
        Whether a constant comes before all of them.
    """
    first = int(constant)
    beside = np.empty((len(columns), first + columns.shape[1]))
    beside[:, :first], beside[:, first:] = 1.0, columns
    least = TOLD_APART * np.sqrt(np.einsum("np,np->p", beside, beside))
    kept = np.arange(len(least))
    while True:
        basis, triangle = np.linalg.qr(beside[:, kept])
        left = np.abs(np.diagonal(triangle))
        same = np.flatnonzero(left <= least[kept[: len(left)]])
        if not len(same) and len(left) < len(kept):
            same = np.array([len(left)])  # more columns than rows
        if not len(same):
            found = np.zeros(columns.shape[1], dtype=bool)
            found[kept[first:] - first] = True
            return Ranked(kept=found, basis=basis, triangle=triangle)
        kept = np.delete(kept, same[0])


@dataclass(frozen=True, eq=False, kw_only=True)
class Inverted:
    """The inverse of normal equations on what they tell apart.

    Attributes
    ----------
    inverse
        Shape (…, q, q).
    rank
        Number of directions that are told apart, shape (…).
    log_determinant
        Of the information in these directions, shape (…).
    """

    inverse: FloatArray
    rank: npt.NDArray[np.int_]
    log_determinant: FloatArray


def inverted(information: FloatArray, size: FloatArray) -> Inverted:
    """Return the inverse of information matrices, shape (…, q, q), that may be singular.

    Parameters
    ----------
    size
        Squared lengths of the columns before anything was taken out of them, shape (…, q).
    """
    unit = np.sqrt(np.where(size > 0, size, 1.0))
    values, vectors = np.linalg.eigh(information / (unit[..., :, np.newaxis] * unit[..., np.newaxis, :]))
    told = values > TOLD_APART**2
    over = np.where(told, 1 / np.where(told, values, 1.0), 0.0)
    inverse = (vectors * over[..., np.newaxis, :]) @ np.swapaxes(vectors, -1, -2)
    logs = np.where(told, np.log(np.where(told, values, 1.0)), 0.0) + 2 * np.log(unit)
    return Inverted(
        inverse=inverse / (unit[..., :, np.newaxis] * unit[..., np.newaxis, :]),
        rank=told.sum(axis=-1),
        log_determinant=logs.sum(axis=-1),
    )
