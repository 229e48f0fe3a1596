"""Conditioning of readings at epochs of their own: what stands out is found, clean clocks are left alone.

The clocks are made with exact steps of a two-state model (white FM, random-walk FM) with white PM on top,
which is not the generator of the package.
"""

from __future__ import annotations

import numpy as np
import pytest

import evenbeat as eb

N = 400


def clock(
    seed: int, *, white_pm: float = 0.0, white_fm: float = 1e-11, walk: float = 0.0, n: int = N
) -> tuple[np.ndarray, np.ndarray]:
    """Return random epochs, a minute apart in the mean, and time errors; noises by their deviation in 1 s."""
    rng = np.random.default_rng(seed)
    steps = rng.exponential(60.0, n - 1)
    epochs = np.concatenate([[0.0], np.cumsum(steps)])
    wander = np.concatenate([[0.0], np.cumsum(walk * np.sqrt(steps) * rng.normal(size=n - 1))])
    within = walk * np.sqrt(steps**3 / 12) * rng.normal(size=n - 1)
    gained = (
        white_fm * np.sqrt(steps) * rng.normal(size=n - 1) + 0.5 * (wander[1:] + wander[:-1]) * steps + within
    )
    return epochs, np.concatenate([[0.0], np.cumsum(gained)]) + white_pm * rng.normal(size=n) + 3e-9 * epochs


def as_frequency(epochs: np.ndarray, phase: np.ndarray) -> eb.Record:
    """Return the mean frequencies from each epoch to the next."""
    return eb.Record.from_phase(phase, epochs_s=epochs).to_frequency()


KINDS = {
    "white PM": {"white_pm": 1e-9, "white_fm": 1e-13},
    "white FM": {},
    "random-walk FM": {"white_fm": 1e-12, "walk": 1e-12},
    "mixture": {"white_pm": 1e-10, "walk": 1e-13},
}


@pytest.mark.slow
@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("held_as", ["phase", "frequency"])
def test_a_clean_clock_is_left_alone(kind: str, held_as: str) -> None:
    """Of forty clean records at most two have a reading flagged, and none a step."""
    accused = 0
    for seed in range(40):
        epochs, phase = clock(seed, **KINDS[kind])
        if held_as == "phase":
            record = eb.condition(eb.Record.from_phase(phase, epochs_s=epochs))
        else:
            record = eb.condition(as_frequency(epochs, phase))
        assert not record.steps
        accused += bool(record.flags)
    assert accused <= 2


def test_an_outlier_of_phase_is_found() -> None:
    """A reading off by ten times the noise is set aside, its neighbours are not."""
    epochs, phase = clock(1, white_pm=1e-9, white_fm=1e-12)
    phase[200] += 2e-8
    record = eb.condition(eb.Record.from_phase(phase, epochs_s=epochs))
    (flag,) = record.flags
    assert (flag.cause, flag.start, flag.stop) == ("outlier", 200, 201)


def test_an_outlier_of_frequency_is_found() -> None:
    """Likewise among readings of one gate."""
    rng = np.random.default_rng(2)
    values = 1e-9 + 1e-11 * rng.normal(size=N)
    values[77] += 2e-10
    record = eb.condition(eb.Record.from_frequency(values, epochs_s=clock(2)[0], gate_s=1e-3))
    (flag,) = record.flags
    assert (flag.cause, flag.start) == ("outlier", 77)


@pytest.mark.parametrize("held_as", ["phase", "frequency"])
def test_a_step_of_frequency_is_found(held_as: str) -> None:
    """In the middle, far beyond what means of its halves are known to; its size is right."""
    epochs, phase = clock(3)
    size, at = 2e-11, 210
    phase[at:] += size * (epochs[at:] - epochs[at])
    record = eb.Record.from_phase(phase, epochs_s=epochs)
    record = eb.condition(record if held_as == "phase" else record.to_frequency())
    (step,) = record.steps
    assert step.cause == "frequency_step"
    assert abs(step.start - at) < 12
    assert step.size == pytest.approx(size, rel=0.3)
    (found,) = (finding for finding in record.findings if finding.code == "FREQUENCY_STEP")
    assert found.values["elapsed_s"] == pytest.approx(record.elapsed_s[step.start])


def test_a_step_of_phase_is_found() -> None:
    """A microsecond between two readings, and nothing else."""
    epochs, phase = clock(4, white_pm=1e-9)
    phase[123:] += 1e-6
    record = eb.condition(eb.Record.from_phase(phase, epochs_s=epochs))
    (step,) = record.steps
    assert (step.cause, step.start) == ("phase_step", 123)
    assert step.size == pytest.approx(1e-6, rel=0.02)
    clean = np.asarray(record.usable_values(without_steps=True))
    np.testing.assert_allclose(clean[123:] + 1e-6, phase[123:], rtol=0, atol=2e-8)


def test_what_needs_a_grid_is_not_made_and_said() -> None:
    """One finding names the checks; their outcomes say why; conditioning twice gives the same."""
    epochs, phase = clock(5)
    record = eb.condition(eb.Record.from_phase(phase, epochs_s=epochs))
    (finding,) = (each for each in record.findings if each.code == "CHECKS_WITHOUT_GRID")
    assert "warm_up" in finding.sentence
    assert "outliers" not in finding.sentence
    made = [outcome.check for outcome in record.checks if outcome.looked]
    assert made == ["outliers", "display", "steps"]
    again = eb.condition(record)
    assert again.findings == record.findings
    assert "follow no grid" in str(eb.conditioning_report(record))


def test_the_share_that_was_measured_is_said() -> None:
    """Gates of a tenth of a second a minute apart."""
    values = 1e-9 + 1e-11 * np.random.default_rng(6).normal(size=N)
    record = eb.condition(eb.Record.from_frequency(values, epochs_s=clock(6)[0] + np.arange(N), gate_s=0.1))
    (share,) = (each for each in record.findings if each.code == "MEASURED_SHARE")
    assert share.values["measured_share"] == pytest.approx(N * 0.1 / record.duration_s)
