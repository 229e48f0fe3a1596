"""What each average adds to those before it: whether the noise is described, and one clock throughout.

Under the fitted model every new average differs from its best prediction by independent amounts of one
size. Innovations that repeat each other show noise outside the model; innovations that become smaller or
larger for good show that the clock changed: another oscillator, a loop that closed, a repair.

Sources: innovations of a Gaussian process, Kailath 1968; portmanteau test, Ljung & Box 1978; rank test
for a difference of size, Mann & Whitney 1947, over all divisions with both parts long enough.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from scipy import linalg, stats

from evenbeat.clock.laws import best
from evenbeat.clock.noise_grid import NoiseGrid
from evenbeat.clock.origins import most_likely_covariance, most_likely_point
from evenbeat.clock.prediction import Variant
from evenbeat.deviations.sums.kernels import one_thread
from evenbeat.findings import Finding
from evenbeat.quantities import FloatArray
from evenbeat.units import duration_text

LAGS = 10
FEWEST = 30
NOT_WHITE = 1e-4
FEWEST_ASIDE = 10
SURELY_DIFFERENT = 5.0
"""Normal deviate of the rank test that the best of all divisions must reach: under one noise the best of a
few hundred reaches 5 less than once in a thousand records."""
CHANGED_SIZE = 3.0


def innovations(grid: NoiseGrid, y: FloatArray, variants: Sequence[Variant]) -> FloatArray:
    """Return the standardised innovations under the most likely model, shape (n - 1,).

    Parameters
    ----------
    y
        Block averages in order, shape (n,).
    """
    variant = max(variants, key=lambda each: best(each.fit))
    position = most_likely_point(variant.fit)
    steps = np.diff(y - variant.design @ variant.fit.coefficients[position])
    covariance = most_likely_covariance(grid, variants)
    differences = np.diff(np.diff(covariance, axis=0), axis=1)
    with one_thread():
        lower = linalg.cholesky(0.5 * (differences + differences.T), lower=True)
        white = linalg.solve_triangular(lower, steps, lower=True)
    return np.asarray(white / np.sqrt(np.mean(white**2)))


def innovation_findings(
    grid: NoiseGrid, y: FloatArray, variants: Sequence[Variant], duration_s: float
) -> list[Finding]:
    """Return what the innovations say against the model; nothing where they are too few to say."""
    if len(y) <= FEWEST:
        return []
    white = innovations(grid, y, variants)
    changed = change_finding(white, grid.spans.start[1:] * duration_s)
    if changed is not None:
        return [changed]
    statistic, probability = ljung_box(white, LAGS)
    if probability >= NOT_WHITE:
        return []
    sentence = (
        "What the averages add to each other is not independent under the fitted noise (Ljung-Box test, "
        f"probability {probability:.0e}): the clock has a rhythm or a noise that this model does not know."
    )
    values = {"statistic": statistic, "lags": LAGS, "probability": probability}
    return [Finding(code="INNOVATIONS_NOT_WHITE", severity="note", sentence=sentence, values=values)]


def ljung_box(white: FloatArray, lags: int) -> tuple[float, float]:
    """Return the statistic of Ljung & Box (1978) over ``lags`` lags and its probability under white noise."""
    n = len(white)
    centred = white - white.mean()
    power = float(centred @ centred)
    correlations = np.array([centred[k:] @ centred[: n - k] for k in range(1, lags + 1)]) / power
    statistic = float(n * (n + 2) * np.sum(correlations**2 / (n - np.arange(1, lags + 1))))
    return statistic, float(stats.chi2.sf(statistic, lags))


def change_finding(white: FloatArray, starts_s: FloatArray) -> Finding | None:
    """Return a caution where the innovations become several times smaller or larger for good.

    Parameters
    ----------
    white
        Innovations, shape (m,).
    starts_s
        When the average behind each of them begins, shape (m,).

    Notes
    -----
    Ranks make one odd average count little. Not valid for records with fewer than ten averages on a side
    of the change; of several changes the clearest is named.
    """
    deviate, where = _clearest_division(np.abs(white))
    if where is None or abs(deviate) < SURELY_DIFFERENT:
        return None
    before, after = float(np.median(np.abs(white[:where]))), float(np.median(np.abs(white[where:])))
    low, high = sorted((before, after))
    if high < CHANGED_SIZE * low:
        return None
    ratio, moment = high / max(low, 1e-12), float(starts_s[where])
    sentence = (
        f"From {duration_text(moment)} on the clock is {ratio:.2g} times "
        f"{'quieter' if after < before else 'noisier'}: it is not the same clock or not in the same state, "
        "and one model describes neither part; assess the part since then by itself (--from or start)."
    )
    values = {"elapsed_s": moment, "ratio": ratio, "normal_deviate": abs(deviate)}
    return Finding(code="CLOCK_CHANGED", severity="caution", sentence=sentence, values=values)


def _clearest_division(sizes: FloatArray) -> tuple[float, int | None]:
    """Return normal deviate and place of the division whose parts differ most in rank."""
    n = len(sizes)
    if n < 2 * FEWEST_ASIDE:
        return 0.0, None
    ranks = stats.rankdata(sizes)
    first = np.arange(FEWEST_ASIDE, n - FEWEST_ASIDE + 1)
    sums = np.cumsum(ranks)[first - 1]
    deviates = (sums - first * (n + 1) / 2) / np.sqrt(first * (n - first) * (n + 1) / 12)
    top = int(np.argmax(np.abs(deviates)))
    return float(deviates[top]), int(first[top])
