"""The question asked when stability and aging do not belong together; common practice, marked as such."""

import gzip
from pathlib import Path

import numpy as np
import pytest

from evenbeat.clock.fit import fit_clock
from evenbeat.clock.oscillator_classes import OSCILLATOR_CLASSES
from evenbeat.clock.plausibility import most_like, plausibility_finding
from evenbeat.deviations.estimators import stability
from evenbeat.errors import InputError
from evenbeat.findings import Finding
from evenbeat.powerlaw import NoiseLevels, simulate_clock
from evenbeat.record import Record

DAY = 86400.0
OVEN = NoiseLevels(white_fm=2e-24, flicker_fm=7e-25)
"""1e-12 at every averaging time."""


def finding_of(rate_per_day: float, oscillator: str | None = None, days: int = 20) -> Finding | None:
    """Return the finding for a clock as stable as an oven oscillator, aging at a rate."""
    record = simulate_clock(
        days * 144, interval_s=600.0, levels=OVEN, seed=4, aging=lambda t: rate_per_day * t / DAY
    )
    model = fit_clock(record, aging="linear")
    return plausibility_finding(model, stability(record, "overlapping_hadamard"), oscillator=oscillator)


# SOURCE: common practice: oven oscillators age 1e-11 to 1e-9 per day once settled
def test_an_oven_that_ages_too_much_is_asked_whether_it_warms_up() -> None:
    """Ten times the usual most: the sentence says so and asks."""
    finding = finding_of(1e-8)
    assert finding is not None
    assert finding.code == "AGING_UNUSUAL"
    assert "like that of an oven oscillator" in finding.sentence
    assert "ages 10 times more than is usual" in finding.sentence
    assert finding.sentence.endswith("still warming up, or new?")


def test_usual_aging_is_good_news() -> None:
    """A tenth of a part in 1e9 per day."""
    finding = finding_of(1e-10)
    assert finding is not None
    assert (finding.code, finding.severity) == ("USUAL_FOR_ITS_CLASS", "good")


def test_an_oven_that_does_not_age_may_be_held_by_a_reference() -> None:
    """Less than a third of the usual least, with 95 % confidence."""
    finding = finding_of(0.0)
    assert finding is not None
    assert finding.code == "AGING_UNUSUALLY_SMALL"
    assert "held by a reference" in finding.sentence


def test_a_stated_class_is_taken_at_its_word() -> None:
    """The same aging is usual for an oven and a thousand times too much for a caesium standard."""
    finding = finding_of(1e-10, "caesium")
    assert finding is not None
    assert finding.code in ("AGING_UNUSUAL", "STABILITY_UNUSUAL")
    assert "stated to be a caesium beam standard" in finding.sentence


def test_an_unknown_class_is_refused() -> None:
    """The sentence lists the classes."""
    with pytest.raises(InputError, match="must be one of 'uncompensated', 'temperature_compensated'"):
        finding_of(1e-10, "maser")


def test_classes_go_from_the_worst_to_the_best() -> None:
    """Every range is a range, and floors and aging fall from class to class."""
    clocks = list(OSCILLATOR_CLASSES.values())
    for clock in clocks:
        assert clock.short_term[0] < clock.short_term[1]
        assert clock.floor[0] < clock.floor[1]
        assert clock.aging_per_day[0] < clock.aging_per_day[1]
        assert clock.floor[0] <= clock.short_term[0]
    assert [clock.floor[1] for clock in clocks] == sorted((c.floor[1] for c in clocks), reverse=True)
    assert [clock.aging_per_day[1] for clock in clocks] == sorted(
        (c.aging_per_day[1] for c in clocks), reverse=True
    )


@pytest.mark.parametrize(
    ("floor", "at", "name"),
    [
        (5e-14, 1e5, "caesium"),
        (3e-13, 1e4, "rubidium"),
        (3e-13, 30.0, "oven"),
        (2e-10, 10.0, "temperature_compensated"),
        (4e-9, 1.0, "uncompensated"),
    ],
)
def test_the_class_follows_from_where_the_curve_is_lowest(floor: float, at: float, name: str) -> None:
    """Atomic clocks still gain where ovens have long stopped."""
    times = np.array([at / 10, at, at * 10])
    kind = most_like(times, floor * np.array([3.0, 1.0, 2.0]))
    assert kind is not None
    assert kind.name == name


def test_worse_than_any_class_is_like_none() -> None:
    """A pendulum."""
    assert most_like(np.array([1.0]), np.array([1e-6])) is None


# SOURCE: oven-oscillator-frequency.txt.gz, measured against a maser: 5.3e-12 at 100 s
def test_a_measured_oven_is_like_an_oven(open_data: Path) -> None:
    """5.5 hours cannot say that its aging is unusual."""
    text = gzip.decompress((open_data / "oven-oscillator-frequency.txt.gz").read_bytes()).decode("ascii")
    hertz = np.array([float(line) for line in text.splitlines() if line and not line.startswith("#")])
    record = Record.from_frequency(hertz / 1e7 - 1, interval_s=1.0)
    finding = plausibility_finding(fit_clock(record), stability(record, "overlapping_hadamard"))
    assert finding is not None
    assert finding.code == "USUAL_FOR_ITS_CLASS"
    assert finding.values["class"] == "oven"
