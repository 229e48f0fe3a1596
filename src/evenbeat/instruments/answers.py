"""An answer → the number in it, as it was written, or the reason why it is none."""

from __future__ import annotations

import re
from dataclasses import dataclass

_LARGEST_SHOWN = 80
SCPI_INFINITY = 9.9e37
"""SCPI-1999, volume 1, 7.2.1.4: 9.9E37 is infinity, -9.9E37 negative infinity, 9.91E37 not a number."""


@dataclass(frozen=True, kw_only=True)
class Reading:
    """What an answer holds.

    Parameters
    ----------
    text
        The number with all digits that were sent, ``NaN`` where the instrument says that it has none,
        ``None`` where the answer is not understood.
    remark
        What is worth a comment in the log; empty where nothing is.
    """

    text: str | None
    remark: str = ""


def read_answer(answer: bytes, pattern: re.Pattern[str]) -> Reading:
    """Return the number in an answer; the digits are kept as they came, the display's last one included."""
    if any(code > 126 for code in answer):  # nothing but ASCII in IEEE 488.2 numbers: noise on the line
        return Reading(text=None, remark=f"answer set aside: {shown(answer)}")
    text = answer.decode("ascii").strip("\r\n\x00")
    match = pattern.fullmatch(text)
    number = match.group("value") if match else None
    try:
        value = float(number) if number is not None else None
    except ValueError:
        value = None
    if number is None or value is None:
        return Reading(text=None, remark=f"answer set aside: {shown(answer)}")
    if not abs(value) < SCPI_INFINITY:
        return Reading(text="NaN", remark=f"the instrument has no reading: {shown(answer)}")
    return Reading(text=number.strip())


def shown(answer: bytes) -> str:
    """Return an answer for a comment: printable, on one line, long ones cut with their length told."""
    text = answer.decode("ascii", errors="replace").strip("\r\n")
    clean = "".join(c if " " <= c <= "~" else "?" for c in text[:_LARGEST_SHOWN])
    return f"'{clean}'" if len(text) <= _LARGEST_SHOWN else f"'{clean}' and {len(text) - len(clean)} more"
