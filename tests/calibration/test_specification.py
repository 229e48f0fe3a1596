"""A written specification held against simulated clocks whose truth is known."""

from __future__ import annotations

import json
import math
from pathlib import Path

import numpy as np
import pytest
from scipy import stats

from evenbeat.calibration.specification import Specification, check_specification
from evenbeat.clock.fit import fit_clock
from evenbeat.clock.model import ClockModel
from evenbeat.deviations.estimators import stability
from evenbeat.errors import InputError
from evenbeat.figures.dispatch import plot
from evenbeat.powerlaw import NoiseLevels, simulate_clock
from evenbeat.quantities import Estimate
from evenbeat.record import Flag, Record

DAY, HOUR = 86400.0, 3600.0
TEMPERATURE = {"quantity": "temperature", "covariate": "room_c", "from": 18, "to": 28}


@pytest.fixture(scope="module")
def model() -> ClockModel:
    """Return 40 days of a clock that ages 2e-11 a day and follows the room by 3e-12 per kelvin."""
    generator = np.random.default_rng(3)
    hours = np.arange(960)
    room = 23 + 5 * np.sin(2 * np.pi * hours / 96) + 0.02 * generator.standard_normal(960)
    plain = simulate_clock(960, interval_s=HOUR, levels=NoiseLevels(white_fm=1e-20), seed=3)
    values = np.asarray(plain.values) + 2e-11 * hours / 24 + 3e-12 * (room - 23)
    record = Record.from_frequency(values, interval_s=HOUR, covariates={"room_c": room})
    return fit_clock(record, aging="linear", environment=("room_c",), most_blocks=120)


def verdicts(model: ClockModel, *lines: dict[str, object], **options: object) -> list[str]:
    """Return the verdict on each line."""
    result = check_specification(Specification.of(*lines), model=model, **options)
    return [line.verdict for line in result.lines]


def test_lines_pass_and_fail_as_the_truth_says(model: ClockModel) -> None:
    """σ_y(1 h) of noise, room and drift, aging 2e-11 a day, 3e-11 from 18 to 28 °C."""
    room = 3e-12 * 5 * 2 * math.pi / 96 / 2  # rms slope of the wave, over √2
    sigma = math.sqrt(1e-20 / 2 / HOUR + room**2 + (2e-11 / 24) ** 2 / 2)
    assert (
        verdicts(
            model,
            {"quantity": "stability", "averaging_time": "1 h", "limit": 1.15 * sigma},
            {"quantity": "stability", "averaging_time": "1 h", "limit": 0.9 * sigma},
            {"quantity": "aging_per_day", "limit": 2.2e-11},
            {"quantity": "aging_per_day", "limit": [-1e-10, 1.8e-11]},
            {**TEMPERATURE, "limit": 3.3e-11},
            {**TEMPERATURE, "limit": 2.7e-11},
            {**TEMPERATURE, "reference": 23, "limit": 1.8e-11},
            {**TEMPERATURE, "reference": 23, "limit": 1.2e-11},
        )
        == ["pass", "fail"] * 4
    )


def test_probability_of_a_deviation_is_its_chi_squared(model: ClockModel) -> None:
    """P(σ <= L) = P(χ² >= ν s²/L²): scipy's chi-squared with the curve's degrees of freedom."""
    curve = stability(model.record, "overlapping_allan", averaging=[24])
    limit = 1.1 * float(curve.deviation[0])
    result = check_specification(
        Specification.of({"quantity": "stability", "averaging_time": "24 h", "limit": limit}),
        curves={"overlapping_allan": curve},
    )
    expected = stats.chi2(curve.edf[0]).sf(curve.edf[0] / 1.1**2)
    assert result.lines[0].conformance_probability == pytest.approx(expected, abs=0.01)


