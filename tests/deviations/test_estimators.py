"""``stability``: what it returns, what it says, what it refuses."""

from __future__ import annotations

import json
from dataclasses import replace

import numpy as np
import pytest

import evenbeat as eb
from evenbeat.deviations.statistics import DIFFERENCES, STATISTICS
from evenbeat.deviations.sums.kernels import TermSum
from evenbeat.record import Flag


def white_fm(n: int = 1000, seed: int = 1, **options: float) -> eb.Record:
    """Return a frequency record with white noise of 1e-11."""
    values = 1e-11 * np.random.default_rng(seed).standard_normal(n)
    return eb.Record.from_frequency(values, interval_s=1.0, **options)


def codes(curve: eb.results.StabilityCurve) -> set[str]:
    """Return the codes of a curve's findings."""
    return {finding.code for finding in curve.findings}


@pytest.mark.parametrize("statistic", DIFFERENCES)
@pytest.mark.parametrize("averaging", ["ten_per_decade", "doublings", "every"])
def test_named_grids_reach_the_last_term(statistic: str, averaging: str) -> None:
    """The named grids are rising factors that the record allows; ``every`` ends at the last term."""
    record = white_fm(101)
    kind = STATISTICS[statistic]

    curve = eb.stability(record, statistic, averaging=averaging)

    assert np.all(np.diff(curve.averaging_factor) > 0)
    assert np.all(curve.terms >= 1)
    assert np.all(curve.edf >= 1)
    assert np.all(np.isfinite(curve.deviation))
    if averaging == "every":
        assert curve.averaging_factor[-1] == kind.form.largest(102)
    last = int(curve.averaging_factor[-1])
    if not kind.form.overlapping:
        assert curve.terms[-1] == 101 // last - kind.form.order + 1
    else:
        assert curve.terms[-1] == 102 - kind.form.spans * last + kind.form.averaged


def test_factors_beyond_the_record_come_back_as_a_finding() -> None:
    """What was asked and cannot be computed is named, the rest is computed."""
    curve = eb.stability(white_fm(100), averaging=[50, 1, 51, 1, 400])

    assert curve.averaging_factor.tolist() == [1, 50]
    finding = next(f for f in curve.findings if f.code == "FACTORS_NOT_COMPUTED")
    assert "51, 400" in finding.sentence
    assert finding.values["largest_factor"] == 50


@pytest.mark.parametrize(
    ("averaging", "said"),
    [
        ([0], "averaging factor 0 is not a positive whole number; whole numbers from 1 to 50"),
        ([4, -2], "averaging factor -2 is not a positive"),
        ([1.5], r"averaging factor 1\.5 is not"),
        ([float("nan")], "averaging factor nan is not"),
        ([], "whole numbers from 1 to 50 are possible"),
        ("octave", "averaging is 'octave'; it must be 'ten_per_decade'"),
        (
            [60, 70],
            "none of the averaging factors 60, 70 can be computed: 100 samples allow factors from 1 to 50",
        ),
        (["a"], "averaging factor 'a' is not a positive whole number"),
        ([[1, 2], [3]], "whole numbers from 1 to 50 are possible"),
        ([[1, 2]], r"averaging factor \[1, 2\] is not"),
        (7, "averaging is 7; whole numbers from 1 to 50 are possible"),
        ([True], "averaging factor True is not"),
        ([float("inf")], "averaging factor inf is not"),
        ([10**30], f"none of the averaging factors {10**30} can be computed"),
        ([1e30], "none of the averaging factors 1000000000000000019884624838656 can be computed"),
    ],
)
def test_impossible_factors_are_refused(averaging: object, said: str) -> None:
    """One sentence names what was asked and what the record allows."""
    with pytest.raises(eb.InputError, match=said):
        eb.stability(white_fm(100), averaging=averaging)


@pytest.mark.parametrize(
    ("statistic", "kind", "needed"),
    [
        ("overlapping_allan", "phase", 3),
        ("allan", "frequency", 2),
        ("modified_allan", "phase", 3),
        ("hadamard", "phase", 4),
        ("overlapping_hadamard", "frequency", 3),
    ],
)
def test_too_short_records_are_refused(statistic: str, kind: str, needed: int) -> None:
    """One sample too few is refused with the number needed; with that number there is a term."""
    make = eb.Record.from_phase if kind == "phase" else eb.Record.from_frequency
    samples = np.random.default_rng(0).standard_normal(needed)
    if needed > 2:
        with pytest.raises(eb.errors.TooShortError, match=f"needs at least {needed} samples") as caught:
            eb.stability(make(samples[:-1], interval_s=1.0), statistic)
        assert caught.value.needed == needed

    curve = eb.stability(make(samples, interval_s=1.0), statistic)

    assert curve.terms.tolist() == [1]
    assert curve.edf.tolist() == [1.0]


