"""Time stamps as texts → moments: ISO 8601 by pandas, others by their few different beginnings and ends."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
import numpy.typing as npt

from evenbeat.dates import iso_date
from evenbeat.epochs import IntArray as IntArray  # noqa: PLC0414

_SECOND_NS = 1_000_000_000
_HOUR_NS = 3600 * _SECOND_NS
_FEW = 0.5  # share of stamps that may be written otherwise than ISO 8601
_ISO = re.compile(r"\s*\d{4}-\d\d-\d\d(?:[T ]\d\d:\d\d.*)?\s*", re.ASCII)
_ALIKE = re.compile(rb"(\d{4}-\d\d-\d\d[T ]\d\d:\d\d(?::\d\d(?:\.\d{1,9})?)?)(Z?)")
_PARTS = re.compile(
    r"@?(\d{1,4}[-/. :](?:[A-Za-z]{3,9}|\d{1,3})(?:[-/. ]\d{1,4})?)(?:[T:_-]\s*|\s+|$)(.*)", re.ASCII
)
_CLOCK = re.compile(
    r"(\d{1,2}):(\d{2})(?::(\d{2})(?:[.,](\d+))?)?\s*([AaPp][Mm])?\s*(Z|UTC|GMT|[+-]\d{2}:?\d{2})?", re.ASCII
)
_TAIL = re.compile(r"(\d{2})(?:[.,](\d+))?\s*([AaPp][Mm])?\s*(Z|UTC|GMT)?", re.ASCII)
_ZONE = re.compile(r"(?:Z|UTC|GMT|\d[+-]\d{2}:?\d{2}|\s[+-]\d{2}:?\d{2})$")
_YEARS = ("1700-01-01", "2201-01-01")


@dataclass(frozen=True, eq=False, kw_only=True)
class Moments:
    """Moments of the rows.

    Parameters
    ----------
    ns
        Shape (rows,), nanoseconds since 1970-01-01T00:00:00 of the scale in which they are written, or since
        the midnight of a date whose order is still to be told.
    zoned
        Whether each states its zone, so that they are UTC.
    dates, day
        Texts of such dates (empty for a time of day alone), and which of them each row has, -1 for none.
    leap
        Rows within a leap second, which is written as second 60.
    odd
        Rows whose time is missing (``None``), not understood, or the only one with or without a zone.
    example
        One of the other texts.
    """

    ns: IntArray
    zoned: bool
    dates: tuple[str, ...] = ()
    day: IntArray | None = None
    leap: npt.NDArray[np.bool_] | None = None
    odd: Mapping[int, str | None] = field(default_factory=dict)
    example: str = ""

    def kept(self, rows: IntArray) -> Moments:
        """Return some of the rows."""
        odd = {}
        if self.odd:
            place = {int(row): at for at, row in enumerate(rows.tolist())}
            odd = {place[row]: text for row, text in self.odd.items() if row in place}
        return replace(
            self,
            ns=self.ns[rows],
            day=None if self.day is None else self.day[rows],
            leap=None if self.leap is None else self.leap[rows],
            odd=odd,
        )


def stamp_in(text: str) -> tuple[str, int, bool, bool] | None:
    """Return date, nanoseconds since midnight, whether a zone is stated, and whether it is a leap second.

    ``None`` where a text is no moment. The date is empty for a time of day alone, which states its seconds.
    """
    text = text.strip()
    clock, date = _CLOCK.fullmatch(text), ""
    if clock is None:
        parts = _PARTS.fullmatch(text)
        if parts is None:
            return None
        date, clock = parts.group(1), _CLOCK.fullmatch(parts.group(2).strip() or "00:00")
        if date[:4].isdigit() and iso_date(date, "day-first") is None:
            return None
    elif clock.group(3) is None or clock.group(6):
        return None
    if clock is None:
        return None
    hour, minute, second = int(clock.group(1)), int(clock.group(2)), int(clock.group(3) or 0)
    half, zone = clock.group(5), clock.group(6)
    if half and hour <= 12:
        hour = hour % 12 + 12 * (half in ("PM", "pm", "Pm", "pM"))
    if hour > 23 or minute > 59 or second > 60:
        return None
    ns = (hour * 60 + minute) * 60 + min(second, 59)
    if zone and zone[0] in "+-":
        east = int(zone[1:3]) * 3600 + int(zone[-2:]) * 60
        ns += east if zone[0] == "-" else -east
    return date, ns * _SECOND_NS + _decimals_ns(clock.group(4)), bool(zone), second == 60


def moments_in(cells: npt.NDArray[Any]) -> Moments:
    """Return the moments of a column of texts, or of bytes all as long; what is no text is missing."""
    alike = _alike_moments(cells) if cells.dtype.kind == "S" else None
    if alike is not None:
        return alike
    cells = texts_of(cells)
    iso = _iso_moments(cells)
    if iso is not None and not iso.odd:
        return iso
    if iso is None:
        return _by_ends(cells.tolist())
    odd = list(iso.odd)
    others = _by_ends(cells[odd].tolist(), zoned=iso.zoned)
    if others.zoned != iso.zoned:
        return iso
    ns, day = iso.ns.copy(), np.full(len(cells), -1, dtype=np.int64)
    leap = np.zeros(len(cells), dtype=bool)
    ns[odd] = others.ns
    if others.day is not None:
        day[odd] = others.day
    leap[odd] = False if others.leap is None else others.leap
    return replace(
        iso,
        ns=ns,
        day=day,
        dates=others.dates,
        leap=leap if leap.any() else None,
        odd={odd[row]: text for row, text in others.odd.items()},
    )


def end_to_end(parts: Sequence[Moments], ns: IntArray) -> Moments:
    """Return the moments of consecutive parts as one, whose nanoseconds stand in one row already."""
    if len(parts) == 1:
        return parts[0]
    zoned = 2 * sum(len(part.ns) for part in parts if part.zoned) > sum(len(part.ns) for part in parts)
    dates = tuple(dict.fromkeys(text for part in parts for text in part.dates))
    number = {text: at for at, text in enumerate(dates)}
    odd: dict[int, str | None] = {}
    days, first = [], 0
    for part in parts:
        rows = len(part.ns)
        if part.zoned == zoned:
            odd |= {first + row: text for row, text in part.odd.items()}
        else:
            odd |= dict.fromkeys(range(first, first + rows), part.example)
        codes = np.array([*(number[text] for text in part.dates), -1], dtype=np.int64)
        days.append(np.full(rows, -1, dtype=np.int64) if part.day is None else codes[part.day])
        first += rows
    leaps = [np.zeros(len(part.ns), dtype=bool) if part.leap is None else part.leap for part in parts]
    return Moments(
        ns=ns,
        zoned=zoned,
        dates=dates,
        day=np.concatenate(days) if dates else None,
        leap=np.concatenate(leaps) if any(part.leap is not None for part in parts) else None,
        odd=odd,
        example=next(part.example for part in parts if part.zoned == zoned),
    )


def texts_of(cells: npt.NDArray[Any]) -> npt.NDArray[Any]:
    """Return a column of bytes as texts; one of texts as it is."""
    if cells.dtype.kind != "S":
        return cells
    return np.array([cell.decode(errors="replace") for cell in cells.tolist()], dtype=object)


def _alike_moments(cells: npt.NDArray[Any]) -> Moments | None:
    """Return moments in ISO 8601 without a zone or in UTC that differ in their digits only, else ``None``."""
    first = cells[0]
    match = _ALIKE.fullmatch(first)
    if match is None:
        return None
    codes = cells.view(np.uint8).reshape(len(cells), -1)
    digits = codes - np.uint8(ord("0")) < 10
    punctuation = np.flatnonzero(~digits[0])
    if (digits != digits[0]).any() or (codes[:, punctuation] != codes[0, punctuation]).any():
        return None
    centuries = codes[:, 0].astype(np.int64) * 10 + codes[:, 1] - 11 * ord("0")
    if centuries.min() < 17 or centuries.max() > 21:
        return None
    try:
        moments = cells.astype(f"S{match.end(1)}").astype("datetime64[ns]")
    except ValueError:
        return None
    return Moments(ns=moments.astype(np.int64), zoned=match.group(2) == b"Z", example=first.decode())


def _iso_moments(cells: npt.NDArray[Any]) -> Moments | None:
    """Return moments with those that are no ISO 8601 as odd, ``None`` where most are none."""
    import pandas as pd

    example = next((text for text in cells[:: max(1, len(cells) // 9)] if _is_iso(text)), "")
    if not example:
        return None
    how: dict[str, Any] = {"format": "ISO8601", "errors": "coerce", "cache": False}
    try:
        found: Any = pd.to_datetime(cells, **how)
        mixed = not isinstance(found, pd.DatetimeIndex)
    except (ValueError, OverflowError):
        mixed = True
    if mixed:  # offsets that differ, or only some that state a zone
        found = pd.to_datetime(cells, utc=True, **how)
    zoned = found.tz is not None
    moments = (found.tz_convert("UTC").tz_localize(None) if zoned else found).to_numpy()
    wrong = np.isnat(moments)
    if wrong.mean() > _FEW:
        return None
    if (unit := np.datetime_data(moments.dtype)[0]) != "ns":
        edges = np.array(_YEARS, dtype=f"datetime64[{unit}]")
        wrong |= (moments < edges[0]) | (moments > edges[1])
        moments = np.where(wrong, edges[0], moments) if wrong.any() else moments
    ns = moments.astype("datetime64[ns]").astype(np.int64)
    if ":" in example:  # a date alone, or one with an hour, is how a longer stamp begins
        whole = np.flatnonzero(ns % _HOUR_NS == 0)
        wrong[whole] |= np.array([":" not in str(text) for text in cells[whole].tolist()], dtype=bool)
    if mixed:
        states = np.array([_ZONE.search(str(text)) is not None for text in cells.tolist()])
        zoned = bool(2 * np.count_nonzero(states) > len(states))
        wrong |= states != zoned
    odd = {row: _text(cells[row]) for row in np.flatnonzero(wrong).tolist()}
    return Moments(ns=ns, zoned=zoned, odd=odd, example=example)


def _is_iso(text: object) -> bool:
    return isinstance(text, str) and _ISO.fullmatch(text) is not None


def _text(cell: object) -> str | None:
    return cell if isinstance(cell, str) and cell.strip() else None


def _by_ends(cells: Sequence[object], *, zoned: bool | None = None) -> Moments:
    """Return the moments of texts whose seconds stand behind the last colon, others one by one.

    Minutes are few beside rows, and so are seconds where they have few decimals.
    """
    texts = [cell if isinstance(cell, str) else "" for cell in cells]
    cut = [text.rpartition(":") for text in texts]
    heads, head = _coded([head for head, _, _ in cut])
    tails, tail = _coded([tail for _, _, tail in cut])
    dates: dict[str, int] = {}

    def columns(stamps: Sequence[tuple[str, int, bool, bool] | None]) -> list[npt.NDArray[Any]]:
        """Return day, nanoseconds, zone, leap second, and whether it is known, of each."""
        number = (-1 if stamp is None else dates.setdefault(stamp[0], len(dates)) for stamp in stamps)
        others = zip(*(stamp[1:] if stamp else (0, False, False) for stamp in stamps), strict=True)
        known = [stamp is not None for stamp in stamps]
        return [np.array(column) for column in (list(number), *others, known)]

    day, minute_ns, _, _, minute = (column[head] for column in columns([_head(text) for text in heads]))
    none = ("", 0, False, False)
    ends = [_tail(text) for text in tails]
    second = np.array([end is not None for end in ends])[tail]
    halves, second_ns, zones, leap = (
        np.array(column)[tail] for column in zip(*(end or none for end in ends), strict=True)
    )
    known = minute & second & ((halves == "") | (minute_ns < 13 * _HOUR_NS))
    ns = minute_ns + second_ns
    ns[(halves == "p") & (minute_ns < 12 * _HOUR_NS)] += 12 * _HOUR_NS
    ns[(halves == "a") & (minute_ns >= 12 * _HOUR_NS)] -= 12 * _HOUR_NS
    if (rest := np.flatnonzero(~known)).size:
        others, other = _coded([texts[row] for row in rest.tolist()])
        found = columns([stamp_in(text) for text in others])
        for column, values in zip((day, ns, zones, leap, known), found, strict=True):
            column[rest] = values[other]
    if zoned is None:
        zoned = bool(2 * np.count_nonzero(zones & known) > np.count_nonzero(known))
    wrong = ~known | (zones != zoned)
    return Moments(
        ns=ns.astype(np.int64),
        zoned=zoned,
        dates=tuple(dates),
        day=day.astype(np.int64),
        leap=leap if leap.any() else None,
        odd={row: _text(cells[row]) for row in np.flatnonzero(wrong).tolist()},
        example=texts[int(np.argmin(wrong))],
    )


def _coded(texts: Sequence[str]) -> tuple[list[str], IntArray]:
    """Return the different texts, and which of them stands where."""
    number = {text: at for at, text in enumerate(dict.fromkeys(texts))}
    return list(number), np.array([number[text] for text in texts], dtype=np.int64)


def _head(text: str) -> tuple[str, int, bool, bool] | None:
    """Return what a stamp without its seconds states, ``None`` where it does not end in a minute."""
    first, last = stamp_in(f"{text}:00"), stamp_in(f"{text}:59")
    ends_in_minute = first is not None and last is not None and last[1] - first[1] == 59 * _SECOND_NS
    return first if ends_in_minute else None


def _tail(text: str) -> tuple[str, int, bool, bool] | None:
    """Return half of the day, nanoseconds, zone and leap second of the seconds that end a stamp."""
    match = _TAIL.fullmatch(text)
    second = 99 if match is None else int(match.group(1))
    if match is None or second > 60:
        return None
    ns = min(second, 59) * _SECOND_NS + _decimals_ns(match.group(2))
    return (match.group(3) or "")[:1].lower(), ns, match.group(4) is not None, second == 60


def _decimals_ns(digits: str | None) -> int:
    return int(digits[:9].ljust(9, "0")) if digits else 0
