"""The cases of the oracle: which inputs, and what is asked of them.

An input never comes from ``simulate_clock``, so that it stays when the simulation changes.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
import oracle_numbers as of
import pandas as pd
from oracle_numbers import DAY, HOUR, YEAR, tried

import evenbeat as eb

STATISTICS = (
    "allan",
    "overlapping_allan",
    "modified_allan",
    "time",
    "hadamard",
    "overlapping_hadamard",
    "total",
    "modified_total",
    "time_total",
    "hadamard_total",
    "theo1",
    "theo1_hybrid",
    "parabolic",
)
MUCH_WORK = ("modified_total", "time_total", "hadamard_total")
"""Their work grows with the square of the longest averaging time."""
GAPLESS = ("total", "modified_total", "hadamard_total", "theo1", "theo1_hybrid")
LONG = ("overlapping_allan", "modified_allan", "overlapping_hadamard", "parabolic")
"""For records of which the rest would take long, or which have gaps."""
USUAL = (*LONG, *GAPLESS)
"""Without those that are others times the averaging time or do not overlap."""
BRIEF = (*LONG, "total", "theo1", "theo1_hybrid")


@dataclass(frozen=True, kw_only=True)
class Case:
    """One case: what computes its numbers from a folder, and the folder it needs."""

    compute: Callable[[Path], dict[str, Any]]
    needs: str = "demo_data"


CASES: dict[str, Case] = {}


def case(name: str, **facts: Any) -> Callable[[Callable[[Path], Any]], Callable[[Path], Any]]:
    """Put a function among the cases."""

    def put(compute: Callable[[Path], Any]) -> Callable[[Path], Any]:
        CASES[name] = Case(compute=compute, **facts)
        return compute

    return put


def everything(
    given: eb.Record,
    *,
    tolerance: float,
    statistics: Sequence[str] = STATISTICS,
    environment: Sequence[str] = (),
    aging: str = "linear",
) -> dict[str, Any]:
    """Return the numbers of one record: as read, conditioned, its stability, its clock and what follows.

    The clock model has few averages and mostly one law, so that it takes little time; :func:`at_length`
    has the usual ones.
    """
    numbers: dict[str, Any] = {"record": of.record(given)}
    done = tried(eb.condition, given)
    if isinstance(done, dict):
        return numbers | {"conditioning": done}
    return numbers | {
        "conditioning": of.conditioning(done, raw=given),
        "stability": of.stability(done, statistics, narrow=set(statistics) == set(STATISTICS)),
        "time_interval_error": of.time_errors(done),
        "spectrum": tried(lambda: of.spectrum(eb.spectrum(done, bins_per_decade=3))),
        "noise_levels": tried(lambda: of.noise_fit(eb.fit_noise_levels(done))),
        **forecasts(done, tolerance=tolerance, environment=environment, aging=aging, most_blocks=60),
    }


def forecasts(
    done: eb.Record, *, tolerance: float, environment: Sequence[str] = (), **options: Any
) -> dict[str, Any]:
    """Return the clock model of a conditioned record, its holdover and its interval."""
    model = tried(eb.fit_clock, done, environment=environment, **options)
    if isinstance(model, dict):
        return {"clock": model}
    limit = time_limit(done, tolerance)
    return {
        "clock": tried(of.clock, model, environment=environment),
        "holdover": tried(lambda: of.holdover(eb.predict_holdover(model, time_error_limit_s=limit))),
        "interval": tried(lambda: of.interval(eb.suggest_interval(model, tolerance=tolerance))),
    }


def time_limit(done: eb.Record, tolerance: float) -> float:
    """Return a limit of time error that a clock at its tolerance reaches within the length of the record."""
    return float(f"{tolerance * done.duration_s:.1g}")


def at_length(given: eb.Record, *, tolerance: float, environment: Sequence[str] = ()) -> dict[str, Any]:
    """Return what takes seconds for one record: the clock model as usual, setpoint, passage, backtest."""
    done = eb.condition(given)
    limit = time_limit(done, tolerance)
    window = 0.25 * done.duration_s
    numbers = {
        "squares_of_the_longest": of.stability(done, MUCH_WORK),
        "moving": tried(
            lambda: of.moving(eb.moving_stability(done, window, step_s=window, averaging=[1, 10]))
        ),
        "backtest": tried(lambda: of.backtest(eb.backtest(done, origins=6))),
        **forecasts(done, tolerance=tolerance, environment=environment),
    }
    model = tried(eb.fit_clock, done, environment=environment)
    if isinstance(model, eb.results.ClockModel):
        numbers |= {
            "setpoint": tried(lambda: of.setpoint(eb.suggest_setpoint(model, tolerance=tolerance))),
            "passage": tried(lambda: of.passage(eb.limit_passage(model, limit, paths=400))),
        }
    return numbers


# simulated records: independent normal numbers, sums of them, and one filter


def flicker(rng: np.random.Generator, n: int) -> np.ndarray:
    """Return flicker noise: white noise of twice the length whose spectrum is divided by the root of f."""
    bins = np.fft.rfft(rng.standard_normal(2 * n))
    bins[1:] /= np.sqrt(np.arange(1, n + 1) / n)
    return np.fft.irfft(bins, 2 * n)[:n]


CONSTRUCTED: Mapping[str, Callable[[np.random.Generator, int], np.ndarray]] = {
    "white_pm": lambda rng, n: np.diff(rng.standard_normal(n + 1)),
    "flicker_pm": lambda rng, n: np.diff(flicker(rng, n + 1)),
    "white_fm": lambda rng, n: rng.standard_normal(n),
    "flicker_fm": flicker,
    "random_walk_fm": lambda rng, n: np.cumsum(rng.standard_normal(n)),
}

Change = Callable[[np.random.Generator, np.ndarray], np.ndarray]


@dataclass(frozen=True, kw_only=True)
class Made:
    """A simulated record: sizes of its noises, the trend of frequency, and what was done to the readings."""

    n: int
    seed: int
    noise: Mapping[str, float]
    kind: str = "frequency"
    interval_s: float = 1.0
    offset: float = 0.0
    per_day: float = 0.0
    acting: Callable[[np.ndarray], np.ndarray] | None = None
    change: Change | None = None
    options: Mapping[str, Any] = field(default_factory=dict)
    tolerance: float = 2e-10
    aging: str = "linear"
    at_length: bool = False
    statistics: Sequence[str] = USUAL

    def record(self) -> eb.Record:
        """Return the record."""
        rng = np.random.default_rng(self.seed)
        elapsed = self.interval_s * np.arange(self.n)
        frequency = self.offset + self.per_day * elapsed / DAY
        if self.acting is not None:
            frequency = frequency + self.acting(elapsed)
        for name, size in self.noise.items():
            frequency = frequency + size * CONSTRUCTED[name](rng, self.n)
        phase = self.kind == "phase"
        values = self.interval_s * np.cumsum(frequency) if phase else frequency
        if self.change is not None:
            values = self.change(rng, values)
        make = eb.Record.from_phase if phase else eb.Record.from_frequency
        return make(values, interval_s=self.interval_s, **self.options)


def gaps(share: float, length: int = 1) -> Change:
    """Lose a share of the readings, in runs of a length."""

    def lose(rng: np.random.Generator, values: np.ndarray) -> np.ndarray:
        lost = rng.random(-(-len(values) // length)) < share
        return np.where(np.repeat(lost, length)[: len(values)], np.nan, values)

    return lose


def hole(begin: float, end: float) -> Change:
    """Lose everything between two shares of the record."""

    def lose(_rng: np.random.Generator, values: np.ndarray) -> np.ndarray:
        place = np.arange(len(values)) / len(values)
        return np.where((place >= begin) & (place < end), np.nan, values)

    return lose


def jump(at: float, size: float) -> Change:
    """Add a step from a share of the record on."""
    return lambda _rng, values: values + np.where(np.arange(len(values)) >= at * len(values), size, 0.0)


def outliers(count: int, size: float) -> Change:
    """Put a few single readings far off."""

    def spoil(rng: np.random.Generator, values: np.ndarray) -> np.ndarray:
        spoilt = values.copy()
        spoilt[rng.choice(len(values), count, replace=False)] += size * rng.choice([-1.0, 1.0], count)
        return spoilt

    return spoil


def rounded(step: float) -> Change:
    """Show whole display steps only."""
    return lambda _rng, values: step * np.round(values / step)


MIXED = {"white_fm": 1e-11, "flicker_fm": 2e-12, "random_walk_fm": 1e-13}
SIMULATED: dict[str, Made] = {
    # five noises, both kinds
    "white-pm-frequency": Made(statistics=STATISTICS, n=1500, seed=1, noise={"white_pm": 1e-11}),
    "flicker-pm-frequency": Made(statistics=STATISTICS, n=1500, seed=2, noise={"flicker_pm": 1e-11}),
    "white-fm-frequency": Made(
        aging="auto", statistics=STATISTICS, n=1500, seed=3, noise={"white_fm": 1e-11}, at_length=True
    ),
    "flicker-fm-frequency": Made(statistics=STATISTICS, n=1500, seed=4, noise={"flicker_fm": 1e-11}),
    "random-walk-fm-frequency": Made(
        aging="auto", statistics=STATISTICS, n=1500, seed=5, noise={"random_walk_fm": 1e-12}
    ),
    "white-pm-phase": Made(
        statistics=STATISTICS, n=1201, seed=6, kind="phase", interval_s=10.0, noise={"white_pm": 1e-11}
    ),
    "flicker-pm-phase": Made(
        aging="auto",
        statistics=STATISTICS,
        n=1201,
        seed=7,
        kind="phase",
        interval_s=10.0,
        noise={"flicker_pm": 1e-11},
    ),
    "white-fm-phase": Made(
        statistics=STATISTICS, n=1201, seed=8, kind="phase", interval_s=10.0, noise={"white_fm": 1e-11}
    ),
    "flicker-fm-phase": Made(
        statistics=STATISTICS, n=1201, seed=9, kind="phase", interval_s=10.0, noise={"flicker_fm": 1e-11}
    ),
    "random-walk-fm-phase": Made(
        statistics=STATISTICS,
        n=1201,
        seed=10,
        kind="phase",
        interval_s=10.0,
        noise={"random_walk_fm": 1e-12},
        at_length=True,
    ),
    # lengths
    "8-frequencies": Made(statistics=STATISTICS, n=8, seed=11, noise={"white_fm": 1e-11}),
    "8-phases": Made(statistics=STATISTICS, n=8, seed=12, kind="phase", noise={"white_pm": 1e-11}),
    "12-frequencies": Made(
        statistics=STATISTICS, aging="auto", n=12, seed=13, noise=MIXED, interval_s=DAY, offset=1e-9
    ),
    "16-phases": Made(
        statistics=STATISTICS, n=16, seed=14, kind="phase", noise={"flicker_fm": 1e-11}, interval_s=60.0
    ),
    "31-frequencies": Made(
        statistics=STATISTICS, n=31, seed=15, noise={"random_walk_fm": 1e-12}, interval_s=HOUR
    ),
    "64-phases": Made(statistics=STATISTICS, n=64, seed=16, kind="phase", noise=MIXED, interval_s=HOUR),
    "150-frequencies": Made(n=150, seed=17, noise=MIXED, interval_s=DAY, per_day=2e-12, at_length=True),
    "5000-phases": Made(n=5000, seed=18, kind="phase", noise={"white_pm": 1e-10, "white_fm": 1e-11}),
    "20000-frequencies": Made(n=20_000, seed=19, noise=MIXED, offset=-2e-9, statistics=BRIEF, at_length=True),
    "20000-phases": Made(
        n=20_000,
        seed=20,
        kind="phase",
        noise={"white_pm": 3e-11, "flicker_fm": 1e-12},
        statistics=BRIEF,
        at_length=True,
    ),
    # mixtures, aging, a wave
    "white-pm-and-random-walk": Made(
        n=2000, seed=21, kind="phase", noise={"white_pm": 3e-11, "random_walk_fm": 3e-14}
    ),
    "flicker-pm-and-white-fm": Made(n=2000, seed=22, noise={"flicker_pm": 3e-11, "white_fm": 3e-12}),
    "all-five": Made(
        aging="auto", at_length=True, n=3000, seed=23, noise={"white_pm": 3e-11, "flicker_pm": 1e-11, **MIXED}
    ),
    "aging-linear": Made(n=1000, seed=24, interval_s=HOUR, noise=MIXED, offset=1e-9, per_day=2e-11),
    "aging-logarithmic": Made(
        aging="auto",
        n=1200,
        seed=25,
        interval_s=HOUR,
        noise={"white_fm": 1e-11},
        acting=lambda t: 2e-9 * np.log1p(t / (5 * DAY)),
        tolerance=2e-8,
        at_length=True,
    ),
    "aging-that-ends": Made(
        aging="auto",
        n=900,
        seed=26,
        kind="phase",
        interval_s=HOUR,
        noise={"white_fm": 1e-11},
        acting=lambda t: -3e-9 * np.exp(-t / (6 * DAY)),
        tolerance=5e-9,
    ),
    "daily-wave": Made(
        n=1500,
        seed=27,
        interval_s=600.0,
        noise=MIXED,
        acting=lambda t: 5e-11 * np.sin(2 * np.pi * t / DAY),
    ),
    # gaps
    "one-per-cent-missing": Made(statistics=STATISTICS, n=2000, seed=28, noise=MIXED, change=gaps(0.01)),
    "ten-per-cent-missing": Made(
        statistics=LONG, n=2000, seed=29, kind="phase", noise=MIXED, change=gaps(0.1, 5)
    ),
    "third-missing-in-blocks": Made(
        aging="auto",
        statistics=LONG,
        n=2000,
        seed=30,
        noise={"flicker_fm": 1e-11},
        change=gaps(0.33, 40),
        at_length=True,
    ),
    "third-missing-in-blocks-of-phase": Made(
        statistics=LONG, n=2000, seed=31, kind="phase", noise={"white_fm": 1e-11}, change=gaps(0.33, 40)
    ),
    "half-missing-singly": Made(
        statistics=LONG, n=1000, seed=32, noise={"white_fm": 1e-11}, change=gaps(0.5)
    ),
    "long-hole": Made(
        at_length=True, statistics=LONG, n=1500, seed=33, interval_s=100.0, noise=MIXED, change=hole(0.3, 0.6)
    ),
    "read-now-and-then": Made(
        statistics=LONG,
        n=3000,
        seed=34,
        kind="phase",
        interval_s=HOUR,
        noise={"white_fm": 1e-11},
        change=gaps(0.98),
    ),
    # disturbances
    "step-of-frequency": Made(
        aging="auto", at_length=True, n=2000, seed=35, noise={"white_fm": 1e-11}, change=jump(0.6, 8e-11)
    ),
    "step-of-phase": Made(n=2000, seed=36, kind="phase", noise={"white_fm": 1e-11}, change=jump(0.4, 3e-9)),
    "outliers": Made(n=2000, seed=37, noise={"white_fm": 1e-11}, change=outliers(7, 1e-9)),
    "rounded-display": Made(
        at_length=True,
        n=3000,
        seed=38,
        noise={"white_fm": 1e-11},
        offset=3e-12,
        change=rounded(1e-11),
        per_day=1e-10,
    ),
    "display-that-stands": Made(n=500, seed=39, noise={"white_fm": 1e-12}, change=rounded(1e-9)),
    "dead-time": Made(
        statistics=STATISTICS,
        n=1500,
        seed=40,
        interval_s=2.0,
        noise={"white_fm": 1e-11, "flicker_fm": 3e-12},
        options={"gate_s": 1.0, "nominal_frequency_hz": 1e7},
    ),
}


def cases_of_made(name: str, made: Made) -> None:
    """Put a simulated record among the cases."""
    asked: dict[str, Any] = {"tolerance": made.tolerance}
    CASES[f"simulated-{name}"] = Case(
        compute=lambda _: everything(made.record(), statistics=made.statistics, aging=made.aging, **asked)
    )
    if made.at_length:
        CASES[f"at-length-{name}"] = Case(compute=lambda _: at_length(made.record(), **asked))


for _name, _made in SIMULATED.items():
    cases_of_made(_name, _made)


@case("stability-options")
def stability_options(_: Path) -> dict[str, Any]:
    """Averaging factors, coverage and bias of the statistics; moving windows."""
    white = SIMULATED["white-fm-frequency"].record()
    gappy = SIMULATED["one-per-cent-missing"].record()
    phase = SIMULATED["flicker-pm-phase"].record()
    return {
        "ten_per_decade": of.stability(phase, ("overlapping_allan", "theo1"), averaging="ten_per_decade"),
        "every": of.stability(
            SIMULATED["31-frequencies"].record(), ("modified_allan", "parabolic"), averaging="every"
        ),
        "chosen": of.stability(white, ("allan", "hadamard", "time"), averaging=[1, 7, 50, 333, 5000]),
        "coverage": of.stability(
            gappy, ("overlapping_allan", "modified_allan"), averaging="doublings", minimum_coverage=0.8
        ),
        "published_bias": of.stability(white, GAPLESS, averaging=[10, 100, 400], bias="published"),
        "no_bias": of.stability(white, GAPLESS, averaging=[10, 100, 400], bias="none"),
        "mtie_of_every_window": of.time_errors(SIMULATED["64-phases"].record(), averaging="every"),
        "lines_of_spectrum": of.spectrum(eb.spectrum(SIMULATED["150-frequencies"].record(), segments=4)),
        "moving_with_overlap": of.moving(eb.moving_stability(phase, 4000.0, step_s=2000.0, statistic="time")),
        "significance": of.noise_fit(eb.fit_noise_levels(white, significance=0.2)),
    }


@case("noise-levels")
def noise_levels(_: Path) -> dict[str, Any]:
    """Deviations of stated noise levels, and clocks simulated from them."""
    times = np.array([1.0, 30.0, 1000.0, 1e5])
    whole = eb.NoiseLevels(
        white_pm=1e-20, flicker_pm=1e-22, white_fm=1e-22, flicker_fm=1e-25, random_walk_fm=1e-30
    )
    built = eb.NoiseLevels.from_allan_deviations(
        100.0,
        cutoff_hz=5.0,
        white_pm=1e-12,
        flicker_pm=2e-12,
        white_fm=3e-12,
        flicker_fm=4e-12,
        random_walk_fm=5e-12,
    )
    kinds = ("allan", "modified", "time", "hadamard")
    single = {
        name: eb.NoiseLevels(**{name: size}) for name, size in vars(whole).items() if name in CONSTRUCTED
    }
    clocks = {
        f"{name} {kind}": eb.simulate_clock(64, interval_s=10.0, levels=one, seed=5, kind=kind)
        for name, one in single.items()
        for kind in ("phase", "frequency")
    }
    aging = eb.simulate_clock(
        64, interval_s=HOUR, levels=whole, seed=6, frequency_offset=1e-9, aging=lambda t: 1e-11 * t / DAY
    )
    return {
        "deviation": {kind: tried(whole.deviation, times, kind, cutoff_hz=0.5) for kind in kinds},
        "from_allan_deviations": of.levels(built),
        "simulated": {
            name: made.usable_values(without_steps=False)[::9]
            for name, made in (clocks | {"aging": aging}).items()
        },
    }


@case("limits")
def limits(_: Path) -> dict[str, Any]:
    """Limit lines, published and of one's own, and how curves stand to them."""

    def verdict(line: eb.LimitLine, given: eb.Record) -> dict[str, Any]:
        if line.statistic in ("mtie", "rms"):
            measured = eb.time_interval_error(given, line.statistic)
        else:
            measured = eb.stability(given, line.statistic)
        found = eb.compare_with_limit(measured, line)
        return {
            "overall": found.overall,
            "verdicts": dict(Counter(found.verdicts)),
            "value": found.value[:4],
            "allowed": found.allowed[:4],
            **of.findings(found),
        }

    own = eb.LimitLine.from_table(
        [(1.0, 1.2e-11), (100.0, 1e-12), (1e4, 1e-12)], statistic="overlapping_allan", name="own"
    )
    given = SIMULATED["white-fm-phase"].record()
    lines = dict(eb.limit_lines()) | {"own": own}
    return {
        "at": {
            name: line.at(
                np.geomspace(*line.range_s, 6)
                if math.isfinite(line.range_s[1])
                else line.range_s[0] * np.array([1.0, 10.0, 1e3, 1e5])
            )
            for name, line in lines.items()
        },
        "of_white_fm": {name: tried(verdict, line, given) for name, line in lines.items()},
    }


