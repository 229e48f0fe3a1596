"""Taking the known noise of a reference, or the floor of a measuring system, out of a stability curve."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np

from evenbeat.deviations.curve import StabilityCurve
from evenbeat.deviations.separation.separated_clocks import deviation_cell, deviation_of
from evenbeat.errors import InputError
from evenbeat.findings import Finding, merged
from evenbeat.quantities import DEFAULT_CONFIDENCE, FloatArray, checked_probability
from evenbeat.result import Column, Result

Known = StabilityCurve | Mapping[float, float]


@dataclass(frozen=True, eq=False, kw_only=True)
class Contribution:
    """A part of what was measured: its variance and limits of it.

    Attributes
    ----------
    name
        ``"reference"`` or ``"floor"``.
    variance, edf
        Shape (n,); ``edf`` is infinite where the deviation was given as a plain number.
    """

    name: str
    variance: FloatArray
    edf: FloatArray

    def limits(self, tail: float) -> tuple[FloatArray, FloatArray]:
        """Return the variances exceeded with probability 1 - tail and tail."""
        return self._limit(1 - tail), self._limit(tail)

    def _limit(self, probability: float) -> FloatArray:
        from scipy import special

        finite = np.where(np.isfinite(self.edf), self.edf, 1.0)
        ratio = finite / (2 * special.gammaincinv(0.5 * finite, probability))
        return self.variance * np.where(np.isfinite(self.edf), ratio, 1.0)


@dataclass(frozen=True, eq=False, kw_only=True, repr=False)
class CorrectedCurve(Result):
    """A stability curve less what the reference and the floor contribute; see :func:`without_reference`.

    Attributes
    ----------
    measured
        The curve as measured.
    contributions
        What was taken out.
    averaging_time_s
        Shape (n,).
    variance
        Shape (n,): signed; negative where chance made the measured variance the smaller one.
    """

    measured: StabilityCurve
    contributions: tuple[Contribution, ...]
    averaging_time_s: FloatArray
    variance: FloatArray

    @property
    def unit(self) -> str:
        """Unit of the deviation: ``""`` or ``"s"``."""
        return self.measured.unit

    @property
    def deviation(self) -> FloatArray:
        """Shape (n,): root of the positive variances, NaN for the others."""
        return deviation_of(self.variance)

    def variance_interval(self, confidence: float = DEFAULT_CONFIDENCE) -> tuple[FloatArray, FloatArray]:
        """Return the limits of the signed variance, equal probability outside on either side.

        Returns
        -------
        low, high
            Shape (n,).

        Raises
        ------
        InputError
            If the confidence does not lie between 0 and 1.

        Notes
        -----
        Limits of a sum recovered from those of its parts (Zou and Donner, Statistics in Medicine 27,
        2008; for variance components Burdick and Graybill 1992): the distances of the parts' limits add
        in quadrature. It is the chi-squared interval where the contributions are known exactly. Not
        valid where device, reference and floor are correlated.
        """
        return self._limits(0.5 * (1 - checked_probability(confidence, "confidence")))

    def _limits(self, tail: float) -> tuple[FloatArray, FloatArray]:
        own = Contribution(name="measured", variance=self.measured.deviation**2, edf=self.measured.edf)
        low, high = own.limits(tail)
        down, up = (own.variance - low) ** 2, (high - own.variance) ** 2
        for part in self.contributions:
            low, high = part.limits(tail)
            down, up = down + (high - part.variance) ** 2, up + (part.variance - low) ** 2
        return self.variance - np.sqrt(down), self.variance + np.sqrt(up)

    def upper_limit(self, confidence: float = DEFAULT_CONFIDENCE) -> FloatArray:
        """Return the deviation not exceeded with this probability, one-sided, shape (n,)."""
        return deviation_of(self._limits(1 - checked_probability(confidence, "confidence"))[1])

    def _facts(self) -> Mapping[str, object]:
        about = self.measured
        return {"statistic": about.statistic, "unit": self.unit, "record_name": about.record_name}

    def _columns(self) -> tuple[Column, ...]:
        (low, high), limit = self.variance_interval(), self.upper_limit()
        squared, plain = ("_s2", "_s") if self.unit == "s" else ("", "")
        taken_out = (
            Column(f"{part.name}{plain}", np.sqrt(part.variance), part.name, ".3e")
            for part in self.contributions
        )
        return (
            Column("averaging_time_s", self.averaging_time_s, "τ / s", ".6g"),
            Column(f"measured{plain}", self.measured.deviation, "measured", ".3e"),
            *taken_out,
            Column(f"variance{squared}", self.variance),
            Column(f"variance_low_95{squared}", low),
            Column(f"variance_high_95{squared}", high),
            Column(f"deviation{plain}", self.deviation),
            Column(f"deviation_upper_limit_95{plain}", limit),
            Column("", [*map(deviation_cell, self.variance, low, limit)], "device"),
            Column("", low, "95 % low", _root),
            Column("", high, "95 % high", _root),
        )

    def _headline(self) -> str:
        taken = " and ".join(part.name for part in self.contributions)
        return f"{self.measured.title}, {taken} taken out"


def without_reference(
    curve: StabilityCurve, reference: Known, *, floor: Known | None = None
) -> CorrectedCurve:
    """Return a stability curve less the variances of the reference and of the measuring system.

    Parameters
    ----------
    curve
        What was measured: device, reference and floor together.
    reference
        Curve of the reference by the same statistic at the same averaging times, or ``{averaging time in
        seconds: deviation}``, which counts as exact. More points than needed are no harm.
    floor
        Curve of the measuring system with the same signal at both inputs, or such a mapping.

    Returns
    -------
    CorrectedCurve
        Signed variances with intervals; an upper limit where the difference is not significant.

    Raises
    ------
    InputError
        If a statistic differs, or a point at one of the averaging times is missing: nothing is
        interpolated.

    Notes
    -----
    Variances of independent sources add. Not valid where the device follows the reference.

    References
    ----------
    Formula: σ² = σ²(measured) - σ²(reference) - σ²(floor)
    Source: NIST SP 1065 (2008); variances of independent clocks add
    Tests: tests/deviations/test_reference.py
    """
    parts = [_contribution(curve, reference, "reference")]
    if floor is not None:
        parts.append(_contribution(curve, floor, "floor"))
    variance = curve.deviation**2
    for part in parts:
        variance = variance - part.variance
    exact = tuple(
        name for name, known in (("reference", reference), ("floor", floor)) if isinstance(known, Mapping)
    )
    result = CorrectedCurve(
        measured=curve,
        contributions=tuple(parts),
        averaging_time_s=curve.averaging_time_s,
        variance=np.asarray(variance),
    )
    given = [known.findings for known in (reference, floor) if isinstance(known, StabilityCurve)]
    remarks = (*_about_exact(exact), *_about_significance(result))
    return replace(result, findings=merged(curve.findings, *given, remarks))


def _contribution(curve: StabilityCurve, known: Known, name: str) -> Contribution:
    if isinstance(known, StabilityCurve):
        if known.statistic != curve.statistic:
            msg = (
                f"the {name} is a curve of the {known.title} but the measurement of the {curve.title}; "
                "compute both by the same statistic"
            )
            raise InputError(msg)
        times, deviation, edf = known.averaging_time_s, known.deviation, known.edf
    else:
        times = np.array(list(known), dtype=float)
        deviation = np.array(list(known.values()), dtype=float)
        edf = np.full(len(times), math.inf)
        if not np.all((deviation >= 0) & np.isfinite(deviation)):
            msg = f"the {name} holds a deviation that is negative or not a number; give positive deviations"
            raise InputError(msg)
    chosen = [_position(times, float(tau), name) for tau in curve.averaging_time_s]
    return Contribution(name=name, variance=deviation[chosen] ** 2, edf=edf[chosen])


def _position(times: FloatArray, tau: float, name: str) -> int:
    position = int(np.argmin(np.abs(times - tau))) if len(times) else -1
    if position < 0 or not math.isclose(times[position], tau, rel_tol=1e-6):
        nearest = f"the nearest is at {times[position]:g} s" if position >= 0 else "it has no point at all"
        msg = (
            f"the {name} has no point at {tau:g} s, {nearest}; nothing is interpolated, so compute both "
            "curves at the same averaging times"
        )
        raise InputError(msg)
    return position


def _about_exact(names: tuple[str, ...]) -> tuple[Finding, ...]:
    if not names:
        return ()
    sentence = (
        f"The {' and the '.join(names)} given as plain numbers count{'s' if len(names) == 1 else ''} as "
        "exactly known; the intervals do not include their uncertainty."
    )
    return (Finding(code="TAKEN_AS_EXACT", severity="note", sentence=sentence),)


def _about_significance(result: CorrectedCurve) -> tuple[Finding, ...]:
    low, _ = result.variance_interval()
    unseen = int(np.count_nonzero(low <= 0))
    if unseen == 0:
        return ()
    sentence = (
        f"At {unseen} of {len(low)} averaging times the measured variance does not stand out from what the "
        "reference and the floor make: only an upper limit of the device's deviation is known there."
    )
    values = {"averaging_times": unseen}
    return (Finding(code="NOT_SIGNIFICANT", severity="caution", sentence=sentence, values=values),)


def _root(variance: float) -> str:
    return f"{math.sqrt(variance):.3e}" if variance > 0 else "0"
