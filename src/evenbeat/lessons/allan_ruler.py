"""The Allan ruler: what two neighbouring windows see of a clock, ready to be slid over it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import numpy as np

from evenbeat.deviations.estimators import stability
from evenbeat.errors import TooShortError
from evenbeat.lessons.noise_mixture import FIELDS
from evenbeat.powerlaw import NOISE_NAMES, NoiseLevels, simulate_clock
from evenbeat.quantities import FloatArray
from evenbeat.record import Record, check_record
from evenbeat.units import duration_text

POINTS = 600
"""Readings of a clock that is slid over: few enough for every window to be seen."""
FEWEST = 16
DEVIATION = 1e-11
LENGTHS = (1, 2, 3, 4, 6, 8, 12, 16, 24, 32, 48, 64, 96, 128, 192)
"""Lengths of the windows, in readings."""


@dataclass(frozen=True, eq=False, kw_only=True)
class RuledClock:
    """A clock under the ruler.

    Attributes
    ----------
    name
        Of the noise, or of the log.
    record
        Fractional frequency; a long log as averages, so that no more than 600 readings are left.
    lengths
        Of the windows in readings, shape (n,).
    deviation
        Overlapping Allan deviation at these lengths, shape (n,): where the ruler ends up.
    """

    name: str
    record: Record
    lengths: tuple[int, ...]
    deviation: FloatArray

    def plain(self) -> dict[str, Any]:
        """Return what a page needs to slide the windows by itself; five digits of each reading."""
        scale = float(np.nanmax(np.abs(self.record.values))) or 1.0
        parts = np.round(self.record.values / scale, 5)
        return {
            "name": self.name,
            "interval_s": self.record.interval_s,
            "scale": scale,
            "y": [None if np.isnan(part) else float(part) for part in parts],
            "lengths": list(self.lengths),
            "sigma": [None if np.isnan(each) else float(f"{each:.5g}") for each in self.deviation],
        }


def under_the_ruler(record: Record, name: str) -> RuledClock:
    """Return a record as the ruler wants it.

    Parameters
    ----------
    record
        Of phase or frequency, on a grid, at least 16 readings.

    Raises
    ------
    TooShortError
        If it is shorter.
    InputError
        If it has no grid.
    """
    check_record(record, grid_for="the Allan ruler")
    frequency = record.to_frequency()
    factor = -(-len(frequency) // POINTS)
    if factor > 1:
        frequency = frequency.averaged(factor)
        name = f"{name}, averages of {duration_text(frequency.interval_s)}"
    if len(frequency) < FEWEST:
        msg = f"the record has {len(frequency)} readings; the ruler needs at least {FEWEST} to slide over"
        raise TooShortError(msg, needed=FEWEST, available=len(frequency))
    shown = Record.from_frequency(
        frequency.usable_values(without_steps=False), interval_s=frequency.interval_s
    )
    lengths = tuple(length for length in LENGTHS if 3 * length <= len(shown))
    curve = stability(shown, "overlapping_allan", averaging=list(lengths))
    return RuledClock(name=name, record=shown, lengths=lengths, deviation=curve.deviation)


@lru_cache(maxsize=4)
def five_clocks(seed: int) -> Sequence[RuledClock]:
    """Return a clock of each noise, independent of each other, alike at one second."""
    seeds: Mapping[int, np.random.SeedSequence] = dict(
        zip(FIELDS, np.random.SeedSequence(seed).spawn(len(FIELDS)), strict=True)
    )
    clocks = []
    for exponent in (0, -1, -2, 1, 2):
        alone: dict[str, Any] = {FIELDS[exponent]: DEVIATION}
        levels = NoiseLevels.from_allan_deviations(1.0, cutoff_hz=0.5, **alone)
        generator = np.random.default_rng(seeds[exponent])
        record = simulate_clock(POINTS, interval_s=1.0, levels=levels, seed=generator)
        clocks.append(under_the_ruler(record, NOISE_NAMES[exponent]))
    return clocks
