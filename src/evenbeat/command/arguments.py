"""What the commands share: options from declared keys, what they state, exit status, files written whole."""

from __future__ import annotations

import argparse
from collections.abc import Callable
from pathlib import Path
from typing import TypeVar

from evenbeat.bench import (
    COLUMNS,
    GROUPS,
    LIMITS,
    MOMENT,
    NAMES,
    SOURCES,
    YES_NO,
    Bench,
    Key,
    Stated,
    keys_of,
    known_key,
    read_bench,
)
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


def add_stated(parser: argparse.ArgumentParser, command: str) -> None:
    """Add ``--bench``, ``--set`` and the keys that the command has as options of its own."""
    group = parser.add_argument_group("the bench")
    group.add_argument(
        "--bench", metavar="FILE", help="bench file: what is known of the instrument and its log"
    )
    group.add_argument(
        "--set",
        action="append",
        default=[],
        metavar="KEY=VALUE",
        help=f"any other key, as in a bench file; 'evenbeat bench {command}' lists them",
    )
    groups: dict[str, argparse._ArgumentGroup] = {}
    for key in keys_of(command):
        if command in key.typed_by:
            title = GROUPS[key.group]
            groups.setdefault(title, parser.add_argument_group(title))
            add_key(groups[title], key)


def add_key(group: argparse._ActionsContainer, key: Key) -> None:
    """Add the option of a key."""
    if key.kind is YES_NO:
        group.add_argument(
            key.option, dest=key.name, action=argparse.BooleanOptionalAction, default=None, help=key.help
        )
        return
    explained = key.kind in (LIMITS, MOMENT) or key.kind.metavar == "WORD"
    says = f"{key.help}: {key.kind.accepts}" if explained else key.help
    says += "" if key.default is None else f" (default {key.kind.text(key.default)})"
    group.add_argument(
        key.option,
        dest=key.name,
        action="append" if key.kind in (COLUMNS, NAMES, SOURCES) else "store",
        type=argument(key.kind.checked),
        metavar=key.kind.metavar,
        help=says.replace("%", "%%"),
    )


def stated_of(command: str, arguments: argparse.Namespace) -> Stated:
    """Return what a command's arguments and its bench file state: an option wins over ``--set``."""
    typed: dict[str, list[str]] = {}
    for text in arguments.set:
        name, value = _assignment(text, command)
        if name in typed:
            msg = f"--set {name} is given twice; give it once"
            raise InputError(msg)
        typed[name] = [value]
    for key in keys_of(command):
        given = getattr(arguments, key.name, None) if command in key.typed_by else None
        if given is not None:
            words = {True: "yes", False: "no"}
            joined = typed.get(key.name, []) if key.kind in (COLUMNS, SOURCES) else []
            typed[key.name] = [*joined, *(given if isinstance(given, list) else [words.get(given, given)])]
    return Stated.of(command, Bench() if arguments.bench is None else read_bench(arguments.bench), typed)


def _assignment(text: str, command: str) -> tuple[str, str]:
    name, equals, value = text.partition("=")
    if not equals:
        msg = f"--set {text!r} does not have the form KEY=VALUE, such as --set gate='10 s'"
        raise InputError(msg)
    try:
        key = known_key(name.strip().replace("-", "_"))
        if command in key.used_by:
            return key.name, key.kind.checked(value.strip())
    except InputError as error:
        msg = f"--set {name}: {error}"
        raise InputError(msg) from error
    msg = f"--set {name}: 'evenbeat {command}' does not use it; {', '.join(key.used_by)} would"
    raise InputError(msg)
