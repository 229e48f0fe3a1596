"""What a record says of aging laws and of its own forecasts: weights, whether bands held, what is left.

The nonlinear parameters of a law are profiled over a grid that is refined where the likelihood changes,
and mixed over it; laws are weighted by AICc, which is computed from the likelihood at its maximum (not
the restricted one, whose value depends on the columns). Beside it stands a score of forecasts made
within the record.

Differences of neighbouring averages, in the order of time, become independent through the Cholesky
factor of their covariance, of which the first k depend on the first k + 1 averages alone. So one
factorisation tells what would have been predicted at every moment of the record: the trend and the level
of the noise from what came before, the noise ratios as the whole record sees them. A step that is still
to come has the size that the whole record gives it: nobody could have told of it.

Source: rolling-origin evaluation, Tashman 2000 (International Journal of Forecasting 16, 437); log
score, Good 1952; probability integral transform, Dawid 1984. Not valid as a test of what the whole
record alone shows, such as which noise there is: :func:`evenbeat.backtest` fits anew at every moment.

Bands are never narrowed: a record too short to be tested, or a clock that happened to be quiet, earns no
sharper forecast. The factor is λ = max(1, √((5 + Σ w z²)/(5 + Σ w))) over all forecasts within the
record, with z the normal deviate of the outcome under the forecast (held within 6) and w the share of
its time that no neighbouring one covers: a prior worth five forecasts that came out as stated. Own
derivation; measured in ``tests/coverage/real_clocks.md``.

Under the fitted model every new average differs from its best prediction by independent amounts of one
size. Innovations that repeat each other show noise outside the model; those that become smaller or
larger for good show that the clock changed: another oscillator, a loop that closed, a repair. Sources:
Kailath 1968; portmanteau test, Ljung & Box 1978; rank test for a difference of size, Mann & Whitney
1947, over all divisions with both parts long enough.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from scipy import linalg, special

from evenbeat.clock.aging import AgingLaw, Curvature
from evenbeat.clock.noise_grid import GridFit, NoiseGrid
from evenbeat.clock.prediction import Component, Variant
from evenbeat.findings import Finding, caution, good, note
from evenbeat.logs.display import display_step
from evenbeat.plain import Plain
from evenbeat.quantities import DEFAULT_CONFIDENCE, FloatArray, StudentMixture
from evenbeat.record import Record
from evenbeat.units import duration_text, percent

MOST_CURVATURES = 48
MOST_FITS = 150
EXCLUDED = 12.0
"""Log likelihood below the top from which a curvature is no longer looked at when there are too many."""
LOG_LIKELIHOOD_THAT_MATTERS = 4.0
LARGEST_JUMP = 0.7
NOT_REJECTED = 6.0
"""AICc difference up to which a law counts as one that the data cannot reject (Burnham & Anderson 2002,
2.6: 'considerably less' support begins at 4 to 7)."""
CLEARLY_BETTER = 2.0
"""Difference of mean log score from which a law predicted the record clearly better than another."""


@dataclass(frozen=True, kw_only=True)
class LawWeight(Plain):
    """How well one aging law does beside the others.

    Attributes
    ----------
    aicc_difference
        To the smallest AICc of all laws.
    weight
        exp(-difference/2), normalised (Akaike weight).
    forecast_error
        Root mean square of what the law missed in forecasts within the record, fractional frequency;
        NaN where the record is too short for them.
    forecast_score
        Mean log predictive density of the same forecasts, relative to the best law: zero or negative.
    """

    law: str
    aicc_difference: float
    weight: float
    forecast_error: float = math.nan
    forecast_score: float = math.nan

    @property
    def rejected(self) -> bool:
        """Whether the data speak clearly against the law."""
        return self.aicc_difference > NOT_REJECTED


def searched(
    law: AgingLaw, fitted: Callable[[AgingLaw, list[Curvature]], Iterable[Variant]]
) -> list[Variant]:
    """Fit a law over its grid, refined until the likelihood changes little between points that matter."""
    axes = [list(axis) for axis in law.axes]
    found: dict[Curvature, Variant] = {}
    while True:
        points = list(itertools.product(*axes))
        if new := [point for point in points if point not in found]:
            found.update(zip(new, fitted(law, new), strict=True))
        scores = np.array([best(found[point].fit) for point in points]).reshape([len(axis) for axis in axes])
        axis, jumps = _widest_jumps(scores)
        if not jumps or len(found) >= MOST_FITS:
            break
        if len(points) >= MOST_CURVATURES:
            axes, before = _where_it_matters(axes, scores), axes
            if axes == before:
                break
            continue
        values = axes[axis]
        axes[axis] = sorted([*values, *(math.sqrt(values[k] * values[k + 1]) for k in jumps)])
    widths = np.ones(1)
    for axis_values in axes:
        widths = np.multiply.outer(widths, np.gradient(np.log(axis_values)))
    return [
        replace(found[point], width=float(width)) for point, width in zip(points, widths.ravel(), strict=True)
    ]


def _where_it_matters(axes: list[list[float]], scores: FloatArray) -> list[list[float]]:
    """Return the axes without those values, but for one on either side, that the likelihood excludes."""
    kept = []
    for axis, values in enumerate(axes):
        profile = scores.max(axis=tuple(other for other in range(scores.ndim) if other != axis))
        likely = np.flatnonzero(profile > scores.max() - EXCLUDED)
        kept.append(values[max(likely[0] - 1, 0) : likely[-1] + 2])
    return kept


def _widest_jumps(scores: FloatArray) -> tuple[int, list[int]]:
    """Return the axis along which the profile likelihood jumps most, and after which values."""
    widest, axis, places = LARGEST_JUMP, 0, []
    top = scores.max()
    for along in range(scores.ndim):
        profile = scores.max(axis=tuple(other for other in range(scores.ndim) if other != along))
        matters = profile > top - LOG_LIKELIHOOD_THAT_MATTERS
        change = np.abs(np.diff(np.maximum(profile, top - 20)))
        jump = np.where(matters[1:] | matters[:-1], change, 0.0)
        if len(jump) and jump.max() > widest:
            widest, axis, places = float(jump.max()), along, np.flatnonzero(jump > LARGEST_JUMP).tolist()
    return axis, places


def best(fit: GridFit) -> float:
    """Return the largest log likelihood over the noise levels of a clock whose drift does not wander.

    One that does follows any law, and would make all of them alike.
    """
    return float(fit.log_likelihood[: fit.walks].max())


def curvature_shares(group: Sequence[Variant]) -> FloatArray:
    """Return the weight of every curvature of one law: likelihood times its width in the logarithm."""
    scores = np.array([best(variant.fit) for variant in group])
    shares = np.array([variant.width for variant in group]) * np.exp(scores - scores.max())
    return np.asarray(shares / shares.sum())


def by_law(variants: Sequence[Variant]) -> dict[str, list[Variant]]:
    """Return the variants of each law, in order."""
    groups: dict[str, list[Variant]] = {}
    for variant in variants:
        groups.setdefault(variant.law.name, []).append(variant)
    return groups


def aicc(log_likelihood: float, k: int, observations: int) -> float:
    """Return -2 ln L + 2k + 2k(k + 1)/(n - k - 1) of k parameters (Hurvich & Tsai 1989)."""
    return -2 * log_likelihood + 2 * k + 2 * k * (k + 1) / max(observations - k - 1, 1)


def weigh_laws(variants: Sequence[Variant], *, observations: int, noise_levels: int) -> tuple[LawWeight, ...]:
    """Compare the aging laws by AICc of the likelihood at its maximum, beside so many noise levels.

    Not valid as a probability that a law is true: none of them is, and none knows the future.
    """
    groups = by_law(variants)
    scores = []
    for group in groups.values():
        k = group[0].design.shape[1] + len(group[0].curvature) + noise_levels
        scores.append(aicc(max(best(v.fit) for v in group), k, observations))
    weights = np.exp(-0.5 * (np.array(scores) - min(scores)))
    weights /= weights.sum()
    return tuple(
        LawWeight(law=name, aicc_difference=score - min(scores), weight=float(weight))
        for name, score, weight in zip(groups, scores, weights, strict=True)
    )


def means_by_law(
    distribution: StudentMixture,
    law_of_part: Sequence[str],
    laws: Sequence[LawWeight],
) -> dict[str, FloatArray]:
    """Return the mean under each law that the data do not reject, shape (m,), the most likely first."""
    law_of = np.array(law_of_part)
    means = {}
    for law in sorted(laws, key=lambda law: law.aicc_difference):
        weights = np.where(law_of == law.law, distribution.weights, 0.0)
        if not law.rejected and weights.any():
            means[law.law] = np.asarray(distribution.locations @ weights / weights.sum())
    return means


def law_findings(laws: Sequence[LawWeight]) -> list[Finding]:
    """Return the weights in words, and a caution where another law has predicted the record better."""
    if len(laws) < 2:
        return []
    shown = sorted(laws, key=lambda law: -law.weight)
    shares = ", ".join(f"{spoken(law.law)} {percent(law.weight)}" for law in shown if law.weight >= 0.005)
    sentence = f"Forecasts average over the aging laws by their AICc weight: {shares}."
    weights = {law.law: law.weight for law in laws}
    findings = [note("AGING_LAWS_AVERAGED", sentence, **weights)]
    leader = shown[0]
    closest = max(laws, key=lambda law: -math.inf if math.isnan(law.forecast_score) else law.forecast_score)
    if closest.forecast_score - leader.forecast_score > CLEARLY_BETTER:
        sentence = (
            f"The {spoken(leader.law)} law fits the record best, but within it forecasts by the "
            f"{spoken(closest.law)} law came closer ({closest.forecast_error:.1e} against "
            f"{leader.forecast_error:.1e} rms): the aging changed its course, so trust no long forecast."
        )
        findings.append(
            caution(
                "AGING_LAWS_DISAGREE", sentence, fits=leader.forecast_error, predicts=closest.forecast_error
            )
        )
    return findings


def spoken(law: str) -> str:
    """Return the name of a law in words."""
    return law.replace("_", " ")


LAW_ORIGINS, LAW_AHEAD = (0.5, 0.6, 0.7, 0.8), (0.2,)
ORIGINS = (0.33, 0.5, 0.67, 0.83)
FEWEST_BEFORE = 8
FEWEST_FREE = 4
MOST_POINTS = 16
"""Sets of noise ratios under which the record is tested: the likeliest."""
ENOUGH = 0.9


def with_forecast_scores(
    laws: Sequence[LawWeight], grid: NoiseGrid, y: FloatArray, variants: Sequence[Variant], scale: float
) -> tuple[LawWeight, ...]:
    """Return the weights with error and score of each law's forecasts of ``y`` (in units of ``scale``)."""
    groups = by_law(variants)
    ordered = _InOrder(grid, y, most_likely_covariance(grid, variants), variants)
    tried = [made for origin in LAW_ORIGINS if (made := ordered.forecasts(origin, LAW_AHEAD)) is not None]
    if not tried:
        return tuple(laws)
    found: dict[str, list[tuple[float, float]]] = {}
    for name in groups:
        of_law = np.array([variant.law.name == name for variant in variants])
        width = np.array([variant.width for variant in variants])[of_law]
        found[name] = [_scored(made, of_law, width) for made in tried]
    errors = {name: float(np.sqrt(np.mean([e**2 for e, _ in pairs]))) for name, pairs in found.items()}
    scores = {name: float(np.mean([score for _, score in pairs])) for name, pairs in found.items()}
    top = max(scores.values())
    return tuple(
        replace(law, forecast_error=errors[law.law] * scale, forecast_score=scores[law.law] - top)
        for law in laws
    )


