"""The likelihood-ratio scan for a step of frequency, under the noise of the record itself.

The record is averaged into at most 128 blocks whose covariance is white FM with shares of flicker FM,
random-walk FM and, of a phase record, white PM, about a parabola. The likelihood of the best step, with the
shares that suit it best, is held against that of the best shares without a step: a random walk explains a
step only as far as its own increments do, and a step makes no walk out of white noise.

Sources: likelihood ratio of a shift of level in a Gaussian process, Tsay 1988; restricted likelihood,
Patterson & Thompson 1971; the limit for one false alarm in a hundred records by simulation
(``tests/conditioning/test_step_scan.py``).
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from functools import lru_cache, partial

import numpy as np
from scipy import linalg, ndimage

from evenbeat.deviations.sums.kernels import one_thread
from evenbeat.powerlaw import phase_covariance
from evenbeat.quantities import FloatArray

MOST_BLOCKS = 128
LIMIT = 4.2
"""Square root of the likelihood ratio (twice the gain of log likelihood) that 1 % of clean records exceed."""
USUALLY_ABOVE = 1.2816
"""Normal deviate that is exceeded with 90 %."""
MORE_TO_BE_SEEN = 1.2
"""How much larger a step must be than if the noise were known: a walk explains part of it (by simulation)."""
FLICKER = (0.0, 0.1, 1.0, 10.0)
WALKS = (0.0, 1e-4, 1e-3, 1e-2, 0.1, 1.0, 10.0)
WHITE_PM = (0.0, 1.0, 10.0, 100.0)
"""Allan variances at one block, relative to white FM."""
FEWEST_BESIDE = 4
"""Blocks on either side of a step: what is left of a settling, or one odd block at an end, is none."""
LOCAL = 12
"""Blocks on either side that tell how noisy the record is around a step."""


@dataclass(frozen=True, eq=False, kw_only=True)
class Scan:
    """What the scan found.

    Attributes
    ----------
    size, sigma, ratio
        Of a step before each block but the first, shape (m - 1,): its size, standard uncertainty, and the
        square root of its likelihood ratio over the limit.
    smallest
        Size of a step, amid the record, that would have been found with 90 %.
    """

    size: FloatArray
    sigma: FloatArray
    ratio: FloatArray
    smallest: float


def step_scan(
    means: FloatArray, begin: FloatArray, end: FloatArray, per: int, *, largest: float, of_phase: bool
) -> Scan:
    """Return the scan of a series of mean frequencies.

    Parameters
    ----------
    means, begin, end
        Of each block: its mean, and between which samples it lies, the missing ones counted.
    per
        Number of samples in a block.
    largest
        Size of the largest sample, which says how large errors of rounding are.
    of_phase
        Whether they are differences of a phase record, which has white PM.
    """
    means = means - means.mean()
    middle = 0.5 * (begin + end)
    beside = means - np.polynomial.Polynomial.fit(middle, means, 2)(middle)
    spread = float(np.std(beside))
    if not spread > 4 * np.finfo(float).eps * largest:  # a parabola but for rounding
        nothing = np.zeros(len(means) - 1)
        return Scan(size=nothing, sigma=nothing, ratio=nothing, smallest=0.0)
    with one_thread():
        noises = _noises((begin / per).tobytes(), (end / per).tobytes(), of_phase=of_phase)
        return _scanned(beside / spread, middle, spread, noises)


def _scanned(y: FloatArray, middle: FloatArray, unit: float, noises: tuple[_Noise, ...]) -> Scan:
    c = np.diff(y)
    u = (middle - middle.mean()) / np.ptp(middle)
    columns = np.diff(np.column_stack([u, u**2]), axis=0)
    freedom = len(c) - columns.shape[1]
    clean, found = -math.inf, []
    for noise in noises:
        weighed = noise.inverse @ np.column_stack([columns, c])
        information = columns.T @ weighed[:, :2]
        beta = np.linalg.solve(information, columns.T @ weighed[:, 2])
        rest = weighed[:, 2] - weighed[:, :2] @ beta
        square = max(float(c @ rest), np.finfo(float).tiny)  # an exact line leaves nothing
        seen = np.diag(noise.inverse) - np.einsum(
            "mp,pm->m", weighed[:, :2], np.linalg.solve(information, weighed[:, :2].T)
        )
        fixed = noise.log_determinant + float(np.linalg.slogdet(information)[1])
        explained = np.minimum(rest**2 / seen, (1 - 1e-12) * square)
        clean = max(clean, -0.5 * (freedom * math.log(square) + fixed))
        stepped = -0.5 * (freedom * np.log(square - explained) + fixed)
        found.append((stepped, rest / seen, np.sqrt((square - explained) / freedom / seen), beta))
    stepped = np.array([each[0] for each in found])
    best = np.argmax(stepped, axis=0)
    places = np.arange(len(c))
    size = np.array([each[1] for each in found])[best, places]
    sigma = np.array([each[2] for each in found])[best, places]
    ratio = np.sqrt(2 * np.maximum(stepped[best, places] - clean, 0.0)) / LIMIT
    top = int(np.argmax(ratio))
    noise, beta = noises[best[top]], found[best[top]][3]
    away = c - columns @ beta
    away[top] -= size[top]
    squares = linalg.solve_triangular(noise.lower, away, lower=True) ** 2
    around = ndimage.uniform_filter1d(squares, 2 * LOCAL + 1, mode="nearest")
    # how much noisier it is there than elsewhere: a mean of 25 squares is twice as large once in a thousand
    ratio = ratio / np.sqrt(np.maximum(around / (2 * np.mean(squares)), 1.0))
    ratio[: FEWEST_BESIDE - 1] = ratio[len(ratio) - FEWEST_BESIDE + 1 :] = 0.0
    inner = slice(len(c) // 10, len(c) - len(c) // 10)
    smallest = MORE_TO_BE_SEEN * (LIMIT + USUALLY_ABOVE) * float(np.median(sigma[inner]))
    return Scan(size=unit * size, sigma=unit * sigma, ratio=ratio, smallest=unit * smallest)


@dataclass(frozen=True, eq=False, kw_only=True)
class _Noise:
    """One mixture of noises: of the differences of neighbouring blocks, over the level of white FM."""

    inverse: FloatArray
    lower: FloatArray
    log_determinant: float


@lru_cache(maxsize=4)
def _noises(begin: bytes, end: bytes, *, of_phase: bool) -> tuple[_Noise, ...]:
    """Return all mixtures for blocks between two sets of times, in block lengths."""
    start, stop = np.frombuffer(begin), np.frombuffer(end)

    def differences(phase: Callable[[FloatArray], FloatArray], unit: float) -> FloatArray:
        """Return the covariance of differences of means, from that of phase over differences of time."""
        k = [phase(np.subtract.outer(a, b)) for a in (stop, start) for b in (stop, start)]
        means = (k[0] - k[1] - k[2] + k[3]) / np.outer(stop - start, stop - start) * unit
        return np.asarray(np.diff(np.diff(means, axis=0), axis=1))

    white = np.diff(np.diff(np.diag(1 / (stop - start)), axis=0), axis=1)
    ends = differences(lambda apart: (np.abs(apart) < 1e-6).astype(float), 1 / 3)
    flicker = differences(partial(phase_covariance, -1), 1 / (2 * math.log(2)))
    walk = differences(partial(phase_covariance, -2), 3 / (2 * math.pi**2))
    found = []
    for p in WHITE_PM if of_phase else WHITE_PM[:1]:
        for f in FLICKER:
            for r in WALKS:
                lower = linalg.cholesky(white + p * ends + f * flicker + r * walk, lower=True)
                inverse = linalg.lapack.dpotri(lower, lower=1)[0]
                inverse = np.tril(inverse) + np.tril(inverse, -1).T
                log_determinant = 2 * float(np.sum(np.log(np.diag(lower))))
                found.append(_Noise(inverse=inverse, lower=lower, log_determinant=log_determinant))
    return tuple(found)
