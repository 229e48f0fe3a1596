"""Limit lines for a stability or time-error curve."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Self, cast

import numpy as np
import numpy.typing as npt

from evenbeat.deviations.statistics import STATISTICS, name_of
from evenbeat.errors import InputError
from evenbeat.findings import Finding
from evenbeat.quantities import FloatArray
from evenbeat.result import Column, Result
from evenbeat.tables import Field, TableLike, read_table

_TIME_ERRORS: Mapping[str, str] = {
    "mtie": "maximum time interval error",
    "rms": "rms time interval error",
}
_AT_THE_END = 1e-9


@dataclass(frozen=True, kw_only=True)
class LimitPiece:
    """One piece of a limit line: a sum of powers of the averaging time.

    Attributes
    ----------
    above_s, up_to_s
        Averaging times to which it applies: above the first, up to and including the second.
    terms
        Pairs of factor and power: the limit is ``Σ factor · τ^power``.
    """

    above_s: float
    up_to_s: float
    terms: tuple[tuple[float, float], ...]

    def value(self, averaging_time_s: FloatArray) -> FloatArray:
        """Return the limit, also outside the range of this piece."""
        return np.asarray(sum(factor * averaging_time_s**power for factor, power in self.terms))


@dataclass(frozen=True, eq=False, kw_only=True, repr=False)
class LimitLine(Result):
    """A limit against averaging time.

    Published ones come from :func:`evenbeat.limit_lines`, your own from :meth:`from_table`.

    Attributes
    ----------
    name
        What it is called.
    statistic
        Of the curve it is for: a name of :func:`evenbeat.stability`, or ``"mtie"`` or ``"rms"``.
    pieces
        In order of averaging time.
    source, note
        Where it is printed, and what to know about it.
    """

    name: str
    statistic: str
    pieces: tuple[LimitPiece, ...]
    source: str = ""
    note: str = ""

    _also = ("unit",)

    def __post_init__(self) -> None:
        object.__setattr__(self, "statistic", _known_statistic(self.statistic))
        if not self.pieces:
            msg = f"the limit {self.name!r} has no piece; at least one is needed"
            raise InputError(msg)

    @classmethod
    def from_table(
        cls,
        table: TableLike | Sequence[tuple[float, float]],
        *,
        statistic: str,
        name: str = "",
        source: str = "",
    ) -> Self:
        """Return a limit line through points, straight between them on logarithmic axes.

        Parameters
        ----------
        table
            Pairs (averaging time in seconds, limit), or a frame or file with the columns
            ``averaging_time_s`` and ``limit``. Limits are in the unit of the curve, seconds for time errors
            and the time deviation, else 1, unless their column says otherwise: ``limit_ns``.
        statistic
            Of the curve it is for.
        name, source
            What it is called and where it comes from.

        Raises
        ------
        InputError
            For fewer than two points, averaging times that do not rise, or limits that are not positive.
        """
        statistic = _known_statistic(statistic)
        points, assumed = _points(table, _unit_of(statistic))
        called = name or (str(table) if isinstance(table, str | Path) else "own limit")
        _check_points(points, called)
        logs = np.log(points)
        pieces = []
        for k in range(len(points) - 1):
            power = float((logs[k + 1, 1] - logs[k, 1]) / (logs[k + 1, 0] - logs[k, 0]))
            factor = float(math.exp(logs[k, 1] - power * logs[k, 0]))
            # the first point belongs to the line, too
            above = points[k, 0] * (1 - 2 * _AT_THE_END) if k == 0 else points[k, 0]
            pieces.append(
                LimitPiece(above_s=float(above), up_to_s=float(points[k + 1, 0]), terms=((factor, power),))
            )
        sentence = (
            f"The limit {called} is given at {len(points)} averaging times; between them it is taken as "
            "straight on logarithmic axes, outside them nothing is said."
        )
        finding = Finding(
            code="INTERPOLATED", severity="note", sentence=sentence, values={"points": len(points)}
        )
        return cls(
            name=called,
            statistic=statistic,
            pieces=tuple(pieces),
            source=source,
            findings=(finding, *assumed),
        )

    @property
    def unit(self) -> str:
        """``"s"`` for time errors and the time deviation, otherwise ``""``."""
        return _unit_of(self.statistic)

    @property
    def range_s(self) -> tuple[float, float]:
        """Averaging times it applies to: above the first, up to the second."""
        return self.pieces[0].above_s, self.pieces[-1].up_to_s

    def at(self, averaging_time_s: npt.ArrayLike) -> FloatArray:
        """Return the limit at averaging times in seconds, NaN where none is defined."""
        tau = np.asarray(averaging_time_s, dtype=float)
        limit = np.full(tau.shape, np.nan)
        for piece in self.pieces:
            inside = (tau > piece.above_s * (1 + _AT_THE_END)) & (tau <= piece.up_to_s * (1 + _AT_THE_END))
            limit = np.where(inside, piece.value(tau), limit)
        return limit

    def _columns(self) -> tuple[Column, ...]:
        return (
            Column("above_s", [piece.above_s for piece in self.pieces], "τ above / s", "g"),
            Column("up_to_s", [piece.up_to_s for piece in self.pieces], "up to / s", "g"),
            Column("limit", [_formula(piece, self.unit) for piece in self.pieces], "limit"),
        )

    def _headline(self) -> str:
        return f"Limit {self.name} of the {statistic_title(self.statistic)}"


def _known_statistic(statistic: str) -> str:
    """Return the name in full, of an abbreviation too."""
    statistic = name_of(statistic)
    if statistic not in STATISTICS and statistic not in _TIME_ERRORS:
        msg = f"statistic is {statistic!r}; it must be one of {', '.join([*STATISTICS, *_TIME_ERRORS])}"
        raise InputError(msg)
    return statistic


def _unit_of(statistic: str) -> str:
    return "s" if statistic in _TIME_ERRORS else STATISTICS[statistic].unit


def statistic_title(statistic: str) -> str:
    """Return what a statistic is called in a sentence."""
    return _TIME_ERRORS.get(statistic) or STATISTICS[statistic].title


def _formula(piece: LimitPiece, unit: str) -> str:
    scale, name = (1e9, " ns") if unit == "s" else (1.0, "")
    shown = [
        f"{scale * factor:.6g}" + ("" if power == 0 else " τ" if power == 1 else f" τ^{power:.4g}")
        for factor, power in piece.terms
    ]
    return (
        f"{shown[0]}{name}" if len(shown) == 1 and piece.terms[0][1] == 0 else f"({' + '.join(shown)}){name}"
    )


def _points(
    table: TableLike | Sequence[tuple[float, float]], unit: str
) -> tuple[FloatArray, tuple[Finding, ...]]:
    """Return rows of averaging time and limit from whatever was given, and what was assumed of a table."""
    if isinstance(table, str | Path) or hasattr(table, "columns"):
        fields = (Field(name="averaging_time_s", unit="s"), Field(name="limit", unit=unit or "1"))
        source = cast("TableLike", table)
        read = read_table(source, fields, what="table of limits", needed=("averaging_time_s", "limit"))
        found = [[row.number_in(field.name) for field in fields] for row in read.rows]
        return np.array(found, dtype=np.float64), read.findings
    try:
        pairs: Any = list(table)
        points = np.array([tuple(pair) for pair in pairs], dtype=np.float64)
    except (TypeError, ValueError):
        points = np.empty(0, dtype=np.float64)
    if points.ndim != 2 or points.shape[1] != 2:
        msg = "the table of limits must hold pairs (averaging time in seconds, limit)"
        raise InputError(msg)
    return points, ()


def _check_points(points: FloatArray, name: str) -> None:
    if len(points) < 2:
        msg = f"the limit {name!r} has {len(points)} point(s); at least 2 are needed"
        raise InputError(msg)
    if not (np.all(np.isfinite(points)) and np.all(points > 0)):
        msg = f"the limit {name!r} holds a value that is not a positive number; logarithmic axes need such"
        raise InputError(msg)
    if not np.all(np.diff(points[:, 0]) > 0):
        msg = f"the averaging times of the limit {name!r} do not rise; give each once, in order"
        raise InputError(msg)
