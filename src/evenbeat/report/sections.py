"""Sections that several reports share: what could be wrong, the case for an interval, settings, cautions."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from importlib.resources import files
from typing import Any

from evenbeat.assessment.case import Case, steadiness
from evenbeat.calibration.decision import probability_text
from evenbeat.clock.tested import HorizonScore
from evenbeat.findings import Finding, worst_first
from evenbeat.record import Source
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


STANDING = (
    "Suggested interval (analysis for the equipment owner; not part of a calibration certificate; not a "
    "conformity statement)"
)
"""What the suggestion is and is not: ISO/IEC 17025:2017, 7.8.4.3, keeps intervals out of certificates."""


def trouble_section(findings: Sequence[Finding], *, said: str = "") -> Section:
    """Return what withholds or qualifies the answer, and its own test, unless the headline ``said`` it."""
    items = tuple(
        dict.fromkeys(f.sentence for f in worst_first(findings) if _up_front(f) and f.sentence not in said)
    )
    blocks = (Bullets(items=items),) if items else (Paragraph(text="No check gave cause for a caution."),)
    return Section(heading="What could make it wrong", blocks=blocks)


def _up_front(finding: Finding) -> bool:
    """Return whether a finding withholds or qualifies the answer, or is its test on its own past."""
    return finding.severity in ("stop", "caution") or finding.code.startswith("SELF_TEST")


def other_findings(findings: Sequence[Finding]) -> tuple[Block, ...]:
    """Return the assumptions and the checks that passed, and the codes of what the first pages say."""
    ordered = worst_first(findings)
    codes = ", ".join(dict.fromkeys(f.code for f in ordered if _up_front(f)))
    said = f"On the first pages: {codes}." if codes else ""
    alike: dict[str, list[Finding]] = {}
    for finding in ordered:
        if not _up_front(finding):
            alike.setdefault(finding.code, []).append(finding)
    items = tuple(_one_of_alike(code, found) for code, found in alike.items())
    if not items:
        return (Paragraph(text=said or "Nothing to report."),)
    return (Bullets(items=items), *((Paragraph(text=said),) if said else ()))


def _one_of_alike(code: str, found: Sequence[Finding]) -> str:
    kind = {"good": "passed"}.get(found[0].severity, found[0].severity)
    more = f" ({len(found) - 1} more of this kind, in result.json.)" if len(found) > 1 else ""
    return f"{kind}, {code}: {found[0].sentence}{more}"


def range_text(low: float, high: float) -> str:
    """Return ``low to high``, unbreakable, with the digits that tell the two apart and at most two more."""
    width, largest = abs(high - low), max(abs(low), abs(high))
    if not (math.isfinite(width) and width > 0):
        return f"{low:.3g} to {high:.3g}"
    digits = min(12, max(3, math.ceil(math.log10(largest / width)) + 2))
    if not 1e-3 <= largest < 1e5:
        return f"{low:.{digits - 1}e}\N{NO-BREAK SPACE}to\N{NO-BREAK SPACE}{high:.{digits - 1}e}"
    decimals = max(0, digits - 1 - math.floor(math.log10(largest)))
    return f"{low:.{decimals}f}\N{NO-BREAK SPACE}to\N{NO-BREAK SPACE}{high:.{decimals}f}"


NARROW_IN = 5.4
"""Width of a figure that stands beside another one in print, so that its words stay legible."""


_SETTING_NAMES = {
    "tolerance": "Tolerance of the fractional frequency",
    "reliability": "Reliability asked for",
    "as_left": "As-left offset",
    "reference_uncertainty": "Standard uncertainty of the reference",
    "environment_uncertainty": "Standard uncertainty from use elsewhere",
    "transport_uncertainty": "Standard uncertainty from the way there",
    "time_error_limit_s": "Limit of the time error [s]",
    "aging": "Aging law",
    "environment": "Environment in the model",
    "environment_not_determined": "Environment asked for, not determined",
    "minimum_coverage": "Share of an average that must be present",
    "meaning": "The reliability is the probability at",
    "policy_cap_s": "Longest interval that policy allows",
    "calendar_unit": "Interval rounded down to a whole",
    "family": "How several tables belong together",
    "methods": "Other methods of intervals compared",
    "date_order": "Order of day and month",
    "nominal_frequency_hz": "Nominal frequency [Hz]",
    "instruments": "Instruments named",
    "typed": "Stated in the command",
}


_WORDS = {"end_of_period": "the end of the period", "average_over_period": "an average over the period"}


def setting_rows(settings: Mapping[str, Any]) -> list[tuple[str, str]]:
    """Return what was asked, name and value as people say it; files and their hashes are provenance."""
    rows = []
    for name, value in settings.items():
        if name not in ("bench", "history", "results_sha256"):
            words = name.replace("_", " ")
            label = _SETTING_NAMES.get(name, words[0].upper() + words[1:])
            whole = duration_text(value) if name == "policy_cap_s" and value is not None else None
            rows.append((label, whole or _setting_text(value)))
    return rows


def stated_files(settings: Mapping[str, Any]) -> list[tuple[str, str]]:
    """Return the files that were stated beside the input, with their hashes, to be set letter by letter."""
    rows = []
    for name, words, key in (("bench", "Bench file", "file"), ("history", "Calibrations", "name")):
        if name in settings:
            rows += [(words, settings[name][key]), ("SHA-256 of that file", settings[name]["sha256"])]
    results = settings.get("results_sha256")
    return rows + ([] if results is None else [("SHA-256 of the dated results", results)])


def provenance_rows(sources: Iterable[Source], counted: str) -> list[tuple[str, str]]:
    """Return name, size and hash of the files that were read; ``counted`` is what their rows are."""
    rows = []
    for one in sources:
        rows += [
            ("File", one.name),
            ("Size and rows", f"{one.size_bytes} bytes, {one.rows} {counted}"),
            ("SHA-256 of the file", one.sha256),
        ]
    return rows


def software_row(software: Mapping[str, str]) -> tuple[str, str]:
    """Return what computed it, in which versions."""
    return "Software", ", ".join(f"{name} {version}" for name, version in software.items())


def _setting_text(value: object) -> str:
    if value is None or value == {}:
        return "none stated"
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, Mapping):
        return ", ".join(f"{key.replace('_', ' ')} {_setting_text(item)}" for key, item in value.items())
    if isinstance(value, list | tuple):
        return ", ".join(_setting_text(item) for item in value if item is not None) or "none"
    return f"{value:.6g}" if isinstance(value, float) else _WORDS.get(f"{value}", f"{value}")


def cautions_section() -> Section:
    """Return the cautions that belong to any work on timebases."""
    return Section(heading="Cautions", blocks=(Bullets(items=lines_of("cautions.txt")),), folded=True)


def lines_of(name: str) -> tuple[str, ...]:
    """Return the lines of one of the report's own texts."""
    text = files("evenbeat.report").joinpath("templates", name).read_text(encoding="utf-8")
    return tuple(line for line in text.splitlines() if line)
