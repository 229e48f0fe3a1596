"""A log of the reader's own, assessed, with the command that does the same."""

from __future__ import annotations

import shlex
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from evenbeat.assessment.assess import Assessment, assess
from evenbeat.errors import InputError
from evenbeat.lessons.lesson import Lesson, call_text
from evenbeat.logs.reader import read_log
from evenbeat.units import parse_duration, parse_frequency


@dataclass(frozen=True, eq=False, kw_only=True)
class LogLesson(Lesson):
    """The assessment of a log."""

    assessment: Assessment


def assess_log(
    path: str | Path,
    *,
    tolerance: str = "",
    upper_limit: str = "",
    quantity: str = "",
    unit: str = "",
    nominal_frequency: str = "",
    interval: str = "",
    shown_as: str = "",
) -> LogLesson:
    """Read and assess a log from what a reader typed; whatever is empty is left to the log.

    Parameters
    ----------
    path
        The log.
    tolerance, upper_limit
        Such as ``1e-8`` for ±1e-8; with an upper limit, such as ``1e-8``, the tolerance is the lower one,
        such as ``-5e-9``.
    quantity, unit
        See :func:`evenbeat.read_log`.
    nominal_frequency, interval
        Such as ``10 MHz`` and ``10 s``.
    shown_as
        Path in the call, where the log is a copy of something else.

    Raises
    ------
    InputError
        If no log is named, or the log or an answer cannot be used; the sentence says why.
    """
    if not str(path).strip():
        msg = "no log is chosen; type the path of one, or upload one"
        raise InputError(msg)
    stated: dict[str, Any] = {}
    words = {"--quantity": quantity, "--unit": unit, "--nominal-frequency": nominal_frequency}
    words |= {"--interval": interval}
    if quantity.strip():
        stated["quantity"] = quantity.strip()
    if unit.strip():
        stated["unit"] = unit.strip()
    if nominal_frequency.strip():
        stated["nominal_frequency_hz"] = parse_frequency(nominal_frequency)
    if interval.strip():
        stated["interval_s"] = parse_duration(interval)
    asked, limits = _tolerance(tolerance.strip(), upper_limit.strip())
    assessment = assess(read_log(path, **stated), **asked)
    name = shown_as or str(path)
    options = [part for option, text in words.items() if text.strip() for part in (option, text.strip())]
    options += limits
    return LogLesson(
        assessment=assessment,
        sentence=assessment.verdict.headline,
        call=(
            f"import evenbeat as eb\n\nrecord = {call_text('eb.read_log', repr(name), **stated)}\n"
            f"assessment = {call_text('eb.assess', 'record', **asked)}\n\n"
            f"# or in a shell:\n# evenbeat {' '.join(map(_shell_word, ['assess', name, *options]))}"
        ),
    )


def _shell_word(word: str) -> str:
    """Return a word as it is typed in a shell, on one line whatever is in it."""
    if word.isprintable():
        return shlex.quote(word)
    escaped = word.encode("unicode_escape").decode("ascii").replace("'", "\\'")
    return f"$'{escaped}'"


def _tolerance(limit: str, upper: str) -> tuple[dict[str, Any], list[str]]:
    """Return what the tolerance is for :func:`evenbeat.assess`, and for the command."""
    if upper and not limit:
        msg = f"the upper limit is {upper!r}, and the lower one is missing: write it too, such as -5e-9"
        raise InputError(msg)
    if not limit:
        return {}, []
    if not upper:
        return {"tolerance": _number(limit, "tolerance")}, ["--tolerance", limit]
    pair = _number(limit, "lower limit"), _number(upper, "upper limit")
    return {"tolerance": pair}, [f"--tolerance={limit}:{upper}"]


def _number(text: str, name: str) -> float:
    try:
        return float(text)
    except ValueError as error:
        msg = f"the {name} is {text!r}; it must be a fractional frequency such as 1e-8, or empty"
        raise InputError(msg) from error
