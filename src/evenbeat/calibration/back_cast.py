"""Found out of tolerance: when did it leave, which results are touched, and what has to be done.

Between the last known-good value and the one found, the offset is a random walk with drift that is held at
both ends: a Brownian bridge about the course of the drift. When it crossed its limit is a distribution, not a
day; a straight line gives one day (found at 1.3e-7 after 365 days from zero, limit 1e-7: day 280.8), a pure
walk could have crossed anywhere.

Sources: duties after a finding out of tolerance, ISO/IEC 17025:2017 (equipment; nonconforming work); a random
walk held at both ends is a Gaussian bridge (textbook).
"""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING, Literal, NamedTuple

import numpy as np
from scipy import special

from evenbeat.calibration.history import CalibrationHistory
from evenbeat.calibration.history_model import fit_history
from evenbeat.calibration.interval import checked_date
from evenbeat.calibration.tolerance import Tolerance, ToleranceLike
from evenbeat.clock.forecaster import (
    PATHS,
    Forecaster,
    LastInterval,
    Paths,
    checked_forecaster,
    moments,
    root_of,
    staying,
)
from evenbeat.errors import InputError
from evenbeat.findings import Finding, caution, merged, note, stop
from evenbeat.plain import UNLISTED, Plain, declared
from evenbeat.quantities import DEFAULT_CONFIDENCE, Estimate, FloatArray, number_text
from evenbeat.result import UNKNOWN, Column, Result, Table
from evenbeat.tables import Field, Row, read_table
from evenbeat.units import SECONDS_PER_DAY, duration_text, percent

if TYPE_CHECKING:
    import pandas as pd

Affected = Literal["affected", "possibly", "not affected"]
SURELY, SURELY_NOT = 0.95, 0.05
FIELDS = (
    Field(name="date"),
    Field(name="elapsed_days", unit="d"),
    Field(name="tolerance", unit="1"),
    Field(name="lower", unit="1"),
    Field(name="upper", unit="1"),
    Field(name="deviation", unit="1"),
    Field(name="name", also=("result",)),
)


@dataclass(frozen=True, kw_only=True)
class DatedResult:
    """One result obtained with the instrument.

    Attributes
    ----------
    elapsed_s
        Since the last known-good value.
    tolerance
        Limits of the error that this result could bear, as a fractional frequency.
    deviation
        Fractional deviation from nominal that was reported; the error of the timebase comes on top. Zero
        where only the error itself is to be judged.
    name
        For the list.
    when
        As the table said it.
    """

    elapsed_s: float
    tolerance: Tolerance = field(metadata=UNLISTED)
    deviation: float = 0.0
    name: str = ""
    when: str = ""


@dataclass(frozen=True, kw_only=True)
class AffectedResult(Plain):
    """What is to be said of one result.

    ``affected`` where its corrected deviation lies outside of its own tolerance with 95 % or more, ``not
    affected`` up to 5 %, ``possibly`` in between; for a result that was reported out, that it would be within
    counts.
    """

    result: DatedResult = field(metadata=UNLISTED)
    probability_outside: float
    affected: Affected

    def _facts(self) -> Mapping[str, object]:
        return {**declared(self.result), **declared(self.result.tolerance), **super()._facts()}