def _scored(made: _Forecasts, of_law: np.ndarray, width: FloatArray) -> tuple[float, float]:
    """Return what a law missed, and the log density that it gave to the outcome."""
    likelihood = -0.5 * made.before * np.log(made.level[of_law])
    weights = width * np.exp(likelihood - likelihood.max())
    weights /= weights.sum()
    missed, scale = made.missed[0, of_law], made.scale[0, of_law]
    freedom = made.freedom[of_law]
    height = special.gammaln((freedom + 1) / 2) - special.gammaln(freedom / 2) - 0.5 * np.log(freedom * np.pi)
    logs = height - (freedom + 1) / 2 * np.log1p((missed / scale) ** 2 / freedom) - np.log(scale)
    return float(weights @ missed), float(special.logsumexp(logs, b=weights))


def tested_on_its_past(
    grid: NoiseGrid,
    y: FloatArray,
    variants: Sequence[Variant],
    components: Sequence[Component],
    record_s: float,
) -> SelfTest:
    """Return how forecasts within the record came out under its posterior."""
    weights: dict[tuple[int, int], FloatArray] = {}
    for component in components:
        point = component.node, component.walk
        weights.setdefault(point, np.zeros(len(variants)))[component.variant] += component.weight
    likeliest = sorted(weights, key=lambda point: -weights[point].sum())
    reached = np.cumsum([weights[point].sum() for point in likeliest])
    kept = likeliest[: min(int(np.searchsorted(reached, ENOUGH)) + 1, MOST_POINTS)]
    used = np.flatnonzero(sum(weights[point] for point in kept))
    some = [variants[k] for k in used.tolist()]
    parts: dict[float, list[tuple[FloatArray, _Forecasts]]] = {}
    for point in kept:
        ordered = _InOrder(grid, y, grid.covariance_at(*point), some)
        for origin in ORIGINS:
            made = ordered.forecasts(origin, [share * origin for share in HORIZONS])
            if made is not None:
                parts.setdefault(origin, []).append((weights[point][used], made))
    tried: list[tuple[float, float]] = []
    for pairs in parts.values():
        weight = np.concatenate([weight for weight, _ in pairs])
        freedom = np.concatenate([made.freedom for _, made in pairs])
        for k, ahead in enumerate(pairs[0][1].ahead):
            z = np.concatenate([made.missed[k] / made.scale[k] for _, made in pairs])
            tried.append((ahead, float(special.stdtr(freedom, z) @ weight / weight.sum())))
    return SelfTest.of(tried, record_s=record_s, spacing=ORIGINS[1] - ORIGINS[0])


