"""CGGTTS files: a local clock against a GNSS, the tracks of one signal averaged by epoch.

Read after P. Defraigne and G. Petit, "CGGTTS-Version 2E: an extended standard for GNSS Time Transfer",
Metrologia 52 (2015) G1: columns by their names, REFSYS (REFGPS before version 2E) in 0.1 ns as local
reference minus system time at the middle of the track, and the check sum of each line. A signal is a code
(FRC) of one system: each has delays of its own, so that no two are averaged.
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
from evenbeat.quantities import FloatArray
from evenbeat.units import MJD_OF_UNIX_EPOCH

_TENTH_NS = 1e-10
_DAY_NS = 86_400_000_000_000
_NEEDED = ("MJD", "STTIME", "TRKL")


@dataclass(frozen=True, kw_only=True)
class _Track:
    ns: int
    value: float
    line: int
    system: str
    code: str


def open_cggtts(log: LogText, *, signal: str | None, reject: bool) -> Opened:
    """Return epochs and the mean of all tracks of one signal at each.

    Parameters
    ----------
    signal
        Code of the signal (``L1C``), with its system before it (``G-L1C``) where several have that code.

    Raises
    ------
    LogError
        If there is no line of column names, a track cannot be read and is not to be passed over, or the file
        holds several signals and none was chosen.
    """
    lines = log.text.decode(errors="replace").split("\n")
    start = next((i for i, line in enumerate(lines) if "STTIME" in line and "MJD" in line), None)
    if start is None:
        msg = "the CGGTTS file has no line of column names (SAT … MJD STTIME TRKL …)"
        raise LogError(msg, path=log.path)
    names = lines[start].split()
    column = next((name for name in ("REFSYS", "REFGPS", "REFGLO") if name in names), None)
    if column is None or any(name not in names for name in _NEEDED):
        msg = "the line of column names has no REFSYS (or REFGPS) with MJD, STTIME and TRKL"
        raise LogError(msg, path=log.path, line=start + 1)
    tracks: list[_Track] = []
    rejected: list[Rejected] = []
    for number, line in enumerate(lines[start + 1 :], start + 2):
        if not line.strip() or not re.search(r"\d{5}", line):
            continue  # the line of units
        track = _track(line, names, column, number)
        if isinstance(track, _Track):
            tracks.append(track)
            continue
        if not reject:
            msg = f"{track}; pass over such lines with --set bad_lines=reject (bad_lines='reject')"
            raise LogError(msg, path=log.path, line=number)
        rejected.append(Rejected(line=number, reason=track))
    if not tracks:
        msg = "the CGGTTS file holds no track"
        raise LogError(msg, path=log.path, line=start + 1)
    chosen, left_out = _of_one_signal(tracks, signal, log)
    opened = _opened(log, lines[:start], column, chosen, rejected, left_out)
    return replace(opened, left_out=len(tracks) - len(chosen), several_lines=len(chosen))


def _of_one_signal(
    tracks: list[_Track], signal: str | None, log: LogText
) -> tuple[list[_Track], tuple[Finding, ...]]:
    """Return the tracks of the signal that was chosen, or of the only one."""
    counts = Counter((track.system, track.code) for track in tracks)
    alone = Counter(code for _, code in counts)

    def name(system: str, code: str) -> str:
        return code if code and alone[code] == 1 else "-".join(filter(None, (system, code)))

    names = {name(*key): key for key in sorted(counts)}
    told = ", ".join(f"{each} ({counts[key]} tracks)" for each, key in names.items())
    if signal is None:
        if len(names) == 1:
            return tracks, ()
        msg = (
            f"the CGGTTS file holds {len(names)} signals, each with delays of its own: {told}; choose one "
            f"with --set signal=… (signal), such as --set signal={next(iter(names))}"
        )
        raise LogError(msg, path=log.path)
    key = {each.lower(): key for each, key in names.items()}.get(signal.strip().lower())
    if key is None:
        msg = f"there is no signal '{signal}'; the file holds {told or 'tracks without a code'}"
        raise LogError(msg, path=log.path)
    chosen = [track for track in tracks if (track.system, track.code) == key]
    sentence = f"Only the {len(chosen)} tracks of {name(*key)} were read, of {told}."
    values = {"tracks": len(chosen), "left_out": len(tracks) - len(chosen)}
    return chosen, (Finding(code="SIGNAL_CHOSEN", severity="note", sentence=sentence, values=values),)


def _track(line: str, names: list[str], column: str, number: int) -> _Track | str:
    """Return one track, or why it cannot be used."""
    cells = line.split()
    shift = len(names) - len(cells)
    check = _check_sum(line, names)
    if check:
        return check
    try:
        # the class (CL) and check sum are single cells; early columns stand at their place, so do late ones
        places = {name: names.index(name) for name in (*_NEEDED, column)}
        if shift not in (0, 1):
            return f"the track has {len(cells)} cells where {len(names)} are named"
        words = {name: cells[place] for name, place in places.items()}
        clock = words["STTIME"]
        seconds = int(clock[:2]) * 3600 + int(clock[2:4]) * 60 + int(clock[4:6])
        middle = seconds * 1_000_000_000 + int(words["TRKL"]) * 500_000_000
        ns = (int(words["MJD"]) - MJD_OF_UNIX_EPOCH) * _DAY_NS + middle
        value = float(words[column])
        system = "".join(filter(str.isalpha, cells[0]))
        code = cells[names.index("FRC") - len(names)] if "FRC" in names else ""
    except (ValueError, IndexError):
        return "the track is not understood"
    missing = re.fullmatch(r"[+-]?9{7,}", words[column]) is not None
    reading = np.nan if missing else value * _TENTH_NS
    return _Track(ns=ns, value=reading, line=number, system=system, code=code)


def _check_sum(line: str, names: list[str]) -> str:
    """Return what is wrong with the check sum: the sum of the characters before it, modulo 256."""
    if "CK" not in names:
        return ""
    places = list(re.finditer(r"\S+", line))
    index = names.index("CK")
    if index >= len(places) or not re.fullmatch(r"[0-9A-Fa-f]{2}", places[index].group()):
        return "the track has no check sum"
    start = places[index].start()
    stated = int(places[index].group(), 16)
    counted = sum(line[:start].encode("latin-1", errors="replace")) % 256
    return "" if counted == stated else f"the check sum is {counted:02X} where the track states {stated:02X}"


def _opened(
    log: LogText,
    head: list[str],
    column: str,
    tracks: list[_Track],
    rejected: list[Rejected],
    left_out: tuple[Finding, ...],
) -> Opened:
    ns = np.array([track.ns for track in tracks], dtype=np.int64)
    values = np.array([track.value for track in tracks])
    epochs, first, group = np.unique(ns, return_index=True, return_inverse=True)
    means, counts = _means(values, group, len(epochs))
    said = dict(part for line in head if (part := _statement(line)) is not None)
    comments = [f"reference: GNSS time by {said.get('RCVR', 'a receiver')}"] if "RCVR" in said else []
    form = Form(
        separator="",
        decimal=".",
        columns=2,
        kinds=("moment", "number"),
        header=("epoch", f"{column} phase [s]"),
        first_line=tracks[0].line,
        comments=("quantity: phase", *comments),
    )
    table = Columns(
        rows=len(epochs),
        numbers={1: means},
        cell_units={},
        lines=np.array([tracks[i].line for i in first], dtype=np.int64),
        rejected=tuple(rejected),
    )
    sentence = (
        f"{len(tracks)} tracks were averaged to {len(epochs)} epochs ({counts.min()} to {counts.max()} "
        f"each); the time error is {column}, the local reference minus GNSS time at the middle of a track."
    )
    values_of = {"tracks": len(tracks), "epochs": len(epochs)}
    finding = Finding(code="TRACKS_AVERAGED", severity="note", sentence=sentence, values=values_of)
    return Opened(
        log=log,
        form=form,
        columns=table,
        kind="CGGTTS file",
        exact_times=True,
        moments={0: Moments(ns=epochs, zoned=True)},
        findings=(*left_out, finding),
    )


def _means(
    values: FloatArray, group: np.ndarray[tuple[int], np.dtype[np.int64]], epochs: int
) -> tuple[FloatArray, np.ndarray[tuple[int], np.dtype[np.int64]]]:
    """Return the mean of the usable tracks of each epoch, NaN where there is none, and their number."""
    usable = ~np.isnan(values)
    counts = np.bincount(group[usable], minlength=epochs)
    totals = np.bincount(group[usable], weights=values[usable], minlength=epochs)
    return np.where(counts > 0, totals / np.maximum(counts, 1), np.nan), counts


def _statement(line: str) -> tuple[str, str] | None:
    key, mark, value = line.partition("=")
    return (key.strip(), value.strip()) if mark else None
