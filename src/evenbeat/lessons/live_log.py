"""A log that is still being written: what it tells so far."""

from __future__ import annotations

import re
import tempfile
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from evenbeat.clock.fit import fit_clock
from evenbeat.conditioning.condition import condition
from evenbeat.deviations.curve import StabilityCurve
from evenbeat.deviations.estimators import stability
from evenbeat.errors import EvenbeatError, InputError
from evenbeat.lessons.lesson import Lesson
from evenbeat.lessons.next_calibration import CalibrationLesson, next_calibration
from evenbeat.logs.reader import read_log
from evenbeat.record import Record
from evenbeat.units import duration_text

FEWEST = 16
"""Readings from which a curve is drawn."""


@dataclass(frozen=True, eq=False, kw_only=True)
class LiveLog(Lesson):
    """A log so far.

    Attributes
    ----------
    record
        All readings, conditioned.
    curve
        Overlapping Allan deviation; ``None`` of fewer than sixteen readings.
    calibration
        Forecast and due date; ``None`` where the log is too short for them, as the sentence then says.
    """

    record: Record
    curve: StabilityCurve | None
    calibration: CalibrationLesson | None


def parts_of(folder: str | Path) -> list[Path]:
    """Return the parts of the log that ``collect`` writes into a folder, in order.

    Raises
    ------
    InputError
        If there is no such folder, or no part in it yet.
    """
    place = Path(folder).resolve()
    form = re.compile(re.escape(place.name) + r"-(\d{4,})\.csv")
    found = {int(name[1]): path for path in place.glob("*.csv") if (name := form.fullmatch(path.name))}
    if not found:
        msg = f"{folder} holds no log yet ({place.name}-0001.csv); is 'evenbeat collect -o {folder}' running?"
        raise InputError(msg)
    return [found[number] for number in sorted(found)]


def _joined(parts: Sequence[Path]) -> str:
    """Return the parts as one log, from the last on that began with other settings; whole lines only."""
    lines: list[str] = []
    head: list[str] = []
    for part in parts:
        text = part.read_text(encoding="utf-8", errors="replace")
        own = text[: text.rfind("\n") + 1].splitlines()
        names = next((k for k, line in enumerate(own) if not line.startswith("#")), len(own))
        # the last comment above the names says when and why the part begins
        settings = [*own[: max(names - 1, 0)], *own[names : names + 1]]
        lines = [*lines, *own[names + 1 :]] if settings == head else own
        head = settings
    return "\n".join(lines) + "\n"


def live_log(folder: str | Path, *, tolerance: float) -> LiveLog:
    """Return what the log in a folder tells so far.

    Parameters
    ----------
    folder
        The one that :func:`evenbeat.collect` writes into. Parts with other settings than the last are left.
    tolerance
        ±, fractional frequency, for the date of the next calibration.

    Raises
    ------
    InputError
        If there is no log yet, or it cannot be read.
    """
    parts = parts_of(folder)
    with tempfile.TemporaryDirectory() as place:
        whole = Path(place) / parts[-1].name
        whole.write_text(_joined(parts), encoding="utf-8")
        try:
            record = condition(read_log(whole))
        except EvenbeatError as refusal:
            raise InputError(str(refusal).replace(str(whole), str(parts[-1]))) from refusal
    curve = stability(record, averaging="doublings") if len(record) >= FEWEST else None
    call = (
        "import evenbeat as eb\n\n"
        f"record = eb.condition(eb.read_log({str(parts[-1])!r}))\n"
        "print(eb.stability(record))\nmodel = eb.fit_clock(record)\n"
        f"print(eb.suggest_interval(model, tolerance={tolerance!r}))"
    )
    so_far = f"{len(record)} readings over {duration_text(record.duration_s)}, {record.missing} missing."
    try:
        calibration = next_calibration(fit_clock(record), tolerance=tolerance)
    except EvenbeatError as refusal:
        sentence = f"{so_far} No forecast yet: {refusal}"
        return LiveLog(record=record, curve=curve, calibration=None, sentence=sentence, call=call)
    sentence = f"{so_far} {calibration.sentence}"
    return LiveLog(record=record, curve=curve, calibration=calibration, sentence=sentence, call=call)