def most_likely_point(fit: GridFit) -> tuple[int, int]:
    """Return node and random-walk ratio at which a design fits best."""
    node, walk = np.unravel_index(int(np.argmax(fit.log_likelihood)), fit.log_likelihood.shape)
    return int(node), int(walk)


def most_likely_covariance(grid: NoiseGrid, variants: Sequence[Variant]) -> FloatArray:
    """Return the generalized covariance of the blocks, over σ², at the noise ratios that fit best."""
    return grid.covariance_at(*most_likely_point(max((variant.fit for variant in variants), key=best)))


@dataclass(frozen=True, eq=False, kw_only=True)
class _Forecasts:
    """What was predicted at one origin, under v variants for h horizons, less what came."""

    before: int  # Differences of averages before the origin
    ahead: tuple[float, ...]  # The h horizons in record lengths
    # missed, scale: outcome less forecast, and the forecast's scale, shape (h, v)
    missed: FloatArray
    scale: FloatArray
    # level, freedom: estimate of σ² from before the origin, and its degrees of freedom, shape (v,)
    level: FloatArray
    freedom: FloatArray


class _InOrder:
    """Differences of neighbouring averages, and of every variant's columns, made independent in order."""

    def __init__(
        self, grid: NoiseGrid, y: FloatArray, covariance: FloatArray, variants: Sequence[Variant]
    ) -> None:
        self._spans = grid.spans
        differences = np.diff(np.diff(covariance, axis=0), axis=1)
        self._lower = linalg.cholesky(0.5 * (differences + differences.T), lower=True, check_finite=False)
        widest = max(variant.design.shape[1] for variant in variants)
        designs = np.zeros((len(y), len(variants), widest))
        later = np.zeros((len(variants), widest))
        for k, variant in enumerate(variants):
            p = variant.design.shape[1]
            designs[:, k, :p] = variant.design
            later[k, :p] = variant.fit.coefficients[most_likely_point(variant.fit)]
        self._later = later
        self._widths = np.array([variant.design.shape[1] for variant in variants])
        both = np.diff(np.column_stack([designs.reshape(len(y), -1), y]), axis=0)
        solved = linalg.solve_triangular(self._lower, both, lower=True, check_finite=False)
        self._readings = solved[:, -1]
        self._columns = solved[:, :-1].reshape(len(solved), len(variants), widest).transpose(1, 0, 2)

    def innovations(self) -> FloatArray:
        """Return what the first variant leaves of every difference, standardised, shape (n - 1,)."""
        white = self._readings - self._columns[0] @ self._later[0]
        return np.asarray(white / np.sqrt(np.mean(white**2)))

    def forecasts(self, origin: float, ahead: Sequence[float]) -> _Forecasts | None:
        """Return what is predicted at a scaled time for some times ahead; ``None`` if a part is too short."""
        start, stop = self._spans.start, self._spans.stop
        n = int(np.count_nonzero(stop <= origin + 1e-9))
        if n < max(FEWEST_BEFORE, int(self._widths.max()) + FEWEST_FREE) or n == len(start):
            return None
        ahead = [each for each in ahead if origin + each <= 1 + 1e-9]
        asked = [(start[n:] < origin + each - 1e-9) * (stop - start)[n:] for each in ahead]
        ahead = [each for each, share in zip(ahead, asked, strict=True) if share.any()]
        asked = [share / share.sum() for share in asked if share.any()]
        if not asked:
            return None
        # the mean of later averages less the last one before: each difference counts for all after it
        share = np.cumsum(np.array(asked)[:, ::-1], axis=1)[:, ::-1].T
        lean = self._lower[n - 1 :, n - 1 :].T @ share
        past, x = self._readings[: n - 1], self._columns[:, : n - 1]
        # what does not vary before the origin, such as a step still to come, has what it has later
        size = np.sqrt(np.sum(x**2, axis=1))
        seen = size > 1e-9 * np.maximum(size.max(axis=1, keepdims=True, initial=0.0), 1e-300)
        known = np.where(seen, 0.0, self._later)
        rest = past - np.einsum("vnp,vp->vn", x, known)
        x = np.where(seen[:, np.newaxis], x, 0.0)
        inverse = np.linalg.pinv(x.transpose(0, 2, 1) @ x, hermitian=True)
        coefficients = np.einsum("vpq,vnq,vn->vp", inverse, x, rest, optimize=True) + known
        rest = rest - np.einsum("vnp,vp->vn", x, np.where(seen, coefficients, 0.0))
        freedom = n - 1 - seen.sum(axis=1)
        level = np.maximum(np.sum(rest**2, axis=1) / freedom, np.finfo(float).tiny)
        towards = np.einsum("nh,vnp->vhp", lean, self._columns[:, n - 1 :])
        missed = lean.T @ self._readings[n - 1 :] - np.einsum("vhp,vp->vh", towards, coefficients)
        variance = np.sum(lean**2, axis=0) + np.einsum("vhp,vpq,vhq->vh", towards, inverse, towards)
        return _Forecasts(
            before=n - 1,
            ahead=tuple(ahead),
            missed=missed.T,
            scale=np.sqrt(level[:, np.newaxis] * variance).T,
            level=level,
            freedom=freedom.astype(float),
        )


