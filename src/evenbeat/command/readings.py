"""The command ``evenbeat readings``: a counter checked point by point."""

from __future__ import annotations

import argparse
import json
from pathlib import Path
from typing import TYPE_CHECKING

from evenbeat.command.arguments import DONE, OUT_OF_TOLERANCE, argument, number
from evenbeat.command.decision_options import RULES
from evenbeat.command.files import write_text
from evenbeat.errors import InputError
from evenbeat.units import parse_frequency, parse_time

if TYPE_CHECKING:
    from evenbeat.counter.bench import BenchCheck
    from evenbeat.counter.reading import Function


def add_readings(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Add the command to the parser."""
    parser = commands.add_parser(
        "readings",
        help="check a counter point by point from a sheet of readings",
        description=(
            "Read a sheet of readings of known stimuli, judge every point by the decision rule, and say what "
            "all points tell about the timebase, lost counts and the usable range. With --blank, write an "
            "empty sheet instead."
        ),
        epilog="example: evenbeat readings counter-check-readings.csv --rule guard_band",
    )
    parser.set_defaults(run=_readings)
    parser.add_argument("sheet", metavar="SHEET", help="a table, one reading a row")
    asked = parser.add_argument_group("what is asked")
    asked.add_argument("--rule", default="simple_acceptance", choices=RULES, help="decision rule")
    asked.add_argument(
        "--permitted", type=number, metavar="Y", help="permitted part of the reading, e.g. 1e-6"
    )
    asked.add_argument("--least-digits", type=number, metavar="N", help="permitted least digits besides")
    asked.add_argument(
        "--reference-uncertainty",
        type=number,
        default=0.0,
        metavar="Y",
        help="relative standard uncertainty of what was applied (default 0)",
    )
    asked.add_argument(
        "--locked", action="store_true", help="the stimulus ran from the counter's own timebase"
    )
    counter = parser.add_argument_group("the counter, where the sheet does not say so itself")
    counter.add_argument("--clock-tick", type=argument(parse_time), metavar="T", help="e.g. '100 ns'")
    counter.add_argument("--input-noise", type=number, metavar="V", help="volts, root mean square")
    counter.add_argument(
        "--count-law", choices=("triangular", "rectangular", "bound", "in_step"), help="how the gate counts"
    )
    counter.add_argument("--rated-low", type=argument(parse_frequency), metavar="F", help="e.g. '10 Hz'")
    counter.add_argument("--rated-high", type=argument(parse_frequency), metavar="F", help="e.g. '100 MHz'")
    written = parser.add_argument_group("what is written")
    written.add_argument(
        "--blank", action="store_true", help="write an empty sheet for this counter to SHEET"
    )
    written.add_argument("-o", "--output", metavar="FILE", help="write the check as one HTML page")
    written.add_argument("--force", action="store_true", help="replace a file that is there")
    written.add_argument("--json", action="store_true", help="print every number as JSON")
    written.add_argument("-q", "--quiet", action="store_true", help="print only the first sentence")
    written.add_argument(
        "--fail-if-out",
        action="store_true",
        help="exit with status 1 if a point is outside what is permitted",
    )


def _readings(arguments: argparse.Namespace) -> int:
    if arguments.blank:
        return _blank(arguments)
    from evenbeat.counter.bench import bench_check

    check = bench_check(
        arguments.sheet,
        permitted_relative=arguments.permitted,
        permitted_digits=arguments.least_digits,
        clock_tick_s=arguments.clock_tick,
        input_noise_v=arguments.input_noise,
        count_law=arguments.count_law,
        rated_hz=_rated(arguments),
        reference_uncertainty=arguments.reference_uncertainty,
        rule=arguments.rule,
        locked=arguments.locked,
    )
    if arguments.output:
        from evenbeat.report.bench_page import bench_page

        write_text(Path(arguments.output), bench_page(check), force=arguments.force)
    _print_check(check, arguments)
    failed = "fail" in check.verdict
    return OUT_OF_TOLERANCE if arguments.fail_if_out and failed else DONE


def _print_check(check: BenchCheck, arguments: argparse.Namespace) -> None:
    if arguments.json:
        print(json.dumps(check.to_dict(), indent=1, allow_nan=False))
    elif arguments.quiet:
        print(check.sentence)
    else:
        print(check)


def _rated(arguments: argparse.Namespace) -> tuple[float, float] | None:
    ends = (arguments.rated_low, arguments.rated_high)
    if ends == (None, None):
        return None
    if None in ends or not ends[0] < ends[1]:
        msg = "--rated-low and --rated-high go together, the lower first"
        raise InputError(msg)
    return ends


def _blank(arguments: argparse.Namespace) -> int:
    from evenbeat.counter.blank_sheet import blank_sheet

    rated = _rated(arguments)
    if rated is None:
        msg = "--blank needs --rated-low and --rated-high, such as '10 Hz' and '100 MHz'"
        raise InputError(msg)
    functions: tuple[Function, ...] = (
        ("frequency", "totalise") if arguments.clock_tick is None else ("frequency", "period", "totalise")
    )
    text = blank_sheet(
        rated_hz=rated,
        clock_tick_s=arguments.clock_tick,
        permitted_relative=1e-6 if arguments.permitted is None else arguments.permitted,
        functions=functions,
    )
    write_text(Path(arguments.sheet), text, force=arguments.force)
    print(f"Empty sheet: {arguments.sheet}")
    return DONE
