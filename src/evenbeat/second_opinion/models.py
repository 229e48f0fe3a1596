"""A clock model recomputed by scipy and statsmodels: what is compared, and what cannot be."""

from __future__ import annotations

import importlib.util
from dataclasses import dataclass
from typing import TYPE_CHECKING

from evenbeat.errors import InputError
from evenbeat.findings import Finding
from evenbeat.plain import Plain
from evenbeat.result import Column, Result

if TYPE_CHECKING:
    from evenbeat.clock.model import ClockModel
    from evenbeat.quantities import FloatArray, StudentMixture
    from evenbeat.record import Record
    from evenbeat.second_opinion.dense import Point, Recomputed

AGREEMENT = 1e-6
"""Relative difference below which two computations of one answer count as the same: dense covariances of a
few hundred blocks leave eight or nine digits."""
AHEAD = (0.1, 1.0)
"""Record lengths over which mean frequencies ahead are compared."""


@dataclass(frozen=True, kw_only=True)
class Compared(Plain):
    """One number of the model beside its recomputation.

    ``relative_difference`` of a mean is relative to it or to its uncertainty, whichever is larger; that of
    the logarithm of a likelihood to it or to one, because a difference of logarithms is already a ratio.
    """

    quantity: str
    by: str
    ours: float
    theirs: float
    relative_difference: float


@dataclass(frozen=True, eq=False, kw_only=True, repr=False)
class ModelCrosscheck(Result):
    """A clock model beside its independent recomputation, made by :func:`evenbeat.crosscheck`.

    Attributes
    ----------
    comparisons
        The numbers compared, SI units.
    points
        Number of points of the posterior that were computed anew, all of those the model keeps.
    largest_relative_difference
        Over all comparisons.
    sentence
        The outcome in words.
    findings
        The outcome, and what could not be compared.
    """

    comparisons: tuple[Compared, ...]
    points: int
    largest_relative_difference: float
    sentence: str

    _row_objects = "comparisons"
    _also = ("agrees",)

    @property
    def agrees(self) -> bool:
        """Whether all that was compared is the same number."""
        return self.largest_relative_difference <= AGREEMENT

    def _columns(self) -> tuple[Column, ...]:
        return (
            Column("quantity", heading="quantity"),
            Column("by", heading="by"),
            Column("ours", heading="evenbeat", form=".4e"),
            Column("theirs", heading="other", form=".4e"),
            Column("relative_difference", heading="difference", form=".0e"),
        )

    def _headline(self) -> str:
        return self.sentence


def check_model(model: ClockModel, record: Record) -> ModelCrosscheck:
    """Return a clock model beside its recomputation by scipy and, where it can, by statsmodels.

    Parameters
    ----------
    model
        Made by :func:`evenbeat.fit_clock` from ``record``.
    record
        The record the model was made from.

    Raises
    ------
    InputError
        If the model was not made from this record.

    Notes
    -----
    At every point of the posterior that the model keeps, generalized least squares and the best linear
    unbiased prediction are done again: dense factorisations of scipy under covariances of white PM, white FM
    and random-walk FM that are written down anew, with other contrasts. Restricted likelihoods, aging rate
    and mean frequency ahead (standard uncertainty included, mixed over the posterior) are compared. The
    likelihood of points without flicker FM and white PM is computed a third time by the exact diffuse Kalman
    filter of statsmodels, where that is installed.

    Taken from the model, not checked: block averages, flags, lags, weights of prior and aging laws; the
    covariance of flicker FM, for which no library has a state-space form, and of readings with dead time;
    what calibrations, the reference, the future environment and the display add.
    """
    _check_same_record(model, record)
    from evenbeat.deviations.sums.kernels import one_thread

    with one_thread():
        again, rates, forecasts = _recomputed(model)
        comparisons = [_likelihoods(model, again), *rates, *forecasts]
        left_out = []
        if importlib.util.find_spec("statsmodels") is None:
            left_out.append("statsmodels is not installed, so that no state-space likelihood was compared")
        elif model.blocks.gating is not None:
            left_out.append("readings with dead time have no state-space form in statsmodels")
        else:
            comparisons.insert(1, _state_space(model))
    largest = max(each.relative_difference for each in comparisons)
    outcome = _outcome(largest, len(again))
    return ModelCrosscheck(
        comparisons=tuple(comparisons),
        points=len(again),
        largest_relative_difference=largest,
        sentence=outcome.sentence,
        findings=(outcome, _not_compared(model, left_out)),
    )