HORIZONS = (0.25, 0.5, 1.0)
"""How far ahead, as shares of what lay before."""
WORTH = 5.0
FURTHEST = 6.0
FEWEST = 5.0
SURPRISING = 0.01
MOST_WIDENED = 2.0
"""Beyond this the model is not that of the clock, and nothing is recommended from it."""

SelfVerdict = Literal["consistent", "too narrow", "too wide", "too few"]


@dataclass(frozen=True, kw_only=True)
class SelfTest(Plain):
    """Forecasts made within the record, and what came of them.

    Attributes
    ----------
    tests, independent_tests
        Forecasts, and how many that do not overlap they are worth.
    held
        How many of their 95 % bands held the outcome, before any widening.
    error_ratio
        Root mean square of the errors relative to what was stated; 1 is right, NaN without a test.
    widened_by
        Factor by which forecasts after the record and the aging rate are widened: at least 1.
    shortest_s, longest_s
        How far ahead was tested.
    verdict
        ``'consistent'``, ``'too narrow'``, ``'too wide'`` or ``'too few'``, of the bands before widening.
    """

    tests: int
    independent_tests: float
    held: int
    error_ratio: float
    widened_by: float
    shortest_s: float
    longest_s: float
    verdict: SelfVerdict

    @classmethod
    def of(cls, tried: Sequence[tuple[float, float]], *, record_s: float, spacing: float) -> SelfTest:
        """Return the test that forecasts make, each with how far ahead, in record lengths, and its transform.

        Their origins lie ``spacing`` apart.
        """
        ahead, transforms = np.array(tried).reshape(-1, 2).T
        edge = float(special.ndtr(-FURTHEST))
        z = special.ndtri(np.clip(transforms, edge, 1 - edge))
        w = np.minimum(1.0, spacing / ahead)
        worth, squares = float(w.sum()), float(w @ z**2)
        # Σ w z² is χ² with Σ w degrees of freedom if bands are right
        verdict: SelfVerdict = "too few" if worth < FEWEST else "consistent"
        if worth >= FEWEST and special.chdtrc(worth, squares) < SURPRISING:
            verdict = "too narrow"
        elif worth >= FEWEST and special.chdtr(worth, squares) < SURPRISING:
            verdict = "too wide"
        return cls(
            tests=len(tried),
            independent_tests=worth,
            held=int(np.count_nonzero(np.abs(z) <= special.ndtri(0.5 * (1 + DEFAULT_CONFIDENCE)))),
            error_ratio=math.sqrt(squares / worth) if tried else math.nan,
            widened_by=max(1.0, math.sqrt((WORTH + squares) / (WORTH + worth))),
            shortest_s=float(ahead.min() * record_s) if tried else math.nan,
            longest_s=float(ahead.max() * record_s) if tried else math.nan,
            verdict=verdict,
        )

    @property
    def failed(self) -> bool:
        """Whether bands were so much too narrow that nothing should be recommended."""
        return self.widened_by > MOST_WIDENED

    def finding(self) -> Finding:
        """Return the test in words."""
        names = ("tests", "held", "independent_tests", "error_ratio", "widened_by")
        values = {name: getattr(self, name) for name in names}
        if not self.tests:
            sentence = "The record is too short to test a single forecast on its own past."
            return caution("SELF_TEST_TOO_FEW", sentence)
        span = " to ".join(dict.fromkeys(duration_text(s) for s in (self.shortest_s, self.longest_s)))
        said = f"Tested {self.tests} times on its own past, {span} ahead: {self.held} of the 95 % bands held"
        wider = f", so that bands and aging rate are {self.widened_by:.2g} times wider than without the test"
        if self.failed:
            sentence = (
                f"{said}, and errors were {self.error_ratio:.2g} times what was stated: the model is not "
                "that of this clock, and no forecast from it should be trusted."
            )
            return caution("SELF_TEST_FAILED", sentence, **values)
        if self.verdict == "too few":
            sentence = (
                f"{said}; that is worth {self.independent_tests:.1f} independent tests, too few to confirm "
                f"or deny anything{wider if self.widened_by >= 1.05 else ''}."
            )
            return note("SELF_TEST_TOO_FEW", sentence, **values)
        if self.verdict == "too narrow":
            return caution("SELF_TEST_TOO_NARROW", f"{said}{wider}.", **values)
        if self.verdict == "too wide":
            sentence = f"{said}, and errors were only {self.error_ratio:.2g} times what was stated."
            return note("SELF_TEST_TOO_WIDE", sentence, **values)
        sentence = f"{said}{wider if self.widened_by >= 1.05 else ''}."
        return good("SELF_TEST_CONSISTENT", sentence, **values)


