"""What people ask first: abbreviations, averaging times in seconds, one point, the drift taken out."""

from __future__ import annotations

import numpy as np
import pytest

import evenbeat as eb

ABBREVIATIONS = {
    # SOURCE: ITU-T G.810 (1996) appendix II, IEEE Std 1139, NIST SP 1065 (2008); o for overlapping: common
    # practice
    "ADEV": "allan",
    "oadev": "overlapping_allan",
    "MDEV": "modified_allan",
    "TDEV": "time",
    "hdev": "hadamard",
    "ohdev": "overlapping_hadamard",
    "totdev": "total",
    "mtotdev": "modified_total",
    "ttotdev": "time_total",
    "htotdev": "hadamard_total",
    "theo1": "theo1",
    "theoH": "theo1_hybrid",
    "pdev": "parabolic",
}


def clock(points: int = 400, **more: float) -> eb.Record:
    """Return phase with white FM every ten seconds."""
    return eb.simulate_clock(points, interval_s=10.0, levels=eb.NoiseLevels(white_fm=2e-22), seed=3, **more)


@pytest.mark.parametrize("short", ABBREVIATIONS)
def test_abbreviations(short: str) -> None:
    """An abbreviation of the trade gives the curve of the name in full."""
    record = clock()

    curve, expected = eb.stability(record, short), eb.stability(record, ABBREVIATIONS[short])

    assert curve.statistic == expected.statistic
    assert curve.deviation.tolist() == expected.deviation.tolist()


def test_abbreviations_of_time_error() -> None:
    """MTIE and TIErms are asked of the time interval error; elsewhere the answer says where."""
    record = clock()

    assert eb.time_interval_error(record, "MTIE").statistic == "mtie"
    assert eb.time_interval_error(record, "TIErms").statistic == "rms"
    with pytest.raises(eb.InputError, match=r"time_interval_error\(record, 'mtie'\)"):
        eb.stability(record, "mtie")
    points = [(10.0, 1e-9), (100.0, 2e-9)]
    assert eb.LimitLine.from_table(points, statistic="tdev", source="a test").statistic == "time"


@pytest.mark.parametrize(
    ("statistic", "times", "factors"),
    [
        ("oadev", [10, 40.0, 500], [1, 4, 50]),
        ("mdev", 100.0, [10]),
        ("theo1", [75.0, 750.0], [10, 100]),
        ("mtie", [20, 1000], [2, 100]),
    ],
)
def test_averaging_times_in_seconds(statistic: str, times: object, factors: list[int]) -> None:
    """Asked for in seconds, the averaging times are those, and the values those of the factors."""
    ask = eb.time_interval_error if statistic == "mtie" else eb.stability

    curve, expected = (
        ask(clock(), statistic, averaging_time_s=times),
        ask(clock(), statistic, averaging=factors),
    )

    assert curve.averaging_factor.tolist() == factors
    assert curve.averaging_time_s == pytest.approx(np.atleast_1d(times))
    assert curve.to_dict() == expected.to_dict()


@pytest.mark.parametrize(
    ("asked", "complaint"),
    [
        ({"averaging_time_s": [15.0]}, "15 s is not a multiple of 10 s; the nearest is 20 s"),
        ({"averaging_time_s": [100.0, 4.0]}, "4 s is not a multiple of 10 s; the nearest is 10 s"),
        ({"averaging_time_s": [-10.0]}, "-10 s is not a multiple"),
        ({"averaging_time_s": [np.nan]}, "nan s is not a multiple"),
        ({"averaging_time_s": []}, "it must be a list of seconds"),
        ({"averaging_time_s": "soon"}, "it must be a list of seconds"),
        ({"averaging_time_s": [10.0], "averaging": "doublings"}, "give one of them"),
    ],
)
def test_averaging_times_that_are_refused(asked: dict[str, object], complaint: str) -> None:
    """What is no averaging time of the record is refused, the nearest that is one named."""
    with pytest.raises(eb.InputError, match=complaint):
        eb.stability(clock(), **asked)


def test_an_averaging_time_beyond_the_record_is_a_finding() -> None:
    """As for factors, what the record is too short for is said, and the rest computed."""
    curve = eb.stability(clock(), averaging_time_s=[10.0, 1e5])

    assert curve.averaging_time_s.tolist() == [10.0]
    assert "FACTORS_NOT_COMPUTED" in {finding.code for finding in curve.findings}


