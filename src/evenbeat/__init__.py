"""evenbeat: how good a timebase is, how it ages, how long it can be trusted, when to calibrate it again.

The way data flows, one frozen type at each arrow::

    live counter --collect--> table on disk
    table on disk --read_log--> Record --condition--> Record --stability--> StabilityCurve --+
                                                        |                                    |
                                                        +------fit_clock--> ClockModel ------+
                                                                              |
        predict_holdover -> HoldoverForecast <--------------------------------+
        suggest_interval -> IntervalSuggestion <------------------------------+
                                                                              |
        assess -> Assessment (all of it) -> plot, write_report <--------------+

A first look::

    import evenbeat as eb

    record = eb.condition(eb.read_log("kittiwake.csv.gz"))
    print(eb.stability(record, "overlapping_allan"))
    model = eb.fit_clock(record, environment=("oven_temperature_c",))
    print(model.aging_rate().per_day)
    print(eb.suggest_interval(model, tolerance=1e-8, reliability=0.95))

Everything inside is SI: seconds, hertz, and fractional frequency without a unit.
"""

from importlib import import_module
from typing import TYPE_CHECKING, Any

__version__ = "0.1.0"

_HOMES = {
    "EvenbeatError": "errors",
    "InputError": "errors",
    "LogError": "errors",
    "TooShortError": "errors",
    "OutputError": "errors",
    "InstrumentError": "errors",
    "EvenbeatWarning": "errors",
    "demo_data": "shipped.files",
    "Finding": "findings",
    "Estimate": "quantities",
    "Record": "record",
    "NoiseLevels": "powerlaw",
    "simulate_clock": "powerlaw",
    "read_log": "logs.reader",
    "inspect_log": "logs.inspection",
    "Inspection": "logs.inspection",
    "convert_log": "logs.bulk.convert",
    "ConvertedLog": "logs.bulk.convert",
    "stability": "stability.estimators",
    "StabilityCurve": "stability.curve",
    "time_interval_error": "stability.time_error",
    "TimeErrorCurve": "stability.time_error",
    "spectrum": "stability.spectrum",
    "Spectrum": "stability.spectrum",
    "fit_noise_levels": "stability.levels.fit",
    "NoiseFit": "stability.levels.noise_fit",
    "corrected_for_dead_time": "stability.dead_time",
    "separate_clocks": "stability.separation.hats",
    "SeparatedClocks": "stability.separation.separated_clocks",
    "without_reference": "stability.separation.reference",
    "CorrectedCurve": "stability.separation.reference",
    "moving_stability": "stability.moving",
    "MovingStability": "stability.moving",
    "LimitLine": "stability.limits.line",
    "limit_lines": "stability.limits.published",
    "compare_with_limit": "stability.limits.comparison",
    "LimitVerdict": "stability.limits.comparison",
    "condition": "conditioning.condition",
    "conditioning_report": "conditioning.report",
    "ConditioningReport": "conditioning.report",
    "difference": "comparing.difference",
    "corrected_for_reference": "comparing.difference",
    "Influence": "clock.environment",
    "Course": "clock.environment",
    "fit_clock": "clock.fit",
    "CalibrationPoint": "clock.calibration_points",
    "ClockModel": "clock.model",
    "Forecast": "clock.forecast",
    "backtest": "clock.backtest",
    "Backtest": "clock.tested",
    "crosscheck": "crosscheck.dispatch",
    "predict_holdover": "holdover.forecast",
    "HoldoverForecast": "holdover.forecast",
    "stated_holdover": "holdover.stated",
    "Scenario": "holdover.surroundings",
    "holdover_requirement": "holdover.requirement",
    "HoldoverRequirement": "holdover.requirement",
    "limit_passage": "holdover.passage",
    "LimitPassage": "holdover.passage",
    "suggest_interval": "calibration.interval",
    "IntervalSuggestion": "calibration.interval_suggestion",
    "CalibrationHistory": "calibration.history",
    "fit_history": "calibration.history_model",
    "HistoryModel": "calibration.history_model",
    "compare_methods": "calibration.methods",
    "MethodComparison": "calibration.methods",
    "StatedDrift": "calibration.stated_drift",
    "suggest_setpoint": "calibration.setpoint",
    "SetpointSuggestion": "calibration.setpoint",
    "fit_reliability": "calibration.reliability",
    "ReliabilityComparison": "calibration.reliability",
    "fit_degradation": "calibration.degradation",
    "DegradationFit": "calibration.degradation",
    "decide": "calibration.decision",
    "Decision": "calibration.decision",
    "DecisionRule": "calibration.decision",
    "global_risk": "calibration.decision",
    "plan_experiment": "calibration.experiment",
    "ExperimentPlan": "calibration.experiment",
    "Specification": "calibration.specification",
    "check_specification": "calibration.specification_verdict",
    "SpecificationVerdict": "calibration.specification_verdict",
    "back_cast": "calibration.back_cast",
    "BackCast": "calibration.back_cast",
    "Trigger": "counter.trigger",
    "Timebase": "counter.timebase",
    "Contribution": "counter.budget",
    "reading_uncertainty": "counter.reading",
    "ReadingUncertainty": "counter.reading",
    "best_uncertainty": "counter.reach",
    "Reach": "counter.reach",
    "bench_check": "counter.bench",
    "BenchCheck": "counter.bench",
    "timebase_card": "counter.card",
    "TimebaseCard": "counter.card",
    "needed_for": "counter.card",
    "suggest_adjustment": "counter.adjustment",
    "AdjustmentAdvice": "counter.adjustment",
    "collect": "instruments.collect",
    "Collected": "instruments.result",
    "assess": "assessment.assess",
    "Assessment": "assessment.assess",
    "assess_history": "assessment.history_case",
    "HistoryAssessment": "assessment.history_case",
    "DecisionBasis": "assessment.basis",
    "Register": "register.register",
    "KeptAssessment": "register.facts",
    "import_table": "register.tables",
    "verify_register": "register.verification",
    "Verification": "register.verification",
    "assess_fleet": "fleet.assess_fleet",
    "DueList": "fleet.due",
    "plot": "figures.dispatch",
    "write_report": "report.write",
    "write_history_report": "report.history_report",
}
__all__ = list(_HOMES)

