"""What to ask an instrument and how to read its answer: a small TOML file."""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from importlib.resources import files
from pathlib import Path
from typing import Any

from evenbeat.errors import InputError
from evenbeat.toml_text import toml_of
from evenbeat.units import NUMBER, SCPI_INFINITY, parse_unit

_LARGEST_SHOWN = 80
_DIMENSIONS = {
    "frequency": "frequency",
    "period": "time",
    "phase": "time",
    "time_interval": "time",
    "fractional_frequency": "fractional",
    "frequency_ratio": "fractional",
}
_KEYS: Mapping[str, Mapping[str, type]] = {
    "reading": {
        "quantity": str,
        "unit": str,
        "ask": str,
        "value": str,
        "every_s": float,
        "time_limit_s": float,
    },
    "session": {"identify": str, "prepare": list, "errors": str, "line_end": str, "baud": int},
}
_KINDS: Mapping[type, tuple[str, Callable[[Any], bool]]] = {
    str: ("a text", lambda value: isinstance(value, str) and value.isascii()),
    float: ("a positive number", lambda value: type(value) in (int, float) and 0 < value < math.inf),
    int: ("a positive whole number", lambda value: type(value) is int and value > 0),
    list: ("a list of texts", lambda value: type(value) is list and all(isinstance(v, str) for v in value)),
}


@dataclass(frozen=True, kw_only=True)
class Description:
    """What to ask an instrument and how to read its answer.

    Parameters
    ----------
    name
        Of the shipped description, or of the file.
    quantity, unit
        What an answer is: a quantity that :func:`evenbeat.read_log` knows, or any word for what is
        logged beside the clock.
    ask
        The query; empty for an instrument that talks unasked.
    value
        Regular expression that a whole answer must match, with a group ``value`` around the number.
    every_s
        Seconds from one query to the next, or between the lines of a talker.
    time_limit_s
        How long to wait for an answer before the link counts as lost.
    identify, prepare, errors
        Sent after connecting: a query whose answer goes into the log, lines without answer, and a query
        for the error queue.
    line_end, baud
        How lines end, and the speed of a serial line.
    """

    name: str
    title: str
    quantity: str
    unit: str
    ask: str = ""
    value: str = rf"\s*(?P<value>{NUMBER})\s*"
    every_s: float = 1.0
    time_limit_s: float = 30.0
    identify: str = ""
    prepare: tuple[str, ...] = ()
    errors: str = ""
    line_end: str = "\n"
    baud: int = 9600

    @property
    def column(self) -> str:
        """Name of the column that holds the clock's readings."""
        plain = re.fullmatch(r"[A-Za-zµ]+", self.unit)
        return f"{self.quantity}_{self.unit}" if plain else f"{self.quantity} [{self.unit}]"

    def for_clock(self) -> Description:
        """Return itself if it describes readings of a clock in one of their units."""
        if self.quantity not in _DIMENSIONS:
            msg = f"{self.name}: the quantity is '{self.quantity}'; for a clock give {', '.join(_DIMENSIONS)}"
            raise InputError(msg)
        try:
            dimension = parse_unit(self.unit)[0]
        except InputError as error:
            msg = f"{self.name}: {error}"
            raise InputError(msg) from None
        if dimension != _DIMENSIONS[self.quantity]:
            msg = f"{self.name}: '{self.unit}' is not a unit of the quantity '{self.quantity}'"
            raise InputError(msg)
        return self


def shipped_descriptions() -> tuple[str, ...]:
    """Return the names of the descriptions that come with evenbeat."""
    folder = files("evenbeat.instruments").joinpath("descriptions")
    return tuple(
        sorted(entry.name.removesuffix(".toml") for entry in folder.iterdir() if entry.name.endswith(".toml"))
    )


def read_description(source: str | Path) -> Description:
    """Return a description that is shipped (by name) or written in a TOML file (by path)."""
    if str(source) in shipped_descriptions():
        entry = files("evenbeat.instruments").joinpath("descriptions", f"{source}.toml")
        return _description(entry.read_text(encoding="utf-8"), str(source))
    try:
        text = Path(source).read_text(encoding="utf-8")
    except FileNotFoundError:
        msg = f"{source}: there is no such file; give one or a name of {', '.join(shipped_descriptions())}"
        raise InputError(msg) from None
    except (OSError, UnicodeError) as error:
        msg = f"{source}: the description cannot be read ({getattr(error, 'strerror', None) or error})"
        raise InputError(msg) from None
    return _description(text, str(source))


def _description(text: str, name: str) -> Description:
    content = toml_of(text, "description", name)
    title = content.pop("title", name)
    given: dict[str, Any] = {}
    for table, keys in content.items():
        known = _KEYS.get(table)
        if known is None or not isinstance(keys, dict):
            msg = (
                f"{name}: '{table}' is unknown; a description has a title and the tables [reading], [session]"
            )
            raise InputError(msg)
        for key, value in keys.items():
            given[key] = _checked(name, table, key, value, known)
    for key in ("quantity", "unit"):
        if key not in given:
            msg = f'{name}: [reading] has no {key}; give for instance quantity = "frequency", unit = "Hz"'
            raise InputError(msg)
    try:
        groups = re.compile(given.get("value", Description.value)).groupindex
    except re.error as error:
        msg = f"{name}: [reading] value is not a regular expression ({error})"
        raise InputError(msg) from None
    if "value" not in groups:
        msg = f"{name}: [reading] value needs a group (?P<value>…) around the number"
        raise InputError(msg)
    return Description(name=Path(name).stem, title=" ".join(str(title).split()), **given)


def _checked(name: str, table: str, key: str, value: Any, known: Mapping[str, type]) -> object:
    if key not in known:
        msg = f"{name}: [{table}] has an unknown key '{key}'; it may have {', '.join(known)}"
        raise InputError(msg)
    wanted = known[key]
    what, fits = _KINDS[wanted]
    if not fits(value):
        msg = f"{name}: [{table}] {key} is {value!r}; it must be {what}"
        raise InputError(msg)
    return tuple(value) if wanted is list else wanted(value)


@dataclass(frozen=True, kw_only=True)
class Reading:
    """What an answer holds."""

    # the number with all digits that were sent, ``NaN`` where the instrument says that it has none, ``None``
    # where the answer is not understood
    text: str | None
    remark: str = ""  # what is worth a comment in the log; empty where nothing is


def read_answer(answer: bytes, pattern: re.Pattern[str]) -> Reading:
    """Return the number in an answer; the digits are kept as they came, the display's last one included."""
    if any(code > 126 for code in answer):  # nothing but ASCII in IEEE 488.2 numbers: noise on the line
        return Reading(text=None, remark=f"answer set aside: {shown(answer)}")
    text = answer.decode("ascii").strip("\r\n\x00")
    match = pattern.fullmatch(text)
    number = match.group("value") if match else None
    try:
        value = float(number or "")
    except ValueError:
        return Reading(text=None, remark=f"answer set aside: {shown(answer)}")
    if number is None or not abs(value) < SCPI_INFINITY:
        return Reading(text="NaN", remark=f"the instrument has no reading: {shown(answer)}")
    return Reading(text=number.strip())


def shown(answer: bytes) -> str:
    """Return an answer for a comment: printable, on one line, long ones cut with their length told."""
    text = answer.decode("ascii", errors="replace").strip("\r\n")
    clean = "".join(c if " " <= c <= "~" else "?" for c in text[:_LARGEST_SHOWN])
    return f"'{clean}'" if len(text) <= _LARGEST_SHOWN else f"'{clean}' and {len(text) - len(clean)} more"
