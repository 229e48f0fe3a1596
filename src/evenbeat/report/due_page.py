"""A due list as one self-contained page: the answer, the chart, every urgent line with its reason."""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import Any

from evenbeat import __version__
from evenbeat.calibration.tolerance import Tolerance
from evenbeat.figures.due import MOST_ROWS, draw_due, draw_months, due_caption, due_height, months_caption
from evenbeat.figures.style import new_figure, styled
from evenbeat.findings import worst_first
from evenbeat.fleet.due import DueInstrument, DueList, percent
from evenbeat.quantities import number_text
from evenbeat.report.document import Bullets, Document, Grid, Illustration, Paragraph, Section, pairs
from evenbeat.report.page import html_page
from evenbeat.report.sections import setting_rows, software_row, stated_files
from evenbeat.units import SECONDS_PER_DAY, SECONDS_PER_YEAR, counted, duration_text

MOST_LINES = 500
STANDING = (
    "Suggested due days (analysis for the equipment owner; not part of a calibration certificate; not a "
    "conformity statement)."
)
METHOD = (
    "Each history is a drift and a random walk learnt from as-found and as-left values, weighed against what "
    "is usual for the class of oscillator; a constant and a logarithmic drift are averaged by how well they "
    "predict the history. A due day is the last whole day up to which the probability of being within "
    "tolerance is at least the reliability at every moment. It never lies beyond twice the longest interval "
    "that was observed (ILAC-G24:2022 / OIML D 10; common practice). A log is assessed by its clock model "
    "and trusted no longer than it lasted."
)


def due_page(due: DueList) -> str:
    """Return the list as an HTML page that loads nothing from anywhere.

    Notes
    -----
    The same list gives the same bytes. A long list shows its 500 most urgent lines; the table of
    ``evenbeat fleet -o`` holds all.
    """
    figures = _figures(due)
    document = Document(
        title="Due list",
        subtitle=f"{due.source.get('name', '')}, for {due.on.isoformat()}",
        headline=due.headline() + ".",
        lines=tuple(_lines(due)),
        standing=STANDING,
        sections=(
            Section(heading="When", blocks=figures),
            Section(heading="Line by line", blocks=(_grid(due),)),
            *_promises(due),
            Section(
                heading="How it was computed", blocks=(Paragraph(text=METHOD), Bullets(items=_remarks(due)))
            ),
            Section(heading="Provenance", blocks=(_provenance(due),)),
        ),
        footer=f"evenbeat {__version__}",
        illustrations=figures,
    )
    return html_page(document)


def _lines(due: DueList) -> Iterator[tuple[str, str]]:
    first = next((one for one in due.instruments if one.state == "overdue"), None)
    if first is not None:
        since = "" if first.due is None else f"due since {first.due.isoformat()}. "
        yield "Most urgent", f"{first.instrument}: {since}{first.reason}"
    known = [one for one in due.instruments if not math.isnan(one.probability_within)]
    if known:
        low = min(known, key=lambda one: one.probability_within)
        yield "Least sure", f"{low.instrument}: in tolerance today with {percent(low.probability_within)}"
    open_ones = due.counts["not evaluated"]
    if open_ones:
        yield "Not evaluated", f"{counted(open_ones, 'instrument')}; each line says why"
    yield "Reliability", f"{100 * float(str(due.settings['reliability'])):g} % at every moment"


@styled
def _figures(due: DueList) -> tuple[Illustration, ...]:
    chart = new_figure(due_height(due))
    draw_due(chart.add_subplot(), due)
    months = new_figure(2.6)
    draw_months(months.add_subplot(), due)
    return (
        Illustration(
            number=1,
            name="due",
            caption=due_caption(due),
            reading="Shaded: the past. Each line runs from the last calibration to the day it is due; "
            "P(within) is the probability of being within tolerance today.",
            alternative=f"Timeline of up to {MOST_ROWS} instruments. {due_caption(due)}",
            figure=chart,
        ),
        Illustration(
            number=2,
            name="months",
            caption=months_caption(due),
            reading="Of all instruments in the list; the first month counts from the day of the list.",
            alternative=f"Bar chart of instruments due by month. {months_caption(due)}",
            figure=months,
        ),
    )


def _grid(due: DueList) -> Grid:
    more = len(due) - MOST_LINES
    rest = f"; {more} more are in the comma-separated table" if more > 0 else ""
    return Grid(
        caption=f"The most urgent first{rest}",
        columns=("instrument", "state", "last", "due", "P(within) today", "drift per year", "why"),
        rows=tuple(_row(one) for one in due.instruments[:MOST_LINES]),
        widths=(15, 10, 11, 11, 11, 13, 29),
        numeric=(2, 3, 4, 5),
    )


def _row(one: DueInstrument) -> tuple[str, ...]:
    known = not math.isnan(one.drift_per_year)
    return (
        one.instrument,
        one.state,
        "–" if one.last_calibration is None else one.last_calibration.isoformat(),
        "–" if one.due is None else one.due.isoformat(),
        percent(one.probability_within),
        number_text(one.drift_per_year, one.drift_uncertainty) if known else "–",
        " ".join([one.reason, *(f.sentence for f in worst_first(one.findings) if f.severity != "note")]),
    )


def _promises(due: DueList) -> tuple[Section, ...]:
    """Return how the promises of earlier lists were kept, where a register says it."""
    if due.realised is None:
        return ()
    rows = tuple(
        (
            one.oscillator_class.replace("_", " "),
            f"{one.kept} of {one.tested}",
            f"{one.low:.3f} to {one.high:.3f}" if one.tested else "–",
            "–" if math.isnan(one.promised) else f"{one.promised:.3g}",
            one.verdict,
        )
        for one in due.realised.classes
    )
    grid = Grid(
        caption="Promises that a calibration came in time for; interval of 95 % (Clopper-Pearson)",
        columns=("class", "kept", "realised reliability", "promised", "verdict"),
        rows=rows,
        widths=(24, 14, 24, 14, 24),
        numeric=(1, 2, 3),
    )
    return (Section(heading="Promises so far", blocks=(grid,)),)


def _remarks(due: DueList) -> tuple[str, ...]:
    longest, first = (float(str(due.settings[name])) for name in ("longest_interval_d", "first_interval_d"))
    tolerance: Any = due.settings.get("tolerance")
    policy = "No longest interval is set by policy."
    if longest * SECONDS_PER_DAY < 39 * SECONDS_PER_YEAR:
        policy = f"No interval is longer than {duration_text(longest * SECONDS_PER_DAY)}, by policy."
    return (
        policy,
        f"After a single calibration no interval is longer than {duration_text(first * SECONDS_PER_DAY)}.",
        "Every instrument states its own tolerance."
        if tolerance is None
        else f"Instruments that state no tolerance are held to {Tolerance.of(tolerance)}.",
        *(finding.sentence for finding in worst_first(due.findings)),
        "The decision on an interval stays with the owner of the equipment.",
    )


def _provenance(due: DueList) -> Grid:
    named = {"name": "Source", "sha256": "SHA-256 of the file", "head": "Head of the register"}
    rows = [(named.get(key, key), value) for key, value in due.source.items()]
    rows += stated_files(due.settings)
    rows += setting_rows({name: value for name, value in due.settings.items() if name == "typed"})
    rows.append(software_row(due.software))
    return pairs("Input and software", rows, raw=True)
