"""A GNSS receiver's sawtooth correction: subtracted as stated; a better sign or row is told, never taken."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

import evenbeat as eb

N = 3000


def received(*, rows: int = 0, sign: int = 1, missing: tuple[int, ...] = ()) -> tuple[eb.Record, np.ndarray]:
    """Return pulses of a receiver whose clock has a period of 25 ns, with correction, and the truth."""
    truth = np.array(
        eb.simulate_clock(
            N, interval_s=1, levels=eb.NoiseLevels(white_fm=2e-20, white_pm=1e-18), seed=3, kind="phase"
        ).values
    )
    ramp = 3.7e-9 * np.arange(N)
    sawtooth_s = np.mod(ramp, 25e-9) - 12.5e-9
    correction = np.roll(sign * sawtooth_s * 1e9, -rows)
    correction[list(missing)] = np.nan
    return (
        eb.Record.from_phase(truth + sawtooth_s, interval_s=1, covariates={"sawtooth_ns": correction}),
        truth,
    )


def the(record: eb.Record, prefix: str) -> eb.Finding:
    """Return the one finding whose code begins so."""
    (finding,) = [f for f in record.findings if f.code.startswith(prefix)]
    return finding


@pytest.mark.parametrize(("sign", "column"), [(1, "sawtooth_ns"), (-1, "-sawtooth_ns")])
@pytest.mark.parametrize("rows", [0, 1, -1])
def test_the_stated_correction_gives_the_truth(sign: int, column: str, rows: int) -> None:
    """With its sign and row the sawtooth is gone to rounding, and history and finding say so."""
    record, truth = received(rows=rows, sign=sign)
    result = eb.condition(record, sawtooth=column, sawtooth_rows=rows, skip_checks=("steps", "outliers"))
    good = slice(1, -1)
    np.testing.assert_allclose(result.values[good], truth[good], rtol=0, atol=1e-20)
    assert the(result, "SAWTOOTH").severity == "good"
    assert f"sawtooth(column={column}, rows={rows})" in [str(entry) for entry in result.history]
    logged = eb.conditioning_report(result).logged_values()
    np.testing.assert_allclose(logged, record.values, rtol=0, atol=1e-20)


@pytest.mark.parametrize(
    ("truly", "better"),
    [
        ({"sign": -1}, "sawtooth='-sawtooth_ns' and sawtooth_rows=0"),
        ({"rows": 1}, "sawtooth='sawtooth_ns' and sawtooth_rows=1"),
        ({"rows": -1, "sign": -1}, "sawtooth='-sawtooth_ns' and sawtooth_rows=-1"),
    ],
)
def test_a_better_choice_is_told_not_taken(truly: dict[str, int], better: str) -> None:
    """What was stated is done; the finding names what would reduce the scatter."""
    record, _ = received(**truly)
    result = eb.condition(record, sawtooth="sawtooth_ns")
    finding = the(result, "SAWTOOTH")
    assert finding.code == "SAWTOOTH_OTHERWISE"
    assert finding.severity == "caution"
    assert better in finding.sentence
    expected = record.values - 1e-9 * record.covariates["sawtooth_ns"]
    np.testing.assert_allclose(result.values, expected, rtol=0, atol=1e-20)


def test_a_correction_of_other_pulses_is_told() -> None:
    """A column that has nothing to do with the pulses explains nothing, and the finding says so."""
    record, _ = received()
    noise = np.random.default_rng(1).normal(0, 0.1, N)
    record = eb.Record.from_phase(record.values, interval_s=1, covariates={"sawtooth_ns": noise})
    assert the(eb.condition(record, sawtooth="sawtooth_ns"), "SAWTOOTH").code == "SAWTOOTH_OF_NO_USE"


def test_pulses_without_a_correction_are_left_out() -> None:
    """Where the correction is missing the pulse stays as it was and is left out."""
    record, _ = received(missing=(10, 11, 400))
    result = eb.condition(record, sawtooth="sawtooth_ns", skip_checks=("steps", "outliers"))
    assert [(f.start, f.stop) for f in result.flags if f.cause == "no_sawtooth"] == [(10, 12), (400, 401)]
    np.testing.assert_array_equal(result.values[[10, 11, 400]], record.values[[10, 11, 400]])
    assert result.excluded == 3


def test_a_second_conditioning_does_not_subtract_again() -> None:
    """What was subtracted once stays so."""
    record, _ = received()
    once = eb.condition(record, sawtooth="sawtooth_ns")
    np.testing.assert_array_equal(eb.condition(once, sawtooth="sawtooth_ns").values, once.values)


def test_clean_pulses_are_left_alone() -> None:
    """Without a column named nothing is subtracted, whatever covariates there are."""
    record, _ = received()
    np.testing.assert_array_equal(eb.condition(record).values, record.values)


@pytest.mark.parametrize(
    ("column", "sentence"),
    [
        ("saw", r"sawtooth is 'saw', but the record has no such covariate \(there is: sawtooth_ns, plain\)"),
        ("plain", "the name of the covariate must end in its unit, such as sawtooth_ns"),
    ],
)
def test_a_column_that_cannot_be_used_is_refused(column: str, sentence: str) -> None:
    """An unknown column and one without a unit are refused with what would be accepted."""
    record, _ = received()
    record = eb.Record.from_phase(
        record.values, interval_s=1, covariates={**record.covariates, "plain": np.zeros(N)}
    )
    with pytest.raises(eb.InputError, match=sentence):
        eb.condition(record, sawtooth=column)


def test_frequencies_have_no_sawtooth() -> None:
    """A frequency record is refused: the correction belongs to time errors."""
    record = eb.Record.from_frequency(np.zeros(100), interval_s=1, covariates={"sawtooth_ns": np.zeros(100)})
    with pytest.raises(eb.InputError, match="belongs to a phase record"):
        eb.condition(record, sawtooth="sawtooth_ns")


def test_the_column_is_named_when_reading(tmp_path: Path) -> None:
    """A log with a correction in nanoseconds is read with its column named, and corrected."""
    record, truth = received()
    path = tmp_path / "pulses.csv"
    rows = zip(record.values * 1e9, record.covariates["sawtooth_ns"], strict=True)
    path.write_text("phase [ns],sawtooth\n" + "".join(f"{a:.6f},{b:.6f}\n" for a, b in rows))
    read = eb.read_log(path, columns={"value": 0, "sawtooth_ns": 1}, interval_s=1)
    result = eb.condition(read, sawtooth="sawtooth_ns", skip_checks=("steps", "outliers"))
    np.testing.assert_allclose(result.values, truth, rtol=0, atol=2e-15)