# A submodule is bound to its package when it is imported for the first time, never again. Two rooms share
# their name with the function people call: importing them here (they import nothing heavy) and letting go of
# the names leaves `evenbeat.stability` and `evenbeat.crosscheck` to __getattr__, whatever is imported later.
for _room in ("stability", "crosscheck"):
    import_module(f"evenbeat.{_room}")
    del globals()[_room]

if TYPE_CHECKING:
    from evenbeat.assessment.assess import Assessment as Assessment
    from evenbeat.assessment.assess import assess as assess
    from evenbeat.assessment.basis import DecisionBasis as DecisionBasis
    from evenbeat.assessment.history_case import HistoryAssessment as HistoryAssessment
    from evenbeat.assessment.history_case import assess_history as assess_history
    from evenbeat.calibration.back_cast import BackCast as BackCast
    from evenbeat.calibration.back_cast import back_cast as back_cast
    from evenbeat.calibration.decision import Decision as Decision
    from evenbeat.calibration.decision import DecisionRule as DecisionRule
    from evenbeat.calibration.decision import decide as decide
    from evenbeat.calibration.decision import global_risk as global_risk
    from evenbeat.calibration.degradation import DegradationFit as DegradationFit
    from evenbeat.calibration.degradation import fit_degradation as fit_degradation
    from evenbeat.calibration.experiment import ExperimentPlan as ExperimentPlan
    from evenbeat.calibration.experiment import plan_experiment as plan_experiment
    from evenbeat.calibration.history import CalibrationHistory as CalibrationHistory
    from evenbeat.calibration.history_model import HistoryModel as HistoryModel
    from evenbeat.calibration.history_model import fit_history as fit_history
    from evenbeat.calibration.interval import suggest_interval as suggest_interval
    from evenbeat.calibration.interval_suggestion import IntervalSuggestion as IntervalSuggestion
    from evenbeat.calibration.methods import MethodComparison as MethodComparison
    from evenbeat.calibration.methods import compare_methods as compare_methods
    from evenbeat.calibration.reliability import ReliabilityComparison as ReliabilityComparison
    from evenbeat.calibration.reliability import fit_reliability as fit_reliability
    from evenbeat.calibration.setpoint import SetpointSuggestion as SetpointSuggestion
    from evenbeat.calibration.setpoint import suggest_setpoint as suggest_setpoint
    from evenbeat.calibration.specification import Specification as Specification
    from evenbeat.calibration.specification_verdict import SpecificationVerdict as SpecificationVerdict
    from evenbeat.calibration.specification_verdict import check_specification as check_specification
    from evenbeat.calibration.stated_drift import StatedDrift as StatedDrift
    from evenbeat.clock.backtest import backtest as backtest
    from evenbeat.clock.calibration_points import CalibrationPoint as CalibrationPoint
    from evenbeat.clock.environment import Course as Course
    from evenbeat.clock.environment import Influence as Influence
    from evenbeat.clock.fit import fit_clock as fit_clock
    from evenbeat.clock.forecast import Forecast as Forecast
    from evenbeat.clock.model import ClockModel as ClockModel
    from evenbeat.clock.tested import Backtest as Backtest
    from evenbeat.comparing.difference import corrected_for_reference as corrected_for_reference
    from evenbeat.comparing.difference import difference as difference
    from evenbeat.conditioning.condition import condition as condition
    from evenbeat.conditioning.report import ConditioningReport as ConditioningReport
    from evenbeat.conditioning.report import conditioning_report as conditioning_report
    from evenbeat.counter.adjustment import AdjustmentAdvice as AdjustmentAdvice
    from evenbeat.counter.adjustment import suggest_adjustment as suggest_adjustment
    from evenbeat.counter.bench import BenchCheck as BenchCheck
    from evenbeat.counter.bench import bench_check as bench_check
    from evenbeat.counter.budget import Contribution as Contribution
    from evenbeat.counter.card import TimebaseCard as TimebaseCard
    from evenbeat.counter.card import needed_for as needed_for
    from evenbeat.counter.card import timebase_card as timebase_card
    from evenbeat.counter.reach import Reach as Reach
    from evenbeat.counter.reach import best_uncertainty as best_uncertainty
    from evenbeat.counter.reading import ReadingUncertainty as ReadingUncertainty
    from evenbeat.counter.reading import reading_uncertainty as reading_uncertainty
    from evenbeat.counter.timebase import Timebase as Timebase
    from evenbeat.counter.trigger import Trigger as Trigger
    from evenbeat.crosscheck.dispatch import crosscheck as crosscheck
    from evenbeat.errors import EvenbeatError as EvenbeatError
    from evenbeat.errors import EvenbeatWarning as EvenbeatWarning
    from evenbeat.errors import InputError as InputError
    from evenbeat.errors import InstrumentError as InstrumentError
    from evenbeat.errors import LogError as LogError
    from evenbeat.errors import OutputError as OutputError
    from evenbeat.errors import TooShortError as TooShortError
    from evenbeat.figures.dispatch import plot as plot
    from evenbeat.findings import Finding as Finding
    from evenbeat.fleet.assess_fleet import assess_fleet as assess_fleet
    from evenbeat.fleet.due import DueList as DueList
    from evenbeat.holdover.forecast import HoldoverForecast as HoldoverForecast
    from evenbeat.holdover.forecast import predict_holdover as predict_holdover
    from evenbeat.holdover.passage import LimitPassage as LimitPassage
    from evenbeat.holdover.passage import limit_passage as limit_passage
    from evenbeat.holdover.requirement import HoldoverRequirement as HoldoverRequirement
    from evenbeat.holdover.requirement import holdover_requirement as holdover_requirement
    from evenbeat.holdover.stated import stated_holdover as stated_holdover
    from evenbeat.holdover.surroundings import Scenario as Scenario
    from evenbeat.instruments.collect import collect as collect
    from evenbeat.instruments.result import Collected as Collected
    from evenbeat.logs.bulk.convert import ConvertedLog as ConvertedLog
    from evenbeat.logs.bulk.convert import convert_log as convert_log
    from evenbeat.logs.inspection import Inspection as Inspection
    from evenbeat.logs.inspection import inspect_log as inspect_log
    from evenbeat.logs.reader import read_log as read_log
    from evenbeat.powerlaw import NoiseLevels as NoiseLevels
    from evenbeat.powerlaw import simulate_clock as simulate_clock
    from evenbeat.quantities import Estimate as Estimate
    from evenbeat.record import Record as Record
    from evenbeat.register.facts import KeptAssessment as KeptAssessment
    from evenbeat.register.register import Register as Register
    from evenbeat.register.tables import import_table as import_table
    from evenbeat.register.verification import Verification as Verification
    from evenbeat.register.verification import verify_register as verify_register
    from evenbeat.report.history_report import write_history_report as write_history_report
    from evenbeat.report.write import write_report as write_report
    from evenbeat.shipped.files import demo_data as demo_data
    from evenbeat.stability.curve import StabilityCurve as StabilityCurve
    from evenbeat.stability.dead_time import corrected_for_dead_time as corrected_for_dead_time
    from evenbeat.stability.estimators import stability as stability
    from evenbeat.stability.levels.fit import fit_noise_levels as fit_noise_levels
    from evenbeat.stability.levels.noise_fit import NoiseFit as NoiseFit
    from evenbeat.stability.limits.comparison import LimitVerdict as LimitVerdict
    from evenbeat.stability.limits.comparison import compare_with_limit as compare_with_limit
    from evenbeat.stability.limits.line import LimitLine as LimitLine
    from evenbeat.stability.limits.published import limit_lines as limit_lines
    from evenbeat.stability.moving import MovingStability as MovingStability
    from evenbeat.stability.moving import moving_stability as moving_stability
    from evenbeat.stability.separation.hats import separate_clocks as separate_clocks
    from evenbeat.stability.separation.reference import CorrectedCurve as CorrectedCurve
    from evenbeat.stability.separation.reference import without_reference as without_reference
    from evenbeat.stability.separation.separated_clocks import SeparatedClocks as SeparatedClocks
    from evenbeat.stability.spectrum import Spectrum as Spectrum
    from evenbeat.stability.spectrum import spectrum as spectrum
    from evenbeat.stability.time_error import TimeErrorCurve as TimeErrorCurve
    from evenbeat.stability.time_error import time_interval_error as time_interval_error


def __getattr__(name: str) -> Any:
    """Import a public name from its room on first use, so that ``import evenbeat`` stays quick."""
    if name not in _HOMES:
        msg = f"module 'evenbeat' has no attribute {name!r}"
        raise AttributeError(msg)
    value = getattr(import_module(f"evenbeat.{_HOMES[name]}"), name)
    globals()[name] = value
    return value


def __dir__() -> list[str]:
    """Return the public names."""
    return sorted([*_HOMES, "__version__"])
