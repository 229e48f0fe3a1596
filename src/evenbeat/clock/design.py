"""The trend of a clock: aging, environment and steps as columns of a regression, besides the constant.

What cannot be told apart is left out and said. What is kept first is the offset, then aging, then steps, then
the environment, then waves. A covariate that changes only beside a step, within a block of it, cannot be told
apart from it: nobody knows the moment of either more exactly.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property

import numpy as np
import numpy.typing as npt
from scipy import fft

from evenbeat.clock.aging import AgingLaw, Curvature
from evenbeat.clock.blocks import Blocks, between_samples, sums_between, with_covariates
from evenbeat.clock.covariance import IntArray, Spans
from evenbeat.clock.environment import Course, Influence, lagged, lagged_powers_ahead, without_holes
from evenbeat.clock.regression import ranked, stacked
from evenbeat.findings import Finding, caution
from evenbeat.quantities import Estimate, FloatArray
from evenbeat.record import Record
from evenbeat.units import SECONDS_PER_DAY, SECONDS_PER_YEAR, duration_text

SAMPLES_PER_DAY = 48
FEWEST_DAYS = 2
"""Length of a record from which on it shows a daily wave of a covariate."""


@dataclass(frozen=True, eq=False, kw_only=True)
class FittedInfluence:
    """One environmental covariate as the model uses it: powers of ``(lagged - mean) / spread``."""

    name: str
    order: int  # Highest power
    # mean, spread: of the block averages, in the covariate's unit
    mean: float
    spread: float
    # Amplitude of the covariate at a period of one day, in its unit; NaN for records under two days
    diurnal_amplitude: float
    residual: float  # Standard deviation of what is left of it beside the mean and the daily swing
    # Time constant in seconds by which the clock follows it; without uncertainty where it was stated
    lag: Estimate

    def powers(self, inside: FloatArray) -> FloatArray:
        """Return the powers of the lagged covariate, shape (n, order)."""
        scaled = (inside - self.mean) / self.spread
        return np.array(list(itertools.accumulate([scaled] * self.order, np.multiply))).T


@dataclass(frozen=True, eq=False, kw_only=True)
class Fading:
    """Autocorrelation of the influences' columns beside their daily wave, as the record shows it."""

    step_s: float  # Distance of the times at which it is known
    # Shape (k, q), from one at no distance down to where it first vanishes; zero beyond
    correlation: FloatArray

    @classmethod
    def of(cls, rows: FloatArray, step_s: float) -> Fading:
        """Return that of samples on a grid, shape (n, q), less mean and daily wave; NaN where missing."""
        present: npt.NDArray[np.bool_] = np.asarray(~np.isnan(rows).any(axis=1))
        size, most = fft.next_fast_len(2 * len(rows), real=True), max(1, len(rows) // 2)

        def products(values: FloatArray) -> FloatArray:
            return np.asarray(fft.irfft(np.abs(fft.rfft(values, size)) ** 2, size)[:most])

        counts = products(present.astype(float))
        kept = np.where(present[:, np.newaxis], rows, 0.0)
        found = np.ones((most, rows.shape[1]))
        for column, values in zip(found.T, kept.T, strict=True):
            mean = products(values) / np.maximum(counts, 1.0)
            falling = np.minimum.accumulate(mean / mean[0]) if mean[0] > 0 else np.zeros(most)
            column[:] = np.maximum(falling, 0.0)
        return cls(step_s=step_s, correlation=np.vstack([found, np.zeros((1, rows.shape[1]))]))

    def at(self, after_s: FloatArray) -> FloatArray:
        """Return the share of a deviation that is left after some times, shape (m, q)."""
        times = np.arange(len(self.correlation)) * self.step_s
        return stacked([np.interp(after_s, times, each) for each in self.correlation.T], len(after_s))

    def mean(self, start_s: FloatArray, stop_s: FloatArray) -> FloatArray:
        """Return the mean share over spans, shape (m, q)."""
        times = np.arange(len(self.correlation)) * self.step_s
        between = 0.5 * (self.correlation[1:] + self.correlation[:-1]) * self.step_s
        sums = np.vstack([np.zeros((1, self.correlation.shape[1])), np.cumsum(between, axis=0)])
        nearer = np.maximum(stop_s - start_s, 1e-6 * self.step_s)
        gained = [np.interp(start_s + nearer, times, s) - np.interp(start_s, times, s) for s in sums.T]
        return stacked(gained, len(nearer)) / nearer[:, np.newaxis]


@dataclass(frozen=True, eq=False, kw_only=True)
class LagPoint:
    """One set of lags with its weight, and the influences' columns under it."""

    # lags_s, lagged_at_end: for each influence: its lag, and its last lagged value
    lags_s: tuple[float, ...]
    weight: float
    lagged_at_end: tuple[float, ...]
    columns: FloatArray  # Of all powers of all influences over the blocks, less their means, shape (n, q)
    means: FloatArray  # What was taken from the columns, shape (q,)


@dataclass(frozen=True, eq=False, kw_only=True)
class Trend:
    """Columns of the trend for any spans: those of the law, then influences, then steps, then waves.

    Times are in units of the record length.
    """

    influences: tuple[FittedInfluence, ...]
    step_times: tuple[float, ...]
    lag_points: tuple[LagPoint, ...]  # The first is the middle of what is known of the lags
    # swing, rest: daily sine and cosine amplitudes, shape (2, q), and covariance of the rest, shape (q, q),
    # of the influences' columns in the record
    swing: FloatArray
    rest: FloatArray
    fading: Fading  # How fast a deviation of these columns from mean and daily wave is forgotten
    # Length of the record in days where it shows their daily wave; zero for records under two days
    days: float = 0.0
    waves_s: tuple[float, ...] = ()  # Periods of the sines in the model that no covariate explains
    record_s: float = 1.0
    # Covariates that were asked for but cannot be told apart, with the sentence that says why
    not_determined: Mapping[str, str] = field(default_factory=dict)

    @property
    def width(self) -> int:
        """Number of columns of all influences."""
        return self.lag_points[0].columns.shape[1]

    def columns(self, law: AgingLaw, curvature: Curvature, spans: Spans, acting: FloatArray) -> FloatArray:
        """Return the columns, shape (n, p), given those of the influences over the spans, shape (n, q)."""
        aging = law.mean_over(spans.start, spans.stop, curvature)
        waves = [wave_over(self.record_s / period, spans) for period in self.waves_s]
        return np.hstack([aging, acting, after_steps(self.step_times, spans), *waves])

    @cached_property
    def places(self) -> dict[str, slice]:
        """Where the columns of each influence are among those of all."""
        ends = list(itertools.accumulate((influence.order for influence in self.influences), initial=0))
        names = [influence.name for influence in self.influences]
        return {name: slice(*pair) for name, pair in zip(names, itertools.pairwise(ends), strict=True)}

    def first_of(self, name: str, design_width: int) -> int:
        """Return where the columns of one influence begin in a design of so many columns."""
        return self.first_influence(design_width) + int(self.places[name].start)

    def first_influence(self, design_width: int) -> int:
        """Return where the columns of the influences begin in a design of so many columns."""
        return self.first_step(design_width) - self.width

    def first_step(self, design_width: int) -> int:
        """Return where the columns of the steps begin in a design of so many columns."""
        return design_width - len(self.step_times) - 2 * len(self.waves_s)

    def powers_of_each(self, point: LagPoint) -> list[FloatArray]:
        """Return the columns of each influence over the blocks under one set of lags, shapes (n, order)."""
        return [point.columns[:, place] for place in self.places.values()]

    def acting_over(
        self, spans: Spans, known: Spans, point: LagPoint, courses: Mapping[str, Course]
    ) -> FloatArray:
        """Return the influences' columns: as they were, and after the record by their courses, shape (n, q).

        Without a course a covariate follows its daily wave, and what it is beside that now fades as its own
        autocorrelation in the record says.
        """
        within = spans.middle <= 1 + 1e-9
        columns = np.zeros((len(spans), self.width))
        for k, column in enumerate(point.columns.T):
            columns[:, k] = np.where(within, np.interp(spans.middle, known.middle, column), 0.0)
        ahead = np.flatnonzero(~within)
        if not (len(ahead) and self.width):
            return columns
        start_s, stop_s = (
            np.maximum(edge[ahead] - 1, 0.0) * self.record_s for edge in (spans.start, spans.stop)
        )
        fading = self.fading.mean(start_s, stop_s)
        later = Spans(start=np.append(spans.start[ahead], 1.0), stop=np.append(spans.stop[ahead], 1.0))
        wave = np.zeros((len(later), self.width))
        if self.days > 0:
            wave = wave_over(self.days, later) @ self.swing
        for influence, lag_s, last in zip(self.influences, point.lags_s, point.lagged_at_end, strict=True):
            place = self.places[influence.name]
            if influence.name not in courses:
                present = influence.powers(np.array([last]))[0] - point.means[place] - wave[-1, place]
                columns[ahead, place] = wave[:-1, place] + present * fading[:, place]
            else:
                means = lagged_powers_ahead(
                    courses[influence.name],
                    lag_s=lag_s,
                    lagged_at_end=last,
                    powers=influence.powers,
                    start_s=start_s,
                    stop_s=stop_s,
                )
                columns[ahead, place] = means - point.means[place]
        return columns

    def swing_and_residual(
        self, effects: FloatArray, courses: Mapping[str, Course], after_s: FloatArray
    ) -> tuple[FloatArray, FloatArray]:
        """Return what is not known of the daily amplitude, and standard deviation of the rest, shape (m,).

        Given the coefficients of the influences' columns, shape (q,), at times ``after_s`` after the record.
        A daily wave seen for so long is trusted for a small part of that; one record length later its phase
        counts as unknown. Where a course is given the daily swing is known.
        """
        swinging, straying = effects.copy(), effects.copy()
        for name in courses:
            swinging[self.places[name]] = 0.0
            straying[self.places[name]] *= courses[name].residual
        amplitude = float(np.hypot(*(self.swing @ swinging))) * np.clip(after_s / self.record_s, 0.0, 1.0)
        gone = straying * np.sqrt(np.maximum(1 - self.fading.at(after_s) ** 2, 0.0))
        return amplitude, np.sqrt(np.maximum(np.einsum("mp,pq,mq->m", gone, self.rest, gone), 0.0))


def after_steps(step_times: Sequence[float], spans: Spans) -> FloatArray:
    """Return the share of every span that lies after each step, shape (n, s)."""
    after = [np.clip((spans.stop - time) / spans.length, 0.0, 1.0) for time in step_times]
    return stacked(after, len(spans))


def wave_over(turns_per_record: float, spans: Spans) -> FloatArray:
    """Return the means over spans of a sine and a cosine that turn so often in a record, shape (n, 2)."""
    angle = 2 * math.pi * turns_per_record * spans.middle
    smoothing = np.sinc(turns_per_record * spans.length)
    return np.column_stack([smoothing * np.sin(angle), smoothing * np.cos(angle)])


def trend_of(record: Record, blocks: Blocks, asked: Asked, lags: Sequence[Estimate]) -> Trend:
    """Return the trend of a record's blocks, with the influences behind their lags."""
    fitted = tuple(
        _influence(record, each, blocks.covariates[each.name], lag)
        for each, lag in zip(asked.influences, lags, strict=True)
    )
    felt = Felt(record, blocks, fitted)
    points = [felt.point(lags_s, weight) for lags_s, weight in _spread_of(lags)]
    sampled = [felt.behind(k, lag_s)[1] for k, lag_s in enumerate(points[0].lags_s)]
    samples = len(record) - (record.kind == "phase")
    nothing = np.empty((-(-samples // _stride(record)), 0))
    swing, rest, fading = _swing_and_rest(record, np.hstack([nothing, *sampled]))
    days = record.duration_s / SECONDS_PER_DAY
    return Trend(
        influences=fitted,
        step_times=asked.step_times,
        lag_points=tuple(points),
        swing=swing,
        rest=rest,
        fading=fading,
        days=days if days >= FEWEST_DAYS else 0.0,
        waves_s=asked.waves_s,
        record_s=record.duration_s,
        not_determined=asked.not_determined,
    )


def _spread_of(lags: Sequence[Estimate]) -> list[tuple[tuple[float, ...], float]]:
    """Return sets of lags with weights that share the mean and, but for the bound at zero, the variance.

    The middle, and one lag at a time moved by √c standard uncertainties either way (c = 3 up to three
    lags): what Gauss-Hermite quadrature with three points takes for one lag.
    """
    middle = tuple(max(lag.value, 0.0) for lag in lags)
    uncertain = [k for k, lag in enumerate(lags) if lag.standard_uncertainty > 0]
    share = max(3, len(uncertain))
    points = [(middle, 1 - len(uncertain) / share)]
    for k, sign in itertools.product(uncertain, (-1, 1)):
        moved = middle[k] + sign * math.sqrt(share) * lags[k].standard_uncertainty
        points.append(((*middle[:k], max(moved, 0.0), *middle[k + 1 :]), 0.5 / share))
    return points


class Felt:
    """What influences are behind lags; each lag is filtered once."""

    def __init__(self, record: Record, blocks: Blocks, influences: Sequence[FittedInfluence]) -> None:
        self._record, self._blocks, self._influences = record, blocks, influences
        covariates = [record.covariates[each.name] for each in influences]
        self._outside = [between_samples(record, without_holes(column)) for column in covariates]
        self._known: dict[tuple[int, float], tuple[FloatArray, FloatArray, float]] = {}

    @cached_property
    def _counted(self) -> tuple[npt.NDArray[np.bool_], IntArray, IntArray, FloatArray]:
        """The samples that count, first and last of each block, and how many of it count."""
        *_, present = with_covariates(self._record, self._blocks.covariates)
        spans = self._blocks.spans.scaled(1 / self._record.interval_s)
        first = np.round(spans.start).astype(int)
        last = np.ceil(spans.stop - 1e-6).astype(int)  # gates may end before
        return present, first, last, sums_between(present, first, last)

    def behind(self, place: int, lag_s: float) -> tuple[FloatArray, FloatArray, float]:
        """Return the powers of one influence behind a lag, over blocks and sampled, and its last value."""
        if (place, lag_s) not in self._known:
            inside = lagged(self._outside[place], lag_s / self._record.interval_s)
            powers = self._influences[place].powers(inside)
            present, first, last, count = self._counted
            sums = [sums_between(np.where(present, power, 0.0), first, last) for power in powers.T]
            sampled = powers[:: _stride(self._record)].copy()
            self._known[place, lag_s] = np.array(sums).T / count[:, np.newaxis], sampled, float(inside[-1])
        return self._known[place, lag_s]

    def point(self, lags_s: tuple[float, ...], weight: float = 1.0) -> LagPoint:
        """Return all of them behind a set of lags."""
        found = [self.behind(place, lag) for place, lag in enumerate(lags_s)]
        together = np.hstack([np.empty((len(self._blocks), 0)), *(columns for columns, _, _ in found)])
        means = together.mean(axis=0)
        return LagPoint(
            lags_s=lags_s,
            weight=weight,
            lagged_at_end=tuple(last for _, _, last in found),
            columns=together - means,
            means=means,
        )


def _influence(record: Record, influence: Influence, column: FloatArray, lag: Estimate) -> FittedInfluence:
    measured = np.asarray(record.covariates[influence.name], dtype=float)
    sampled = measured[:: _stride(record)]
    if np.isnan(sampled).all():
        sampled = without_holes(measured)[:: _stride(record)]
    swing, rest, _ = _swing_and_rest(record, sampled[:, np.newaxis])
    known = record.duration_s >= FEWEST_DAYS * SECONDS_PER_DAY
    return FittedInfluence(
        name=influence.name,
        order=influence.order,
        mean=float(np.mean(column)),
        spread=float(np.std(column)),
        diurnal_amplitude=float(np.hypot(*swing[:, 0])) if known else math.nan,
        residual=math.sqrt(float(rest[0, 0])),
        lag=lag,
    )


def _stride(record: Record) -> int:
    a_day = SECONDS_PER_DAY / record.spacing_s
    return max(1, int(min(a_day, len(record)) / SAMPLES_PER_DAY))


def _swing_and_rest(record: Record, sampled: FloatArray) -> tuple[FloatArray, FloatArray, Fading]:
    """Return sine and cosine at a period of one day, shape (2, q), covariance and fading of the rest.

    A slow change over the record belongs to the rest: nobody knows whether it goes on.
    """
    present = ~np.isnan(sampled).any(axis=1)
    rows = sampled[present]
    wave = np.zeros((2, sampled.shape[1]))
    if sampled.shape[1] and record.duration_s >= FEWEST_DAYS * SECONDS_PER_DAY:
        days = record.elapsed_s[:: _stride(record)][: len(sampled)][present] / SECONDS_PER_DAY
        turns = np.column_stack([np.sin(2 * np.pi * days), np.cos(2 * np.pi * days)])
        slow = np.column_stack([np.ones_like(days), days / days[-1]])
        solution, *_ = np.linalg.lstsq(np.hstack([turns, slow]), rows, rcond=None)
        wave = solution[:2]
        rows = rows - turns @ wave
    centred = rows - rows.mean(axis=0)
    whole = np.full(sampled.shape, np.nan)
    whole[present] = centred
    fading = Fading.of(whole, _stride(record) * record.spacing_s)
    return wave, centred.T @ centred / max(len(rows), 1), fading


WAVES = {SECONDS_PER_DAY: "daily", SECONDS_PER_YEAR: "yearly"}
STANDS_STILL = 1e-9
"""Spread of a covariate, relative to one more than its mean, up to which it counts as constant."""
NOTICED = 0.05
"""Share of a column's spread from which another one is named as what it cannot be told apart from."""


@dataclass(frozen=True, eq=False, kw_only=True)
class Asked:
    """What a clock model is asked to tell apart besides its offset and aging."""

    influences: tuple[Influence, ...]
    step_times: tuple[float, ...]  # In units of the record length
    waves_s: tuple[float, ...] = ()
    # Covariates that were asked for and are left out, with the sentence that says why
    not_determined: Mapping[str, str] = field(default_factory=dict)
    findings: tuple[Finding, ...] = ()  # What is left out, and why

    def changing(self, covariates: Mapping[str, FloatArray]) -> Asked:
        """Return it without covariates whose block averages are all the same."""
        kept = self
        for influence in self.influences:
            column = covariates[influence.name]
            if not float(np.std(column)) > STANDS_STILL * (1 + abs(float(np.mean(column)))):
                kept = kept.without(influence.name, f"it is {column[0]:g} throughout")
        return kept

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


def told_apart(
    asked: Asked,
    laws: Sequence[AgingLaw],
    blocks: Blocks,
    acting: Sequence[Sequence[FloatArray]],
    *,
    record_s: float,
) -> Asked:
    """Return what is asked without what the record cannot tell apart from what is kept before it.

    What is asked itself is returned where nothing is left out. ``acting`` has for each set of lags that
    counts the powers of each influence over the blocks, shape (n, order), or (n, 0) where it is not to be
    judged yet.
    """
    if not (asked.step_times or asked.influences or asked.waves_s):
        return asked
    spans = blocks.spans.scaled(1 / record_s)
    lost: dict[tuple[str, int], tuple[_Column, list[str]]] = {}
    begun = [(law, curvature) for law in laws for curvature in itertools.product(*law.axes)]
    for law, curvature in begun:  # at which its search starts
        means = law.mean_over(spans.start, spans.stop, curvature).T
        aging = [_Column(kind="law", words="the aging", values=each) for each in means]
        for acts in acting:
            columns = [*aging, *_others(asked, spans, acts, block=blocks.length_s, record_s=record_s)]
            ranks = ranked(stacked([each.values for each in columns], len(spans)))
            for column in itertools.compress(columns, ~ranks.kept):
                key = column.kind, column.place
                if column.kind in ("law", "beside"):
                    continue
                if key not in lost or column.power < lost[key][0].power:
                    lost[key] = column, _explaining(column, columns, ranks.least_squares(column.values)[1])
    if not lost:
        return asked
    for (kind, _), (column, parts) in lost.items():
        if kind == "influence":
            asked = _without_influence(asked, column, parts)
            continue
        others, words = " and ".join(parts), column.words
        code = "STEP_NOT_DETERMINED"
        sentence = f"A change at {words} cannot be told apart from {others}; it is attributed to that."
        if kind == "wave":
            code = "WAVE_NOT_DETERMINED"
            sentence = (
                f"{words.capitalize()} is not determined: {others} moves just as it does, and all of it "
                "counts as that."
            )
        elif all(part.startswith("the step") for part in parts):
            sentence = f"Of {words} and {others} the averages see only one change; they count as one step."
        asked = replace(asked, findings=(*asked.findings, caution(code, sentence)))
    waves = tuple(period for place, period in enumerate(asked.waves_s) if ("wave", place) not in lost)
    kept = tuple(time for place, time in enumerate(asked.step_times) if ("step", place) not in lost)
    return replace(asked, step_times=kept, waves_s=waves)


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
    sizes = np.abs(shares) * [np.std(each.values) for each in columns]
    named = itertools.compress(columns, sizes > NOTICED * np.std(lost.values))
    return list(dict.fromkeys(each.words for each in named))


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