LAGS = 10
FEWEST_INNOVATIONS = 30
NOT_WHITE = 1e-4
FEWEST_ASIDE = 10
SURELY_DIFFERENT = 5.0
"""Normal deviate of the rank test that the best of all divisions must reach: under one noise the best of a
few hundred reaches 5 less than once in a thousand records."""
CHANGED_SIZE = 3.0


def innovation_findings(
    grid: NoiseGrid, y: FloatArray, variants: Sequence[Variant], record: Record
) -> list[Finding]:
    """Return what the innovations say against the model; nothing where they are too few to say."""
    if len(y) <= FEWEST_INNOVATIONS:
        return []
    likeliest = max(variants, key=lambda each: best(each.fit))
    white = _InOrder(grid, y, most_likely_covariance(grid, variants), [likeliest]).innovations()
    changed = change_finding(white, grid.spans.start[1:] * record.duration_s)
    if changed is not None:
        return [_of_display(record, changed) or changed]
    statistic, probability = ljung_box(white, LAGS)
    if probability >= NOT_WHITE:
        return []
    sentence = (
        "What the averages add to each other is not independent under the fitted noise (Ljung-Box test, "
        f"probability {probability:.0e}): the clock has a rhythm or a noise that this model does not know."
    )
    return [note("INNOVATIONS_NOT_WHITE", sentence, statistic=statistic, lags=LAGS, probability=probability)]


