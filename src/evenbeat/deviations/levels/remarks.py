"""The findings of a fit of noise levels: what was assumed, what was not seen, whether the laws fit."""

from __future__ import annotations

from collections.abc import Mapping

from scipy import special

from evenbeat.deviations.levels.noise_fit import LEVEL_UNITS
from evenbeat.findings import Finding
from evenbeat.powerlaw import NOISE_NAMES

LEAST_PROBABILITY = 0.001
"""Of simulated pure power laws 3 in 700 fell below (512 to 32768 samples): the misfit of long averaging
times is not quite chi-squared, that of the others smaller, their correlations not being fully trusted."""


def about_fit(
    limits: Mapping[int, float],
    *,
    drift_per_s: float,
    drift_limit_per_s: float,
    left_out: int,
    misfit: float,
    spare: int,
) -> tuple[Finding, ...]:
    """Return the findings of a fit.

    Parameters
    ----------
    limits
        Upper limits of the noises that were not seen.
    drift_per_s
        Size of the drift that was fitted along.
    drift_limit_per_s
        Its 95 % upper limit where none is seen.
    left_out
        Number of variances left out because drift dominates them.
    misfit, spare
        Weighted sum of squared residuals, and the number of variances less that of the unknowns.
    """
    return (
        _bandwidth(),
        _drift(drift_per_s, drift_limit_per_s, left_out),
        *_not_seen(limits),
        *_misfit(misfit, spare),
    )


def _bandwidth() -> Finding:
    sentence = (
        "White and flicker PM are taken as cut off at half the sampling rate; a wider measurement bandwidth "
        "folds its noise into the fitted level."
    )
    return Finding(code="PHASE_NOISE_BANDWIDTH", severity="note", sentence=sentence)


def _drift(drift_per_s: float, limit_per_s: float, left_out: int) -> Finding:
    seen = drift_per_s > 0
    sentence = (
        f"A constant drift of the frequency of {drift_per_s:.2e} per second (sign not told) was fitted along"
        if seen
        else "A constant drift of the frequency was allowed for and is not detected: "
        f"below {limit_per_s:.2e} per second (95 %)"
    )
    sentence += (
        f"; {left_out} Allan variances that it may dominate were left out, and the Hadamard variance, which "
        "does not see it, decides there."
        if left_out
        else "."
    )
    values: dict[str, float | int | str] = {"drift_per_s": drift_per_s, "variances_left_out": left_out}
    if not seen:
        values["limit_per_s"] = limit_per_s
    code = "DRIFT_FITTED" if seen else "NO_DRIFT_SEEN"
    return Finding(code=code, severity="note", sentence=sentence, values=values)


def _not_seen(limits: Mapping[int, float]) -> tuple[Finding, ...]:
    if not limits:
        return ()
    units = dict(LEVEL_UNITS) | {-1: ""}
    below = "; ".join(
        f"{NOISE_NAMES[alpha]} not detected: below {limit:.2g} {units[alpha]}".rstrip()
        for alpha, limit in limits.items()
    )
    sentence = f"{below[0].upper()}{below[1:]} (each 95 %)."
    values: dict[str, float | int | str] = {f"h_{alpha:+d}_limit": limit for alpha, limit in limits.items()}
    return (Finding(code="NOISE_NOT_DETECTED", severity="note", sentence=sentence, values=values),)


def _misfit(misfit: float, spare: int) -> tuple[Finding, ...]:
    """Return whether power laws explain the variances: their misfit is nearly chi-squared."""
    probability = float(special.gammaincc(0.5 * max(spare, 1), 0.5 * misfit))
    values: dict[str, float | int | str] = {
        "misfit": misfit,
        "degrees_of_freedom": spare,
        "probability": probability,
    }
    if probability >= LEAST_PROBABILITY:
        sentence = (
            f"Power-law noises explain the variances (misfit {misfit:.0f} for {spare} degrees of freedom)."
        )
        return (Finding(code="POWER_LAWS_FIT", severity="good", sentence=sentence, values=values),)
    sentence = (
        f"Power-law noises do not explain the variances (misfit {misfit:.0f} for {spare} degrees of "
        "freedom): look for a periodic disturbance, steps, uneven aging or the display's resolution; the "
        "levels and limits are doubtful."
    )
    return (Finding(code="POWER_LAWS_DO_NOT_FIT", severity="caution", sentence=sentence, values=values),)
