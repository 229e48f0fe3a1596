"""The commands ``evenbeat inspect`` and ``evenbeat convert``: what a log is, and a long one as columns."""

from __future__ import annotations

import argparse
import json
import sys
from pathlib import Path

from evenbeat.bench import bench_text
from evenbeat.command.arguments import BAD_INPUT, DONE, write_text
from evenbeat.command.stated import add_stated, stated_of


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
