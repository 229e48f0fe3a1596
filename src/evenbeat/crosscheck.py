"""A second opinion: recomputes a curve with allantools, an independent library.

The only file that imports allantools. At import it loads nothing heavy, because ``evenbeat`` loads it at
once (see ``evenbeat/__init__.py``).
"""

from __future__ import annotations

import contextlib
import io
import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from evenbeat.errors import InputError
from evenbeat.findings import Finding
from evenbeat.printing import Printed, Table

if TYPE_CHECKING:
    import pandas as pd

    from evenbeat.quantities import FloatArray
    from evenbeat.record import Record
    from evenbeat.stability.averaging import IntArray
    from evenbeat.stability.curve import StabilityCurve
    from evenbeat.stability.time_error import TimeErrorCurve

AGREEMENT = 1e-9
"""Relative difference below which two computations of one statistic count as the same number."""
LONGEST_MTIE = 100_000
_FUNCTIONS = {
    "allan": "adev",
    "overlapping_allan": "oadev",
    "modified_allan": "mdev",
    "time": "tdev",
    "hadamard": "hdev",
    "overlapping_hadamard": "ohdev",
    "mtie": "mtie",
}


@dataclass(frozen=True, eq=False, kw_only=True, repr=False)
class Crosscheck(Printed):
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
    findings: tuple[Finding, ...]

    @property
    def agrees(self) -> bool:
        """Whether something was compared and all of it is the same number."""
        return self.compared > 0 and self.largest_relative_difference <= AGREEMENT

    def to_frame(self) -> pd.DataFrame:
        """Return a table with one row per averaging time."""
        import pandas as pd

        return pd.DataFrame(self._columns())

    def to_dict(self) -> dict[str, object]:
        """Return plain values, ready for JSON; what is not known is ``None``."""
        largest = self.largest_relative_difference
        columns = {
            name: [None if isinstance(value, float) and math.isnan(value) else value for value in column]
            for name, column in self._columns().items()
        }
        return {
            "statistic": self.statistic,
            "compared": self.compared,
            "largest_relative_difference": None if math.isnan(largest) else largest,
            "agrees": self.agrees,
            "sentence": self.sentence,
            **columns,
            "findings": [finding.to_dict() for finding in self.findings],
        }

    def _columns(self) -> dict[str, list[Any]]:
        return {
            "averaging_time_s": self.averaging_time_s.tolist(),
            "averaging_factor": self.averaging_factor.tolist(),
            "ours": self.ours.tolist(),
            "theirs": self.theirs.tolist(),
            "relative_difference": self.relative_difference.tolist(),
        }

    def _headline(self) -> str:
        return self.sentence

    def _table(self) -> Table | None:
        if self.compared == 0:
            return None
        rows = tuple(
            (f"{tau:.6g}", f"{ours:.8e}", f"{theirs:.8e}", f"{difference:.1e}")
            for tau, ours, theirs, difference in zip(
                self.averaging_time_s, self.ours, self.theirs, self.relative_difference, strict=True
            )
        )
        return Table(columns=("τ / s", "evenbeat", "allantools", "difference"), rows=rows)


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
        If the curve was not made from a record with this sampling interval.

    Notes
    -----
    allantools is given phase in seconds less the line through its ends (its modified Allan deviation
    loses digits to a large slope; none of its deviations depends on one), the slope kept for MTIE, and
    explicit averaging times; what it does not return (single-term points) is not compared. Its error
    columns are not used.
    """
    import numpy as np

    if not math.isclose(curve.interval_s, record.interval_s, rel_tol=1e-12):
        msg = (
            f"the curve was made from samples every {curve.interval_s:g} s but the record has one every "
            f"{record.interval_s:g} s; give the record the curve was made from"
        )
        raise InputError(msg)
    ours = np.asarray(curve.time_error_s if hasattr(curve, "time_error_s") else curve.deviation)
    phase, obstacle = _phase_for_comparison(curve.statistic, record)
    theirs = np.full(len(ours), np.nan)
    if not obstacle:
        in_seconds = curve.statistic in {"time", "mtie"}
        theirs = _theirs(curve.statistic, phase, curve.averaging_factor)
        theirs = theirs if in_seconds else theirs / record.interval_s
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
    line = values[0] + (values[-1] - values[0]) / (len(values) - 1) * np.arange(len(values))
    return np.ascontiguousarray(values - line), ""


def _theirs(statistic: str, phase: FloatArray, factors: IntArray) -> FloatArray:
    """Return allantools' values at the factors, at an interval of one second; NaN where it gives none."""
    import allantools
    import numpy as np

    values = np.full(len(factors), np.nan)
    function = getattr(allantools, _FUNCTIONS[statistic])
    with contextlib.redirect_stdout(io.StringIO()), contextlib.suppress(UserWarning):
        times, deviations, _, _ = function(phase, rate=1.0, data_type="phase", taus=factors.astype(float))
        returned = {round(time): value for time, value in zip(times, deviations, strict=True)}
        values = np.array([returned.get(int(factor), math.nan) for factor in factors])
    return values


def _outcome(statistic: str, obstacle: str, compared: int, points: int, largest: float) -> Finding:
    name = statistic.replace("_", " ")
    if compared == 0:
        reason = obstacle or "allantools returns no point with more than one term"
        sentence = f"The {name} curve was not compared with allantools: {reason}."
        return Finding(code="CROSSCHECK_NOT_POSSIBLE", severity="note", sentence=sentence)
    share = f"{compared} of {points} points"
    values: dict[str, float | int | str] = {"compared": compared, "largest_relative_difference": largest}
    if largest <= AGREEMENT:
        sentence = f"allantools agrees with the {name} curve within {largest:.1e} ({share} compared)."
        return Finding(code="CROSSCHECK_AGREES", severity="good", sentence=sentence, values=values)
    sentence = f"allantools differs from the {name} curve by up to {largest:.1e} ({share} compared)."
    return Finding(code="CROSSCHECK_DIFFERS", severity="caution", sentence=sentence, values=values)