@case("separation")
def separation(_: Path) -> dict[str, Any]:
    """Three clocks from their differences, a reference taken out, dead time, differences of records."""
    rng = np.random.default_rng(50)
    n = 1500
    phases = [size * np.cumsum(rng.standard_normal(n)) for size in (1e-12, 2e-12, 5e-12)]
    pairs = [eb.Record.from_phase(phases[i] - phases[j], interval_s=1.0) for i, j in ((0, 1), (1, 2), (2, 0))]

    def separated(**options: Any) -> dict[str, Any]:
        found = eb.separate_clocks(*pairs, averaging="doublings", **options)
        low, high = found.variance_interval()
        return {
            "averaging_time_s": found.averaging_time_s,
            "variance": found.variance,
            "pair_variance": found.pair_variance,
            "closure_variance": found.closure_variance / found.pair_variance.max(axis=0) > 1e-9,
            "edf": found.edf,
            "standard_deviation": found.standard_deviation,
            "low_95": low,
            "high_95": high,
            "upper_limit": found.upper_limit(),
            **of.findings(found),
        }

    measured = eb.stability(pairs[0], averaging="doublings")
    reference = eb.stability(pairs[1], averaging="doublings")
    floor = {float(tau): 3e-13 / tau for tau in measured.averaging_time_s}

    def corrected(known: Any, **options: Any) -> dict[str, Any]:
        found = eb.without_reference(measured, known, **options)
        low, high = found.variance_interval()
        return {
            "averaging_time_s": found.averaging_time_s,
            "variance": found.variance,
            "low_95": low,
            "high_95": high,
            "upper_limit": found.upper_limit(),
            **of.findings(found),
        }

    gated = SIMULATED["dead-time"].record()
    one = eb.Record.from_frequency(1e-11 * rng.standard_normal(600), interval_s=2.0, start="2026-03-01")
    other = eb.Record.from_frequency(
        1e-11 * rng.standard_normal(500), interval_s=3.0, start="2026-03-01T00:01"
    )
    return {
        "covariance": tried(separated),
        "hadamard": tried(separated, statistic="overlapping_hadamard"),
        "without_measured_reference": tried(corrected, reference),
        "without_stated_reference": tried(
            corrected, {float(tau): 5e-13 / tau**0.5 for tau in measured.averaging_time_s}, floor=floor
        ),
        "dead_time": tried(lambda: of.curve(eb.stability(gated, averaging="doublings").without_dead_time())),
        "difference": tried(lambda: of.record(eb.difference(one, other))),
        "corrected_for_reference": tried(lambda: of.record(eb.difference(one, other, through=True))),
        "averaged": of.record(one.averaged(7)),
        "to_phase": of.record(one.to_phase()),
        "to_frequency": of.record(pairs[0].to_frequency()),
        "between": of.record(one.between(100.0, 900.0)),
    }


