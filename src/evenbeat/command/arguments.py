"""What the arguments of every command share: their parsers, and the exit status."""

from __future__ import annotations

import argparse
import re
from collections.abc import Callable
from typing import Any, TypeVar

from evenbeat.errors import InputError
from evenbeat.units import parse_duration, parse_frequency

Parsed = TypeVar("Parsed")
DONE, OUT_OF_TOLERANCE, BAD_INPUT, FAULT, INTERRUPTED = 0, 1, 2, 3, 130
CLASSES = ("uncompensated", "temperature_compensated", "oven", "rubidium", "caesium")
"""Of oscillators."""


def argument(parse: Callable[[str], Parsed]) -> Callable[[str], Parsed]:
    """Return a parser whose complaint argparse prints as it is."""

    def parsed(text: str) -> Parsed:
        try:
            return parse(text)
        except InputError as error:
            raise argparse.ArgumentTypeError(str(error)) from error

    return parsed


def number(text: str) -> float:
    """Return a number, or a complaint that shows what one looks like."""
    try:
        return float(text)
    except ValueError as error:
        msg = f"{text!r} is not a number such as 1e-8"
        raise argparse.ArgumentTypeError(msg) from error


def moment(text: str) -> float | str:
    """Return seconds since the start of a log from ``'10 d'`` or a number; a moment in UTC as it stands."""
    try:
        return parse_duration(text)
    except InputError:
        if re.fullmatch(r"0+(\.0*)?\s*[a-z]*", text.strip()):
            return 0.0
        if re.match(r"\d{4}-?\d\d", text.strip()):
            return text.strip()
    msg = (
        f"{text!r} is neither a moment in UTC such as 2026-03-01T00:00:00Z nor a time since the start of the "
        "log such as '10 d'"
    )
    raise argparse.ArgumentTypeError(msg)


def column(text: str) -> tuple[str, str | int]:
    """Return what a column is and its name or position, from ``WHAT=NAME``."""
    what, _, name = text.partition("=")
    if not (what and name):
        msg = f"{text!r} does not have the form WHAT=NAME, such as value=frequency_hz"
        raise argparse.ArgumentTypeError(msg)
    return what, int(name) if name.isdigit() else name


def add_table_options(group: argparse._ActionsContainer) -> None:
    """Add the options for what a table of calibrations does not say itself."""
    add_date_order(group)
    group.add_argument(
        "--nominal-frequency",
        type=argument(parse_frequency),
        metavar="F",
        help="for offsets in hertz, e.g. '10 MHz'",
    )


def add_date_order(group: argparse._ActionsContainer) -> None:
    """Add the option that says how the dates of a table are written."""
    group.add_argument(
        "--date-order", choices=("day-first", "month-first"), help="for dates such as 03/04/2026"
    )


UNCERTAINTIES = {
    "environment": "what use elsewhere may add: temperature, orientation, supply",
    "transport": "what the way there may add: shock, power off and on",
    "reference": "of the reference's frequency",
}


def add_uncertainties(group: argparse._ActionsContainer) -> None:
    """Add the options that say what an interval has to allow for beside drift and noise."""
    for name, says in UNCERTAINTIES.items():
        group.add_argument(
            f"--{name}-uncertainty",
            type=number,
            default=0.0,
            metavar="Y",
            help=f"{says}; k = 1, fractional (0)",
        )


def stated_uncertainties(arguments: argparse.Namespace) -> dict[str, Any]:
    """Return them as keywords of the library."""
    return {f"{name}_uncertainty": getattr(arguments, f"{name}_uncertainty") for name in UNCERTAINTIES}
