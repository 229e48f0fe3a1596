"""What no interval can do: white FM and a random walk that hides under it, covered alike.

White FM alone, or with a random walk of any strength: two noises only, their overall level known. Of every
rule that turns 100 averages into an interval around the best estimate, never narrower than what white FM
alone would need, which one covers white FM least while it covers every random walk so often? The answer
bounds what the 68 % intervals of the clock model can be; ``pytest -m slow`` writes ``clock_limits.md``.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pytest
from scipy import optimize, special

from evenbeat.clock.covariance import RANDOM_WALK_FM, WHITE_FM, Spans
from evenbeat.clock.noise_grid import Ratios, noise_grid

TABLE = Path(__file__).with_name("clock_limits.md")
COUNT = 100
STRENGTHS = (0.0, 1.0, 3.0, 10.0, 30.0, 100.0, 300.0, 1000.0, 3000.0, 10000.0)
"""Allan variance of the random walk relative to white FM at one average, times the square of their number."""
WIDTHS = 40
SHARE = 0.6827


@dataclass(frozen=True)
class Problem:
    """Simulated records of all strengths together.

    ``weight`` (records, strengths): importance of a record for each strength, columns summing to one;
    ``covered`` (records, strengths, widths): chance that an interval holds the truth, given the record.
    """

    weight: np.ndarray
    covered: np.ndarray


def problem(ahead: float | None, records: int, seed: int) -> Problem:
    """Return the problem for the aging rate (``None``) or the mean frequency over so many record lengths."""
    edges = np.arange(COUNT + 1) / COUNT
    ratios = tuple(strength / COUNT**2 for strength in STRENGTHS)
    grid = noise_grid(
        Spans(start=edges[:-1].copy(), stop=edges[1:].copy()),
        1 / COUNT,
        with_white_pm=False,
        ratios=Ratios(white_pm=(0.0,), flicker_fm=(0.0,), random_walk_fm=ratios),
    )
    (node,) = grid.nodes
    slope = node.turned(grid.contrasts.of(grid.spans.middle))
    with_data = {WHITE_FM: np.zeros(COUNT - 1), RANDOM_WALK_FM: np.zeros(COUNT - 1)}
    own, wanted = {WHITE_FM: 0.0, RANDOM_WALK_FM: 0.0}, 1.0
    if ahead is not None:
        cross, alone = grid.target_covariances(Spans(start=np.ones(1), stop=np.array([1 + ahead])))
        with_data = {e: node.turned(cross[e][:, 0]) for e in with_data}
        own, wanted = {e: float(alone[e][0]) for e in own}, 0.5 + ahead / 2
    generator = np.random.default_rng(seed)
    each = records // len(ratios)
    spread = [1 + ratio * node.eigenvalues for ratio in ratios]
    y = np.concatenate([generator.standard_normal((each, COUNT - 1)) * np.sqrt(v) for v in spread])
    likelihood, location = np.empty((2, len(y), len(ratios)))
    size = np.empty(len(ratios))
    for k, (ratio, variance) in enumerate(zip(ratios, spread, strict=True)):
        information = np.sum(slope**2 / variance)
        rate = y @ (slope / variance) / information
        square = np.sum(y**2 / variance, axis=1) - rate**2 * information
        likelihood[:, k] = -0.5 * (square + np.sum(np.log(variance)) + np.log(information))
        cross_here = with_data[WHITE_FM] + ratio * with_data[RANDOM_WALK_FM]
        lean = wanted - (cross_here / variance) @ slope
        location[:, k] = wanted * rate + (y - np.outer(rate, slope)) @ (cross_here / variance)
        unexplained = own[WHITE_FM] + ratio * own[RANDOM_WALK_FM] - np.sum(cross_here**2 / variance)
        size[k] = np.sqrt(unexplained + lean**2 / information)
    likely = np.exp(likelihood - special.logsumexp(likelihood, axis=1, keepdims=True))
    centre = np.sum(likely * location, axis=1, keepdims=True)
    width = np.geomspace(size[0], 3 * size[-1], WIDTHS)
    off, scaled = (centre - location) / size, width / size[:, np.newaxis]
    covered = special.ndtr(off[..., np.newaxis] + scaled) - special.ndtr(off[..., np.newaxis] - scaled)
    return Problem(weight=likely / likely.sum(axis=0), covered=covered)


def least_under_white(asked: Problem, walks: float) -> float:
    """Return a lower bound of the coverage under white FM where every walk is covered at least so often.

    Lagrange's dual: for any multipliers the best width of each record by itself gives a bound, and the best
    multipliers the largest one (Boyd & Vandenberghe, Convex Optimization, chapter 5), found by cutting planes
    (Kelley 1960).
    """
    parts = asked.weight[:, :, np.newaxis] * asked.covered
    count = len(STRENGTHS) - 1
    multipliers, cuts, offsets, best = np.full(count, 0.05), [], [], 0.0
    for _ in range(150):
        gain = parts[:, 0] - np.tensordot(multipliers, parts[:, 1:], axes=(0, 1))
        chosen = parts[np.arange(len(parts)), :, gain.argmin(axis=1)].sum(axis=0)
        slope = walks - chosen[1:]
        bound = chosen[0] + multipliers @ slope
        best = max(best, float(bound))
        cuts.append([*-slope, 1.0])
        offsets.append(bound - multipliers @ slope)
        plane = optimize.linprog(
            [*np.zeros(count), -1.0], A_ub=cuts, b_ub=offsets, bounds=[*[(0, 3)] * count, (None, 1.0)]
        )
        if plane.x[-1] - best < 5e-4:
            break
        multipliers = plane.x[:-1]
    return best


def table(rows: list[tuple[str, float, float]]) -> str:
    """Return the page."""
    lines = [
        "# What no interval can do",
        "",
        "100 averages of white FM, alone or with a random walk of any strength; no other noise, overall",
        "level known. Of all rules for an interval that is never narrower than white FM needs, the best",
        "covers white FM at least as often as stands here, if it is to cover every random walk so often",
        "(nominal 68.27 %; a bound by Lagrange's dual over simulated records, scatter 0.005). Written by",
        "`test_clock_limits.py`. The clock model, which knows neither level nor noises and whose 95 %",
        "intervals come from the same distribution, is in `real_clocks.md`.",
        "",
        "| quantity | every random walk covered | white FM covered at least |",
        "|---|---|---|",
        *(f"| {name} | {walks:.3f} | {white:.3f} |" for name, walks, white in rows),
        "",
    ]
    return "\n".join(lines)


@pytest.mark.slow
def test_a_hidden_walk_costs_coverage_of_white_noise() -> None:
    """Aging rate: 68 % for every walk leaves no less than 77 % for white FM, 60 % for every walk 73 %."""
    rows = []
    for name, ahead in (("aging rate", None), ("time error one record ahead", 1.0)):
        asked = problem(ahead, 6000, 1)
        assert asked.weight.sum(axis=0) == pytest.approx(np.ones(len(STRENGTHS)))
        rows += [(name, walks, least_under_white(asked, walks)) for walks in (SHARE, SHARE - 0.08, 0.5)]
    TABLE.write_text(table(rows), encoding="utf-8")
    white = np.array([row[2] for row in rows])
    assert white[:2] == pytest.approx([0.775, 0.734], abs=0.015)
    assert white[3:5] == pytest.approx([0.753, 0.710], abs=0.015)
    assert np.all(np.diff(white.reshape(2, 3), axis=1) < 0)
