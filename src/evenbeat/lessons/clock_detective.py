"""Clock detective: logs with one thing the matter, or nothing, and a diagnosis scored by its confidence."""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cached_property, lru_cache

import numpy as np
import pandas as pd

from evenbeat.clock.fit import fit_clock
from evenbeat.conditioning.condition import condition
from evenbeat.deviations.curve import StabilityCurve
from evenbeat.deviations.estimators import stability
from evenbeat.errors import InputError
from evenbeat.lessons.lesson import Lesson
from evenbeat.powerlaw import NoiseLevels, simulate_clock
from evenbeat.quantities import FloatArray
from evenbeat.record import Record
from evenbeat.units import SECONDS_PER_DAY, percent

SAMPLES, INTERVAL_S = 2880, 600.0
TEMPERATURE = "room_temperature_c"
PLAIN = "nothing the matter"
DIAGNOSES = (
    PLAIN, "a step", "popcorn", "temperature", "aging", "a wrong unit", "two instruments", "a locked loop",
)  # fmt: skip
STEEPEST = 3.0
"""Ratio of the Allan deviations at one and at two readings: of every power-law noise it is at most two."""


@dataclass(frozen=True, eq=False, kw_only=True)
class Mystery:
    """A log, and what was done to it.

    Attributes
    ----------
    number
        Of the case.
    record
        Twenty days of fractional frequency every ten minutes, with the temperature of the room.
    diagnosis
        Which of :data:`DIAGNOSES` it is.
    put_in
        The same with its size.
    """

    number: int
    record: Record
    diagnosis: str
    put_in: str

    @cached_property
    def curve(self) -> StabilityCurve:
        """Its overlapping Allan deviation at doublings."""
        return stability(self.record, "overlapping_allan", averaging="doublings")


@dataclass(frozen=True, eq=False, kw_only=True)
class Investigation(Lesson):
    """A mystery with what the reader says of it.

    Attributes
    ----------
    bits
        What the diagnosis has gained over a blind guess; ``None`` until the reader has committed.
    """

    mystery: Mystery
    bits: float | None


@lru_cache(maxsize=4)
def mystery(number: int, *, seed: int = 1) -> Mystery:
    """Return a case; every diagnosis is as probable as any other.

    Parameters
    ----------
    number
        From 1 on.
    seed
        Another seed, other cases.
    """
    generator = np.random.default_rng([seed, number])
    white, flicker = 10 ** generator.uniform([-11.9, -12.9], [-11.6, -12.6])
    levels = NoiseLevels.from_allan_deviations(INTERVAL_S, white_fm=float(white), flicker_fm=float(flicker))
    clock = simulate_clock(SAMPLES, interval_s=INTERVAL_S, levels=levels, seed=generator)
    offset = generator.choice([-1, 1]) * 10 ** generator.uniform(-8.6, -8)
    day = np.arange(SAMPLES) * INTERVAL_S / SECONDS_PER_DAY
    slow = np.interp(day, np.arange(22), generator.normal(0, 1.0, 22))
    room = 21 + 1.5 * np.sin(2 * np.pi * (day + generator.uniform())) + slow
    diagnosis = str(generator.choice(list(DIAGNOSES)))
    plain = np.asarray(clock.values) + offset
    y, put_in = _put_in(diagnosis, plain, day, room - 21, float(white), generator)
    record = Record.from_frequency(y, interval_s=INTERVAL_S, covariates={TEMPERATURE: np.round(room, 2)})
    return Mystery(number=number, record=record, diagnosis=diagnosis, put_in=put_in)


def _put_in(
    diagnosis: str, y: FloatArray, day: FloatArray, warmth: FloatArray, white: float, rng: np.random.Generator
) -> tuple[FloatArray, str]:
    """Return a plain record with one thing the matter, sized by its white noise, and that in words."""
    match diagnosis:
        case "a step":
            at, size = rng.uniform(5, 15), rng.choice([-1, 1]) * rng.uniform(3, 5) * white
            return np.where(day < at, y, y + size), f"a step of {size:+.2g} on day {at:.1f}"
        case "popcorn":
            switches, size = np.cumsum(rng.uniform(2.5, 6.0, 10)), rng.uniform(5, 8) * white
            upper = np.searchsorted(switches, day) % 2
            changes = np.sum(switches < day[-1])
            return y + size * upper, f"two levels {size:.2g} apart, {changes} changes between them"
        case "temperature":
            size = rng.choice([-1, 1]) * rng.uniform(1.0, 2.0) * white
            return y + size * warmth, f"{size:+.2g} per kelvin"
        case "aging":
            size = rng.choice([-1, 1]) * rng.uniform(0.4, 0.8) * white
            return y + size * day, f"{size:+.2g} per day"
        case "a wrong unit":
            return 1e6 * y, "parts in 10⁶ read as fractions of one"
        case "two instruments":
            size = rng.uniform(5, 10) * white
            other = np.arange(len(y)) % 2
            return y + size * other, f"every other reading is of a second clock, {size:.2g} higher"
        case "a locked loop":
            jitter_s = white * INTERVAL_S * rng.uniform(0.5, 1.5)
            phase = rng.normal(0, jitter_s, len(y) + 1)
            held = f"steered to its reference, the phase held within {jitter_s:.2g} s"
            return np.diff(phase) / INTERVAL_S, held
    return y, "white and flicker FM, nothing else"


