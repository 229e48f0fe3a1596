"""Exact Gaussian records of power-law noises and the variances that they have in expectation.

Drawn from the covariance of increments (of steep noises of second differences) written out and factorised,
not with ``simulate_clock``. Flicker PM is the fractional sum of white noise of order one half (Hosking
1981, Biometrika 68), the FM noises are sampled phase of the continuous noises.
"""

from __future__ import annotations

from functools import lru_cache

import numpy as np
from scipy import linalg, special

EXPONENTS = (2, 1, 0, -1, -2)


def structure(exponent: int, lag: np.ndarray) -> np.ndarray:
    """Return the generalized covariance of phase at these lags per unit h_α."""
    t = np.abs(np.asarray(lag, dtype=float))
    if exponent == 2:
        return (t == 0) / (8 * np.pi**2)
    if exponent == 1:
        return -(special.digamma(t + 0.5) + np.euler_gamma + 2 * np.log(2)) / (4 * np.pi**2)
    if exponent == -1:
        return t**2 * np.log(np.maximum(t, 1.0)) / 2
    return {0: -t / 4, -2: np.pi**2 / 6 * t**3}[exponent]


@lru_cache(maxsize=16)
def _root(points: int, exponent: int) -> tuple[np.ndarray, int]:
    order = 1 if exponent >= 0 else 2
    weights = np.array([1.0, -1.0]) if order == 1 else np.array([1.0, -2.0, 1.0])
    pairs = np.correlate(weights, weights, mode="full")
    lag = np.arange(-order, points)
    row = np.convolve(structure(exponent, lag), pairs, mode="valid")[: points - order]
    return np.linalg.cholesky(linalg.toeplitz(row)), order


def simulated(points: int, levels: tuple[float, ...], records: int, seed: int) -> np.ndarray:
    """Return phase once a second, shape (records, points), for levels of white PM to random-walk FM."""
    generator = np.random.default_rng(seed)
    total = np.zeros((records, points))
    for exponent, level in zip(EXPONENTS, levels, strict=True):
        if level > 0:
            root, order = _root(points, exponent)
            part = generator.standard_normal((records, points - order)) @ root.T * np.sqrt(level)
            for _ in range(order):
                part = np.concatenate([np.zeros((records, 1)), np.cumsum(part, axis=1)], axis=1)
            total += part
    return total


def expected(levels: tuple[float, ...], factor: int, kind: str) -> float:
    """Return the Allan, modified Allan or Hadamard variance in expectation, at ``factor`` seconds."""
    weights = np.zeros(3 * factor + 1 if kind == "hadamard" else 2 * factor + 1)
    weights[::factor] = [1, -3, 3, -1] if kind == "hadamard" else [1, -2, 1]
    if kind == "modified":
        weights = np.convolve(weights, np.full(factor, 1 / factor))
    pairs = np.correlate(weights, weights, mode="full")
    lag = np.arange(1 - len(weights), len(weights))
    squares = sum(h * float(pairs @ structure(a, lag)) for a, h in zip(EXPONENTS, levels, strict=True))
    return squares / ((6 if kind == "hadamard" else 2) * factor**2)


def crossing(points: int) -> dict[str, tuple[float, ...]]:
    """Return the noises under test: five alone, and three mixtures that cross within the record."""
    short, long = max(points / 256, 2.0), points / 12
    third = expected((0, 0, 0, 0, 1.0), 1, "allan")
    return {
        "white PM": (1.0, 0, 0, 0, 0),
        "flicker PM": (0, 1.0, 0, 0, 0),
        "white FM": (0, 0, 1.0, 0, 0),
        "flicker FM": (0, 0, 0, 1.0, 0),
        "random-walk FM": (0, 0, 0, 0, 1.0),
        "white PM, white FM, random-walk FM": (
            short / 2 / expected((1.0, 0, 0, 0, 0), 1, "allan"),
            0,
            1.0,
            0,
            1 / (2 * long**2 * third),
        ),
        "white FM, flicker FM": (0, 0, 1.0, 10 / points / expected((0, 0, 0, 1.0, 0), 1, "allan"), 0),
        "flicker PM, random-walk FM": (
            0,
            1.0,
            0,
            0,
            expected((0, 1.0, 0, 0, 0), points // 32, "allan") / (third * (points / 32)),
        ),
    }
