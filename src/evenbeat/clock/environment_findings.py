"""What a fit says of its environment in words: collinearity with aging, lags, hysteresis."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from evenbeat.clock.design import FittedInfluence
from evenbeat.clock.lag import FineView
from evenbeat.findings import Finding
from evenbeat.quantities import FloatArray
from evenbeat.units import SECONDS_PER_HOUR, duration_text

if TYPE_CHECKING:
    from evenbeat.clock.model import ClockModel

COLLINEAR = 10.0
"""Variance inflation from which two effects count as not told apart (common practice)."""
CLEARLY = 3.5
"""Standard uncertainties from which a difference between rising and falling is reported."""
NEAR_LONGEST = 0.9
DWELL = 5
"""Lags to wait after a step of temperature: 99 % of it has arrived by then."""


def environment_findings(model: ClockModel, fine: FineView) -> list[Finding]:
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


def _collinear(model: ClockModel) -> list[Finding]:
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
    return Finding(
        code="COLLINEAR_WITH_STEP",
        severity="caution",
        sentence=(
            f"{influence.name} changes little but where the clock stepped, so its influence and the step are "
            f"hard to tell apart (variance inflation {inflation:.0f}). Change it on purpose at another time."
        ),
        values={"variance_inflation": inflation},
    )


def _collinear_finding(influence: FittedInfluence, inflation: float, correlation: float) -> Finding:
    dwell = max(DWELL * influence.lag.value, 2 * SECONDS_PER_HOUR)
    step = max(3 * influence.spread, 3.0) if influence.name.endswith(("_c", "_k")) else 3 * influence.spread
    return Finding(
        code="COLLINEAR_WITH_AGING",
        severity="caution",
        sentence=(
            f"{influence.name} moves with time, so its influence and the aging are hard to tell apart "
            f"(variance inflation {inflation:.0f}, correlation {correlation:+.2f}). An experiment "
            f"tells: change it on purpose by {step:.2g} both ways, {duration_text(dwell)} at each, log on."
        ),
        values={"variance_inflation": inflation, "correlation": correlation, "dwell_s": dwell, "step": step},
    )


def _lag_open(influence: FittedInfluence, longest_s: float) -> Finding:
    return Finding(
        code="LAG_NOT_SEEN",
        severity="note",
        sentence=(
            f"How fast the clock follows {influence.name} cannot be seen in this record: every lag up to "
            f"{duration_text(longest_s)} fits about as well."
        ),
        values={"longest_s": longest_s},
    )


def _direction(influence: FittedInfluence, effect: float, error: float) -> Finding:
    return Finding(
        code="HYSTERESIS",
        severity="caution",
        sentence=(
            f"At the same {influence.name}, its lag allowed for, frequency differs by {2 * effect:+.1e} "
            "between rising and falling: hysteresis, or a second and longer lag; the sensitivity is a mean "
            "of both."
        ),
        values={"rising_minus_falling": 2 * effect, "standard_uncertainty": 2 * error},
    )


def _turn(influence: FittedInfluence, moment: float) -> Finding:
    return Finding(
        code="STEP_WITH_ENVIRONMENT",
        severity="caution",
        sentence=(
            f"The frequency step {duration_text(moment)} into the record came just as {influence.name} "
            "changed its course: rather hysteresis or what drives it (a heater, its supply) than the "
            "oscillator."
        ),
        values={"after_s": moment},
    )
