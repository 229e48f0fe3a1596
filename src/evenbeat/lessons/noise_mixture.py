"""Five noises mixed: how phase, frequency, deviations and spectrum of one clock hang together."""

from __future__ import annotations

import itertools
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from evenbeat.deviations.curve import StabilityCurve
from evenbeat.deviations.estimators import stability
from evenbeat.deviations.spectrum import Spectrum, spectrum
from evenbeat.errors import InputError
from evenbeat.lessons.lesson import Code, Lesson, call_text
from evenbeat.powerlaw import NOISE_NAMES, NoiseLevels, simulate_clock
from evenbeat.quantities import FloatArray
from evenbeat.record import Record
from evenbeat.units import duration_text

SAMPLES = 2048
STATISTICS = ("overlapping_allan", "modified_allan", "overlapping_hadamard")
FIELDS: Mapping[int, str] = {
    2: "white_pm",
    1: "flicker_pm",
    0: "white_fm",
    -1: "flicker_fm",
    -2: "random_walk_fm",
}
SLOPES: Mapping[int, str] = {2: "−1", 1: "−1", 0: "−1/2", -1: "0", -2: "+1/2"}
"""Slope of the Allan deviation in double logarithmic axes (NIST SP 1065, 3.3)."""


@dataclass(frozen=True, eq=False, kw_only=True)
class NoiseMixture(Lesson):
    """A simulated clock and all that is computed from it.

    Attributes
    ----------
    levels
        The five noises.
    record
        Fractional frequency, one sample a second by default.
    curves
        Statistic to curve: overlapping Allan, modified Allan, overlapping Hadamard.
    density
        Its spectrum, ten bins per decade.
    expected
        Exponent α of every noise present to its expected Allan deviation, at the times of that curve.
    """

    levels: NoiseLevels
    record: Record
    curves: Mapping[str, StabilityCurve]
    density: Spectrum
    expected: Mapping[int, FloatArray]

    @property
    def averaging_time_s(self) -> FloatArray:
        """Averaging times of the Allan curve, shape (n,)."""
        return self.curves["overlapping_allan"].averaging_time_s

    @property
    def expected_sum(self) -> FloatArray:
        """Expected Allan deviation of all noises together, shape (n,)."""
        return np.sqrt(sum((part**2 for part in self.expected.values()), np.zeros(1)))

    @property
    def regimes(self) -> tuple[tuple[int, float, float], ...]:
        """Exponent of the dominating noise, with the first and last averaging time at which it dominates."""
        return dominating(self.expected, self.averaging_time_s)

    @property
    def first_slope(self) -> str:
        """Slope of the Allan deviation at the shortest averaging times, such as ``'−1/2'``."""
        return SLOPES[self.regimes[0][0]]


def mix_noises(
    allan_deviations: Mapping[str, float], *, samples: int = SAMPLES, interval_s: float = 1.0, seed: int = 1
) -> NoiseMixture:
    """Return a clock mixed from five noises, with its deviations and its spectrum.

    Parameters
    ----------
    allan_deviations
        ``white_pm``, ``flicker_pm``, ``white_fm``, ``flicker_fm``, ``random_walk_fm`` to the Allan
        deviation of that noise alone at one interval; what is missing or zero is off.
    samples, interval_s
        Length and spacing of the record.
    seed
        Same seed, same five noises: another level only rescales one of them.

    Raises
    ------
    InputError
        If every noise is off, or a name or a level cannot be used.
    """
    unknown = set(allan_deviations) - set(FIELDS.values())
    if unknown:
        msg = f"there is no noise named {sorted(unknown)[0]!r}; there are {', '.join(FIELDS.values())}"
        raise InputError(msg)
    present = {name: level for name, level in allan_deviations.items() if level}
    if not present:
        msg = "every noise is off: a clock without noise has no deviation to show; switch one on"
        raise InputError(msg)
    cutoff = 0.5 / interval_s
    levels = NoiseLevels.from_allan_deviations(interval_s, cutoff_hz=cutoff, **present)
    record = simulate_clock(samples, interval_s=interval_s, levels=levels, seed=np.random.SeedSequence(seed))
    curves = {name: stability(record, name, averaging="doublings") for name in STATISTICS}
    tau = curves["overlapping_allan"].averaging_time_s
    alone: dict[int, Any] = {
        exponent: {FIELDS[exponent]: level} for exponent, level in levels.by_exponent.items()
    }
    expected = {
        exponent: NoiseLevels(**alone[exponent]).deviation(tau, cutoff_hz=cutoff)
        for exponent, level in levels.by_exponent.items()
        if level > 0
    }
    mixed = call_text("eb.NoiseLevels.from_allan_deviations", repr(interval_s), cutoff_hz=cutoff, **present)
    simulated = call_text(
        "eb.simulate_clock",
        repr(samples),
        interval_s=interval_s,
        levels=Code("levels"),
        seed=Code(f"np.random.SeedSequence({seed})"),
    )
    return NoiseMixture(
        levels=levels,
        record=record,
        curves=curves,
        density=spectrum(record, bins_per_decade=10),
        expected=expected,
        sentence=_sentence(dominating(expected, tau)),
        call=(
            f"import numpy as np\nimport evenbeat as eb\n\nlevels = {mixed}\nrecord = {simulated}\n"
            'curve = eb.stability(record, "overlapping_allan", averaging="doublings")\n'
            "density = eb.spectrum(record, bins_per_decade=10)"
        ),
    )


def dominating(
    expected: Mapping[int, FloatArray], averaging_time_s: FloatArray
) -> tuple[tuple[int, float, float], ...]:
    """Return runs of averaging times at which one noise makes the largest part, with its exponent."""
    exponents = sorted(expected, reverse=True)
    largest = np.argmax([expected[exponent] for exponent in exponents], axis=0)
    runs: list[tuple[int, float, float]] = []
    for index, group in itertools.groupby(range(len(averaging_time_s)), key=lambda at: int(largest[at])):
        places = list(group)
        first, last = averaging_time_s[places[0]], averaging_time_s[places[-1]]
        runs.append((exponents[index], float(first), float(last)))
    return tuple(runs)


def _sentence(regimes: Sequence[tuple[int, float, float]]) -> str:
    """Return what dominates where, with the slope it gives the Allan deviation."""
    parts = []
    for place, (exponent, _, last) in enumerate(regimes):
        name = f"slope {SLOPES[exponent]}: {NOISE_NAMES[exponent]} dominates"
        until = f" up to {duration_text(last)}" if place < len(regimes) - 1 else ""
        parts.append(f"{name}{until if until else ' throughout' if place == 0 else ' beyond'}")
    text = "; ".join(parts)
    twins = {regimes[0][0], *(exponent for exponent, _, _ in regimes)} & {1, 2}
    hint = " White and flicker PM share that slope: the modified deviation tells them apart." if twins else ""
    return f"{text[0].upper()}{text[1:]}.{hint}"
