"""RINEX clock files: the bias of many clocks against one, for one clock chosen by its name.

Read after "RINEX Extensions to Handle Clock Information", versions 2.00, 3.00, 3.02 and 3.04 (IGS): data
records AS (satellites) and AR (receivers), epoch, bias in seconds; other records are passed over.
"""

from __future__ import annotations

import re
from collections import Counter
from dataclasses import dataclass, replace

import numpy as np

from evenbeat.errors import LogError
from evenbeat.findings import Finding
from evenbeat.logs.exchange.opened import Opened
from evenbeat.logs.files import LogText
from evenbeat.logs.rows.lines import Rejected
from evenbeat.logs.rows.stamps import Moments
from evenbeat.logs.rows.tables import Columns
from evenbeat.logs.terms import Form

_ROW = re.compile(
    r"A[RS] (\S+)\s+(\d{4})\s+(\d{1,2})\s+(\d{1,2})\s+(\d{1,2})\s+(\d{1,2})"
    r"\s+(\d{1,2}(?:\.\d*)?)\s+(\d+)\s+(\S+)"
)
_NAME = re.compile(rb"(?m)^A[RS] (\S+)")
_SCALES = {"GPS": "GPS", "GLO": "UTC", "UTC": "UTC", "TAI": "TAI", "GAL": "Galileo", "BDT": "BeiDou"}


@dataclass(frozen=True, kw_only=True)
class _Epoch:
    ns: int
    bias_s: float
    line: int


def open_rinex_clock(log: LogText, *, clock: str | None, reject: bool) -> Opened:
    """Return epoch and bias of one clock.

    Raises
    ------
    LogError
        If the file holds several clocks and none was chosen, or a line cannot be read.
    """
    head, found, body = log.text.partition(b"END OF HEADER")
    if not found:
        msg = "the header of the RINEX file has no end (END OF HEADER); the file is cut off"
        raise LogError(msg, path=log.path, line=log.text.count(b"\n"))
    name = _chosen(body, clock, log)
    first = head.count(b"\n") + 1
    epochs: list[_Epoch] = []
    rejected: list[Rejected] = []
    wanted = (f"AS {name} ".encode(), f"AR {name} ".encode())
    for number, raw in enumerate(body.split(b"\n"), first):
        if not raw.startswith(wanted):
            continue
        read = _row(raw.decode(errors="replace"))
        if read is None:
            if not reject:
                msg = (
                    f"the record of clock {name} is not understood; pass over such lines with --set "
                    "reject (bad_lines='reject')"
                )
                raise LogError(msg, path=log.path, line=number)
            rejected.append(Rejected(line=number, reason="a record that is not understood"))
            continue
        epochs.append(_Epoch(ns=read[0], bias_s=read[1], line=number))
    if not epochs:
        msg = f"no record of clock {name} can be read"
        raise LogError(msg, path=log.path)
    opened = _opened(log, head.decode(errors="replace"), name, epochs, rejected)
    return replace(opened, left_out=len(_NAME.findall(body)) - len(epochs) - len(rejected))


def _chosen(body: bytes, clock: str | None, log: LogText) -> str:
    """Return the name of the clock that is read."""
    counts = Counter(name.decode(errors="replace") for name in _NAME.findall(body))
    names = sorted(counts)
    shown = ", ".join(names[:8]) + (f", … ({len(names)} in all)" if len(names) > 8 else "")
    if not names:
        msg = "the RINEX clock file holds no clock records (AS or AR)"
        raise LogError(msg, path=log.path)
    if clock is not None:
        exact = [name for name in names if name.lower() == clock.strip().lower()]
        if exact:
            return exact[0]
        msg = f"there is no clock '{clock}'; the file holds {shown}"
        raise LogError(msg, path=log.path)
    if len(names) == 1:
        return names[0]
    line = log.text[: log.text.index(body)].count(b"\n") + 2
    msg = f"the RINEX file holds {len(names)} clocks; choose one with --set clock=… (clock): {shown}"
    raise LogError(msg, path=log.path, line=line)


def _row(line: str) -> tuple[int, float] | None:
    """Return nanoseconds since 1970 and bias in seconds."""
    match = _ROW.match(line)
    if match is None:
        return None
    year, month, day, hour, minute = (int(match.group(k)) for k in range(2, 7))
    try:
        moment = np.datetime64(f"{year:04d}-{month:02d}-{day:02d}T{hour:02d}:{minute:02d}", "ns")
        bias = float(re.sub("[dD]", "E", match.group(9)))
    except ValueError:
        return None
    return int(moment.astype(np.int64)) + round(float(match.group(7)) * 1e9), bias


def _opened(log: LogText, head: str, name: str, epochs: list[_Epoch], rejected: list[Rejected]) -> Opened:
    scale = re.search(r"(?m)^\s+([A-Z]{3})\s.*TIME SYSTEM ID", head)
    scale_name = _SCALES.get(scale.group(1), "GPS") if scale else "GPS"
    reference = re.search(r"(?m)^(\S+).*ANALYSIS CLK REF", head)
    form = Form(
        separator="",
        decimal=".",
        columns=2,
        kinds=("moment", "number"),
        header=("epoch", "clock bias [s]"),
        first_line=epochs[0].line,
        comments=("quantity: phase", *((f"reference: {reference.group(1)}",) if reference else ())),
    )
    values = np.array([epoch.bias_s for epoch in epochs])
    values[np.abs(values) >= 0.999999] = np.nan  # the mark for no value
    table = Columns(
        rows=len(epochs),
        numbers={1: values},
        cell_units={},
        lines=np.array([epoch.line for epoch in epochs], dtype=np.int64),
        rejected=tuple(rejected),
    )
    ns = np.array([epoch.ns for epoch in epochs], dtype=np.int64)
    moments = {0: Moments(ns=ns, zoned=True)}
    findings = (_chosen_finding(name), *_scale_finding(scale_name))
    return Opened(
        log=log,
        form=form,
        columns=table,
        kind="RINEX clock file",
        exact_times=True,
        moments=moments,
        scale=scale_name,
        findings=findings,
    )


def _chosen_finding(name: str) -> Finding:
    sentence = f"The bias of clock {name} was read from the RINEX file, positive where it is ahead."
    return Finding(code="CLOCK_CHOSEN", severity="note", sentence=sentence, values={"clock": name})


def _scale_finding(scale: str) -> tuple[Finding, ...]:
    if scale == "UTC":
        return ()
    sentence = f"The epochs are in {scale} time, not UTC; the start of the record keeps them as they are."
    return (Finding(code="TIME_SCALE", severity="note", sentence=sentence, values={"scale": scale}),)
