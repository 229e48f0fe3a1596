"""What no interval can do: noises that hide under white FM, and white FM alone, covered alike.

White FM alone, or beside it a random walk or a drift that wanders, of any strength: two noises only, the
level of white FM known. Of every rule that turns averages into an interval around the best estimate, which
one covers white FM least, or widens it least, while it covers every strength of the other so often? The
answers bound what the intervals of the clock model can be; ``pytest -m slow`` writes ``clock_limits.md``.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pytest
from scipy import optimize, special

from evenbeat.clock.covariance import RANDOM_WALK_FM, WANDERING_DRIFT, WHITE_FM, Spans
from evenbeat.clock.noise_grid import Ratios, noise_grid
from evenbeat.clock.prediction import rate_covariances

TABLE = Path(__file__).with_name("clock_limits.md")
WALKED, WANDERED = 100, 200
"""Averages of a record."""
WALKS = (0.0, 1.0, 3.0, 10.0, 30.0, 100.0, 300.0, 1000.0, 3000.0, 10000.0)
"""Allan variance of the random walk relative to white FM at one average, times the square of their number."""
WANDERS = (0.0, 1.0, 1.5, 2.2, 3.3, 5.0, 7.5, 11.0, 17.0, 25.0, 40.0, 60.0, 100.0, 200.0)
"""Root mean square by which the drift changes in a record, per record, over the Allan deviation of
white FM at one average."""
WIDTHS = 60
SHARE = 0.6827


@dataclass(frozen=True)
class Problem:
    """Simulated records of all strengths together.

    ``weight`` (records, strengths): importance of a record for each strength, columns summing to one;
    ``covered`` (records, strengths, widths): chance that an interval of so many ``times`` the half width that
    white FM needs for 95 % holds the truth, given the record.
    """

    weight: np.ndarray
    covered: np.ndarray
    times: np.ndarray


def problem(ahead: float | None, moving: int, records: int, seed: int, narrowest: float) -> Problem:
    """Return the problem for the aging rate (``None``) or the mean frequency over so many record lengths."""
    if moving == RANDOM_WALK_FM:
        count, ratios = WALKED, tuple(strength / WALKED**2 for strength in WALKS)
        asked = Ratios(white_pm=(0.0,), flicker_fm=(0.0,), random_walk_fm=ratios)
    else:  # the Hadamard variance of a drift that changes by w a record is 11 w²/(120 n³) at one average
        count = WANDERED
        ratios = tuple(11 / 120 * w**2 / count**3 for w in WANDERS)
        asked = Ratios(
            white_pm=(0.0,),
            flicker_fm=(0.0,),
            random_walk_fm=(0.0,),
            wander=ratios,
            flicker_beside_wander=(0.0,),
        )
    edges = np.arange(count + 1) / count
    spans = Spans(start=edges[:-1].copy(), stop=edges[1:].copy())
    grid = noise_grid(spans, 1 / count, with_white_pm=False, ratios=asked)
    node = grid.nodes[-1]
    assert node.moving == moving
    slope = node.turned(grid.contrasts.of(grid.spans.middle))
    if ahead is None:
        (with_data, own), wanted = rate_covariances(grid, 1.0), 1.0
    else:
        with_data, own = grid.target_covariances(Spans(start=np.ones(1), stop=np.array([1 + ahead])))
        wanted = 0.5 + ahead / 2
    cross = {e: node.turned(with_data[e][:, 0]) for e in (WHITE_FM, moving)}
    generator = np.random.default_rng(seed)
    spread = [1 + ratio * node.eigenvalues for ratio in ratios]
    each = (records // len(ratios), count - 1)
    y = np.concatenate([generator.standard_normal(each) * np.sqrt(v) for v in spread])
    likelihood, location = np.empty((2, len(y), len(ratios)))
    size = np.empty(len(ratios))
    for k, (ratio, variance) in enumerate(zip(ratios, spread, strict=True)):
        information = np.sum(slope**2 / variance)
        rate = y @ (slope / variance) / information
        square = np.sum(y**2 / variance, axis=1) - rate**2 * information
        likelihood[:, k] = -0.5 * (square + np.sum(np.log(variance)) + np.log(information))
        cross_here = cross[WHITE_FM] + ratio * cross[moving]
        lean = wanted - (cross_here / variance) @ slope
        location[:, k] = wanted * rate + (y - np.outer(rate, slope)) @ (cross_here / variance)
        unexplained = own[WHITE_FM][0] + ratio * own[moving][0] - np.sum(cross_here**2 / variance)
        size[k] = np.sqrt(unexplained + lean**2 / information)
    likely = np.exp(likelihood - special.logsumexp(likelihood, axis=1, keepdims=True))
    centre = np.sum(likely * location, axis=1, keepdims=True)
    width = np.geomspace(narrowest * size[0], 4 * size[-1], WIDTHS)
    off, scaled = (centre - location) / size, width / size[:, np.newaxis]
    covered = special.ndtr(off[..., np.newaxis] + scaled) - special.ndtr(off[..., np.newaxis] - scaled)
    times = width / size[0] / special.ndtri(0.975)
    return Problem(weight=likely / likely.sum(axis=0), covered=covered, times=times)


def least(asked: Problem, price: np.ndarray, needed: np.ndarray) -> float:
    """Return a lower bound of a price under white FM where every strength is covered as often as needed.

    ``price`` (records, widths) is what a width of a record costs. Lagrange's dual: for any multipliers the
    best width of each record by itself gives a bound, and the best multipliers the largest one (Boyd &
    Vandenberghe, Convex Optimization, chapter 5), found by cutting planes (Kelley 1960).
    """
    parts, paid = asked.weight[:, :, np.newaxis] * asked.covered, asked.weight[:, :1] * price
    records, count = np.arange(len(parts)), len(needed)
    multipliers, cuts, offsets, best = np.full(count, 0.05), [], [], -np.inf
    for _ in range(200):
        chosen = (paid - np.tensordot(multipliers, parts, axes=(0, 1))).argmin(axis=1)
        slope = needed - parts[records, :, chosen].sum(axis=0)
        bound = float(paid[records, chosen].sum() + multipliers @ slope)
        best = max(best, bound)
        cuts.append([*-slope, 1.0])
        offsets.append(bound - multipliers @ slope)
        plane = optimize.linprog(
            [*np.zeros(count), -1.0], A_ub=cuts, b_ub=offsets, bounds=[*[(0, 60)] * count, (None, 10.0)]
        )
        if plane.x[-1] - best < 1e-3:
            break
        multipliers = plane.x[:-1]
    return best


def least_under_white(asked: Problem, walks: float) -> float:
    """Return how often white FM is covered at least, where every walk is covered so often."""
    needed = np.array([0.0, *[walks] * (len(WALKS) - 1)])
    return least(asked, asked.covered[:, 0], needed)


def widest_under_white(asked: Problem, wanders: float) -> float:
    """Return how many times as wide as needed white FM is at least, where every wander is covered."""
    needed = np.array([0.95, *[wanders] * (len(WANDERS) - 1)])
    price = np.broadcast_to(np.log(asked.times), (len(asked.weight), WIDTHS))
    return float(np.exp(least(asked, price, needed)))


ABOUT = """# What no interval can do

