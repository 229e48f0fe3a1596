"""What is usual for the instruments of a fleet: learned from the fleet itself, class by class.

The prior of a class is a mixture: the class as it usually is beside narrower and wider ones. The weights of
its parts are unknown and common to the fleet; they are those that make all its calibrations likeliest,
beginning with what is usual everywhere, which counts as much as a few instruments.

Source: own derivation: with the parts known, the likeliest weight of each is its mean share of the
instruments, found by iteration (tests/fleet/test_many_histories.py).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np
from scipy import special

from evenbeat.calibration.history import CalibrationHistory
from evenbeat.calibration.history_model import class_odds
from evenbeat.calibration.history_posterior import DriftPrior, PriorPart, posteriors
from evenbeat.findings import Finding, note

FACTORS = (
    (0.125, 0.02),
    (0.25, 0.05),
    (0.5, 0.13),
    (1.0, 0.6),
    (2.0, 0.1),
    (4.0, 0.05),
    (8.0, 0.02),
    (16.0, 0.02),
    (64.0, 0.01),
)
"""How many times as wide as usual a class may be in a fleet, and how likely that is beforehand."""
WALKS = ((0.5, 0.2), (1.0, 0.6), (2.0, 0.2))
"""How many times as large as usual beside its drift the walk of a class may be, and how likely that is."""
FEWEST, MOST = 8, 200
"""Instruments of a class from which it is learned, at least and at most."""
PRESENT = 0.05
"""Least share of a fleet from which on a class is held to be in it."""
COUNTS_AS = 4.0
"""What is usual everywhere counts as much as so many instruments."""
STEPS = 60
DROPPED = 0.01
"""Parts of a smaller weight are left out,"""
OUTSIDERS, AT_LEAST = 16.0, 0.002
"""but for those so wide, which keep at least this: one instrument may be unlike its fleet."""
UNLIKE = 3.0
"""A fleet so many times as wide as its class is said to be unlike it."""


def learned_priors(
    histories: Mapping[str | None, Sequence[CalibrationHistory]],
) -> tuple[dict[str | None, DriftPrior], list[Finding]]:
    """Return what is usual for each class of a fleet (``None``: not stated), and how it was learned."""
    priors, findings = {}, []
    for kind, some in histories.items():
        telling = [one for one in some if one.increments()]
        if len(telling) < FEWEST:
            continue
        chosen = [telling[i] for i in np.unique(np.linspace(0, len(telling) - 1, MOST).astype(int))]
        prior = _finer(DriftPrior.of(kind))
        before = np.array([part.weight for part in prior.mixture])
        found = posteriors(chosen, [prior] * len(chosen), law="constant")
        likely = special.softmax(found.log_evidence - np.log(before), axis=1)
        weight = before
        for _ in range(STEPS):
            share = likely * weight
            share = share / share.sum(axis=1, keepdims=True)
            weight = (share.sum(axis=0) + COUNTS_AS * before) / (len(chosen) + COUNTS_AS)
        names = np.array([part.name for part in prior.mixture])
        present = {name for name in names if weight[names == name].sum() > PRESENT}
        wide = np.array(
            [p.factor >= OUTSIDERS and p.walk_factor == 1 and p.name in present for p in prior.mixture]
        )
        weight = np.where(wide, np.maximum(weight, AT_LEAST), weight)
        kept = np.flatnonzero(wide | (weight > DROPPED))
        learned = replace(prior, parts=tuple(prior.mixture[i] for i in kept))
        priors[kind] = learned.reweighted(weight[kept] / weight[kept].sum(), len(chosen))
        findings.append(_said(kind, prior, weight, len(chosen), len(telling)))
    return priors, findings


def _finer(prior: DriftPrior) -> DriftPrior:
    """Return the prior with narrower parts, too."""
    usual = [part for part in prior.mixture if part.factor == 1]
    whole = sum(part.weight for part in usual)
    parts = tuple(
        PriorPart(
            name=part.name,
            factor=factor,
            weight=weight * share * part.weight / whole,
            drift_per_year=factor * part.drift_per_year,
            walk_per_root_year=walk * factor * part.walk_per_root_year,
            walk_factor=walk,
        )
        for part in usual
        for factor, weight in FACTORS
        for walk, share in WALKS
    )
    return replace(prior, parts=parts)


def _said(kind: str | None, prior: DriftPrior, weight: np.ndarray, learned_from: int, known: int) -> Finding:
    """Say from how many it was learned, and how wide the class is in this fleet."""
    of = "" if known == learned_from else f" of {known}"
    if kind is None:
        odds, words = class_odds(prior, weight)
        sentence = (
            f"Where no class is stated, the fleet says what is usual: {words}, learned from "
            f"{learned_from}{of} instruments."
        )
        return note("FLEET_CLASSES", sentence, **odds)
    factors = np.array([part.factor for part in prior.mixture])
    wide = float(np.exp(weight @ np.log(factors) / weight.sum()))
    sentence = (
        f"What is usual for {kind.replace('_', ' ')} oscillators was learned from {learned_from}{of} "
        f"instruments of this fleet: {wide:.2g} times as wide as usual elsewhere."
    )
    unlike = wide > UNLIKE
    if unlike:
        sentence += " State their true class, or check the table."
    values = {"factor": wide, "instruments": learned_from}
    return Finding(
        code="FLEET_CLASS", severity="caution" if unlike else "note", sentence=sentence, values=values
    )
