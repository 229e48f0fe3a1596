"""Fitting the clock model to a record."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import replace

import numpy as np
from scipy import special

from evenbeat.clock.aging import AgingLaw, Curvature, chosen_laws
from evenbeat.clock.blocks import MOST_BLOCKS, Blocks, Display, blocks_of, phase_steps
from evenbeat.clock.calibration_points import Calibrations, calibration_points
from evenbeat.clock.design import (
    FEWEST_DAYS,
    Asked,
    Felt,
    Trend,
    after_steps,
    told_apart,
    trend_of,
    wave_over,
)
from evenbeat.clock.environment import HIGHEST_ORDER, Influence, chosen_influences
from evenbeat.clock.fusion import adjustment_times, fused_model, same_step
from evenbeat.clock.lag import FineView, fine_view, spread_over_lags
from evenbeat.clock.model import ClockModel
from evenbeat.clock.noise_grid import NoiseGrid, NoisePrior, fit_on_grid, noise_grid
from evenbeat.clock.origins import (
    LawWeight,
    aicc,
    best,
    by_law,
    curvature_shares,
    innovation_findings,
    law_findings,
    searched,
    tested_on_its_past,
    weigh_laws,
    with_forecast_scores,
)
from evenbeat.clock.oscillator_classes import OscillatorName
from evenbeat.clock.plausibility import StatedPrior, class_findings
from evenbeat.clock.prediction import Component, Variant
from evenbeat.clock.regression import ranked
from evenbeat.deviations.sums.kernels import one_thread
from evenbeat.errors import DisplayLimitedError, InputError, TooShortError
from evenbeat.findings import Finding, caution, merged, note
from evenbeat.plausible import stated_nominal
from evenbeat.quantities import Estimate, FloatArray
from evenbeat.record import Record, check_record
from evenbeat.units import SECONDS_PER_DAY, SECONDS_PER_HOUR, SECONDS_PER_YEAR, duration_text, percent

KEPT_PROBABILITY = 0.998
FEW_BLOCKS = 30
LONGEST_FOR_WAVE = 0.6
"""Longest blocks, in periods, that show a wave: 86 % of its amplitude is gone at a whole one."""
WAVE_BY_CHANCE, FEW_TURNS_BY_CHANCE = 1e-3, 3e-5
"""Probability under the fitted noise from which a wave stands out, also where it turned less than thrice:
there a drift that wanders or changed once looks like one (at 1e-3 13 of 100 were taken for a wave)."""
FEW_TURNS = 3.0
WANDERS_FROM_S = 10 * SECONDS_PER_DAY
"""Length of a record from which on a drift may wander beside a modelled environment."""
BENDS = 8.0
"""Difference of AICc from which a covariate acts along a curve."""
WANDERS = 0.5
"""Probability of a wandering drift from which it is said."""
MOST_COUNTS_OF_DRIFT = 1.5
ROUNDING = 1e-12
"""Share of the spread of the averages that is rounding."""


@one_thread()
def fit_clock(
    record: Record,
    *,
    aging: str | Sequence[str] = "auto",
    age_s: float | None = None,
    retrace: bool = False,
    environment: str | Influence | Sequence[str | Influence] = (),
    daily_wave: bool = False,
    noise_prior: NoisePrior = "balanced",
    oscillator_class: OscillatorName | None = None,
    most_blocks: int = MOST_BLOCKS,
    calibrations: Calibrations = (),
    reference_offset: Estimate | None = None,
    reference_drift: Estimate | None = None,
) -> ClockModel:
    """Fit noise, aging and temperature of a clock to its record.

    Parameters
    ----------
    record
        Phase or frequency, conditioned: excluded samples are left out, and flagged steps of frequency and
        phase have a free size. Nothing else is conditioned here.
    aging
        One of the laws ``'none'``, ``'linear'``, ``'logarithmic'``, ``'square_root'``, ``'power'``,
        ``'exponential'`` and ``'logarithmic_and_linear'``, or several of them, weighted by AICc of the
        same correlated likelihood; ``'auto'`` stands for linear, logarithmic and exponential: after the
        record the frequency goes on as it does, slows down without end, or stops.
    age_s
        For how long the oscillator had been running, undisturbed, when the record began: bounds the
        bend of the laws that begin with it. Unknown by default, and then profiled.
    retrace
        Whether every settling after an interruption that conditioning flagged goes on as a decaying
        exponential, besides the step; its time constant is profiled. Four times as many fits.
    environment
        Covariates of the record that act on the clock. Of a plain name the thermal lag is found from the
        record, and whether it acts along a straight line or a curve up to the third order, by the same
        likelihood; an :class:`evenbeat.Influence` states order and lag. What cannot be told
        apart from aging, steps or another covariate is left out, and a finding says so.
    daily_wave
        Whether a sine of one day without a covariate is in the model though it does not stand out. One of a
        day or a year that does is found by itself, and is a finding.
    noise_prior
        ``'uniform'``, ``'balanced'`` or ``'cautious'``: how readily weak flicker and random-walk FM
        are assumed to hide under white FM; wider bands the more cautious. See
        :meth:`evenbeat.clock.noise_grid.NoiseGrid.log_prior`.
    oscillator_class
        ``'uncompensated'``, ``'temperature_compensated'``, ``'oven'``, ``'rubidium'`` or ``'caesium'``:
        what is usual for it becomes nine tenths of the prior (common practice; see
        :mod:`evenbeat.clock.plausibility`), and noise or aging that is not is a finding.
    most_blocks
        Number of block averages that is not exceeded (200 where white PM matters).
    calibrations
        Dated offsets against a better reference, inside the record, before or after it: see
        :class:`evenbeat.CalibrationPoint`, or a table of them. They enter the same model, and answers
        become absolute; if they contradict the log, they do not, and a finding says so.
    reference_offset, reference_drift
        Fractional offset of the log's own reference at the end of the log, and its drift per second, as
        far as they are known: both enter every answer. Without them it counts as perfect.

    Returns
    -------
    ClockModel
        Forecasts offset and time error, tells the aging rate and sensitivities.

    Raises
    ------
    InputError
        If a covariate or a law does not exist.
    DisplayLimitedError
        If all readings are the same, but for steps.
    TooShortError
        If fewer than 8 block averages come out, or too few for the number of parameters.

    Notes
    -----
    Restricted likelihood of block averages under the generalized covariance of the power-law noises;
    deterministic. Not valid for noises outside white PM to random-walk FM, nor for a clock whose
    noise changes within the record.

    Examples
    --------
    >>> import evenbeat as eb
    >>> noise = eb.NoiseLevels(white_fm=1e-20, random_walk_fm=1e-30)
    >>> record = eb.simulate_clock(600, interval_s=60, levels=noise, seed=1)
    >>> model = eb.fit_clock(record)
    >>> model.aging_rate().per_day.sign_established()
    False

    References
    ----------
    Formula: y = Xβ + noise; l = -½[(N-p) ln s² + ln|A'VA|]; β by generalized least squares
    Source: Patterson and Thompson 1971 (restricted likelihood); Barnes 1983 (drift); MIL-PRF-55310
        (logarithmic aging)
    Tests: tests/coverage/real_clocks.py
    """
    check_record(record)
    influences = chosen_influences(record, environment)
    if influences:
        record.needs_grid("a model of the environment")
    aging_laws = _laws(record, aging, age_s, retrace=retrace)
    display = Display.of(record, ages=any(law.terms for law in aging_laws))
    blocks = blocks_of(record, [each.name for each in influences], most_blocks)
    blocks = replace(blocks, display=display)
    points, assumed = calibration_points(
        calibrations, stated_nominal(record.findings, record.nominal_frequency_hz)
    )
    step_times = _step_times(record, blocks, adjustment_times(record, points))
    scale = _scale(record, blocks, step_times)
    if daily_wave and blocks.length_s > LONGEST_FOR_WAVE * SECONDS_PER_DAY:
        msg = (
            f"blocks of {duration_text(blocks.length_s)} average over the daily wave; "
            "raise most_blocks or leave daily_wave out"
        )
        raise InputError(msg)
    waves_s = (SECONDS_PER_DAY,) if daily_wave else ()
    asked = Asked(influences=influences, step_times=step_times, waves_s=waves_s).changing(blocks.covariates)
    asked, trend, fine = _trend(asked, record, blocks, aging_laws)
    duration = record.duration_s
    spans = blocks.spans.scaled(1 / duration)
    grid = noise_grid(
        spans,
        blocks.length_s / duration,
        with_white_pm=blocks.white_pm_shows,
        gating=None if blocks.gating is None else blocks.gating.scaled(1 / duration),
    )
    y = (blocks.drawn - blocks.drawn.mean()) / scale
    plain = (environment,) if isinstance(environment, str | Influence) else environment
    open_order = frozenset(n for n in plain if isinstance(n, str))
    bent, told = _bent(asked, open_order, trend, record, blocks, grid, y, aging_laws[0])
    if bent is not asked:
        asked, trend, fine = _trend(bent, record, blocks, aging_laws)
    variants = _variants(grid, trend, y, aging_laws)
    waves = _waves_that_stand_out(grid, y, variants, duration, known=trend.waves_s)
    if waves:
        trend = replace(trend, waves_s=(*trend.waves_s, *waves))
        variants = _variants(grid, trend, y, aging_laws)
    laws = weigh_laws(variants, observations=len(blocks) - 1, noise_levels=len(grid.covariances) - 1)
    laws = with_forecast_scores(laws, grid, y, variants, scale)
    variants, trend = spread_over_lags(grid, trend, y, variants)
    prior = StatedPrior(
        grid=grid,
        noise_prior=noise_prior,
        oscillator_class=oscillator_class,
        scale=scale,
        block_s=blocks.length_s,
    )
    components = _components(prior, trend, variants, laws)
    model = ClockModel(
        record=record,
        blocks=blocks,
        grid=grid,
        trend=trend,
        variants=variants,
        components=components,
        laws=laws,
        scale=scale,
        noise_prior=noise_prior,
        oscillator_class=oscillator_class,
        self_test=tested_on_its_past(grid, y, variants, components, duration),
    )
    model = model.with_findings(
        *merged(
            record.findings,
            assumed,
            blocks.findings,
            _step_findings(record, step_times, trend.step_times),
            asked.findings,
            told,
            _findings(model),
            _environment_findings(model, fine),
            [_wave_finding(model, period) for period in waves],
            [model.self_test.finding()],
        )
    )
    model = model.with_findings(*class_findings(model, prior))
    if not points and reference_offset is None and reference_drift is None:
        return model
    return fused_model(model, points, reference_offset=reference_offset, reference_drift=reference_drift)


def _scale(record: Record, blocks: Blocks, step_times: tuple[float, ...]) -> float:
    """Return the unit of frequency: the spread of the averages."""
    scale = float(np.std(blocks.drawn))
    after = after_steps(step_times, blocks.spans.scaled(1 / record.duration_s))
    constant, sizes = ranked(after).least_squares(blocks.drawn)
    if not float(np.std(blocks.drawn - constant - after @ sizes)) > ROUNDING * scale:
        which = f"all {len(blocks)} block averages are the same ({blocks.frequency[0]:.6g})"
        if scale > 0:
            which = f"but for steps all {len(blocks)} block averages are the same"
        msg = (
            f"{which}: the display, not the oscillator, limits this record, and no clock model can be fitted "
            "unless the record states its resolution"
        )
        raise DisplayLimitedError(msg)
    return scale


def _trend(
    asked: Asked, record: Record, blocks: Blocks, laws: Sequence[AgingLaw]
) -> tuple[Asked, Trend, FineView]:
    """Return what can be told apart of what is asked, its trend, and what fine averages say of it.

    What has a lag to be found is judged as if it had none before, because a lag alone must not tell it
    apart, and everything under the lags that were found.
    """

    def at_once(influence: Influence) -> FloatArray:
        """Return powers of a covariate over the blocks, shape (n, order), (n, 0) if its lag is stated."""
        column = blocks.covariates[influence.name]
        order = influence.order if influence.lag_s in ("fit", 0) else 0
        return np.power.outer((column - column.mean()) / column.std(), np.arange(1, order + 1))

    while True:
        acting = [[at_once(each) for each in asked.influences]]
        kept = told_apart(asked, laws, blocks, acting, record_s=record.duration_s)
        parameters = 2 + max(1, *(law.columns for law in laws)) + len(kept.step_times) + 2 * len(kept.waves_s)
        parameters += sum(each.order for each in kept.influences)
        if len(blocks) < parameters + 4:
            msg = f"{len(blocks)} block averages are too few for {parameters} parameters; log longer"
            raise TooShortError(msg, needed=parameters + 4, available=len(blocks))
        fine = fine_view(record, kept.influences)
        trend = trend_of(record, blocks, kept, fine.lags)
        acting = [trend.powers_of_each(point) for point in trend.lag_points] if trend.influences else []
        asked = told_apart(kept, laws, blocks, acting, record_s=record.duration_s)
        if asked is kept:
            return asked, trend, fine


def _bent(
    asked: Asked,
    plain: frozenset[str],
    trend: Trend,
    record: Record,
    blocks: Blocks,
    grid: NoiseGrid,
    y: FloatArray,
    law: AgingLaw,
) -> tuple[Asked, list[Finding]]:
    """Return what is asked with the order of the curve that the record shows, and a finding for each.

    Orders two and three are held against the straight line by AICc of the likelihood, at the lags of the
    line; by chance it differs by 8 in less than half a percent of records (χ² of one and of two).
    """
    if len(blocks) < FEW_BLOCKS:
        return asked, []
    curvature = tuple(axis[len(axis) // 2] for axis in law.axes)
    tried = [each.name in plain and each.order == 1 for each in asked.influences]
    if not any(tried):
        return asked, []
    highest = [
        replace(each, order=HIGHEST_ORDER if open_ else each.order)
        for each, open_ in zip(trend.influences, tried, strict=True)
    ]
    cubic = Felt(record, blocks, highest).point(trend.lag_points[0].lags_s)
    powers = replace(trend, influences=tuple(highest)).powers_of_each(cubic)

    def score(orders: Sequence[int]) -> float:
        acting = np.hstack([each[:, :order] for each, order in zip(powers, orders, strict=True)])
        design = trend.columns(law, curvature, grid.spans, acting)
        parameters = design.shape[1] + len(grid.covariances) - 1
        return aicc(best(fit_on_grid(grid, y, design)[0]), parameters, len(blocks) - 1)

    told = []
    orders = [each.order for each in asked.influences]
    for place, influence in enumerate(asked.influences):
        if not tried[place]:
            continue
        least = score(orders) - BENDS
        for order in range(2, HIGHEST_ORDER + 1):
            value = score([*orders[:place], order, *orders[place + 1 :]])
            if value < least:
                least, orders[place] = value, order
        if (order := orders[place]) > 1:
            sentence = (
                f"{influence.name} acts along a curve, not a line: order {order} was taken, as it shows; "
                f"{influence.name}:1 (order=1) keeps the line."
            )
            told.append(note("INFLUENCE_CURVED", sentence, covariate=influence.name, order=order))
    if told:
        pairs = zip(asked.influences, orders, strict=True)
        asked = replace(asked, influences=tuple(replace(each, order=order) for each, order in pairs))
    return asked, told


def _waves_that_stand_out(
    grid: NoiseGrid, y: FloatArray, variants: Sequence[Variant], record_s: float, *, known: tuple[float, ...]
) -> tuple[float, ...]:
    """Return the periods, of a day and a year, at which frequency swings beyond what noise and aging explain.

    A sine and a cosine are added to the law that fits best; what the likelihood gains over all noises, those
    of a wandering drift too, is tested as F of two columns.
    """
    found: list[float] = []
    base = max(variants, key=lambda each: float(each.fit.log_likelihood.max()))
    design, before = base.design, float(base.fit.log_likelihood.max())
    for period, fewest in ((SECONDS_PER_DAY, FEWEST_DAYS), (SECONDS_PER_YEAR, 1.0)):
        turns = record_s / period
        long = float(np.median(grid.spans.length)) * turns > LONGEST_FOR_WAVE
        beside = np.column_stack([design, wave_over(turns, grid.spans)])
        free = len(y) - beside.shape[1] - len(grid.covariances)
        if period in known or turns < fewest or long or free < FEW_BLOCKS // 2:
            continue
        (fit,) = fit_on_grid(grid, y, beside)
        gained = float(fit.log_likelihood.max()) - before
        ratio = np.expm1(2 * gained / (len(y) - 1)) * free / 2
        if fit.kept[-2:].all() and special.fdtrc(2, free, ratio) < (
            WAVE_BY_CHANCE if turns >= FEW_TURNS else FEW_TURNS_BY_CHANCE
        ):
            found.append(period)
            design, before = beside, float(fit.log_likelihood.max())
    return tuple(found)


def _wave_finding(model: ClockModel, period_s: float) -> Finding:
    daily = period_s == SECONDS_PER_DAY
    turn, amplitude = ("day", model.daily_wave()) if daily else ("year", model.yearly_wave())
    sentence = (
        f"Frequency swings by ±{abs(amplitude.value):.2g} once a {turn}, which no covariate "
        "explains (by chance in less than one record in a thousand): the model carries it on, and one record "
        "length ahead its phase counts as unknown. Log the temperature."
    )
    return caution(
        "WAVE_NOT_LOGGED",
        sentence,
        period_s=period_s,
        amplitude=abs(amplitude.value),
        standard_uncertainty=amplitude.standard_uncertainty,
    )


def _step_times(record: Record, blocks: Blocks, adjusted: FloatArray) -> tuple[float, ...]:
    """Return scaled times of the frequency steps and adjustments that have blocks on both sides.

    Where the display hides the clock, one that comes to the next count drifts: that is no step.
    """
    least = MOST_COUNTS_OF_DRIFT * blocks.display.step if blocks.display.hides else 0.0
    flagged = [f for f in record.steps if f.cause == "frequency_step"]
    times = [record.time_of(f.start) for f in flagged if f.size is None or abs(f.size) > least]
    for time in adjusted.tolist():
        if all(abs(time - known) > same_step(blocks.length_s) for known in times):
            times.append(time)
    first, last = blocks.spans.stop[0], blocks.spans.start[-1]
    return tuple(time / record.duration_s for time in times if first <= time <= last)


def _step_findings(record: Record, seen: tuple[float, ...], modelled: tuple[float, ...]) -> Iterator[Finding]:
    """Say which flagged steps the model allows for; ``seen`` are those with averages on both sides."""
    flagged = [record.time_of(f.start) for f in record.steps if f.cause == "frequency_step"]
    known = sum(time / record.duration_s in modelled for time in set(flagged))
    counts = [(known, "frequency"), (len(set(phase_steps(record))), "phase")]
    said = [f"{count} step{'s' * (count > 1)} of {what}" for count, what in counts if count]
    if said:
        sentence = (
            f"The clock model allows for {' and '.join(said)}: their sizes are free, so that they move "
            "neither the aging nor the forecast."
        )
        values = {f"{what}_steps": count for count, what in counts}
        yield note("STEPS_MODELLED", sentence, **values)
    for time in flagged:
        if time / record.duration_s not in seen:
            sentence = (
                f"The frequency step {duration_text(time)} into the record has no average of the clock model "
                "on both sides, or is one count of the display, so that the model does not know it."
            )
            yield caution("STEP_NOT_MODELLED", sentence, elapsed_s=time)


def _laws(
    record: Record, aging: str | Sequence[str], age_s: float | None, *, retrace: bool
) -> tuple[AgingLaw, ...]:
    """Return the laws to compare, bounded by the oscillator's age, with transients after interruptions."""
    laws, duration = chosen_laws(aging), record.duration_s
    if retrace:  # settling after an interruption goes on unflagged
        ends = [record.time_of(f.stop) for f in record.flags if f.cause == "warm_up" and f.start > 0]
        starts = [end / duration for end in ends if end < 0.9 * duration]
        if not starts:
            msg = "retrace needs an interruption with settling after it, and conditioning flagged none"
            raise InputError(msg)
        laws = tuple(law.with_retrace(starts) for law in laws)
    if age_s is None:
        return laws
    if not 0 < age_s < math.inf:
        msg = f"age_s is {age_s}; it must be the positive time for which the oscillator had been running"
        raise InputError(msg)
    return tuple(law.begun_before(age_s / duration) for law in laws)


def _variants(
    grid: NoiseGrid, trend: Trend, y: FloatArray, laws: tuple[AgingLaw, ...]
) -> tuple[Variant, ...]:
    def fitted(law: AgingLaw, curvatures: list[Curvature]) -> Iterator[Variant]:
        acting = trend.lag_points[0].columns
        designs = [trend.columns(law, each, grid.spans, acting) for each in curvatures]
        for curvature, design, fit in zip(curvatures, designs, fit_on_grid(grid, y, *designs), strict=True):
            yield Variant(law=law, curvature=curvature, design=design, fit=fit)

    return tuple(variant for law in laws for variant in searched(law, fitted))


def _components(
    prior: StatedPrior, trend: Trend, variants: tuple[Variant, ...], laws: tuple[LawWeight, ...]
) -> tuple[Component, ...]:
    """Return the points of the posterior that hold all but a fraction of a percent of it.

    No drift wanders where none is said to be, nor beside an environment within days: what is left there of a
    temperature that does not hold everywhere at once is as smooth, and would take the response with it.
    """
    heated = bool(trend.influences) and trend.record_s < WANDERS_FROM_S
    share = {law.law: law.weight for law in laws}
    middle = tuple(variant for variant in variants if variant.lag_point == 0)
    curvature = np.concatenate([curvature_shares(group) for group in by_law(middle).values()])
    curvature = np.concatenate([point.weight * curvature for point in trend.lag_points])
    weights = np.empty((len(variants), *variants[0].fit.level.shape))
    for index, variant in enumerate(variants):
        log_weight = prior.log_weight(variant.fit) + variant.fit.log_restricted
        if heated or not variant.law.columns:
            log_weight[variant.fit.walks :] = -np.inf
        within = np.exp(log_weight - special.logsumexp(log_weight))
        weights[index] = within * share[variant.law.name] * curvature[index]
    order = np.argsort(weights, axis=None)[::-1]
    ranked = weights.ravel()[order]
    kept = int(np.searchsorted(np.cumsum(ranked), KEPT_PROBABILITY)) + 1
    mass = ranked[:kept].sum()
    places = (axis.tolist() for axis in np.unravel_index(order[:kept], weights.shape))
    return tuple(
        Component(variant=i, node=j, walk=k, weight=weight)
        for i, j, k, weight in zip(*places, (ranked[:kept] / mass).tolist(), strict=True)
    )


def _findings(model: ClockModel) -> Iterator[Finding]:
    display, count = model.blocks.display, len(model.blocks)
    yield from law_findings(model.laws)
    if not display.hides:  # a display that stands still for days looks like a quiet clock
        yield from innovation_findings(model.grid, model._y, model.variants, model.record)
    if any(math.isnan(influence.diurnal_amplitude) for influence in model.trend.influences):
        sentence = (
            "The record is shorter than two days, so forecasts know neither the daily swing of temperature "
            "nor variations beyond what was logged."
        )
        yield note("NO_DIURNAL_CYCLE", sentence)
    if not all(variant.fit.kept.all() for variant in model.variants):
        sentence = (
            "At some curvatures of the aging laws not all terms of the model can be told apart; there the "
            "later ones are left out."
        )
        yield caution("TERMS_NOT_TOLD_APART", sentence)
    if model.wandering >= WANDERS:
        sentence = (
            f"The drift itself wanders (probability {percent(model.wandering)}): the aging rate is that at "
            "the end of the record, and a forecast widens accordingly."
        )
        rate = model.aging_rate().per_day.value
        yield note("DRIFT_WANDERS", sentence, probability=model.wandering, aging_per_day=rate)
    elif model.wandering:
        change = model.wandering_limit * SECONDS_PER_DAY
        sentence = (
            f"No drift that wanders is seen; one that changes by up to {change:.2g} per day in such a record "
            "(root mean square, 95 %) would hide, and the aging rate be off by more than its interval says."
        )
        yield note("NO_WANDERING_DRIFT", sentence, change_per_day=change)
    if count < FEW_BLOCKS:
        sentence = (
            f"{count} averages hardly tell a random walk from white noise: of simulated random walks the "
            "95 % interval of the aging rate held the truth in about nine cases of ten (8 to 20 averages)."
        )
        yield caution("FEW_AVERAGES", sentence, averages=count)
    if display.hides:
        per_day = display.rate * SECONDS_PER_DAY
        of_rate = f" and {per_day:.1e} per day of the aging rate" if per_day else ""
        sentence = (
            "Neighbouring readings mostly repeat the same displayed value, so averaging does not see within "
            f"a display step of {display.step:.2g}: every reading counts as an interval, which leaves at "
            f"least {display.offset:.1e} (step/√6) unknown of every absolute frequency{of_rate}."
        )
        values = {"standard_uncertainty": display.offset, "aging_per_day": per_day}
        yield caution("DISPLAY_HIDES", sentence, **values)


COLLINEAR = 10.0
"""Variance inflation from which two effects count as not told apart (common practice)."""
CLEARLY = 3.5
"""Standard uncertainties from which a difference between rising and falling is reported."""
NEAR_LONGEST = 0.9
DWELL = 5
"""Lags to wait after a step of temperature: 99 % of it has arrived by then."""


def _environment_findings(model: ClockModel, fine: FineView) -> Iterator[Finding]:
    """Return what there is to say of the environment of a fitted clock."""
    yield from _collinear(model)
    for influence, (effect, error), turns in zip(
        model.trend.influences, fine.direction_effect, fine.turns, strict=True
    ):
        name = influence.name
        high = influence.lag.interval()[1] if influence.lag.standard_uncertainty > 0 else 0.0
        if high > NEAR_LONGEST * fine.longest_s:
            sentence = (
                f"How fast the clock follows {name} cannot be seen in this record: every lag up to "
                f"{duration_text(fine.longest_s)} fits about as well."
            )
            yield note("LAG_NOT_SEEN", sentence, longest_s=fine.longest_s)
        if math.isfinite(effect) and abs(effect) > CLEARLY * error:
            sentence = (
                f"At the same {name}, its lag allowed for, frequency differs by {2 * effect:+.1e} between "
                "rising and falling: hysteresis, or a second and longer lag; the sensitivity is a mean of "
                "both."
            )
            values = {"rising_minus_falling": 2 * effect, "standard_uncertainty": 2 * error}
            yield caution("HYSTERESIS", sentence, **values)
        for moment in turns:
            sentence = (
                f"The frequency step {duration_text(moment)} into the record came just as {name} changed its "
                "course: rather hysteresis or what drives it (a heater, its supply) than the oscillator."
            )
            yield caution("STEP_WITH_ENVIRONMENT", sentence, after_s=moment)


def _collinear(model: ClockModel) -> Iterator[Finding]:
    """Say where an influence can hardly be told apart from aging or steps: what these add to its variance."""
    top = model.components[0]
    variant = model.variants[top.variant]
    if not model.trend.influences or not variant.fit.kept.all():
        return
    inverse = variant.fit.inverse_information[top.node, top.walk]
    spread = np.sqrt(np.diag(inverse))
    aging, first = variant.law.columns, model.trend.first_step(len(inverse))
    without_aging = _variances_without(inverse, slice(0, aging))
    without_steps = _variances_without(inverse, slice(first, first + len(model.trend.step_times)))
    for influence in model.trend.influences:
        place = model.trend.first_of(influence.name, len(inverse))
        inflation = float(inverse[place, place] / without_aging[place])
        if inflation > COLLINEAR:
            correlation = float(inverse[0, place] / (spread[0] * spread[place]))
            step = 3 * influence.spread
            step = max(step, 3.0) if influence.name.endswith(("_c", "_k")) else step
            dwell = max(DWELL * influence.lag.value, 2 * SECONDS_PER_HOUR)
            sentence = (
                f"{influence.name} moves with time, so its influence and the aging are hard to tell apart "
                f"(variance inflation {inflation:.0f}, correlation {correlation:+.2f}). An experiment tells: "
                f"change it on purpose by {step:.2g} both ways, {duration_text(dwell)} at each, log on."
            )
            values = {"variance_inflation": inflation, "correlation": correlation}
            yield caution("COLLINEAR_WITH_AGING", sentence, **values, dwell_s=dwell, step=step)
        inflation = float(inverse[place, place] / without_steps[place])
        if inflation > COLLINEAR:
            sentence = (
                f"{influence.name} changes little but where the clock stepped, so its influence and the "
                f"step are hard to tell apart (variance inflation {inflation:.0f}). Change it on purpose at "
                "another time."
            )
            yield caution("COLLINEAR_WITH_STEP", sentence, variance_inflation=inflation)


def _variances_without(inverse: FloatArray, some: slice) -> FloatArray:
    """Return the variances of all coefficients over σ² if some were known to be zero, shape (p,)."""
    variances = np.diag(inverse).copy()
    rest = np.setdiff1d(np.arange(len(inverse)), np.arange(len(inverse))[some])
    information = np.linalg.inv(inverse)
    variances[rest] = np.diag(np.linalg.inv(information[np.ix_(rest, rest)]))
    return variances