def _check_same_record(model: ClockModel, record: Record) -> None:
    import numpy as np

    same = record is model.record or (
        record.kind == model.record.kind
        and record.interval_s == model.record.interval_s
        and np.array_equal(record.values, model.record.values, equal_nan=True)
    )
    if not same:
        msg = (
            f"the model was made from another record ({len(model.record)} samples every "
            f"{model.record.interval_s:g} s) than the one given ({len(record)} every {record.interval_s:g} s)"
        )
        raise InputError(msg)


def _recomputed(
    model: ClockModel,
) -> tuple[dict[tuple[int, Point], Recomputed], list[Compared], list[Compared]]:
    """Return every point of the posterior computed anew, and the comparisons of rate and mean frequency."""
    import numpy as np

    from evenbeat.clock.covariance import Spans
    from evenbeat.clock.prediction import Targets, predict, predict_rate
    from evenbeat.second_opinion.dense import DenseModel

    ahead = Spans(start=np.ones(len(AHEAD)), stop=1 + np.array(AHEAD))
    designs = model._designs(ahead)
    dense = DenseModel(model, ahead, designs)
    wanted: dict[Point, set[int]] = {}
    for component in model.components:
        wanted.setdefault((component.node, component.walk), set()).add(component.variant)
    again = {
        (variant, point): fit
        for point, variants in wanted.items()
        for variant, fit in dense.at(point, tuple(sorted(variants))).items()
    }
    parts = [again[c.variant, (c.node, c.walk)] for c in model.components]
    ours = predict(
        model.grid,
        (model.blocks.frequency - model.blocks.frequency.mean()) / model.scale,
        Targets(spans=ahead, designs=designs),
        variants=model.variants,
        components=model.components,
    )
    means, spread = _mixed(model, np.array([p.means for p in parts]), np.array([p.variances for p in parts]))
    mixture = ours.distribution.scaled(model.scale)
    forecasts = []
    for k, reach in enumerate(AHEAD):
        forecasts += _pair(
            f"frequency, {reach:g} record ahead",
            (float(mixture.mean[k]), float(mixture.standard_deviation[k])),
            (model.scale * float(means[k]), model.scale * float(spread[k])),
            shift=float(model.blocks.frequency.mean()),
        )
    rate = predict_rate(
        model.grid,
        (model.blocks.frequency - model.blocks.frequency.mean()) / model.scale,
        1.0,
        variants=model.variants,
        components=model.components,
    )
    return again, _rates(model, parts, rate.scaled(model.scale / model.record.duration_s)), forecasts


def _rates(model: ClockModel, parts: list[Recomputed], ours: StudentMixture) -> list[Compared]:
    import numpy as np

    from evenbeat.clock.prediction import least_known

    locations = [part.rate for part in parts]
    variances = [
        max(part.rate_variance, least_known(model.grid, model.variants[component.variant], component) ** 2)
        for component, part in zip(model.components, parts, strict=True)
    ]
    if not np.any(variances):
        return []
    factor = model.scale / model.record.duration_s
    mean, spread = _mixed(model, np.array(locations), np.array(variances))
    return _pair(
        "aging rate at the end [/s]",
        (float(ours.mean), float(ours.standard_deviation)),
        (factor * float(mean), factor * float(spread)),
    )


