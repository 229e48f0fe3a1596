"""Dead time between gates: what it does to the two-sample variance, and taking it out again.

A counter that measures for ``gate_s`` and is silent until the next reading after ``interval_s`` gives
readings with ratio r = interval/gate above one. Their mean over M neighbours then has its dead time spread
between the gates. B2 is the ratio of the two-sample variance with dead time to that without (Barnes, NBS
Technical Note 375, 1969), B3 that of spread to lumped dead time (Barnes and Allan, NIST Technical Note
1318, 1990). Both are written in μ, the exponent of the Allan variance ``σ_y²(τ) ∝ τ^μ``.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from evenbeat.deviations.averaging import IntArray
from evenbeat.errors import InputError
from evenbeat.findings import Finding, caution, note
from evenbeat.intake import check_positive, whole_factor
from evenbeat.quantities import FloatArray
from evenbeat.record import Record
from evenbeat.units import counted, duration_text

CORRECTABLE = {0: -1.0, -1: 0.0, -2: 1.0}
"""Exponent α of the noises that are corrected, and μ of their Allan variance."""
TWO_SAMPLE = ("allan", "overlapping_allan")


def dead_time_bias(ratio: float, mu: float) -> float:
    """Return B2(r, μ), the two-sample variance with dead time over that without.

    Parameters
    ----------
    ratio
        r, spacing of the gate starts divided by the length of the gate; positive, 1 without dead time.
    mu
        Exponent of the Allan variance, from -2 (phase noises) to 2 (drift).

    Raises
    ------
    InputError
        If the ratio is not positive or μ lies outside -2 to 2.

    Notes
    -----
    Barnes, NBS Technical Note 375 (1969). At μ = -2 the value is that of white PM with a bandwidth far
    above 1/gate: 2/3 wherever the gates neither touch nor coincide. Below r = 1 the gates overlap.
    """
    check_positive(ratio, "ratio", optional=False)
    _check_mu(mu)
    if mu == -2:
        return 1.0 if ratio == 1 else 2 / 3
    bracket = float(_bracket(np.array([ratio]), mu)[0])
    if mu == 0:
        return -bracket / (4 * math.log(2))
    return (1 + bracket / 2) / (2 * (1 - 2**mu))


def distributed_dead_time_bias(averages: int, ratio: float, mu: float) -> float:
    """Return B3(2, M, r, μ), the two-sample variance with spread dead time over that with lumped dead time.

    Parameters
    ----------
    averages
        M, number of readings in each of the two means.
    ratio, mu
        As for :func:`dead_time_bias`.

    Raises
    ------
    InputError
        If M is not a positive whole number, the ratio is below 1, or μ lies outside -2 to 2.

    Notes
    -----
    Barnes and Allan, NIST Technical Note 1318 (1990), equation 7. The exact variance of two means of M
    readings with dead time is B2(r, μ) B3(2, M, r, μ) times the Allan variance at M times the gate. At
    μ = -2 (white PM) the M pairs of ends are independent and B3 is M where r is above 1.
    """
    count = whole_factor(averages)
    _check_mu(mu)
    if not (ratio >= 1 and math.isfinite(ratio)):
        msg = f"ratio is {ratio}; the interval is at least as long as the gate, so that it must be 1 or more"
        raise InputError(msg)
    if count == 1 or ratio == 1:
        return 1.0
    if mu == -2:
        return float(count)
    one = 0.0 if mu == 0 else 1.0  # at mu = 0 all is zero, and the derivatives by mu take its place
    n = np.arange(1, count, dtype=float)
    spread = (
        2 * _bracket(n * ratio, mu) - _bracket((count + n) * ratio, mu) - _bracket((count - n) * ratio, mu)
    )
    first, whole = _bracket(np.array([ratio, count * ratio]), mu)
    total = 2 * count * one + count * whole - np.sum((count - n) * spread)
    return float(total / (count ** (mu + 2) * (first + 2 * one)))


def dead_time_correction(
    record: Record | None, factors: IntArray, exponents: FloatArray, names: Sequence[str]
) -> tuple[FloatArray, tuple[Finding, ...]]:
    """Return what the variances of a record are divided by, NaN where unknown, and what is said of it.

    Raises
    ------
    InputError
        If the record has no dead time.
    """
    gate = None if record is None or record.kind != "frequency" else record.gate_s
    if record is None or gate is None or gate >= record.interval_s * (1 - 1e-9):
        msg = (
            "the record of the curve has no dead time; it must be of frequencies with gate_s shorter than "
            "interval_s"
        )
        raise InputError(msg)
    ratio = record.interval_s / gate
    points = zip(factors, exponents, strict=True)
    bias = np.array([_total_bias(factor, ratio, exponent) for factor, exponent in points])
    return bias, _remarks(record.interval_s, gate, bias, names)


def _total_bias(factor: int, ratio: float, exponent: float) -> float:
    """Return the variance as measured over the Allan variance at the elapsed time; NaN if unknown."""
    mu = CORRECTABLE.get(round(exponent)) if math.isfinite(exponent) else None
    if mu is None:
        return math.nan
    return dead_time_bias(ratio, mu) * distributed_dead_time_bias(int(factor), ratio, mu) * ratio**-mu


def _remarks(interval_s: float, gate_s: float, bias: FloatArray, told: Sequence[str]) -> tuple[Finding, ...]:
    done = np.isfinite(bias)
    found = []
    if done.any():
        factors = np.sqrt(bias[done])
        sentence = (
            f"Dead time was taken out at {counted(done.sum(), 'averaging time')}: gates of "
            f"{duration_text(gate_s)} every {duration_text(interval_s)} make the deviation "
            f"{factors.min():.3g} to {factors.max():.3g} times that without dead time for the noise "
            "identified there (B2 and B3). White PM cannot be told from white FM in such readings; where it "
            "is present the corrected values are still too large."
        )
        found.append(
            note(
                "DEAD_TIME_CORRECTED",
                sentence,
                gate_s=gate_s,
                interval_s=interval_s,
                ratio=interval_s / gate_s,
                smallest_bias=float(factors.min()),
                largest_bias=float(factors.max()),
            )
        )
    if not done.all():
        names = sorted({name or "not told" for name, known in zip(told, done, strict=True) if not known})
        sentence = (
            f"At {counted((~done).sum(), 'averaging time')} the noise ({', '.join(names)}) has no usable "
            "bias function, and the deviation was left as it is."
        )
        found.append(caution("DEAD_TIME_NOT_CORRECTED", sentence, averaging_times=int((~done).sum())))
    return tuple(found)


def _check_mu(mu: float) -> None:
    if not -2 <= mu <= 2:
        msg = f"mu is {mu}; the exponent of the Allan variance lies from -2 to 2"
        raise InputError(msg)


def _bracket(values: FloatArray, mu: float) -> FloatArray:
    """Return F(A) = 2 A^(μ+2) - (A+1)^(μ+2) - |A-1|^(μ+2); at μ = 0 its derivative by μ."""
    below = np.abs(values - 1)
    if mu != 0:
        power = mu + 2
        return np.asarray(2 * values**power - (values + 1) ** power - below**power)
    near = below**2 * np.log(np.where(below > 0, below, 1.0))
    return np.asarray(2 * values**2 * np.log(values) - (values + 1) ** 2 * np.log(values + 1) - near)
