"""The second opinion: agreement with allantools over random records, and plain words where there is none."""

from __future__ import annotations

import json
from dataclasses import replace

import numpy as np
import pytest

import evenbeat as eb

STATISTICS = ["allan", "overlapping_allan", "modified_allan", "time", "hadamard", "overlapping_hadamard"]
LEVELS = [
    eb.NoiseLevels(white_pm=1e-20),
    eb.NoiseLevels(white_fm=1e-22),
    eb.NoiseLevels(flicker_fm=1e-24, white_fm=1e-22),
    eb.NoiseLevels(random_walk_fm=1e-28),
]


@pytest.mark.grid(4)
@pytest.mark.parametrize("seed", range(4))
@pytest.mark.parametrize("kind", ["phase", "frequency"])
@pytest.mark.parametrize("statistic", [*STATISTICS, "mtie"])
def test_agreement_over_random_records(statistic: str, kind: str, seed: int) -> None:
    """Every statistic agrees with allantools within 1e-9, for any noise, offset, interval and length."""
    # SOURCE: allantools 2024.6 (LGPL-3.0-or-later), an independent library
    generator = np.random.default_rng(seed)
    record = eb.simulate_clock(
        int(generator.integers(100, 3000)),
        interval_s=[0.1, 1.0, 10.0, 300.0][seed],
        levels=LEVELS[seed],
        seed=seed,
        kind=kind,
        frequency_offset=1e-7 * generator.standard_normal(),
    )
    curve = eb.time_interval_error(record) if statistic == "mtie" else eb.stability(record, statistic)

    check = eb.crosscheck(curve, record)

    assert check.agrees, check.sentence
    assert check.compared >= len(curve) - 3  # allantools gives no point with a single term
    assert check.findings[0].severity == "good"


EXTENDED = {
    "total": "before bias removal",
    "modified_total": "before bias removal",
    "time_total": "before bias removal",
    "hadamard_total": "before bias removal",
    "theo1": "the effective one is 0.75 of it",
    "parabolic": "never uses the last sample",
}


@pytest.mark.grid(3)
@pytest.mark.parametrize("bias", ["exact", "published", "none"])
@pytest.mark.parametrize("statistic", EXTENDED)
def test_agreement_of_the_total_family(statistic: str, bias: str) -> None:
    """The sums agree with allantools within 1e-9 once the stated differences are allowed for."""
    # SOURCE: allantools 2024.6: totdev, mtotdev, ttotdev, htotdev, theo1 and pdev
    record = eb.simulate_clock(60, interval_s=10.0, levels=LEVELS[2], seed=8, frequency_offset=1e-9)
    curve = eb.stability(record, statistic, bias=bias)

    check = eb.crosscheck(curve, record)

    assert check.agrees, check.sentence
    assert EXTENDED[statistic] in check.sentence
    assert check.compared >= len(curve) - 3
    tampered = replace(curve, deviation=curve.deviation * 1.001)
    assert not eb.crosscheck(tampered, record).agrees


def test_long_records_are_not_given_to_loops() -> None:
    """Where allantools would take minutes it is said instead of waited for."""
    record = eb.simulate_clock(3000, interval_s=1.0, levels=LEVELS[1], seed=1)

    check = eb.crosscheck(eb.stability(record, "theo1", averaging=[10]), record)

    assert check.compared == 0
    assert "takes minutes for this statistic of more than 1500 samples" in check.sentence


def test_largest_difference_is_found() -> None:
    """A curve that is wrong at one point is not agreed with."""
    record = eb.simulate_clock(500, interval_s=1.0, levels=LEVELS[1], seed=1)
    curve = eb.stability(record)
    deviation = curve.deviation.copy()
    deviation[3] *= 1.001

    check = eb.crosscheck(replace(curve, deviation=deviation), record)

    assert not check.agrees
    assert check.largest_relative_difference == pytest.approx(1e-3, rel=1e-6)
    assert check.findings[0].code == "CROSSCHECK_DIFFERS"
    assert "differs from the overlapping Allan deviation by up to 1.0e-03" in check.sentence


def test_impossible_comparisons_are_said() -> None:
    """Gaps, statistics without a counterpart and single-term curves are said to be uncompared, not agreed."""
    record = eb.simulate_clock(50, interval_s=1.0, levels=LEVELS[1], seed=1)
    values = np.array(record.values)
    values[7] = np.nan
    gappy = eb.Record.from_frequency(values, interval_s=1.0)

    for check, reason in (
        (eb.crosscheck(eb.stability(gappy), gappy), "gaps or excluded samples"),
        (eb.crosscheck(eb.time_interval_error(record, "rms"), record), "no such statistic"),
        (eb.crosscheck(eb.stability(record, averaging=[25]), record), "no point with more than one term"),
    ):
        assert not check.agrees
        assert check.compared == 0
        assert reason in check.sentence
        assert json.loads(json.dumps(check.to_dict(), allow_nan=False))["largest_relative_difference"] is None


def test_another_record_is_refused() -> None:
    """A record with another interval cannot be the one the curve was made from."""
    record = eb.simulate_clock(50, interval_s=1.0, levels=LEVELS[1], seed=1)
    other = eb.Record.from_frequency(record.values, interval_s=2.0)

    with pytest.raises(eb.InputError, match="every 1 s but the record has one every 2 s"):
        eb.crosscheck(eb.stability(record), other)


def test_crosscheck_shows_itself(capsys: pytest.CaptureFixture[str]) -> None:
    """The table names both libraries, and nothing allantools prints gets through."""
    record = eb.simulate_clock(300, interval_s=1.0, levels=LEVELS[1], seed=1)

    check = eb.crosscheck(eb.stability(record, averaging=[1, 10, 150]), record)

    assert "allantools" in str(check)
    assert list(check.to_frame().columns)[-1] == "relative_difference"
    assert capsys.readouterr().out == ""