def test_unknown_statistic_and_coverage_are_refused() -> None:
    """The sentences name what would be accepted."""
    with pytest.raises(eb.InputError, match="must be one of allan, overlapping_allan"):
        eb.stability(white_fm(), "sigma")
    with pytest.raises(eb.InputError, match="minimum_coverage is 0; it must be above 0 and at most 1"):
        eb.stability(white_fm(), minimum_coverage=0)


def test_excluded_samples_and_steps() -> None:
    """Flagged samples are left out, a known step is subtracted, and both are said."""
    clean = white_fm(2000)
    values = np.array(clean.values)
    values[700] += 1e-6
    values[1200:] += 5e-10
    record = eb.Record.from_frequency(values, interval_s=1.0).with_flags(
        Flag(cause="outlier", start=700, stop=701, excluded=True, sentence="A glitch."),
        Flag(cause="frequency_step", start=1200, stop=1200, excluded=False, sentence="A step.", size=5e-10),
    )

    curve = eb.stability(record, averaging=[1, 10, 100])
    expected = eb.stability(clean, averaging=[1, 10, 100])

    assert {"STEPS_REMOVED", "GAPS_SKIPPED"} <= codes(curve)
    assert np.all(curve.terms < expected.terms)
    assert curve.deviation == pytest.approx(expected.deviation, rel=0.06)  # 10 % of the terms are left out


def test_one_glitch_need_not_end_long_averaging_times() -> None:
    """With a coverage below one an excluded glitch leaves the long averaging times, and the curve says so."""
    record = white_fm(2000).with_flags(
        Flag(cause="outlier", start=1000, stop=1001, excluded=True, sentence="A glitch.")
    )

    strict = eb.stability(record, averaging=[10, 600])
    lenient = eb.stability(record, averaging=[10, 600], minimum_coverage=0.9)

    assert "NO_COMPLETE_TERMS" in codes(strict)
    assert strict.terms[1] == 0
    assert np.isnan(strict.deviation[1])
    assert np.isnan(strict.edf[1])
    assert strict.to_dict()["deviation"][1] is None
    assert "PARTIAL_AVERAGES" in codes(lenient)
    assert lenient.terms[1] == 2001 - 2 * 600
    assert lenient.deviation[1] == pytest.approx(
        eb.stability(white_fm(2000), averaging=[600]).deviation[0], rel=0.05
    )


def test_dead_time_is_said() -> None:
    """A gate shorter than the interval is a caution, also after integration."""
    record = white_fm(gate_s=0.5)

    assert "DEAD_TIME" in codes(eb.stability(record))
    assert "DEAD_TIME" in codes(eb.stability(record.to_phase()))
    assert "DEAD_TIME" not in codes(eb.stability(white_fm(gate_s=1.0)))


def test_constant_readings_are_said() -> None:
    """A record whose readings are all the same has a deviation of zero and says what that means."""
    curve = eb.stability(eb.Record.from_frequency(np.full(200, 1e-8), interval_s=10.0))

    assert np.all(curve.deviation == 0)
    assert {"NO_VARIATION", "NOISE_TYPE_UNKNOWN"} <= codes(curve)
    assert np.all(np.isnan(curve.noise_exponent))


def test_unknown_noise_takes_the_widest_interval() -> None:
    """Where the noise cannot be told the degrees of freedom are the smallest among the plausible noises."""
    record = eb.Record.from_frequency(np.full(6, 1e-8), interval_s=1.0)
    curve = eb.stability(record, averaging=[1])

    assert "NOISE_TYPE_UNKNOWN" in codes(curve)
    # SOURCE: the defining sum for white PM by hand: five second differences with correlations 1, -2/3 and 1/6
    assert curve.edf[0] == pytest.approx(25 / (5 + 2 * 4 * (4 / 6) ** 2 + 2 * 3 * (1 / 6) ** 2), rel=1e-9)