@case("second-opinion")
def second_opinion(_: Path) -> dict[str, Any]:
    """Ask other libraries; how closely they agree is a matter of rounding and not frozen."""
    phase = SIMULATED["flicker-pm-phase"].record()
    numbers = {}
    for name in STATISTICS:
        found = tried(lambda name=name: eb.crosscheck(eb.stability(phase, name, averaging=[10, 100]), phase))
        numbers[name] = found if isinstance(found, dict) else [found.compared, found.agrees, *found.theirs]
    return {"curves": numbers}


def with_room(n: int = 700, *, lag_s: float = 3600.0, kind: str = "frequency") -> eb.Record:
    """Return an hourly or ten-minute clock that follows a room with a lag, and ages."""
    rng = np.random.default_rng(60)
    step = 600.0
    t = step * np.arange(n)
    room = 23 + 3 * np.sin(2 * np.pi * t / DAY) + 0.3 * np.cumsum(rng.standard_normal(n)) / np.sqrt(n)
    inside, keep = np.empty(n), math.exp(-step / lag_s)
    inside[0] = room[0]
    for k in range(1, n):
        inside[k] = keep * inside[k - 1] + (1 - keep) * room[k]
    hidden = 0.1 * rng.standard_normal(n)
    frequency = 1e-9 + 1e-11 * t / DAY + 4e-12 * (inside - 23) + 3e-12 * rng.standard_normal(n)
    covariates = {"room_c": room, "supply_v": 5 + hidden}
    if kind == "phase":
        return eb.Record.from_phase(step * np.cumsum(frequency), interval_s=step, covariates=covariates)
    return eb.Record.from_frequency(frequency, interval_s=step, covariates=covariates)


@case("environment")
def environment(_: Path) -> dict[str, Any]:
    """Sensitivities, lags, polynomials, courses to come, a daily wave."""
    given = with_room()
    found = eb.fit_clock(given, environment=["room_c"], most_blocks=60)
    cubic = eb.fit_clock(
        given,
        aging="linear",
        environment=[eb.Influence("room_c", order=3, lag_s=3600.0), eb.Influence("supply_v", lag_s=0.0)],
        most_blocks=60,
    )
    wave = eb.fit_clock(given, aging="linear", daily_wave=True, most_blocks=60)
    times = of.horizons(found)
    courses = {
        "steady": eb.Course.steady(25.0),
        "step": eb.Course.step(23.0, 28.0, after_s=2 * HOUR),
        "daily": eb.Course.daily(23.0, 4.0, highest_after_s=6 * HOUR),
        "given": eb.Course.given([0.0, HOUR, DAY, 9 * DAY], [23.0, 24.0, 22.0, 20.0]),
    }
    return {
        "found": of.clock(found, environment=["room_c"]),
        "cubic": {
            "orders": [of.estimate(cubic.sensitivity("room_c", order, at=22.0)) for order in (1, 2, 3)],
            "supply": of.estimate(cubic.sensitivity("supply_v")),
            "change": of.estimate(cubic.change_between("room_c", 18.0, 28.0)),
            "lag_s": of.estimate(cubic.lag("room_c")),
            **of.findings(cubic),
        },
        "daily_wave": {
            "amplitude": of.estimate(wave.daily_wave()),
            "frequency": of.forecast(wave.frequency_at(times)),
        },
        "frequency_by_course": {
            name: of.forecast(found.frequency_at(times, environment={"room_c": course}))
            for name, course in courses.items()
        },
        "time_error_by_course": {
            name: of.forecast(found.time_error_at(times, environment={"room_c": course}))
            for name, course in courses.items()
        },
    }


