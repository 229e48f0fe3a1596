"""The fitted clock: what it answers, each answer with its distribution."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Any

import numpy as np
import numpy.typing as npt

from evenbeat.clock.aging import AGING_LAWS, AgingRate, LeastSquaresLine, least_squares_line
from evenbeat.clock.blocks import Blocks
from evenbeat.clock.covariance import FLICKER_FM, RANDOM_WALK_FM, WANDERING_DRIFT, WHITE_FM, WHITE_PM, Spans
from evenbeat.clock.design import WAVES, FittedInfluence, Trend
from evenbeat.clock.environment import Course
from evenbeat.clock.forecaster import (
    Forecast,
    ForecastQuantity,
    Grounds,
    Paths,
    Quantity,
    VarianceTerms,
    drawn_from,
    extrapolation_findings,
)
from evenbeat.clock.noise_grid import LevelPosterior, NoiseGrid, NoisePrior, limits_if_present, noise_levels
from evenbeat.clock.origins import LawWeight, SelfTest, means_by_law, spoken
from evenbeat.clock.oscillator_classes import OscillatorName
from evenbeat.clock.prediction import (
    Component,
    DrawnMeans,
    Joint,
    Posterior,
    Predicted,
    Targets,
    Variant,
    walk_ratio,
)
from evenbeat.deviations.sums.kernels import one_thread
from evenbeat.errors import InputError
from evenbeat.findings import Finding
from evenbeat.plain import plain
from evenbeat.powerlaw import NOISE_NAMES, NoiseLevels
from evenbeat.quantities import Estimate, FloatArray, StudentMixture
from evenbeat.record import Record
from evenbeat.result import Column, Result
from evenbeat.units import SECONDS_PER_DAY, SECONDS_PER_HOUR, SECONDS_PER_YEAR, covariate_words, duration_text

POWERS = ("", "²", "³")
NOT_DETERMINED = "not determined"


@dataclass(frozen=True, eq=False, kw_only=True, repr=False)
class ClockModel(Result):
    """Noise, aging and temperature of one clock, with everything a forecast needs.

    Made by :func:`evenbeat.fit_clock`. Every answer is a mixture over the posterior of the noise levels
    and over the aging laws; times are seconds since the start of the record or UTC.

    Attributes
    ----------
    scale
        Unit of frequency in which the grid, the variants and the components are held.
    self_test
        How forecasts made within the record came out: what is said of times after it, and the aging rate,
        is wider by ``self_test.widened_by``.
    oscillator_class
        The class whose usual noise is part of the prior, where one was stated.
    """

    record: Record
    blocks: Blocks
    grid: NoiseGrid
    trend: Trend
    variants: tuple[Variant, ...]
    components: tuple[Component, ...]
    laws: tuple[LawWeight, ...]
    scale: float
    noise_prior: NoisePrior
    self_test: SelfTest
    oscillator_class: OscillatorName | None = None
    findings: tuple[Finding, ...] = ()

    def with_findings(self, *findings: Finding) -> ClockModel:
        """Return the model with further findings."""
        return replace(self, findings=(*self.findings, *findings))

    @cached_property
    def noise(self) -> NoiseLevels:
        """Levels h₊₂ … h₋₂ on the scale of a block and longer, upper limits where not detected."""
        return noise_levels(self._levels, self._limits, self.record)

    @cached_property
    def _limits(self) -> dict[int, float]:
        likeliest = self.variants[self.components[0].variant].fit
        return limits_if_present(self.grid, likeliest, scale=self.scale, block_s=self.blocks.length_s)

    @property
    def white_fm(self) -> float:
        """Posterior mean of h₀, whether or not white FM is seen."""
        return self._levels.mean(WHITE_FM)

    @cached_property
    def _levels(self) -> LevelPosterior:
        def ratios(component: Component) -> dict[int, float]:
            node = self.grid.nodes[component.node]
            known = {WHITE_PM: node.white_pm, WHITE_FM: 1.0, FLICKER_FM: node.flicker_fm}
            moving = {RANDOM_WALK_FM: 0.0, WANDERING_DRIFT: 0.0, node.moving: node.ratios[component.walk]}
            return {**known, **moving}

        points = [(c, self.variants[c.variant].fit) for c in self.components]
        variance = [float(fit.level[c.node, c.walk]) * self.scale**2 for c, fit in points]
        return LevelPosterior(
            weights=np.array([component.weight for component in self.components]),
            ratios=tuple(ratios(component) for component in self.components),
            allan_variance=np.array(variance),
            degrees_of_freedom=self._posterior.degrees_of_freedom,
            block_s=self.blocks.length_s,
            dilution=self.grid.dilution,
        )

    def aging_rate(self, at: float | np.datetime64 | str | None = None) -> AgingRate:
        """Return the aging rate per second at a time; at the end of the record by default.

        Notes
        -----
        Generalized least squares at every point of the noise grid, mixed over the posterior. Where
        random-walk FM is present the rate is that of the trend, not of the walk; where the drift wanders
        it is the drift at that time.
        """
        mixture = self._posterior.rate(self._scaled(at))
        factor = self.scale / self.record.duration_s
        own = mixture.scaled(factor).stretched(self.self_test.widened_by)
        return AgingRate(distribution=own.widened(self.blocks.display.rate), unit="/s")

    def _scaled(self, at: float | np.datetime64 | str | None) -> float:
        """Return a time in record lengths; the end by default."""
        moment = self.record.duration_s if at is None else at
        return float(self.record.elapsed_at(np.array([moment]))[0]) / self.record.duration_s

    @cached_property
    def averaging_time_s(self) -> float:
        """What an offset is the mean over where nothing is asked: an hour, or from one reading to the next.

        It does not depend on the length of the record, unless that is under ten hours: then it is a tenth.
        """
        record, apart = self.record, self.record.interval_s
        scarce = 3 * (len(record) - record.missing - 1) <= 2 * (len(record) - 1)
        if record.epochs_ns is not None or scarce:  # else most readings are one interval apart
            apart = float(np.median(np.diff(record.elapsed_s[~np.isnan(record.values)])))
        return max(min(SECONDS_PER_HOUR, self.record.duration_s / 10), apart)

    @cached_property
    def wandering(self) -> float:
        """Probability that the drift itself wanders (random-run FM) rather than the frequency alone."""
        wanders = [c.weight for c in self.components if c.node >= self.grid.walks]
        return min(1.0, float(sum(wanders)))  # weights may sum to 1 + 1e-16

    @property
    def wandering_limit(self) -> float:
        """By how much per second a wandering drift would change in such a record, at most with 95 % (rms).

        NaN where none is looked for: under a constant law, or beside an environment within days.
        """
        if not self.wandering:
            return math.nan
        return math.sqrt(self._limits[WANDERING_DRIFT] * self.record.duration_s)

    def frequency_at(
        self,
        times: npt.ArrayLike,
        *,
        averaging_time_s: float | None = None,
        environment: Mapping[str, Course] | None = None,
    ) -> Forecast:
        """Return the mean fractional frequency over ``averaging_time_s`` around each time.

        Parameters
        ----------
        times
            Shape (m,): seconds since the start of the record, or UTC.
        averaging_time_s
            By default :attr:`averaging_time_s`: an hour, or from one reading to the next where readings are
            further apart. A shorter one adds the noise of short averages.
        environment
            Covariates to their :class:`evenbeat.Course` after the record; what follows passes the same
            lag and polynomial, and its residual stays in the uncertainty.

        Notes
        -----
        Within the record the environment is taken as it was; after it, without a course, at its mean over
        the record, with its daily swing and residual in the uncertainty.
        """
        return self._frequency_at(times, averaging_time_s, environment, since_end=False)

    def frequency_change_at(
        self,
        times: npt.ArrayLike,
        *,
        averaging_time_s: float | None = None,
        environment: Mapping[str, Course] | None = None,
    ) -> Forecast:
        """Return the change of mean frequency from the end of the record to each time.

        For a clock that is adjusted at the end of the record, the offset later is what it was left at
        plus this change.
        """
        return self._frequency_at(times, averaging_time_s, environment, since_end=True)

    def _frequency_at(
        self,
        times: npt.ArrayLike,
        averaging_time_s: float | None,
        environment: Mapping[str, Course] | None,
        *,
        since_end: bool,
    ) -> Forecast:
        elapsed, courses = self.record.elapsed_at(times), self._checked_courses(environment)
        over = self.averaging_time_s if averaging_time_s is None else averaging_time_s
        spans = self._spans_around(elapsed, over)
        targets, offset = Targets(spans=spans, designs=self._designs(spans, courses)), 0.0
        if since_end:
            start = self._spans_around(np.full(len(elapsed), self.record.duration_s), over)
            targets = replace(targets, reference=start, reference_designs=self._designs(start))
        else:
            offset = float(self.blocks.frequency.mean())
        distribution = self._predict(targets).distribution.scaled(self.scale).shifted(offset)
        distribution = distribution.stretched(self._wider(elapsed))
        known_to = self._frequency_floor(elapsed, over, courses)
        quantity: ForecastQuantity = "frequency_change" if since_end else "frequency"
        return self._forecast(quantity, elapsed, distribution.widened(known_to))

    def time_error_at(
        self, times: npt.ArrayLike, *, environment: Mapping[str, Course] | None = None
    ) -> Forecast:
        """Return the time error in seconds gained from the end of the record to each time.

        Raises
        ------
        InputError
            If a time is not after the end of the record.

        Notes
        -----
        Its ``terms``: ``white FM``, ``flicker FM`` and ``random-walk FM`` are what no past record could
        predict (the optimum predictors of NIST TN 1337: variances h₀t/2, 2h₋₁t² and (2π²/3)h₋₂t³);
        ``aging`` is what is not known of the trend, ``environment`` the daily swing of temperature,
        ``noise model`` the disagreement between noise levels and aging laws, and ``starting frequency`` the
        rest: what the record leaves unknown of the frequency at its end.
        """
        elapsed, courses = self.record.elapsed_at(times), self._checked_courses(environment)
        horizon = elapsed - self.record.duration_s
        if not np.all(horizon > 0):
            msg = (
                f"a time error is counted from the end of the record at {self.record.duration_s:g} s; "
                f"{elapsed.min():g} s is not after it"
            )
            raise InputError(msg)
        duration = self.record.duration_s
        spans = Spans(start=np.ones(len(elapsed)), stop=elapsed / duration)
        predicted = self._predict(Targets(spans=spans, designs=self._designs(spans, courses)))
        mean = float(self.blocks.frequency.mean())
        frequency = predicted.distribution.scaled(self.scale).shifted(mean)
        alone = frequency.scaled(horizon)
        to_come = self._time_swing(horizon, courses)
        known_to = np.hypot(to_come, self.blocks.display.time_error(horizon))
        distribution = alone.stretched(self.self_test.widened_by).widened(known_to)
        forecast = self._forecast("time_error", elapsed, distribution)
        wider = alone.widened(known_to)
        freedom = wider.degrees_of_freedom[np.isfinite(wider.degrees_of_freedom)]
        heavier = float(np.mean(freedom / (freedom - 2))) if len(freedom) else 1.0
        size, owed = (self.scale * horizon) ** 2, predicted.reference_variance
        terms = _variance_terms(
            wider,
            horizon_s=horizon,
            levels=self._levels,
            aging=np.maximum(predicted.trend_variance, 0.0) * heavier * size,
            environment=to_come**2,
            display=self.blocks.display.time_error(horizon) ** 2,
            reference=None if owed is None else np.maximum(owed, 0.0) * size,
        )
        if self.self_test.widened_by > 1:
            added = (self.self_test.widened_by**2 - 1) * alone.standard_deviation**2
            terms = VarianceTerms(by_term={**terms.by_term, "errors in its past": added})
        return replace(forecast, terms=terms)

    def offset(
        self,
        times: npt.ArrayLike,
        averaging_time_s: float | None = None,
        *,
        as_left: Estimate | None = None,
        environment: Mapping[str, Course] | None = None,
    ) -> StudentMixture:
        """Return the distribution of the offset at times in seconds after the end of the record, shape (m,).

        As :meth:`frequency_at`; where the clock is adjusted at the end, ``as_left`` and
        :meth:`frequency_change_at`. See :class:`evenbeat.clock.forecaster.Forecaster`.
        """
        asked = self.record.duration_s + np.atleast_1d(np.asarray(times, dtype=float))
        how: dict[str, Any] = {"averaging_time_s": averaging_time_s, "environment": environment}
        if as_left is None:
            return self.frequency_at(asked, **how).distribution
        change = self.frequency_change_at(asked, **how).distribution
        return change.shifted(as_left.value).widened(as_left.standard_uncertainty)

    def time_error(
        self, times: npt.ArrayLike, *, environment: Mapping[str, Course] | None = None
    ) -> Forecast:
        """Return the time error gained at times in seconds after the end of the record."""
        asked = self.record.duration_s + np.atleast_1d(np.asarray(times, dtype=float))
        return self.time_error_at(asked, environment=environment)

    def paths(
        self,
        times: FloatArray,
        n: int,
        rng: np.random.Generator,
        *,
        of: Quantity = "offset",
        averaging_time_s: float | None = None,
        as_left: Estimate | None = None,
        environment: Mapping[str, Course] | None = None,
    ) -> Iterator[Paths]:
        """Yield paths at times in seconds after the end of the record, those of one noise together.

        Notes
        -----
        Temperature to come and the display are one unknown for each path, which grows as their standard
        uncertainty does: the worst they can do to a clock that stays alone. Between two times an offset
        moves by the random walk, a time error by white FM.
        """
        courses = self._checked_courses(environment)
        block, end = self.blocks.length_s, self.record.duration_s
        if of == "time_error":
            spans = Spans(start=np.ones(len(times)), stop=1 + times / end)
            for draw in self._drawn_frequencies(spans, courses, n, rng):
                shape = (len(draw.growth), 1)
                swung = rng.standard_normal(shape) * self._time_swing(times, courses)
                shown = rng.standard_normal(shape) * self.blocks.display.time_error(times)
                yield Paths(
                    mean=draw.mean * times + swung + shown,
                    covariance=draw.covariance * np.outer(times, times),
                    growth=draw.growth,
                    diffusion=draw.white * block,  # Allan variance h₀/2τ; time error varies by h₀t/2
                )
            return
        over = self.averaging_time_s if averaging_time_s is None else averaging_time_s
        spans = self._spans_around(np.append(end + times, [] if as_left is None else [end]), over)
        known_to = self._frequency_floor(end + times, over, courses)
        for draw in self._drawn_frequencies(spans, courses, n, rng):
            mean, covariance = np.broadcast_to(draw.mean, (len(draw.growth), len(spans))), draw.covariance
            if as_left is not None:  # the change since the end
                cross = covariance[:-1, -1]
                covariance = covariance[:-1, :-1] - cross[:, np.newaxis] - cross + covariance[-1, -1]
                mean = mean[:, :-1] - mean[:, -1:] + drawn_from(as_left, len(mean), rng)[:, np.newaxis]
            yield Paths(
                mean=mean + rng.standard_normal((len(mean), 1)) * known_to,
                covariance=covariance,
                growth=draw.growth,
                diffusion=3 * draw.walk / block,  # Allan variance of random-walk FM: q τ/3
            )

    def _drawn_frequencies(
        self, spans: Spans, courses: Mapping[str, Course], count: int, rng: np.random.Generator
    ) -> Iterator[DrawnMeans]:
        """Yield mean frequencies over spans after the record, as wide as the record's past showed."""
        designs = self._designs(spans, courses)
        middle, wider = float(self.blocks.frequency.mean()), self.self_test.widened_by
        expected: FloatArray | float = middle
        if wider > 1:
            said = self._predict(Targets(spans=spans, designs=designs))
            expected = middle + self.scale * said.distribution.mean
        square = (wider * self.scale) ** 2
        for draw in self._drawn(spans, designs, count, rng):
            yield DrawnMeans(
                mean=expected + wider * (middle + self.scale * draw.mean - expected),
                covariance=square * draw.covariance,
                growth=draw.growth,
                white=square * draw.white,
                walk=square * draw.walk,
            )

    def _drawn(
        self, spans: Spans, designs: Sequence[FloatArray], count: int, rng: np.random.Generator
    ) -> Iterator[DrawnMeans]:
        """Yield ``count`` means over spans, as many from each point of the posterior as its weight gives."""
        joint = Joint(self._posterior, spans, designs)
        weights = np.array([component.weight for component in self.components])
        shares = rng.multinomial(count, weights / weights.sum())
        with one_thread():
            for index in np.flatnonzero(shares).tolist():
                component = self.components[index]
                said = joint.at(component)
                freedom = said.degrees_of_freedom
                level = said.level * freedom / rng.chisquare(freedom, shares[index])
                walk = walk_ratio(self.grid, component)
                yield DrawnMeans(
                    mean=said.location, covariance=said.shape, growth=level, white=level, walk=walk * level
                )

    @cached_property
    def grounds(self) -> Grounds:
        """What its forecasts rest on: the record, which vouches for as long as it is itself."""
        return Grounds(
            kind="log",
            reach_s=self.record.duration_s,
            first_s=self.blocks.length_s,
            drift_rate=self.aging_rate(),
            averaging_time_s=self.averaging_time_s,
            reference_stated=False,
            log=self,
        )

    @cached_property
    def least_squares(self) -> LeastSquaresLine:
        """What plain least squares would have said of the aging rate, for comparison."""
        acting = self.trend.lag_points[0].columns
        design = self.trend.columns(AGING_LAWS["linear"], (), self.grid.spans, acting)
        level = np.zeros(design.shape[1] - 1)  # after the record the environment is at its mean
        level[self.trend.width : self.trend.width + len(self.trend.step_times)] = 1.0
        return least_squares_line(self.blocks.frequency, design, self.record.duration_s, level)

    def _predict(self, targets: Targets) -> Predicted:
        return self._posterior.predict(targets)

    def _wider(self, elapsed: FloatArray) -> FloatArray:
        """Return by how much what is predicted for some times is widened, shape (m,)."""
        return np.where(elapsed > self.record.duration_s * (1 + 1e-9), self.self_test.widened_by, 1.0)

    def _spans_around(self, elapsed: FloatArray, over_s: float) -> Spans:
        if not 0 < over_s < math.inf:
            msg = f"averaging_time_s is {over_s}; it must be a positive time in seconds"
            raise InputError(msg)
        spans = Spans(start=elapsed - 0.5 * over_s, stop=elapsed + 0.5 * over_s)
        return spans.scaled(1 / self.record.duration_s)

    def _forecast(
        self, quantity: ForecastQuantity, elapsed: FloatArray, distribution: StudentMixture
    ) -> Forecast:
        """Return the forecast with the means by law, and a finding where it reaches too far."""
        forecast = Forecast(
            quantity=quantity,
            times_s=elapsed,
            horizon_s=elapsed - self.record.duration_s,
            distribution=distribution,
            laws=means_by_law(distribution, self._law_of_part(), self.laws),
        )
        return replace(forecast, findings=extrapolation_findings(forecast, self.record.duration_s))

    def _law_of_part(self) -> list[str]:
        """Return the aging law behind every component of a predicted mixture."""
        return [self.variants[component.variant].law.name for component in self.components]

    @property
    def _y(self) -> FloatArray:
        """Block averages less their mean, in units of the scale."""
        return (self.blocks.drawn - self.blocks.drawn.mean()) / self.scale

    @cached_property
    def _posterior(self) -> Posterior:
        return Posterior(
            grid=self.grid, frequency=self._y, variants=self.variants, components=self.components
        )

    def sensitivity(self, name: str, order: int = 1, *, at: float | None = None) -> Estimate:
        """Return the change of fractional frequency per unit of a covariate, or of its square or cube.

        Parameters
        ----------
        name
            Of a covariate that was part of the fit.
        order
            Which coefficient of y = k₁ (T - at) + k₂ (T - at)² + k₃ (T - at)³, T being the lagged covariate.
        at
            Where the polynomial is taken; by default the mean over the record.

        Raises
        ------
        InputError
            If the covariate was not part of the fit, or not to this order.

        Notes
        -----
        Generalized least squares at every point of the noise grid, mixed over it, over the aging laws
        and over the lag. NaN where the record cannot tell the covariate apart; a finding says from what.
        """
        unit = _per_unit(name, order)
        if name in self.trend.not_determined:
            return Estimate.normal(math.nan, math.nan, unit)
        influence = self._influence_named(name)
        if order not in range(1, influence.order + 1):
            msg = f"{name} was fitted to order {influence.order}; there is no coefficient of order {order!r}"
            raise InputError(msg)
        away = 0.0 if at is None else (at - influence.mean) / influence.spread
        powers = range(1, influence.order + 1)
        shares = [math.comb(power, order) * away ** max(power - order, 0) for power in powers]
        mixture = self._combined(lambda width: self.trend.first_of(name, width), shares)
        return Estimate(distribution=mixture.scaled(influence.spread**-order), unit=unit)

    def change_between(self, name: str, start: float, stop: float) -> Estimate:
        """Return how fractional frequency changes when a covariate goes from one value to another.

        Raises
        ------
        InputError
            If the covariate was not part of the fit.

        Notes
        -----
        Of the fitted polynomial once the lag has passed, carried on where the record saw no such value. NaN
        where the record cannot tell the covariate apart.
        """
        if name in self.trend.not_determined:
            return Estimate.normal(math.nan, math.nan)
        influence = self._influence_named(name)
        low, high = ((value - influence.mean) / influence.spread for value in (start, stop))
        shares = [high**power - low**power for power in range(1, influence.order + 1)]
        return Estimate(distribution=self._combined(lambda width: self.trend.first_of(name, width), shares))

    def lag(self, name: str) -> Estimate:
        """Return the time constant in seconds by which the clock follows a covariate.

        Raises
        ------
        InputError
            If the covariate was not part of the fit.

        Notes
        -----
        See :func:`evenbeat.clock.lag.fine_view`. A lag that was stated has no uncertainty. NaN where the
        record cannot tell the covariate apart.
        """
        if name in self.trend.not_determined:
            return Estimate.normal(math.nan, math.nan, "s")
        return self._influence_named(name).lag

    def daily_wave(self) -> Estimate:
        """Return the amplitude of the daily wave of frequency that no covariate explains.

        Raises
        ------
        InputError
            If there is none in the model.
        """
        return self._wave(SECONDS_PER_DAY)

    def yearly_wave(self) -> Estimate:
        """Return the amplitude of the yearly wave of frequency that no covariate explains.

        Raises
        ------
        InputError
            If there is none in the model.
        """
        return self._wave(SECONDS_PER_YEAR)

    def _wave(self, period_s: float) -> Estimate:
        if period_s not in self.trend.waves_s:
            msg = f"no {WAVES[period_s]} wave is in this model: none was asked for, and none stands out"
            raise InputError(msg)
        from_end = 2 * (len(self.trend.waves_s) - self.trend.waves_s.index(period_s))
        parts = self._wave_parts[self.trend.waves_s.index(period_s)]
        shares = parts / (math.hypot(*parts) or 1.0)
        return Estimate(distribution=self._combined(lambda width: width - from_end, shares))

    def _combined(
        self, first_of: Callable[[int], int], shares: Sequence[float] | FloatArray
    ) -> StudentMixture:
        """Return a combination of neighbouring coefficients from a place in so many columns on."""
        designs = [self.variants[component.variant].design.shape[1] for component in self.components]
        weight = np.zeros((len(designs), max(designs)))
        for row, width in zip(weight, designs, strict=True):
            row[first_of(width) :][: len(shares)] = shares
        return self._posterior.combination(weight).scaled(self.scale)

    def _environment_rows(self) -> list[tuple[str, str]]:
        """Return what the printed model says of the environment."""
        rows = []
        for influence in self.trend.influences:
            powers = range(1, influence.order + 1)
            words = [f"sensitivity to {influence.name}", "  its square", "  its cube"]
            rows += [(words[power - 1], str(self.sensitivity(influence.name, power))) for power in powers]
            rows.append(("  lag", str(influence.lag)))
        rows += [(f"sensitivity to {name}", NOT_DETERMINED) for name in self.trend.not_determined]
        rows += [(f"{WAVES[p]} wave, amplitude", str(self._wave(p))) for p in self.trend.waves_s]
        return rows

    def _environment_facts(self) -> dict[str, object]:
        """Return what plain values say of the environment; ``None`` where nothing is known."""
        unknown = self.trend.not_determined
        known = {i.name: self.sensitivity(i.name) for i in self.trend.influences}
        found: dict[str, object] = {
            "sensitivity": {**known, **dict.fromkeys(unknown)},
            **({"not_determined": dict(unknown)} if unknown else {}),
            "lag_s": {i.name: i.lag for i in self.trend.influences},
        }
        higher = {
            i.name: [self.sensitivity(i.name, power) for power in range(2, i.order + 1)]
            for i in self.trend.influences
            if i.order > 1
        }
        if higher:
            found["sensitivity_of_higher_order"] = higher
        return found | {f"{WAVES[p]}_wave_amplitude": self._wave(p) for p in self.trend.waves_s}

    @cached_property
    def _wave_parts(self) -> FloatArray:
        """Expected sine and cosine of each wave, shape (w, 2), in the scaled unit."""
        count = 2 * len(self.trend.waves_s)
        return self._expected(lambda width: width - count, count).reshape(-1, 2)

    @cached_property
    def _effects(self) -> FloatArray:
        """Expected coefficients of the influences' columns, shape (q,), in the scaled unit."""
        return self._expected(self.trend.first_influence, self.trend.width)

    def _expected(self, first_of: Callable[[int], int], count: int) -> FloatArray:
        """Return the expected values of neighbouring coefficients from a place in so many columns on."""
        total = np.zeros(count)
        for component in self.components:
            coefficients = self.variants[component.variant].fit.coefficients[component.node, component.walk]
            total += component.weight * coefficients[first_of(len(coefficients)) :][:count]
        return total

    def _influence_named(self, name: str) -> FittedInfluence:
        for influence in self.trend.influences:
            if influence.name == name:
                return influence
        names = ", ".join(influence.name for influence in self.trend.influences) or "none"
        msg = f"{name!r} was not fitted; the environment of this model is: {names}"
        raise InputError(msg)

    def _checked_courses(self, courses: Mapping[str, Course] | None) -> Mapping[str, Course]:
        """Return the courses, all of covariates that were fitted."""
        for name in courses or {}:
            if name in self.trend.not_determined:
                msg = f"no forecast can follow {name}: {self.trend.not_determined[name]}"
                raise InputError(msg)
            self._influence_named(name)
        return courses or {}

    def _designs(self, spans: Spans, courses: Mapping[str, Course] | None = None) -> tuple[FloatArray, ...]:
        """Return the trend's columns: at the environment as it was, and after the record by its courses."""
        acting = [
            self.trend.acting_over(spans, self.grid.spans, point, courses or {})
            for point in self.trend.lag_points
        ]
        return tuple(
            self.trend.columns(variant.law, variant.curvature, spans, acting[variant.lag_point])
            for variant in self.variants
        )

    def _to_come(
        self, after_s: FloatArray, courses: Mapping[str, Course] | None
    ) -> tuple[list[tuple[float, FloatArray]], FloatArray]:
        """Return what is unknown of the amplitude at each period, and of the rest to come, shapes (m,).

        A wave without a covariate is trusted as that of a covariate: one record later its phase is unknown.
        """
        ahead, record_s = np.maximum(after_s, 0.0), self.record.duration_s
        amplitude, residual = self.trend.swing_and_residual(self._effects, courses or {}, ahead)
        swings = [(SECONDS_PER_DAY, amplitude * self.scale)]
        for period, parts in zip(self.trend.waves_s, self._wave_parts, strict=True):
            swings.append((period, self.scale * math.hypot(*parts) * np.minimum(ahead / record_s, 1.0)))
        return swings, residual * self.scale

    def _frequency_floor(
        self, elapsed: FloatArray, averaging_time_s: float, courses: Mapping[str, Course] | None = None
    ) -> FloatArray:
        """Return what temperature to come and the display leave unknown of mean frequencies, shape (m,)."""
        swings, unknown = self._to_come(elapsed - self.record.duration_s, courses)
        for period, amplitude in swings:
            shown = abs(float(np.sinc(averaging_time_s / period)))
            unknown = np.hypot(unknown, amplitude / math.sqrt(2) * shown)
        drifted = self.blocks.display.rate * np.maximum(elapsed - self.record.duration_s, 0.0)
        return np.hypot(np.hypot(unknown, self.blocks.display.offset), drifted)

    def _time_swing(self, horizon: FloatArray, courses: Mapping[str, Course] | None = None) -> FloatArray:
        """Return the standard uncertainty of time error from temperature to come.

        A swing of unknown phase gives A P/2π √(1 - cos 2πt/P) until half a period; after that its largest
        value stays, because nobody's days repeat so well that whole ones cancel. The rest counts as being
        over all of the horizon what it is at its end, which is the worst it can do.
        """
        swings, residual = self._to_come(horizon, courses)
        unknown = residual * horizon
        for period, amplitude in swings:
            angle = 2 * math.pi * np.minimum(horizon / period, 0.5)
            unknown = np.hypot(unknown, amplitude * period / (2 * math.pi) * np.sqrt(1 - np.cos(angle)))
        return unknown

    def _columns(self) -> tuple[Column, ...]:
        spans = self.blocks.spans
        return (
            Column("start_s", spans.start),
            Column("stop_s", spans.stop),
            Column("fractional_frequency", self.blocks.frequency),
            *(Column(name, column) for name, column in self.blocks.covariates.items()),
        )

    def to_dict(self) -> dict[str, Any]:
        """Return what was found, not the averages, as plain values; what is not known is ``None``."""
        return plain({**self._facts(), "findings": self.findings})

    def _facts(self) -> Mapping[str, object]:
        rate = self.aging_rate()
        return {
            "blocks": len(self.blocks),
            "block_s": self.blocks.length_s,
            "noise_prior": self.noise_prior,
            "noise": self.noise,
            "wandering_drift_probability": self.wandering,
            "aging_laws": self.laws,
            "aging_rate_per_second": rate,
            "aging_rate_per_day": rate.per_day,
            **self._environment_facts(),
            "least_squares": self.least_squares,
            "self_test": self.self_test,
        }

    def _headline(self) -> str:
        return (
            f"ClockModel on {len(self.blocks)} averages of {duration_text(self.blocks.length_s)}: "
            f"aging {self.aging_rate().per_day}"
        )

    def _lines(self) -> list[tuple[str, str]]:
        rows = [
            ("aging rate at the end", str(self.aging_rate().per_day)),
            ("  least squares would say", str(self.least_squares.rate.per_day)),
        ]
        rows += self._environment_rows()
        noise = self.noise
        for exponent, level in noise.by_exponent.items():
            said = f"{level:.2e}" if level > 0 else ""
            if level <= 0 and exponent in noise.upper_limits:
                said = f"not seen, below {noise.upper_limits[exponent]:.1e}"
            rows += [(f"{NOISE_NAMES[exponent]} h({exponent:+d})", said)] if said else []
        rows += [
            (f"{spoken(law.law)} law", f"weight {law.weight:.2f}") for law in self.laws if len(self.laws) > 1
        ]
        return rows


