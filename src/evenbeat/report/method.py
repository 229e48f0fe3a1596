"""What stands behind the numbers: findings, method, references, settings, cautions, provenance."""

from __future__ import annotations

from collections.abc import Mapping
from importlib.resources import files

from evenbeat.assessment.assess import Assessment
from evenbeat.clock.aging import AGING_LAWS
from evenbeat.clock.model import ClockModel
from evenbeat.conditioning.report import TITLES, note_of
from evenbeat.findings import worst_first
from evenbeat.report.document import Block, Bullets, Grid, Paragraph, Section
from evenbeat.units import duration_text

SEVERITY_WORDS = {"stop": "answer withheld", "caution": "caution", "note": "note", "good": "check passed"}
_SETTING_NAMES = {
    "tolerance": "Tolerance of the fractional frequency",
    "reliability": "Reliability asked for",
    "guard_band": "Guard band",
    "as_left": "As-left offset",
    "reference_uncertainty": "Standard uncertainty of the reference",
    "time_error_limit_s": "Limit of the time error [s]",
    "aging": "Aging law",
    "environment": "Environment in the model",
    "environment_not_determined": "Environment asked for, not determined",
    "minimum_coverage": "Share of an average that must be present",
}


def findings_section(assessment: Assessment) -> Section:
    """Return all findings, the most severe first, each with its word and its code."""
    rows = tuple(
        (SEVERITY_WORDS[finding.severity], finding.sentence, finding.code)
        for finding in worst_first(assessment.findings)
    )
    if not rows:
        return Section(heading="Findings", blocks=(Paragraph(text="Nothing to report."),))
    grid = Grid(
        caption="What was noticed and assumed, the most severe first",
        columns=("Severity", "Finding", "Code"),
        rows=rows,
        widths=(14, 60, 26),
    )
    return Section(heading="Findings", blocks=(grid, *_checks_of_the_log(assessment)))


def _checks_of_the_log(assessment: Assessment) -> tuple[Grid, ...]:
    """Return what every check of the log looked at, found and set aside."""
    checks = assessment.record.checks
    if not checks:
        return ()
    rows = tuple(
        (
            TITLES.get(outcome.check, outcome.check),
            outcome.looked_at if outcome.looked else f"not made: {outcome.looked_at}",
            str(outcome.found) if outcome.looked else "–",
            str(outcome.set_aside) if outcome.looked else "–",
            note_of(outcome) if outcome.found else "",
        )
        for outcome in checks
    )
    return (
        Grid(
            caption="How the log was conditioned, check by check; nothing was deleted",
            columns=("Check", "Looked at", "Found", "Set aside", "Where, and what to do"),
            rows=rows,
            widths=(18, 22, 9, 10, 41),
            numeric=(2, 3),
        ),
    )


def method_section(assessment: Assessment) -> Section:
    """Return how the numbers were made, and the references."""
    blocks: list[Block] = [
        Paragraph(
            text=(
                "Deviations skip every difference that touches a gap or a flagged reading; nothing is "
                "interpolated. Their intervals are chi-squared with equivalent degrees of freedom "
                "computed for the noise that dominates at each averaging time; near the length of the "
                "record they are those of a weighted sum of chi-squared variables."
            )
        )
    ]
    if assessment.model is not None:
        blocks += [_model_words(assessment.model), _forecast_words()]
    blocks.append(Bullets(items=_lines_of("references.txt")))
    return Section(heading="Method and references", blocks=tuple(blocks))


def _model_words(model: ClockModel) -> Paragraph:
    laws = "; ".join(f"{AGING_LAWS[w.law].formula} ({w.law}, weight {w.weight:.0%})" for w in model.laws)
    averages = f"{len(model.blocks)} averages of {duration_text(model.blocks.length_s)}"
    return Paragraph(
        text=(
            f"The clock model rests on {averages}. The levels of white FM, flicker FM and random-walk FM "
            "come from the restricted likelihood under the generalized covariance of the power-law "
            "noises; their whole posterior is kept, so that every rate and every forecast is a mixture "
            f"over it and no band rests on one guessed noise level. Aging laws: {laws}."
        )
    )


def _forecast_words() -> Paragraph:
    return Paragraph(
        text=(
            "Forecasts are best linear unbiased predictions with their exact variance, at the mean "
            "temperature of the record, its daily swing in the uncertainty. The interval is the longest "
            "time up to which the probability of being within the tolerance less the guard band is at "
            "least the reliability at every moment, and never longer than the record."
        )
    )


def settings_section(assessment: Assessment) -> Section:
    """Return what was asked and what was taken for granted."""
    record = assessment.record
    rows = [
        (_SETTING_NAMES.get(k, k.replace("_", " ")), setting_text(v)) for k, v in assessment.settings.items()
    ]
    nominal = record.nominal_frequency_hz
    rows += [
        ("Kind of record", "time error [s]" if record.kind == "phase" else "fractional frequency"),
        ("Nominal frequency", "not stated" if nominal is None else f"{nominal:.10g} Hz"),
        ("Reference", record.reference or "not stated"),
        ("Interval between readings", record.spacing_text.removeprefix("every ")),
        ("Gate", "as long as the interval" if record.gate_s is None else duration_text(record.gate_s)),
        ("Step of the display", "not found" if record.resolution is None else f"{record.resolution:.3g}"),
    ]
    grid = Grid(
        caption="Settings as given, and what the log says of itself",
        columns=("Setting", "Value"),
        rows=tuple(rows),
        widths=(50, 50),
    )
    return Section(heading="Assumptions and settings", blocks=(grid,))


def setting_text(value: object) -> str:
    """Return a setting as people write it."""
    if value is None:
        return "none stated"
    if isinstance(value, Mapping):
        return ", ".join(f"{key} {setting_text(item)}" for key, item in value.items())
    if isinstance(value, list | tuple):
        return ", ".join(map(setting_text, value)) or "none"
    return f"{value:.6g}" if isinstance(value, float) else str(value)


def cautions_section() -> Section:
    """Return the cautions that belong to any work on timebases."""
    return Section(heading="Cautions", blocks=(Bullets(items=_lines_of("cautions.txt")),))


def provenance_section(assessment: Assessment) -> Section:
    """Return where the data came from, what was done to them, and with which software."""
    record, source = assessment.record, assessment.record.source
    rows = []
    for one in () if source is None else source.parts or (source,):
        rows += [
            ("File", one.name),
            ("Size and rows", f"{one.size_bytes} bytes, {one.rows} rows"),
            ("SHA-256 of the file", one.sha256),
        ]
    if record.ledger is not None:
        rows.append(("Lines of the file", f"of {record.ledger.lines}: {record.ledger.counts}"))
    rows.append(("SHA-256 of the samples", record.fingerprint()))
    for beside in () if assessment.case is None else assessment.case.inputs:
        if beside != source:
            rows += [("Calibrations", beside.name), ("SHA-256 of that file", beside.sha256)]
    rows += [(f"Treatment {n}", str(step)) for n, step in enumerate(record.history, start=1)]
    versions = ", ".join(f"{name} {version}" for name, version in assessment.software.items())
    rows.append(("Software", versions))
    grid = Grid(
        caption="Input, what was done to it, and the software",
        columns=("Item", "Value"),
        rows=tuple(rows),
        widths=(26, 74),
    )
    return Section(heading="Provenance", blocks=(grid,))


def _lines_of(name: str) -> tuple[str, ...]:
    """Return the lines of one of the report's own texts."""
    text = files("evenbeat.report").joinpath("templates", name).read_text(encoding="utf-8")
    return tuple(line for line in text.splitlines() if line)
