"""A constant drift of frequency, taken out of a record before a statistic that sees it."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from evenbeat.errors import TooShortError
from evenbeat.findings import Finding
from evenbeat.intake import blocks
from evenbeat.record import Record, Treatment
from evenbeat.units import SECONDS_PER_DAY

FEWEST = 4
LAW = "linear drift"


def without_drift(record: Record) -> tuple[Record, Finding]:
    """Return the record less a constant drift, and a finding that says which.

    Raises
    ------
    TooShortError
        If fewer than four samples are known.

    Notes
    -----
    A parabola is fitted to phase by least squares: best under white PM, and 1.2 times as uncertain as the
    best under white FM (own derivation: the share 0.7 of the variance, from ``u(1 - u)(1 - 2u)`` beside
    ``1 - 2u``). Frequency is fitted by a straight line with weights ``u(1 - u)``, u the share of the record,
    which is the same estimate. Known steps are subtracted for the fit, and stay in the record.
    """
    values = record.usable_values(without_steps=True)
    known = np.concatenate([~np.isnan(block) for block in blocks(values)])
    present = int(np.count_nonzero(known))
    if present < FEWEST:
        msg = f"a drift needs at least {FEWEST} known samples; the record has {present}"
        raise TooShortError(msg, needed=FEWEST, available=present)
    count, phase = len(values), record.kind == "phase"
    # places of samples, or of the middles of frequencies, from -1 to 1
    place = (2 * np.arange(count) + (0 if phase else 1)) / (count - phase) - 1
    order = 2 if phase else 1
    weight = np.ones(present) if phase else np.sqrt((1 - place[known]) * (1 + place[known]))
    level = float(values[np.flatnonzero(known)[0]])
    column = np.asarray(values[known], dtype=float) - level
    fit = np.polynomial.Legendre.fit(place[known], column, order, domain=[-1, 1], w=weight)
    half = 0.5 * (count - phase) * record.interval_s
    bend = float(fit.coef[order])
    # P₂ = (3u² - 1)/2, so that x bends by 3c in units of half the record; P₁ = u
    drift = 3 * bend / half**2 if phase else bend / half
    trend = bend * (1.5 * place**2 - 0.5) if phase else bend * place
    steady = replace(
        record,
        values=np.asarray(record.values, dtype=float) - trend,
        history=(*record.history, Treatment(operation="remove_drift", arguments={"per_s": drift})),
    )
    sentence = (
        f"A {LAW} of {drift * SECONDS_PER_DAY:+.3g} per day was fitted by least squares and taken out before "
        "the statistic; with it goes some of the noise, so that deviations beyond about a tenth of the "
        "record come out low."
    )
    values_found: dict[str, float | int | str] = {"drift_per_s": drift, "law": LAW}
    finding = Finding(code="DRIFT_REMOVED", severity="note", sentence=sentence, values=values_found)
    return steady, finding
