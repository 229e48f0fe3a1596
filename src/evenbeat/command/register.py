"""The command ``evenbeat register``: keep instruments, calibrations, events and assessments."""

from __future__ import annotations

import argparse
import hashlib
import json
import sys
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

from evenbeat.bench import CLASSES
from evenbeat.command.arguments import BAD_INPUT, DONE, add_stated, argument, stated_of, write_text
from evenbeat.errors import InputError, LogError
from evenbeat.units import parse_limits

if TYPE_CHECKING:
    from evenbeat.register.register import Entry, Register
    from evenbeat.result import Result

EVENTS = ("repair", "move", "adjustment", "in use", "out of use", "retired", "lost")
REMARK = {"remark": ("TEXT", "anything else")}
OF_INSTRUMENT = {
    "serial_number": ("TEXT", "of the instrument"),
    "model": ("TEXT", "of the instrument"),
    "place": ("TEXT", "where it stands, or was moved to"),
}
OF_CALIBRATION = {
    "as_found": ("Y", "offset, e.g. 2.1e-9, '12 ppb', '0.1 Hz'; or 'in' or 'out'"),
    "as_left": ("Y", "after it, where it was adjusted"),
    "standard_uncertainty": ("Y", "of each of the two, or of the change of an event (k = 1)"),
    "as_left_uncertainty": ("Y", "of as-left, where it is another one (k = 1)"),
    "reference": ("NAME", "instrument it was made against"),
    "valid_until": ("DATE", "day until which it counts, if set"),
    "certificate": ("TEXT", "number of the certificate"),
    "certificate_file": ("FILE", "its SHA-256 is kept, not the file"),
    "adjusted": ("yes|no", "default no"),
}
OF_EVENT = {"change": ("Y", "by how much the offset changed; unknown if not stated")}
PARTS = {**OF_INSTRUMENT, **OF_CALIBRATION, **OF_EVENT, **REMARK}
"""Parts of what is kept, as they are typed; one that is not typed is not stated."""
Run = Callable[[argparse.Namespace], int]


