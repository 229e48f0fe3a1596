"""Whether intervals of ``stability()`` hold the truth as often as they say, the noise told from each record.

``python tests/coverage/stability_coverage.py --workers 16 --runs 1000 --seconds 540`` simulates records of
known noise, computes the statistics of each as a user would, and writes ``stability_coverage.md`` beside
this file with the verdict of the bar on every cell; ``--only points=256,1024 statistic=theo1`` takes some of
the cells. It needs evenbeat (``PYTHONPATH=src``), numpy and scipy. ``--time`` says what a record costs and
writes nothing.

The bar: from 256 points on 95 % intervals hold the truth in 92 to 98 %, 68 % intervals in 63 to 73 % of the
records of every cell with two degrees of freedom or more, their means in 94 to 96 and 66 to 70 %; at 64
points no cell holds it in less than 88 %.
"""

from __future__ import annotations

import os

os.environ.setdefault("OMP_NUM_THREADS", "1")  # a worker is one thread

import argparse
import sys
import time
from collections import defaultdict
from collections.abc import Callable, Iterable, Sequence
from concurrent.futures import ProcessPoolExecutor
from itertools import groupby
from pathlib import Path
from typing import NamedTuple

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1] / "deviations"))
from noise_of_known_truth import crossing, expected, simulated

import evenbeat as eb

TABLE = Path(__file__).with_suffix(".md")
CHUNK = 25
"""Records that a worker simulates in one go; they share their random gaps."""
CONFIDENCES = (0.68, 0.95)
POINTS = (64, 256, 1024)
STATISTICS = {
    "overlapping_allan": "allan",
    "modified_allan": "modified",
    "time": "modified",
    "overlapping_hadamard": "hadamard",
    "total": "allan",
    "modified_total": "modified",
    "theo1": "allan",
    "theo1_hybrid": "allan",
}
"""Each with the variance that it estimates; the last four need records without gaps."""
NEEDS_ALL = ("total", "modified_total", "theo1", "theo1_hybrid")
SHORTEST_HYBRID = 91
GAPS: dict[str, Callable[[int, np.random.Generator], np.ndarray]] = {
    "none": lambda n, _: np.zeros(n, dtype=bool),
    "a fifth at random": lambda n, generator: generator.random(n) < 0.2,
    "every fifth": lambda n, _: np.arange(n) % 5 == 2,
    "every tenth": lambda n, _: np.arange(n) % 10 == 3,
}


class Key(NamedTuple):
    """One cell of the table."""

    points: int
    gaps: str
    noise: str
    statistic: str
    factor: int


class Held(NamedTuple):
    """How many of so many intervals held the truth at 68 and 95 %, and their degrees of freedom."""

    low: int
    high: int
    records: int
    edf: tuple[float, ...]

    def __add__(self, other: Held) -> Held:  # type: ignore[override]
        return Held(*(mine + its for mine, its in zip(self, other, strict=True)))

    @property
    def shares(self) -> tuple[float, float]:
        """In percent."""
        return 100 * self.low / self.records, 100 * self.high / self.records


class Piece(NamedTuple):
    """Records of one kind that a worker simulates."""

    points: int
    gaps: str
    noise: str
    statistics: tuple[str, ...]
    records: int
    number: int


