"""A written specification of an oscillator: lines that a log can be held against.

::

    name = "purchase specification of kittiwake"

    [[line]]
    quantity = "stability"            # statistic = "overlapping_allan" unless it says otherwise
    averaging_time = "1 s"
    limit = 1e-11

    [[line]]
    quantity = "aging_per_day"        # also aging_per_year, offset
    limit = [-1e-10, 5e-10]           # or one number, meaning ±

    [[line]]
    quantity = "temperature"          # change over a range; with reference = 25: ± about the value there
    covariate = "room_temperature_c"
    from = 0
    to = 50
    limit = 5e-9

    [[line]]
    quantity = "warm_up"              # from so long after power-on, within the limit of what it is later
    after = "30 min"
    compared_with = "24 h"
    limit = 1e-8

    [[line]]
    quantity = "retrace"              # so long after power is back, within the limit of what it was before
    off = "24 h"
    after = "24 h"
    limit = 5e-10
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Literal, cast

from evenbeat.calibration.tolerance import Tolerance, ToleranceLike
from evenbeat.errors import InputError
from evenbeat.plain import UNLISTED, Plain, declared
from evenbeat.result import Column, Result
from evenbeat.toml_text import toml_in
from evenbeat.units import duration_text, parse_duration

Quantity = Literal[
    "stability", "aging_per_day", "aging_per_year", "temperature", "warm_up", "retrace", "offset"
]
NEEDS: Mapping[Quantity, tuple[str, ...]] = {
    "stability": ("averaging_time",),
    "aging_per_day": (),
    "aging_per_year": (),
    "temperature": ("covariate", "from", "to"),
    "warm_up": ("after", "compared_with"),
    "retrace": ("after",),
    "offset": (),
}
MAY_HAVE: Mapping[Quantity, tuple[str, ...]] = {
    "stability": ("statistic",),
    "temperature": ("reference",),
    "retrace": ("off",),
}
_STATISTICS = {
    "overlapping_allan": "Allan dev.",
    "modified_allan": "modified Allan dev.",
    "time": "time dev.",
    "overlapping_hadamard": "Hadamard dev.",
}
_BY_FAMILY = {"allan": "overlapping_allan", "hadamard": "overlapping_hadamard"}
"""What a specification calls by the family is measured by its best estimator."""


@dataclass(frozen=True, kw_only=True)
class SpecificationLine(Plain):
    """One line of a specification.

    Attributes
    ----------
    quantity
        What is specified; see the module.
    limits
        Of the fractional frequency, its change, or a deviation (then only the upper one counts).
    name
        As printed; made from the rest by default.
    statistic, averaging_time_s
        Of ``stability``.
    covariate, from_value, to_value, reference
        Of ``temperature``: the range, in the unit of the covariate, and where the change is counted from;
        without a reference the change over the whole range counts.
    after_s, compared_with_s, off_s
        Of ``warm_up`` (time since power-on, and when the final value is taken) and ``retrace`` (time since
        power is back, and for how long it was off).
    """

    quantity: Quantity
    limits: Tolerance = field(metadata=UNLISTED)
    name: str = ""
    statistic: str = "overlapping_allan"
    averaging_time_s: float = 0.0
    covariate: str = ""
    from_value: float = 0.0
    to_value: float = 0.0
    reference: float | None = None
    after_s: float = 0.0
    compared_with_s: float = 0.0
    off_s: float | None = None

    def _facts(self) -> Mapping[str, object]:
        return {"title": self.title, **super()._facts(), **declared(self.limits)}

    @property
    def one_sided(self) -> bool:
        """Whether only the upper limit counts: a deviation, or a change over a range, is never negative."""
        return self.quantity == "stability" or (self.quantity == "temperature" and self.reference is None)

    @property
    def limit_text(self) -> str:
        """The limit in words."""
        return f"≤ {self.limits.upper:.3g}" if self.one_sided else str(self.limits)

    @property
    def title(self) -> str:
        """What is specified, in words."""
        if self.name:
            return self.name
        if self.quantity == "stability":
            return f"{_STATISTICS[self.statistic]} at {duration_text(self.averaging_time_s)}"
        if self.quantity == "temperature":
            about = "" if self.reference is None else f" from {self.reference:g}"
            return f"temperature {self.from_value:g} to {self.to_value:g}{about}"
        if self.quantity == "warm_up":
            return f"warm-up after {duration_text(self.after_s)}"
        if self.quantity == "retrace":
            off = "" if self.off_s is None else f", {duration_text(self.off_s)} off"
            return f"retrace after {duration_text(self.after_s)}{off}"
        return {"offset": "offset as delivered"}.get(self.quantity, self.quantity.replace("_", " "))

    @classmethod
    def from_mapping(cls, entry: Mapping[str, Any], where: str = "the line") -> SpecificationLine:
        """Return a line from plain values, as a table in TOML holds them.

        Raises
        ------
        InputError
            If a value is missing, unknown or impossible; the sentence names the line.
        """
        quantity = cast("Quantity", entry.get("quantity"))
        if quantity not in NEEDS:
            msg = f"{where}: quantity is {quantity!r}; it must be one of {', '.join(NEEDS)}"
            raise InputError(msg)
        known = {"quantity", "limit", "name", *NEEDS[quantity], *MAY_HAVE.get(quantity, ())}
        unknown = [key for key in entry if key not in known]
        if unknown:
            msg = (
                f"{where}: {unknown[0]!r} is not known of {quantity}; it may have {', '.join(sorted(known))}"
            )
            raise InputError(msg)
        missing = [key for key in ("limit", *NEEDS[quantity]) if key not in entry]
        if missing:
            msg = f"{where}: {quantity} has no {missing[0]!r}"
            raise InputError(msg)
        numbers = {key: entry[key] for key in ("from", "to", "reference") if key in entry}
        for key, value in numbers.items():
            if not isinstance(value, int | float):
                msg = f"{where}: {key} is {value!r}; it must be a number"
                raise InputError(msg)
        times = {
            key: _seconds(entry[key], f"{where}: {key}")
            for key in ("averaging_time", "after", "compared_with", "off")
            if key in entry
        }
        said = str(entry.get("statistic", "allan"))
        statistic = _BY_FAMILY.get(said, said)
        if statistic not in _STATISTICS:
            msg = f"{where}: statistic is {said!r}; it must be allan, modified_allan, time or hadamard"
            raise InputError(msg)
        return cls(
            quantity=quantity,
            limits=_limits(entry["limit"], where),
            name=str(entry.get("name", "")),
            statistic=statistic,
            averaging_time_s=times.get("averaging_time", 0.0),
            covariate=str(entry.get("covariate", "")),
            from_value=float(numbers.get("from", 0.0)),
            to_value=float(numbers.get("to", 0.0)),
            reference=float(numbers["reference"]) if "reference" in numbers else None,
            after_s=times.get("after", 0.0),
            compared_with_s=times.get("compared_with", 0.0),
            off_s=times.get("off"),
        )._checked(where)

    def _checked(self, where: str) -> SpecificationLine:
        if self.quantity == "temperature" and not self.from_value < self.to_value:
            msg = f"{where}: from is {self.from_value:g} and to {self.to_value:g}; from must be below to"
            raise InputError(msg)
        if self.quantity == "warm_up" and not self.after_s < self.compared_with_s:
            msg = (
                f"{where}: compared_with ({duration_text(self.compared_with_s)}) must be later than after "
                f"({duration_text(self.after_s)})"
            )
            raise InputError(msg)
        if self.one_sided and not self.limits.upper > 0:
            msg = f"{where}: the limit is {self.limits.upper:g}; it must be positive"
            raise InputError(msg)
        return self


@dataclass(frozen=True, eq=False, kw_only=True, repr=False)
class Specification(Result):
    """A written specification: named lines with limits.

    Build one from Python or with :meth:`from_toml`.
    """

    lines: tuple[SpecificationLine, ...]
    name: str = ""

    _row_objects = "lines"

    def __post_init__(self) -> None:
        if not self.lines:
            msg = "the specification has no line; state at least one"
            raise InputError(msg)

    @classmethod
    def of(cls, *lines: Mapping[str, Any] | SpecificationLine, name: str = "") -> Specification:
        """Return a specification from lines as in the module's example, written as mappings.

        Raises
        ------
        InputError
            If a line is impossible; the sentence counts the line.
        """
        made = tuple(
            line
            if isinstance(line, SpecificationLine)
            else SpecificationLine.from_mapping(line, f"line {number}")
            for number, line in enumerate(lines, start=1)
        )
        return cls(lines=made, name=name)

    @classmethod
    def from_toml(cls, path: str | Path) -> Specification:
        """Read a specification from a file; see the module for its form.

        Raises
        ------
        InputError
            If the file cannot be read or a line is impossible; the sentence names file and line.
        """
        content = toml_in(path, "specification")
        entries = content.get("line")
        if not isinstance(entries, list):
            msg = f"{path}: no [[line]] is given; a specification needs at least one"
            raise InputError(msg)
        lines = tuple(
            SpecificationLine.from_mapping(entry, f"{path}, line {number}")
            for number, entry in enumerate(entries, start=1)
        )
        return cls(lines=lines, name=str(content.get("name", Path(path).stem)))

    def _columns(self) -> tuple[Column, ...]:
        return Column("title", heading="specified"), Column("limit_text", heading="limit")

    def _headline(self) -> str:
        return f"Specification {self.name or 'without a name'}: {len(self.lines)} lines"


def _limits(limit: ToleranceLike, where: str) -> Tolerance:
    try:
        return Tolerance.of(limit)
    except (InputError, TypeError, ValueError) as error:
        msg = f"{where}: limit is {limit!r}; it must be a positive number, or two such as [-5e-9, 1e-8]"
        raise InputError(msg) from error


def _seconds(value: object, name: str) -> float:
    try:
        seconds = float(value) if isinstance(value, int | float) else parse_duration(str(value))
    except InputError as error:
        msg = f"{name}: {error}"
        raise InputError(msg) from error
    if not seconds > 0:
        msg = f"{name} is {value!r}; it must be a positive duration such as '24 h'"
        raise InputError(msg)
    return seconds