def ljung_box(white: FloatArray, lags: int) -> tuple[float, float]:
    """Return the statistic of Ljung & Box (1978) over ``lags`` lags and its probability under white noise."""
    n = len(white)
    centred = white - white.mean()
    power = float(centred @ centred)
    correlations = np.array([centred[k:] @ centred[: n - k] for k in range(1, lags + 1)]) / power
    statistic = float(n * (n + 2) * np.sum(correlations**2 / (n - np.arange(1, lags + 1))))
    return statistic, float(special.chdtrc(lags, statistic))


def change_finding(white: FloatArray, starts_s: FloatArray) -> Finding | None:
    """Return a caution where the innovations, which begin at ``starts_s``, change in size for good.

    Ranks make one odd average count little. Not valid for records with fewer than ten averages on a side of
    the change; of several changes the clearest is named.
    """
    n = len(white)
    if n < 2 * FEWEST_ASIDE:
        return None
    _, place, alike = np.unique(np.abs(white), return_inverse=True, return_counts=True)
    ranks = (np.cumsum(alike) - (alike - 1) / 2)[place]
    first = np.arange(FEWEST_ASIDE, n - FEWEST_ASIDE + 1)
    sums = np.cumsum(ranks)[first - 1]
    deviates = np.abs(sums - first * (n + 1) / 2) / np.sqrt(first * (n - first) * (n + 1) / 12)
    top = int(np.argmax(deviates))
    deviate, where = float(deviates[top]), int(first[top])
    if deviate < SURELY_DIFFERENT:
        return None
    before, after = float(np.median(np.abs(white[:where]))), float(np.median(np.abs(white[where:])))
    low, high = sorted((before, after))
    if high < CHANGED_SIZE * low:
        return None
    ratio, moment = high / max(low, 1e-12), float(starts_s[where])
    sentence = (
        f"From {duration_text(moment)} on the clock is {ratio:.2g} times "
        f"{'quieter' if after < before else 'noisier'}: it is not the same clock or not in the same state, "
        "and one model describes neither part; assess the part since then by itself (--from or start)."
    )
    return caution("CLOCK_CHANGED", sentence, elapsed_s=moment, ratio=ratio, normal_deviate=deviate)


