"""StabilityCurve: a deviation at several averaging times, with what it rests on."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, fields, replace

import numpy as np
from scipy import special

from evenbeat.deviations.averaging import IntArray
from evenbeat.deviations.chi_squared_sums import ChiSquaredSums
from evenbeat.deviations.dead_time import TWO_SAMPLE, dead_time_correction
from evenbeat.deviations.noise_mixture import NoiseMixture
from evenbeat.errors import InputError
from evenbeat.findings import Finding, caution, good
from evenbeat.plain import UNLISTED
from evenbeat.powerlaw import NOISE_NAMES, NoiseLevels, simulate_clock
from evenbeat.quantities import DEFAULT_CONFIDENCE, FloatArray, checked_probability
from evenbeat.record import Record
from evenbeat.result import Column, Result
from evenbeat.units import counted, duration_text

_STEEP_NOISE_NAMES = {-3: "flicker-walk FM", -4: "random-run FM"}
FEWEST_PATHS = 20
BY_CHANCE = 0.01
"""Probability that intervals which hold what they say are called too short at any averaging time."""
OFTEN = 0.9
LIKELY = 0.5


@dataclass(frozen=True, kw_only=True)
class StabilityPoint:
    """One point of a curve.

    Attributes
    ----------
    averaging_time_s, averaging_factor
        Where.
    deviation, low, high
        The deviation and its limits, in the unit of the curve.
    terms, edf, noise_exponent, noise
        What it rests on; the noise by its name, empty where it could not be told.
    """

    averaging_time_s: float
    averaging_factor: int
    deviation: float
    low: float
    high: float
    terms: int
    edf: float
    noise_exponent: float
    noise: str


@dataclass(frozen=True, eq=False, kw_only=True, repr=False)
class StabilityCurve(Result):
    """A stability deviation against averaging time, made by :func:`evenbeat.stability`.

    Attributes
    ----------
    statistic, title, symbol
        ``"overlapping_allan"``, ``"overlapping Allan deviation"``, ``"σ_y(τ)"``.
    averaging_factor, averaging_time_s
        Shape (n,): whole number of samples, and seconds.
    deviation
        Shape (n,), in ``unit``; NaN where gaps leave no term.
    terms
        Shape (n,): number of squared differences in the mean.
    edf
        Shape (n,): equivalent degrees of freedom, at least 1; NaN where there is no term.
    noise_exponent
        Shape (n,): α of the noise that makes the largest part of the variance at this averaging time; NaN
        where none could be told.
    unit
        ``""`` for a fractional frequency, ``"s"`` for the time deviation.
    interval_s
        Spacing of the record's samples.
    distribution
        How each variance over its expectation is distributed; chi-squared with ``edf`` where not given.
    noise
        The mixture of noises that bias, degrees of freedom and intervals rest on; ``None`` where nothing
        varies.
    expected
        Shape (n,): the deviation that the five usual noises of the mixture make, at their mean levels.
    record, again
        What it was made from, and what makes the same curve of another record.
    record_name, record_sha256
        File the record came from and the hash of its bytes; empty where there was none.
    """

    statistic: str
    title: str
    symbol: str
    unit: str
    interval_s: float
    averaging_factor: IntArray
    averaging_time_s: FloatArray
    deviation: FloatArray
    terms: IntArray
    edf: FloatArray
    noise_exponent: FloatArray
    distribution: ChiSquaredSums | None = field(default=None, metadata=UNLISTED)
    noise: NoiseMixture | None = field(default=None, metadata=UNLISTED)
    expected: FloatArray | None = field(default=None, metadata=UNLISTED)
    record: Record | None = field(default=None, metadata=UNLISTED)
    again: Callable[[Record], StabilityCurve] | None = field(default=None, metadata=UNLISTED)
    record_name: str = ""
    record_sha256: str = ""

    _longest_table = 60

    def __post_init__(self) -> None:
        shape = np.shape(self.averaging_factor)
        for item in fields(self):
            column = getattr(self, item.name)
            if isinstance(column, np.ndarray):
                if column.shape != shape:
                    msg = f"{item.name} has shape {column.shape}; averaging_factor has {shape}"
                    raise InputError(msg)
                locked = column.view()
                locked.flags.writeable = False
                object.__setattr__(self, item.name, locked)

    def __len__(self) -> int:
        return len(self.averaging_factor)

    def confidence_interval(self, confidence: float = DEFAULT_CONFIDENCE) -> tuple[FloatArray, FloatArray]:
        """Return the limits of the deviation that leave equal probability outside on either side.

        Parameters
        ----------
        confidence
            Coverage probability.

        Returns
        -------
        low, high
            Shape (n,), in ``unit``; NaN where there is no term.

        Raises
        ------
        InputError
            If the confidence does not lie between 0 and 1.

        Notes
        -----
        The variance over its expectation is distributed as a weighted sum of chi-squared variables
        (:mod:`evenbeat.deviations.chi_squared_sums`), which at averaging times well below a tenth of the
        record is chi-squared with ``edf`` degrees of freedom (NIST SP 1065, 5.3). Where the record does not
        show clearly which noises there are, it is mixed over those in keeping with it, bias included. In
        simulation, the noise told from each record, 95 % intervals hold the truth in 95 % of the records on
        average over noises and statistics (tests/coverage/stability_coverage.md); those of Théo1 in 88 to
        99 %, because its bias differs between all noises. The interval is for the noise; it does not cover
        drift or periodic disturbances.
        """
        tail = 0.5 * (1 - checked_probability(confidence, "confidence"))
        distribution = self.distribution or ChiSquaredSums.of_edf(self.edf)
        low, high = self.deviation / np.sqrt(distribution.quantile([1 - tail, tail]))
        return low, high

    def checked(
        self, *, paths: int = 200, seed: int = 1, confidences: Sequence[float] = (0.68, 0.95)
    ) -> CoverageCheck:
        """Return how often intervals such as these hold the truth, by simulating the record.

        Parameters
        ----------
        paths
            How many records to simulate; 200 tell a share of 95 % to 1.5 points.
        seed
            Of the simulation.
        confidences
            What the intervals say.

        Returns
        -------
        CoverageCheck
            Achieved beside nominal coverage at each averaging time.

        Raises
        ------
        InputError
            If there is no noise to simulate: the readings do not vary, or the curve was not made by
            :func:`evenbeat.stability`.

        Notes
        -----
        Each record has the mixture of noises of this one at its mean levels, its grid and its gaps
        (:func:`evenbeat.simulate_clock`); the statistic is computed with the same options, and the noise is
        told anew from each record unless it was stated. Rounding by a display, dead time and steps are not
        simulated.

        Examples
        --------
        >>> from evenbeat import NoiseLevels, simulate_clock, stability
        >>> record = simulate_clock(200, interval_s=1.0, levels=NoiseLevels(white_fm=2e-22), seed=1)
        >>> check = stability(record, averaging=[1, 10]).checked(paths=20, seed=2)
        >>> bool((check.held[1] >= 0.8).all())
        True
        """
        if paths < FEWEST_PATHS:
            msg = f"paths is {paths}; at least {FEWEST_PATHS} simulated records are needed to tell a share"
            raise InputError(msg)
        asked = tuple(checked_probability(confidence, "confidences") for confidence in confidences)
        record, again, mixture, truth = self.record, self.again, self.noise, self.expected
        if record is None or again is None or mixture is None or truth is None:
            msg = (
                "this curve has no noise to simulate; only curves made by stability() from readings that "
                "vary, or with noise stated, can be checked"
            )
            raise InputError(msg)
        missing = np.isnan(record.usable_values(without_steps=False))
        deviations, inside = [], []
        for stream in np.random.SeedSequence(seed).spawn(paths):
            drawn = simulate_clock(
                len(record),
                interval_s=record.interval_s,
                levels=mixture.noise_levels,
                seed=np.random.default_rng(stream),
                kind=record.kind,
            )
            curve = again(replace(drawn, values=np.where(missing, np.nan, drawn.values)))
            bounds = [curve.confidence_interval(confidence) for confidence in asked]
            deviations.append(curve.deviation)
            inside.append([(low <= truth) & (truth <= high) for low, high in bounds])
        none = np.isnan(deviations[0])
        held = np.where(none, np.nan, np.mean(inside, axis=0))
        found = [
            _about_coverage(confidence, row[~none], self.averaging_time_s[~none], paths)
            for confidence, row in zip(asked, held, strict=True)
            if not none.all()
        ]
        steep = mixture.nodes[:, len(NOISE_NAMES) :]
        if np.any(np.mean(steep > 0, axis=0) > LIKELY):
            sentence = (
                "Noise steeper than random-walk FM is likely in the record and is not simulated; the check "
                "is for the five others alone."
            )
            found.insert(0, caution("STEEP_NOISE_LEFT_OUT", sentence))
        return CoverageCheck(
            statistic=self.statistic,
            title=self.title,
            paths=paths,
            seed=seed,
            levels=mixture.noise_levels,
            confidences=asked,
            held=held,
            averaging_time_s=self.averaging_time_s,
            truth=truth,
            ratio=np.sqrt(np.mean(np.square(deviations), axis=0)) / truth,
            findings=tuple(found),
        )

    def without_dead_time(self) -> StabilityCurve:
        """Return the curve that the same clock would show without dead time, at the same averaging times.

        For an Allan or overlapping Allan deviation of frequencies whose ``gate_s`` is shorter than
        ``interval_s``.

        Returns
        -------
        StabilityCurve
            Deviations divided by ``sqrt(B2 B3 r^-μ)``, with the noise of each averaging time as identified.
            B2 B3 leads to the Allan variance at M gates, r^μ from there to the elapsed time of M intervals
            that labels the point. The equivalent degrees of freedom are those of the curve.

        Raises
        ------
        InputError
            For another statistic, or a record without dead time or of phase.

        Notes
        -----
        White, flicker and random-walk FM are corrected. Not valid where white PM is present at the gate: dead
        time makes it look like white FM (its variance is 2M/3 times too large), and nothing in the readings
        tells the two apart. Nor where two noises are of the same size: the nearest law is used for both.

        References
        ----------
        Formula: σ²(dead) = B₂(r, μ) B₃(2, M, r, μ) r^-μ σ²
        Source: Barnes, NBS Technical Note 375 (1969); Barnes and Allan, NIST Technical Note 1318 (1990)
        Tests: tests/deviations/test_dead_time.py
        """
        if self.statistic not in TWO_SAMPLE:
            allowed = " and ".join(TWO_SAMPLE)
            msg = f"the curve is the {self.title}; dead time can be taken out of {allowed} only"
            raise InputError(msg)
        bias, found = dead_time_correction(
            self.record, self.averaging_factor, self.noise_exponent, self.noise_names
        )
        kept = tuple(finding for finding in self.findings if finding.code != "DEAD_TIME")
        corrected = self.deviation / np.sqrt(np.where(np.isnan(bias), 1.0, bias))
        return replace(self, deviation=corrected, findings=(*kept, *found))

    def at(self, averaging_time_s: float, *, confidence: float = DEFAULT_CONFIDENCE) -> StabilityPoint:
        """Return the point computed at this averaging time; nothing is interpolated.

        Raises
        ------
        InputError
            If the curve has no such point.
        """
        position = int(np.argmin(np.abs(self.averaging_time_s - averaging_time_s)))
        nearest = float(self.averaging_time_s[position])
        if not math.isclose(nearest, averaging_time_s, rel_tol=1e-6):
            msg = (
                f"the curve has no point at {averaging_time_s:g} s; the nearest is at {nearest:g} s "
                "(ask stability() for the averaging times you need: averaging_time_s=[…])"
            )
            raise InputError(msg)
        low, high = self.confidence_interval(confidence)
        return StabilityPoint(
            averaging_time_s=nearest,
            averaging_factor=int(self.averaging_factor[position]),
            deviation=float(self.deviation[position]),
            low=float(low[position]),
            high=float(high[position]),
            terms=int(self.terms[position]),
            edf=float(self.edf[position]),
            noise_exponent=float(self.noise_exponent[position]),
            noise=noise_name(float(self.noise_exponent[position])),
        )

    @property
    def noise_names(self) -> tuple[str, ...]:
        """Name of the noise at each averaging time; empty where it could not be told."""
        return tuple(noise_name(exponent) for exponent in self.noise_exponent)

    def _columns(self) -> tuple[Column, ...]:
        low, high = self.confidence_interval()
        unit, ending = (" / s", "_s") if self.unit == "s" else ("", "")
        return (
            Column("averaging_time_s", self.averaging_time_s, "τ / s", ".6g"),
            Column("averaging_factor", self.averaging_factor),
            Column(f"deviation{ending}", self.deviation, f"{self.symbol}{unit}", ".3e"),
            Column(f"low_95{ending}", low, "95 % low", ".3e"),
            Column(f"high_95{ending}", high, "95 % high", ".3e"),
            Column("noise_exponent", self.noise_exponent),
            Column("noise", self.noise_names, "noise", lambda name: name or "not told"),
            Column("terms", self.terms, "terms"),
            Column("edf", self.edf, "edf", ".4g"),
        )

    def _headline(self) -> str:
        of = f" of {self.record_name}" if self.record_name else ""
        span = f"{duration_text(self.averaging_time_s[0])} to {duration_text(self.averaging_time_s[-1])}"
        return (
            f"{self.title.capitalize().replace('allan', 'Allan').replace('hadamard', 'Hadamard')}{of}, {span}"
        )


@dataclass(frozen=True, eq=False, kw_only=True, repr=False)
class CoverageCheck(Result):
    """How often intervals held the truth in simulated records, made by ``curve.checked(…)``.

    Attributes
    ----------
    statistic, title
        Of the curve.
    paths, seed
        How many records were simulated, and from which seed.
    levels
        Of the noises in them.
    confidences
        Shape (c,): what the intervals say.
    held
        Shape (c, n): share of the records whose interval held the truth; NaN where gaps leave no term.
    averaging_time_s, truth
        Shape (n,): where, and the deviation that the levels make in expectation, in the curve's unit.
    ratio
        Shape (n,): root mean square of the deviations over the truth.
    """

    statistic: str
    title: str
    paths: int
    seed: int
    levels: NoiseLevels
    confidences: tuple[float, ...]
    held: FloatArray
    averaging_time_s: FloatArray
    truth: FloatArray
    ratio: FloatArray

    _longest_table = 60

    def _columns(self) -> tuple[Column, ...]:
        of_levels = [
            column
            for confidence, held in zip(self.confidences, self.held, strict=True)
            for column in (
                Column("", [confidence] * len(held), "nominal", ".3g"),
                Column(f"held_{100 * confidence:g}", held, "held", ".3f"),
            )
        ]
        return (
            Column("averaging_time_s", self.averaging_time_s, "τ / s", ".6g"),
            *of_levels,
            Column("rms_over_truth", self.ratio, "rms / truth", ".3f"),
            Column("truth", self.truth),
        )

    def _headline(self) -> str:
        names = ", ".join(NOISE_NAMES[a] for a, level in self.levels.by_exponent.items() if level > 0)
        return f"Intervals of the {self.title} in {self.paths} simulated records of {names}"


def _about_coverage(confidence: float, held: FloatArray, times: FloatArray, paths: int) -> Finding:
    """Return whether intervals held less often than they say, and which shortfall would have been seen."""
    from scipy import stats

    # binomial, at each averaging time one of n tests
    fewest = stats.binom.ppf(BY_CHANCE / len(held), paths, confidence) / paths
    short = held < fewest
    values: dict[str, float | int | str] = {
        "confidence": confidence,
        "lowest": float(held.min()),
        "highest": float(held.max()),
        "paths": paths,
    }
    name, low, high = f"{100 * confidence:g} %", 100 * held.min(), 100 * held.max()
    if short.any():
        sentence = (
            f"The {name} intervals held the truth too rarely at "
            f"{counted(np.count_nonzero(short), 'averaging time')}, the shortest of them "
            f"{duration_text(float(times[short][0]))}: in {low:.1f} % of {paths} records at the least."
        )
        return caution("INTERVALS_TOO_SHORT", sentence, **values)
    # smallest shortfall that leaves the share below the limit in nine of ten checks, normal approximation
    away = special.ndtri(OFTEN) * np.sqrt(fewest * (1 - fewest) / paths)
    values["shortfall_seen"] = shortfall = float(confidence - fewest + away)
    sentence = (
        f"The {name} intervals held the truth in {low:.1f} to {high:.1f} % of {paths} records; "
        f"{100 * shortfall:.1f} points less at one averaging time would have been seen nine times in ten."
    )
    return good("COVERAGE_HELD", sentence, **values)


def noise_name(exponent: float) -> str:
    """Return the name of a noise by its exponent; empty for NaN."""
    if math.isnan(exponent):
        return ""
    whole = round(exponent)
    return NOISE_NAMES.get(whole) or _STEEP_NOISE_NAMES.get(whole, "")
