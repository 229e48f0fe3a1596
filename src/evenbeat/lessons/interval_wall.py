"""The wall of intervals: a hundred clocks of one kind, and how many of their error bars hold the truth."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import numpy as np

from evenbeat.deviations.estimators import stability
from evenbeat.deviations.statistics import STATISTICS
from evenbeat.deviations.sums.samples import samples_of
from evenbeat.powerlaw import NOISE_NAMES, NoiseLevels, simulate_clock
from evenbeat.quantities import FloatArray
from evenbeat.record import Record

CLOCKS = 100
WINDOW = 64
"""Averaging time in readings, one a second."""
DEVIATION = 1e-11
SAMPLES = (256, 512, 1024, 2048)
SHARES = (0.0, 0.2, 0.4)
"""Missing readings, in outages of sixty-four."""
NOISES = {0: "white_fm", -1: "flicker_fm", -2: "random_walk_fm"}
NAIVE = 2.0
"""Error bars of the naive interval on either side: estimate over the root of the number of terms."""


@dataclass(frozen=True, eq=False, kw_only=True)
class Wall:
    """A hundred records of one noise, equally long, with the same gaps.

    Attributes
    ----------
    exponent, samples, share
        Noise, readings of each record, and the share of them that is missing.
    truth
        Allan deviation at 64 s that was put in.
    estimates
        Shape (100,); empty where the gaps leave no comparison.
    terms
        Comparisons in each record.
    edf
        Equivalent degrees of freedom, the noise stated.
    low, high
        95 % limits over the estimate.
    """

    exponent: int
    samples: int
    share: float
    truth: float
    estimates: FloatArray
    terms: int
    edf: float
    low: float
    high: float

    @property
    def held(self) -> int:
        """How many of the hundred 95 % intervals hold the truth."""
        inside = (self.estimates * self.low <= self.truth) & (self.truth <= self.estimates * self.high)
        return int(np.sum(inside))

    @property
    def held_naive(self) -> int:
        """Likewise of estimate ± 2 estimate/√terms."""
        return int(np.sum(np.abs(self.estimates - self.truth) <= self.naive * self.estimates))

    @property
    def naive(self) -> float:
        """Half of the naive interval over the estimate."""
        return NAIVE / self.terms**0.5 if self.terms else float("nan")

    def plain(self) -> dict[str, Any]:
        """Return what a page needs to draw the wall; estimates over the truth."""
        return {
            "noise": NOISE_NAMES[self.exponent],
            "samples": self.samples,
            "share": self.share,
            "estimates": [float(f"{each:.4g}") for each in self.estimates / self.truth],
            "terms": self.terms,
            "edf": float(f"{self.edf:.3g}") if self.terms else None,
            "low": float(f"{self.low:.5g}") if self.terms else None,
            "high": float(f"{self.high:.5g}") if self.terms else None,
        }


def holes(samples: int, share: float, seed: int) -> np.ndarray[Any, np.dtype[np.bool_]]:
    """Return which readings are missing, shape (samples,): outages of sixty-four, spread at random."""
    places = np.random.default_rng([seed, samples]).permutation(samples // WINDOW)
    gone = np.zeros(samples // WINDOW, dtype=bool)
    gone[places[: round(share * len(gone))]] = True
    return np.repeat(gone, WINDOW)


@lru_cache(maxsize=128)
def wall_of_intervals(exponent: int, samples: int, share: float, *, seed: int = 1) -> Wall:
    """Return a hundred clocks at the averaging time of 64 s, the noise of each stated as what was put in.

    The gaps fall on the same readings in all of them, so that degrees of freedom are computed once.
    """
    level = NoiseLevels.from_allan_deviations(1.0, **{NOISES[exponent]: DEVIATION})
    gone = holes(samples, share, seed)
    records = [
        Record.from_frequency(np.where(gone, np.nan, clock[:samples]), interval_s=1.0)
        for clock in _clocks(exponent, seed)
    ]
    kind = STATISTICS["overlapping_allan"]
    windows = np.array([WINDOW])
    sums = [kind.form.variances(samples_of(each, 1.0), windows)[0] for each in records]
    terms = sums[0].terms
    truth = float(level.deviation(float(WINDOW)))
    if not terms:
        nothing = float("nan")
        return Wall(
            exponent=exponent, samples=samples, share=share, truth=truth, estimates=np.empty(0),
            terms=0, edf=nothing, low=nothing, high=nothing,
        )  # fmt: skip
    one = stability(records[0], kind.name, averaging=[WINDOW], noise=NOISE_NAMES[exponent])
    low, high = (float(limit[0] / one.deviation[0]) for limit in one.confidence_interval())
    return Wall(
        exponent=exponent,
        samples=samples,
        share=share,
        truth=truth,
        estimates=np.sqrt([each.total for each in sums]),
        terms=terms,
        edf=float(one.edf[0]),
        low=low,
        high=high,
    )


@lru_cache(maxsize=8)
def _clocks(exponent: int, seed: int) -> list[FloatArray]:
    level = NoiseLevels.from_allan_deviations(1.0, **{NOISES[exponent]: DEVIATION})
    return [
        simulate_clock(
            SAMPLES[-1], interval_s=1.0, levels=level, seed=np.random.default_rng([seed, k])
        ).values
        for k in range(CLOCKS)
    ]
