"""Separating three clocks that were compared with each other at the same time.

With independent clocks the variance of a difference is the sum of two variances, so that three
differences give three clocks (Gray and Allan, 28th Frequency Control Symposium 1974). The covariance of
two differences that share one clock is that clock's variance alone, also where each counter adds noise
of its own (Groslambert, Fest, Olivier and Gagnepain, 35th Frequency Control Symposium 1981). Around the
loop A-B, B-C, C-A the shared clock enters with opposite signs: its variance is *minus* the covariance.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import replace
from typing import Literal

import numpy as np

from evenbeat.deviations.averaging import Averaging
from evenbeat.deviations.curve import StabilityCurve
from evenbeat.deviations.estimators import stability
from evenbeat.deviations.remarks import about_record
from evenbeat.deviations.separation.separated_clocks import PAIRS_OF_CLOCK, Method, SeparatedClocks
from evenbeat.deviations.statistics import DIFFERENCES, name_of
from evenbeat.errors import InputError
from evenbeat.findings import Finding, merged
from evenbeat.quantities import FloatArray
from evenbeat.record import Record, check_record
from evenbeat.units import duration_text

_ROLES = ("a_minus_b", "b_minus_c", "c_minus_a")
REVERSED_SHARE = 0.1


def separate_clocks(
    a_minus_b: Record,
    b_minus_c: Record,
    c_minus_a: Record,
    *,
    names: Sequence[str] = ("A", "B", "C"),
    statistic: str = "overlapping_allan",
    averaging: Averaging = "ten_per_decade",
    method: Method = "covariance",
    minimum_coverage: float = 1.0,
) -> SeparatedClocks:
    """Return the stability of each of three clocks from their three simultaneous differences.

    Parameters
    ----------
    a_minus_b, b_minus_c, c_minus_a
        Differences around the loop, of the same kind, spacing, length and start. A sample that is
        missing in one is left out of all three.
    names
        Of the clocks A, B and C.
    statistic
        A difference statistic of :func:`evenbeat.stability`.
    averaging, minimum_coverage
        As for :func:`evenbeat.stability`.
    method
        ``covariance`` rejects the noise of three independent counters; ``hat`` is biased by it.

    Returns
    -------
    SeparatedClocks
        Signed variances with intervals; upper limits where zero cannot be excluded.

    Raises
    ------
    InputError
        If the records do not belong together (both are named), or one runs the other way round.

    Notes
    -----
    Gray and Allan (1974); Groslambert et al. (1981). Not valid for clocks that are correlated, such as
    by a common temperature: their shared noise is invisible and may make variances negative.

    References
    ----------
    Formula: σ_A² = (σ_AB² + σ_AC² - σ_BC²)/2
    Source: Gray and Allan 1974 (three-cornered hat); Groslambert et al. 1981 (covariances)
    Tests: tests/deviations/test_hats.py
    """
    records = (a_minus_b, b_minus_c, c_minus_a)
    for record in records:
        check_record(record, grid_for="separate_clocks")
    labels = _checked_names(names)
    statistic = name_of(statistic)
    if statistic not in DIFFERENCES:
        msg = f"statistic is {statistic!r}; it must be one of {', '.join(DIFFERENCES)}"
        raise InputError(msg)
    if method not in ("covariance", "hat"):
        msg = f"method is {method!r}; it must be 'covariance' or 'hat'"
        raise InputError(msg)
    _check_together(records)
    values = _common_values(records)

    def curve_of(samples: FloatArray, like: Record) -> StabilityCurve:
        shown = replace(like, values=samples, flags=(), removed_frequency=0.0)
        return stability(shown, statistic, averaging=averaging, minimum_coverage=minimum_coverage)

    pairs = [curve_of(part, like) for part, like in zip(values, records, strict=True)]
    pair_variance = np.array([curve.deviation**2 for curve in pairs])
    sums = [curve_of(values[i] + values[j], records[i]) for i, j in PAIRS_OF_CLOCK]
    closure = curve_of(values[0] + values[1] + values[2], records[0]).deviation ** 2
    _check_directions(values, records[0], closure, pair_variance, curve_of)
    hat, covariance = _estimates(pair_variance, np.array([curve.deviation**2 for curve in sums]))
    edf = np.array([np.sqrt(pairs[i].edf * pairs[j].edf) for i, j in PAIRS_OF_CLOCK])
    first = pairs[0]
    result = SeparatedClocks(
        method=method,
        names=labels,
        statistic=statistic,
        title=first.title,
        symbol=first.symbol,
        unit=first.unit,
        interval_s=first.interval_s,
        averaging_factor=first.averaging_factor,
        averaging_time_s=first.averaging_time_s,
        variance=covariance if method == "covariance" else hat,
        hat_variance=hat,
        covariance_variance=covariance,
        pair_variance=pair_variance,
        closure_variance=closure,
        edf=edf,
    )
    found = merged(*(about_record(record) for record in records), *(curve.findings for curve in pairs))
    return replace(result, findings=(*found, *_remarks(result)))


def _checked_names(names: Sequence[str]) -> tuple[str, str, str]:
    if isinstance(names, str) or len(names) != 3 or len({str(name) for name in names}) != 3:
        msg = f"names is {names!r}; it must be three different names, of the clocks A, B and C"
        raise InputError(msg)
    return str(names[0]), str(names[1]), str(names[2])


def _check_together(records: tuple[Record, Record, Record]) -> None:
    """Refuse records of different kind, spacing, length or start, naming both."""
    first = records[0]
    for role, other in zip(_ROLES[1:], records[1:], strict=True):
        differences = (
            (first.kind != other.kind, "holds", first.kind, other.kind),
            (
                not math.isclose(first.interval_s, other.interval_s, rel_tol=1e-9),
                "has a spacing in seconds of",
                f"{first.interval_s:g}",
                f"{other.interval_s:g}",
            ),
            (len(first) != len(other), "has a number of samples of", str(len(first)), str(len(other))),
            (_starts_differ(first, other), "starts at", str(first.start), str(other.start)),
        )
        for differs, verb, here, there in differences:
            if differs:
                msg = (
                    f"{_ROLES[0]} {verb} {here} but {role} {verb} {there}; three simultaneous records of the "
                    "same kind, spacing, length and start are needed (record.between cuts them)"
                )
                raise InputError(msg)


def _starts_differ(first: Record, other: Record) -> bool:
    if first.start is None or other.start is None:
        return False
    apart = abs((first.start - other.start) / np.timedelta64(1, "ns")) * 1e-9
    return bool(apart > 0.01 * first.interval_s)


def _common_values(records: tuple[Record, Record, Record]) -> list[FloatArray]:
    """Return the samples with known steps subtracted; a sample missing in one is missing in all."""
    values = [np.array(record.usable_values(without_steps=True), dtype=float) for record in records]
    missing = np.isnan(values[0]) | np.isnan(values[1]) | np.isnan(values[2])
    if missing.all():
        msg = "a_minus_b, b_minus_c and c_minus_a have no sample at which none of the three is missing"
        raise InputError(msg)
    for column in values:
        column[missing] = np.nan
    return values


def _estimates(pairs: FloatArray, sums: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return the three-cornered hat and minus the covariances, both of shape (3, n)."""
    opposite = pairs[[1, 2, 0]]
    both = np.array([pairs[i] + pairs[j] for i, j in PAIRS_OF_CLOCK])
    return 0.5 * (both - opposite), 0.5 * (both - sums)


