"""The command ``evenbeat verify``: compute a report again from its inputs."""

from __future__ import annotations

import argparse
import json

from evenbeat.command.arguments import BAD_INPUT, DONE


def add_verify(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Add the command to the parser."""
    parser = commands.add_parser(
        "verify",
        help="compute a report again from its inputs and name any digit that differs",
        description=(
            "Compute the result.json of 'evenbeat history -o' or 'evenbeat assess' again, from inputs of the "
            "same hash, and name every value that differs; of a log this takes as long as to assess it. A "
            "register is verified by 'evenbeat register verify'."
        ),
        epilog="example: evenbeat verify kittiwake-report/result.json --input kittiwake-history.csv",
    )
    parser.set_defaults(run=_verify)
    parser.add_argument("record", metavar="RESULT", help="result.json of a report")
    parser.add_argument(
        "--input",
        action="append",
        default=[],
        metavar="FILE",
        help="log, table or register that it was made from; looked for by name if not stated",
    )
    parser.add_argument("--json", action="store_true", help="print it as JSON")


def _verify(arguments: argparse.Namespace) -> int:
    from evenbeat.report.recomputed import verify_record

    found = verify_record(arguments.record, arguments.input)
    print(json.dumps(found.to_dict(), indent=1, ensure_ascii=False) if arguments.json else found)
    return DONE if found.holds else BAD_INPUT
