"""Limits of stability and time error against averaging time, and whether a curve keeps them.

Of the limits of wander printed in ITU-T Recommendations only those seen quoted with their clause or table
are here; any other is stated with :meth:`LimitLine.from_table`. Temperature effects, transients and jitter
have requirements of their own.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from types import MappingProxyType
from typing import Any, Literal, Self, cast

import numpy as np
import numpy.typing as npt

from evenbeat.deviations.curve import StabilityCurve
from evenbeat.deviations.statistics import STATISTICS, name_of
from evenbeat.deviations.time_error import TimeErrorCurve
from evenbeat.errors import InputError
from evenbeat.findings import Finding, merged, note
from evenbeat.plain import UNLISTED
from evenbeat.quantities import DEFAULT_CONFIDENCE, FloatArray, checked_probability
from evenbeat.result import Column, Result
from evenbeat.tables import Field, TableLike, read_table
from evenbeat.units import counted, duration_text

_TIME_ERRORS: Mapping[str, str] = {
    "mtie": "maximum time interval error",
    "rms": "rms time interval error",
}
_AT_THE_END = 1e-9


@dataclass(frozen=True, kw_only=True)
class LimitPiece:
    """One piece of a limit line: ``Σ factor · τ^power`` of its terms, between two averaging times."""

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
        if len(points) < 2:
            msg = f"the limit {called!r} has {counted(len(points), 'point')}; at least 2 are needed"
            raise InputError(msg)
        if not (np.all(np.isfinite(points)) and np.all(points > 0)):
            msg = f"the limit {called!r} holds a value that is not positive; logarithmic axes need such"
            raise InputError(msg)
        if not np.all(np.diff(points[:, 0]) > 0):
            msg = f"the averaging times of the limit {called!r} do not rise; give each once, in order"
            raise InputError(msg)
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
        finding = note("INTERPOLATED", sentence, points=len(points))
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


# name, statistic, source, pieces: (above s, up to s, [(factor in ns, power of τ)])
_PUBLISHED: list[tuple[str, str, str, list[tuple[float, float, list[tuple[float, float]]]]]] = [
    (
        "G.811 PRC MTIE",
        "mtie",
        "ITU-T G.811 (09/97)+Amd.1(04/16) clause 6 wander",
        [(0.1, 1000, [(0.275, 1), (25, 0)]), (1000, math.inf, [(0.01, 1), (290, 0)])],
    ),
    (
        "G.811 PRC TDEV",
        "time",
        "ITU-T G.811 (09/97)+Amd.1",
        [(0.1, 100, [(3, 0)]), (100, 1000, [(0.03, 1)]), (1000, 10000, [(30, 0)])],
    ),
    (
        "G.8272 PRTC-A MTIE",
        "mtie",
        "ITU-T G.8272 (11/18) Table 1",
        [(0.1, 273, [(0.275, 1), (25, 0)]), (273, math.inf, [(100, 0)])],
    ),
    (
        "G.8272 PRTC-B MTIE",
        "mtie",
        "ITU-T G.8272 (11/18) Table 2",
        [(0.1, 54.5, [(0.275, 1), (25, 0)]), (54.5, math.inf, [(40, 0)])],
    ),
    (
        "G.8272 PRTC-A TDEV",
        "time",
        "ITU-T G.8272 (11/18) Table 3",
        [(0.1, 100, [(3, 0)]), (100, 1000, [(0.03, 1)]), (1000, 10000, [(30, 0)])],
    ),
    (
        "G.8272 PRTC-B TDEV",
        "time",
        "ITU-T G.8272 (11/18) Table 4",
        [(0.1, 100, [(1, 0)]), (100, 500, [(0.01, 1)]), (500, 100000, [(5, 0)])],
    ),
    (
        "G.8272.1 ePRTC MTIE",
        "mtie",
        "ITU-T G.8272.1 (2016) Amd.1 (08/17) Table 1",
        [
            (0.1, 1, [(4, 0)]),
            (1, 100, [(0.11114, 1), (3.89, 0)]),
            (100, 400000, [(0.0375e-3, 1), (15, 0)]),
            (400000, math.inf, [(30, 0)]),
        ],
    ),
    (
        "G.8272.1 ePRTC TDEV",
        "time",
        "ITU-T G.8272.1 Amd.1 (08/17) Table 2",
        [(0.1, 30000, [(1, 0)]), (30000, 300000, [(3.33333e-5, 1)]), (300000, 1e06, [(10, 0)])],
    ),
]


_BY_NAME: Mapping[str, LimitLine] = MappingProxyType(
    {
        name: LimitLine(
            name=name,
            statistic=statistic,
            source=source,
            pieces=tuple(
                LimitPiece(
                    above_s=above, up_to_s=up_to, terms=tuple((1e-9 * ns, power) for ns, power in terms)
                )
                for above, up_to, terms in pieces
            ),
        )
        for name, statistic, source, pieces in _PUBLISHED
    }
)


def limit_lines() -> Mapping[str, LimitLine]:
    """Return the published limits of time error by name, in seconds, read-only.

    Returns
    -------
    Mapping
        Name, such as ``"G.811 PRC MTIE"``, to :class:`LimitLine`.

    Notes
    -----
    Not valid outside the range of averaging times of each line. For another Recommendation state the limit
    from the document with :meth:`LimitLine.from_table`.

    Examples
    --------
    >>> import evenbeat as eb
    >>> "G.811 PRC MTIE" in eb.limit_lines()
    True

    References
    ----------
    Source: ITU-T G.811, G.8272 and G.8272.1, with the clause or table on each line
    Tests: tests/reference/test_published_limits.py
    """
    return _BY_NAME


OBSERVED_TIMES = 12
"""A mask of the time deviation is held against a record of so many averaging times (common practice)."""
PER_OCTAVE = 2
SMALLEST_CONFIDENCE = 1e-6
Verdict = Literal["below", "above", "undecided", "no statement"]


@dataclass(frozen=True, eq=False, kw_only=True, repr=False)
class LimitVerdict(Result):
    """A curve beside a limit, made by :func:`evenbeat.compare_with_limit`.

    Attributes
    ----------
    curve, limit
        What was compared.
    confidence
        Of either verdict as a whole: one less the chance that it is wrong.
    averaging_time_s, value, low, high, allowed
        Shape (n,): the curve, its lower limits, which hold at all averaging times together, its upper limits,
        each for itself (NaN for time interval errors, which have none), and the limit (NaN where it says
        nothing or the record is too short for it).
    verdicts
        Per averaging time ``below``, ``above``, ``undecided`` or ``no statement``.
    """

    curve: StabilityCurve | TimeErrorCurve = field(metadata=UNLISTED)
    limit: LimitLine
    confidence: float
    averaging_time_s: FloatArray
    value: FloatArray
    low: FloatArray
    high: FloatArray
    allowed: FloatArray
    verdicts: tuple[Verdict, ...] = field(metadata=UNLISTED)

    _also = ("overall", "sentence", "margin_db")

    @property
    def overall(self) -> Verdict:
        """``above`` if any point is, else ``undecided`` if any is, else ``below`` if any is."""
        for verdict in ("above", "undecided", "below"):
            if verdict in self.verdicts:
                return verdict
        return "no statement"

    @property
    def margin_db(self) -> float:
        """By how much the upper limits stay below the limit at least [dB]; negative where one lies above it.

        Of time interval errors the values themselves; NaN where nothing is compared.
        """
        upper = self.value if isinstance(self.curve, TimeErrorCurve) else self.high
        with np.errstate(divide="ignore", invalid="ignore"):
            margins = 20 * np.log10(self.allowed / upper)
        known = margins[~np.isnan(margins)]
        return float(known.min()) if len(known) else math.nan

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
            margin = f"by {self.margin_db:.1f} dB at least"
            return f"The curve is below the limit “{self.limit.name}” {where}, {margin}."
        if self.overall == "undecided":
            return (
                f"Whether the curve is below the limit “{self.limit.name}” is undecided at "
                f"{counts['undecided']} of {compared} averaging times {where}: the interval holds the limit "
                f"(upper limits up to {-self.margin_db:.1f} dB above it)."
            )
        worst = int(np.nanargmax(np.where(np.isfinite(self.allowed), self.value / self.allowed, np.nan)))
        return (
            f"The curve is above the limit “{self.limit.name}” at {counts['above']} of {compared} averaging "
            f"times {where}, most at {duration_text(float(self.averaging_time_s[worst]))}: "
            f"{self.value[worst] / self.allowed[worst]:.3g} times the limit."
        )

    def _columns(self) -> tuple[Column, ...]:
        ending = "_s" if self.limit.unit == "s" else ""
        share = f"{self.confidence:.4g}"
        return (
            Column("averaging_time_s", self.averaging_time_s, "τ / s", ".6g"),
            Column(f"value{ending}", self.value, "value", ".3e"),
            Column(f"low{ending}", self.low, f"low {share}", ".3e"),
            Column(f"high{ending}", self.high, f"high {share}", ".3e"),
            Column(f"allowed{ending}", self.allowed, "limit", ".3e"),
            Column("verdict", self.verdicts, "verdict"),
        )

    def _headline(self) -> str:
        return self.sentence.removesuffix(".")


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
        Of either verdict as a whole.

    Returns
    -------
    LimitVerdict
        ``below`` only where the whole interval is at or below the limit, ``above`` only where the whole
        interval is above it, otherwise ``undecided``. Outside the limit's averaging times, where gaps leave
        no value, and for the time deviation beyond a twelfth of the record, no statement is made.

    Raises
    ------
    InputError
        If the limit is for another statistic.

    Notes
    -----
    One error rate for the whole verdict, ``1 - confidence``. A clock exactly on the limit is called ``above``
    at any averaging time at most so often: lower limits share the rate among the averaging times compared
    (Bonferroni; two to an octave, since neighbours show the same noise). A clock above the limit anywhere
    is called ``below`` as a whole at most so often: that asks every upper limit to pass, each at this rate
    (intersection-union test; Berger 1982, Technometrics 24). Averaging times of the time deviation end at a
    twelfth of the record, as is common practice for masks. The
    maximum time interval error of one record has no interval: the verdict is on this record only. Not a
    statement of conformity.

    Examples
    --------
    >>> import evenbeat as eb
    >>> noise = eb.NoiseLevels(white_pm=1e-20)
    >>> record = eb.simulate_clock(600, interval_s=1, levels=noise, seed=1, kind="phase")
    >>> verdict = eb.compare_with_limit(eb.time_interval_error(record), eb.limit_lines()["G.811 PRC MTIE"])
    >>> verdict.overall
    'below'

    References
    ----------
    Source: ITU-T G.810 (masks of MTIE and TDEV); Bonferroni; Berger 1982 (intersection-union)
    Tests: tests/deviations/test_limits.py
    """
    checked_probability(confidence, "confidence")
    if curve.statistic != limit.statistic:
        msg = (
            f"the limit {limit.name} is for the {statistic_title(limit.statistic)}; the curve holds the "
            f"{statistic_title(curve.statistic)}"
        )
        raise InputError(msg)
    if isinstance(curve, TimeErrorCurve):
        value = curve.time_error_s
        low = high = np.full(len(value), np.nan)
        bounds = (value, value)
        allowed = limit.at(curve.averaging_time_s)
    else:
        value = curve.deviation
        allowed = limit.at(curve.averaging_time_s)
        if curve.statistic == "time":  # up to a twelfth of the record; with gaps a little less than there is
            points = curve.terms + 3 * curve.averaging_factor - 1
            longest = float(points.max() - 1) * curve.interval_s / OBSERVED_TIMES
            allowed = np.where(curve.averaging_time_s <= longest * (1 + 1e-9), allowed, np.nan)
        compared = curve.averaging_time_s[np.isfinite(allowed) & (curve.terms > 0)]
        together = 1.0
        if len(compared) > 1:
            octaves = math.log2(float(compared[-1] / compared[0]))
            together = min(len(compared), 1 + PER_OCTAVE * octaves)
        low = curve.confidence_interval(1 - 2 * (1 - confidence) / together)[0]
        high = curve.confidence_interval(max(2 * confidence - 1, SMALLEST_CONFIDENCE))[1]
        bounds = (low, high)
    verdicts: list[Verdict] = []
    for below, above, most in zip(*bounds, allowed, strict=True):
        if math.isnan(most) or math.isnan(below) or math.isnan(above):
            verdicts.append("no statement")
        else:
            verdicts.append("below" if above <= most else "above" if below > most else "undecided")
    result = LimitVerdict(
        curve=curve,
        limit=limit,
        confidence=confidence,
        averaging_time_s=curve.averaging_time_s,
        value=value,
        low=low,
        high=high,
        allowed=allowed,
        verdicts=tuple(verdicts),
    )
    remarks = (*limit.findings, *_remarks(result))
    return replace(result, findings=merged(remarks, curve.findings))


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
        found.append(note("NO_INTERVAL", sentence))
    outside = int(np.count_nonzero(np.isnan(result.allowed)))
    if outside and result.overall != "no statement":
        sentence = (
            f"At {counted(outside, 'averaging time')} of the curve the limit is not defined or the record "
            "too short for it; no statement is made."
        )
        found.append(note("OUTSIDE_LIMIT", sentence, averaging_times=outside))
    return tuple(found)
