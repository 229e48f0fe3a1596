"""What stands behind the numbers: findings, method, references, settings, cautions, provenance."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from importlib.resources import files
from typing import Any

from evenbeat.assessment.assess import Assessment
from evenbeat.clock.aging import AGING_LAWS
from evenbeat.clock.model import ClockModel
from evenbeat.conditioning.condition import TITLES
from evenbeat.conditioning.report import note_of
from evenbeat.record import CheckOutcome
from evenbeat.report.answer import other_findings
from evenbeat.report.document import Block, Bullets, Grid, Paragraph, Section, pairs
from evenbeat.units import duration_text, percent

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


def findings_section(assessment: Assessment) -> Section:
    """Return the assumptions and the checks that passed, and what each check of the log did.

    What withholds or qualifies the answer stands on the first pages, each finding once.
    """
    return Section(
        heading="Findings and checks",
        blocks=(*other_findings(assessment.findings), *_checks_of_the_log(assessment)),
        folded=True,
    )


def _checks_of_the_log(assessment: Assessment) -> Iterator[Block]:
    """Yield what the checks of the log found; those that found nothing or were not made in one line each."""
    checks = assessment.record.checks
    rows = tuple(
        (_title(one), one.looked_at, str(one.found), str(one.set_aside), note_of(one))
        for one in checks
        if one.looked and one.found
    )
    if rows:
        yield Grid(
            caption="How the log was conditioned; nothing was deleted",
            columns=("Check", "Looked at", "Found", "Set aside", "Where, and what to do"),
            rows=rows,
            widths=(14, 18, 7, 9, 52),
            numeric=(2, 3),
        )
    clean = ", ".join(f"{_title(one)} ({one.looked_at})" for one in checks if one.looked and not one.found)
    skipped = ", ".join(f"{_title(one)} ({one.looked_at})" for one in checks if not one.looked)
    for words, which in (("Checked, nothing found", clean), ("Not checked", skipped)):
        if which:
            yield Paragraph(text=f"{words}: {which}.")


def _title(outcome: CheckOutcome) -> str:
    return TITLES.get(outcome.check, outcome.check)


def method_section(assessment: Assessment) -> Section:
    """Return how the numbers were made, and the references."""
    blocks: list[Block] = [
        Paragraph(
            text=(
                "Deviations skip every difference that touches a gap or a flagged reading; nothing is "
                "interpolated. Their intervals are those of chi-squared variables, or of weighted sums of "
                "them, for the mixture of noises and the gaps of this record."
            )
        )
    ]
    if assessment.model is not None:
        blocks += [_model_words(assessment.model), _forecast_words()]
    blocks.append(Paragraph(text=" ".join(_lines_of("references.txt"))))
    return Section(heading="Method and references", blocks=tuple(blocks), folded=True)


def _model_words(model: ClockModel) -> Paragraph:
    laws = "; ".join(f"{AGING_LAWS[w.law].formula} ({w.law}, weight {percent(w.weight)})" for w in model.laws)
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
    """Return what was asked, what was taken for granted, and which input and software it rests on."""
    return Section(
        heading="Settings and provenance",
        blocks=(_settings(assessment), _provenance(assessment)),
        folded=True,
    )


def _settings(assessment: Assessment) -> Grid:
    record = assessment.record
    rows = setting_rows(assessment.settings)
    nominal = record.nominal_frequency_hz
    rows += [
        ("Kind of record", "time error [s]" if record.kind == "phase" else "fractional frequency"),
        ("Nominal frequency", "not stated" if nominal is None else f"{nominal:.10g} Hz"),
        ("Reference", record.reference or "not stated"),
        ("Interval between readings", record.spacing_text.removeprefix("every ")),
        ("Gate", "as long as the interval" if record.gate_s is None else duration_text(record.gate_s)),
        ("Step of the display", "not found" if record.resolution is None else f"{record.resolution:.3g}"),
    ]
    return pairs(
        "Settings as given, and what the log says of itself",
        rows,
        heads=("Setting", "Value"),
        first=55,
        narrow=True,
    )


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
    return Section(heading="Cautions", blocks=(Bullets(items=_lines_of("cautions.txt")),), folded=True)


def _provenance(assessment: Assessment) -> Grid:
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
    rows += stated_files(assessment.settings)
    rows += [(f"Treatment {n}", str(step)) for n, step in enumerate(record.history, start=1)]
    versions = ", ".join(f"{name} {version}" for name, version in assessment.software.items())
    rows.append(("Software", versions))
    return pairs("Input, what was done to it, and the software", rows, narrow=True, raw=True)


def _lines_of(name: str) -> tuple[str, ...]:
    """Return the lines of one of the report's own texts."""
    text = files("evenbeat.report").joinpath("templates", name).read_text(encoding="utf-8")
    return tuple(line for line in text.splitlines() if line)