def test_curve_shows_itself() -> None:
    """One line, a table within 80 columns, HTML, a frame and JSON say the same."""
    curve = eb.stability(white_fm(3000), "time")
    text = str(curve)

    assert repr(curve) == "<Time deviation, 1 s to 16.7 min>"
    assert max(len(line) for line in text.splitlines()) <= 80
    assert "white FM" in text
    assert "<table>" in curve._repr_html_()
    frame = curve.to_frame()
    assert list(frame.columns[:5]) == [
        "averaging_time_s",
        "averaging_factor",
        "deviation_s",
        "low_95_s",
        "high_95_s",
    ]
    plain = json.loads(json.dumps(curve.to_dict(), allow_nan=False))
    assert plain["deviation_s"] == frame["deviation_s"].tolist()
    assert plain["unit"] == "s"


def test_long_curves_print_a_part() -> None:
    """A curve at every factor prints at most sixty rows."""
    assert len(str(eb.stability(white_fm(600), averaging="every")).splitlines()) < 70


def test_points_are_looked_up_not_interpolated() -> None:
    """``at`` gives the point computed there and refuses others, naming the nearest."""
    curve = eb.stability(white_fm(1000), averaging=[1, 10])
    low, high = curve.confidence_interval()

    point = curve.at(10.0)

    assert (point.deviation, point.low, point.high) == (curve.deviation[1], low[1], high[1])
    with pytest.raises(eb.InputError, match="no point at 7 s; the nearest is at 10 s"):
        curve.at(7.0)


# SOURCE: chi-squared multipliers of a deviation (68.3 % and 95 %), common tables; for edf 1, 10 and 100
@pytest.mark.parametrize(
    ("edf", "confidence", "low", "high"),
    [
        (1, 0.683, 0.709, 5.001),
        (1, 0.95, 0.446, 31.91),
        (10, 0.683, 0.835, 1.327),
        (10, 0.95, 0.699, 1.755),
        (100, 0.95, 0.878, 1.161),
    ],
)
def test_interval_multipliers(edf: float, confidence: float, low: float, high: float) -> None:
    """The limits are the tabulated multiples of the deviation."""
    curve = eb.stability(white_fm(100), averaging=[1])
    unit = replace(curve, deviation=np.ones(1), edf=np.array([float(edf)]), distribution=None)

    limits = unit.confidence_interval(confidence)

    assert (limits[0][0], limits[1][0]) == pytest.approx((low, high), rel=1e-3)
    with pytest.raises(eb.InputError, match="confidence is 1"):
        unit.confidence_interval(1)


def test_curve_is_locked() -> None:
    """The columns of a curve cannot be changed, nor be of different lengths."""
    curve = eb.stability(white_fm(100), averaging=[1, 2])

    with pytest.raises(ValueError, match="read-only"):
        curve.deviation[0] = 0
    with pytest.raises(eb.InputError, match=r"edf has shape \(1,\); averaging_factor has \(2,\)"):
        replace(curve, edf=np.ones(1))


# SOURCE: uniform quantisation q of phase makes white PM of q/√12, hence an Allan deviation of q/(2τ) and a
# modified one of q/(2τ√n) (common knowledge of the field)
def test_response_to_uniform_phase_errors() -> None:
    """Evenly spread phase errors make the deviation predicted, for every statistic."""
    record = eb.Record.from_phase(np.random.default_rng(3).random(200_000), interval_s=2.0)
    factors, times = np.array([1, 8]), np.array([2.0, 16.0])

    def response(name: str) -> np.ndarray:
        kind = STATISTICS[name]
        terms = TermSum(total=0.0, possible=1000, terms=1000)
        moments = kind.form.moments([terms, terms], 1000, factors.tolist())
        return kind.deviation(moments.of_unit_phase_errors / 12, times, 2.0)

    assert response("allan") == pytest.approx([1 / 4, 1 / 32])
    assert response("modified_allan")[1] == pytest.approx(1 / 32 / np.sqrt(8))
    for name in DIFFERENCES:
        curve = eb.stability(record, name, averaging=factors)
        assert response(name) == pytest.approx(curve.deviation, rel=0.02), name


def test_rounding_of_stored_phase_is_noticed() -> None:
    """Phase kept beside a thousand seconds, or in single precision, is limited by rounding and says so."""
    phase = 1e-13 * np.cumsum(np.random.default_rng(2).standard_normal(5000))
    records = {
        "fine": eb.Record.from_phase(phase, interval_s=1.0),
        "beside 1000 s": eb.Record.from_phase(1000.0 + phase, interval_s=1.0),
        "single": eb.Record.from_phase((1e-6 + phase).astype(np.float32), interval_s=1.0),
    }

    limited = {
        name: "ROUNDING_LIMITS" in codes(eb.stability(record, averaging=[1]))
        for name, record in records.items()
    }

    assert limited == {"fine": False, "beside 1000 s": True, "single": True}