def _result(row: Row, *, start: dt.date | None, until_s: float) -> DatedResult:
    elapsed, when = row.number_in("elapsed_days"), f"day {row.number_in('elapsed_days') / SECONDS_PER_DAY:g}"
    if math.isnan(elapsed):
        if not row.given("date"):
            msg = "no date; give date, or elapsed_days since the last known-good value"
            raise row.error(msg)
        if start is None:
            msg = "a date is given, but not that of the last known-good value; state start"
            raise row.error(msg)
        elapsed = (row.moment() - dt.datetime.combine(start, dt.time())).total_seconds()
        when = row.text("date")
    if not 0 <= elapsed <= until_s:
        msg = (
            f"{when} is not between the last known-good value and the finding "
            f"({until_s / SECONDS_PER_DAY:.6g} days later)"
        )
        raise row.error(msg)
    pair = (row.number_in("lower"), row.number_in("upper"))
    limits = row.limits("tolerance") if any(map(math.isnan, pair)) else pair
    if limits is None:
        msg = "no tolerance; give tolerance, or lower and upper"
        raise row.error(msg)
    deviation = row.number_in("deviation")
    try:
        return DatedResult(
            elapsed_s=elapsed,
            tolerance=Tolerance.of(limits),
            deviation=0.0 if math.isnan(deviation) else deviation,
            name=row.text("name") if row.given("name") else "",
            when=when,
        )
    except InputError as error:
        raise row.error(error) from error


CLOSER = 96


class Bridge(NamedTuple):
    """Courses conditioned on what was found, at times of shape (m,).

    ``mean`` and ``deviation`` are of each course's offset, given its drift and both ends, (n, m); beside them
    one course each. ``weight``, (n,), is how well its drift agrees with what was found.
    """

    times: FloatArray
    mean: FloatArray
    deviation: FloatArray
    drawn_courses: FloatArray
    weight: FloatArray
    diffusion: FloatArray

    @classmethod
    def drawn(
        cls,
        groups: Iterator[Paths],
        found: Estimate,
        times: FloatArray,
        generator: np.random.Generator,
        *,
        seen: bool = False,
    ) -> Bridge:
        """Return conditioned courses from free ones, ``found`` being the offset at the last of the times.

        ``seen``: whether the courses' drift has been learnt from it already.
        """
        parts: list[tuple[FloatArray, ...]] = []
        known = found.standard_uncertainty**2
        for group in groups:
            cross = group.covariance[:, -1]
            growth = group.growth[:, np.newaxis]
            spread = growth[:, 0] * cross[-1] + known
            gain = growth * cross / np.maximum(spread, np.finfo(float).tiny)[:, np.newaxis]
            miss = found.value - group.mean[:, -1]
            mean = group.mean + gain * miss[:, np.newaxis]
            variance = growth * (np.diag(group.covariance) - gain * cross)
            free = np.sqrt(growth) * (generator.standard_normal(mean.shape) @ root_of(group.covariance).T)
            noise = math.sqrt(known) * generator.standard_normal(len(mean))
            course = mean + free + gain * (noise - free[:, -1])[:, np.newaxis]
            logs = np.zeros(len(mean)) if seen else -0.5 * (np.log(spread) + miss**2 / spread)
            parts.append((mean, np.sqrt(np.maximum(variance, 0.0)), course, logs, group.diffusion))
        mean, deviation, course, logs, diffusion = (
            np.concatenate(column) for column in zip(*parts, strict=True)
        )
        return cls(times, mean, deviation, course, special.softmax(logs), diffusion)

    def probability_between(self, low: float, high: float, at: int) -> float:
        """Return the probability of an offset between two limits at one of the times."""
        deviation = np.maximum(self.deviation[:, at], 1e-300)
        with np.errstate(over="ignore"):
            upper = special.ndtr((high - self.mean[:, at]) / deviation)
            lower = special.ndtr((low - self.mean[:, at]) / deviation)
        return float(self.weight @ (upper - lower))

    def judged(self, one: DatedResult) -> AffectedResult:
        """Return what is to be said of a result obtained at one of the times.

        A counter whose timebase is fast by y reads low by y: the deviation that should have been reported is
        the reported one plus y.
        """
        at = int(np.argmin(np.abs(self.times - one.elapsed_s)))
        limits, reported = one.tolerance, one.deviation
        inside = self.probability_between(limits.lower - reported, limits.upper - reported, at)
        outside = min(max(1 - inside, 0.0), 1.0)
        changed = outside if limits.holds(reported) else inside
        sure: Affected = "affected" if changed >= SURELY else "not affected"
        affected: Affected = "possibly" if SURELY_NOT < changed < SURELY else sure
        return AffectedResult(result=one, probability_outside=outside, affected=affected)

    def out(self, limits: Tolerance) -> FloatArray:
        """Return the probability of being out at each time, shape (m,)."""
        inside = [self.probability_between(limits.lower, limits.upper, i) for i in range(len(self.times))]
        return np.clip(1 - np.array(inside), 0.0, 1.0)

    def left_by(self, limits: Tolerance) -> FloatArray:
        """Return the probability of having left by each time, shape (m,)."""
        stayed = staying(self.drawn_courses, self.times, (limits.lower, limits.upper), self.diffusion)
        return np.asarray(np.clip(1 - self.weight @ stayed, 0.0, 1.0))

    def crossing(self, left: FloatArray) -> tuple[float, float, float]:
        """Return 2.5, 50 and 97.5 % quantiles of the time of leaving, given that it left."""
        if left[-1] < 0.5:
            return math.nan, math.nan, math.nan
        share, first = left / left[-1], np.argmax(left > 0)
        share = np.maximum.accumulate(share)
        steps = np.unique(share[max(int(first) - 1, 0) :], return_index=True)
        times = self.times[max(int(first) - 1, 0) :][steps[1]]
        low, middle, high = np.interp([0.025, 0.5, 0.975], steps[0], times)
        return float(low), float(middle), float(high)

    def quantile(self, probability: float) -> FloatArray:
        """Return the weighted quantile of the courses at each time, shape (m,)."""
        order = np.argsort(self.drawn_courses, axis=0)
        values = np.take_along_axis(self.drawn_courses, order, axis=0)
        share = np.cumsum(self.weight[order], axis=0)
        at = np.argmax(share >= probability, axis=0)
        return np.asarray(np.take_along_axis(values, at[np.newaxis], axis=0)[0])


