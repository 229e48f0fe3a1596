"""What a caller states about a log, checked once."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, fields, replace
from typing import Any

from evenbeat.errors import InputError
from evenbeat.intake import checked_weighting
from evenbeat.logs.terms import DATE_ORDERS, TIME_UNITS, Statements

Choice = str | int | None
"""A column: header name, zero-based position, or ``None`` for no such column."""


@dataclass(frozen=True, kw_only=True)
class Options:
    """What is stated from outside; see :func:`evenbeat.read_log` for the meaning of each.

    Raises
    ------
    InputError
        If one of them cannot be used.
    """

    quantity: str | None = None
    unit: str | None = None
    nominal_frequency_hz: float | None = None
    interval_s: float | None = None
    gate_s: float | None = None
    columns: Mapping[str, Choice] | None = None
    time_zone: str | None = None
    time_unit: str | None = None
    reading_of: str | None = None
    date_order: str | None = None
    clock: str | None = None
    signal: str | None = None
    counter_weighting: str | None = None
    bad_lines: str = "refuse"
    partial: bool = False
    select: str | None = None
    every: int | None = None
    offset: int = 0

    def __post_init__(self) -> None:
        for name in ("nominal_frequency_hz", "interval_s", "gate_s"):
            value = getattr(self, name)
            if value is not None and not (math.isfinite(value) and value > 0):
                msg = f"{name} is {value}; it must be a positive number"
                raise InputError(msg)
        for name, allowed in (
            ("reading_of", ("device", "reference")),
            ("date_order", DATE_ORDERS),
            ("time_unit", TIME_UNITS),
            ("bad_lines", ("refuse", "reject")),
        ):
            value = getattr(self, name)
            if value is not None and value not in allowed:
                msg = f"{name} is {value!r}; it must be {' or '.join(repr(word) for word in allowed)}"
                raise InputError(msg)
        if self.every is not None and not (isinstance(self.every, int) and self.every >= 1):
            msg = f"every is {self.every!r}; it must be a whole number from 1 on"
            raise InputError(msg)
        if not (isinstance(self.offset, int) and 0 <= self.offset < (self.every or 1)):
            msg = f"offset is {self.offset!r}; it must be a whole number from 0 to every - 1"
            raise InputError(msg)
        if self.counter_weighting is not None:
            object.__setattr__(self, "counter_weighting", checked_weighting(self.counter_weighting))

    @property
    def reject(self) -> bool:
        """Whether lines that cannot be read are passed over."""
        return self.bad_lines == "reject"

    def over(self, stated: Mapping[str, Any]) -> Options:
        """Return these options with those of a layout file where these say nothing."""
        blank = Options()
        own = {f.name for f in fields(self) if getattr(self, f.name) != getattr(blank, f.name)}
        return replace(self, **{name: value for name, value in stated.items() if name not in own})

    def with_statements(self, said: Statements) -> Statements:
        """Return what comment lines say where nothing is stated from outside."""
        return replace(
            said,
            nominal_frequency_hz=self.nominal_frequency_hz or said.nominal_frequency_hz,
            interval_s=self.interval_s or said.interval_s,
            gate_s=self.gate_s or said.gate_s,
            time_zone=self.time_zone or said.time_zone,
            reading_of=self.reading_of or said.reading_of or "device",
            counter_weighting=self.counter_weighting or said.counter_weighting,
        )