def factors(statistic: str, points: int) -> list[int]:
    """Return one sample, a sixteenth and a fifth of the record; of Théo1 spans of that effective length."""
    if statistic == "theo1":
        return sorted({max(12, round(points / share / 3) * 4) for share in (16, 5, 2.5)})
    long = [round(points / share / 3) * 3 for share in (5, 2.5)]
    return [1, points // 16, *(long if statistic == "theo1_hybrid" else [points // 5])]


def seed_of(piece: Piece) -> list[int]:
    """Return a seed that no other piece has and that does not depend on which cells are asked for."""
    place = list(crossing(piece.points)).index(piece.noise)
    return [piece.points, list(GAPS).index(piece.gaps), place, piece.number]


def tried(piece: Piece) -> dict[Key, Held]:
    """Return what the intervals of some records held."""
    levels = crossing(piece.points)[piece.noise]
    seed = seed_of(piece)
    phases = simulated(piece.points, levels, piece.records, seed)
    phases[:, GAPS[piece.gaps](piece.points, np.random.default_rng([*seed, 1]))] = np.nan
    names = ("white_pm", "flicker_pm", "white_fm", "flicker_fm", "random_walk_fm")
    truly = eb.NoiseLevels(**dict(zip(names, levels, strict=True)))
    asked = {statistic: factors(statistic, piece.points) for statistic in piece.statistics}
    truth = {statistic: true_deviations(levels, statistic, some) for statistic, some in asked.items()}
    held = {statistic: np.zeros((2, len(some)), dtype=int) for statistic, some in asked.items()}
    exists = {statistic: np.zeros(len(some), dtype=int) for statistic, some in asked.items()}
    for phase in phases:
        record = eb.Record.from_phase(phase, interval_s=1.0)
        for statistic, some in asked.items():
            curve = eb.stability(record, statistic, averaging=some)
            if curve.averaging_factor.tolist() != some:
                msg = f"{statistic} of {piece.points} points has {curve.averaging_factor}, not {some}"
                raise ValueError(msg)
            exists[statistic] += np.isfinite(curve.deviation)
            for row, confidence in enumerate(CONFIDENCES):
                low, high = curve.confidence_interval(confidence)
                held[statistic][row] += (low <= truth[statistic]) & (truth[statistic] <= high)
    found: dict[Key, Held] = {}
    for statistic, some in asked.items():
        edf = eb.stability(record, statistic, averaging=some, noise=truly).edf
        for place, factor in enumerate(some):
            if exists[statistic][place]:
                key = Key(piece.points, piece.gaps, piece.noise, statistic, factor)
                low, high = held[statistic][:, place].tolist()
                found[key] = Held(low, high, int(exists[statistic][place]), (float(edf[place]),))
    return found


def true_deviations(levels: tuple[float, ...], statistic: str, factors: Sequence[int]) -> np.ndarray:
    """Return the deviations in expectation that a statistic estimates, shape (n,)."""
    share = 0.75 if statistic == "theo1" else 1.0
    found = np.sqrt([expected(levels, round(share * m), STATISTICS[statistic]) for m in factors])
    return found * np.array(factors) / np.sqrt(3) if statistic == "time" else found


def pieces(runs: int, only: dict[str, list[str]]) -> list[Piece]:
    """Return the work: some records of every kind that is asked for, then more of every kind."""

    def wanted(what: str, names: Iterable[object]) -> list[str]:
        known = [str(name) for name in names]
        if unknown := set(only.get(what, [])) - set(known):
            msg = f"{what} has no {', '.join(sorted(unknown))}; it must be among {', '.join(known)}"
            raise ValueError(msg)
        return [name for name in known if name in only.get(what, known)]

    if unknown := set(only) - {"points", "gaps", "noise", "statistic"}:
        msg = f"--only {', '.join(sorted(unknown))}: it must be points, gaps, noise or statistic"
        raise ValueError(msg)
    work = []
    for points in map(int, reversed(wanted("points", POINTS))):
        for gaps in wanted("gaps", GAPS):
            statistics = tuple(
                name
                for name in wanted("statistic", STATISTICS)
                if (gaps == "none" or name not in NEEDS_ALL)
                and (name != "theo1_hybrid" or points >= SHORTEST_HYBRID)
            )
            for noise in wanted("noise", crossing(points)):
                for number, begin in enumerate(range(0, runs, CHUNK)):
                    size = min(CHUNK, runs - begin)
                    work.append(Piece(points, gaps, noise, statistics, size, number))
    return sorted((piece for piece in work if piece.statistics), key=lambda piece: piece.number)


def coverage(runs: int, workers: int, only: dict[str, list[str]], seconds: float = np.inf) -> dict[Key, Held]:
    """Return all cells, simulated by so many processes; the numbers do not depend on how many.

    After so many seconds no further ``CHUNK`` of records of every kind is begun.
    """
    found: dict[Key, Held] = {}
    begin = time.perf_counter()
    with ProcessPoolExecutor(workers) as pool:
        for _, work in groupby(pieces(runs, only), lambda piece: piece.number):
            for part in pool.map(tried, work):
                for key, held in part.items():
                    found[key] = found[key] + held if key in found else held
            if time.perf_counter() - begin > seconds:
                break
    return dict(sorted(found.items(), key=lambda item: _order(item[0])))


def _order(key: Key) -> tuple[int, ...]:
    places = (list(GAPS).index(key.gaps), list(crossing(key.points)).index(key.noise))
    return key.points, *places, list(STATISTICS).index(key.statistic), key.factor


def edf_of(held: Held) -> float:
    """Return the median degrees of freedom under the true noise; of random gaps they differ."""
    return float(np.nanmedian(held.edf))


def verdict(points: int, held: Held) -> str:
    """Return whether a cell meets the bar; a miss within two standard errors of the share may be chance."""
    if edf_of(held) < 2:
        return "not asked"
    if points < 256:
        limits = ((None, 0.0, 100.0), (held.shares[1], 88.0, 100.0))
    else:
        limits = ((held.shares[0], 63.0, 73.0), (held.shares[1], 92.0, 98.0))
    beyond, chance = 0.0, 0.0
    for share, low, high in limits:
        off = 0.0 if share is None else max(low - share, share - high, 0.0)
        if off > beyond:
            beyond, edge = off, (low if share < low else high) / 100
            chance = 200 * np.sqrt(edge * (1 - edge) / held.records)
    if beyond == 0:
        return "met"
    return "missed" if beyond > chance else "missed by chance?"


def means(cells: Sequence[tuple[Key, Held]]) -> str:
    """Return one line: cells with two degrees of freedom, their mean and range, and what was missed."""
    judged = [(verdict(key.points, held), held.shares) for key, held in cells if edf_of(held) >= 2]
    if not judged:
        return "no cell with two degrees of freedom"
    shares = np.array([pair for _, pair in judged])
    mean, least, most = shares.mean(axis=0), shares.min(axis=0), shares.max(axis=0)
    words = [word for word, _ in judged]
    return (
        f"{len(judged)} | {mean[0]:.1f} | {least[0]:.1f} to {most[0]:.1f} | {mean[1]:.1f} | "
        f"{least[1]:.1f} to {most[1]:.1f} | {words.count('missed')} | {words.count('missed by chance?')}"
    )


def written(found: dict[Key, Held]) -> str:
    """Return the tables."""
    runs = max(held.records for held in found.values())
    low, high = (100 * np.sqrt(share * (1 - share) / runs) for share in CONFIDENCES)
    lines = [
        "# Coverage of the intervals of the stability statistics",
        "",
        f"Share of {runs} simulated records, exact draws of their noise, whose 68 and 95 % intervals hold",
        "the deviation that the noise has in expectation, **the noise told from each record**. A share of so",
        f"many records scatters by {low:.1f} points (68 %) and {high:.1f} points (95 %); a cell whose miss",
        "is within twice that is marked with a question mark. Factors of Théo1 are spans. The total family",
        "and Théo1 need records without gaps; cells not here have no term left by the gaps. Made by",
        "`stability_coverage.py`, whose first lines state the bar.",
        "",
    ]
    head = "cells | 68 % mean | range | 95 % mean | range | missed | missed?"
    for title, place in (("points", 0), ("gaps", 1), ("noise", 2), ("statistic", 3)):
        groups: dict[object, list[tuple[Key, Held]]] = defaultdict(list)
        for key, held in found.items():
            if place == 0 or key.points >= 256:
                groups[key[place]].append((key, held))
        if groups:
            among = "" if place == 0 else " (from 256 points on)"
            lines += [f"| {title}{among} | {head} |", "|---" * 8 + "|"]
            lines += [f"| {name} | {means(cells)} |" for name, cells in groups.items()] + [""]
    lines += ["| points | gaps | noise | statistic | factor | edf | 68 % | 95 % | bar |", "|---" * 9 + "|"]
    for key, held in found.items():
        numbers = (f"{number:.1f}" for number in (edf_of(held), *held.shares))
        lines.append(f"| {' | '.join(map(str, key))} | {' | '.join(numbers)} | {verdict(key.points, held)} |")
    return "\n".join(lines) + "\n"


def costs(only: dict[str, list[str]]) -> str:
    """Return the processor time of a record of each length, all statistics together."""
    lines = []
    for points in POINTS:
        work = [piece for piece in pieces(4, only) if piece.points == points]
        some = work[:: max(1, len(work) // 8)]
        begin = time.process_time()
        for piece in some:
            tried(piece)
        each = (time.process_time() - begin) / (4 * max(len(some), 1))
        lines.append(f"{points} points: {len(work)} kinds of record, {1e3 * each:.0f} ms a record")
    return "\n".join(lines)


def main() -> None:
    """Make the table."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--workers", type=int, default=os.cpu_count() or 1)
    parser.add_argument("--runs", type=int, default=1000, help="records of each kind")
    parser.add_argument("--seconds", type=float, default=np.inf, help="after which no more records are begun")
    parser.add_argument("--only", nargs="*", default=[], metavar="WHAT=NAME,…", help="some cells")
    parser.add_argument("--out", type=Path, default=TABLE)
    parser.add_argument("--time", action="store_true", help="say what a record costs, and write nothing")
    asked = parser.parse_args()
    only = {what: names.split(",") for what, _, names in (part.partition("=") for part in asked.only)}
    if asked.time:
        sys.stdout.write(costs(only) + "\n")
        return
    begin = time.perf_counter()
    page = written(coverage(asked.runs, asked.workers, only, asked.seconds))
    asked.out.write_text(page, encoding="utf-8")
    sys.stdout.write(f"{page[: page.index('| points | gaps')]}{time.perf_counter() - begin:.0f} s\n")


if __name__ == "__main__":
    main()