def around_crossing(times: FloatArray, left: FloatArray) -> FloatArray:
    """Return moments over the time in which most of the leaving happens; none if it hardly left."""
    if left[-1] < 0.5:
        return np.empty(0)
    share = left / left[-1]
    first = max(int(np.argmax(share > 0.01)) - 1, 0)
    last = min(int(np.argmax(share > 0.99)) + 1, len(times) - 1)
    return np.linspace(times[first], times[last], CLOSER)


ADVICE = (
    "Take the instrument out of use, label it and protect it against use.",
    "Repeat the measurement that found it out, if you can with another reference; do not adjust before.",
    "Tell the owner and those who rely on its results; your own procedure says who and how fast.",
    "Compare the likely error with the tolerance of every result since; decide on recall.",
    "Find the cause (shock, power off and on, supply, temperature, reference, an adjustment not noted).",
    "Calibrate more often, or check in between, until new history supports a longer interval.",
    "Record the finding, its assessment, decisions and who made them.",
)
"""What to do after an instrument was found out of tolerance; common practice under ISO/IEC 17025:2017."""


@dataclass(frozen=True, eq=False, kw_only=True, repr=False)
class BackCast(Result):
    """When an offset left its tolerance, made by :func:`evenbeat.back_cast`.

    Attributes
    ----------
    as_left, as_found
        Last known-good value and the one found, ``elapsed_to_found_s`` later.
    linear_crossing_s
        Where a straight line between the two leaves the tolerance; NaN if it does not.
    elapsed_s
        Shape (m,): times since the last known-good value.
    low, high, middle
        Shape (m,): 95 % band and median of the offset, given both ends.
    out, left
        Shape (m,): probability of being out at that time, and of having left by then.
    crossing_s
        Median time of first leaving, with ``crossing_low_s`` and ``crossing_high_s`` (95 %), given that it
        left; NaN where it more likely did not.
    left_by_found
        Probability that it left the tolerance at all before it was found.
    results
        Dated results judged, in the order given.
    start
        Date of the last known-good value, where known.
    """

    tolerance: Tolerance
    as_left: Estimate
    as_found: Estimate
    elapsed_to_found_s: float
    linear_crossing_s: float
    elapsed_s: FloatArray
    low: FloatArray
    middle: FloatArray
    high: FloatArray
    out: FloatArray
    left: FloatArray
    crossing_low_s: float
    crossing_s: float
    crossing_high_s: float
    left_by_found: float
    results: tuple[AffectedResult, ...] = ()
    start: dt.date | None = None

    _also = ("advice",)

    @property
    def advice(self) -> tuple[str, ...]:
        """What to do now, in order."""
        return ADVICE

    def date_after(self, elapsed_s: float) -> str:
        """Return a time since the last known-good value as a date, or as days where there is none."""
        if self.start is None or not math.isfinite(elapsed_s):
            return f"day {elapsed_s / SECONDS_PER_DAY:.1f}" if math.isfinite(elapsed_s) else UNKNOWN
        return (self.start + dt.timedelta(seconds=elapsed_s)).isoformat()

    def _columns(self) -> tuple[Column, ...]:
        return (
            Column("elapsed_s", self.elapsed_s, "when", self.date_after),
            Column("low_95", self.low, "low 95 %", "+.3e"),
            Column("offset", self.middle, "offset", "+.3e"),
            Column("high_95", self.high, "high 95 %", "+.3e"),
            Column("probability_out", self.out, "P(out then)", "z.3f"),
            Column("probability_left", self.left, "P(left by then)", ".3f"),
        )

    def _shown_rows(self, count: int) -> Iterable[int]:
        evenly = np.linspace(0, self.elapsed_to_found_s, min(count, 12))
        return np.unique([int(np.argmin(np.abs(self.elapsed_s - time))) for time in evenly])

    def _table(self) -> Table | None:
        if not self.results:
            return super()._table()
        rows = tuple(
            (
                one.result.name or UNKNOWN,
                one.result.when or f"day {one.result.elapsed_s / SECONDS_PER_DAY:.1f}",
                str(one.result.tolerance),
                f"{one.probability_outside:.3f}",
                one.affected,
            )
            for one in self.results
        )
        return Table(columns=("result", "when", "tolerance", "P(outside)", "affected"), rows=rows)

    def results_frame(self) -> pd.DataFrame:
        """Return one row per dated result with what is to be said of it."""
        import pandas as pd

        return pd.DataFrame([result.to_dict() for result in self.results])

    def _headline(self) -> str:
        found = number_text(self.as_found.value, self.as_found.standard_uncertainty)
        if math.isnan(self.crossing_s):
            return (
                f"Found at {found}, tolerance {self.tolerance}: the probability of having left it since the "
                f"last known-good value is {percent(self.left_by_found, 1)}"
            )
        first, last = (self.date_after(t) for t in (self.crossing_low_s, self.crossing_high_s))
        return (
            f"Found at {found}: it left {self.tolerance} about {self.date_after(self.crossing_s)} "
            f"(95 %: {first} to {last})"
        )


