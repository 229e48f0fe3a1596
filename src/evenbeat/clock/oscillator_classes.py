"""What is usual for each class of oscillators: the one table that priors and questions are taken from.

All of it is ``common practice``: orders of magnitude from handbooks, data sheets and published tables.
A prior helps where data are few, and gives way where they speak; a question decides nothing.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import Literal

from evenbeat.errors import InputError

OscillatorName = Literal["uncompensated", "temperature_compensated", "oven", "rubidium", "caesium"]


@dataclass(frozen=True, kw_only=True)
class OscillatorClass:
    """What is usual for one class."""

    name: OscillatorName  # As given to ``oscillator_class=``
    spoken: str  # With its article, for sentences
    short_term: tuple[float, float]  # Allan deviation at 1 s: best and worst
    # floor, floor_of_most: lowest Allan deviation at any averaging time: best and worst, and for about two
    # thirds of the class
    floor: tuple[float, float]
    floor_of_most: tuple[float, float]
    walk_after_s: tuple[float, float]  # Averaging time at which random-walk FM overtakes the floor
    # Least and most once it has settled; a new or just powered one ages more
    aging_per_day: tuple[float, float]
    # drift_per_year, walk_per_root_year: standard deviation of the yearly drift within the class, and of
    # what a random walk adds in a year
    drift_per_year: float
    walk_per_root_year: float
    settles: str  # What may explain more aging than usual


OSCILLATOR_CLASSES: Mapping[str, OscillatorClass] = MappingProxyType(
    {
        kind.name: kind
        for kind in (
            OscillatorClass(
                name="uncompensated",
                spoken="an uncompensated crystal oscillator",
                short_term=(1e-9, 1e-8),
                floor=(1e-10, 1e-8),
                floor_of_most=(3e-10, 3e-9),
                walk_after_s=(10.0, 1e3),
                aging_per_day=(3e-10, 1e-8),
                drift_per_year=5e-6,
                walk_per_root_year=2e-6,
                settles="a new crystal, or a room whose temperature moved",
            ),
            OscillatorClass(
                name="temperature_compensated",
                spoken="a temperature-compensated oscillator",
                short_term=(1e-10, 1e-8),
                floor=(1e-11, 1e-9),
                floor_of_most=(1e-10, 1e-9),
                walk_after_s=(10.0, 1e3),
                aging_per_day=(1e-10, 1e-8),
                drift_per_year=1e-6,
                walk_per_root_year=4e-7,
                settles="new, or a room whose temperature moved",
            ),
            OscillatorClass(
                name="oven",
                spoken="an oven oscillator",
                short_term=(1e-13, 3e-11),
                floor=(1e-13, 1e-11),
                floor_of_most=(1e-13, 1e-12),
                walk_after_s=(1e2, 1e4),
                aging_per_day=(1e-11, 1e-9),
                drift_per_year=1e-7,
                walk_per_root_year=2e-8,
                settles="still warming up, or new",
            ),
            OscillatorClass(
                name="rubidium",
                spoken="a rubidium standard",
                short_term=(5e-12, 5e-11),
                floor=(1e-14, 1e-12),
                floor_of_most=(1e-13, 1e-12),
                walk_after_s=(1e5, 1e6),
                aging_per_day=(3e-14, 2e-12),
                drift_per_year=1e-9,
                walk_per_root_year=2e-10,
                settles="still warming up, or its lamp is aging",
            ),
            OscillatorClass(
                name="caesium",
                spoken="a caesium beam standard",
                short_term=(5e-12, 5e-11),
                floor=(1e-15, 1e-13),
                floor_of_most=(3e-15, 3e-14),
                walk_after_s=(1e7, 1e8),
                aging_per_day=(0.0, 1e-15),
                drift_per_year=1e-12,
                walk_per_root_year=5e-13,
                settles="still warming up, its loop is open, or the reference drifts",
            ),
        )
    }
)


def oscillator_class_named(
    name: str | OscillatorClass, argument: str = "oscillator_class"
) -> OscillatorClass:
    """Return the class of this name."""
    if isinstance(name, OscillatorClass):
        return name
    if name not in OSCILLATOR_CLASSES:
        msg = f"{argument} is {name!r}; it must be one of {', '.join(map(repr, OSCILLATOR_CLASSES))}"
        raise InputError(msg)
    return OSCILLATOR_CLASSES[name]
