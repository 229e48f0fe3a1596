"""The command ``evenbeat fleet``: which instrument is due when."""

from __future__ import annotations

import argparse
import json
import sys
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING

from evenbeat.command.arguments import DONE, OUT_OF_TOLERANCE, add_stated, check_absent, stated_of, write_text
from evenbeat.result import PAGE_WIDTH
from evenbeat.units import SECONDS_PER_DAY

if TYPE_CHECKING:
    pass


def add_fleet(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Add the command to the parser."""
    parser = commands.add_parser(
        "fleet",
        help="which instrument is due when: from a register, a table of many, or a folder of logs",
        description=(
            "Say for every instrument when it is due and how probable it is that it is in tolerance today, "
            "the most urgent first. An instrument that cannot be evaluated appears with its reason."
        ),
        epilog="example: evenbeat fleet workshop.sqlite --page due.html",
    )
    parser.set_defaults(run=_fleet)
    parser.add_argument("source", metavar="SOURCE", help="register, table of calibrations, or folder of logs")
    parser.add_argument("--on", metavar="DATE", help="the day of the list, ISO (default today, UTC)")
    add_stated(parser, "fleet")
    work = parser.add_argument_group("who does the work")
    work.add_argument(
        "--processes", type=int, metavar="N", help="default: one for each core if it is worth it"
    )
    work.add_argument(
        "--cluster", metavar="ADDRESS", help="Dask scheduler, e.g. tcp://127.0.0.1:8786 (extra: fleet)"
    )
    _add_output(parser.add_argument_group("what is written"))


def _add_output(group: argparse._ArgumentGroup) -> None:
    group.add_argument("-o", "--output", metavar="FILE", help="write the list as a comma-separated table")
    group.add_argument("--page", metavar="FILE", help="write the list as one HTML page")
    group.add_argument("--calendar", metavar="FILE", help="write the due days as iCalendar (.ics)")
    group.add_argument("--labels", metavar="FILE", help="write the text of a label for every instrument")
    group.add_argument("--who", default="", metavar="NAME", help="who notes the list with --keep")
    group.add_argument("--role", default="", metavar="ROLE", help="and in what role")
    group.add_argument("--force", action="store_true", help="replace files that are there")
    group.add_argument(
        "--keep", action="store_true", help="note every line in the register that the list is made from"
    )
    group.add_argument("--json", action="store_true", help="print every number as JSON")
    group.add_argument("-q", "--quiet", action="store_true", help="print only the first sentence")
    group.add_argument(
        "--fail-if-out",
        action="store_true",
        help="exit with status 1 if an instrument is overdue or cannot be evaluated",
    )


def _fleet(arguments: argparse.Namespace) -> int:
    from tqdm import tqdm

    from evenbeat.fleet.assess_fleet import assess_fleet, keep_list
    from evenbeat.register.register import Register

    stated = stated_of("fleet", arguments)
    known = {name: value for name, value in stated.keywords("log").items() if value is not None}
    for name in filter(None, (arguments.output, arguments.page, arguments.calendar, arguments.labels)):
        check_absent(Path(name), force=arguments.force)
    register = None
    if arguments.keep:  # before any work is done in vain
        register = Register.open(arguments.source, who=arguments.who, role=arguments.role)
    silent = arguments.quiet or not sys.stderr.isatty()
    with tqdm(unit=" instruments", leave=False, ncols=PAGE_WIDTH, disable=silent) as bar:

        def progress(done: int, total: int) -> None:
            bar.total = total
            bar.update(done - bar.n)

        due = assess_fleet(
            arguments.source,
            on=arguments.on or datetime.now(UTC).date(),
            tolerance=stated["tolerance"],
            reliability=stated["reliability"],
            soon_d=stated["soon"] / SECONDS_PER_DAY,
            longest_interval_s=stated["longest_interval"],
            first_interval_s=stated["first_interval"],
            **stated.keywords("reference"),
            log_options={"layout": stated.layout, **known},
            processes=arguments.processes,
            cluster=arguments.cluster,
            progress=progress,
        )
    due = replace(due, settings={**due.settings, **stated.settings()})

    def page() -> str:
        from evenbeat.report.due_page import due_page

        return due_page(due)

    texts = {"output": due.to_csv, "calendar": due.to_icalendar, "labels": due.labels, "page": page}
    for name, text in texts.items():
        if path := getattr(arguments, name):
            write_text(Path(path), text(), force=arguments.force)
    if register is not None:
        keep_list(register, due)
    if arguments.json:
        print(json.dumps(due.to_dict(), indent=1, allow_nan=False, ensure_ascii=False))
    else:
        print(due.headline() + "." if arguments.quiet else due)
    urgent = due.counts["overdue"] + due.counts["not evaluated"]
    return OUT_OF_TOLERANCE if arguments.fail_if_out and urgent else DONE