def back_cast(
    source: CalibrationHistory | Forecaster,
    *,
    tolerance: ToleranceLike | Tolerance,
    as_left: Estimate | None = None,
    as_found: Estimate | None = None,
    elapsed_s: float | None = None,
    start: dt.date | str | None = None,
    results: pd.DataFrame | str | Path | tuple[DatedResult, ...] = (),
    date_order: str | None = None,
    oscillator_class: str | None = None,
    paths: int = PATHS,
    seed: int = 0,
) -> BackCast:
    """Say when an offset left its tolerance, given its last known-good value and what was found.

    Parameters
    ----------
    source
        A history or its model: the last two calibrations are the ends. Or what is known of drift and noise,
        with the ends stated: a clock model, a :class:`evenbeat.StatedDrift`.
    tolerance
        Of the instrument: ``1e-8`` for ±1e-8, or ``(-5e-9, 1e-8)``.
    as_left, as_found, elapsed_s
        Last known-good value, the one found, and the time between them; taken from a history if not stated.
    start
        ISO date of the last known-good value; taken from a history if not stated.
    results
        Dated results, of which it is said which are affected: a frame or file with the columns ``date`` (or
        ``elapsed_days`` since the last known-good value) and ``tolerance`` (fractional: ``1e-8`` for ±1e-8,
        or ``-5e-9:1e-8``; or ``lower`` and ``upper``), and, where known, ``deviation`` (fractional, as
        reported) and ``name``; or a tuple of :class:`DatedResult`.
    date_order
        ``day-first`` or ``month-first`` for dates of that table such as 03/04/2026, where none says so.
    oscillator_class
        Prior, where ``source`` is a history that has to be fitted first.
    paths, seed
        Simulated courses of the offset.

    Returns
    -------
    BackCast
        With the probable moment of leaving, its interval, and which results are affected.

    Raises
    ------
    InputError
        If an end is not known, the times do not fit, or a result lies outside of them.

    Notes
    -----
    Each simulated course has its own drift and noise and is conditioned on what was found
    (normal, exact); those whose drift makes the finding unlikely count less, unless the model has seen it
    already. Not valid where a step (shock, power) explains the finding: it could have come on any day.

    Examples
    --------
    >>> import evenbeat as eb
    >>> history = eb.CalibrationHistory.from_table(eb.demo_data("kittiwake-history.csv"))
    >>> eb.back_cast(history, tolerance=1e-8).crossing_s
    nan

    References
    ----------
    Formula: bridge of drift and random walk between last known-good and found value
    Source: ISO/IEC 17025:2017 (nonconforming work); Gaussian bridge (textbook)
    Tests: tests/calibration/test_back_cast.py
    """
    limits = Tolerance.of(tolerance)
    if isinstance(source, CalibrationHistory):
        source = fit_history(source, oscillator_class=oscillator_class, tolerance=limits)
    ends = _ends(checked_forecaster(source), as_left, as_found, elapsed_s, checked_date(start))
    dated: tuple[DatedResult, ...] = ()
    assumed: tuple[Finding, ...] = ()
    if isinstance(results, tuple | list):
        dated = tuple(results)
    else:
        read = read_table(results, FIELDS, what="table of results", date_order=date_order)
        dated = tuple(_result(row, start=ends.start, until_s=ends.elapsed_s) for row in read.rows)
        assumed = read.findings

    def held(times: FloatArray) -> Bridge:
        generator = np.random.default_rng(seed)
        free = ends.source.paths(times, paths, generator, as_left=ends.as_left)
        return Bridge.drawn(free, ends.as_found, times, generator, seen=ends.source is not source)

    given = np.array([one.elapsed_s for one in dated])
    around = np.append(0.0, moments(ends.elapsed_s / 1000, ends.elapsed_s))
    grid = np.unique(np.concatenate([around, given]))
    bridge = held(grid)
    closer = around_crossing(grid, bridge.left_by(limits))
    if len(closer):
        # once more with moments where it left
        grid = np.unique(np.concatenate([around[::2], [ends.elapsed_s], given, closer]))
        bridge = held(grid)
    left = bridge.left_by(limits)
    crossing = bridge.crossing(left)
    low, middle, high = (bridge.quantile(p) for p in (0.025, 0.5, 0.975))
    linear = linear_crossing(limits, ends.as_left.value, ends.as_found.value, ends.elapsed_s)
    return BackCast(
        tolerance=limits,
        as_left=ends.as_left,
        as_found=ends.as_found,
        elapsed_to_found_s=ends.elapsed_s,
        linear_crossing_s=linear,
        elapsed_s=grid,
        low=low,
        middle=middle,
        high=high,
        out=bridge.out(limits),
        left=left,
        crossing_low_s=crossing[0],
        crossing_s=crossing[1],
        crossing_high_s=crossing[2],
        left_by_found=float(left[-1]),
        results=tuple(bridge.judged(one) for one in dated),
        start=ends.start,
        findings=merged(
            _remarks(limits, ends, linear, float(left[-1])), assumed, getattr(source, "findings", ())
        ),
    )