@case("at-length-environment")
def environment_at_length(_: Path) -> dict[str, Any]:
    """Lags with many averages, of phase, and where there is none; the assessment that chooses for itself."""
    chosen = {"environment": ["room_c"]}
    return {
        "found": of.clock(eb.fit_clock(with_room(), **chosen), **chosen),
        "of_phase": of.clock(eb.fit_clock(with_room(kind="phase"), **chosen), **chosen),
        "no_lag": of.clock(eb.fit_clock(with_room(lag_s=1.0), **chosen), **chosen),
        "fitted_lag_of_both": of.clock(
            eb.fit_clock(with_room(), environment=["room_c", "supply_v"]), environment=["room_c", "supply_v"]
        ),
        "assessed": of.assessment(eb.assess(with_room(), tolerance=3e-9)),
    }


@case("clock-options")
def clock_options(_: Path) -> dict[str, Any]:
    """Aging laws, priors, classes, age, number of blocks, retrace."""
    given = SIMULATED["aging-logarithmic"].record()
    short = SIMULATED["150-frequencies"].record()
    options: dict[str, tuple[eb.Record, dict[str, Any]]] = {
        "aged": (given, {"age_s": 20 * DAY}),
        "few_averages": (given, {"aging": "linear", "most_blocks": 25}),
    }
    for law in (
        "none",
        "linear",
        "logarithmic",
        "square_root",
        "power",
        "exponential",
        "logarithmic_and_linear",
    ):
        options[law] = (given, {"aging": law})
    for prior in ("uniform", "cautious"):
        options[prior] = (short, {"aging": "linear", "noise_prior": prior})
    for kind in ("uncompensated", "temperature_compensated", "oven", "rubidium", "caesium"):
        options[kind] = (short, {"aging": "linear", "oscillator_class": kind})
    warm = Made(
        n=900,
        seed=61,
        interval_s=HOUR,
        noise={"white_fm": 1e-11},
        acting=lambda t: np.where(t > 15 * DAY, 2e-9 * np.exp(-(t - 15 * DAY) / (4 * HOUR)), 0.0),
        change=hole(0.4, 15 / 37.5),
    ).record()
    return {
        **{
            name: tried(lambda r=r, o=o: of.clock_in_brief(eb.fit_clock(r, **{"most_blocks": 60} | o)))
            for name, (r, o) in options.items()
        },
        "retrace": tried(
            lambda: of.clock_in_brief(eb.fit_clock(eb.condition(warm), retrace=True, most_blocks=60))
        ),
    }


def calibrated(**options: Any) -> eb.results.ClockModel:
    """Return a log of 80 days fitted together with what else is known of it."""
    given = Made(
        n=80,
        seed=62,
        interval_s=DAY,
        noise={"white_fm": 5e-12, "random_walk_fm": 1e-12},
        offset=2e-9,
        per_day=1e-11,
        options={"start": "2026-01-01"},
    ).record()
    return eb.fit_clock(given, aging="linear", most_blocks=40, **options)


POINTS = (
    eb.CalibrationPoint(at=-80 * DAY, as_found=4.2e-9, standard_uncertainty=2e-10, averaging_time_s=DAY),
    eb.CalibrationPoint(
        at=-30 * DAY,
        as_found=4.8e-9,
        as_left=1.6e-9,
        adjusted=True,
        standard_uncertainty=1e-10,
        averaging_time_s=DAY,
    ),
    eb.CalibrationPoint(at=90 * DAY, as_found=2.9e-9, standard_uncertainty=1e-10, averaging_time_s=DAY),
)
REFERENCE = {
    "reference_offset": eb.Estimate.normal(1e-11, 3e-11),
    "reference_drift": eb.Estimate.normal(0.0, 1e-18, "/s"),
}


@case("calibrated-clock")
def calibrated_clock(_: Path) -> dict[str, Any]:
    """Fit a log and calibrations in one model, an imperfect reference, and a calibration that contradicts."""
    wrong = eb.CalibrationPoint(at=40 * DAY, as_found=3e-8, standard_uncertainty=1e-10)
    return {
        "calibrations": of.clock(calibrated(calibrations=POINTS)),
        "reference": of.clock(calibrated(**REFERENCE)),
        "both": of.clock(calibrated(calibrations=POINTS, **REFERENCE)),
        "contradiction": of.clock(calibrated(calibrations=[wrong])),
    }


@case("at-length-calibrated-clock")
def calibrated_clock_at_length(_: Path) -> dict[str, Any]:
    """Holdover and interval of a log with calibrations."""
    model = calibrated(calibrations=POINTS, **REFERENCE)
    return {
        "holdover": of.holdover(eb.predict_holdover(model, time_error_limit_s=1e-4)),
        "interval": of.interval(eb.suggest_interval(model, tolerance=4e-9)),
    }


@case("holdover")
def holdovers(_: Path) -> dict[str, Any]:
    """Hold over described clocks, requirements, and a fitted clock with more known about it."""
    noise = eb.NoiseLevels(white_fm=2e-24, random_walk_fm=1.5e-30, flicker_fm=1e-26)
    stated = {
        "starting_time_error": eb.Estimate.normal(30e-9, 20e-9),
        "frequency_offset": eb.Estimate.normal(1e-12, 3e-12),
        "aging_rate": eb.Estimate.normal(2e-11 / DAY, 1e-11 / DAY, "/s"),
        "noise": noise,
    }
    surroundings = {
        "constant": eb.Scenario.constant(eb.Estimate.normal(1e-12, 1e-12)),
        "daily": eb.Scenario.daily(1e-11),
        "step": eb.Scenario.step(5e-12, after_s=2 * HOUR),
    }
    covariance = np.diag([20e-9, 3e-12, 1e-11 / DAY]) ** 2
    covariance[0, 1] = covariance[1, 0] = 3e-20
    given = SIMULATED["aging-linear"].record()
    model = eb.fit_clock(given, aging="linear", most_blocks=60)
    durations = [600.0, HOUR, DAY, 30 * DAY]
    requirements = {
        f"{limit:g} s in {time:g} s": eb.stated_holdover(time, time_error_limit_s=limit)
        for limit, time in ((1e-6, DAY), (5e-5, 30 * DAY))
    }
    return {
        "stated": of.holdover(eb.stated_holdover(time_error_limit_s=1.5e-6, **stated)),
        "surroundings": {
            name: of.holdover(eb.stated_holdover(durations, scenarios=[one], **stated))
            for name, one in surroundings.items()
        },
        "covariance": tried(
            lambda: of.holdover(eb.stated_holdover(durations, starting_covariance=covariance, noise=noise))
        ),
        "requirements": {
            name: [*one.offset_alone, *one.aging_rate_alone, *(DAY * one.aging_rate_alone)]
            for name, one in requirements.items()
        },
        "of_model": of.holdover(
            eb.predict_holdover(
                model, durations, time_error_limit_s=1e-3, starting_time_error=eb.Estimate.normal(1e-6, 1e-7)
            )
        ),
        "of_model_tested": tried(
            lambda: of.holdover(
                eb.predict_holdover(
                    model, durations, backtest=eb.backtest(given, origins=5, aging="linear", most_blocks=40)
                )
            )
        ),
        "passage": of.passage(eb.limit_passage(model, 1e-3, corrected=True, paths=600, seed=3)),
    }


PER_DAY = eb.Estimate.normal(1.5e-10 / DAY, 3e-11 / DAY, "/s")
LEFT = eb.Estimate.normal(1e-8, 5e-9)


