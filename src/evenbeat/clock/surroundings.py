"""What a fitted clock says of its environment: sensitivities, lags, what is to come, and what is doubtful."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from functools import cached_property

import numpy as np

from evenbeat.clock.blocks import Blocks
from evenbeat.clock.covariance import Spans
from evenbeat.clock.design import FittedInfluence, Trend
from evenbeat.clock.determined import WAVES
from evenbeat.clock.environment import Course, checked_courses
from evenbeat.clock.lag import FineView
from evenbeat.clock.noise_grid import NoiseGrid
from evenbeat.clock.prediction import Component, Posterior, Variant
from evenbeat.errors import InputError
from evenbeat.findings import Finding, caution, note
from evenbeat.quantities import Estimate, FloatArray, StudentMixture
from evenbeat.record import Record
from evenbeat.units import SECONDS_PER_DAY, SECONDS_PER_HOUR, SECONDS_PER_YEAR, covariate_words, duration_text

POWERS = ("", "²", "³")
NOT_DETERMINED = "not determined"


class Surroundings:
    """The part of a clock model that answers for the environment."""

    record: Record
    blocks: Blocks
    grid: NoiseGrid
    trend: Trend
    variants: tuple[Variant, ...]
    components: tuple[Component, ...]
    scale: float

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
        total = np.zeros(2 * len(self.trend.waves_s))
        for component in self.components:
            coefficients = self.variants[component.variant].fit.coefficients[component.node, component.walk]
            total += component.weight * coefficients[len(coefficients) - len(total) :]
        return total.reshape(-1, 2)

    def _influence_named(self, name: str) -> FittedInfluence:
        for influence in self.trend.influences:
            if influence.name == name:
                return influence
        names = ", ".join(influence.name for influence in self.trend.influences) or "none"
        msg = f"{name!r} was not fitted; the environment of this model is: {names}"
        raise InputError(msg)

    @cached_property
    def _effects(self) -> FloatArray:
        """Expected coefficients of the influences' columns, shape (q,), in the scaled unit."""
        total = np.zeros(self.trend.width)
        for component in self.components:
            coefficients = self.variants[component.variant].fit.coefficients[component.node, component.walk]
            first = self.trend.first_influence(len(coefficients))
            total += component.weight * coefficients[first : first + self.trend.width]
        return total

    def _checked_courses(self, courses: Mapping[str, Course] | None) -> dict[str, Course]:
        for name in courses or {}:
            if name in self.trend.not_determined:
                msg = f"no forecast can follow {name}: {self.trend.not_determined[name]}"
                raise InputError(msg)
        return checked_courses(courses, [influence.name for influence in self.trend.influences])

    def _designs(self, spans: Spans, courses: Mapping[str, Course] | None = None) -> tuple[FloatArray, ...]:
        """Return the trend's columns: at the environment as it was, and after the record by its courses."""
        acting = [
            self.trend.acting_over(spans, self.grid.spans, point, courses or {}, self.record.duration_s)
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
        amplitude, residual = self.trend.swing_and_residual(self._effects, courses or {}, ahead, record_s)
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


def _per_unit(name: str, order: int) -> str:
    """Return the unit of a coefficient: that of the covariate, as its name states it."""
    power = POWERS[order - 1] if order in range(1, len(POWERS) + 1) else ""
    unit = {"°C": "K"}.get(covariate_words(name)[1], covariate_words(name)[1])
    return f"/{unit}{power}" if unit else f"per unit of {name}{power}"


COLLINEAR = 10.0
"""Variance inflation from which two effects count as not told apart (common practice)."""
CLEARLY = 3.5
"""Standard uncertainties from which a difference between rising and falling is reported."""
NEAR_LONGEST = 0.9
DWELL = 5
"""Lags to wait after a step of temperature: 99 % of it has arrived by then."""


def environment_findings(model: Surroundings, fine: FineView) -> list[Finding]:
    """Return what there is to say of the environment of a fitted clock."""
    findings = _collinear(model)
    for influence, (effect, error), turns in zip(
        model.trend.influences, fine.direction_effect, fine.turns, strict=True
    ):
        high = influence.lag.interval()[1] if influence.lag.standard_uncertainty > 0 else 0.0
        if high > NEAR_LONGEST * fine.longest_s:
            findings.append(_lag_open(influence, fine.longest_s))
        if math.isfinite(effect) and abs(effect) > CLEARLY * error:
            findings.append(_direction(influence, effect, error))
        findings.extend(_turn(influence, moment) for moment in turns)
    return findings


def _collinear(model: Surroundings) -> list[Finding]:
    """Say where an influence can hardly be told apart from aging or steps: what these add to its variance."""
    top = model.components[0]
    variant = model.variants[top.variant]
    if not model.trend.influences or not variant.fit.kept.all():
        return []
    inverse = variant.fit.inverse_information[top.node, top.walk]
    spread = np.sqrt(np.diag(inverse))
    aging, first = variant.law.columns, model.trend.first_step(len(inverse))
    without_aging = _variances_without(inverse, slice(0, aging))
    without_steps = _variances_without(inverse, slice(first, first + len(model.trend.step_times)))
    found = []
    for influence in model.trend.influences:
        place = model.trend.first_of(influence.name, len(inverse))
        inflation = float(inverse[place, place] / without_aging[place])
        if inflation > COLLINEAR:
            correlation = float(inverse[0, place] / (spread[0] * spread[place]))
            found.append(_collinear_finding(influence, inflation, correlation))
        inflation = float(inverse[place, place] / without_steps[place])
        if inflation > COLLINEAR:
            found.append(_beside_steps(influence, inflation))
    return found


def _variances_without(inverse: FloatArray, some: slice) -> FloatArray:
    """Return the variances of all coefficients over σ² if some were known to be zero, shape (p,)."""
    variances = np.diag(inverse).copy()
    rest = np.setdiff1d(np.arange(len(inverse)), np.arange(len(inverse))[some])
    information = np.linalg.inv(inverse)
    variances[rest] = np.diag(np.linalg.inv(information[np.ix_(rest, rest)]))
    return variances


def _beside_steps(influence: FittedInfluence, inflation: float) -> Finding:
    return caution(
        "COLLINEAR_WITH_STEP",
        (
            f"{influence.name} changes little but where the clock stepped, so its influence and the step are "
            f"hard to tell apart (variance inflation {inflation:.0f}). Change it on purpose at another time."
        ),
        variance_inflation=inflation,
    )


def _collinear_finding(influence: FittedInfluence, inflation: float, correlation: float) -> Finding:
    dwell = max(DWELL * influence.lag.value, 2 * SECONDS_PER_HOUR)
    step = max(3 * influence.spread, 3.0) if influence.name.endswith(("_c", "_k")) else 3 * influence.spread
    return caution(
        "COLLINEAR_WITH_AGING",
        (
            f"{influence.name} moves with time, so its influence and the aging are hard to tell apart "
            f"(variance inflation {inflation:.0f}, correlation {correlation:+.2f}). An experiment "
            f"tells: change it on purpose by {step:.2g} both ways, {duration_text(dwell)} at each, log on."
        ),
        variance_inflation=inflation,
        correlation=correlation,
        dwell_s=dwell,
        step=step,
    )


def _lag_open(influence: FittedInfluence, longest_s: float) -> Finding:
    return note(
        "LAG_NOT_SEEN",
        (
            f"How fast the clock follows {influence.name} cannot be seen in this record: every lag up to "
            f"{duration_text(longest_s)} fits about as well."
        ),
        longest_s=longest_s,
    )


def _direction(influence: FittedInfluence, effect: float, error: float) -> Finding:
    return caution(
        "HYSTERESIS",
        (
            f"At the same {influence.name}, its lag allowed for, frequency differs by {2 * effect:+.1e} "
            "between rising and falling: hysteresis, or a second and longer lag; the sensitivity is a mean "
            "of both."
        ),
        rising_minus_falling=2 * effect,
        standard_uncertainty=2 * error,
    )


def _turn(influence: FittedInfluence, moment: float) -> Finding:
    return caution(
        "STEP_WITH_ENVIRONMENT",
        (
            f"The frequency step {duration_text(moment)} into the record came just as {influence.name} "
            "changed its course: rather hysteresis or what drives it (a heater, its supply) than the "
            "oscillator."
        ),
        after_s=moment,
    )
