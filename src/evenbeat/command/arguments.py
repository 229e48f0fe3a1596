"""What the commands share: the exit status, parsers of values, and files written whole or not at all."""

from __future__ import annotations

import argparse
from collections.abc import Callable
from pathlib import Path
from typing import TypeVar

from evenbeat.disk import write_whole
from evenbeat.errors import InputError, OutputError

Parsed = TypeVar("Parsed")
DONE, OUT_OF_TOLERANCE, BAD_INPUT, FAULT, INTERRUPTED = 0, 1, 2, 3, 130


def argument(parse: Callable[[str], Parsed]) -> Callable[[str], Parsed]:
    """Return a parser whose complaint argparse prints as it is."""

    def parsed(text: str) -> Parsed:
        try:
            return parse(text)
        except InputError as error:
            raise argparse.ArgumentTypeError(str(error)) from error

    return parsed


def check_absent(path: Path, *, force: bool) -> None:
    """Refuse to replace a file unasked; call it before the work, so that none is done in vain."""
    if path.exists() and not force:
        msg = f"{path} exists already; name another file or pass --force"
        raise OutputError(msg)


def write_text(path: Path, text: str, *, force: bool) -> None:
    """Write a whole file or nothing."""
    check_absent(path, force=force)
    try:
        write_whole(path, text.encode())
    except OSError as error:
        msg = f"{path} cannot be written: {error.strerror}"
        raise OutputError(msg) from error
