"""What the arguments of every command share: the exit status, and parsers of values."""

from __future__ import annotations

import argparse
from collections.abc import Callable
from typing import TypeVar

from evenbeat.errors import InputError

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
