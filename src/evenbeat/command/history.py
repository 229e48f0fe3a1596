"""The command ``evenbeat history``: the next calibration from those that were."""

from __future__ import annotations

import argparse
import json
from dataclasses import replace
from typing import TYPE_CHECKING, Any

from evenbeat.command.arguments import DONE, add_stated, stated_of
from evenbeat.errors import InputError
from evenbeat.findings import worst_first
from evenbeat.result import filled

if TYPE_CHECKING:
    from collections.abc import Sequence

    from evenbeat.assessment.history_case import HistoryAssessment
    from evenbeat.bench import Stated

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
            "adjusted; where known tolerance, oscillator_class, in_use_hours), learn drift and random walk "
            "from it, and say how long the offset stays within tolerance; if it was found out, when it left "
            "and which results that touches."
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
    add_stated(parser, "history")
    parser.add_argument("--methods", action="store_true", help="other methods of intervals beside this one")
    parser.add_argument("--json", action="store_true", help="print every number as JSON")
    written = parser.add_argument_group("what is written")
    written.add_argument(
        "-o",
        "--output",
        metavar="FOLDER",
        help="write it as report.html, report.pdf and result.json: sensitivity, models and their test",
    )
    written.add_argument("--force", action="store_true", help="replace an earlier report in that folder")


def _history(arguments: argparse.Namespace) -> int:
    from evenbeat.assessment.asked import decision_basis
    from evenbeat.assessment.history_case import assess_history
    from evenbeat.report.write import check_folder, write_report

    stated = stated_of("history", arguments)
    vain = [name for name in ("reference", "reference_due", "analysed_on") if name in stated.typed]
    if vain and not arguments.output:
        msg = f"{vain[0]} belongs to the audit record; give -o FOLDER too"
        raise InputError(msg)
    if arguments.output:
        check_folder(arguments.output, force=arguments.force)
    asked = stated.keywords("question", "instrument", "table", "reference")
    asked["policy_cap_s"] = asked.pop("longest_interval_s")
    asked |= {"reference": stated["reference"] or "", "results": stated["results"] or ()}
    asked |= _from_registers(arguments.table, stated)
    assessment = assess_history(
        **asked,
        date_order=stated["date_order"],
        nominal_frequency_hz=stated["nominal_frequency"],
        methods=arguments.methods,
        basis=decision_basis(stated, for_file=bool(arguments.output)),
        analysed_on=stated["analysed_on"],
        whole_case=bool(arguments.output),
    )
    assessment = replace(assessment, settings={**assessment.settings, **stated.settings()})
    report = None
    if arguments.output:
        report = write_report(assessment, arguments.output, force=arguments.force, pdf=stated["pdf"])
    if arguments.json:
        print(json.dumps(assessment.to_dict(), indent=1, allow_nan=False))
        return DONE
    _print(assessment)
    if report is not None:
        print(f"\nReport: {report.html}")
    return DONE


def _from_registers(tables: Sequence[str], stated: Stated) -> dict[str, Any]:
    """Return the tables, and of a register what it says of the instrument and nobody states."""
    from evenbeat.register.store import is_database
    from evenbeat.register.verification import opened_intact

    asked: dict[str, Any] = {}
    read: list[Any] = list(tables)
    names = [*(stated["instrument"] or ()), *[None] * len(tables)]
    for at, (table, name) in enumerate(zip(tables, names, strict=False)):
        if not is_database(table):
            continue
        if name is None:
            msg = f"{table} is a register; say which instrument with --instrument NAME"
            raise InputError(msg)
        found = opened_intact(table).question(name, on=stated["analysed_on"])
        read[at] = found.pop("table")
        inputs = (*asked.get("inputs", ()), *found.pop("inputs"))
        asked = {**(found if at == 0 else asked), "inputs": inputs}
    return {"table": read, **{name: value for name, value in asked.items() if name not in stated.values}}


def _print(made: HistoryAssessment) -> None:
    """Print the answer, and what it rests on."""
    print(filled(made.headline()))
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
        lines = [filled(f"{f}", rest="    ") for f in worst_first(made.case.findings)]
        shown.append("\n".join([*(() if table is None else (table.as_text(),)), *lines]))
    if made.out is not None:
        steps = [
            filled(f"{number}. {step}", rest="   ") for number, step in enumerate(made.out.advice, start=1)
        ]
        shown += [made.out, "\n".join(["What to do:", *steps])]
    for one in shown:
        print(f"\n{one}")
    print(f"\n{CLOSING}")
