"""The command ``evenbeat readings``: a counter checked point by point."""

from __future__ import annotations

import argparse
import json
from pathlib import Path
from typing import TYPE_CHECKING

from evenbeat.command.arguments import DONE, OUT_OF_TOLERANCE, add_stated, stated_of, write_text
from evenbeat.errors import InputError
from evenbeat.plain import plain

if TYPE_CHECKING:
    from evenbeat.bench import Stated


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
        epilog="example: evenbeat readings counter-check-readings.csv --permitted 1e-6",
    )
    parser.set_defaults(run=_readings)
    parser.add_argument("sheet", metavar="SHEET", help="a table, one reading a row")
    add_stated(parser, "readings")
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
    stated = stated_of("readings", arguments)
    if arguments.blank:
        return _blank(arguments, stated)
    from evenbeat.counter.bench import bench_check

    check = bench_check(
        arguments.sheet,
        **stated.keywords("counter", "reference"),
        rule=stated["decision_rule"] or "simple_acceptance",
    )
    if arguments.output:
        from evenbeat.report.bench_page import bench_page

        write_text(Path(arguments.output), bench_page(check, stated.settings()), force=arguments.force)
    if arguments.json:
        shown = plain({**check.to_dict(), "settings": stated.settings()})
        print(json.dumps(shown, indent=1, allow_nan=False))
    else:
        print(check.sentence if arguments.quiet else check)
    failed = "fail" in check.verdict
    return OUT_OF_TOLERANCE if arguments.fail_if_out and failed else DONE


def _blank(arguments: argparse.Namespace, stated: Stated) -> int:
    from evenbeat.counter.sheet import blank_sheet

    if stated["rated"] is None:
        msg = "--blank needs --rated, such as --rated '10 Hz to 100 MHz'"
        raise InputError(msg)
    text = blank_sheet(
        rated_hz=stated["rated"],
        clock_tick_s=stated["clock_tick"],
        permitted_relative=1e-6 if stated["permitted"] is None else stated["permitted"],
    )
    write_text(Path(arguments.sheet), text, force=arguments.force)
    print(f"Empty sheet: {arguments.sheet}")
    return DONE
