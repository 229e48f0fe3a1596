"""The findings of a stability curve: what was left out, assumed or could not be told."""

from __future__ import annotations

import numpy as np

from evenbeat.deviations.counter_weighting import about_counter_weighting
from evenbeat.deviations.noise_mixture import Law
from evenbeat.deviations.sums.kernels import TermSum
from evenbeat.deviations.sums.samples import PhasePoints, Samples
from evenbeat.findings import Finding
from evenbeat.quantities import FloatArray
from evenbeat.record import Record
from evenbeat.units import duration_text

ROUNDING_MARGIN = 5.0
SURE = 0.8
"""Share of the mixtures in keeping with the record in which the same noise is the strongest."""


def about_record(record: Record) -> tuple[Finding, ...]:
    """Return what was done about steps, whether readings leave dead time, how the counter weights edges."""
    found = [finding for finding in record.findings if finding.code == "DEAD_TIME"]
    if record.steps:
        count = len(record.steps)
        sentence = f"{count} known step{'s were' if count > 1 else ' was'} subtracted before the analysis."
        found.append(
            Finding(code="STEPS_REMOVED", severity="note", sentence=sentence, values={"steps": count})
        )
    gate = record.gate_s
    if record.kind == "frequency" and gate is not None and gate < record.interval_s * (1 - 1e-9):
        sentence = (
            f"Each gate of {duration_text(gate)} is followed by dead time until the next reading after "
            f"{duration_text(record.interval_s)}; the values are used as they are, and short averaging times "
            "are biased (white PM most: it looks like white FM)."
        )
        values: dict[str, float | int | str] = {"gate_s": gate, "interval_s": record.interval_s}
        found.append(Finding(code="DEAD_TIME", severity="caution", sentence=sentence, values=values))
    return (*found, *about_counter_weighting(record))


def about_gaps(
    samples: Samples, sums: list[TermSum], times: FloatArray, minimum_coverage: float
) -> tuple[Finding, ...]:
    """Return what gaps cost."""
    if not samples.has_gaps:
        return ()
    lost = sum(term.possible - term.terms for term in sums) / sum(term.possible for term in sums)
    found = [
        Finding(
            code="GAPS_SKIPPED",
            severity="note",
            sentence=f"Terms that touch a missing or excluded sample were left out ({lost:.2%} of all).",
            values={"terms_left_out_share": lost},
        )
    ]
    if minimum_coverage < 1:
        sentence = (
            f"Averages with at least {minimum_coverage:.0%} of their samples were used as if complete; "
            "white and flicker PM come out too large where samples are missing."
        )
        values: dict[str, float | int | str] = {"minimum_coverage": minimum_coverage}
        found.append(Finding(code="PARTIAL_AVERAGES", severity="note", sentence=sentence, values=values))
    empty = [float(time) for time, term in zip(times, sums, strict=True) if term.terms == 0]
    if empty:
        sentence = (
            f"Gaps leave no complete term at {len(empty)} averaging time(s), the shortest of them "
            f"{duration_text(min(empty))}; of frequency records a lower minimum_coverage admits averages "
            "with missing samples."
        )
        values = {"averaging_times": len(empty), "shortest_s": min(empty)}
        found.append(Finding(code="NO_COMPLETE_TERMS", severity="caution", sentence=sentence, values=values))
    return tuple(found)


def about_variation(deviation: FloatArray) -> tuple[Finding, ...]:
    """Return a caution where readings do not vary."""
    silent = int(np.count_nonzero(deviation == 0))
    if silent == 0:
        return ()
    sentence = (
        f"The deviation is exactly zero at {silent} averaging time(s): the readings do not vary, so that the "
        "display and not the oscillator limits the result."
    )
    return (
        Finding(
            code="NO_VARIATION", severity="caution", sentence=sentence, values={"averaging_times": silent}
        ),
    )


def about_rounding(samples: Samples, deviation: FloatArray, response: FloatArray) -> tuple[Finding, ...]:
    """Return a caution where a deviation is hardly above what the rounding of stored phase makes.

    Parameters
    ----------
    samples
        The record.
    deviation
        Shape (n,).
    response
        Shape (n,): the deviation that white phase errors spread over one second would make.
    """
    rounding = samples.rounding_s if isinstance(samples, PhasePoints) else 0.0
    hidden = (deviation > 0) & (deviation < ROUNDING_MARGIN * rounding * response)
    count = int(np.count_nonzero(hidden))
    if count == 0:
        return ()
    sentence = (
        f"At {count} averaging time(s) the deviation is less than {ROUNDING_MARGIN:.0f} times what rounding "
        f"of the stored phase to {rounding:.1e} s makes; store the phase less its mean slope, in double "
        "precision."
    )
    values: dict[str, float | int | str] = {"averaging_times": count, "rounding_s": rounding}
    return (Finding(code="ROUNDING_LIMITS", severity="caution", sentence=sentence, values=values),)


def about_noise(law: Law, times: FloatArray, *, stated: bool) -> tuple[Finding, ...]:
    """Return how surely the noise is known behind bias and intervals."""
    if stated:
        sentence = "The noise was stated; bias and intervals are for it and not for what the record shows."
        return (Finding(code="NOISE_STATED", severity="note", sentence=sentence),)
    known = ~np.isnan(law.exponent)
    if not known.any():
        sentence = (
            "The kind of noise could not be told (too few readings, or no variation); "
            "the intervals are for the noise that makes them widest."
        )
        return (Finding(code="NOISE_TYPE_UNKNOWN", severity="caution", sentence=sentence),)
    unsure = known & (law.surely < SURE)
    if not unsure.any():
        return ()
    sentence = (
        f"At {np.count_nonzero(unsure)} averaging time(s), the shortest of them "
        f"{duration_text(float(times[unsure][0]))}, the record does not show clearly which noise makes the "
        "largest part; the intervals take in what others would make of them."
    )
    values: dict[str, float | int | str] = {
        "averaging_times": int(np.count_nonzero(unsure)),
        "shortest_s": float(times[unsure][0]),
    }
    return (Finding(code="NOISE_NOT_SURE", severity="note", sentence=sentence, values=values),)
