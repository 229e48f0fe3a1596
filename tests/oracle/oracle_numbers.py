"""Numbers out of results, attribute by attribute: where a result is reshaped, its line here follows.

An estimate is four numbers: value, standard uncertainty, limits of 95 %. What raises an error is its class.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterable, Sequence
from typing import Any

import numpy as np

import evenbeat as eb

HOUR, DAY = 3600.0, 86400.0
YEAR = 365.25 * DAY
FACTORS = (1, 2, 10, 50, 250, 1250, 6250, 31_250)
FEW = 6


def tried(compute: Callable[..., Any], *arguments: Any, **options: Any) -> Any:
    """Return what is computed, or the class of the error that it raises."""
    try:
        return compute(*arguments, **options)
    except Exception as error:
        return {"error": type(error).__name__}


def estimate(known: eb.Estimate | None) -> list[float] | None:
    """Return value, standard uncertainty and limits of 95 %."""
    return None if known is None else [known.value, known.standard_uncertainty, *known.interval()]


def findings(result: Any, *, beside: Any = None) -> dict[str, Any]:
    """Return codes with severities, and the numbers in the findings that ``beside`` does not have already."""
    known = () if beside is None else beside.findings
    new = [finding for finding in result.findings if finding not in known]
    seen: Counter[str] = Counter()
    values: dict[str, Any] = {}
    for finding in sorted(new, key=lambda each: each.code):
        seen[finding.code] += 1
        which = finding.code if seen[finding.code] == 1 else f"{finding.code} {seen[finding.code]}"
        for name, value in finding.values.items():
            if not isinstance(value, str):
                values[f"{which} {name}"] = value
    return {"codes": codes(result)} | ({"in_findings": values} if values else {})


def codes(result: Any) -> list[str]:
    """Return the codes of the findings with their severities."""
    return sorted(f"{finding.code} {finding.severity}" for finding in result.findings)


def some(count: int) -> np.ndarray:
    """Return a few indices spread over so many."""
    return np.unique(np.linspace(0, count - 1, min(count, FEW)).round().astype(int))


def record(given: eb.Record) -> dict[str, Any]:
    """Return what a record states and a digest of its values."""
    present = given.values[~np.isnan(given.values)]
    return {
        "kind": given.kind,
        "samples": len(given),
        "missing": given.missing,
        "interval_s": given.interval_s,
        "gate_s": given.gate_s,
        "duration_s": given.duration_s,
        "start": None if given.start is None else str(given.start),
        "nominal_frequency_hz": given.nominal_frequency_hz,
        "resolution": given.resolution,
        "counter_weighting": given.counter_weighting,
        "removed_frequency": given.removed_frequency,
        "first_last_mean_std_min_max": [
            present[0],
            present[-1],
            present.mean(),
            present.std(),
            present.min(),
            present.max(),
        ],
        "covariates": {
            name: [np.nanmean(column), np.nanmin(column), np.nanmax(column)]
            for name, column in given.covariates.items()
        },
        "stamp_offset_s": None
        if given.stamp_offset_s is None
        else [np.nanmin(given.stamp_offset_s), np.nanmax(given.stamp_offset_s)],
        **findings(given),
    }


def conditioning(done: eb.Record, *, raw: eb.Record) -> dict[str, Any]:
    """Return flags by cause, steps, and what each check found."""
    causes = sorted({flag.cause for flag in done.flags})
    checks = eb.conditioning_report(done).checks
    of = {cause: [flag for flag in done.flags if flag.cause == cause] for cause in causes}
    return {
        "excluded": done.excluded,
        "missing": done.missing,
        "resolution": done.resolution,
        "flags_count_samples_excluded": {
            cause: [len(flags), sum(f.stop - f.start for f in flags), sum(f.excluded for f in flags)]
            for cause, flags in of.items()
        },
        "first_flags_start_stop": {
            cause: [[f.start, f.stop] for f in flags[:3]] for cause, flags in of.items()
        },
        "steps_cause_index_size_uncertainty": {
            f"{number}": [step.cause, step.start, step.size, step.uncertainty]
            for number, step in enumerate(done.steps)
        },
        "put_back_s": [flag.put_back_s for flag in done.flags if flag.put_back_s is not None][:FEW],
        "checks_found_set_aside": {
            check.check: [check.found, check.set_aside] for check in checks if check.found
        },
        "checks_made": [check.check for check in checks if check.looked],
        **findings(done, beside=raw),
    }


def curve(found: eb.results.StabilityCurve, *, every: int = 1, narrow: bool = False) -> dict[str, Any]:
    """Return a stability curve with its interval of 95 %, or also that of 68 %, every so many points."""
    low, high = found.confidence_interval(0.95)
    columns = {
        "averaging_time_s": found.averaging_time_s,
        "deviation": found.deviation,
        "terms": found.terms,
        "edf": found.edf,
        "low_95": low,
        "high_95": high,
        "noise_exponent": found.noise_exponent,
    }
    if narrow:
        columns["low_68"], columns["high_68"] = found.confidence_interval(0.68)
    return {name: column[::every] for name, column in columns.items()} | {"codes": codes(found)}


def stability(
    given: eb.Record, statistics: Iterable[str], *, narrow: bool = False, **options: Any
) -> dict[str, Any]:
    """Return every statistic of a record, and the names of the noises of one."""
    curves = {
        name: tried(eb.stability, given, name, **{"averaging": factors(given, name)} | options)
        for name in statistics
    }
    numbers = {
        name: found if isinstance(found, dict) else curve(found, narrow=narrow)
        for name, found in curves.items()
    }
    named = curves.get("overlapping_allan")
    if isinstance(named, eb.results.StabilityCurve):
        numbers["overlapping_allan"]["noise"] = named.noise_names
    return numbers


def factors(given: eb.Record, statistic: str = "") -> list[int]:
    """Return a few averaging factors; those of Théo1 begin at ten."""
    least = 10 if statistic == "theo1" else 1
    return [factor for factor in FACTORS if least <= factor < len(given)] or [least]


def time_errors(given: eb.Record, **options: Any) -> dict[str, Any]:
    """Return MTIE and the rms time interval error."""

    def one(statistic: str) -> dict[str, Any]:
        return time_error(eb.time_interval_error(given, statistic, **{"averaging": factors(given)} | options))

    return {statistic: tried(one, statistic) for statistic in ("mtie", "rms")}


def time_error(found: eb.results.TimeErrorCurve) -> dict[str, Any]:
    """Return a curve of time interval error."""
    return {
        "averaging_time_s": found.averaging_time_s,
        "time_error_s": found.time_error_s,
        "windows": found.windows,
        "codes": codes(found),
    }


def spectrum(found: eb.results.Spectrum) -> dict[str, Any]:
    """Return densities with their interval of 95 %, and L(f) where there is a carrier."""
    low, high = found.confidence_interval()
    return {
        "frequency_hz": found.frequency_hz,
        "frequency_density": found.frequency_density,
        "degrees_of_freedom": found.degrees_of_freedom,
        "low_95": low,
        "high_95": high,
        "phase_density_s2_per_hz": found.phase_density_s2_per_hz[:3],
        "phase_noise_dbc_per_hz": found.phase_noise_dbc_per_hz(found.nominal_frequency_hz or 1e7)[:3],
        "sampled": found.sampled,
        "segments": found.segments,
        "segment_s": found.segment_s,
        "codes": codes(found),
    }


def levels(found: eb.NoiseLevels) -> dict[str, Any]:
    """Return the levels of the noises and upper limits of those not detected."""
    return {"by_exponent": found.by_exponent, "upper_limits": found.upper_limits}


def noise_fit(found: eb.results.NoiseFit) -> dict[str, Any]:
    """Return noise levels fitted to the variances of a record."""
    times = found.interval_s * np.array([1.0, 10.0, 100.0])
    return {
        **levels(found.levels),
        "standard_uncertainty": found.standard_uncertainty,
        "drift_per_s": found.drift_per_s,
        "misfit": found.misfit,
        "variances": found.variances,
        "samples": found.samples,
        "detected": found.detected,
        "deviation": {name: tried(found.deviation, name, times) for name in ("allan", "modified_allan")},
        "codes": codes(found),
    }


def moving(found: eb.results.MovingStability) -> dict[str, Any]:
    """Return stability in a moving window, and the changes of noise."""
    low, high = found.confidence_interval()
    return {
        "window_s": found.window_s,
        "step_s": found.step_s,
        "window_start_s": found.window_start_s,
        "averaging_time_s": found.averaging_time_s,
        "deviation": found.deviation,
        "low_95": low,
        "high_95": high,
        "edf": found.edf,
        "terms": found.terms,
        "noise_exponent": found.noise_exponent,
        "comparisons": found.comparisons,
        "changes": [
            [
                change.averaging_time_s,
                change.first_start_s,
                change.second_start_s,
                change.factor,
                change.low,
                change.high,
                change.probability,
            ]
            for change in found.changes
        ],
        "codes": codes(found),
    }


def forecast(found: eb.results.Forecast) -> dict[str, Any]:
    """Return a forecast with its interval of 95 %, and its mean under each law where there are several."""
    low, high = found.interval()
    numbers = {
        "mean": found.mean,
        "standard_uncertainty": found.standard_uncertainty,
        "low_95": low,
        "high_95": high,
        "codes": codes(found),
    }
    return numbers | ({"by_law": found.laws} if len(found.laws) > 1 else {})


def horizons(model: eb.results.ClockModel) -> np.ndarray:
    """Return an hour, a day, a week and half a record after the end of the record."""
    length = model.record.duration_s
    return length + np.array([HOUR, DAY, 7 * DAY, 0.5 * length])


def clock(model: eb.results.ClockModel, *, environment: Sequence[str] = ()) -> dict[str, Any]:
    """Return a clock model and what it answers."""
    length = model.record.duration_s
    times = horizons(model)
    return clock_in_brief(model) | {
        "aging_per_day_at_start": estimate(model.aging_rate(0.0).per_day),
        "aging_per_day_by_least_squares": estimate(model.least_squares.rate.per_day),
        "aging_sign_established": model.aging_rate().sign_established(),
        "sensitivity": {name: estimate(model.sensitivity(name)) for name in environment},
        "lag_s": {name: estimate(model.lag(name)) for name in environment},
        "frequency_within": forecast(model.frequency_at([0.25 * length, length])),
        "frequency_change": forecast(model.frequency_change_at(times)),
    }


def clock_in_brief(model: eb.results.ClockModel) -> dict[str, Any]:
    """Return a clock model and its forecasts."""
    times = horizons(model)
    return {
        "blocks": len(model.blocks),
        "block_s": model.blocks.length_s,
        "display_uncertainty": model.blocks.display.offset if model.blocks.display.hides else 0.0,
        "noise": levels(model.noise),
        "laws": {
            law.law: [
                law.weight,
                law.aicc_difference,
                law.forecast_error,
                law.forecast_score,
                law.rejected,
            ]
            for law in model.laws
        },
        "aging_per_day": estimate(model.aging_rate().per_day),
        "frequency": forecast(model.frequency_at(times)),
        "time_error": forecast(model.time_error_at(times)),
        **findings(model, beside=model.record),
    }


def holdover(found: eb.results.HoldoverForecast) -> dict[str, Any]:
    """Return a holdover budget."""
    return {
        "time_error": forecast(found.forecast),
        "terms": list(found.terms.by_term),
        "variance_by_term": list(found.terms.by_term.values()),
        "corrected_half_width": found.corrected_half_width(),
        "time_to_limit_s": found.time_to_limit_s,
        "time_to_limit_corrected_s": found.time_to_limit_corrected_s,
        "codes": codes(found),
    }


def passage(found: eb.results.LimitPassage) -> dict[str, Any]:
    """Return when a limit is left."""
    shown = some(len(found.duration_s))
    return {
        "duration_s": found.duration_s[shown],
        "within": found.within[shown],
        "never_left": found.never_left[shown],
        "standard_error": found.never_left_standard_error[shown],
        "time_within_s": found.time_within_s,
        "time_never_left_s": found.time_never_left_s,
        "codes": codes(found),
    }


def backtest(found: eb.results.Backtest) -> dict[str, Any]:
    """Return how the forecasts did on the record itself."""
    return {
        "origins_s": found.origins_s,
        "tested_to_s": found.tested_to_s,
        "scores": {
            f"{score.quantity} {score.horizon_s:g} s": {
                "verdict": score.verdict,
                "tests": [score.tests, score.independent_tests],
                "coverage": [score.coverage, score.coverage_low, score.coverage_high],
                "width": score.mean_width,
                "interval_score": score.mean_interval_score,
                "ranked_probability_score": score.mean_ranked_probability_score,
                "transform": score.mean_transform,
                "transform_counts": score.transform_counts,
                "p_values": [score.coverage_p_value, score.uniformity_p_value],
                "error_ratio": score.error_ratio,
            }
            for score in found.scores
        },
        "observed": [outcome.observed for outcome in found.outcomes],
        "mean": [outcome.mean for outcome in found.outcomes],
        "transforms": [outcome.transform for outcome in found.outcomes],
        **findings(found),
    }


def interval(found: eb.results.IntervalSuggestion) -> dict[str, Any]:
    """Return a suggested interval, and the offset and probabilities at a few times."""
    shown = some(len(found.elapsed_s))
    numbers = {
        "interval_s": found.interval_s,
        "limited_by": found.limited_by,
        "meaning": found.meaning,
        "uncapped_interval_s": found.uncapped_interval_s,
        "extrapolated_interval_s": found.extrapolated_interval_s,
        "tolerance": [found.tolerance.lower, found.tolerance.upper],
        "guard_band": found.guard_band,
        "as_left": estimate(found.as_left),
        "rounded": None
        if found.rounded is None
        else [found.rounded.count, found.rounded.unit, str(found.rounded.due)],
        "elapsed_s": found.elapsed_s[shown],
        "offset": found.offset.mean[shown],
        "standard_uncertainty": found.offset.standard_deviation[shown],
        "probability": found.probability[shown],
        "average_probability": found.average_probability[shown],
        "standard_uncertainty_by_term": found.standard_uncertainty_by_term,
        "codes": codes(found),
    }
    if found.never_left is not None:
        numbers["never_left"] = found.never_left.probability[some(len(found.never_left.elapsed_s))]
    return numbers


def setpoint(found: eb.results.SetpointSuggestion) -> dict[str, Any]:
    """Return a suggested setpoint."""
    return {
        "as_left": found.as_left,
        "optimum": found.optimum,
        "half_way": found.half_way,
        "gain": found.gain,
        "interval_s": found.interval_s,
        "interval_at_optimum_s": found.interval_at_optimum_s,
        "interval_half_s": found.interval_half_s,
        "interval_at_zero_s": found.interval_at_zero_s,
        "drift_sign_probability": found.drift_sign_probability,
        "evidence_s": found.evidence_s,
        **findings(found),
    }


def history(found: eb.CalibrationHistory) -> dict[str, Any]:
    """Return a history of calibrations."""
    changes = found.increments()
    return {
        "points": len(found.points),
        "time_s": [point.time_s for point in found.points],
        "as_found": [point.as_found for point in found.points],
        "as_left": [point.as_left for point in found.points],
        "adjusted": [point.adjusted for point in found.points],
        "state": [point.state for point in found.points],
        "change": [change.change for change in changes],
        "duration_s": [change.duration_s for change in changes],
        "longest_interval_s": found.longest_interval_s,
        "last_date": str(found.last_date),
        **findings(found),
    }


def history_model(found: eb.results.HistoryModel, tolerance: float) -> dict[str, Any]:
    """Return a clock known from its calibrations."""
    later = YEAR * np.array([0.5, 1.0, 2.0, 5.0])
    offset = found.offset(later)
    low, high = offset.interval()
    return {
        "drift_per_year": estimate(found.drift_per_year),
        "walk_per_root_year": found.walk_per_root_year,
        "logarithmic_share": found.logarithmic_share,
        "common_share": found.common_share,
        "span_s": found.span_s,
        "evidence_s": found.evidence_s,
        "as_left": estimate(found.as_left),
        "offset_after": [offset.mean, offset.standard_deviation, low, high],
        "probability_within": found.probability_within(later, tolerance),
        "interval_s": [tried(found.interval_s, tolerance, share) for share in (0.9, 0.95, 0.99)],
        **findings(found),
    }


def methods(found: eb.results.MethodComparison) -> dict[str, Any]:
    """Return the intervals by several methods."""
    return {
        "methods_interval_low_high_s": {
            one.method: [one.interval_s, one.low_s, one.high_s] for one in found.methods
        },
        "spread": found.spread,
        **findings(found),
    }


def back_cast(found: eb.results.BackCast) -> dict[str, Any]:
    """Return when an offset left its tolerance."""
    shown = some(len(found.elapsed_s))
    return {
        "elapsed_to_found_s": found.elapsed_to_found_s,
        "linear_crossing_s": found.linear_crossing_s,
        "crossing_low_mid_high_s": [found.crossing_low_s, found.crossing_s, found.crossing_high_s],
        "left_by_found": found.left_by_found,
        "elapsed_s": found.elapsed_s[shown],
        "low": found.low[shown],
        "middle": found.middle[shown],
        "high": found.high[shown],
        "out": found.out[shown],
        "left": found.left[shown],
        "affected": [one.affected for one in found.results],
        "probability_outside": [one.probability_outside for one in found.results],
        **findings(found),
    }


def reliability(found: eb.results.ReliabilityComparison) -> dict[str, Any]:
    """Return the reliability models in their order, each with its parameters and interval."""
    return {
        "order": [fit.model.name for fit in found.fits],
        "fits": {
            fit.model.name: {
                "parameters": fit.parameters,
                "negative_log_likelihood": fit.negative_log_likelihood,
                "aic": fit.aic,
                "interval_s": fit.interval_s,
                "limits_s": [fit.interval_low_s, fit.interval_high_s],
                "survival": fit.survival(found.longest_s * np.array([0.1, 0.5, 1.0])),
            }
            for fit in found.fits
        },
        "observations": found.observations,
        "longest_s": found.longest_s,
        "observed": [
            [one.time_s, one.inspected, one.found_in, one.low, one.high] for one in found.observed[:FEW]
        ],
        **findings(found),
    }


def decision(found: eb.results.Decision) -> dict[str, Any]:
    """Return a decision on conformity."""
    return {
        "verdict": found.verdict,
        "conformance_probability": found.conformance_probability,
        "risk": found.risk,
        "guard_band": found.guard_band,
        "expanded_uncertainty": found.expanded_uncertainty,
        "acceptance_limits": found.acceptance_limits,
        "test_uncertainty_ratio": found.test_uncertainty_ratio,
        **findings(found),
    }


def specification(found: eb.results.SpecificationVerdict) -> dict[str, Any]:
    """Return how a record stands to a written specification."""
    return {
        "overall": found.overall,
        "least_probability": found.least_probability,
        "verdicts": [line.verdict for line in found.lines],
        "value_low_high": [[line.value, line.low, line.high] for line in found.lines],
        "guard_band": [line.guard_band for line in found.lines],
        "probability": [line.conformance_probability for line in found.lines],
        "share_of_limit": [line.share_of_limit for line in found.lines],
        **findings(found),
    }


def reading(found: eb.results.ReadingUncertainty) -> dict[str, Any]:
    """Return what a reading is worth."""
    budget = found.budget
    return {
        "reading": found.reading,
        "corrected": found.corrected,
        "step": found.measurement.step,
        "standard_uncertainty": budget.standard_uncertainty,
        "relative_standard_uncertainty": budget.relative_standard_uncertainty,
        "expanded_uncertainty": budget.expanded_uncertainty(),
        "coverage_factor": budget.coverage_factor(),
        "effective_degrees_of_freedom": budget.effective_degrees_of_freedom,
        "limited_by": found.limited_by,
        "contributions": [one.name for one in budget.contributions],
        "standard_uncertainties": [one.standard_uncertainty for one in budget.contributions],
        "shares": budget.shares,
        "improvements": [gain for _, gain in found.improvements],
        **findings(found),
    }


def bench(found: eb.results.BenchCheck) -> dict[str, Any]:
    """Return the check of a counter."""
    points = found.points
    return {
        "verdict": found.verdict,
        "verdicts": [point.verdict for point in points],
        "functions": [point.point.function for point in points],
        "applied": [point.point.applied for point in points],
        "deviation": [point.deviation.value for point in points],
        "standard_uncertainty": [point.deviation.standard_uncertainty for point in points],
        "degrees_of_freedom": [point.deviation.effective_degrees_of_freedom for point in points],
        "limited_by": [point.deviation.limited_by for point in points],
        "permitted": [point.permitted for point in points],
        "conformance_probability": [point.conformance_probability for point in points],
        "timebase_offset": estimate(found.timebase_offset),
        "disagreements": [size for _, _, size in found.disagreements],
        "usable_hz": found.usable_hz,
        **findings(found),
    }


def card(found: eb.results.TimebaseCard) -> dict[str, Any]:
    """Return the card of a timebase."""
    return {"offset": found.offset, "half_width": found.half_width, **findings(found)}


def assessment(found: eb.results.Assessment) -> dict[str, Any]:
    """Return the numbers of a whole assessment; its record and conditioning are frozen by themselves."""
    environment = found.settings["environment"]
    return {
        "environment": environment,
        "stability": {name: curve(each, every=4) for name, each in found.curves.items()},
        "mtie": None if found.time_interval_error is None else time_error(found.time_interval_error),
        "clock": None if found.model is None else clock(found.model, environment=environment),
        "holdover": None if found.holdover is None else holdover(found.holdover),
        "interval": None if found.interval is None else interval(found.interval),
        "display": None
        if found.display is None
        else [found.display.offset, found.display.step, found.display.low, found.display.high],
        "case": None if found.case is None else filed(found.case),
        "codes": codes(found),
    }


def filed(case: Any) -> dict[str, Any]:
    """Return the numbers of a audit record."""
    return {
        "decision": None if case.decision is None else decision(case.decision),
        "variations": [one.changed for one in case.variations],
        "variations_interval_s": [one.interval_s for one in case.variations],
        "variations_reach_the_end": [one.reaches_end for one in case.variations],
        "backtest": None if case.backtest is None else backtest(case.backtest),
        "predicted_low_high_found": [[one.low, one.high, one.found] for one in case.predicted],
        "codes": codes(case),
    }


def due_list(found: eb.results.DueList) -> dict[str, Any]:
    """Return when which instrument of a fleet is due."""
    return {
        "counts": found.counts,
        "order": [one.instrument for one in found.instruments],
        "instruments": {
            one.instrument: {
                "due_state_limited_by": [str(one.due), one.state, one.limited_by],
                "last_calibration": str(one.last_calibration),
                "calibrations": one.calibrations,
                "probability_within": one.probability_within,
                "tolerance": one.tolerance,
                "interval_s": one.interval_s,
                "drift_per_year_and_uncertainty": [one.drift_per_year, one.drift_uncertainty],
                "codes": codes(one),
            }
            for one in found.instruments
        },
        **findings(found),
    }
