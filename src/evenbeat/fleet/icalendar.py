"""All-day appointments as iCalendar, to be imported into any calendar.

Source: RFC 5545 (lines of at most 75 octets, folded, CRLF; escaped text; VEVENT; SEQUENCE).
"""

from __future__ import annotations

import datetime as dt
import uuid
from collections.abc import Iterable, Iterator
from dataclasses import dataclass

from evenbeat import __version__

LONGEST_LINE = 75
"""Octets of a line without its end."""


@dataclass(frozen=True, kw_only=True)
class Appointment:
    """One all-day event.

    Attributes
    ----------
    name
        The same name is the same event: a later file moves it.
    alarm_d
        How many days before it is announced; ``None``: not at all.
    """

    name: str
    day: dt.date
    title: str
    text: str
    place: str = ""
    alarm_d: int | None = None


def icalendar(appointments: Iterable[Appointment], *, made: dt.date) -> str:
    """Return the text of an iCalendar file, lines ended by CRLF; the same appointments give the same text."""
    lines = [
        "BEGIN:VCALENDAR",
        "VERSION:2.0",
        f"PRODID:-//evenbeat//evenbeat {__version__}//EN",
        "CALSCALE:GREGORIAN",
        *(line for one in appointments for line in _event(one, made)),
        "END:VCALENDAR",
    ]
    return "".join(f"{_folded(line)}\r\n" for line in lines)


def _event(one: Appointment, made: dt.date) -> Iterator[str]:
    """Yield the unfolded lines of an event."""
    yield "BEGIN:VEVENT"
    yield f"UID:{uuid.uuid5(uuid.NAMESPACE_OID, one.name)}"
    yield f"DTSTAMP:{made:%Y%m%d}T000000Z"
    yield f"SEQUENCE:{made.toordinal()}"
    yield f"DTSTART;VALUE=DATE:{one.day:%Y%m%d}"
    yield f"SUMMARY:{_escaped(one.title)}"
    yield f"DESCRIPTION:{_escaped(one.text)}"
    if one.place:
        yield f"LOCATION:{_escaped(one.place)}"
    yield "CATEGORIES:CALIBRATION"
    yield "TRANSP:TRANSPARENT"
    if one.alarm_d is not None:
        yield "BEGIN:VALARM"
        yield "ACTION:DISPLAY"
        yield f"DESCRIPTION:{_escaped(one.title)}"
        yield f"TRIGGER:-P{one.alarm_d}D"
        yield "END:VALARM"
    yield "END:VEVENT"


def _escaped(text: str) -> str:
    """Return a text value: backslash, semicolon, comma and line break written as RFC 5545, 3.3.11 says."""
    plain = "".join(letter if letter >= " " or letter == "\n" else " " for letter in text)
    return plain.replace("\\", "\\\\").replace(";", "\\;").replace(",", "\\,").replace("\n", "\\n")


def _folded(line: str) -> str:
    """Return a line folded after at most 75 octets, never within a letter."""
    parts, part, room = [], b"", LONGEST_LINE
    for letter in line:
        octets = letter.encode("utf-8", "replace")
        if len(part) + len(octets) > room:
            parts.append(part)
            part, room = b"", LONGEST_LINE - 1
        part += octets
    return "\r\n ".join(piece.decode() for piece in (*parts, part))
