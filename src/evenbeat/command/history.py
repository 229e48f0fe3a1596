"""The command ``evenbeat history``: the next calibration from those that were."""

from __future__ import annotations

import argparse
import json
import math
import textwrap
from collections.abc import Sequence
from dataclasses import replace
from typing import TYPE_CHECKING

from evenbeat.command.arguments import DONE, add_table_options, argument, number
from evenbeat.command.decision_options import add_decision_options, decision_basis
from evenbeat.errors import InputError
from evenbeat.results import PAGE_WIDTH
from evenbeat.units import parse_duration, parse_limits

if TYPE_CHECKING:
    from evenbeat.calibration.back_cast import BackCast
    from evenbeat.calibration.history import CalibrationHistory
    from evenbeat.calibration.history_model import HistoryModel
    from evenbeat.calibration.interval_suggestion import IntervalSuggestion
    from evenbeat.calibration.methods import MethodComparison
    from evenbeat.calibration.setpoint import SetpointSuggestion
    from evenbeat.calibration.tolerance import Tolerance

CLASSES = ("uncompensated", "temperature_compensated", "oven", "rubidium", "caesium")
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
            "Read a table of calibrations (date, as_found, as_left, standard_uncertainty, adjusted; where "
            "known tolerance, in_use_hours), learn drift and random walk from it, and say how long the "
            "offset stays within tolerance; if it was found out, when it left and which results that touches."
        ),
        epilog="example: evenbeat history kittiwake-history.csv --tolerance 1e-8",
    )
    parser.set_defaults(run=_history)
    parser.add_argument(
        "table", metavar="TABLE", nargs="+", help="of calibrations; further ones are its family"
    )
    parser.add_argument(
        "--tolerance",
        type=argument(parse_limits),
        required=True,
        metavar="Y",
        help="limit of the fractional offset, e.g. 1e-8, or both as --tolerance=-5e-9:1e-8",
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


def _add_model(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--oscillator-class", choices=CLASSES, default="oven", help="prior (default oven)")
    parser.add_argument(
        "--drift-law", choices=("auto", "constant", "logarithmic"), default="auto", help="default auto"
    )
    parser.add_argument(
        "--family", choices=("related", "identical"), default="related", help="how several tables belong"
    )


def _add_case(parser: argparse.ArgumentParser) -> None:
    written = parser.add_argument_group("the case for the file")
    written.add_argument(
        "-o",
        "--output",
        metavar="FOLDER",
        help="write it as report.html, report.pdf and result.json: sensitivity, models and their test",
    )
    written.add_argument("--force", action="store_true", help="replace an earlier report in that folder")
    written.add_argument("--no-pdf", action="store_true", help="leave out report.pdf")
    add_decision_options(written)


def _history(arguments: argparse.Namespace) -> int:
    from evenbeat.assessment.history_case import histories_of
    from evenbeat.calibration.history_model import fit_history
    from evenbeat.calibration.tolerance import Tolerance

    Tolerance.of(arguments.tolerance, guard_band=arguments.guard_band)
    if arguments.output:
        return _write_case(arguments)
    stated = (arguments.decision_rule, arguments.rule_chosen_on, arguments.decided_by, arguments.decided_on)
    if any(stated):
        msg = "a decision rule and who decides belong to the case for the file; give -o FOLDER too"
        raise InputError(msg)
    several = histories_of(
        arguments.table,
        instrument=arguments.instrument,
        date_order=arguments.date_order,
        nominal_frequency_hz=arguments.nominal_frequency,
    )
    if len(several) == 1 and not several[0].increments():
        _print_without_model(several[0], arguments)
        return DONE
    model = fit_history(
        several,
        oscillator_class=arguments.oscillator_class,
        tolerance=arguments.tolerance,
        drift_law=arguments.drift_law,
        family=arguments.family,
    )
    _print_answer(model, several, arguments)
    return DONE


def _write_case(arguments: argparse.Namespace) -> int:
    """Compute the case for the file, write it, and print what it comes to."""
    from evenbeat.assessment.history_case import assess_history
    from evenbeat.report.history_report import write_history_report
    from evenbeat.report.write import check_folder

    beside = {
        "--meaning": arguments.meaning != MEANINGS[0],
        "--methods": arguments.methods,
        "--results": arguments.results is not None,
    }
    for option, given in beside.items():
        if given:
            msg = f"{option} does not go into the case for the file; leave it out, or leave out -o FOLDER"
            raise InputError(msg)
    check_folder(arguments.output, force=arguments.force)
    assessment = assess_history(
        arguments.table,
        instrument=arguments.instrument,
        date_order=arguments.date_order,
        nominal_frequency_hz=arguments.nominal_frequency,
        tolerance=arguments.tolerance,
        reliability=arguments.reliability,
        guard_band=arguments.guard_band or None,
        oscillator_class=arguments.oscillator_class,
        drift_law=arguments.drift_law,
        family=arguments.family,
        policy_cap_s=arguments.policy_cap,
        calendar_unit=arguments.calendar_unit,
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


def _print_without_model(history: CalibrationHistory, arguments: argparse.Namespace) -> None:
    """Say what one calibration says: where it was, and that nothing is known of its drift."""
    from evenbeat.calibration.decision import decide
    from evenbeat.quantities import Estimate

    known = [point for point in history.points if math.isfinite(point.as_left)]
    if not known:
        sentences = " ".join(finding.sentence for finding in history.findings)
        msg = f"no calibration has values that can be used. {sentences}".removesuffix(".")
        raise InputError(msg)
    last = known[-1]
    offset = Estimate.normal(last.as_left, last.standard_uncertainty)
    decision = decide(offset, tolerance=arguments.tolerance)
    sentence = (
        "No interval: no two calibrations follow each other with a value left and one found, so that nothing "
        f"is known of the drift. {last.place.capitalize()} left it at {offset}."
    )
    if arguments.json:
        result = {**history.to_dict(), "interval_s": None, "reason": sentence, "now": decision.to_dict()}
        print(json.dumps(result, indent=1, allow_nan=False))
        return
    print(textwrap.fill(sentence, PAGE_WIDTH))
    print(f"\n{decision}\n\n{history}\n\n{CLOSING}")


def _print_answer(
    model: HistoryModel, several: Sequence[CalibrationHistory], arguments: argparse.Namespace
) -> None:
    suggestion = _suggestion(model, arguments)
    setpoint, methods = _setpoint(model, arguments), _methods(model, several, arguments)
    out = _back_cast(model, arguments)
    if arguments.json:
        result = {
            **model.to_dict(),
            "interval_s": None if suggestion is None else suggestion.to_dict()["interval_s"],
            "interval": None if suggestion is None else suggestion.to_dict(),
            "setpoint": setpoint.to_dict(),
            "methods": None if methods is None else methods.to_dict(),
            "out_of_tolerance": None if out is None else out.to_dict(),
        }
        print(json.dumps(result, indent=1, allow_nan=False))
        return
    print(textwrap.fill(_answer(model, suggestion, arguments), PAGE_WIDTH))
    aside = () if suggestion is None else (f for f in suggestion.findings if f.code == "CLASS_SET_ASIDE")
    print(f"\n{replace(model, findings=(*model.findings, *aside))}\n\nIf adjusted:\n{setpoint}")
    if methods is not None:
        fresh = tuple(finding for finding in methods.findings if finding not in model.findings)
        print(f"\n{replace(methods, findings=fresh)}")
    if out is not None:
        steps = [
            textwrap.fill(f"{number}. {step}", PAGE_WIDTH, subsequent_indent="   ")
            for number, step in enumerate(out.advice, start=1)
        ]
        print("\n".join(["", str(out), "", "What to do:", *steps]))
    print(f"\n{CLOSING}")


def _suggestion(model: HistoryModel, arguments: argparse.Namespace) -> IntervalSuggestion | None:
    from evenbeat.calibration.interval import suggest_interval

    if model.as_left is None:
        return None
    return suggest_interval(
        model,
        tolerance=arguments.tolerance,
        reliability=arguments.reliability,
        meaning=arguments.meaning,
        guard_band=arguments.guard_band,
        policy_cap_s=arguments.policy_cap,
        calendar_unit=arguments.calendar_unit,
        start=model.history[0].last_date,
    )


def _setpoint(model: HistoryModel, arguments: argparse.Namespace) -> SetpointSuggestion:
    from evenbeat.calibration.setpoint import suggest_setpoint

    uncertainty = 0.0 if model.as_left is None else model.as_left.standard_uncertainty
    return suggest_setpoint(
        model,
        tolerance=arguments.tolerance,
        reliability=arguments.reliability,
        guard_band=arguments.guard_band,
        as_left_uncertainty=uncertainty,
    )


def _methods(
    model: HistoryModel, several: Sequence[CalibrationHistory], arguments: argparse.Namespace
) -> MethodComparison | None:
    from evenbeat.calibration.methods import compare_methods

    if not arguments.methods:
        return None
    return compare_methods(
        several,
        tolerance=_guarded(arguments),
        reliability=arguments.reliability,
        oscillator_class=arguments.oscillator_class,
        model=model,
    )


def _back_cast(model: HistoryModel, arguments: argparse.Namespace) -> BackCast | None:
    """Return when it left, if the last calibration found it out of tolerance."""
    from evenbeat.calibration.back_cast import back_cast
    from evenbeat.calibration.tolerance import Tolerance

    points = model.history[0].points
    limits_ = Tolerance.of(arguments.tolerance)
    found = points[-1].as_found
    if math.isnan(found) or limits_.holds(found):
        if arguments.results is not None:
            msg = "--results is given, but the last calibration did not find a value out of tolerance"
            raise InputError(msg)
        return None
    if math.isnan(points[-2].as_left):
        return None
    results, date_order = arguments.results or (), arguments.date_order
    return back_cast(model, tolerance=limits_, results=results, date_order=date_order)


def _guarded(arguments: argparse.Namespace) -> Tolerance:
    from evenbeat.calibration.tolerance import Tolerance

    return Tolerance.of(arguments.tolerance, guard_band=arguments.guard_band)


def _answer(model: HistoryModel, suggestion: IntervalSuggestion | None, arguments: argparse.Namespace) -> str:
    """Return the first sentence: never beyond twice the longest interval that was observed."""
    from evenbeat.calibration.history_model import interval_text

    within = f"within {_guarded(arguments)} with {100 * arguments.reliability:g} %"
    if suggestion is None:
        place = model.history[0].points[-1].place
        return f"No interval: {place} does not say what the clock was left at; give its as_left."
    if suggestion.limited_by == "start":
        return f"No interval: the offset is not {within} even now. Adjust it."
    whole = "" if suggestion.rounded is None else f" ({suggestion.rounded})"
    again = f"Calibrate again within {interval_text(suggestion.interval_s)}{whole}"
    if suggestion.limited_by == "tolerance":
        return f"{again}: until then {within}."
    if suggestion.limited_by == "policy":
        return f"{again}, the cap that was stated; until then {within}."
    alone = model.interval_s(_guarded(arguments), arguments.reliability)
    return (
        f"{again}, twice the longest interval that was observed. By drift and walk alone it would stay "
        f"{within} for {interval_text(alone)}."
    )
