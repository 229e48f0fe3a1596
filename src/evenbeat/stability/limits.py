"""Limit lines for a stability or time-error curve, and whether a curve is below one."""

from __future__ import annotations

import csv
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal, Self

import numpy as np
import numpy.typing as npt

from evenbeat.errors import InputError, LogError
from evenbeat.findings import Finding, merged
from evenbeat.printing import Printed, Table
from evenbeat.quantities import DEFAULT_CONFIDENCE, FloatArray, checked_probability
from evenbeat.stability.curve import StabilityCurve
from evenbeat.stability.estimators import STATISTICS
from evenbeat.stability.time_error import TimeErrorCurve
from evenbeat.units import duration_text

if TYPE_CHECKING:
    import pandas as pd

FROM_MEMORY = "from memory: confirm against the Recommendation"
_TIME_ERRORS: Mapping[str, str] = {
    "mtie": "maximum time interval error",
    "rms": "rms time interval error",
}
_AT_THE_END = 1e-9
Verdict = Literal["below", "above", "undecided", "no statement"]


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
class LimitLine(Printed):
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
    from_memory
        Whether it was recalled and must be confirmed before it decides anything.
    """

    name: str
    statistic: str
    pieces: tuple[LimitPiece, ...]
    source: str = ""
    note: str = ""
    from_memory: bool = False
    findings: tuple[Finding, ...] = ()

    def __post_init__(self) -> None:
        _known_statistic(self.statistic)
        if not self.pieces:
            msg = f"the limit {self.name!r} has no piece; at least one is needed"
            raise InputError(msg)
        if self.from_memory and not self.findings:
            sentence = f"The limit {self.name} is recalled {FROM_MEMORY}."
            object.__setattr__(
                self, "findings", (Finding(code="FROM_MEMORY", severity="caution", sentence=sentence),)
            )

    @classmethod
    def from_table(
        cls,
        table: str | Path | pd.DataFrame | Sequence[tuple[float, float]],
        *,
        statistic: str,
        name: str = "",
        source: str = "",
    ) -> Self:
        """Return a limit line through points, straight between them on logarithmic axes.

        Parameters
        ----------
        table
            Pairs (averaging time in seconds, limit), a frame or the path of a comma-separated file with
            the columns ``averaging_time_s`` and ``limit`` (a frame or file may say ``limit_s``). Limits
            are in the unit of the curve: seconds for time errors and the time deviation, else 1.
        statistic
            Of the curve it is for.
        name, source
            What it is called and where it comes from.

        Raises
        ------
        InputError
            For fewer than two points, averaging times that do not rise, or limits that are not positive.
        """
        points = _points(table)
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
        return cls(name=called, statistic=statistic, pieces=tuple(pieces), source=source, findings=(finding,))

    @property
    def title(self) -> str:
        """The name, with a warning where the limit was recalled from memory."""
        return f"{self.name} ({FROM_MEMORY})" if self.from_memory else self.name

    @property
    def unit(self) -> str:
        """``"s"`` for time errors and the time deviation, otherwise ``""``."""
        return "s" if self.statistic in _TIME_ERRORS else STATISTICS[self.statistic].unit

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

    def to_frame(self) -> pd.DataFrame:
        """Return a table with one row per piece."""
        import pandas as pd

        return pd.DataFrame(
            [
                {"above_s": piece.above_s, "up_to_s": piece.up_to_s, "limit": _formula(piece, self.unit)}
                for piece in self.pieces
            ]
        )

    def to_dict(self) -> dict[str, object]:
        """Return plain values, ready for JSON; an open end is ``None``."""
        return {
            "name": self.name,
            "statistic": self.statistic,
            "unit": self.unit,
            "source": self.source,
            "note": self.note,
            "from_memory": self.from_memory,
            "pieces": [
                {
                    "above_s": piece.above_s,
                    "up_to_s": piece.up_to_s if math.isfinite(piece.up_to_s) else None,
                    "factors_and_powers": [list(term) for term in piece.terms],
                }
                for piece in self.pieces
            ],
            "findings": [finding.to_dict() for finding in self.findings],
        }

    def _headline(self) -> str:
        return f"Limit {self.title} of the {_statistic_title(self.statistic)}"

    def _table(self) -> Table:
        rows = tuple(
            (f"{piece.above_s:g}", f"{piece.up_to_s:g}", _formula(piece, self.unit)) for piece in self.pieces
        )
        return Table(columns=("τ above / s", "up to / s", "limit"), rows=rows)


@dataclass(frozen=True, eq=False, kw_only=True, repr=False)
class LimitVerdict(Printed):
    """A curve beside a limit, made by :func:`evenbeat.compare_with_limit`.

    Attributes
    ----------
    curve, limit
        What was compared.
    confidence
        Coverage probability of the interval that was taken into account.
    averaging_time_s, value, low, high, allowed
        Shape (n,): the curve, its interval (NaN for time interval errors, which have none) and the
        limit (NaN where the limit says nothing).
    verdicts
        Per averaging time ``below``, ``above``, ``undecided`` or ``no statement``.
    """

    curve: StabilityCurve | TimeErrorCurve
    limit: LimitLine
    confidence: float
    averaging_time_s: FloatArray
    value: FloatArray
    low: FloatArray
    high: FloatArray
    allowed: FloatArray
    verdicts: tuple[Verdict, ...]
    findings: tuple[Finding, ...] = ()

    @property
    def overall(self) -> Verdict:
        """``above`` if any point is, else ``undecided`` if any is, else ``below`` if any is."""
        for verdict in ("above", "undecided", "below"):
            if verdict in self.verdicts:
                return verdict
        return "no statement"

    @property
    def sentence(self) -> str:
        """What the comparison says, for a technician."""
        counts = {verdict: self.verdicts.count(verdict) for verdict in ("below", "above", "undecided")}
        compared = sum(counts.values())
        if compared == 0:
            return f"The limit {self.limit.name} says nothing at the averaging times of this curve."
        times = self.averaging_time_s[[verdict != "no statement" for verdict in self.verdicts]]
        where = f"from {duration_text(float(times[0]))} to {duration_text(float(times[-1]))}"
        if self.overall == "below":
            return f"The curve is below the limit {self.limit.name} {where}."
        if self.overall == "undecided":
            return (
                f"Whether the curve is below the limit {self.limit.name} is undecided at "
                f"{counts['undecided']} of {compared} averaging times {where}: the interval holds the limit."
            )
        worst = int(np.nanargmax(np.where(np.isfinite(self.allowed), self.value / self.allowed, np.nan)))
        return (
            f"The curve is above the limit {self.limit.name} at {counts['above']} of {compared} averaging "
            f"times {where}, most at {duration_text(float(self.averaging_time_s[worst]))}: "
            f"{self.value[worst] / self.allowed[worst]:.3g} times the limit."
        )

    def to_frame(self) -> pd.DataFrame:
        """Return a table with one row per averaging time."""
        import pandas as pd

        return pd.DataFrame(self._columns())

    def to_dict(self) -> dict[str, object]:
        """Return plain values, ready for JSON; what is not known is ``None``."""
        columns = {name: [_plain(value) for value in column] for name, column in self._columns().items()}
        return {
            "overall": self.overall,
            "sentence": self.sentence,
            "confidence": self.confidence,
            "limit": self.limit.to_dict(),
            **columns,
            "findings": [finding.to_dict() for finding in self.findings],
        }

    def _columns(self) -> dict[str, list[Any]]:
        ending = "_s" if self.limit.unit == "s" else ""
        return {
            "averaging_time_s": self.averaging_time_s.tolist(),
            f"value{ending}": self.value.tolist(),
            f"low{ending}": self.low.tolist(),
            f"high{ending}": self.high.tolist(),
            f"allowed{ending}": self.allowed.tolist(),
            "verdict": list(self.verdicts),
        }

    def _headline(self) -> str:
        return self.sentence.removesuffix(".")

    def _table(self) -> Table:
        columns = (self.averaging_time_s, self.value, self.low, self.high, self.allowed)
        rows = tuple(
            (f"{tau:.6g}", *("-" if math.isnan(cell) else f"{cell:.3e}" for cell in cells), verdict)
            for (tau, *cells), verdict in zip(zip(*columns, strict=True), self.verdicts, strict=True)
        )
        ends = f"{self.confidence:.4g}"
        return Table(columns=("τ / s", "value", f"low {ends}", f"high {ends}", "limit", "verdict"), rows=rows)


def compare_with_limit(
    curve: StabilityCurve | TimeErrorCurve, limit: LimitLine, *, confidence: float = DEFAULT_CONFIDENCE
) -> LimitVerdict:
    """Return whether a curve is below a limit at each averaging time, its interval taken into account.

    Parameters
    ----------
    curve
        Of the statistic that the limit is for.
    limit
        From :func:`evenbeat.limit_lines` or :meth:`LimitLine.from_table`.
    confidence
        Coverage probability of the interval.

    Returns
    -------
    LimitVerdict
        ``below`` only where the whole interval is at or below the limit, ``above`` only where the whole
        interval is above it, otherwise ``undecided``. Outside the limit's averaging times, and where
        gaps leave no value, no statement is made.

    Raises
    ------
    InputError
        If the limit is for another statistic.

    Notes
    -----
    The interval is per averaging time, not for the whole curve. The maximum time interval error of one
    record has no interval: the verdict is on this record only. Not a statement of conformity.
    """
    checked_probability(confidence, "confidence")
    if curve.statistic != limit.statistic:
        msg = (
            f"the limit {limit.name} is for the {_statistic_title(limit.statistic)}; the curve holds the "
            f"{_statistic_title(curve.statistic)}"
        )
        raise InputError(msg)
    if isinstance(curve, TimeErrorCurve):
        value = curve.time_error_s
        low = high = np.full(len(value), np.nan)
        bounds = (value, value)
    else:
        value = curve.deviation
        low, high = bounds = curve.confidence_interval(confidence)
    allowed = limit.at(curve.averaging_time_s)
    result = LimitVerdict(
        curve=curve,
        limit=limit,
        confidence=confidence,
        averaging_time_s=curve.averaging_time_s,
        value=value,
        low=low,
        high=high,
        allowed=allowed,
        verdicts=tuple(_verdict(*row) for row in zip(*bounds, allowed, strict=True)),
    )
    remarks = (*limit.findings, *_remarks(result))
    return replace(result, findings=merged(remarks, curve.findings))


def _verdict(low: float, high: float, allowed: float) -> Verdict:
    if math.isnan(allowed) or math.isnan(low) or math.isnan(high):
        return "no statement"
    if high <= allowed:
        return "below"
    return "above" if low > allowed else "undecided"


def _remarks(result: LimitVerdict) -> tuple[Finding, ...]:
    severity: Literal["good", "note", "caution"] = "caution"
    if result.overall in ("below", "no statement"):
        severity = "good" if result.overall == "below" else "note"
    found = [
        Finding(
            code=f"LIMIT_{result.overall.upper().replace(' ', '_')}",
            severity=severity,
            sentence=result.sentence,
        )
    ]
    if isinstance(result.curve, TimeErrorCurve):
        sentence = (
            "A time interval error describes this record only and has no interval: the verdict does not say "
            "what another record would show."
        )
        found.append(Finding(code="NO_INTERVAL", severity="note", sentence=sentence))
    outside = int(np.count_nonzero(np.isnan(result.allowed)))
    if outside and result.overall != "no statement":
        sentence = (
            f"At {outside} averaging time(s) of the curve the limit is not defined; no statement is made."
        )
        values = {"averaging_times": outside}
        found.append(Finding(code="OUTSIDE_LIMIT", severity="note", sentence=sentence, values=values))
    return tuple(found)


def _known_statistic(statistic: str) -> None:
    if statistic not in STATISTICS and statistic not in _TIME_ERRORS:
        msg = f"statistic is {statistic!r}; it must be one of {', '.join([*STATISTICS, *_TIME_ERRORS])}"
        raise InputError(msg)


def _statistic_title(statistic: str) -> str:
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


def _points(table: str | Path | pd.DataFrame | Sequence[tuple[float, float]]) -> FloatArray:
    """Return rows of averaging time and limit from whatever was given."""
    if isinstance(table, str | Path):
        return _points_of_file(Path(table))
    columns = getattr(table, "columns", None)
    if columns is not None:
        limit = _limit_column([str(name) for name in columns], "the table of limits")
        frame: Any = table
        return np.column_stack([np.asarray(frame[name], dtype=float) for name in ("averaging_time_s", limit)])
    try:
        pairs: Any = list(table)
        points = np.array([tuple(pair) for pair in pairs], dtype=np.float64)
    except (TypeError, ValueError):
        points = np.empty(0, dtype=np.float64)
    if points.ndim != 2 or points.shape[1] != 2:
        msg = "the table of limits must hold pairs (averaging time in seconds, limit)"
        raise InputError(msg)
    return points


def _points_of_file(path: Path) -> FloatArray:
    try:
        with path.open(encoding="utf-8-sig", newline="") as lines:
            rows = list(csv.DictReader(line for line in lines if line.strip() and not line.startswith("#")))
    except (OSError, UnicodeDecodeError) as error:
        msg = f"the table of limits cannot be read: {error}"
        raise LogError(msg, path=path) from error
    names = [] if not rows else [str(name).strip() for name in rows[0]]
    limit = _limit_column(names, str(path))
    found = []
    for number, row in enumerate(rows, start=1):
        cells = {str(name).strip(): cell for name, cell in row.items()}
        try:
            found.append((float(cells["averaging_time_s"] or ""), float(cells[limit] or "")))
        except (TypeError, ValueError):
            msg = f"row {number} below the header holds {list(row.values())}; two numbers are needed"
            raise LogError(msg, path=path) from None
    return np.array(found, dtype=np.float64).reshape(-1, 2)


def _limit_column(names: list[str], what: str) -> str:
    for limit in ("limit", "limit_s"):
        if "averaging_time_s" in names and limit in names:
            return limit
    msg = f"{what} has the columns {', '.join(names) or 'none'}; averaging_time_s and limit are needed"
    raise InputError(msg)


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


def _plain(value: object) -> object:
    return None if isinstance(value, float) and not math.isfinite(value) else value
