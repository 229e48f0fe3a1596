"""The options of a command: a parser from the declared keys, and what file, ``--set`` and options say.

An option that was typed wins over ``--set``, which wins over the bench file.
"""

from __future__ import annotations

import argparse
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from evenbeat.bench import (
    COLUMNS,
    GROUPS,
    KEYS,
    LIMITS,
    MOMENT,
    NAMES,
    SOURCES,
    YES_NO,
    Bench,
    Key,
    keys_of,
    known_key,
    read_bench,
)
from evenbeat.errors import InputError

if TYPE_CHECKING:
    from evenbeat.assessment.basis import DecisionBasis


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
        group.add_argument(key.option, dest=key.name, action="store_true", help=key.help)
        return
    explained = key.kind in (LIMITS, MOMENT) or key.kind.metavar == "WORD"
    says = f"{key.help}: {key.kind.accepts}" if explained else key.help
    says += "" if key.default is None else f" (default {key.kind.text(key.default)})"
    group.add_argument(
        key.option,
        dest=key.name,
        action="append" if key.kind in (COLUMNS, NAMES, SOURCES) else "store",
        type=_typed(key.kind.parse),
        metavar=key.kind.metavar,
        help=says.replace("%", "%%"),
    )


def _typed(parse: Callable[[str], Any]) -> Callable[[str], tuple[str, Any]]:
    """Return a parser to the text and its value, whose complaint argparse prints as it is."""

    def typed(text: str) -> tuple[str, Any]:
        try:
            return text, parse(text)
        except InputError as error:
            raise argparse.ArgumentTypeError(str(error)) from error

    return typed


@dataclass(frozen=True, kw_only=True)
class Stated:
    """What was stated for one command.

    Attributes
    ----------
    values
        Key to value, as the library gets it.
    typed
        Key to text, of what stood on the command line.
    """

    command: str
    bench: Bench
    values: Mapping[str, Any]
    typed: Mapping[str, str]

    @classmethod
    def of(cls, command: str, arguments: argparse.Namespace) -> Stated:
        """Return what a command's arguments and its bench file state.

        Raises
        ------
        InputError
            If a key is not known, not used by the command, given twice, or its value cannot be used.
        """
        bench = Bench() if arguments.bench is None else read_bench(arguments.bench)
        values = {name: value for name, value in bench.values.items() if command in KEYS[name].used_by}
        typed: dict[str, str] = {}
        for text in arguments.set:
            key, value = _assignment(text, command)
            if key.name in typed:
                msg = f"--set {key.name} is given twice; give it once"
                raise InputError(msg)
            values[key.name], typed[key.name] = value, text.partition("=")[2]
        for key in keys_of(command):
            given = getattr(arguments, key.name, None) if command in key.typed_by else None
            if given in (None, False):
                continue
            if given is True:
                values[key.name], typed[key.name] = True, "yes"
            elif isinstance(given, list):
                values[key.name] = _together(values.get(key.name), [value for _, value in given])
                typed[key.name] = ",".join(text for text, _ in given)
            else:
                typed[key.name], values[key.name] = given
        return cls(command=command, bench=bench, values=values, typed=typed)

    def __getitem__(self, name: str) -> Any:
        """Return the value of a key, its default where nothing is stated."""
        return self.values.get(name, KEYS[name].default)

    def keywords(self, *groups: str) -> dict[str, Any]:
        """Return the keys of some groups that the command uses, by the keywords of the library."""
        return {key.keyword: self[key.name] for key in keys_of(self.command) if key.group in groups}

    def any_of(self, group: str) -> bool:
        """Return whether anything of a group is stated."""
        return any(KEYS[name].group == group for name in self.values)

    @property
    def layout(self) -> Bench:
        """How the rows of a log are written; its other keys are keywords already."""
        return replace(self.bench, values={})

    def settings(self) -> dict[str, object]:
        """Return what a result tells of it: the bench file with its hash, and what was typed."""
        bench = {"file": Path(self.bench.path).name, "sha256": self.bench.sha256}
        return {
            **({"bench": bench} if self.bench.path else {}),
            **({"typed": dict(self.typed)} if self.typed else {}),
        }


def _assignment(text: str, command: str) -> tuple[Key, Any]:
    name, equals, value = text.partition("=")
    if not equals:
        msg = f"--set {text!r} does not have the form KEY=VALUE, such as --set gate='10 s'"
        raise InputError(msg)
    try:
        key = known_key(name.strip().replace("-", "_"))
        if command in key.used_by:
            return key, key.kind.parse(value.strip())
    except InputError as error:
        msg = f"--set {name}: {error}"
        raise InputError(msg) from error
    msg = f"--set {name}: 'evenbeat {command}' does not use it; {', '.join(key.used_by)} would"
    raise InputError(msg)


def _together(before: Any, given: list[Any]) -> Any:
    """Return repeated options as one value: tables join those of the file, lists replace them."""
    if isinstance(given[0], dict):
        return {**(before or {}), **{name: value for part in given for name, value in part.items()}}
    return tuple(value for part in given for value in part)


FOR_FILE = ("decision_rule", "rule_chosen_on", "decided_by", "decided_on")


def decision_basis(stated: Stated, *, for_file: bool) -> DecisionBasis | None:
    """Return the rule and who decides; ``None`` where nothing of it is stated nor a record to be filed."""
    if not for_file:
        vain = [name for name in FOR_FILE[1:] if name in stated.typed]
        if vain:
            how = "--set file_record=yes" if stated.command != "history" else "-o FOLDER"
            msg = f"{vain[0]} belongs to the audit record; give {how} too"
            raise InputError(msg)
        if stated["decision_rule"] is None:
            return None
    from evenbeat.assessment.basis import DecisionBasis

    return DecisionBasis.of(
        stated["decision_rule"] or "simple_acceptance",
        rule_chosen_on=stated["rule_chosen_on"],
        decided_by=stated["decided_by"] or "",
        decided_on=stated["decided_on"],
    )
