"""The command ``evenbeat collect``: log a live instrument."""

from __future__ import annotations

import argparse
import math
import sys

from evenbeat.command.arguments import DONE, argument
from evenbeat.command.terminal import terminal_of
from evenbeat.instruments.collect import collect
from evenbeat.instruments.description import shipped_descriptions
from evenbeat.instruments.journal import Rhythm
from evenbeat.units import parse_duration, parse_frequency

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
        help="what to ask and how to read the answer: a TOML file, or one of "
        + ", ".join(shipped_descriptions()),
    )
    parser.add_argument(
        "address",
        metavar="ADDRESS",
        help="tcp://HOST:PORT, serial:/dev/ttyUSB0?baud=9600, or a VISA resource name such as "
        "TCPIP0::HOST::5025::SOCKET or USB0::…::INSTR",
    )
    parser.add_argument("-o", "--output", metavar="FOLDER", required=True, help="folder of the log")
    _add_readings(parser.add_argument_group("what is read"))
    _add_writing(parser.add_argument_group("what is written"))


def _add_readings(group: argparse._ArgumentGroup) -> None:
    duration, frequency = argument(parse_duration), argument(parse_frequency)
    group.add_argument(
        "--interval", type=duration, metavar="T", help="from one query to the next, e.g. '10 s'"
    )
    group.add_argument(
        "--beside",
        action="append",
        type=_beside,
        metavar="NAME=DESCRIPTION@ADDRESS",
        help="a second source, e.g. room_temperature_c=temperature_talker@serial:/dev/ttyUSB1 (repeatable)",
    )
    group.add_argument(
        "--nominal-frequency", type=frequency, metavar="F", help="nominal frequency, e.g. '10 MHz'"
    )
    group.add_argument(
        "--gate", type=duration, metavar="T", help="gate set at the counter, for the log's head"
    )
    group.add_argument(
        "--reference", default="", metavar="TEXT", help="what it is compared with, for the head"
    )
    group.add_argument("--rows", type=_count, metavar="N", help="stop after so many rows (default: never)")
    group.add_argument("--for", dest="duration", type=duration, metavar="T", help="stop after this time")
    group.add_argument(
        "--visa-library", default="@py", metavar="NAME", help="PyVISA's library (default @py: pure Python)"
    )


def _add_writing(group: argparse._ArgumentGroup) -> None:
    group.add_argument(
        "--sync",
        type=_seconds_or_zero,
        default=1.0,
        metavar="T",
        help="force rows to the disk this often; 0: every row (default 1 s; longer spares memory cards)",
    )
    group.add_argument(
        "--part",
        type=argument(parse_duration),
        metavar="T",
        help="begin a new file every so often, e.g. '1 d'",
    )
    group.add_argument(
        "--part-size", type=_count, metavar="BYTES", help="begin a new file before one grows beyond this"
    )
    group.add_argument("--stability", action="store_true", help="show a running Allan deviation")
    group.add_argument("-q", "--quiet", action="store_true", help="show no state while it runs")


def _collect(arguments: argparse.Namespace) -> int:
    result = collect(
        arguments.description,
        arguments.address,
        arguments.output,
        interval_s=arguments.interval,
        nominal_frequency_hz=arguments.nominal_frequency,
        gate_s=arguments.gate,
        reference=arguments.reference,
        beside=dict(arguments.beside or ()),
        rhythm=Rhythm(
            sync_s=arguments.sync,
            part_s=arguments.part or math.inf,
            part_bytes=arguments.part_size or math.inf,
        ),
        rows=arguments.rows,
        duration_s=arguments.duration,
        stability=arguments.stability,
        visa_library=arguments.visa_library,
        screen=None if arguments.quiet else terminal_of(sys.stdout),
    )
    print(result)
    return DONE


def _seconds_or_zero(text: str) -> float:
    return 0.0 if text.strip() in ("0", "0 s", "0s") else argument(parse_duration)(text)


def _count(text: str) -> int:
    if not (text.isascii() and text.isdigit() and int(text) > 0):
        msg = f"'{text}' is not a positive whole number"
        raise argparse.ArgumentTypeError(msg)
    return int(text)


def _beside(text: str) -> tuple[str, tuple[str, str]]:
    name, _, rest = text.partition("=")
    description, _, address = rest.partition("@")
    if not (name and description and address):
        msg = f"'{text}' does not have the form NAME=DESCRIPTION@ADDRESS"
        raise argparse.ArgumentTypeError(msg)
    return name, (description, address)
