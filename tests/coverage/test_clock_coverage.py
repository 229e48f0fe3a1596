"""Coverage of the clock model's intervals on a panel of simulated clocks, and what it costs in width.

``pytest -m long tests/coverage/test_clock_coverage.py`` simulates every clock of the panel some hundred
times, fits it as a user would and writes ``clock_coverage.md`` beside this file, all in one go (ten
minutes of processor time). The prior of the model was chosen on clocks with other seeds, many with other
levels.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import pytest
from scipy import signal

from evenbeat.clock.contrasts import Contrasts
from evenbeat.clock.covariance import FLICKER_FM, RANDOM_WALK_FM, WHITE_FM, Spans, mean_frequency_covariance
from evenbeat.clock.fit import fit_clock
from evenbeat.clock.model import ClockModel
from evenbeat.powerlaw import NoiseLevels, simulate_clock
from evenbeat.record import Record

TABLE = Path(__file__).with_name("clock_coverage.md")
DAY = 86400.0
HORIZONS = (0.1, 0.5, 1.0)
QUANTITIES = ("aging rate", "offset at the end", *(f"time error, {h:g}" for h in HORIZONS))
FIRST_SEED = 7_000_000
FEWER = 60
"""For clocks whose fits take a second or two."""
ALLAN_DEVIATION = 1e-11
LAG_S = 2 * 3600.0
Aging = Callable[[np.ndarray], np.ndarray]


@dataclass(frozen=True, kw_only=True)
class Clock:
    """One member of the panel: noises by their Allan variance at ``block_s`` relative to 1e-11 squared."""

    name: str
    readings: int
    white: float = 0.0
    flicker: float = 0.0
    walk: float = 0.0
    interval_s: float = DAY
    block_s: float = DAY
    law: str = "linear"
    aging: Aging | None = None
    slope_at_end: float = 0.0
    bend: float = 0.0
    missing: float = 0.0
    display_step: float = 0.0
    sensitivity: float = 0.0
    runs: int = 200
    variances: dict[int, float] = field(init=False)

    def __post_init__(self) -> None:
        white = self.white + self.display_step**2 / 12 / ALLAN_DEVIATION**2  # rounding, as white FM
        object.__setattr__(
            self, "variances", {WHITE_FM: white, FLICKER_FM: self.flicker, RANDOM_WALK_FM: self.walk}
        )

    @property
    def duration_s(self) -> float:
        """Length of the record."""
        return self.readings * self.interval_s

    @property
    def levels(self) -> NoiseLevels:
        """Levels for the simulation (NIST SP 1065, power-law table)."""
        square = ALLAN_DEVIATION**2
        return NoiseLevels(
            white_fm=2 * self.block_s * self.white * square,
            flicker_fm=self.flicker * square / (2 * math.log(2)),
            random_walk_fm=3 * self.walk * square / (2 * math.pi**2 * self.block_s),
        )


def _log_aging(days: float) -> Aging:
    return lambda t: 2e-10 * np.log1p(t / (days * DAY))


WEEK = {"readings": 60480, "interval_s": 10.0, "block_s": 1000.0, "runs": 100}
DRIFT = {"aging": lambda t: 3e-12 * t / DAY, "slope_at_end": 3e-12 / DAY}
PANEL = (
    Clock(name="white FM, 60 days", readings=60, white=1),
    Clock(name="white FM, 100 days", readings=100, white=1),
    Clock(name="white FM, 365 days", readings=365, white=1),
    Clock(name="flicker FM, 100 days", readings=100, flicker=1),
    Clock(name="random-walk FM, 60 days", readings=60, walk=1),
    Clock(name="random-walk FM, 100 days", readings=100, walk=1),
    Clock(name="hidden random walk, 60 days", readings=60, white=1, walk=0.01),
    Clock(name="hidden random walk, 100 days", readings=100, white=1, walk=0.01),
    Clock(name="hidden random walk, 365 days", readings=365, white=1, walk=0.01),
    Clock(name="white + 0.3 flicker, linear drift, 100 days", readings=100, white=1, flicker=0.3, **DRIFT),
    Clock(name="white + 0.1 walk, 100 days", readings=100, white=1, walk=0.1),
    Clock(
        name="white + 0.1 flicker + 0.01 walk, linear drift, 365 days",
        readings=365,
        white=1,
        flicker=0.1,
        walk=0.01,
        **DRIFT,
    ),
    Clock(
        name="log aging, white + 0.3 flicker, 365 days",
        readings=365,
        white=1,
        flicker=0.3,
        law="logarithmic",
        aging=_log_aging(30),
        slope_at_end=2e-10 / (30 + 365) / DAY,
        bend=365 / 30,
        runs=FEWER,
    ),
    Clock(
        name="temperature with lag, white + 0.1 flicker, 60 days hourly",
        readings=1440,
        interval_s=3600.0,
        block_s=3600.0,
        white=1,
        flicker=0.1,
        sensitivity=2e-11,
        runs=FEWER,
    ),
    Clock(name="20 % gaps, flicker + 0.1 walk, 100 days", readings=100, flicker=1, walk=0.1, missing=0.2),
    Clock(name="quantised, white + 0.1 walk, 100 days", readings=100, white=1, walk=0.1, display_step=2e-11),
    Clock(name="10 s for a week, white + 0.3 flicker", white=1, flicker=0.3, **WEEK),
    Clock(name="10 s for a week, white + 0.001 walk", white=1, walk=0.001, **WEEK),
)


def simulated(clock: Clock, seed: int) -> tuple[Record, np.ndarray]:
    """Return a record and the truth of the quantities; the simulation runs on half readings."""
    generator = np.random.default_rng(seed)
    half = 0.5 * clock.interval_s
    made = simulate_clock(
        4 * clock.readings, interval_s=half, levels=clock.levels, seed=generator, aging=clock.aging
    ).values
    time = (np.arange(len(made)) + 0.5) * half
    room = np.sin(2 * np.pi * time / DAY + generator.uniform(0, 2 * np.pi))
    made = made + clock.sensitivity * _lagged(room, half)
    readings = made[: 2 * clock.readings].reshape(-1, 2).mean(axis=1)
    if clock.display_step:
        readings = clock.display_step * np.round(readings / clock.display_step)
    if clock.missing:
        readings[_gaps(clock)] = np.nan
    temperature = 20 + room[: 2 * clock.readings].reshape(-1, 2).mean(axis=1)
    record = Record.from_frequency(
        readings,
        interval_s=clock.interval_s,
        covariates={"room_temperature_c": temperature} if clock.sensitivity else None,
    )
    end = 2 * clock.readings
    beside = round(0.5 * clock.block_s / half)
    ahead = [round(2 * h * clock.readings) for h in HORIZONS]
    offset = made[end - beside : end + beside].mean()
    gained = [float(np.sum(made[end : end + n]) * half) for n in ahead]
    return record, np.array([clock.slope_at_end, offset, *gained])


def _lagged(room: np.ndarray, step_s: float) -> np.ndarray:
    """Return what a crystal feels of a room behind a first-order lag."""
    keep = math.exp(-step_s / LAG_S)
    return np.asarray(signal.lfilter([1 - keep], [1, -keep], room))


def _gaps(clock: Clock) -> np.ndarray:
    """Return which readings are missing: single ones and runs, the same in every run."""
    generator = np.random.default_rng(1)
    gone = np.zeros(clock.readings, dtype=bool)
    while gone.mean() < clock.missing:
        first = int(generator.integers(1, clock.readings - 4))
        gone[first : first + int(generator.integers(1, 4))] = True
    return gone


def fitted(clock: Clock, record: Record) -> ClockModel:
    """Fit as a user would who knows the law of aging."""
    environment = ("room_temperature_c",) if clock.sensitivity else ()
    return fit_clock(record, aging=clock.law, environment=environment)


def intervals(model: ClockModel, clock: Clock) -> dict[float, np.ndarray]:
    """Return the limits of every quantity at 95 % and 68.27 %, each of shape (2, 5)."""
    end = clock.duration_s
    rate = model.aging_rate()
    offset = model.frequency_at([end], averaging_time_s=clock.block_s)
    gained = model.time_error_at(end * (1 + np.array(HORIZONS)))
    limits = {}
    for share in (0.95, 0.6827):
        sides = zip(rate.interval(share), offset.interval(share), gained.interval(share), strict=True)
        limits[share] = np.array([[float(r), float(o[0]), *g] for r, o, g in sides])
    return limits


def _columns(clock: Clock, spans: Spans, model: ClockModel) -> np.ndarray:
    """Return the trend over spans in units of the record: a line, or a logarithm linearised in its bend."""
    if clock.law == "linear":
        columns = spans.middle[:, np.newaxis]
    else:
        fine = spans.start + np.outer((np.arange(200) + 0.5) / 200, spans.length)
        bent = 1 + clock.bend * fine
        columns = np.column_stack([np.log(bent).mean(axis=0), (fine / bent).mean(axis=0)])
    if not clock.sensitivity:
        return columns
    wave = (
        2 * np.pi * clock.duration_s / DAY * spans.middle
    )  # the environment is a daily wave of unknown phase
    inside = np.where(spans.middle <= 1 + clock.interval_s / clock.duration_s, 1.0, 0.0)
    return np.column_stack([columns, inside * np.sin(wave), inside * np.cos(wave)])


def known_levels(clock: Clock, model: ClockModel) -> np.ndarray:
    """Return the standard deviations of the best linear unbiased predictor that knows the levels, shape (5,).

    Dense algebra on the blocks of one fit: the errors of universal kriging (Goldberger 1962).
    """
    spans = model.grid.spans
    beside = 0.5 * clock.block_s / clock.duration_s
    ends = np.array([1 + beside, *(1 + h for h in HORIZONS)])
    asked = Spans(start=np.array([1 - beside, 1.0, 1.0, 1.0]), stop=ends)
    both = Spans(
        start=np.concatenate([spans.start, asked.start]), stop=np.concatenate([spans.stop, asked.stop])
    )
    unit = clock.block_s / clock.duration_s
    total = sum(
        _scaled(e, unit) * v * mean_frequency_covariance(e, both, both) for e, v in clock.variances.items()
    )
    n = len(spans)
    average = np.zeros((len(both), len(both)))  # everything relative to the mean of the blocks
    average[:, :n] = 1 / n
    centred = np.eye(len(both)) - average
    covariance = centred @ total @ centred.T
    contrast = Contrasts(n)
    inner = np.linalg.inv(contrast.of_covariance(covariance[:n, :n]))
    cross = contrast.of(covariance[:n, n:])
    design = _columns(clock, both, model)
    design = design - design[:n].mean(axis=0)
    x = contrast.of(design[:n])
    information = np.linalg.inv(x.T @ inner @ x)
    rest = design[n:].T - x.T @ inner @ cross
    variance = np.diag(covariance[n:, n:] - cross.T @ inner @ cross + rest.T @ information @ rest)
    slope = _slope(clock, design.shape[1])
    rate = math.sqrt(slope @ information @ slope) / clock.duration_s
    scale = np.array([1.0, *(h * clock.duration_s for h in HORIZONS)])
    swing = clock.sensitivity * DAY / (2 * math.pi) * math.sqrt(2)
    extra = np.array([0.0, *([swing] * len(HORIZONS))])
    return np.array([ALLAN_DEVIATION * rate, *np.hypot(ALLAN_DEVIATION * np.sqrt(variance) * scale, extra)])


def _scaled(exponent: int, unit: float) -> float:
    """Return the level with Allan variance one at averaging time ``unit`` (NIST SP 1065)."""
    return {
        WHITE_FM: 2 * unit,
        FLICKER_FM: 1 / (2 * math.log(2)),
        RANDOM_WALK_FM: 3 / (2 * math.pi**2 * unit),
    }[exponent]


def _slope(clock: Clock, columns: int) -> np.ndarray:
    slope = np.zeros(columns)
    slope[0] = 1.0
    if clock.law != "linear":
        bent = 1 + clock.bend
        slope[:2] = clock.bend / bent, 1 / bent**2
    return slope


def least_squares(model: ClockModel, clock: Clock) -> np.ndarray:
    """Return the textbook 95 % intervals of a line, residuals taken as white, shape (2, 5)."""
    u, y = model.grid.spans.middle, model.blocks.frequency
    columns = [np.ones_like(u), u]
    if clock.sensitivity:
        columns.append(model.blocks.covariates["room_temperature_c"] - 20)
    x = np.column_stack(columns)
    inverse = np.linalg.inv(x.T @ x)
    beta = inverse @ x.T @ y
    spread = float(np.sum((y - x @ beta) ** 2)) / (len(y) - x.shape[1])
    ahead = np.array(HORIZONS)
    middle = np.concatenate([[1.0], 1 + ahead / 2])
    own = np.concatenate([[1.0], model.blocks.length_s / clock.duration_s / ahead])
    rows = np.column_stack([np.ones(4), middle, *([np.zeros(4)] if clock.sensitivity else [])])
    error = np.sqrt(spread * (own + np.einsum("ij,jk,ik->i", rows, inverse, rows)))
    scale = np.array([1.0, *(ahead * clock.duration_s)])
    value = np.concatenate([[beta[1] / clock.duration_s], rows @ beta * scale])
    width = 1.96 * np.concatenate([[math.sqrt(spread * inverse[1, 1]) / clock.duration_s], error * scale])
    return np.array([value - width, value + width])


@dataclass(frozen=True, kw_only=True)
class Outcome:
    """Shares and relative widths of one clock, each of shape (5,)."""

    name: str
    runs: int
    covered_95: np.ndarray
    covered_68: np.ndarray
    width: np.ndarray
    plain: np.ndarray


def tried(clock: Clock, runs: int, first_seed: int) -> Outcome:
    """Simulate, fit and ask a clock so many times."""
    hits, widths = np.zeros((3, 5)), np.zeros(5)
    for run in range(runs):
        record, truth = simulated(clock, first_seed + run)
        model = fitted(clock, record)
        if run == 0:
            known = known_levels(clock, model)
        wide, narrow = intervals(model, clock).values()
        plain = least_squares(model, clock)
        hits += [(each[0] <= truth) & (truth <= each[1]) for each in (wide, narrow, plain)]
        widths += (wide[1] - wide[0]) / (2 * 1.96 * known)
    return Outcome(
        name=clock.name,
        runs=runs,
        covered_95=hits[0] / runs,
        covered_68=hits[1] / runs,
        plain=hits[2] / runs,
        width=widths / runs,
    )


def _tried_at(place: int) -> Outcome:
    """Try one clock of the panel, in a process of its own: clocks hold functions, which cannot be sent."""
    return tried(PANEL[place], PANEL[place].runs, FIRST_SEED)


def _row(name: str, runs: int, shares: Sequence[float], others: np.ndarray) -> str:
    return f"| {name} | {runs} | " + " | ".join(f"{value:.3f}" for value in [*shares, *others]) + " |"


def table(outcomes: list[Outcome]) -> str:
    """Return the page: coverage beside that of least squares, then 68 % and widths."""
    heads = "aging rate | offset | 0.1 | 0.5 | 1"
    whole = f"all | {heads}"
    mean = Outcome(
        name="**mean**",
        runs=sum(o.runs for o in outcomes),
        **{
            each: np.mean([getattr(o, each) for o in outcomes], axis=0)
            for each in ("covered_95", "covered_68", "width", "plain")
        },
    )
    rows = [*outcomes, mean]
    first = [_row(o.name, o.runs, [o.covered_95.mean(), *o.covered_95], o.plain) for o in rows]
    second = [_row(o.name, o.runs, [o.covered_68.mean(), *o.covered_68], o.width) for o in rows]
    return "\n".join(
        [
            "# Coverage of the clock model's intervals",
            "",
            "Simulated clocks (a share near .95 scatters by 1.5 points in 200 runs, one near .68 by 3.3),",
            "fitted by `fit_clock` with default settings, the kind of aging law known. Quantities: aging",
            "rate at the end, mean frequency over one averaging time around the end (offset), and time error",
            "after 0.1, 0.5 and 1 record length; `all` is their mean. Ratios in the names are those of Allan",
            "variances at one day (one hour for the hourly record, 1000 s for the 10 s log); hidden: 1 % of",
            "white FM there. Written by `test_clock_coverage.py` in one go; the prior was chosen on clocks",
            "with other seeds.",
            "",
            "## Share of nominal 95 % intervals that hold the truth; right: plain least squares",
            "",
            "Least squares is a line through the same averages with the textbook interval for white noise.",
            "",
            f"| clock | runs | {whole} | {heads} |",
            "|---|" + "---|" * 12,
            *first,
            "",
            "## Share of nominal 68 % intervals; right: mean width of the 95 % interval",
            "",
            "Width relative to the best linear unbiased predictor that knows the noise levels; for it log",
            "aging is linearised in its bend, and temperature is a daily wave of unknown phase.",
            "",
            f"| clock | runs | {whole} | {heads} |",
            "|---|" + "---|" * 12,
            *second,
            "",
        ]
    )


@pytest.mark.long
@pytest.mark.timeout(0)
def test_the_panel_keeps_the_bar() -> None:
    """Mean 95 ± 1.5 %, no clock below 89; 68 ± 3, each clock ± 8; mean width 1.6 (rate), 1.35 (time error).

    A clock's share is the mean over its five quantities; one quantity alone may lie lower by its scatter.
    """
    with ProcessPoolExecutor(max_workers=2) as workers:
        outcomes = list(workers.map(_tried_at, range(len(PANEL))))
    TABLE.write_text(table(outcomes), encoding="utf-8")
    covered = np.array([o.covered_95 for o in outcomes])
    width = np.mean([o.width for o in outcomes], axis=0)
    assert abs(covered.mean() - 0.95) <= 0.015
    assert covered.mean(axis=1).min() >= 0.89
    scatter = 2 * np.sqrt(0.89 * 0.11 / np.array([[o.runs] for o in outcomes]))  # of one cell
    assert (covered >= 0.89 - scatter).all()
    narrow = np.array([o.covered_68.mean() for o in outcomes])
    assert abs(narrow.mean() - 0.6827) <= 0.03
    few = np.array([2 * 0.3 / math.sqrt(o.runs) for o in outcomes])  # five quantities that go together
    assert (np.abs(narrow - 0.6827) <= 0.08 + few).all()
    assert width[0] <= 1.6
    assert width[2:].mean() <= 1.35
    plain = np.array([o.plain[0] for o in outcomes if "walk" in o.name])
    assert plain.max() < 0.7


@pytest.mark.parametrize(
    "name",
    [
        pytest.param("white FM, 60 days", marks=pytest.mark.slow),
        "flicker FM, 100 days",
        pytest.param("random-walk FM, 100 days", marks=pytest.mark.slow),
    ],
)
def test_intervals_hold_in_a_few_runs(name: str) -> None:
    """Forty clocks: at least 80 % covered (binomial 1e-3 limit of a true 94 %), at most 3.5 times as wide."""
    (clock,) = (each for each in PANEL if each.name == name)
    outcome = tried(clock, 40, 100)
    assert outcome.covered_95.min() >= 0.8
    assert outcome.width.max() <= 3.5


@pytest.mark.slow
@pytest.mark.parametrize(("points", "lowest"), [(8, 0.85), (20, 0.86)])
def test_coverage_of_short_random_walks_is_what_the_finding_says(points: int, lowest: float) -> None:
    """FEW_AVERAGES says nine of ten for 8 to 20 averages; 400 clocks, less three standard errors."""
    clock = Clock(name="short", readings=points, walk=1)
    hits = 0
    for run in range(400):
        record, _ = simulated(clock, 50_000 + run)
        low, high = fitted(clock, record).aging_rate().interval()
        hits += bool(low <= 0 <= high)
    assert hits / 400 >= lowest