def _per_unit(name: str, order: int) -> str:
    """Return the unit of a coefficient: that of the covariate, as its name states it."""
    power = POWERS[order - 1] if order in range(1, len(POWERS) + 1) else ""
    unit = {"°C": "K"}.get(covariate_words(name)[1], covariate_words(name)[1])
    return f"/{unit}{power}" if unit else f"per unit of {name}{power}"


def _variance_terms(
    distribution: StudentMixture,
    *,
    horizon_s: FloatArray,
    levels: LevelPosterior,
    aging: FloatArray,
    environment: FloatArray,
    display: FloatArray,
    reference: FloatArray | None = None,
) -> VarianceTerms:
    """Divide the variance of a time error, shape (m,), into its causes.

    Notes
    -----
    The noise terms are what no past record could predict (optimum predictors, NIST TN 1337: h₀t/2,
    2h₋₁t² and (2π²/3)h₋₂t³; qt⁵/20 of a wandering drift). What is left after all terms is the frequency
    at the start, which would be known better from a longer or quieter record; it cannot be negative, because
    observing the sum of the noises tells less than observing each.
    """
    spread = (distribution.locations - distribution.mean[:, np.newaxis]) ** 2 @ distribution.weights
    terms = {
        "white FM": levels.mean(WHITE_FM) / 2 * horizon_s,
        "flicker FM": 2 * levels.mean(FLICKER_FM) * horizon_s**2,
        "random-walk FM": 2 * math.pi**2 / 3 * levels.mean(RANDOM_WALK_FM) * horizon_s**3,
        "wandering drift": levels.mean(WANDERING_DRIFT) / 20 * horizon_s**5,
        "aging": aging,
        "environment": environment,
        "display": display,
        "noise model": spread,
    }
    if reference is not None:
        terms["reference"] = reference
    rest = distribution.standard_deviation**2 - sum(terms.values())
    # calibrations bind the terms to each other: what they know of the sum, no term knows by itself
    for name in ("aging", "reference", "flicker FM"):
        if name in terms:
            taken = np.minimum(np.maximum(-rest, 0.0), terms[name])
            terms[name], rest = terms[name] - taken, rest + taken
    return VarianceTerms(by_term={"starting frequency": np.maximum(rest, 0.0), **terms})
