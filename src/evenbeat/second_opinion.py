"""A second opinion: a curve recomputed with allantools, which only this file imports.

The clock model has one too, by scipy and statsmodels, among the tests (``tests/clock/test_recomputed.py``).
"""

from __future__ import annotations

import contextlib
import io
import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

from evenbeat.errors import InputError
from evenbeat.findings import Finding, caution, good, note
from evenbeat.record import check_record
from evenbeat.result import Column, Result, Table

if TYPE_CHECKING:
    from evenbeat.deviations.averaging import IntArray
    from evenbeat.deviations.curve import StabilityCurve
    from evenbeat.deviations.points import Bias
    from evenbeat.deviations.time_error import TimeErrorCurve
    from evenbeat.quantities import FloatArray
    from evenbeat.record import Record

AGREEMENT = 1e-9
"""Relative difference below which two computations of one statistic count as the same number."""
LONGEST_MTIE = 100_000
LONGEST_LOOP = 1500
_FUNCTIONS = {
    "allan": "adev",
    "overlapping_allan": "oadev",
    "modified_allan": "mdev",
    "time": "tdev",
    "hadamard": "hdev",
    "overlapping_hadamard": "ohdev",
    "mtie": "mtie",
    "total": "totdev",
    "modified_total": "mtotdev",
    "time_total": "ttotdev",
    "hadamard_total": "htotdev",
    "theo1": "theo1",
    "parabolic": "pdev",
}
_BIASED = ("total", "modified_total", "time_total", "hadamard_total", "theo1")
_LOOPS = ("modified_total", "time_total", "hadamard_total", "theo1", "parabolic")
_IN_SECONDS = ("time", "time_total", "mtie")
_BEFORE_BIAS = "Compared before bias removal, which allantools does not do."
_DIFFERENCES = {
    "total": _BEFORE_BIAS,
    "modified_total": _BEFORE_BIAS,
    "time_total": _BEFORE_BIAS,
    "hadamard_total": _BEFORE_BIAS,
    "theo1": f"{_BEFORE_BIAS} It states the span as the averaging time; the effective one is 0.75 of it.",
    "parabolic": "It never uses the last sample, so that one was appended for it; without that its values "
    "rest on one term fewer and differ.",
}


@dataclass(frozen=True, eq=False, kw_only=True, repr=False)
class Crosscheck(Result):
    """A curve beside its independent recomputation, made by :func:`evenbeat.crosscheck`.

    Attributes
    ----------
    statistic
        Of the curve.
    averaging_factor, averaging_time_s
        Shape (n,): of the curve.
    ours, theirs, relative_difference
        Shape (n,); NaN where there is nothing to compare.
    compared
        Number of averaging times compared.
    largest_relative_difference
        Over those compared; NaN where none was.
    sentence
        The outcome in words.
    """

    statistic: str
    averaging_factor: IntArray
    averaging_time_s: FloatArray
    ours: FloatArray
    theirs: FloatArray
    relative_difference: FloatArray
    compared: int
    largest_relative_difference: float
    sentence: str

    _also = ("agrees",)
    _longest_table = 60

    @property
    def agrees(self) -> bool:
        """Whether something was compared and all of it is the same number."""
        return self.compared > 0 and self.largest_relative_difference <= AGREEMENT

    def _columns(self) -> tuple[Column, ...]:
        return (
            Column("averaging_time_s", self.averaging_time_s, "τ / s", ".6g"),
            Column("averaging_factor", self.averaging_factor),
            Column("ours", self.ours, "evenbeat", ".8e"),
            Column("theirs", self.theirs, "allantools", ".8e"),
            Column("relative_difference", self.relative_difference, "difference", ".1e"),
        )

    def _table(self) -> Table | None:
        return super()._table() if self.compared else None

    def _headline(self) -> str:
        return self.sentence


def crosscheck(curve: StabilityCurve | TimeErrorCurve, record: Record) -> Crosscheck:
    """Return a curve beside its recomputation by allantools, and the largest relative difference.

    Parameters
    ----------
    curve
        Made by :func:`evenbeat.stability` or :func:`evenbeat.time_interval_error` from ``record``.
    record
        The record the curve was made from.

    Returns
    -------
    Crosscheck
        ``compared`` is 0, and the sentence says why, where no comparison is possible.

    Raises
    ------
    InputError
        If the curve was not made from a record with this sampling interval, or is something else.

    Notes
    -----
    allantools is given phase in seconds less the line through its ends (its modified Allan deviation
    loses digits to a large slope; none of its deviations depends on one), the slope kept for MTIE, and
    explicit averaging times; what it does not return (single-term points) is not compared. Its error
    columns are not used. Of the total family and of Théo1 the values before bias removal are compared; where
    its definition differs, the finding says how.

    References
    ----------
    Formula: |ours / theirs − 1|
    Source: allantools, an independent library
    Tests: tests/test_second_opinion.py

    Examples
    --------
    >>> import evenbeat as eb
    >>> record = eb.simulate_clock(500, interval_s=1, levels=eb.NoiseLevels(white_fm=1e-22), seed=1)
    >>> eb.crosscheck(eb.stability(record), record).agrees
    True
    """
    import numpy as np

    from evenbeat.deviations.curve import StabilityCurve
    from evenbeat.deviations.time_error import TimeErrorCurve

    check_record(record, grid_for="crosscheck")
    if not isinstance(curve, StabilityCurve | TimeErrorCurve):
        what = type(curve).__name__  # type: ignore[unreachable]
        msg = f"crosscheck was given a {what}; give a curve of stability or time_interval_error"
        raise InputError(msg)
    if not math.isclose(curve.interval_s, record.interval_s, rel_tol=1e-12):
        msg = (
            f"the curve was made from samples every {curve.interval_s:g} s but the record has one every "
            f"{record.interval_s:g} s; give the record the curve was made from"
        )
        raise InputError(msg)
    ours = _comparable(curve, record)
    phase, obstacle = _phase_for_comparison(curve.statistic, record)
    theirs = np.full(len(ours), np.nan)
    if not obstacle:
        theirs = _theirs(curve.statistic, phase, curve.averaging_factor)
        theirs = theirs * record.interval_s ** (0 if curve.statistic in _IN_SECONDS else -1)
    with np.errstate(divide="ignore", invalid="ignore"):
        difference = np.where(ours == theirs, 0.0, np.abs(ours / theirs - 1))
    compared = int(np.count_nonzero(np.isfinite(difference)))
    largest = float(np.nanmax(difference)) if compared else math.nan
    finding = _outcome(curve.statistic, obstacle, compared, len(ours), largest)
    return Crosscheck(
        statistic=curve.statistic,
        averaging_factor=curve.averaging_factor,
        averaging_time_s=curve.averaging_time_s,
        ours=ours,
        theirs=theirs,
        relative_difference=difference,
        compared=compared,
        largest_relative_difference=largest,
        sentence=finding.sentence,
        findings=(finding,),
    )