def evidence(diagnosis: str, record: Record) -> str:
    """Return what evenbeat finds in a record for a diagnosis, in words; nothing where it finds nothing.

    Parameters
    ----------
    diagnosis
        One of :data:`DIAGNOSES`; that nothing is the matter has no evidence of its own.

    Raises
    ------
    InputError
        If there is no such diagnosis.
    """
    if diagnosis not in DIAGNOSES:
        msg = f"there is no diagnosis {diagnosis!r}; there are: {', '.join(DIAGNOSES)}"
        raise InputError(msg)
    if diagnosis in ("a step", "popcorn"):
        steps = condition(record).steps
        if diagnosis == "a step" and len(steps) == 1:
            return steps[0].sentence
        up = [(step.size or 0.0) > 0 for step in steps]
        if diagnosis == "popcorn" and len(steps) > 2 and up[1:] != up[:-1] and up[2:] == up[:-2]:
            return f"{len(steps)} steps stand out from the noise, up and down in turn."
    elif diagnosis == "a wrong unit":
        return " ".join(each.sentence for each in record.findings if each.code.startswith("IMPLAUSIBLE"))
    elif diagnosis == "two instruments":
        first, second = stability(record, "overlapping_allan", averaging=[1, 2]).deviation
        if first > STEEPEST * second:
            return (
                f"From {first:.2g} the Allan deviation falls to {second:.2g} at twice the averaging time: no "
                "noise falls faster than 1/τ, only readings that alternate do."
            )
    elif diagnosis == "a locked loop":
        curve = stability(record, "modified_allan", averaging="doublings")
        if set(curve.noise_names[:-2]) == {"white PM"}:
            return (
                f"White PM at all averaging times up to {curve.averaging_time_s[-3] / 3600:.0f} h: the phase "
                "never wanders off, as only a phase does that is held."
            )
    elif diagnosis in ("temperature", "aging"):
        model = fit_clock(record.averaged(12), aging="linear", environment=(TEMPERATURE,))
        estimate = (
            model.sensitivity(TEMPERATURE) if diagnosis == "temperature" else model.aging_rate().per_day
        )
        low, high = estimate.interval(0.99)
        if low * high > 0:
            return f"The fitted clock has {estimate}; zero lies outside its 99 % interval."
    return ""


def bits_gained(confidence: float, *, right: bool) -> float:
    """Return what a diagnosis gains over a blind guess, in bits: the logarithmic score.

    Parameters
    ----------
    confidence
        Probability that the reader gives the diagnosis, between 0 and 1; the others share the rest equally.
    right
        Whether it is the one.

    Notes
    -----
    ``log2(k p)`` with ``p`` the probability given to what was the case, of ``k`` diagnoses. It is proper:
    nobody gains, on average, by stating another confidence than the own one (Good, J. R. Stat. Soc. B 14
    (1952) 107; Gneiting and Raftery, J. Am. Stat. Assoc. 102 (2007), 4.1).
    """
    k = len(DIAGNOSES)
    given = confidence if right else (1 - confidence) / (k - 1)
    return math.log2(k * given)


def investigate(
    case: Mystery, *, diagnosis: str, confidence: float, committed: bool = False
) -> Investigation:
    """Return what there is to say of a diagnosis: its stakes, or once the reader has committed its worth."""
    call = (
        "import evenbeat as eb\nfrom evenbeat.lessons.clock_detective import mystery\n\n"
        f"record = mystery({case.number}).record\nprint(eb.condition(record))\nprint(eb.stability(record))"
    )
    gain, loss = (bits_gained(confidence, right=right) for right in (True, False))
    if not committed:
        sentence = (
            f"Case {case.number}: is there anything the matter with this clock or its log, and what? At "
            f"{percent(confidence)} you gain {gain:+.1f} bits if you are right and {loss:+.1f} if you are "
            "wrong."
        )
        return Investigation(mystery=case, bits=None, sentence=sentence, call=call)
    right = diagnosis == case.diagnosis
    bits = gain if right else loss
    found = evidence(case.diagnosis, case.record)
    if not found and case.diagnosis != PLAIN:
        found = "evenbeat's own checks do not find it in this log."
    verdict = "Right" if right else f"It was not {diagnosis}"
    sentence = f"{verdict}: {case.diagnosis} ({case.put_in}). {bits:+.1f} bits. {found}".strip()
    return Investigation(mystery=case, bits=bits, sentence=sentence, call=call)


def answer_key(seed: int = 1, *, cases: int = 20) -> pd.DataFrame:
    """Return the answers for a teacher: number of the case, diagnosis, and what was put in."""
    every = [mystery(number, seed=seed) for number in range(1, cases + 1)]
    rows = [(case.number, case.diagnosis, case.put_in) for case in every]
    return pd.DataFrame(rows, columns=["case", "diagnosis", "put in"]).set_index("case")
