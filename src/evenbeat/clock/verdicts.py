"""The verdict of a backtest in words."""

from __future__ import annotations

from collections.abc import Sequence

from evenbeat.clock.tested import FEWEST_INDEPENDENT, HorizonScore
from evenbeat.findings import Finding
from evenbeat.units import duration_text

_MISSES_BY_LUCK = 1.0  # so many independent misses beyond those expected are no matter


def backtest_findings(
    scores: Sequence[HorizonScore], confidence: float, record_s: float
) -> tuple[Finding, ...]:
    """Return the verdict on all horizons together, then how far it reaches."""
    return _verdict(scores, confidence), _reach(scores, record_s)


def _verdict(scores: Sequence[HorizonScore], confidence: float) -> Finding:
    for verdict, finding in (("too narrow", _too_narrow), ("too wide", _too_wide)):
        odd = [score for score in scores if score.verdict == verdict]
        if odd:
            return finding(odd, confidence)
    tested = [score for score in scores if score.verdict == "consistent"]
    if not tested:
        sentence = (
            f"The record is too short to test its own forecasts: no horizon has {FEWEST_INDEPENDENT:.0f} "
            "outcomes that do not overlap."
        )
        return Finding(code="BACKTEST_TOO_FEW", severity="caution", sentence=sentence)
    doubtful = [score for score in tested if _surplus(score, confidence) > _MISSES_BY_LUCK]
    if doubtful:
        return _undecided(doubtful, confidence)
    weakest = max(tested, key=lambda score: score.horizon_s)
    sentence = (
        f"Forecasts up to {duration_text(weakest.horizon_s)} ahead did what they said: {_held(weakest)} "
        f"of the {confidence:.0%} intervals held; with so many independent tests a true share of "
        f"{weakest.coverage_low:.0%} would hardly look different."
    )
    values = {"coverage": weakest.coverage, "independent_tests": weakest.independent_tests}
    return Finding(code="BACKTEST_CONSISTENT", severity="good", sentence=sentence, values=values)


def _surplus(score: HorizonScore, confidence: float) -> float:
    """Return how many independent intervals missed beyond those that may."""
    return (confidence - score.coverage) * score.independent_tests


def _undecided(doubtful: Sequence[HorizonScore], confidence: float) -> Finding:
    worst = max(doubtful, key=lambda score: _surplus(score, confidence))
    sentence = (
        f"Too few tests to confirm the forecasts: {duration_text(worst.horizon_s)} ahead {_held(worst)} of "
        f"the {confidence:.0%} intervals of the {worst.quantity.replace('_', ' ')} held, fewer than stated, "
        "which may be luck. Log longer before you rely on forecasts that far ahead."
    )
    values = {"horizon_s": worst.horizon_s, "coverage": worst.coverage, "error_ratio": worst.error_ratio}
    return Finding(code="BACKTEST_UNDECIDED", severity="note", sentence=sentence, values=values)


def _held(score: HorizonScore) -> str:
    return f"{score.coverage:.0%} (about {score.independent_tests:.0f} independent tests)"


def _too_narrow(odd: Sequence[HorizonScore], confidence: float) -> Finding:
    worst = max(odd, key=lambda score: score.error_ratio)
    sentence = (
        f"Forecasts were too sure: {duration_text(worst.horizon_s)} ahead {_held(worst)} of the "
        f"{confidence:.0%} intervals of the {worst.quantity.replace('_', ' ')} held, and errors were "
        f"{worst.error_ratio:.1f} times what was stated. Widen the bands by that factor, or look for what "
        "the model lacks: temperature, steps, a change of the clock."
    )
    values = {"horizon_s": worst.horizon_s, "coverage": worst.coverage, "error_ratio": worst.error_ratio}
    return Finding(code="BACKTEST_TOO_NARROW", severity="caution", sentence=sentence, values=values)


def _too_wide(odd: Sequence[HorizonScore], confidence: float) -> Finding:
    worst = min(odd, key=lambda score: score.error_ratio)
    sentence = (
        f"Forecasts were safe but wide: {duration_text(worst.horizon_s)} ahead {_held(worst)} of the "
        f"{confidence:.0%} intervals of the {worst.quantity.replace('_', ' ')} held, and errors were "
        f"{worst.error_ratio:.2f} times what was stated."
    )
    values = {"horizon_s": worst.horizon_s, "coverage": worst.coverage, "error_ratio": worst.error_ratio}
    return Finding(code="BACKTEST_TOO_WIDE", severity="note", sentence=sentence, values=values)


def _reach(scores: Sequence[HorizonScore], record_s: float) -> Finding:
    tested = max((s.horizon_s for s in scores if s.verdict != "too few tests"), default=0.0)
    longest = max(score.horizon_s for score in scores)
    values = {"tested_to_s": tested, "record_s": record_s}
    if tested == 0:
        sentence = f"Not tested at any horizon; the longest tried, {duration_text(longest)}, says little."
    elif longest > tested:
        few = next(s for s in scores if s.horizon_s == longest)
        sentence = (
            f"Not tested beyond {duration_text(tested)}: at {duration_text(longest)} the record holds only "
            f"about {few.independent_tests:.0f} independent outcomes."
        )
    else:
        sentence = f"Not tested beyond {duration_text(tested)}."
    return Finding(code="NOT_TESTED_BEYOND", severity="note", sentence=sentence, values=values)
