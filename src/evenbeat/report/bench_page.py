"""A counter's check as one self-contained page: the answer, every point, and how it was judged."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from typing import Any

from evenbeat import __version__
from evenbeat.calibration.decision import probability_text
from evenbeat.counter.bench import BenchCheck, BenchPoint
from evenbeat.counter.reading import UNITS
from evenbeat.findings import worst_first
from evenbeat.quantities import number_text
from evenbeat.report.document import Bullets, Document, Grid, Paragraph, Section, pairs
from evenbeat.report.page import html_page
from evenbeat.report.sections import setting_rows, stated_files

STANDING = (
    "An analysis for the owner of the counter. It is not a calibration certificate, not a statement of "
    "conformity under accreditation, and not a label."
)
CAUTIONS = (
    "Never exceed the rated level of an input; a signal past the rated frequency or level can damage it.",
    "A check with a source locked to the counter's own timebase says nothing about the timebase.",
    "Where a result decides about safety, trade or law, have it confirmed by an accredited laboratory.",
)


def bench_page(check: BenchCheck, settings: Mapping[str, Any] | None = None) -> str:
    """Return the check as an HTML page that loads nothing from anywhere; ``settings`` are what was stated."""
    facts = check.facts
    notes = tuple(finding.sentence for finding in worst_first(check.findings)) or ("Nothing else to note.",)
    stated = pairs(
        "What was stated beside the sheet",
        [*stated_files(settings or {}), *setting_rows(settings or {})],
        heads=("Setting", "Value"),
        raw=True,
    )
    document = Document(
        title="Counter check",
        subtitle=facts.instrument or check.name,
        headline=check.sentence,
        lines=tuple(_lines(check)),
        standing=STANDING,
        sections=(
            Section(heading="What to know", blocks=(Bullets(items=notes),)),
            Section(heading="Every point", blocks=(_points(check),)),
            Section(
                heading="How it was judged",
                blocks=(
                    Paragraph(text=_method(check)),
                    Bullets(items=CAUTIONS),
                    *((stated,) if settings else ()),
                ),
            ),
        ),
        footer=f"evenbeat {__version__}; sheet {check.name}",
    )
    return html_page(document)


def _lines(check: BenchCheck) -> Iterator[tuple[str, str]]:
    facts = check.facts
    yield "Verdict", f"{check.verdict} by {check.rule.name}: {check.rule.says}"
    if check.timebase_offset is not None:
        low, high = check.timebase_offset.interval()
        yield "Timebase", f"{check.timebase_offset}, between {low:.2g} and {high:.2g} (95 %)"
    if not math.isnan(check.usable_hz[0]):
        yield "Passed from, to", f"{check.usable_hz[0]:.7g} Hz to {check.usable_hz[1]:.7g} Hz"
    if facts.rated_hz is not None:
        yield "Rated", f"{facts.rated_hz[0]:.7g} Hz to {facts.rated_hz[1]:.7g} Hz"
    if facts.reference:
        yield "Reference", facts.reference
    if facts.date:
        yield "Date", facts.date


def _points(check: BenchCheck) -> Grid:
    return Grid(
        caption="Deviation of the mean reading with its standard uncertainty in the last digits.",
        columns=("point", "deviation", "permitted", "limited by", "conforms", "verdict"),
        rows=tuple(_row(point) for point in check.points),
        widths=(4, 2.4, 1.8, 1.8, 1.8, 1.8),
        numeric=(1, 2, 4),
    )


def _row(point: BenchPoint) -> tuple[str, ...]:
    deviation, unit = point.deviation, UNITS[point.point.function]
    return (
        point.point.title,
        f"{number_text(deviation.value, deviation.standard_uncertainty)} {unit}",
        f"±{point.permitted:.3g} {unit}",
        deviation.limited_by,
        probability_text(point.conformance_probability),
        point.verdict,
    )


def _method(check: BenchCheck) -> str:
    facts = check.facts
    return (
        f"Permitted: {facts.permitted_relative:g} of the applied value plus {facts.permitted_digits:g} least "
        "digits. The uncertainty of a point combines the count or clock tick, trigger, display and reference "
        "(JCGM 100:2008); the timebase is under test and no part of it. Verdicts follow the decision rule "
        "(JCGM 106:2012, ILAC-G8:09/2019); a point whose uncertainty exceeds what is permitted makes no "
        "statement. The offset of the timebase is the weighted mean of all points but miscounts."
    )