Bounds by Lagrange's dual over simulated records of two noises, the level of white FM known (scatter 0.005 of
coverage, 3 % of width), written by `test_clock_limits.py`. The clock model, which knows neither level nor
noises, is in `real_clocks.md`.

## A random walk that hides

100 averages of white FM, alone or with a random walk of any strength. Of all rules for an interval that is
never narrower than white FM needs, the best covers white FM at least as often as stands here, if it is to
cover every random walk so often (nominal 68.27 %).

| quantity | every random walk covered | white FM covered at least |
|---|---|---|
"""
ABOUT_WANDERS = """
## A drift that wanders

200 averages of white FM, alone or with a drift that wanders by any strength. If 95 % limits are to cover
every such drift so often, and white FM 95 times in 100, those of white FM are at least so many times as
wide (geometric mean) as one needs who knows that nothing wanders.

| quantity | every wandering drift covered | white FM at least so many times as wide |
|---|---|---|
"""


@pytest.mark.slow
def test_what_hides_costs_where_it_is_not() -> None:
    """Aging rate: 68 % of each walk leaves 77 % of white FM; 90 % of each wander makes it 3.7 times wide."""
    targets = (("aging rate", None), ("time error one record ahead", 1.0))
    walks, wanders = [], []
    for name, ahead in targets:
        asked = problem(ahead, RANDOM_WALK_FM, 6000, 1, 1.0)
        assert asked.weight.sum(axis=0) == pytest.approx(np.ones(len(WALKS)))
        walks += [(name, share, least_under_white(asked, share)) for share in (SHARE, SHARE - 0.08, 0.5)]
        asked = problem(ahead, WANDERING_DRIFT, 6000, 1, 0.8)
        wanders += [(name, share, widest_under_white(asked, share)) for share in (0.95, 0.9, 0.8)]
    tables = ["".join(f"| {n} | {s:.3f} | {b:.3f} |\n" for n, s, b in rows) for rows in (walks, wanders)]
    TABLE.write_text(ABOUT + tables[0] + ABOUT_WANDERS + tables[1], encoding="utf-8")
    white = np.array([row[2] for row in walks])
    assert white[:2] == pytest.approx([0.775, 0.734], abs=0.015)
    assert white[3:5] == pytest.approx([0.753, 0.710], abs=0.015)
    assert np.all(np.diff(white.reshape(2, 3), axis=1) < 0)
    wide = np.array([row[2] for row in wanders]).reshape(2, 3)
    assert np.all(wide[:, 1] > 2.5)
    assert np.all(np.diff(wide, axis=1) < 0)