def test_never_a_pass_by_absence(model: ClockModel) -> None:
    """What the log cannot tell is not tested, with the reason, and then conformity is not shown."""
    result = check_specification(
        Specification.of(
            {"quantity": "aging_per_day", "limit": 1e-9},
            {"quantity": "aging_per_year", "limit": 1e-7},
            {"quantity": "stability", "averaging_time": "1 s", "limit": 1e-10},
            {"quantity": "stability", "averaging_time": "60 d", "limit": 1e-10},
            {**TEMPERATURE, "to": 50, "limit": 1e-9},
            {**TEMPERATURE, "covariate": "supply_v", "limit": 1e-9},
            {"quantity": "warm_up", "after": "30 min", "compared_with": "24 h", "limit": 1e-8},
            {"quantity": "retrace", "after": "24 h", "limit": 1e-8},
            {"quantity": "offset", "limit": 1e-8},
        ),
        model=model,
    )
    assert [line.verdict for line in result.lines] == ["pass"] + ["not tested"] * 8
    assert result.overall == "not shown"
    reasons = " ".join(line.reason for line in result.lines)
    for words in (
        "not a year; the value is a forecast",
        "readings are 1 h apart",
        "the record is too short",
        "the log saw",
        "supply_v was not fitted",
        "give powered_on_s",
        "give powered_off_s",
        "as delivered",
    ):
        assert words in reasons
    assert result.lines[1].conformance_probability > 0.99
    assert max(map(len, str(result).splitlines())) <= 80
    assert json.dumps(result.to_dict(), allow_nan=False)
    assert plot(result).get_title(loc="left")


def test_a_year_of_log_tests_a_year() -> None:
    """400 days at 1e-11 a day: the change over the last 365 days is 3.65e-9."""
    record = simulate_clock(
        400, interval_s=DAY, levels=NoiseLevels(white_fm=1e-20), seed=5, aging=lambda t: 1e-11 * t / DAY
    )
    result = check_specification(
        Specification.of({"quantity": "aging_per_year", "limit": 3.8e-9}),
        model=fit_clock(record, aging="linear", most_blocks=60),
    )
    assert result.overall == "conforms"
    assert result.lines[0].value == pytest.approx(3.65e-9, rel=0.02)


def settling(*, off: bool) -> Record:
    """Return two days after power-on, or six with a day of power off and a retrace of 4e-10."""
    hours = np.arange(0, 144, 0.1)
    generator = np.random.default_rng(6)
    values = 1e-9 + 1e-12 * generator.standard_normal(len(hours))
    if not off:
        return Record.from_frequency(values[:480] + 1e-7 * np.exp(-hours[:480] / 0.5), interval_s=360.0)
    values[hours >= 72] += 4e-10 + 1e-8 * np.exp(-(hours[hours >= 72] - 72) / 0.5)
    values[(hours >= 48) & (hours < 72)] = np.nan
    record = Record.from_frequency(values, interval_s=360.0)
    flag = Flag(cause="warm_up", start=720, stop=760, excluded=True, sentence="Settling.")
    return record.with_flags(flag)


def test_warm_up() -> None:
    """1e-7 e^(-t/30 min): 1.8e-9 after 2 h, 1.4e-8 after 1 h (a window of a quarter of an hour lowers it)."""
    lines = [
        {"quantity": "warm_up", "after": "2 h", "compared_with": "24 h", "limit": 2e-9},
        {"quantity": "warm_up", "after": "1 h", "compared_with": "24 h", "limit": 5e-9},
    ]
    result = check_specification(Specification.of(*lines), settling(off=False), powered_on_s=0.0)
    assert [line.verdict for line in result.lines] == ["pass", "fail"]
    assert 0.3e-9 < result.lines[0].value < 1.9e-9


def test_retrace() -> None:
    """4e-10 after a day off, found by the interruption before settling; another time off does not count."""
    lines = [
        {"quantity": "retrace", "after": "24 h", "off": "24 h", "limit": 5e-10},
        {"quantity": "retrace", "after": "24 h", "off": "24 h", "limit": 3e-10},
        {"quantity": "retrace", "after": "24 h", "off": "2 h", "limit": 5e-10},
    ]
    result = check_specification(Specification.of(*lines), settling(off=True))
    assert [line.verdict for line in result.lines] == ["pass", "fail", "not tested"]
    assert result.lines[0].value == pytest.approx(4e-10, rel=0.01)
    assert "power was off for" in result.lines[2].reason


