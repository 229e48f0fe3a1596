"""What the command does to a log before it is assessed: checks, a sawtooth, another log subtracted."""

from __future__ import annotations

import argparse
from typing import TYPE_CHECKING, Any

from evenbeat.command.arguments import argument, number
from evenbeat.units import parse_duration, parse_time

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping

    from evenbeat.record import Record

NOTHING_ASKED: dict[str, Any] = {
    "skip_checks": (),
    "wrap_period_s": None,
    "pulse_period_s": None,
    "sawtooth": None,
    "sawtooth_rows": 0,
    "outlier_threshold": 5.0,
}


def add_conditioning_options(group: argparse._ArgumentGroup) -> None:
    """Add the options of conditioning."""
    group.add_argument(
        "--skip-check",
        dest="skip_checks",
        action="append",
        default=[],
        metavar="CHECK",
        help="check not to make, may be repeated: outliers, steps, warm_up, wraps, pulses, bit_errors …",
    )
    group.add_argument(
        "--wrap-period",
        type=argument(parse_time),
        metavar="T",
        help="period of a wrapped phase log, '100 ns'",
    )
    group.add_argument(
        "--pulse-period",
        type=argument(parse_duration),
        metavar="T",
        help="period of the pulses of a phase log (default 1 s for intervals of whole seconds)",
    )
    group.add_argument(
        "--sawtooth",
        metavar="NAME",
        help="column of a GNSS receiver's correction, to be subtracted (--sawtooth=-NAME adds it)",
    )
    group.add_argument(
        "--sawtooth-rows",
        type=int,
        default=0,
        metavar="N",
        help="how many rows later than its correction a pulse is logged (default 0)",
    )
    group.add_argument(
        "--outlier-threshold",
        type=number,
        default=5.0,
        metavar="K",
        help="robust standard deviations from which a reading is an outlier (default 5)",
    )


def add_comparing_options(group: argparse._ArgumentGroup) -> None:
    """Add the options that bring in a second log."""
    group.add_argument(
        "--minus",
        metavar="LOG2",
        help="log of another oscillator against the same reference, to be subtracted",
    )
    group.add_argument(
        "--reference-log",
        metavar="LOG2",
        help="log of the reference itself against a better one, to be taken out",
    )
    group.add_argument(
        "--second-layout", metavar="FILE", help="layout file of LOG2, if it is written otherwise than LOG"
    )
    group.add_argument(
        "--offset",
        type=number,
        metavar="S",
        help="start of LOG2 after that of LOG in seconds, where they do not state when they start",
    )
    group.add_argument(
        "--accept-part-interval",
        action="store_true",
        help="take readings of LOG and LOG2 as simultaneous that lie part of an interval apart",
    )
    group.add_argument(
        "--common-reference",
        action="store_true",
        help="the references of LOG and LOG2 are the same although named differently",
    )


def stated_conditioning(arguments: argparse.Namespace) -> dict[str, Any]:
    """Return what the arguments ask of conditioning, as keywords of the library."""
    return {
        "skip_checks": tuple(arguments.skip_checks),
        "wrap_period_s": arguments.wrap_period,
        "pulse_period_s": arguments.pulse_period,
        "sawtooth": arguments.sawtooth,
        "sawtooth_rows": arguments.sawtooth_rows,
        "outlier_threshold": arguments.outlier_threshold,
    }


def treated(arguments: argparse.Namespace, read: Callable[[str, str | None], Record]) -> Record:
    """Return the record of a log, conditioned and compared as asked; as it was read where nothing is.

    Parameters
    ----------
    read
        From the path of a log and of its layout to its record.
    """
    from evenbeat.assessment.assess import part_of_log
    from evenbeat.comparing.difference import corrected_for_reference, difference
    from evenbeat.conditioning.condition import condition

    options = stated_conditioning(arguments)
    whole = read(arguments.log, arguments.layout)
    record = part_of_log(whole, start=arguments.start, stop=arguments.stop)
    cuts: list[Mapping[str, Any]] = [cut.arguments for cut in record.history[len(whole.history) :]]
    cut_s = whole.time_of(sum(cut["first"] for cut in cuts))
    if options == NOTHING_ASKED and not (arguments.minus or arguments.reference_log):
        return record
    record = condition(record, **options)
    layout = arguments.second_layout or arguments.layout
    alignment: dict[str, Any] = {
        "offset_s": None if arguments.offset is None else arguments.offset - cut_s,
        "part_interval": "accept" if arguments.accept_part_interval else "refuse",
    }
    plain = options | {"sawtooth": None, "sawtooth_rows": 0}
    if arguments.reference_log:
        reference = condition(read(arguments.reference_log, layout), **plain)
        record = corrected_for_reference(record, reference, **alignment)
    if arguments.minus:
        second = condition(read(arguments.minus, layout), **plain)
        common = True if arguments.common_reference else None
        record = difference(record, second, common_reference=common, **alignment)
    if arguments.minus or arguments.reference_log:
        record = condition(record, **plain)
    return record