def _check_directions(
    values: list[FloatArray],
    like: Record,
    closure: FloatArray,
    pairs: FloatArray,
    curve_of: Callable[[FloatArray, Record], StabilityCurve],
) -> None:
    """Refuse a record that runs the other way round: turned, the loop would close."""
    share = _closure_share(closure, pairs)
    if not len(share) or not np.nanmedian(share) > 1:
        return
    for k, role in enumerate(_ROLES):
        turned = values[0] + values[1] + values[2] - 2 * values[k]
        closed = curve_of(turned, like).deviation ** 2
        if np.nansum(closed) < REVERSED_SHARE * np.nansum(closure):
            msg = (
                f"the differences do not close a loop, but would if {role} were turned round; "
                f"give the record of {role} with the opposite sign"
            )
            raise InputError(msg)


def _closure_share(closure: FloatArray, pairs: FloatArray) -> FloatArray:
    """Return the variance of the loop over that of a typical difference, where there is any."""
    typical = np.mean(pairs, axis=0)
    return np.asarray((closure[typical > 0]) / typical[typical > 0])


def _remarks(result: SeparatedClocks) -> tuple[Finding, ...]:
    low, high = result.variance_interval()
    found: list[Finding] = []
    for name, below, above in zip(result.names, low, high, strict=True):
        known = np.isfinite(below) & (result.pair_variance.min(axis=0) > 0)
        unseen, impossible = int(np.sum(known & (below <= 0) & (above > 0))), int(np.sum(above <= 0))
        if unseen:
            sentence = (
                f"{name} cannot be told from a perfect clock at {unseen} of {int(known.sum())} averaging "
                "times: only an upper limit of its deviation is known there."
            )
            found.append(_finding("CLOCK_NOT_SEEN", "note", sentence, averaging_times=unseen, clock=name))
        if impossible:
            sentence = (
                f"The variance of {name} is below zero at {impossible} averaging time(s) by more than "
                "chance explains: the clocks (or the counters) are not independent, or the records not "
                "simultaneous."
            )
            found.append(
                _finding("NOT_INDEPENDENT", "caution", sentence, averaging_times=impossible, clock=name)
            )
    return (*found, *_about_closure(result))


def _about_closure(result: SeparatedClocks) -> tuple[Finding, ...]:
    share = _closure_share(result.closure_variance, result.pair_variance)
    if not len(share) or np.max(share) < 1e-6:
        return ()
    worst = int(np.argmax(share))
    known = np.mean(result.pair_variance, axis=0) > 0
    tau = float(result.averaging_time_s[known][worst])
    amount = math.sqrt(float(share[worst]))
    rejected = (
        "the covariance rejects it where each counter has noise of its own"
        if result.method == "covariance"
        else "the three-cornered hat counts it as clock noise; method='covariance' would not"
    )
    sentence = (
        f"The three differences do not add up to zero: at {duration_text(tau)} their sum deviates by "
        f"{amount:.2g} times a typical difference, which is noise of the counters; {rejected}."
    )
    severity: Literal["note", "caution"] = "note" if result.method == "covariance" else "caution"
    return (_finding("COUNTER_NOISE", severity, sentence, averaging_time_s=tau, deviation_ratio=amount),)


def _finding(
    code: str, severity: Literal["note", "caution"], sentence: str, **values: float | int | str
) -> Finding:
    return Finding(code=code, severity=severity, sentence=sentence, values=values)