def _mixed(model: ClockModel, means: FloatArray, variances: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return mean and standard deviation of the mixture of Student-t distributions, by its moments."""
    import numpy as np

    weight = np.array([component.weight for component in model.components])
    freedom = np.array([model.variants[c.variant].fit.degrees_of_freedom for c in model.components])
    heavier = weight * freedom / (freedom - 2)
    mean = np.tensordot(weight, means, axes=1)
    within = np.tensordot(heavier, variances, axes=1)
    return mean, np.sqrt(within + np.tensordot(weight, (means - mean) ** 2, axes=1))


def _pair(
    name: str, ours: tuple[float, float], theirs: tuple[float, float], *, shift: float = 0.0
) -> list[Compared]:
    """Return the comparison of a mean, relative to it or to its uncertainty, and of the uncertainty."""
    size = max(abs(theirs[0]), theirs[1])
    return [
        Compared(
            quantity=name,
            by="scipy",
            ours=ours[0] + shift,
            theirs=theirs[0] + shift,
            relative_difference=abs(ours[0] - theirs[0]) / size,
        ),
        Compared(
            quantity="  standard uncertainty",
            by="scipy",
            ours=ours[1],
            theirs=theirs[1],
            relative_difference=abs(ours[1] / theirs[1] - 1),
        ),
    ]


def _likelihoods(model: ClockModel, again: dict[tuple[int, Point], Recomputed]) -> Compared:
    """Return the log restricted likelihood less that of the likeliest point, where it differs most."""
    best = model.components[0]
    first = best.variant, (best.node, best.walk)

    def ours(key: tuple[int, Point]) -> float:
        return float(model.variants[key[0]].fit.log_restricted[key[1]])

    pairs = [
        (ours(key) - ours(first), fit.log_restricted - again[first].log_restricted)
        for key, fit in again.items()
        # likelihoods with other columns are not compared by the model either: laws have weights of their own
        if model.variants[key[0]].law.name == model.variants[first[0]].law.name
    ]
    return _farthest("log likelihood", "scipy", pairs)


def _state_space(model: ClockModel) -> Compared:
    """Return the same for every random walk beside white FM alone, under the first variant."""
    from evenbeat.second_opinion.state_space import diffuse_log_likelihood

    fit = model.variants[0].fit
    node = next(k for k, each in enumerate(model.grid.nodes) if each.flicker_fm == each.white_pm == 0)
    y = (model.blocks.frequency - model.blocks.frequency.mean()) / model.scale
    ours, theirs = [], []
    for k, ratio in enumerate(model.grid.ratios.random_walk_fm):
        level = float(fit.level[node, k])
        # at its own estimate of σ² the likelihood is that with σ² integrated out, but for a constant
        ours.append(float(fit.log_restricted[node, k]))
        theirs.append(
            diffuse_log_likelihood(
                y,
                model.variants[0].design,
                model.grid.spans,
                unit=model.grid.block,
                level=level,
                walk_ratio=ratio,
            )
        )
    top = max(range(len(ours)), key=ours.__getitem__)
    pairs = [(a - ours[top], b - theirs[top]) for a, b in zip(ours, theirs, strict=True)]
    return _farthest("  of a state-space model", "statsmodels", pairs)


def _farthest(name: str, by: str, pairs: list[tuple[float, float]]) -> Compared:
    def difference(pair: tuple[float, float]) -> float:
        return float(abs(pair[0] - pair[1]) / max(1.0, abs(pair[1])))

    ours, theirs = max(pairs, key=difference)
    return Compared(
        quantity=name, by=by, ours=ours, theirs=theirs, relative_difference=difference((ours, theirs))
    )


def _outcome(largest: float, points: int) -> Finding:
    values: dict[str, float | int | str] = {"points": points, "largest_relative_difference": largest}
    if largest <= AGREEMENT:
        sentence = (
            f"Independent computation agrees with the clock model within {largest:.1e} "
            f"({points} points of its posterior)."
        )
        return Finding(code="CROSSCHECK_AGREES", severity="good", sentence=sentence, values=values)
    sentence = (
        f"Independent computation differs from the clock model by up to {largest:.1e} "
        f"({points} points of its posterior)."
    )
    return Finding(code="CROSSCHECK_DIFFERS", severity="caution", sentence=sentence, values=values)


def _not_compared(model: ClockModel, left_out: list[str]) -> Finding:
    taken = ["block averages", "flags", "prior"]
    if model.trend.influences:
        taken.append("lags and the environment to come")
    if model.blocks.gating is not None:
        taken.append("the covariance of readings with dead time")
    else:
        taken.append("the covariance of flicker FM, for which no library has a state-space form")
    if len(model.laws) > 1:
        taken.append("weights of aging laws")
    if type(model).__name__ != "ClockModel":
        taken.append("what calibrations and the reference add")
    rest = "".join(f"; {each}" for each in left_out)
    sentence = f"Taken as they are and not checked: {', '.join(taken)}{rest}."
    return Finding(code="CROSSCHECK_PARTIAL", severity="note", sentence=sentence)
