"""The commands on logs: ``assess`` and ``compare`` to a verdict, ``inspect`` and ``convert`` before it."""

from __future__ import annotations

import argparse
import json
import sys
import textwrap
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING

from evenbeat.bench import KEYS, Stated, bench_text
from evenbeat.command.arguments import BAD_INPUT, DONE, OUT_OF_TOLERANCE, add_stated, stated_of, write_text
from evenbeat.errors import InputError
from evenbeat.result import PAGE_WIDTH, filled

if TYPE_CHECKING:
    from evenbeat.assessment.assess import Assessment, Progress
    from evenbeat.record import Record

SHOWN_CAUTIONS = 3
"""Printed unasked, the most severe first."""
NOT_OF_THREE = ("question", "table", "decision", "output")
"""Groups of keys that ask for an assessment."""


def add_assess(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Add the command to the parser."""
    parser = commands.add_parser(
        "assess",
        help="from a log to a stability, aging, holdover and recalibration verdict with a report",
        description=(
            "Read a log of an oscillator or counter against a reference, print a verdict, and write a "
            "report (report.html, report.pdf, result.json) into a folder."
        ),
        epilog="example: evenbeat assess kittiwake.csv.gz --bench kittiwake.toml --tolerance 1e-8",
    )
    parser.set_defaults(run=_assess)
    parser.add_argument("log", metavar="LOG", help="text table, plain or .gz")
    add_stated(parser, "assess")
    _add_output(parser, "folder for the report (default: LOG's name + -report)")


def add_compare(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Add the command to the parser."""
    parser = commands.add_parser(
        "compare",
        help="two oscillators logged against one reference, or three told apart",
        description=(
            "Of two logs against the same reference, assess A against B, with a report as of 'assess'. "
            "Of three, say how stable each clock is by itself."
        ),
        epilog="example: evenbeat compare kittiwake.csv.gz fulmar.csv.gz --tolerance 1e-8",
    )
    parser.set_defaults(run=_compare)
    parser.add_argument("a", metavar="A", help="a log")
    parser.add_argument("b", metavar="B", help="another, against the same reference")
    parser.add_argument("c", metavar="C", nargs="?", help="a third")
    add_stated(parser, "compare")
    how = parser.add_argument_group("what the logs are, where they do not share a reference")
    how.add_argument(
        "--through",
        action="store_true",
        help="B is the log of A's reference against a better one: take that reference out",
    )
    how.add_argument(
        "--loop",
        action="store_true",
        help="of three: A is clock 1 against 2, B is 2 against 3, C is 3 against 1",
    )
    how.add_argument(
        "--second-bench",
        metavar="FILE",
        help="bench file that says how B and C are written, if otherwise than A",
    )
    _add_output(parser, "folder for the report (default: the names + -report)")


def _add_output(parser: argparse.ArgumentParser, folder: str) -> None:
    group = parser.add_argument_group("what is written")
    group.add_argument("-o", "--output", metavar="FOLDER", help=folder)
    group.add_argument("--force", action="store_true", help="replace an earlier report in that folder")
    group.add_argument("--no-report", action="store_true", help="write no files, print only")
    group.add_argument(
        "--json", action="store_true", help="print every number as JSON instead of the verdict"
    )
    group.add_argument(
        "--fail-if-out",
        action="store_true",
        help="exit with status 1 if it is out of tolerance at the end of the log, interval or not",
    )
    group.add_argument("-v", "--verbose", action="store_true", help="print all findings, not only cautions")
    group.add_argument("-q", "--quiet", action="store_true", help="print only the first sentence")


def _assess(arguments: argparse.Namespace) -> int:
    from evenbeat.assessment.asked import treated_log

    stated = stated_of("assess", arguments)
    return _reported(arguments, stated, [arguments.log], lambda: treated_log(stated, arguments.log))


def _compare(arguments: argparse.Namespace) -> int:
    from evenbeat.assessment.asked import compared_logs

    stated = stated_of("compare", arguments)
    logs = [log for log in (arguments.a, arguments.b, arguments.c) if log is not None]
    if len(logs) == 2 and arguments.loop:
        msg = "--loop needs three logs: clock 1 against 2, 2 against 3, and 3 against 1"
        raise InputError(msg)
    if len(logs) == 3 and arguments.through:
        msg = "--through takes two logs: A, and B, the log of A's reference against a better one"
        raise InputError(msg)
    others = stated
    if arguments.second_bench is not None:
        others = stated_of(
            "compare", argparse.Namespace(**{**vars(arguments), "bench": arguments.second_bench})
        )
    if len(logs) == 3:
        return _separated(arguments, logs, (stated, others, others))
    one, other = logs
    through = arguments.through
    return _reported(
        arguments, stated, logs, lambda: compared_logs(stated, one, others, other, through=through)
    )


def _reported(
    arguments: argparse.Namespace, stated: Stated, logs: list[str], read: Callable[[], Record]
) -> int:
    """Assess what is read, print and write it, and return the exit status."""
    from evenbeat.assessment.asked import asked_of_log, assess_stated
    from evenbeat.report.write import check_folder, write_report

    names = "-".join(Path(log).name.split(".")[0] for log in logs)
    folder = Path(arguments.output or f"{names}-report")
    if not arguments.no_report:
        check_folder(folder, force=arguments.force)
    question = asked_of_log(stated)
    shown = sys.stderr.isatty() and not arguments.quiet
    with _progress(shown=shown, with_case=question["basis"] is not None) as progress:
        progress("reading")
        assessment = assess_stated(stated, read(), question, progress)
    try:  # the answer stands; figures, page and print follow, also where nobody reads on
        _print_assessment(assessment, arguments)
        sys.stdout.flush()
    finally:
        if not arguments.no_report:
            report = write_report(assessment, folder, force=arguments.force, pdf=stated["pdf"])
            if report.trouble:
                print(f"evenbeat: {report.trouble}", file=sys.stderr)
            if not arguments.json:
                print(f"\nReport: {report.html}")
    out = assessment.now is not None and assessment.now.state == "out"
    return OUT_OF_TOLERANCE if arguments.fail_if_out and out else DONE


def _separated(arguments: argparse.Namespace, logs: list[str], written: Sequence[Stated]) -> int:
    """Print how stable each of three clocks is by itself."""
    from evenbeat.assessment.asked import part_stated
    from evenbeat.assessment.assess import MINIMUM_COVERAGE
    from evenbeat.comparing.difference import difference
    from evenbeat.conditioning.condition import condition
    from evenbeat.deviations.separation import separate_clocks

    stated, vain = written[0], [f"--{name}" for name in ("output", "fail_if_out") if getattr(arguments, name)]
    asked = (name for name in stated.typed if name == "offset" or KEYS[name].group in NOT_OF_THREE)
    vain += [f"'{name}'" for name in asked if name not in ("from", "until")]
    if vain:
        msg = f"three logs are told apart, not assessed; leave {vain[0].replace('_', '-')} out"
        raise InputError(msg)
    options = stated.keywords("conditioning")
    records = [condition(part_stated(one, log)[0], **options) for one, log in zip(written, logs, strict=True)]
    names = [Path(log).name.split(".")[0] for log in logs]
    if arguments.loop:
        names = ["clock 1", "clock 2", "clock 3"]
    else:
        together = {
            "part_interval": stated["part_interval"],
            "common_reference": stated["common_reference"] or None,
        }
        records = [difference(records[i], records[(i + 1) % 3], **together) for i in range(3)]
    one, two, three = _simultaneous(records)
    separated = separate_clocks(one, two, three, names=names, minimum_coverage=MINIMUM_COVERAGE)
    if arguments.json:
        print(json.dumps(separated.to_dict() | stated.settings(), indent=1, allow_nan=False))
    else:
        print(separated._headline() if arguments.quiet else separated)
    return DONE


def _simultaneous(records: list[Record]) -> list[Record]:
    """Return the part of each record that all share, where they state when they begin."""
    import numpy as np

    starts = [record.start for record in records if record.start is not None]
    if len(starts) < len(records):
        return records
    lengths = (np.timedelta64(round(record.time_of(len(record)) * 1e9), "ns") for record in records)
    stop = min(start + length for start, length in zip(starts, lengths, strict=True))
    return [record.between(max(starts), stop) for record in records]


def _print_assessment(assessment: Assessment, arguments: argparse.Namespace) -> None:
    from evenbeat.assessment.verdict import labelled_text
    from evenbeat.findings import worst_first

    if arguments.json:
        print(json.dumps(assessment.to_dict(), indent=1, allow_nan=False))
        return
    if arguments.quiet:
        print(filled(assessment.verdict.headline))
        return
    print(assessment.verdict.as_text())
    findings = worst_first(assessment.beside_verdict)
    serious = [finding for finding in findings if finding.severity in ("stop", "caution")]
    for finding in findings if arguments.verbose else serious[:SHOWN_CAUTIONS]:
        print(labelled_text(finding.severity, finding.sentence))
    if len(serious) > SHOWN_CAUTIONS and not arguments.verbose:
        print(labelled_text("", f"{len(serious) - SHOWN_CAUTIONS} more: -v"))


@contextmanager
def _progress(*, shown: bool, with_case: bool) -> Iterator[Progress]:
    """Yield what is told of each stage that begins; a bar on a terminal shows it."""
    from tqdm import tqdm

    from evenbeat.assessment.assess import STAGES
    from evenbeat.assessment.log_case import MOST_STAGES

    stages = 1 + len(STAGES) + (MOST_STAGES if with_case else 0)
    look = {"bar_format": "{l_bar}{bar}| {elapsed}", "leave": False, "ncols": PAGE_WIDTH}
    with tqdm(total=stages, disable=not shown, **look) as bar:

        def begin(stage: str) -> None:
            bar.set_description_str(textwrap.shorten(stage, 44, placeholder=" …").ljust(30))
            bar.update()

        yield begin


def add_inspect(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Add the command to the parser."""
    parser = commands.add_parser(
        "inspect",
        help="say what a log is and how it would be read, before any analysis",
        description=(
            "Say how the rows of a log could be written, what each column was taken for and why, which lines "
            "were rejected, what is assumed, and what conditioning finds. Exit status 2 where the log cannot "
            "be read as it stands."
        ),
        epilog="example: evenbeat inspect kittiwake.csv.gz --write-bench kittiwake.toml",
    )
    parser.set_defaults(run=_inspect)
    parser.add_argument("log", metavar="LOG", help="the log")
    add_stated(parser, "inspect")
    output = parser.add_argument_group("what is written")
    output.add_argument("--json", action="store_true", help="print all of it as JSON")
    output.add_argument(
        "--write-bench",
        metavar="FILE",
        help="write how the log is read, and all that was stated, for --bench",
    )
    output.add_argument("--force", action="store_true", help="replace an earlier bench file")


def add_convert(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Add the command to the parser."""
    parser = commands.add_parser(
        "convert",
        help="write a long log as Parquet or NumPy columns, in little memory",
        description="Write a log of text as columns in SI units that open at once; its size does not matter.",
        epilog="example: evenbeat convert kittiwake.csv.gz kittiwake.npy",
    )
    parser.set_defaults(run=_convert)
    parser.add_argument("log", metavar="LOG", help="table of text, plain, gzip, xz or bzip2")
    parser.add_argument("to", metavar="FILE", help="new file, .parquet or .npy")
    add_stated(parser, "convert")
    parser.add_argument("--force", action="store_true", help="replace an earlier file of that name")


def _inspect(arguments: argparse.Namespace) -> int:
    from evenbeat.conditioning.condition import condition
    from evenbeat.conditioning.report import conditioning_report
    from evenbeat.logs.inspection import inspect_log

    stated = stated_of("inspect", arguments)
    seen = inspect_log(arguments.log, layout=stated.layout, **stated.keywords("log"))
    if arguments.write_bench and seen.layout is not None:
        text = bench_text(**seen.layout.said({**stated.bench.said, **stated.typed}))
        write_text(Path(arguments.write_bench), text, force=arguments.force)
    asked = stated.keywords("conditioning")
    report = None if seen.record is None else conditioning_report(condition(seen.record, **asked))
    if arguments.json:
        plain = seen.to_dict() | {"conditioning": None if report is None else report.to_dict()}
        print(json.dumps(plain, indent=1, allow_nan=False))
    else:
        text = seen.as_text(needs=False)
        print(text if report is None else f"{text}\n\n{report}")
    if seen.readable:
        return DONE
    sys.stdout.flush()
    print(f"evenbeat: {seen.needs}", file=sys.stderr)
    return BAD_INPUT


def _convert(arguments: argparse.Namespace) -> int:
    from evenbeat.logs.bulk import convert_log

    stated = stated_of("convert", arguments)
    written = convert_log(
        arguments.log,
        arguments.to,
        overwrite=arguments.force,
        progress=sys.stderr.isatty(),
        layout=stated.layout,
        **stated.keywords("log"),
    )
    print(written)
    return DONE