def _comparable(curve: StabilityCurve | TimeErrorCurve, record: Record) -> FloatArray:
    """Return our values, those of the total family and of Théo1 with the bias put back."""
    import numpy as np

    from evenbeat.deviations.curve import StabilityCurve
    from evenbeat.deviations.estimators import stability

    if not isinstance(curve, StabilityCurve):
        return np.asarray(curve.time_error_s)
    removed = [f.values["bias"] for f in curve.findings if f.code == "BIAS_REMOVED"]
    if curve.statistic not in _BIASED or not removed:
        return np.asarray(curve.deviation)
    factors = curve.averaging_factor.tolist()
    raw = stability(record, curve.statistic, averaging=factors, bias="none").deviation
    way: Bias = "published" if removed[0] == "published" else "exact"
    corrected = stability(record, curve.statistic, averaging=factors, bias=way).deviation
    return np.asarray(curve.deviation * (raw / corrected))


def _phase_for_comparison(statistic: str, record: Record) -> tuple[FloatArray, str]:
    """Return phase in seconds, or an empty array and why there can be no comparison."""
    import numpy as np

    nothing = np.empty(0)
    if statistic not in _FUNCTIONS:
        return nothing, "allantools has no such statistic that can be relied on"
    values = np.asarray(record.usable_values(without_steps=statistic != "mtie"), dtype=float)
    if np.isnan(values).any():
        return nothing, "the record has gaps or excluded samples, which allantools cannot take"
    if record.kind == "frequency":
        offset = 0.0 if statistic == "mtie" else float(values.mean())
        values = np.concatenate([[0.0], np.cumsum((values - offset) * record.interval_s)])
    elif statistic == "mtie":
        values = values + record.removed_frequency * record.elapsed_s
    if statistic == "mtie":
        if len(values) > LONGEST_MTIE:
            return nothing, f"allantools takes minutes for the MTIE of more than {LONGEST_MTIE} samples"
        return np.ascontiguousarray(values), ""
    if statistic in _LOOPS and len(values) > LONGEST_LOOP:
        return nothing, f"allantools takes minutes for this statistic of more than {LONGEST_LOOP} samples"
    line = values[0] + (values[-1] - values[0]) / (len(values) - 1) * np.arange(len(values))
    return np.ascontiguousarray(values - line), ""


def _theirs(statistic: str, phase: FloatArray, factors: IntArray) -> FloatArray:
    """Return allantools' values at the factors, at an interval of one second; NaN where it gives none."""
    import numpy as np

    if statistic == "parabolic":
        first = _returned("oadev", phase, factors[factors == 1])  # at factor 1 it uses all samples
        return np.concatenate([first, _returned("pdev", np.append(phase, 0.0), factors[factors > 1])])
    return _returned(_FUNCTIONS[statistic], phase, factors)


def _returned(name: str, phase: FloatArray, factors: IntArray) -> FloatArray:
    import allantools
    import numpy as np

    values = np.full(len(factors), np.nan)
    if len(factors) == 0:
        return values
    function = getattr(allantools, name)
    with contextlib.redirect_stdout(io.StringIO()), contextlib.suppress(UserWarning):
        times, deviations, _, _ = function(phase, rate=1.0, data_type="phase", taus=factors.astype(float))
        returned = {round(time): value for time, value in zip(times, deviations, strict=True)}
        values = np.array([returned.get(int(factor), math.nan) for factor in factors])
    return values


def _outcome(statistic: str, obstacle: str, compared: int, points: int, largest: float) -> Finding:
    from evenbeat.deviations.statistics import STATISTICS

    known = STATISTICS.get(statistic)
    name = known.title if known else statistic.upper()  # MTIE
    if compared == 0:
        reason = obstacle or "allantools returns no point with more than one term"
        sentence = f"The {name} was not compared with allantools: {reason}."
        return note("CROSSCHECK_NOT_POSSIBLE", sentence)
    share = f"{compared} of {points} points"
    remark = f" {_DIFFERENCES[statistic]}" if statistic in _DIFFERENCES else ""
    values: dict[str, float | int | str] = {"compared": compared, "largest_relative_difference": largest}
    if largest <= AGREEMENT:
        sentence = f"allantools agrees with the {name} within {largest:.1e} ({share} compared).{remark}"
        return good("CROSSCHECK_AGREES", sentence, **values)
    sentence = f"allantools differs from the {name} by up to {largest:.1e} ({share} compared).{remark}"
    return caution("CROSSCHECK_DIFFERS", sentence, **values)
