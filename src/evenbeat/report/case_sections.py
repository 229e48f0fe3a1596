"""The sections of a report that make the case for an interval: decision, sensitivity, test, who decides."""

from __future__ import annotations

import math

from evenbeat.assessment.case import Case
from evenbeat.assessment.variation import steadiness
from evenbeat.calibration.decision import probability_text
from evenbeat.clock.tested import HorizonScore
from evenbeat.report.document import Block, Bullets, Grid, Paragraph, Section, pairs
from evenbeat.units import duration_text, percent, time_text

ACCEPTED = {
    "pass": "accepted",
    "conditional pass": "accepted with a condition",
    "conditional fail": "not accepted, with a condition",
    "fail": "NOT accepted",
}
"""A verdict in words of an internal analysis, which states no conformity."""
BLANK = "______________________________"


def decision_sections(case: Case | None) -> tuple[Section, ...]:
    """Return the rule, what would change the answer, and who decides: what an auditor reads first."""
    if case is None:
        return ()
    return (
        _decision(case),
        Section(heading="What would change the answer", blocks=_sensitivity(case)),
        *_stories(case),
        _who_decides(case),
    )


def test_sections(case: Case | None) -> tuple[Section, ...]:
    """Return the models and how they did on their own past."""
    if case is None:
        return ()
    return (Section(heading="Models and their test", blocks=_models(case), folded=True),)


def _who_decides(case: Case) -> Section:
    """Return the field for the decision, empty where nobody is named."""
    basis = case.basis
    rows = (
        ("Decision on the interval by", basis.decided_by or BLANK),
        ("Date", BLANK if basis.decided_on is None else basis.decided_on.isoformat()),
        ("Interval decided on", BLANK),
        ("Signature", BLANK),
    )
    grid = pairs("To be filled in by the owner of the equipment", rows, heads=("Field", "Entry"), first=40)
    return Section(heading="Who decides", blocks=(grid,))


def _decision(case: Case) -> Section:
    basis = case.basis
    rows = [
        ("Rule", f"{basis.rule.name.replace('_', ' ')}: {basis.rule.says}"),
        ("Chosen on", "not stated" if basis.rule_chosen_on is None else basis.rule_chosen_on.isoformat()),
    ]
    if case.decision is not None:
        made = case.decision
        rows += [
            ("Last value found", str(made.measured)),
            ("By this rule", ACCEPTED[made.verdict]),
            ("Probability of conformance", probability_text(made.conformance_probability)),
            ("Guard band", f"{made.guard_band:.3g}"),
        ]
    grid = pairs(
        "How values are judged (JCGM 106:2012, ILAC-G8:09/2019); no statement of conformity", rows, first=36
    )
    return Section(heading="Decision rule", blocks=(grid,))


def _sensitivity(case: Case) -> tuple[Block, ...]:
    rows = []
    for one in case.variations:
        asked_s = case.variations[0].interval_s
        share = one.interval_s / asked_s if asked_s else math.nan
        rows.append((one.changed, str(one), "–" if math.isnan(share) else f"{100 * share:.0f} %"))
    grid = Grid(
        caption="The interval when one thing is changed, before rounding to the calendar",
        columns=("Changed", "Interval", "of the one asked for"),
        rows=tuple(rows),
        widths=(52, 28, 20),
        numeric=(1, 2),
    )
    return (Paragraph(text=steadiness(list(case.variations))), grid)


def _stories(case: Case) -> tuple[Section, ...]:
    """Return what would break the interval, and the check that would show it in time."""
    if not case.stories:
        return ()
    rows = []
    for one in case.stories:
        per_year = " a year" if one.unit == "1/yr" else ""
        cheap = "none is stated"
        if not math.isnan(one.uncertainties):
            cheap = f"{one.uncertainties:.2g} standard uncertainties"
        when = "at once" if one.check_after_s == 0 else f"after {duration_text(one.check_after_s)}"
        check = f"{when}, u at most {one.check_uncertainty:.2g}"
        if math.isnan(one.check_uncertainty):
            check = f"{when} the forecast is too uncertain: calibrate by then"
        rows.append((one.story, f"{one.size:.2g}{per_year}", cheap, check))
    grid = Grid(
        caption="The cheapest stories first; with each the offset at the end is as likely out as in",
        columns=("Story", "Size it needs", "which is", "Check that shows it"),
        rows=tuple(rows),
        widths=(36, 14, 22, 28),
    )
    first = case.stories[0]
    said = "No check at half time can exclude the cheapest story; a shorter interval can."
    if not math.isnan(first.check_uncertainty):
        when = "at once" if first.check_after_s == 0 else f"after {duration_text(first.check_after_s)}"
        said = (
            f"The cheapest intermediate check that excludes the first is a comparison {when} with a standard "
            f"uncertainty of at most {first.check_uncertainty:.2g}."
        )
    return (Section(heading="What would break the interval", blocks=(Paragraph(text=said), grid)),)


def _models(case: Case) -> tuple[Block, ...]:
    blocks: list[Block] = []
    if case.models:
        blocks.append(
            Grid(
                caption="Models that were compared",
                columns=("Model", "Weight", "Interval alone"),
                rows=case.models,
                widths=(56, 16, 28),
                numeric=(1, 2),
            )
        )
    if case.predicted:
        rows = tuple(
            (
                one.when,
                f"{one.low:+.2e}",
                f"{one.high:+.2e}",
                f"{one.found:+.2e}",
                "yes" if one.held else "NO",
            )
            for one in case.predicted
        )
        blocks.append(
            Grid(
                caption="Each calibration as those before it predicted it",
                columns=("Calibration", "95 % low", "95 % high", "found", "within"),
                rows=rows,
                widths=(24, 20, 20, 20, 16),
                numeric=(1, 2, 3),
            )
        )
    if case.backtest is not None:
        blocks += [Paragraph(text=case.backtest.verdict), _backtest(case)]
    said = "" if case.backtest is None else case.backtest.verdict
    sentences = tuple(finding.sentence for finding in case.findings if finding.sentence != said)
    return (*blocks, Bullets(items=sentences)) if sentences else tuple(blocks)


def _in_unit(score: HorizonScore, value: float) -> str:
    return time_text(value) if score.quantity == "time_error" else f"{value:.2e}"


def _backtest(case: Case) -> Grid:
    scores = () if case.backtest is None else case.backtest.scores
    rows = tuple(
        (
            f"{score.quantity.replace('_', ' ')} {duration_text(score.horizon_s)} ahead",
            f"{score.tests} ({score.independent_tests:.0f})",
            percent(score.coverage),
            f"{percent(score.coverage_low)} to {percent(score.coverage_high)}",
            _in_unit(score, score.mean_width),
            _in_unit(score, score.mean_interval_score),
            f"{score.mean_transform:.2f} ({score.uniformity_p_value:.2g})",
            score.verdict,
        )
        for score in scores
    )
    return Grid(
        caption=(
            "Forecasts made within the log and what followed: share of 95 % intervals that held, their mean "
            "width and interval score; PIT: where outcomes lay in what was predicted, on average (0.5 is "
            "right), and the probability of so uneven ones if all is right"
        ),
        columns=("Forecast", "tests (indep.)", "held", "limits", "width", "score", "PIT (p)", "verdict"),
        rows=rows,
        widths=(21, 9, 8, 13, 12, 12, 13, 12),
        numeric=(1, 2, 3, 4, 5, 6),
    )
