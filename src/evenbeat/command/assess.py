"""The command ``evenbeat assess``: from a log to a verdict and a report."""

from __future__ import annotations

import argparse
import json
import sys
import textwrap
from pathlib import Path
from typing import TYPE_CHECKING, Any

from evenbeat.command.arguments import (
    CLASSES,
    DONE,
    OUT_OF_TOLERANCE,
    add_date_order,
    argument,
    column,
    moment,
    number,
)
from evenbeat.command.decision_options import add_decision_options, decision_basis
from evenbeat.command.treatment import add_comparing_options, add_conditioning_options, treated
from evenbeat.errors import InputError
from evenbeat.results import PAGE_WIDTH
from evenbeat.units import parse_duration, parse_frequency, parse_limits, parse_time

if TYPE_CHECKING:
    from evenbeat.assessment.assess import Assessment, Progress
    from evenbeat.clock.environment import Influence
    from evenbeat.record import Record

QUANTITIES = (
    "frequency",
    "fractional_frequency",
    "frequency_ratio",
    "frequency_difference",
    "period",
    "phase",
    "time_interval",
    "interval_error",
    "count",
)
TIME_UNITS = ("ns", "us", "ms", "s", "min", "h", "d")


def add_assess(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Add the command to the parser."""
    _add_arguments(
        commands.add_parser(
            "assess",
            help="from a log to a stability, aging, holdover and recalibration verdict with a report",
            description=(
                "Read a log of an oscillator or counter against a reference, print a verdict, and write a "
                "report (report.html, report.pdf, result.json) into a folder."
            ),
            epilog="example: evenbeat assess kittiwake.csv.gz --tolerance 1e-8 --reliability 0.95",
        )
    )


def _add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.set_defaults(run=_assess)
    parser.add_argument("log", metavar="LOG", help="text table, plain or .gz")
    _add_question(parser.add_argument_group("what is asked"))
    add_log_options(parser.add_argument_group("what the log holds, where it does not say so itself"))
    add_conditioning_options(parser.add_argument_group("how the log is conditioned"))
    add_comparing_options(parser.add_argument_group("a second log"))
    add_decision_options(parser.add_argument_group("the audit record"))
    _add_output(parser.add_argument_group("what is written"))


def _add_question(group: argparse._ArgumentGroup) -> None:
    group.add_argument(
        "--tolerance",
        type=argument(parse_limits),
        metavar="Y",
        help="limit of the fractional offset, e.g. 1e-8, or both as --tolerance=-5e-9:1e-8",
    )
    group.add_argument(
        "--from",
        dest="start",
        type=moment,
        metavar="MOMENT",
        help="assess the log from here on: UTC (2026-03-01T00:00:00Z), or seconds or '10 d' since its start",
    )
    group.add_argument(
        "--until",
        dest="stop",
        type=moment,
        metavar="MOMENT",
        help="assess the log until before this, as --from",
    )
    group.add_argument(
        "--reliability",
        type=number,
        default=0.95,
        metavar="P",
        help="probability of being within tolerance at every moment of the interval (default 0.95)",
    )
    group.add_argument(
        "--guard-band", type=number, metavar="Y", help="held back from the tolerance, fractional"
    )
    group.add_argument(
        "--reference-uncertainty",
        type=number,
        default=0.0,
        metavar="Y",
        help="standard uncertainty of the reference's frequency, fractional (default 0: counts as exact)",
    )
    group.add_argument(
        "--as-left", type=number, metavar="Y", help="offset after an adjustment at the end of the log"
    )
    group.add_argument(
        "--as-left-uncertainty",
        type=number,
        metavar="Y",
        help="standard uncertainty of --as-left, fractional",
    )
    group.add_argument(
        "--time-error-limit",
        type=argument(parse_time),
        metavar="T",
        help="ask how long the time error stays within this, e.g. '1.5 us'",
    )
    group.add_argument(
        "--aging",
        default="auto",
        choices=("auto", "none", "linear", "logarithmic"),
        help="aging law (default auto)",
    )
    group.add_argument(
        "--oscillator-class", choices=CLASSES, help="what is usual for it helps where the log is short"
    )
    group.add_argument(
        "--environment",
        action="append",
        metavar="NAME[:ORDER]",
        help="covariate to model, may be repeated, with the order of its curve (1 to 3) or as the log shows "
        "it, or 'none' (default: every temperature in the log)",
    )
    group.add_argument(
        "--on-grid",
        type=argument(parse_duration),
        metavar="T",
        help="put readings at times of their own on a grid of this spacing first, for deviations, e.g. '1 h'",
    )
    group.add_argument(
        "--history", metavar="TABLE", help="calibrations of the same clock (date, as_found …) beside the log"
    )
    group.add_argument("--instrument", metavar="NAME", help="whose calibrations, where TABLE holds several")
    group.add_argument("--history-from", metavar="DATE", help="only calibrations from this day on, ISO")


def add_log_options(group: argparse._ArgumentGroup) -> None:
    """Add the options that say what a log holds."""
    group.add_argument("--quantity", choices=QUANTITIES, help="what the values are")
    group.add_argument("--unit", metavar="UNIT", help="unit of the values: Hz, MHz, s, ns, ppm, ppb, 1 …")
    group.add_argument(
        "--nominal-frequency",
        type=argument(parse_frequency),
        metavar="F",
        help="nominal frequency, e.g. '10 MHz'",
    )
    group.add_argument(
        "--interval", type=argument(parse_duration), metavar="T", help="spacing of readings, e.g. '10 s'"
    )
    group.add_argument(
        "--gate", type=argument(parse_duration), metavar="T", help="length of a gate, e.g. '10 s'"
    )
    group.add_argument(
        "--reading-of",
        choices=("device", "reference"),
        help="what was read: the device under test, or the reference by the device's own timebase",
    )
    group.add_argument(
        "--column",
        action="append",
        type=column,
        metavar="WHAT=NAME",
        help="column by name or position from 0: value=…, time=… or a covariate such as oven_temperature_c=…",
    )
    group.add_argument("--time-zone", metavar="ZONE", help="zone of times without one, e.g. Europe/Lisbon")
    group.add_argument("--time-unit", choices=TIME_UNITS, help="unit of a time column of numbers")
    add_date_order(group)
    group.add_argument(
        "--clock", metavar="NAME", help="clock in a file of several, such as a RINEX clock file"
    )
    group.add_argument(
        "--signal", metavar="CODE", help="signal of a CGGTTS file that holds several, e.g. L3P"
    )
    group.add_argument(
        "--bad-lines",
        choices=("refuse", "reject"),
        default="refuse",
        help="refuse a log with a line that cannot be read or was cut short (default), or reject such lines "
        "and count them",
    )
    group.add_argument(
        "--partial", action="store_true", help="read the complete lines of a file cut off or still written"
    )
    group.add_argument(
        "--select", metavar="LABEL", help="read the rows with this label, of several oscillators in one log"
    )
    group.add_argument(
        "--every",
        type=int,
        metavar="N",
        help="read every N-th row, of N oscillators logged in turn (1: all rows are of one)",
    )
    group.add_argument(
        "--row-offset", type=int, default=0, metavar="K", help="with --every: from this row on (from 0)"
    )
    group.add_argument("--layout", metavar="FILE", help="layout file that says how the log is written")


def _add_output(group: argparse._ArgumentGroup) -> None:
    group.add_argument(
        "-o", "--output", metavar="FOLDER", help="folder for the report (default: LOG's name + -report)"
    )
    group.add_argument("--force", action="store_true", help="replace an earlier report in that folder")
    group.add_argument("--no-pdf", action="store_true", help="leave out report.pdf")
    group.add_argument(
        "--file-record",
        action="store_true",
        help="make the audit record: decision rule, sensitivity, models, backtest, who decides (slower)",
    )
    group.add_argument("--no-report", action="store_true", help="write no files, print only")
    group.add_argument(
        "--json", action="store_true", help="print every number as JSON instead of the verdict"
    )
    group.add_argument(
        "--fail-if-out",
        action="store_true",
        help="exit with status 1 if it is out of tolerance at the end of the log, interval or not",
    )
    group.add_argument("-v", "--verbose", action="store_true", help="print all findings, not only cautions")
    group.add_argument("-q", "--quiet", action="store_true", help="print only the first sentence")


def _assess(arguments: argparse.Namespace) -> int:
    from evenbeat.assessment.assess import assess
    from evenbeat.report.write import check_folder, write_report

    folder = Path(arguments.output or f"{Path(arguments.log).name.split('.')[0]}-report")
    if not arguments.no_report:
        check_folder(folder, force=arguments.force)
    options = _question(arguments)
    shown = sys.stderr.isatty() and not arguments.quiet
    with _Progress(shown=shown, with_case=options["basis"] is not None) as progress:
        progress("reading")
        record = read_record(arguments)
        assessment = assess(record, **options, progress=progress)
        if not arguments.no_report:
            progress("report")
            report = write_report(assessment, folder, force=arguments.force, pdf=not arguments.no_pdf)
            if report.trouble:
                print(f"evenbeat: {report.trouble}", file=sys.stderr)
    _print_assessment(assessment, arguments)
    if not (arguments.no_report or arguments.json):
        print(f"\nReport: {folder / 'report.html'}")
    out = assessment.now is not None and assessment.now.state == "out"
    return OUT_OF_TOLERANCE if arguments.fail_if_out and out else DONE


def _question(arguments: argparse.Namespace) -> dict[str, Any]:
    from evenbeat.quantities import Estimate

    if arguments.as_left_uncertainty is not None and arguments.as_left is None:
        msg = "--as-left-uncertainty is given without --as-left; give both"
        raise InputError(msg)
    as_left = None
    if arguments.as_left is not None:
        if arguments.as_left_uncertainty is None or not arguments.as_left_uncertainty >= 0:
            msg = "--as-left needs --as-left-uncertainty, zero or positive: an adjustment is never exact"
            raise InputError(msg)
        as_left = Estimate.normal(arguments.as_left, arguments.as_left_uncertainty)
    if arguments.history_from is not None and arguments.history is None:
        msg = "--history-from is given without --history; give both"
        raise InputError(msg)
    if arguments.instrument is not None and arguments.history is None:
        msg = "--instrument is given without --history; it selects calibrations of that table"
        raise InputError(msg)
    environment = arguments.environment
    if environment is not None:
        environment = [_influence(each) for each in environment if each != "none"]
    return {
        "tolerance": arguments.tolerance,
        "reliability": arguments.reliability,
        "guard_band": arguments.guard_band,
        "as_left": as_left,
        "reference_uncertainty": arguments.reference_uncertainty,
        "time_error_limit_s": arguments.time_error_limit,
        "aging": arguments.aging,
        "oscillator_class": arguments.oscillator_class,
        "environment": environment,
        "history": arguments.history,
        "history_from": arguments.history_from,
        "instrument": arguments.instrument,
        "date_order": arguments.date_order,
        "basis": decision_basis(arguments),
    }


def _influence(text: str) -> str | Influence:
    """Return a covariate, with the order of its curve where ``NAME:ORDER`` states one."""
    from evenbeat.clock.environment import Influence

    name, colon, order = text.rpartition(":")
    return Influence(name, order=int(order)) if colon and order.isdigit() else text


def read_record(arguments: argparse.Namespace) -> Record:
    """Read the log with what the options say of it, and treat it as they ask."""
    from evenbeat.logs.reader import read_log

    def read(path: str, layout: str | None) -> Record:
        record = read_log(path, layout=layout, **stated_options(arguments))
        return record if arguments.on_grid is None else record.on_grid(interval_s=arguments.on_grid)

    return treated(arguments, read)


def stated_options(arguments: argparse.Namespace) -> dict[str, Any]:
    """Return what the arguments say about a log, as keywords of the library."""
    return {
        "quantity": arguments.quantity,
        "unit": arguments.unit,
        "nominal_frequency_hz": arguments.nominal_frequency,
        "interval_s": arguments.interval,
        "gate_s": arguments.gate,
        "reading_of": arguments.reading_of,
        "columns": dict(arguments.column) if arguments.column else None,
        "time_zone": arguments.time_zone,
        "time_unit": arguments.time_unit,
        "date_order": arguments.date_order,
        "clock": arguments.clock,
        "signal": arguments.signal,
        "bad_lines": arguments.bad_lines,
        "partial": arguments.partial,
        "select": arguments.select,
        "every": arguments.every,
        "offset": arguments.row_offset,
    }


def _print_assessment(assessment: Assessment, arguments: argparse.Namespace) -> None:
    from evenbeat.assessment.verdict import labelled_text
    from evenbeat.findings import worst_first

    if arguments.json:
        print(json.dumps(assessment.to_dict(), indent=1, allow_nan=False))
        return
    if arguments.quiet:
        print(textwrap.fill(assessment.verdict.headline, PAGE_WIDTH))
        return
    print(assessment.verdict.as_text())
    shown = ("stop", "caution", "note", "good") if arguments.verbose else ("stop", "caution")
    for finding in worst_first(assessment.beside_verdict):
        if finding.severity in shown:
            print(labelled_text(finding.severity, finding.sentence))


class _Progress:
    """A progress bar on a terminal; silent elsewhere."""

    def __init__(self, *, shown: bool, with_case: bool = False) -> None:
        self._shown, self._with_case = shown, with_case
        self._bar: Any = None

    def __enter__(self) -> Progress:
        from evenbeat.assessment.assess import STAGES
        from evenbeat.assessment.log_case import MOST_STAGES

        if self._shown:
            from tqdm import tqdm

            self._bar = tqdm(
                total=2 + len(STAGES) + (MOST_STAGES if self._with_case else 0),
                bar_format="{l_bar}{bar}| {elapsed}",
                leave=False,
                ncols=PAGE_WIDTH,
            )
        return self._begin

    def _begin(self, stage: str) -> None:
        if self._bar is not None:
            self._bar.set_description_str(textwrap.shorten(stage, 44, placeholder=" …").ljust(30))
            self._bar.update()

    def __exit__(self, *_exception: object) -> None:
        if self._bar is not None:
            self._bar.close()
