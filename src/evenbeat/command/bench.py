"""The command ``evenbeat bench``: every key of a bench file, and what one file states."""

from __future__ import annotations

import argparse

from evenbeat.bench import GROUPS, KEYS, Key, read_bench
from evenbeat.command.arguments import DONE
from evenbeat.result import filled

COMMANDS = tuple(dict.fromkeys(command for key in KEYS.values() for command in key.used_by))


def add_bench(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Add the command to the parser."""
    parser = commands.add_parser(
        "bench",
        help="list every key of a bench file, or check a file",
        description=(
            "A bench file says once what is known of an instrument: how its log is written, nominal "
            "frequency, gate, reference, tolerance. Each line is 'key = value'; --set key=value states a key "
            "for one call. What is typed wins over --set, which wins over the file. 'evenbeat inspect LOG "
            "--write-bench FILE' makes one from a log."
        ),
        epilog="example: evenbeat bench assess",
    )
    parser.set_defaults(run=_bench)
    parser.add_argument(
        "of",
        metavar="COMMAND|FILE",
        nargs="*",
        help=f"keys of one command ({', '.join(COMMANDS)}), or a bench file: is it right, and what it states",
    )


def _bench(arguments: argparse.Namespace) -> int:
    command = " ".join(arguments.of)
    if command and command not in COMMANDS:
        bench = read_bench(command)
        print(f"{bench.path}: version 1, SHA-256 {bench.sha256}")
        for name in bench.values:
            print(_filled(name, KEYS[name].kind.text(bench.values[name])))
        return DONE
    for group, title in GROUPS.items():
        keys = [key for key in KEYS.values() if key.group == group and command in ("", *key.used_by)]
        if keys:
            print(f"{title}:")
        for key in keys:
            print(_filled(key.name, _explained(key, command)))
    return DONE


def _explained(key: Key, command: str) -> str:
    says = f"{key.help} ({key.kind.accepts})"
    if key.default not in (None, ()):
        says += f", default {key.kind.text(key.default)}"
    if not command:
        return f"{says}; {', '.join(key.used_by)}"
    return f"{says}; also {key.option}" if command in key.typed_by else says


def _filled(name: str, says: str) -> str:
    first = f"  {name}".ljust(26) + " "
    return filled(says, first=first, rest=" " * 27)