def test_stated_values_and_rules() -> None:
    """An offset from a certificate: 9e-9(1) within ±1e-8 is conditional with U = 2e-9 held back (ILAC-G8)."""
    spec = Specification.of({"quantity": "offset", "limit": 1e-8})
    measured = {"offset": Estimate.normal(9e-9, 1e-9)}
    simple = check_specification(spec, measured=measured)
    careful = check_specification(spec, measured=measured, rule="non_binary")
    guarded = check_specification(spec, measured=measured, rule="guard_band")
    assert [r.lines[0].verdict for r in (simple, careful, guarded)] == ["pass", "conditional pass", "fail"]
    assert [r.overall for r in (simple, careful, guarded)] == ["conforms", "not shown", "does not conform"]
    assert simple.lines[0].conformance_probability == pytest.approx(stats.norm.cdf(1), rel=1e-6)
    doubtful = check_specification(spec, measured=measured, reference_uncertainty=1e-9)
    assert doubtful.least_probability == pytest.approx(stats.norm.cdf(1 / math.sqrt(2)), rel=1e-4)
    with pytest.raises(InputError, match="nothing is given"):
        check_specification(spec)


def test_reads_toml(tmp_path: Path) -> None:
    """The example of the module is read; the printed table fits the page."""
    from evenbeat.calibration import specification

    example = str(specification.__doc__).split("::")[1]
    path = tmp_path / "kittiwake.toml"
    path.write_text("\n".join(line.removeprefix("    ") for line in example.splitlines()), encoding="utf-8")
    spec = Specification.from_toml(path)
    assert len(spec.lines) == 5
    assert spec.lines[1].limits.lower == -1e-10
    assert max(map(len, str(spec).splitlines())) <= 80
    assert json.dumps(spec.to_dict())


@pytest.mark.parametrize(
    ("line", "words"),
    [
        ({"quantity": "speed", "limit": 1.0}, "line 1: quantity is 'speed'; it must be one of stability"),
        ({"quantity": "aging_per_day"}, "line 1: aging_per_day has no 'limit'"),
        ({"quantity": "stability", "limit": 1e-11}, "has no 'averaging_time'"),
        (
            {"quantity": "stability", "limit": 1e-11, "averaging_time": "soon"},
            "averaging_time: 'soon' is not",
        ),
        ({"quantity": "stability", "limit": 1e-11, "averaging_time": -1}, "averaging_time is -1"),
        ({"quantity": "stability", "limit": 0, "averaging_time": 1}, "limit is 0"),
        (
            {"quantity": "stability", "limit": 1, "averaging_time": 1, "statistic": "mtie"},
            "statistic is 'mtie'",
        ),
        ({"quantity": "offset", "limit": [1e-8, -1e-8]}, "limit is"),
        ({"quantity": "offset", "limit": 1e-8, "after": "1 h"}, "'after' is not known of offset"),
        ({**TEMPERATURE, "from": 40, "limit": 1e-9}, "from must be below to"),
        ({**TEMPERATURE, "from": "cold", "limit": 1e-9}, "from is 'cold'; it must be a number"),
        ({**TEMPERATURE, "limit": [-2e-9, -1e-9]}, "the limit is -1e-09; it must be positive"),
        (
            {"quantity": "warm_up", "after": "2 h", "compared_with": "1 h", "limit": 1e-8},
            "must be later than after",
        ),
    ],
)
def test_impossible_lines_are_named(line: dict[str, object], words: str) -> None:
    """The sentence counts the line and says what would be accepted."""
    with pytest.raises(InputError, match=words):
        Specification.of(line)


def test_unreadable_files_are_named(tmp_path: Path) -> None:
    """No file, no TOML, no line."""
    with pytest.raises(InputError, match="cannot be read"):
        Specification.from_toml(tmp_path / "nowhere.toml")
    path = tmp_path / "empty.toml"
    path.write_text("name = 'x'", encoding="utf-8")
    with pytest.raises(InputError, match="no \\[\\[line\\]\\]"):
        Specification.from_toml(path)
    with pytest.raises(InputError, match="has no line"):
        Specification.of()