@case("intervals")
def intervals(_: Path) -> dict[str, Any]:
    """Intervals and setpoints of stated drifts and of a clock model, in every meaning and with every cap."""
    plain = eb.StatedDrift(drift_rate=PER_DAY, floor=2e-9)
    walking = eb.StatedDrift(drift_rate=PER_DAY, walk_variance_per_second=(2e-10) ** 2 / DAY, floor=2e-9)
    vague = eb.StatedDrift(drift_rate=eb.Estimate.normal(1e-10 / DAY, 1e-10 / DAY, "/s"))
    model = eb.fit_clock(SIMULATED["aging-linear"].record(), aging="linear", most_blocks=60)
    options: dict[str, tuple[Any, dict[str, Any]]] = {
        "plain": (plain, {}),
        "walking": (walking, {}),
        "99_per_cent": (walking, {"reliability": 0.99}),
        "average": (walking, {"meaning": "average_over_period"}),
        "never_left": (walking, {"meaning": "never_left", "paths": 1000, "seed": 2}),
        "guarded": (walking, {"guard_band": 1e-8}),
        "one_sided": (walking, {"tolerance": (-5e-8, 1e-7)}),
        "policy": (walking, {"policy_cap_s": 200 * DAY, "calendar_unit": "month", "start": "2026-01-31"}),
        "transported": (walking, {"transport_uncertainty": 1e-8, "environment_uncertainty": 5e-9}),
        "outside": (walking, {"tolerance": 5e-9}),
        "model": (model, {"tolerance": 3e-9, "as_left": None}),
        "model_left_at_zero": (model, {"tolerance": 3e-9, "as_left": eb.Estimate.normal(0.0, 1e-10)}),
        "model_observed": (model, {"tolerance": 1e-8, "as_left": None, "longest_observed_s": 300 * DAY}),
        "model_against_reference": (
            model,
            {"tolerance": 3e-9, "as_left": None, "reference_uncertainty": 2e-10},
        ),
        "model_never_left": (
            model,
            {"tolerance": 3e-9, "as_left": None, "meaning": "never_left", "paths": 500},
        ),
        "wanted": (model, {"tolerance": 3e-9, "as_left": None, "wanted_s": 60 * DAY}),
    }
    usual = {"tolerance": 1e-7, "as_left": LEFT}
    setpoints: dict[str, tuple[Any, dict[str, Any]]] = {
        "walking": (walking, {"as_left_uncertainty": 5e-9}),
        "half": (walking, {"as_left_uncertainty": 5e-9, "bias": "half"}),
        "guarded": (walking, {"guard_band": 1e-8, "reliability": 0.9}),
        "vague": (vague, {}),
        "model": (model, {"tolerance": 3e-9}),
    }
    return {
        "intervals": {
            name: tried(lambda s=s, o=o: of.interval(eb.suggest_interval(s, **usual | o)))
            for name, (s, o) in options.items()
        },
        "setpoints": {
            name: tried(lambda s=s, o=o: of.setpoint(eb.suggest_setpoint(s, **{"tolerance": 1e-7} | o)))
            for name, (s, o) in setpoints.items()
        },
        "crossing": tried(
            lambda: of.back_cast(
                eb.back_cast(
                    walking,
                    tolerance=1e-7,
                    as_left=eb.Estimate.normal(0.0, 1e-9),
                    as_found=eb.Estimate.normal(1.3e-7, 1e-9),
                    elapsed_s=365 * DAY,
                    start="2025-01-01",
                    results=pd.DataFrame(
                        {
                            "date": ["2025-02-01", "2025-09-01", "2025-12-01"],
                            "tolerance": [1e-6, 1e-7, 2e-8],
                            "name": ["gauge", "clock", "watch"],
                        }
                    ),
                    paths=1000,
                    seed=4,
                )
            )
        ),
    }


def table(*rows: tuple[Any, ...], **columns: Sequence[Any]) -> eb.CalibrationHistory:
    """Return a history from rows of date, as found, as left, standard uncertainty and whether adjusted."""
    names = ["date", "as_found", "as_left", "standard_uncertainty", "adjusted"]
    return eb.CalibrationHistory.from_table(pd.DataFrame(rows, columns=names).assign(**columns))


ROWS = (
    ("2020-01-01", "", 0.0, 3e-9, "yes"),
    ("2020-12-31", 5.2e-8, 0.2e-8, 3e-9, "yes"),
    ("2021-12-31", 4.1e-8, -0.1e-8, 3e-9, "yes"),
    ("2022-12-31", 3.3e-8, 0.0, 3e-9, "yes"),
)
STATES = (("2023-12-31", "in", 0.0, 3e-9, "yes"), ("2024-12-30", "out", 0.0, 3e-9, "yes"))


def family() -> list[eb.CalibrationHistory]:
    """Return histories that drift alike."""
    return [
        table(*((day, found if found == "" else factor * found, *rest) for day, found, *rest in ROWS))
        for factor in (1.0, 0.7, 1.3, -0.4)
    ]


@case("histories")
def histories(_: Path) -> dict[str, Any]:
    """Calibration histories: drift, walk, found states, a family, and what follows."""
    worked, stated = table(*ROWS), table(*ROWS, *STATES, tolerance=[1e-7] * 6)
    used = table(*ROWS, in_use_hours=[0.0, 2000.0, 5000.0, 6000.0])
    options: dict[str, tuple[Any, dict[str, Any]]] = {
        "constant": (worked, {"drift_law": "constant"}),
        "automatic": (worked, {}),
        "logarithmic": (worked, {"drift_law": "logarithmic"}),
        "states": (stated, {"drift_law": "constant"}),
        "uncompensated": (worked, {"oscillator_class": "uncompensated"}),
        "related": (family(), {"drift_law": "constant"}),
        "identical": (family(), {"drift_law": "constant", "family": "identical"}),
        "one_calibration": (table(ROWS[1]), {}),
    }
    model = eb.fit_history(worked, drift_law="constant")
    broken = table(*ROWS[:3], ("2022-12-31", 1.3e-7, 0.0, 3e-9, "yes"))
    return {
        "worked": of.history(worked),
        "stated": of.history(stated),
        "in_use": of.history(used.by_time_in_use()),
        "models": {
            name: tried(lambda h=h, o=o: of.history_model(eb.fit_history(h, **o), 1e-7))
            for name, (h, o) in options.items()
        },
        "interval": of.interval(eb.suggest_interval(model, tolerance=1e-7, calendar_unit="month")),
        "back_cast": of.back_cast(eb.back_cast(broken, tolerance=1e-7, paths=1000)),
    }


@case("at-length-histories")
def histories_at_length(_: Path) -> dict[str, Any]:
    """Methods beside each other, setpoints, and never having left."""
    worked, stated = table(*ROWS), table(*ROWS, *STATES, tolerance=[1e-7] * 6)
    used = table(*ROWS, in_use_hours=[0.0, 2000.0, 5000.0, 6000.0])
    model = eb.fit_history(worked)
    return {
        "methods": of.methods(eb.calibration.compare_methods(worked, tolerance=1e-7)),
        "methods_of_states": of.methods(
            eb.calibration.compare_methods(stated, tolerance=5e-8, reliability=0.9)
        ),
        "methods_of_family": tried(
            lambda: of.methods(eb.calibration.compare_methods(family(), tolerance=5e-8))
        ),
        "methods_in_use": of.methods(eb.calibration.compare_methods(used, tolerance=5e-8)),
        "never_left": of.interval(
            eb.suggest_interval(model, tolerance=1e-7, meaning="never_left", paths=1000)
        ),
        "setpoint": of.setpoint(eb.suggest_setpoint(model, tolerance=1e-7)),
    }


