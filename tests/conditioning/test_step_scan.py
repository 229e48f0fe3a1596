"""Steps of frequency by likelihood ratio: found in short records, and clean records are left alone."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest

import evenbeat as eb

Noise = Callable[[np.random.Generator, int], np.ndarray]


def _white(generator: np.random.Generator, count: int) -> np.ndarray:
    return generator.standard_normal(count)


def _walk(generator: np.random.Generator, count: int) -> np.ndarray:
    return np.cumsum(generator.standard_normal(count))


def _both(generator: np.random.Generator, count: int) -> np.ndarray:
    return _white(generator, count) + 0.1 * _walk(generator, count)


def _flicker(generator: np.random.Generator, count: int) -> np.ndarray:
    """Return flicker FM by half an integration of white noise."""
    weights = np.cumprod(np.concatenate([[1.0], (np.arange(1, count) - 0.5) / np.arange(1, count)]))
    return np.convolve(generator.standard_normal(count), weights)[:count]


def _conditioned(values: np.ndarray) -> eb.Record:
    return eb.condition(eb.Record.from_frequency(1e-11 * values, interval_s=86400.0))


@pytest.mark.grid(3)
@pytest.mark.parametrize(
    ("noise", "count", "size", "runs", "least"),
    [(_white, 200, 3.0, 12, 12), (_white, 600, 3.0, 12, 11), (_walk, 200, 7.0, 25, 20)],
)
def test_a_step_in_a_short_record_is_found(
    noise: Noise, count: int, size: float, runs: int, least: int
) -> None:
    """Three times the scatter of white noise; seven times what a random walk moves from day to day."""
    found = 0
    for seed in range(runs):
        values = noise(np.random.default_rng(seed), count)
        values[count // 2 :] += size
        steps = [flag for flag in _conditioned(values).steps if abs(flag.start - count // 2) <= 3]
        found += len(steps) == 1 and abs(steps[0].size / 1e-11 - size) < 4
    assert found >= least


@pytest.mark.grid(2)
@pytest.mark.parametrize("noise", [_white, _walk, _both, _flicker])
def test_clean_records_are_left_alone(noise: Noise) -> None:
    """Thirty of each noise: one in a hundred may be accused."""
    assert sum(bool(_conditioned(noise(np.random.default_rng(seed), 200)).steps) for seed in range(30)) <= 2


@pytest.mark.slow
@pytest.mark.timeout(1500)
@pytest.mark.parametrize("noise", [_white, _walk, _both, _flicker])
def test_one_clean_record_in_a_hundred_is_accused(noise: Noise) -> None:
    """Four hundred of each noise and length."""
    for count in (80, 200, 700):
        accused = sum(bool(_conditioned(noise(np.random.default_rng(s), count)).steps) for s in range(400))
        assert accused <= 12, (count, accused)  # of 400 with 1 %, 13 and more are seen once in 2000


@pytest.mark.slow
def test_no_step_says_which_would_have_been_found() -> None:
    """A step of that size is found in nine of ten records, one of a third of it hardly ever."""
    sizes = []
    for seed in range(20):
        findings = _conditioned(_white(np.random.default_rng(seed), 200)).findings
        (said,) = [finding for finding in findings if finding.code == "NO_STEPS"]
        sizes.append(said.values["smallest_frequency_step"])
    smallest = float(np.median(sizes))
    assert "would have been found nine times in ten" in said.sentence
    found = {}
    for share in (1.0, 0.33):
        found[share] = 0
        for seed in range(20):
            values = _white(np.random.default_rng(seed), 200)
            values[100:] += share * smallest / 1e-11
            found[share] += bool(_conditioned(values).steps)
    assert found[1.0] >= 15
    assert found[0.33] <= 4


def test_a_noisy_part_is_not_full_of_steps() -> None:
    """Ten times the noise for a quarter of the record."""
    accused = 0
    for seed in range(20):
        values = _white(np.random.default_rng(seed), 300)
        values[100:175] *= 10
        accused += bool(_conditioned(values).steps)
    assert accused <= 2