def add_register(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Add the command to the parser."""
    parser = commands.add_parser(
        "register",
        help="keep instruments, calibrations, events and assessments in one file that only grows",
        description=(
            "Keep instruments, calibrations, events and assessments in one SQLite file on a local disk. "
            "Nothing in it is ever changed: a correction is a new entry with its reason, a chain of hashes "
            "shows whether anything was tampered with, and the account keeps the heads it saw, which shows "
            "what was cut off."
        ),
        epilog="example: evenbeat register import workshop.sqlite fleet-history.csv",
    )
    tasks = parser.add_subparsers(title="tasks", metavar="TASK", required=True)
    created = _task(tasks, "create", _create, "make a new register")
    created.add_argument("--from", dest="whole", metavar="FILE", help="what 'export --what everything' wrote")
    upgrade = _task(
        tasks, "upgrade", _upgrade, "make a new register of one of version 1, which stays as it is"
    )
    upgrade.add_argument("new", metavar="NEW", help="the new SQLite file")
    instrument = _task(tasks, "add-instrument", _instrument, "add an instrument", name=True)
    add_stated(instrument, "register add-instrument")
    _add_parts(instrument, {**OF_INSTRUMENT, **REMARK})
    calibration = _task(tasks, "add-calibration", _calibration, "add a calibration", name=True)
    calibration.add_argument("--date", required=True, metavar="DATE", help="ISO, e.g. 2026-02-26")
    _add_parts(calibration, {**OF_CALIBRATION, **REMARK})
    event = _task(tasks, "add-event", _event, "add a repair, a move, an adjustment or a status", name=True)
    event.add_argument("what", choices=EVENTS, metavar="WHAT", help=", ".join(EVENTS))
    event.add_argument("--date", required=True, metavar="DATE", help="ISO, e.g. 2026-02-26")
    of_event = ("change", "standard_uncertainty", "place", "remark")
    _add_parts(event, {name: PARTS[name] for name in of_event})
    kept = _task(tasks, "add-assessment", _assessment, "note what an assessment said", name=True)
    kept.add_argument("result", metavar="RESULT", help="result.json of a report")
    kept.add_argument("--date", required=True, metavar="DATE", help="the day it was made for, ISO")
    brought = _task(tasks, "import", _import, "bring in a table, all of it or nothing")
    brought.add_argument("table", metavar="TABLE", help="with columns instrument, date, as_found …")
    add_stated(brought, "register import")
    out = _task(tasks, "export", _export, "write the standing entries as a comma-separated table")
    out.add_argument(
        "--what",
        choices=("calibrations", "instruments", "everything"),
        default="calibrations",
        help="everything: all entries with their hashes as JSON lines, for 'create --from' (calibrations)",
    )
    out.add_argument("-o", "--output", metavar="FILE", help="default: print it")
    out.add_argument("--force", action="store_true", help="replace a file that is there")
    _json(_task(tasks, "list", _list, "list the instruments"))
    _json(_task(tasks, "show", _show, "show every entry of one instrument", name=True))
    _json(_task(tasks, "promises", _promises, "show how often promises were kept, class by class"))
    trace = _task(tasks, "trace", _trace, "show what rests on a reference that was found out", name=True)
    trace.add_argument("--since", metavar="DATE", help="when it was good last (its calibrations say it)")
    trace.add_argument("--until", metavar="DATE", help="when it was found out (its calibrations say it)")
    trace.add_argument("--readings", metavar="TABLE", help="with columns date, instrument, name")
    _json(trace)
    for word in (
        "create",
        "upgrade",
        "add-instrument",
        "add-calibration",
        "add-event",
        "add-assessment",
        "import",
    ):
        _signed(tasks.choices[word])
    correct = _task(tasks, "correct", _correct, "add a corrected copy of an entry", entry=True)
    correct.add_argument("--instrument", metavar="NAME", help="file it under another instrument")
    correct.add_argument("--date", metavar="DATE", help="ISO")
    correct.add_argument("--oscillator-class", choices=CLASSES, help="of an instrument")
    correct.add_argument("--tolerance", type=argument(parse_limits), metavar="Y", help="of an instrument")
    correct.add_argument("--what", choices=EVENTS, metavar="WHAT", help="of an event")
    _add_parts(correct, PARTS)
    withdraw = _task(tasks, "withdraw", _withdraw, "add that an entry no longer stands", entry=True)
    _signed(correct)
    _signed(withdraw)
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


def _signed(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--who", default="", metavar="NAME", help="who makes the entry (the account)")
    parser.add_argument("--role", default="", metavar="ROLE", help="and in what role")


def _add_parts(parser: argparse.ArgumentParser, parts: Mapping[str, tuple[str, str]]) -> None:
    for name, (metavar, says) in parts.items():
        option, choices = f"--{name.replace('_', '-')}", metavar.split("|") if "|" in metavar else None
        parser.add_argument(option, metavar=metavar, help=says, choices=choices, default=argparse.SUPPRESS)


def _parts(arguments: argparse.Namespace) -> dict[str, Any]:
    """Return the parts that are typed, the certificate's file as its hash."""
    from evenbeat.register.facts import file_sha256

    parts = {name: getattr(arguments, name) for name in PARTS if hasattr(arguments, name)}
    file = parts.pop("certificate_file", None)
    return parts if file is None else {**parts, "certificate_sha256": file_sha256(file)}


def _json(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--json", action="store_true", help="print it as JSON")


def _opened(arguments: argparse.Namespace) -> Register:
    from evenbeat.register.register import Register

    return Register.open(arguments.register, who=arguments.who, role=arguments.role)


def _read(arguments: argparse.Namespace) -> Register:
    from evenbeat.register.verification import opened_intact

    return opened_intact(arguments.register)


def _create(arguments: argparse.Namespace) -> int:
    from evenbeat.register.register import Register

    if arguments.whole:
        try:
            text = Path(arguments.whole).read_text(encoding="utf-8")
        except (OSError, UnicodeDecodeError) as error:
            msg = f"cannot be read as text: {error}"
            raise LogError(msg, path=arguments.whole) from error
        made = Register.from_lines(arguments.register, text)
        print(f"New register: {arguments.register}, head {made.head()}")
        return DONE
    Register.create(arguments.register)
    print(f"New register: {arguments.register}")
    return DONE


def _upgrade(arguments: argparse.Namespace) -> int:
    from evenbeat.register.register import Register

    made = Register.upgraded(arguments.new, arguments.register, who=arguments.who, role=arguments.role)
    print(f"New register: {arguments.new}, head {made.head()}\nKeep {arguments.register} beside it.")
    return DONE


def _instrument(arguments: argparse.Namespace) -> int:
    stated = stated_of("register add-instrument", arguments)
    facts = stated.keywords("instrument", "question", "log") | _parts(arguments)
    return _added(_opened(arguments).add_instrument(arguments.instrument, **facts))


def _calibration(arguments: argparse.Namespace) -> int:
    parts = {"date": arguments.date, **_parts(arguments)}
    return _added(_opened(arguments).add_calibration(arguments.instrument, **parts))


def _event(arguments: argparse.Namespace) -> int:
    parts = {"date": arguments.date, **_parts(arguments)}
    return _added(_opened(arguments).add_event(arguments.instrument, arguments.what, **parts))


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
            tolerance=_limits(interval.get("tolerance")),
            reliability=interval.get("reliability"),
            sha256=hashlib.sha256(content).hexdigest(),
            source=path.name,
            software=versions,
        )
    except (OSError, ValueError, KeyError, TypeError, AttributeError, RecursionError) as error:
        if isinstance(error, InputError):
            raise
        msg = f"this is not a result.json of a report ({error})"
        raise LogError(msg, path=path) from error
    return _added(_opened(arguments).add_assessment(kept))


def _added(entry: Entry) -> int:
    print(f"Entry {entry.number}: {entry.kind} of {entry.instrument}")
    return DONE


def _import(arguments: argparse.Namespace) -> int:
    from evenbeat.register.tables import import_table

    register = _opened(arguments)
    stated = stated_of("register import", arguments)
    print(import_table(register, arguments.table, **stated.keywords("log")))
    return DONE


def _export(arguments: argparse.Namespace) -> int:
    from evenbeat.register.register import Register
    from evenbeat.register.tables import export_instruments, export_table

    register = _read(arguments)
    written: dict[str, Callable[[Register], str]] = {
        "calibrations": export_table,
        "instruments": export_instruments,
        "everything": Register.to_lines,
    }
    text = written[arguments.what](register)
    if arguments.output:
        write_text(Path(arguments.output), text, force=arguments.force)
    else:
        sys.stdout.write(text)
    return DONE


def _list(arguments: argparse.Namespace) -> int:
    from evenbeat.register.register import Register
    from evenbeat.register.verification import intact_holdings
    from evenbeat.result import Table

    held = intact_holdings(Register.open(arguments.register))
    made = {name: [each.date for each in held.calibrations.get(name, ())] for name in held.instruments}
    if arguments.json:
        shown = [
            {**one.to_dict(), "calibrations": len(made[name]), "last": max(made[name], default=None)}
            for name, one in held.instruments.items()
        ]
        print(json.dumps(shown, indent=1, ensure_ascii=False))
        return DONE
    rows = tuple(
        (
            name,
            (one.oscillator_class or "–").replace("_", " "),
            "–" if one.tolerance is None else str(one.tolerance),
            str(len(made[name])),
            max(made[name], default="–"),
        )
        for name, one in held.instruments.items()
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
        by = f"{entry.who}, {entry.role}" if entry.role else entry.who
        print(f"{entry.number:>6}  {entry.written_at}  {by}  {entry.kind}{state}")
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
    names = ("instrument", "date", "what", "oscillator_class", "tolerance")
    changes = {name: getattr(arguments, name) for name in names if getattr(arguments, name) is not None}
    changes |= _parts(arguments)
    return _added(_opened(arguments).correct(arguments.entry, because=arguments.because, **changes))


def _limits(stated: object) -> float | str | None:
    """Return a tolerance as a result.json says it."""
    if isinstance(stated, dict):
        return f"{stated['lower']!r}:{stated['upper']!r}"
    return stated if isinstance(stated, float | str) else None


def _promises(arguments: argparse.Namespace) -> int:
    from evenbeat.register.promises import realised_reliability

    return _told(realised_reliability(_read(arguments)), arguments)


def _trace(arguments: argparse.Namespace) -> int:
    from evenbeat.register.trace import trace_reference

    stated = {name: getattr(arguments, name) for name in ("since", "until", "readings")}
    return _told(trace_reference(_read(arguments), arguments.instrument, **stated), arguments)


def _told(result: Result, arguments: argparse.Namespace) -> int:
    print(json.dumps(result.to_dict(), indent=1, ensure_ascii=False) if arguments.json else result)
    return DONE


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
