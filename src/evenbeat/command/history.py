"""The command ``evenbeat history``: the next calibration from those that were."""

from __future__ import annotations

import argparse
import json
import textwrap
from typing import TYPE_CHECKING

from evenbeat.command.arguments import DONE, argument, number
from evenbeat.command.decision_options import add_decision_options, decision_basis
from evenbeat.errors import InputError
from evenbeat.printing import PAGE_WIDTH
from evenbeat.units import parse_duration

if TYPE_CHECKING:
    from evenbeat.calibration.history_model import HistoryModel

CLASSES = ("uncompensated", "temperature_compensated", "oven", "rubidium", "caesium")


def add_history(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Add the command to the parser."""
    parser = commands.add_parser(
        "history",
        help="when to calibrate again, from a table of calibrations",
        description=(
            "Read a table of calibrations (date, as_found, as_left, standard_uncertainty, adjusted), learn "
            "drift and random walk from it, and say how long the offset stays within tolerance."
        ),
        epilog="example: evenbeat history kittiwake-history.csv --tolerance 1e-8",
    )
    parser.set_defaults(run=_history)
    parser.add_argument("table", metavar="TABLE", nargs="+", help="comma-separated; several are one family")
    parser.add_argument(
        "--tolerance",
        type=number,
        required=True,
        metavar="Y",
        help="limit of the fractional offset, e.g. 1e-8",
    )
    parser.add_argument(
        "--reliability", type=number, default=0.95, metavar="P", help="probability of staying within (0.95)"
    )
    parser.add_argument("--guard-band", type=number, default=0.0, metavar="Y", help="held back, fractional")
    parser.add_argument("--oscillator-class", choices=CLASSES, default="oven", help="prior (default oven)")
    parser.add_argument(
        "--drift-law", choices=("auto", "constant", "logarithmic"), default="auto", help="default auto"
    )
    parser.add_argument("--json", action="store_true", help="print every number as JSON")
    written = parser.add_argument_group("the case for the file")
    written.add_argument(
        "-o",
        "--output",
        metavar="FOLDER",
        help="write it as report.html, report.pdf and result.json: sensitivity, models and their test",
    )
    written.add_argument("--force", action="store_true", help="replace an earlier report in that folder")
    written.add_argument("--no-pdf", action="store_true", help="leave out report.pdf")
    written.add_argument(
        "--policy-cap", type=argument(parse_duration), metavar="T", help="longest interval by policy"
    )
    add_decision_options(written)


def _history(arguments: argparse.Namespace) -> int:
    from evenbeat.calibration.history import CalibrationHistory
    from evenbeat.calibration.history_model import fit_history

    if not 0 <= arguments.guard_band < arguments.tolerance:
        msg = "--guard-band must be at least 0 and below --tolerance"
        raise InputError(msg)
    if arguments.output:
        return _write_case(arguments)
    stated = (arguments.decision_rule, arguments.rule_chosen_on, arguments.decided_by, arguments.policy_cap)
    if any(stated) or arguments.decided_on:
        msg = "a decision rule, a policy and who decides belong to the case for the file; give -o FOLDER too"
        raise InputError(msg)
    several = [CalibrationHistory.from_table(path) for path in arguments.table]
    model = fit_history(
        several,
        oscillator_class=arguments.oscillator_class,
        tolerance=arguments.tolerance,
        drift_law=arguments.drift_law,
    )
    _print_answer(model, arguments)
    return DONE


def _write_case(arguments: argparse.Namespace) -> int:
    """Compute the case for the file, write it, and print what it comes to."""
    from evenbeat.assessment.history_case import assess_history
    from evenbeat.report.history_report import write_history_report
    from evenbeat.report.write import check_folder

    check_folder(arguments.output, force=arguments.force)
    assessment = assess_history(
        arguments.table,
        tolerance=arguments.tolerance,
        reliability=arguments.reliability,
        guard_band=arguments.guard_band or None,
        oscillator_class=arguments.oscillator_class,
        drift_law=arguments.drift_law,
        policy_cap_s=arguments.policy_cap,
        basis=decision_basis(arguments),
    )
    report = write_history_report(
        assessment, arguments.output, force=arguments.force, pdf=not arguments.no_pdf
    )
    if arguments.json:
        print(json.dumps(assessment.to_dict(), indent=1, allow_nan=False))
        return DONE
    print(assessment)
    print(f"\nReport: {report.html}")
    return DONE


def _print_answer(model: HistoryModel, arguments: argparse.Namespace) -> None:
    from evenbeat.calibration.setpoint import suggest_setpoint

    limit = arguments.tolerance - arguments.guard_band
    interval = model.interval_s(limit, arguments.reliability)
    uncertainty = 0.0 if model.as_left is None else model.as_left.standard_uncertainty
    setpoint = suggest_setpoint(
        model,
        tolerance=arguments.tolerance,
        reliability=arguments.reliability,
        guard_band=arguments.guard_band,
        as_left_uncertainty=uncertainty,
    )
    if arguments.json:
        result = {**model.to_dict(), "interval_s": interval, "setpoint": setpoint.to_dict()}
        print(json.dumps(result, indent=1, allow_nan=False))
        return
    answer = _answer(model, interval, limit, f"{100 * arguments.reliability:g} %")
    print(textwrap.fill(answer, PAGE_WIDTH))
    print(f"\n{model}\n\nIf adjusted: {setpoint}")
    print(
        "\nAn analysis for the owner of the equipment; not part of a calibration\ncertificate, not a "
        "statement of conformity."
    )


def _answer(model: HistoryModel, interval: float, limit: float, percent: str) -> str:
    """Return the first sentence: never beyond twice the longest interval that was observed."""
    from evenbeat.calibration.history_model import interval_text

    if interval == 0:
        return f"No interval: the offset is not within ±{limit:g} with {percent} even now. Adjust it."
    longest = max(one.longest_interval_s for one in model.history)
    within = f"within ±{limit:g} with {percent}"
    if interval <= 2 * longest:
        return f"Calibrate again within {interval_text(interval)}: until then {within}."
    return (
        f"Calibrate again within {interval_text(2 * longest)}, twice the longest interval that was observed. "
        f"By drift and walk alone it would stay {within} for {interval_text(interval)}."
    )