def found_states() -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return after, before and counts of units found in and out at four ages."""
    at = YEAR / 12 * np.array([6.0, 12.0, 18.0, 24.0])
    found, inside = np.array([20, 25, 15, 10]), np.array([20, 23, 12, 7])
    after, before = np.concatenate([at, np.zeros(4)]), np.concatenate([np.full(4, np.inf), at])
    counts = np.concatenate([inside, found - inside])
    return after[counts > 0], before[counts > 0], counts[counts > 0]


@case("reliability")
def reliabilities(_: Path) -> dict[str, Any]:
    """Fit reliability models to found states and exact times."""
    rng = np.random.default_rng(70)
    times = rng.weibull(1.7, 60) * 3 * YEAR
    low, high = np.minimum(times, 4 * YEAR), np.where(times > 4 * YEAR, np.inf, times)
    other = {"reliability": 0.9, "confidence": 0.8}
    return {
        "found_states": of.reliability(eb.calibration.fit_reliability(*found_states(), models=QUICK)),
        "found_states_at_90": of.reliability(
            eb.calibration.fit_reliability(*found_states(), models=QUICK, **other)
        ),
        "exact_times": of.reliability(eb.calibration.fit_reliability(low, high, models=QUICK)),
    }


@case("at-length-reliability")
def reliabilities_at_length(_: Path) -> dict[str, Any]:
    """Fit every reliability model."""
    return of.reliability(eb.calibration.fit_reliability(*found_states()))


QUICK = ("exponential", "weibull", "random_walk")
RULES = (
    "simple_acceptance",
    "guard_band",
    "guard_band_0.83",
    "guard_band_1.5",
    "guard_band_3",
    "non_binary",
)


@case("decisions")
def decisions(_: Path) -> dict[str, Any]:
    """Decisions under every rule, and the risk of all that are measured."""
    measured = {f"{value:g}": eb.Estimate.normal(value, 1e-8) for value in (0.0, 8e-8, 9e-8, 1.1e-7, -1.3e-7)}

    def shared(rule: str, ratio: float) -> list[float]:
        found = eb.calibration.global_risk(
            tolerance=1.0, expanded_uncertainty=1 / ratio, in_tolerance_probability=0.95, rule=rule
        )
        return [found.false_accept, found.false_reject]

    def decided(known: eb.Estimate, **options: Any) -> dict[str, Any]:
        return of.decision(eb.decide(known, **options))

    return {
        rule: {
            "decided": {
                name: tried(decided, known, tolerance=1e-7, rule=rule) for name, known in measured.items()
            },
            "one_sided": tried(decided, eb.Estimate.normal(0.95, 0.03), upper=1.0, rule=rule, coverage=0.95),
            "global_risk": {f"{ratio:g}": tried(shared, rule, ratio) for ratio in (1.0, 1.5, 4.0, 10.0)},
        }
        for rule in RULES
    }


@case("readings")
def readings(_: Path) -> dict[str, Any]:
    """Judge readings of every function, the best, what a claim needs, and how to adjust."""
    slow, fast = (eb.Trigger.of_sine(hertz, 1.0, noise_v=1e-3) for hertz in (50.0, 1e7))
    known = eb.Timebase(
        offset=1e-8, contributions=(eb.Contribution(name="timebase", standard_uncertainty=1e-9),)
    )
    aged = eb.Timebase.from_calibration(
        eb.Estimate.normal(2e-9, 5e-10), elapsed_s=180 * DAY, aging_rate_per_second=PER_DAY
    )
    model = eb.fit_clock(SIMULATED["aging-linear"].record(), aging="linear", most_blocks=60)
    modelled = eb.Timebase.from_model(model, model.record.duration_s + 30 * DAY)
    budgets: dict[str, tuple[str, Any, dict[str, Any]]] = {
        "direct": ("frequency", 1e6, {"gate_s": 1.0, "timebase": 1e-6}),
        "reciprocal": (
            "frequency",
            1e3,
            {"method": "reciprocal", "gate_s": 1.0, "clock_tick_s": 1e-8, "trigger": slow, "timebase": known},
        ),
        "interpolating": (
            "frequency",
            1e7,
            {
                "method": "reciprocal",
                "gate_s": 10.0,
                "clock_tick_s": 2e-9,
                "interpolator_s": 1e-10,
                "trigger": fast,
                "timebase": aged,
                "least_digit": 1e-4,
            },
        ),
        "repeated": (
            "frequency",
            [9999999.9, 10000000.1, 10000000.2, 9999999.8],
            {"gate_s": 10.0, "timebase": modelled},
        ),
        "locked": ("frequency", 1e7, {"gate_s": 1.0, "timebase": 1e-7, "locked": True}),
        "period": ("period", 0.02, {"periods": 50, "clock_tick_s": 1e-7, "trigger": slow, "timebase": 1e-6}),
        "time_interval": (
            "time_interval",
            1e-4,
            {"clock_tick_s": 2e-9, "delay_mismatch_s": 1e-9, "timebase": known, "trigger": fast},
        ),
        "totalise": ("totalise", 1e7, {"gate_s": 10.0, "gate_uncertainty_s": 1e-6, "timebase": 1e-6}),
        "rpm": ("rpm", 3000.0, {"gate_s": 1.0, "pulses_per_revolution": 60, "timebase": 1e-5}),
        "rpm_timed": ("rpm", 3000.0, {"method": "reciprocal", "gate_s": 0.02, "clock_tick_s": 1e-6}),
        "ratio": ("ratio", 12.5, {"gate_s": 1.0}),
        "uniform_count": ("frequency", 1e6, {"gate_s": 0.1, "count_law": "rectangular"}),
        "reference": ("frequency", 1e7, {"gate_s": 1.0, "timebase": known, "reference_uncertainty": 1e-11}),
    }
    reach = eb.best_uncertainty(
        [10.0, 1e3, 1e5, 1e7], [0.1, 1.0, 10.0], clock_tick_s=1e-8, level_v=1.0, noise_v=1e-3, timebase=1e-8
    )
    claims = {"near": (3e-7, 1e6, known), "far": (1e-8, 1e7, 1e-6), "hopeless": (1e-8, 50.0, 1e-6)}

    def needed(claimed: float, hertz: float, timebase: Any) -> list[float]:
        stated = eb.Timebase.from_specification(timebase) if isinstance(timebase, float) else timebase
        found = stated.needed_for(claimed, hertz, longest_gate_s=100.0)
        return [found.gate_s, found.timebase_standard_uncertainty]

    def advice(**options: Any) -> dict[str, Any]:
        found = eb.suggest_adjustment(eb.Estimate.normal(2.3e-8, 1e-9), tolerance=1e-7, **options)
        return {
            "target_and_move": [found.target, found.move],
            "reading_hz": [found.reading_now_hz, found.reading_then_hz],
            "readings": found.readings,
            **of.findings(found),
        }

    shown = {"elapsed_s": [0.0, 30 * DAY, 180 * DAY], "frequency_hz": [1e3, 1e7], "gate_s": [1.0, 10.0]}
    return {
        "readings": {
            name: tried(lambda f=f, v=v, o=o: of.reading(eb.reading_uncertainty(f, v, **o)))
            for name, (f, v, o) in budgets.items()
        },
        "timebases": {
            name: [one.offset, one.standard_uncertainty, len(one.contributions)]
            for name, one in {"known": known, "aged": aged, "modelled": modelled}.items()
        },
        "triggers": [slow.jitter_s, slow.slew_rate_v_per_s, fast.jitter_s, fast.slew_rate_v_per_s],
        "reach": {
            "direct": reach.direct,
            "reciprocal": reach.reciprocal,
            "best": reach.best,
            "limit": reach.limit,
        },
        "needed": {name: tried(needed, *claim) for name, claim in claims.items()},
        "adjustment": {
            "plain": tried(advice),
            "to_a_target": tried(
                advice,
                target=-3.3e-8,
                reading_standard_uncertainty=1e-8,
                nominal_frequency_hz=1e7,
            ),
        },
        "card": tried(lambda: of.card(eb.timebase_card(model, **shown))),
        "card_corrected": tried(
            lambda: of.card(
                eb.timebase_card(
                    [known, aged, modelled], **shown, corrected=True, method="reciprocal", clock_tick_s=1e-8
                )
            )
        ),
    }


@case("plans")
def plans(_: Path) -> dict[str, Any]:
    """How long a log must be for what is wanted of it."""
    floor = eb.NoiseLevels(flicker_fm=1e-26, white_fm=1e-22)
    fitted = eb.fit_noise_levels(SIMULATED["all-five"].record())
    model = eb.fit_clock(SIMULATED["aging-linear"].record(), aging="linear", most_blocks=60)
    wanted: dict[str, tuple[Any, dict[str, Any]]] = {
        "drift": (floor, {"drift_per_day": 1e-11}),
        "drift_uncertainty": (floor, {"drift_uncertainty_per_day": 1e-13}),
        "deviation": (floor, {"averaging_time_s": 1000.0, "resolution_s": 1e-9}),
        "temperature": (
            floor,
            {
                "temperature_step_k": 5.0,
                "temperature_lag_s": 1800.0,
                "sensitivity_uncertainty_per_k": 1e-13,
                "drift_per_day": 1e-11,
            },
        ),
        "of_fit": (fitted, {"averaging_time_s": 100.0}),
        "of_model": (model, {"drift_uncertainty_per_day": 1e-12}),
        "of_class": ("oven", {"drift_per_day": 1e-11}),
    }

    def plan(noise: Any, options: Mapping[str, Any]) -> dict[str, Any]:
        found = eb.calibration.plan_experiment(noise, **options)
        heat = found.temperature
        return {
            "record_length_s": found.record_length_s,
            "goals": [[goal.record_length_s, goal.safe_length_s] for goal in found.goals],
            "averaging_time_s": found.averaging_time_s,
            "clock": found.clock,
            "allowed": found.allowed,
            "counter": found.counter,
            "gate_s": found.gate_s,
            "temperature": None
            if heat is None
            else [heat.dwell_s, heat.duration_s, heat.sensitivity_uncertainty_per_k],
            **of.findings(found),
        }

    return {name: tried(plan, noise, options) for name, (noise, options) in wanted.items()}


@case("specification")
def specifications(_: Path) -> dict[str, Any]:
    """Hold a written specification against a clock."""
    given = with_room()
    model = eb.fit_clock(given, aging="linear", environment=["room_c"], most_blocks=60)
    asked = eb.calibration.Specification.of(
        {"quantity": "stability", "averaging_time": "1 h", "limit": 2e-12},
        {"quantity": "stability", "averaging_time": "10 min", "limit": 3e-12},
        {"quantity": "aging_per_day", "limit": 2.2e-11},
        {"quantity": "aging_per_day", "limit": [-1e-10, 8e-12]},
        {"quantity": "aging_per_year", "limit": 1e-8},
        {"quantity": "temperature", "covariate": "room_c", "from": 20, "to": 26, "limit": 3e-11},
        {"quantity": "temperature", "covariate": "room_c", "from": 18, "to": 50, "limit": 3e-11},
        {"quantity": "warm_up", "after": "30 min", "compared_with": "24 h", "limit": 1e-8},
        {"quantity": "offset", "limit": 1e-8},
        {"quantity": "offset", "limit": 1.5e-9},
    )
    return {
        "model": of.specification(eb.calibration.check_specification(asked, model=model)),
        "record": tried(
            lambda: of.specification(eb.calibration.check_specification(asked, given, powered_on_s=0.0))
        ),
        "guarded": of.specification(
            eb.calibration.check_specification(
                asked, model=model, rule="guard_band", reference_uncertainty=2e-10
            )
        ),
    }


@case("fleet")
def fleet(folder: Path) -> dict[str, Any]:
    """Make the due list of the demo fleet."""
    source = folder / "fleet-history.csv"
    return {
        "usual": of.due_list(eb.assess_fleet(source, on="2026-06-15", processes=1)),
        "strict": of.due_list(
            eb.assess_fleet(source, on="2026-06-15", processes=1, reliability=0.99, longest_interval_s=YEAR)
        ),
    }


@case("counter-check")
def counter_check(folder: Path) -> dict[str, Any]:
    """Check the readings sheet of the demo counter."""
    sheet = folder / "counter-check-readings.csv"
    return {
        "as_stated": of.bench(eb.bench_check(sheet)),
        "guarded": of.bench(eb.bench_check(sheet, rule="guard_band", permitted_relative=1e-7)),
        "locked": tried(lambda: of.bench(eb.bench_check(sheet, locked=True, clock_tick_s=1e-8))),
    }


@case("kittiwake-history")
def kittiwake_history(folder: Path) -> dict[str, Any]:
    """Fit the demo history: its model, its interval, and when it left a tolerance."""
    path = folder / "kittiwake-history.csv"
    known = eb.CalibrationHistory.from_table(path)

    return {
        "history": of.history(known),
        "model": of.history_model(eb.fit_history(known), 1e-8),
        "interval": of.interval(eb.suggest_interval(eb.fit_history(known), tolerance=1e-8)),
        "back_cast": of.back_cast(eb.back_cast(known, tolerance=1e-9, paths=1000)),
    }


@case("at-length-kittiwake-history")
def kittiwake_history_at_length(folder: Path) -> dict[str, Any]:
    """Assess the demo history with the audit record."""
    path = folder / "kittiwake-history.csv"

    def assessed(**options: Any) -> dict[str, Any]:
        found = eb.assess_history(path, tolerance=1e-8, **options)
        return {
            "model": of.history_model(found.model, 1e-8),
            "interval": of.interval(found.interval),
            "setpoint": of.setpoint(found.setpoint),
            "case": of.filed(found.case),
            "codes": of.codes(found),
        }

    return {
        "methods": of.methods(
            eb.calibration.compare_methods(eb.CalibrationHistory.from_table(path), tolerance=5e-9)
        ),
        "assessed": assessed(),
        "guarded": assessed(basis=eb.DecisionBasis.of("guard_band"), calendar_unit="month"),
    }


# the demo logs


def assessed_log(path: Path, *, factor: int = 1, **options: Any) -> dict[str, Any]:
    """Return record, conditioning and assessment of a demo log."""
    given = eb.read_log(path)
    done = eb.condition(given)
    short = done.averaged(factor) if factor > 1 else done
    return {
        "record": of.record(given),
        "conditioning": of.conditioning(done, raw=given),
        "assessment": tried(lambda: of.assessment(eb.assess(short, **options))),
    }


@case("demo-kittiwake-by-the-hour")
def kittiwake_averaged(folder: Path) -> dict[str, Any]:
    """Condition the long demo log, then assess averages of an hour."""
    return assessed_log(
        folder / "kittiwake.csv.gz",
        factor=360,
        tolerance=4e-9,
        time_error_limit_s=1e-3,
        environment=["room_temperature_c"],
    )


@case("demo-kittiwake")
def kittiwake(folder: Path) -> dict[str, Any]:
    """Assess the long demo log as it is, by ten minutes, and with its calibrations."""
    path = folder / "kittiwake.csv.gz"
    return {
        **assessed_log(path, tolerance=4e-9, time_error_limit_s=1e-3),
        "by_ten_minutes": assessed_log(path, factor=60, tolerance=4e-9)["assessment"],
        "with_history": of.assessment(
            eb.assess(eb.read_log(path), tolerance=4e-9, history=folder / "kittiwake-history.csv")
        ),
    }


@case("demo-fulmar")
def fulmar(folder: Path) -> dict[str, Any]:
    """Assess the small counter with its five displayed values."""
    path = folder / "fulmar.csv.gz"
    return assessed_log(path, tolerance=1e-7) | {
        "levels": of.noise_fit(eb.fit_noise_levels(eb.read_log(path))),
        "spectrum": of.spectrum(eb.spectrum(eb.read_log(path), bins_per_decade=3)),
    }


@case("demo-fulmar-evening")
def fulmar_evening(folder: Path) -> dict[str, Any]:
    """Assess a log of one displayed value."""
    path = folder / "fulmar-evening.csv"
    return assessed_log(path, tolerance=1e-7) | everything(eb.read_log(path), tolerance=1e-7)


@case("demo-gannet")
def gannet(folder: Path) -> dict[str, Any]:
    """Assess a loop that opens after ten days."""
    path = folder / "gannet.csv.gz"
    return assessed_log(path, tolerance=1e-10) | {
        "moving": of.moving(eb.moving_stability(eb.read_log(path), DAY, step_s=DAY, averaging=[1, 30, 1000])),
        "spectrum": of.spectrum(eb.spectrum(eb.read_log(path), bins_per_decade=3)),
    }


@case("at-length-gannet")
def gannet_at_length(folder: Path) -> dict[str, Any]:
    """Assess the locked part by itself."""
    locked = eb.read_log(folder / "gannet.csv.gz").between(0, 9.9 * DAY).averaged(30)
    return {"locked_part": of.assessment(eb.assess(locked, tolerance=1e-10))}


@case("case-for-the-file")
def case_for_the_file(folder: Path) -> dict[str, Any]:
    """Assess with all that an auditor asks for: twenty models and a backtest."""
    given = eb.read_log(folder / "fulmar.csv.gz").averaged(60)
    asked = {"tolerance": 1e-7, "basis": eb.DecisionBasis.of("guard_band")}
    return {"assessment": of.assessment(eb.assess(given, **asked))}


# open measured data, with the options that each file needs

BY_HAND = {"columns": {"value": "clock_minus_ref_s", "time": None}, "interval_s": 1}


@dataclass(frozen=True, kw_only=True)
class Log:
    """A file of a folder: options that read it, what is asked of it, and which part is taken."""

    file: str
    options: Mapping[str, Any] = field(default_factory=dict)
    tolerance: float = 1e-9
    statistics: Sequence[str] = USUAL
    samples: int | None = None
    environment: Sequence[str] = ()
    at_length: bool = False

    def numbers(self, folder: Path) -> dict[str, Any]:
        """Return the numbers of the log, or the class of the error where it is refused."""
        given = tried(eb.read_log, folder / self.file, **self.options)
        if isinstance(given, dict):
            return given
        part = self.part(given)
        asked = {"tolerance": self.tolerance, "environment": self.environment}
        numbers = everything(part, statistics=self.statistics, **asked)
        return numbers if part is given else numbers | {"whole": of.record(given)}

    def numbers_at_length(self, folder: Path) -> dict[str, Any]:
        """Return what takes seconds."""
        given = self.part(eb.read_log(folder / self.file, **self.options))
        return at_length(given, tolerance=self.tolerance, environment=self.environment)

    def part(self, given: eb.Record) -> eb.Record:
        """Return the samples that are taken."""
        return given if self.samples is None else given.between(0, self.samples * given.interval_s)


def cases_of_log(name: str, log: Log, needs: str) -> None:
    """Put a log among the cases."""
    CASES[name] = Case(compute=log.numbers, needs=needs)
    if log.at_length:
        CASES[f"at-length-{name}"] = Case(compute=log.numbers_at_length, needs=needs)


CRYSTAL = {
    "tolerance": 1e-4,
    "environment": ("temperature_c",),
    "options": {"nominal_frequency_hz": 10.14e6},
}
OPEN_LOGS: dict[str, Log] = {
    "caesium-vs-maser": Log(file="caesium-vs-maser-phase.txt.gz", samples=10_000, tolerance=1e-12),
    "counter-floor": Log(file="counter-floor-time-interval.txt.gz", statistics=LONG, tolerance=1e-12),
    "oven-oscillator": Log(
        file="oven-oscillator-frequency.txt.gz", options={"interval_s": 1}, statistics=BRIEF, at_length=True
    ),
    "crystal-with-temperature-1": Log(
        file="crystal-with-temperature-1.csv.gz", **CRYSTAL | {"options": {"nominal_frequency_hz": 11.06e6}}
    ),
    "crystal-with-temperature-2": Log(file="crystal-with-temperature-2.csv.gz", statistics=BRIEF, **CRYSTAL),
    "crystal-with-temperature-3": Log(file="crystal-with-temperature-3.csv.gz", statistics=LONG, **CRYSTAL),
    "crystal-with-temperature-4": Log(file="crystal-with-temperature-4.csv.gz", statistics=BRIEF, **CRYSTAL),
    "ratio-decimal-comma": Log(
        file="ratio-decimal-comma-quantised.csv.gz",
        options={"quantity": "frequency_ratio"},
        statistics=LONG,
        tolerance=1e-8,
    ),
    "second-interval-errors": Log(
        file="second-interval-errors-missed-pulses.txt.gz",
        options={"quantity": "interval_error", "unit": "-us", "interval_s": 1, "reading_of": "reference"},
        statistics=LONG,
        samples=30_000,
        tolerance=1e-2,
    ),
    "module-clock": Log(
        file="module-clock-vs-computer.csv.gz", options={"columns": {"time": "Actual Time"}}, tolerance=1e-3
    ),
    "gnss-clock-AMC2": Log(
        file="gnss-clocks-300s.clk.gz", options={"clock": "AMC2"}, tolerance=1e-12, at_length=True
    ),
    "gnss-clock-G10": Log(file="gnss-clocks-300s.clk.gz", options={"clock": "G10"}, tolerance=1e-11),
    "nine-year-quartz-rows": Log(file="nine-year-quartz-clock.csv", options=BY_HAND),
    "oscillator-change-rows": Log(file="oscillator-change-clock.csv", options=BY_HAND),
    "degradation-rows": Log(
        file="degradation-to-limit.csv",
        options={
            "columns": {"value": "increase", "time": None},
            "quantity": "phase",
            "unit": "s",
            "interval_s": 1,
        },
        tolerance=1.0,
    ),
    "refused-without-options": Log(file="gnss-clocks-300s.clk.gz"),
}
for _name, _log in OPEN_LOGS.items():
    cases_of_log(f"open-{_name}", _log, "open_data")


def read_now_and_then(path: Path, *, grid_s: float = 600.0) -> eb.Record:
    """Return a table of seconds gained (column 3) against reference seconds (1) on a fine grid."""
    rows = np.genfromtxt(path, delimiter=",", skip_header=2, usecols=(1, 3))
    position = np.round((rows[:, 0] - rows[0, 0]) / grid_s).astype(int)
    phase = np.full(position[-1] + 1, np.nan)
    phase[position] = rows[:, 1]
    return eb.Record.from_phase(phase, interval_s=grid_s)


@case("open-nine-year-quartz", needs="open_data")
def nine_years(folder: Path) -> dict[str, Any]:
    """Fit nine years of quartz, and their first part."""
    whole = read_now_and_then(folder / "nine-year-quartz-clock.csv")
    early = whole.between(0, 0.6 * whole.duration_s)
    return {
        "record": of.record(whole),
        "clock": of.clock(eb.fit_clock(whole)),
        "early": of.clock(eb.fit_clock(early)),
    }


@case("at-length-open-nine-year-quartz", needs="open_data")
def nine_years_at_length(folder: Path) -> dict[str, Any]:
    """Fit the first part of nine years under single laws, with holdover and interval."""
    whole = read_now_and_then(folder / "nine-year-quartz-clock.csv")
    early = whole.between(0, 0.6 * whole.duration_s)
    model = eb.fit_clock(early)
    return {
        **{law: of.clock(eb.fit_clock(early, aging=law)) for law in ("linear", "logarithmic")},
        "holdover": of.holdover(eb.predict_holdover(model, time_error_limit_s=1.0)),
        "interval": of.interval(eb.suggest_interval(model, tolerance=2e-7)),
    }


@case("open-oscillator-change", needs="open_data")
def oscillator_change(folder: Path) -> dict[str, Any]:
    """Fit a clock whose oscillator was changed, and the part since."""
    whole = read_now_and_then(folder / "oscillator-change-clock.csv")
    done = eb.condition(whole)
    since = done.between(268 * DAY, done.duration_s + 1)
    return {
        "record": of.record(whole),
        "conditioning": of.conditioning(done, raw=whole),
        "clock": of.clock(eb.fit_clock(done)),
        "since": of.clock(eb.fit_clock(since)),
    }


@case("open-caesium-vs-maser-whole", needs="open_data")
def caesium_whole(folder: Path) -> dict[str, Any]:
    """Take all 556 990 seconds."""
    given = eb.read_log(folder / "caesium-vs-maser-phase.txt.gz")
    return everything(given, tolerance=1e-12, statistics=[*LONG, "total", "theo1"])


@case("open-second-interval-errors-whole", needs="open_data")
def second_errors_whole(folder: Path) -> dict[str, Any]:
    """Take all 253 241 seconds."""
    log = OPEN_LOGS["second-interval-errors"]
    return everything(eb.read_log(folder / log.file, **log.options), tolerance=1e-2, statistics=LONG)


@case("open-gnss-clocks", needs="open_data")
def gnss_clocks(folder: Path) -> dict[str, Any]:
    """Take more clocks of one file: masers, satellites, a receiver's quartz."""
    names = ("ALIC", "NRC1", "R10")
    return {
        name: Log(
            file="gnss-clocks-300s.clk.gz", options={"clock": name}, statistics=LONG, tolerance=1e-11
        ).numbers(folder)
        for name in names
    }