def linear_crossing(limits: Tolerance, left: float, found: float, elapsed_s: float) -> float:
    """Return when a straight line from left to found leaves a tolerance: 0 if at once, NaN if it stays."""
    if not limits.holds(left):
        return 0.0
    if limits.holds(found):
        return math.nan
    limit = limits.upper if found > limits.upper else limits.lower
    return elapsed_s * (limit - left) / (found - left)


def _ends(
    source: Forecaster,
    as_left: Estimate | None,
    as_found: Estimate | None,
    elapsed_s: float | None,
    start: dt.date | None,
) -> LastInterval:
    """Return the interval in question: the last one of a history, unless its end is stated."""
    grounds = source.grounds
    if as_found is None and grounds.last_interval is not None:
        last = replace(grounds.last_interval, start=start or grounds.last_interval.start)
        last = last if as_left is None else replace(last, as_left=as_left)
        unknown = "as left" if math.isnan(last.as_left.value) else "as found"
        if math.isnan(last.as_left.value + last.as_found.value):
            msg = f"the last two calibrations have no value {unknown}; state as_left, as_found and elapsed_s"
            raise InputError(msg)
        return last
    as_left = as_left or grounds.as_left
    stated = {"as_left": as_left, "as_found": as_found, "elapsed_s": elapsed_s}
    if as_left is None or as_found is None or elapsed_s is None:
        missing = " and ".join(name for name, value in stated.items() if value is None)
        msg = f"{missing} must be stated: the last known-good value, the one found, and the time between them"
        raise InputError(msg)
    if not (elapsed_s > 0 and math.isfinite(elapsed_s)):
        msg = f"elapsed_s is {elapsed_s:g}; the time between both values must be positive"
        raise InputError(msg)
    begun = start or grounds.start
    return LastInterval(as_left=as_left, as_found=as_found, elapsed_s=elapsed_s, start=begun, source=source)


