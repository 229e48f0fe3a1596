"""The command ``evenbeat register``: keep instruments, calibrations and assessments."""

from __future__ import annotations

import argparse
import hashlib
import json
import sys
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any

from evenbeat.bench import CLASSES
from evenbeat.command.arguments import BAD_INPUT, DONE, argument
from evenbeat.command.stated import Stated, add_stated
from evenbeat.errors import InputError, LogError
from evenbeat.units import parse_limits

if TYPE_CHECKING:
    from evenbeat.register.register import Entry, Register

Run = Callable[[argparse.Namespace], int]


def add_register(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Add the command to the parser."""
    parser = commands.add_parser(
        "register",
        help="keep instruments, calibrations and assessments in one file that only grows",
        description=(
            "Keep instruments, calibrations and assessments in one SQLite file on a local disk. Nothing in "
            "it is ever changed: a correction is a new entry with its reason, and a chain of hashes shows "
            "whether anything was tampered with."
        ),
        epilog="example: evenbeat register import workshop.sqlite fleet-history.csv",
    )
    tasks = parser.add_subparsers(title="tasks", metavar="TASK", required=True)
    _task(tasks, "create", _create, "make an empty register")
    _add_instrument(_task(tasks, "add-instrument", _instrument, "add an instrument", name=True))
    calibration = _task(tasks, "add-calibration", _calibration, "add a calibration", name=True)
    calibration.add_argument("--date", required=True, metavar="DATE", help="ISO, e.g. 2026-02-26")
    _add_values(calibration)
    kept = _task(tasks, "add-assessment", _assessment, "note what an assessment said", name=True)
    kept.add_argument("result", metavar="RESULT", help="result.json of a report")
    kept.add_argument("--date", required=True, metavar="DATE", help="the day it was made for, ISO")
    brought = _task(tasks, "import", _import, "bring in a table, all of it or nothing")
    brought.add_argument("table", metavar="TABLE", help="with columns instrument, date, as_found …")
    add_stated(brought, "register import")
    out = _task(tasks, "export", _export, "write the standing entries as a comma-separated table")
    out.add_argument(
        "--what", choices=("calibrations", "instruments"), default="calibrations", help="default calibrations"
    )
    out.add_argument("-o", "--output", metavar="FILE", help="default: print it")
    out.add_argument("--force", action="store_true", help="replace a file that is there")
    _json(_task(tasks, "list", _list, "list the instruments"))
    _json(_task(tasks, "show", _show, "show every entry of one instrument", name=True))
    correct = _task(tasks, "correct", _correct, "add a corrected copy of an entry", entry=True)
    correct.add_argument("--instrument", metavar="NAME", help="file it under another instrument")
    correct.add_argument("--date", metavar="DATE", help="ISO")
    correct.add_argument("--oscillator-class", choices=CLASSES, help="of an instrument")
    correct.add_argument("--tolerance", type=argument(parse_limits), metavar="Y", help="of an instrument")
    _add_values(correct, correction=True)
    _task(tasks, "withdraw", _withdraw, "add that an entry no longer stands", entry=True)
    verify = _task(tasks, "verify", _verify, "find out whether anything was changed since it was written")
    verify.add_argument("--head", metavar="NUMBER:HASH", help="a head that was noted earlier")
    _json(verify)


def _task(
    tasks: argparse._SubParsersAction[argparse.ArgumentParser],
    word: str,
    run: Run,
    says: str,
    *,
    name: bool = False,
    entry: bool = False,
) -> argparse.ArgumentParser:
    parser = tasks.add_parser(word, help=says, description=says[0].upper() + says[1:] + ".")
    parser.set_defaults(run=run)
    parser.add_argument("register", metavar="REGISTER", help="the SQLite file")
    if name:
        parser.add_argument("instrument", metavar="NAME", help="of the instrument")
    if entry:
        parser.add_argument("entry", metavar="ENTRY", type=int, help="its number, as 'show' prints it")
        parser.add_argument("--because", required=True, metavar="REASON", help="kept with the new entry")
    return parser


def _add_instrument(parser: argparse.ArgumentParser) -> None:
    add_stated(parser, "register add-instrument")
    parser.add_argument("--remark", default="", metavar="TEXT", help="anything else")


def _add_values(parser: argparse.ArgumentParser, *, correction: bool = False) -> None:
    none: Any = argparse.SUPPRESS if correction else None
    parser.add_argument("--as-found", metavar="Y", default=none, help="fractional offset, or 'in' or 'out'")
    parser.add_argument("--as-left", metavar="Y", default=none, help="after it, where it was adjusted")
    parser.add_argument(
        "--standard-uncertainty", metavar="Y", default=none, help="of each of the two (k = 1)"
    )
    parser.add_argument("--adjusted", choices=("yes", "no"), default=none or "no", help="default no")
    parser.add_argument("--certificate", metavar="TEXT", default=none or "", help="number of the certificate")
    parser.add_argument("--remark", metavar="TEXT", default=none or "", help="anything else")


def _json(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--json", action="store_true", help="print it as JSON")


def _opened(arguments: argparse.Namespace) -> Register:
    from evenbeat.register.register import Register

    return Register.open(arguments.register)


def _read(arguments: argparse.Namespace) -> Register:
    from evenbeat.register.verification import opened_intact

    return opened_intact(arguments.register)


def _create(arguments: argparse.Namespace) -> int:
    from evenbeat.register.register import Register

    Register.create(arguments.register)
    print(f"New register: {arguments.register}")
    return DONE


def _instrument(arguments: argparse.Namespace) -> int:
    stated = Stated.of("register add-instrument", arguments)
    facts = stated.keywords("instrument", "question", "log")
    return _added(_opened(arguments).add_instrument(arguments.instrument, **facts, remark=arguments.remark))


def _calibration(arguments: argparse.Namespace) -> int:
    names = ("as_found", "as_left", "standard_uncertainty", "adjusted", "certificate", "remark")
    values = {name: getattr(arguments, name) for name in names}
    return _added(_opened(arguments).add_calibration(arguments.instrument, date=arguments.date, **values))


def _assessment(arguments: argparse.Namespace) -> int:
    from evenbeat.register.facts import KeptAssessment
    from evenbeat.report.write import belongs_together

    path = Path(arguments.result)
    try:
        content = path.read_bytes()
        result = json.loads(content)
        headline = result["verdict"]["headline"]
        mixed = belongs_together(path, result)
        if mixed:
            raise LogError(mixed, path=path)
        interval, versions = result.get("interval") or {}, result.get("software", {})
        kept = KeptAssessment(
            instrument=arguments.instrument,
            date=arguments.date,
            headline=headline,
            interval_s=interval.get("interval_s"),
            due=result.get("due"),
            sha256=hashlib.sha256(content).hexdigest(),
            source=path.name,
            software=versions,
        )
    except (OSError, ValueError, KeyError, TypeError, AttributeError) as error:
        if isinstance(error, InputError):
            raise
        msg = f"this is no result.json of a report ({error})"
        raise LogError(msg, path=path) from error
    return _added(_opened(arguments).add_assessment(kept))


def _added(entry: Entry) -> int:
    print(f"Entry {entry.number}: {entry.kind} of {entry.instrument}")
    return DONE


def _import(arguments: argparse.Namespace) -> int:
    from evenbeat.register.tables import import_table

    register = _opened(arguments)
    stated = Stated.of("register import", arguments)
    print(import_table(register, arguments.table, **stated.keywords("log")))
    return DONE


def _export(arguments: argparse.Namespace) -> int:
    from evenbeat.command.files import write_text
    from evenbeat.register.tables import export_instruments, export_table

    register = _read(arguments)
    text = export_table(register) if arguments.what == "calibrations" else export_instruments(register)
    if arguments.output:
        write_text(Path(arguments.output), text, force=arguments.force)
    else:
        sys.stdout.write(text)
    return DONE


def _list(arguments: argparse.Namespace) -> int:
    from evenbeat.results import Table

    register = _read(arguments)
    dates: dict[str, list[str]] = {}
    for one in register.calibrations():
        dates.setdefault(one.instrument, []).append(one.date)
    instruments = register.instruments()
    if arguments.json:
        shown = [
            {
                **one.to_dict(),
                "calibrations": len(dates.get(one.name, ())),
                "last": max(dates.get(one.name, ()), default=None),
            }
            for one in instruments
        ]
        print(json.dumps(shown, indent=1, ensure_ascii=False))
        return DONE
    rows = tuple(
        (
            one.name,
            (one.oscillator_class or "–").replace("_", " "),
            "–" if one.tolerance is None else str(one.tolerance),
            str(len(dates.get(one.name, ()))),
            max(dates.get(one.name, ()), default="–"),
        )
        for one in instruments
    )
    print(Table(columns=("instrument", "class", "tolerance", "calibrations", "last"), rows=rows).as_text())
    return DONE


def _show(arguments: argparse.Namespace) -> int:
    register = _read(arguments)
    entries = register.entries(arguments.instrument)
    if not entries:
        msg = f"there is no entry of {arguments.instrument!r} in {arguments.register}"
        raise InputError(msg)
    if arguments.json:
        print(json.dumps([entry.to_dict() for entry in entries], indent=1, ensure_ascii=False))
        return DONE
    replaced = {entry.corrects for entry in entries}
    for entry in entries:
        state = " (no longer stands)" if entry.number in replaced else ""
        print(f"{entry.number:>6}  {entry.written_at}  {entry.kind}{state}")
        if entry.corrects is not None:
            word = "withdraws" if entry.content is None else "corrects"
            print(f"        {word} entry {entry.corrects}: {entry.reason}")
        if entry.content is not None:
            print(f"        {_said(json.loads(entry.content))}")
    return DONE


def _said(content: dict[str, object]) -> str:
    hidden = ("name", "instrument")
    parts = [
        f"{key} {value}" for key, value in content.items() if key not in hidden and value not in (None, "")
    ]
    return ", ".join(parts).replace("True", "yes").replace("False", "no")


def _correct(arguments: argparse.Namespace) -> int:
    names = ("instrument", "date", "oscillator_class", "tolerance")
    changes = {name: getattr(arguments, name) for name in names if getattr(arguments, name) is not None}
    values = ("as_found", "as_left", "standard_uncertainty", "adjusted", "certificate", "remark")
    changes |= {name: getattr(arguments, name) for name in values if hasattr(arguments, name)}
    return _added(_opened(arguments).correct(arguments.entry, because=arguments.because, **changes))


def _withdraw(arguments: argparse.Namespace) -> int:
    return _added(_opened(arguments).withdraw(arguments.entry, because=arguments.because))


def _verify(arguments: argparse.Namespace) -> int:
    from evenbeat.register.register import Register
    from evenbeat.register.store import check_file
    from evenbeat.register.verification import verify_register

    check_file(Path(arguments.register), whole=False)
    found = verify_register(Register(Path(arguments.register)), noted_head=arguments.head)
    print(json.dumps(found.to_dict(), indent=1) if arguments.json else found)
    return DONE if found.intact else BAD_INPUT