@case("open-found-states", needs="open_data")
def open_found_states(folder: Path) -> dict[str, Any]:
    """Units inspected once."""
    frame = pd.read_csv(folder / "found-state-at-inspection.csv")
    at, failed = frame["hours"].to_numpy(float) * HOUR, frame["failed"].to_numpy(float)
    inside = frame["inspected"].to_numpy(float) - failed
    after, before = np.concatenate([at, 0 * at]), np.concatenate([np.full(len(at), np.inf), at])
    counts = np.concatenate([inside, failed])
    used = counts > 0
    rows = after[used], before[used], counts[used]
    return of.reliability(eb.calibration.fit_reliability(*rows, models=QUICK))


@case("open-interval-censored", needs="open_data")
def open_interval_censored(folder: Path) -> dict[str, Any]:
    """Interval-censored times."""
    rows = pd.read_csv(folder / "interval-censored.csv")
    return of.reliability(
        eb.calibration.fit_reliability(
            rows["left"].to_numpy(float),
            rows["right"].to_numpy(float),
            models=QUICK,
        )
    )


# logs as bench counters write them: as they are, and with what they do not say

FIELD_LOGS: dict[str, Log] = {
    "01-serial-prompts": Log(file="01-serial-prompts.txt.gz"),
    "01-serial-prompts-stated": Log(
        file="01-serial-prompts.txt.gz", options={"bad_lines": "reject", "interval_s": 1}
    ),
    "03-thousands": Log(file="03-thousands.txt.gz"),
    "04-mhz-suffix": Log(file="04-mhz-suffix.log.gz"),
    "05-1pps-ti": Log(file="05-1pps-ti.txt.gz"),
    "05-1pps-ti-stated": Log(
        file="05-1pps-ti.txt.gz",
        options={"interval_s": 1, "quantity": "phase", "unit": "s"},
        statistics=BRIEF,
    ),
    "06b-two-interleaved": Log(file="06b-two-interleaved-nolabel.csv.gz", statistics=BRIEF, tolerance=1e-6),
    "08b-count16": Log(file="08b-count16.txt.gz", tolerance=1.0),
    "10-hand": Log(file="10-hand.txt"),
    "10-hand-stated": Log(file="10-hand.txt", options={"bad_lines": "reject", "date_order": "day-first"}),
    "14-delta-hz": Log(file="14-delta-hz.csv.gz"),
    "16-temp-jump": Log(file="16-temp-jump.csv.gz", tolerance=1e-7, statistics=BRIEF),
    "16-temp-jump-environment": Log(
        file="16-temp-jump.csv.gz", tolerance=1e-7, statistics=(), environment=("temperature_c",)
    ),
    "17-phase-step": Log(file="17-phase-step.csv.gz", tolerance=1e-9),
    "n12288": Log(file="n12288.csv.gz", tolerance=1e-4),
    "n12288-stated": Log(file="n12288.csv.gz", options={"nominal_frequency_hz": 12.288e6}, tolerance=1e-4),
    "n32768": Log(file="n32768.csv.gz", tolerance=1e-4),
}
for _name, _log in FIELD_LOGS.items():
    cases_of_log(f"field-{_name}", _log, "field_logs")