def _remarks(limits: Tolerance, ends: LastInterval, linear: float, left: float) -> Iterator[Finding]:
    chance = float(limits.probability(ends.as_found.distribution))
    if limits.holds(ends.as_found.value):
        sentence = (
            f"What was found is within {limits} (probability {percent(chance, 1)}): whether it left in "
            "between is a question of its random walk only."
        )
        yield note("FOUND_WITHIN", sentence)
    elif chance > 0.5 * (1 - DEFAULT_CONFIDENCE):
        sentence = (
            f"The value found may still be within {limits} (probability {percent(chance, 1)}): repeat the "
            "measurement with less uncertainty before anything else."
        )
        yield caution("FOUND_DOUBTFUL", sentence)
    if not limits.holds(ends.as_left.value):
        sentence = (
            "The last known-good value was out of tolerance already: go back to the calibration before it."
        )
        yield stop("START_OUT", sentence)
    elif math.isfinite(linear):
        sentence = (
            f"A straight line between both values leaves {limits} after {duration_text(linear)} "
            f"({linear / SECONDS_PER_DAY:.1f} d)."
        )
        yield note("LINEAR_CROSSING", sentence, linear_crossing_s=linear, left_by_found=left)
    if not limits.holds(ends.as_found.value):
        sentence = (
            "A step (shock, power off and on, a mistaken adjustment) could have come on any day since the "
            "last known-good value: if one is possible, every result since then is in question."
        )
        yield caution("STEP_POSSIBLE", sentence)
