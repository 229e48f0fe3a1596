"""The command ``evenbeat history``: the next calibration from those that were."""

from __future__ import annotations

import argparse
import json
import textwrap
from dataclasses import replace
from typing import TYPE_CHECKING, Any

from evenbeat.command.arguments import (
    CLASSES,
    DONE,
    add_table_options,
    add_uncertainties,
    argument,
    number,
    stated_uncertainties,
)
from evenbeat.command.decision_options import add_decision_options, decision_basis
from evenbeat.errors import InputError
from evenbeat.findings import worst_first
from evenbeat.results import PAGE_WIDTH
from evenbeat.units import parse_duration, parse_limits

if TYPE_CHECKING:
    from collections.abc import Sequence

    from evenbeat.assessment.history_case import HistoryAssessment
    from evenbeat.findings import Finding

MEANINGS = ("end_of_period", "average_over_period", "never_left")
CLOSING = (
    "An analysis for the owner of the equipment; not part of a calibration\ncertificate, not a "
    "statement of conformity."
)


def add_history(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Add the command to the parser."""
    parser = commands.add_parser(
        "history",
        help="when to calibrate again, from a table of calibrations",
        description=(
            "Read a register, or a table of calibrations (date, as_found, as_left, standard_uncertainty, "
            "adjusted; where known tolerance, in_use_hours), learn drift and random walk from it, and say "
            "how long the offset stays within tolerance; if it was found out, when it left and which "
            "results that touches."
        ),
        epilog="example: evenbeat history kittiwake-history.csv --tolerance 1e-8",
    )
    parser.set_defaults(run=_history)
    parser.add_argument(
        "table",
        metavar="TABLE",
        nargs="+",
        help="of calibrations, or a register; further ones are its family",
    )
    parser.add_argument(
        "--tolerance",
        type=argument(parse_limits),
        metavar="Y",
        help="limit of the fractional offset, e.g. 1e-8, or both as --tolerance=-5e-9:1e-8; needed unless a "
        "register states it",
    )
    parser.add_argument(
        "--instrument",
        action="append",
        metavar="NAME",
        help="whose rows, where a TABLE holds several instruments; once for each TABLE, in their order",
    )
    add_table_options(parser)
    _add_question(parser)
    _add_model(parser)
    parser.add_argument(
        "--results", metavar="TABLE", help="dated results (date, tolerance, name) to be judged if it was out"
    )
    parser.add_argument("--methods", action="store_true", help="other methods of intervals beside this one")
    parser.add_argument("--json", action="store_true", help="print every number as JSON")
    _add_case(parser)


def _add_question(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "--reliability", type=number, default=0.95, metavar="P", help="probability of staying within (0.95)"
    )
    parser.add_argument(
        "--meaning", choices=MEANINGS, default=MEANINGS[0], help="what that is the probability of"
    )
    parser.add_argument("--guard-band", type=number, default=0.0, metavar="Y", help="held back, fractional")
    parser.add_argument(
        "--calendar-unit", choices=("day", "week", "month", "quarter", "year"), help="to round down to"
    )
    parser.add_argument(
        "--policy-cap", type=argument(parse_duration), metavar="T", help="longest allowed, e.g. '2 years'"
    )
    add_uncertainties(parser)


def _add_model(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "--oscillator-class",
        choices=CLASSES,
        help="what is usual beforehand; inferred, with its odds, if not stated",
    )
    parser.add_argument(
        "--drift-law",
        choices=("auto", "constant", "logarithmic", "wandering"),
        default="auto",
        help="default auto: all of them, by how well they predict the history",
    )
    parser.add_argument(
        "--family", choices=("related", "identical"), default="related", help="how several tables belong"
    )


def _add_case(parser: argparse.ArgumentParser) -> None:
    written = parser.add_argument_group("the audit record")
    written.add_argument(
        "-o",
        "--output",
        metavar="FOLDER",
        help="write it as report.html, report.pdf and result.json: sensitivity, models and their test",
    )
    written.add_argument("--force", action="store_true", help="replace an earlier report in that folder")
    written.add_argument("--no-pdf", action="store_true", help="leave out report.pdf")
    add_decision_options(written)
    written.add_argument("--reference", metavar="NAME", help="what the calibrations were made against")
    written.add_argument(
        "--reference-due", metavar="DATE", help="until when its own calibration is valid, ISO"
    )
    written.add_argument("--analysed-on", metavar="DATE", help="day of the analysis, ISO (today, UTC)")


def _history(arguments: argparse.Namespace) -> int:
    from evenbeat.assessment.history_case import assess_history
    from evenbeat.report.history_report import write_history_report
    from evenbeat.report.write import check_folder

    for_file = (
        arguments.decision_rule,
        arguments.rule_chosen_on,
        arguments.decided_by,
        arguments.decided_on,
        arguments.reference,
        arguments.reference_due,
        arguments.analysed_on,
    )
    if any(for_file) and not arguments.output:
        msg = (
            "a decision rule, who decides, the reference and the day of the analysis belong to the case for "
            "the file; give -o FOLDER too"
        )
        raise InputError(msg)
    if arguments.output:
        check_folder(arguments.output, force=arguments.force)
    asked = _asked(arguments)
    assessment = assess_history(
        instrument=arguments.instrument,
        date_order=arguments.date_order,
        nominal_frequency_hz=arguments.nominal_frequency,
        reliability=arguments.reliability,
        meaning=arguments.meaning,
        guard_band=arguments.guard_band or None,
        drift_law=arguments.drift_law,
        family=arguments.family,
        policy_cap_s=arguments.policy_cap,
        calendar_unit=arguments.calendar_unit,
        **stated_uncertainties(arguments),
        results=arguments.results or (),
        methods=arguments.methods,
        basis=decision_basis(arguments),
        analysed_on=arguments.analysed_on,
        whole_case=bool(arguments.output),
        **asked,
    )
    report = None
    if arguments.output:
        report = write_history_report(
            assessment, arguments.output, force=arguments.force, pdf=not arguments.no_pdf
        )
    if arguments.json:
        print(json.dumps(assessment.to_dict(), indent=1, allow_nan=False))
        return DONE
    _print(assessment)
    if report is not None:
        print(f"\nReport: {report.html}")
    return DONE


def _asked(arguments: argparse.Namespace) -> dict[str, Any]:
    """Return tables and what is known of the first instrument: as stated, or as a register says it."""
    from evenbeat.register.store import is_database
    from evenbeat.register.verification import opened_intact

    asked: dict[str, Any] = {}
    names = [*(arguments.instrument or ()), *[None] * len(arguments.table)]
    tables = list(arguments.table)
    for at, (table, name) in enumerate(zip(arguments.table, names, strict=False)):
        if not is_database(table):
            continue
        if name is None:
            msg = f"{table} is a register; say which instrument with --instrument NAME"
            raise InputError(msg)
        found = opened_intact(table).question(name)
        tables[at] = found.pop("table")
        inputs = (*asked.get("inputs", ()), *found.pop("inputs"))
        asked = {**(found if at == 0 else asked), "inputs": inputs}
    stated = {
        name: getattr(arguments, name)
        for name in ("tolerance", "oscillator_class", "reference", "reference_due")
        if getattr(arguments, name) is not None
    }
    asked |= stated
    if "tolerance" not in asked:
        msg = "no tolerance is stated; give --tolerance, such as 1e-8, or state it in the register"
        raise InputError(msg)
    return {"table": tables, **asked}


def _said(findings: Sequence[Finding]) -> list[str]:
    return [textwrap.fill(str(one), PAGE_WIDTH, subsequent_indent="    ") for one in worst_first(findings)]


def _print(made: HistoryAssessment) -> None:
    """Print the answer, and what it rests on."""
    print(textwrap.fill(made.headline(), PAGE_WIDTH))
    shown: list[object] = [made.model or made.history]
    if made.interval is not None:
        known = made.model.findings if made.model is not None else ()
        more = tuple(f for f in made.interval.findings if f.severity == "caution" and f not in known)
        if made.model is not None:
            shown = [replace(made.model, findings=(*made.model.findings, *more))]
    if made.model is None and made.last_left is not None:
        shown.insert(0, made.last_left)
    if made.setpoint is not None:
        shown.append(f"If adjusted:\n{made.setpoint}")
    if made.methods is not None:
        known = () if made.model is None else made.model.findings
        shown.append(
            replace(made.methods, findings=tuple(f for f in made.methods.findings if f not in known))
        )
    if made.case is not None:
        table = made._table()
        shown.append("\n".join([*(() if table is None else (table.as_text(),)), *_said(made.case.findings)]))
    if made.out is not None:
        steps = [
            textwrap.fill(f"{number}. {step}", PAGE_WIDTH, subsequent_indent="   ")
            for number, step in enumerate(made.out.advice, start=1)
        ]
        shown += [made.out, "\n".join(["What to do:", *steps])]
    for one in shown:
        print(f"\n{one}")
    print(f"\n{CLOSING}")
