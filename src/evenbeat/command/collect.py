"""The command ``evenbeat collect``: log a live instrument."""

from __future__ import annotations

import argparse
import math
import sys

from evenbeat.bench import COUNT
from evenbeat.command.arguments import DONE, add_stated, argument, stated_of
from evenbeat.command.terminal import terminal_of
from evenbeat.errors import InputError
from evenbeat.instruments.collect import collect
from evenbeat.instruments.description import shipped_descriptions
from evenbeat.instruments.journal import Rhythm
from evenbeat.units import parse_duration

HELP = "log a live instrument for as long as you like; resumes after any interruption"
DESCRIPTION = (
    "Ask an instrument, or listen to one that talks by itself, and append its readings with UTC to CSV files "
    "in a folder. Start the same command again after a crash or a power cut: it goes on where it ended."
)
EPILOG = (
    "example: evenbeat collect frequency_query tcp://192.0.2.10:5025 -o bench --interval '1 s' "
    "--nominal-frequency '10 MHz'. Before you connect anything: check the maximum voltage of every input "
    "(50-ohm inputs die of a few volts), never join RS-232 (12 V and more) to logic-level pins, and "
    "expect that opening a serial port may reset a board. Only the lines in the description are sent; use "
    "one collector per instrument."
)


def add_collect(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Add the command to the parser."""
    parser = commands.add_parser("collect", help=HELP, description=DESCRIPTION, epilog=EPILOG)
    parser.set_defaults(run=_collect)
    parser.add_argument(
        "description",
        metavar="DESCRIPTION",
        nargs="?",
        help="what to ask and how to read the answer: a TOML file, or one of "
        + ", ".join(shipped_descriptions()),
    )
    parser.add_argument(
        "address",
        metavar="ADDRESS",
        nargs="?",
        help="tcp://HOST:PORT, serial:/dev/ttyUSB0?baud=9600, or a VISA resource name such as "
        "TCPIP0::HOST::5025::SOCKET or USB0::…::INSTR",
    )
    parser.add_argument("-o", "--output", metavar="FOLDER", required=True, help="folder of the log")
    add_stated(parser, "collect")
    group = parser.add_argument_group("how long, and what is shown")
    group.add_argument(
        "--rows", type=argument(COUNT.parse), metavar="N", help="stop after so many rows (default: never)"
    )
    group.add_argument(
        "--for", dest="duration", type=argument(parse_duration), metavar="T", help="stop after this time"
    )
    group.add_argument("--stability", action="store_true", help="show a running Allan deviation")
    group.add_argument("-q", "--quiet", action="store_true", help="show no state while it runs")


def _collect(arguments: argparse.Namespace) -> int:
    stated = stated_of("collect", arguments)
    where = {name: getattr(arguments, name) or stated[name] for name in ("description", "address")}
    for name, value in where.items():
        if value is None:
            msg = f"{name.upper()} is missing; give it on the command line, or '{name}' in a bench file"
            raise InputError(msg)
    result = collect(
        where["description"],
        where["address"],
        arguments.output,
        **stated.keywords("log"),
        reference=stated["reference"] or "",
        beside={name: _source(name, text) for name, text in (stated["beside"] or {}).items()},
        rhythm=Rhythm(
            sync_s=stated["sync"],
            part_s=stated["part"] or math.inf,
            part_bytes=stated["part_size"] or math.inf,
        ),
        rows=arguments.rows,
        duration_s=arguments.duration,
        stability=arguments.stability,
        visa_library=stated["visa_library"],
        screen=None if arguments.quiet else terminal_of(sys.stdout),
    )
    print(result)
    return DONE


def _source(name: str, text: str) -> tuple[str, str]:
    description, _, address = text.partition("@")
    if not (description and address):
        msg = f"beside.{name} is '{text}'; give DESCRIPTION@ADDRESS, as in talker.toml@serial:/dev/ttyUSB1"
        raise InputError(msg)
    return description, address
