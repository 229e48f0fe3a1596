"""The types of what the public functions return, for annotations and ``isinstance``."""

from evenbeat.assessment.assess import Assessment
from evenbeat.assessment.history_case import HistoryAssessment
from evenbeat.calibration.back_cast import BackCast
from evenbeat.calibration.decision import Decision
from evenbeat.calibration.experiment import ExperimentPlan
from evenbeat.calibration.history_model import HistoryModel
from evenbeat.calibration.interval import IntervalSuggestion
from evenbeat.calibration.methods import MethodComparison
from evenbeat.calibration.reliability import ReliabilityComparison
from evenbeat.calibration.setpoint import SetpointSuggestion
from evenbeat.calibration.specification import SpecificationVerdict
from evenbeat.clock.forecaster import Forecast
from evenbeat.clock.model import ClockModel
from evenbeat.clock.tested import Backtest
from evenbeat.conditioning.report import ConditioningReport
from evenbeat.counter.adjustment import AdjustmentAdvice
from evenbeat.counter.bench import BenchCheck
from evenbeat.counter.card import TimebaseCard
from evenbeat.counter.reach import Reach
from evenbeat.counter.reading import ReadingUncertainty
from evenbeat.deviations.curve import StabilityCurve
from evenbeat.deviations.levels import NoiseFit
from evenbeat.deviations.limits import LimitVerdict
from evenbeat.deviations.moving import MovingStability
from evenbeat.deviations.separation import CorrectedCurve, SeparatedClocks
from evenbeat.deviations.spectrum import Spectrum
from evenbeat.deviations.time_error import TimeErrorCurve
from evenbeat.fleet.due import DueList
from evenbeat.holdover.forecast import HoldoverForecast
from evenbeat.holdover.passage import LimitPassage
from evenbeat.instruments.progress import Collected
from evenbeat.ledger import Ledger
from evenbeat.logs.bulk import ConvertedLog
from evenbeat.logs.inspection import Inspection
from evenbeat.register.verification import Verification

__all__ = [
    "AdjustmentAdvice",
    "Assessment",
    "BackCast",
    "Backtest",
    "BenchCheck",
    "ClockModel",
    "Collected",
    "ConditioningReport",
    "ConvertedLog",
    "CorrectedCurve",
    "Decision",
    "DueList",
    "ExperimentPlan",
    "Forecast",
    "HistoryAssessment",
    "HistoryModel",
    "HoldoverForecast",
    "Inspection",
    "IntervalSuggestion",
    "Ledger",
    "LimitPassage",
    "LimitVerdict",
    "MethodComparison",
    "MovingStability",
    "NoiseFit",
    "Reach",
    "ReadingUncertainty",
    "ReliabilityComparison",
    "SeparatedClocks",
    "SetpointSuggestion",
    "SpecificationVerdict",
    "Spectrum",
    "StabilityCurve",
    "TimeErrorCurve",
    "TimebaseCard",
    "Verification",
]
