"""Conditioning piece by piece: the length of the pieces changes nothing, and the memory does not grow."""

from __future__ import annotations

import tracemalloc

import numpy as np
import pytest

import evenbeat as eb
from evenbeat.conditioning import shared


def eventful(kind: str, n: int, seed: int = 3) -> eb.Record:
    """Return white FM with settling, wild readings, steps, gaps, lost rows and late stamps."""
    generator = np.random.default_rng(seed)
    values = 1e-11 * generator.standard_normal(n)
    values[: n // 20] += 1e-8 * np.exp(-np.arange(n // 20) / (n / 200))
    values[n // 2 :] += 2e-11
    if kind == "phase":
        values = np.cumsum(values)
        values[2 * n // 3 :] += 3e-9
    values[generator.integers(0, n, 30)] += 1e-8
    values[n // 3 : n // 3 + n // 50] = np.nan
    values[generator.integers(0, n, n // 100)] = np.nan
    values[3 * n // 4 : 3 * n // 4 + 200 : 2] = np.nan
    stamps = np.where(np.isnan(values), np.nan, generator.uniform(-0.1, 0.1, n))
    stamps[n // 4 :] += 3.0
    return eb.Record(kind=kind, values=values, interval_s=1.0, stamp_offset_s=stamps)


@pytest.mark.grid(2)
@pytest.mark.parametrize("kind", ["frequency", "phase"])
def test_pieces_of_any_length_give_the_same_flags(kind: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """Flags, findings and outcomes are the same to the last digit in pieces of 1024, 4096 and all samples."""
    record = eventful(kind, 20_000)
    made = []
    for block in (1 << 10, 1 << 12, 1 << 20):
        monkeypatch.setattr(shared, "BLOCK", block)
        made.append(eb.condition(record))
    causes = {flag.cause for flag in made[0].flags}
    assert {"outlier", "warm_up", "interval_change", "computer_clock_set", "frequency_step"} <= causes
    for other in made[1:]:
        assert other.flags == made[0].flags
        assert other.findings == made[0].findings
        assert other.checks == made[0].checks


@pytest.mark.slow
@pytest.mark.parametrize("kind", ["frequency", "phase"])
def test_a_long_record_is_judged_by_some_of_its_samples(kind: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """A part of the samples tells how noisy the record is: the same events are found as by all of them."""
    record = eventful(kind, 200_000)
    by_all = eb.condition(record)
    monkeypatch.setattr(shared, "FEW", 1 << 16)
    by_some = eb.condition(record)
    for cause in ("warm_up", "frequency_step", "phase_step", "computer_clock_set", "interval_change"):
        starts, others = ([f.start for f in made.flags if f.cause == cause] for made in (by_all, by_some))
        assert others == pytest.approx(starts, abs=30)
    rows = [{f.start for f in made.flags if f.cause == "outlier"} for made in (by_all, by_some)]
    assert len(rows[0] ^ rows[1]) <= 2
    assert len(rows[0]) > 20


@pytest.mark.slow
@pytest.mark.parametrize("kind", ["frequency", "phase"])
def test_memory_does_not_grow_with_the_record(kind: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """Three times as many samples take less than two bytes more for each; the samples alone are eight."""
    monkeypatch.setattr(shared, "BLOCK", 1 << 14)
    monkeypatch.setattr(shared, "FEW", 1 << 14)
    most = []
    for n in (200_000, 600_000):
        record = eventful(kind, n)
        eb.condition(record)  # what is remembered of a length (matrices of the step scan) is no part of it
        tracemalloc.start()
        eb.condition(record)
        most.append(tracemalloc.get_traced_memory()[1])
        tracemalloc.stop()
    assert most[1] - most[0] < 2 * 400_000
