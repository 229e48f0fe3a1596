"""Which kind of file the bytes are, where they are no plain table of text."""

from __future__ import annotations

from evenbeat.logs.exchange.opened import Opened
from evenbeat.logs.files import LogText, RawFile


def open_exchange(
    source: RawFile | LogText, *, clock: str | None, signal: str | None, reject: bool
) -> Opened | None:
    """Return what a file of a known kind holds, ``None`` where it is none of them.

    Parameters
    ----------
    source
        The bytes of the file, or its text once it was unpacked.
    clock
        Name of the clock in a file of several.
    signal
        Code of the signal in a file of several.

    Raises
    ------
    LogError
        If the file is of a known kind but damaged, or its clock or signal was not chosen.
    """
    if isinstance(source, RawFile):
        from evenbeat.logs.exchange.binary import open_binary

        return open_binary(source)
    head = source.text[:4096]
    if b"RINEX VERSION / TYPE" in head:
        from evenbeat.logs.exchange.rinex_clock import open_rinex_clock

        return open_rinex_clock(source, clock=clock, reject=reject)
    if b"GENERIC DATA FORMAT VERSION" in head and head.lstrip().startswith((b"CGGTTS", b"GGTTS")):
        from evenbeat.logs.exchange.cggtts import open_cggtts

        return open_cggtts(source, signal=signal, reject=reject)
    return None