def test_one_point() -> None:
    """A point has deviation, interval, terms and the noise by name; one that was not computed is refused."""
    curve = eb.stability(clock(3000), averaging_time_s=[10, 100])

    point = curve.at(100.0)

    low, high = curve.confidence_interval()
    assert (point.deviation, point.low, point.high) == (curve.deviation[1], low[1], high[1])
    assert (point.terms, point.noise, point.averaging_factor) == (curve.terms[1], "white FM", 10)
    with pytest.raises(eb.InputError, match=r"no point at 50 s; the nearest is at 10 s .*averaging_time_s"):
        curve.at(50.0)


@pytest.mark.slow
def test_every_is_thinned() -> None:
    """Of more than 500 averaging factors the small ones and equal proportions are left; a list gives all."""
    record = clock(1700)

    curve = eb.stability(record, averaging="every")
    whole = eb.stability(record, averaging=range(1, 851))

    assert 400 < len(curve) <= 500
    assert curve.averaging_factor[:40].tolist() == list(range(1, 41))
    assert curve.averaging_factor[-1] == 850
    assert curve.deviation.tolist() == whole.deviation[curve.averaging_factor - 1].tolist()
    (said,) = [finding for finding in curve.findings if finding.code == "FACTORS_THINNED"]
    assert said.values == {"computed": len(curve), "possible": 850}
    assert "FACTORS_THINNED" not in {finding.code for finding in whole.findings}


def drifting(kind: str, points: int = 4000, gap: bool = False) -> tuple[eb.Record, eb.Record]:
    """Return a record with white FM, and the same with a drift of 2e-14 per second."""
    noise = 1e-11 * np.random.default_rng(5).standard_normal(points)
    drift = 2e-14 * 10.0 * (np.arange(points) + 0.5)
    pair = []
    for frequency in (noise, noise + drift):
        values = frequency if kind == "frequency" else np.concatenate([[0.0], np.cumsum(10.0 * frequency)])
        values[1000:1300] = np.nan if gap else values[1000:1300]
        make = eb.Record.from_frequency if kind == "frequency" else eb.Record.from_phase
        pair.append(make(values, interval_s=10.0))
    return pair[0], pair[1]


@pytest.mark.parametrize("gap", [False, True])
@pytest.mark.parametrize("kind", ["phase", "frequency"])
def test_drift_taken_out(kind: str, gap: bool) -> None:
    """With the drift out the curve is that of the noise, but for the longest averaging times."""
    steady, moving = drifting(kind, gap=gap)
    times = [10.0, 100.0, 1000.0]

    curve = eb.stability(moving, averaging_time_s=times, remove_drift=True)

    assert curve.deviation == pytest.approx(eb.stability(steady, averaging_time_s=times).deviation, rel=2e-2)
    assert eb.stability(moving, averaging_time_s=times).deviation[-1] > 5 * curve.deviation[-1]
    assert curve.title == "overlapping Allan deviation, linear drift removed"
    (said,) = [finding for finding in curve.findings if finding.code == "DRIFT_REMOVED"]
    # under white FM of 1e-11 at 10 s the drift over 4e4 s is known to 1.2 √12 σ τ^½ / T^{3/2} = 1.6e-17 per s
    assert said.values["drift_per_s"] == pytest.approx(2e-14, abs=6e-17)
    assert "+1.73e-09 per day" in said.sentence


def test_a_drift_alone_leaves_nothing() -> None:
    """A parabola of phase comes out whole, its drift with it; phase and frequency give one estimate."""
    time = 10.0 * np.arange(1001)
    record = eb.Record.from_phase(1e-6 * time + 0.5 * 3e-15 * time**2, interval_s=10.0)

    curve = eb.stability(record, "adev", averaging=[1, 10, 100], remove_drift=True)

    assert np.all(curve.deviation < 1e-17)
    found = [
        finding.values["drift_per_s"]
        for some in (record, record.to_frequency())
        for finding in eb.stability(some, remove_drift=True).findings
        if finding.code == "DRIFT_REMOVED"
    ]
    assert found == pytest.approx([3e-15, 3e-15], rel=1e-6)


def test_a_statistic_blind_to_drift_does_not_change() -> None:
    """The Hadamard deviation is the same with the drift taken out."""
    _, moving = drifting("phase")

    with_drift, without = (eb.stability(moving, "ohdev", remove_drift=out) for out in (False, True))

    assert without.deviation == pytest.approx(with_drift.deviation, rel=1e-6)


def test_too_few_samples_for_a_drift() -> None:
    """Three samples hold a drift exactly and nothing beside it."""
    with pytest.raises(
        eb.errors.TooShortError, match="a drift needs at least 4 known samples; the record has 3"
    ):
        eb.stability(eb.Record.from_phase([0.0, 1e-9, 1e-9], interval_s=1.0), remove_drift=True)