def _of_display(record: Record, changed: Finding) -> Finding | None:
    """Return what to say where not the clock became noisier but its display coarser, and hides the noise."""
    moment, ratio = float(changed.values["elapsed_s"]), float(changed.values["ratio"])
    values = record.usable_values(without_steps=False)
    at = int(np.searchsorted(record.elapsed_s, moment))
    near = min(at, len(values) - at) // 4  # blocks tell the moment no better
    parts = [part[~np.isnan(part)] for part in (values[: at - near], values[at + near :])]
    if min(map(len, parts)) < FEWEST_ASIDE:
        return None
    steps = [display_step(part, None) or 0.0 for part in parts]
    coarser = int(np.argmax(steps))
    shown = np.diff(parts[coarser])
    if max(steps) < CHANGED_SIZE * min(steps) or not np.std(shown) < steps[coarser]:
        return None
    unit = " s" * (record.kind == "phase")
    where = "From" if coarser else "Until"
    sentence = (
        f"{where} {duration_text(moment)} {'on ' * coarser}readings come in steps of {max(steps):.2g}{unit}, "
        f"otherwise in finer ones: the display, not the clock, makes that part noisier ({ratio:.2g} times)."
    )
    return caution("DISPLAY_CHANGED", sentence, **dict(changed.values))
