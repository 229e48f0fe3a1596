"""Limit lines: tables of the user, and verdicts that take the interval into account."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from noise_of_known_truth import expected, simulated

import evenbeat as eb

TABLE = [(1.0, 1e-11), (100.0, 1e-12), (1e4, 1e-12)]


@pytest.fixture(scope="module")
def record() -> eb.Record:
    """Return white FM of 1e-11 at one second."""
    return eb.simulate_clock(
        5000, interval_s=1.0, levels=eb.NoiseLevels(white_fm=2e-22), seed=1, kind="phase"
    )


def line(factor: float = 1.0, statistic: str = "overlapping_allan") -> eb.LimitLine:
    """Return a limit of the user, times a factor."""
    return eb.LimitLine.from_table(
        [(tau, value * factor) for tau, value in TABLE], statistic=statistic, name="ours"
    )


# SOURCE: straight on logarithmic axes by construction: 1e-11 at 1 s and 1e-12 at 100 s is 1e-11 / √τ
def test_own_limit_is_straight_on_logarithmic_axes() -> None:
    """Between points the limit is interpolated on logarithms, at points exact, outside unknown."""
    limit = line()

    assert limit.at([1, 4, 25, 100, 5000, 1e4]) == pytest.approx(
        [1e-11, 5e-12, 2e-12, 1e-12, 1e-12, 1e-12], rel=1e-12
    )
    assert np.isnan(limit.at([0.9, 1.1e4])).all()
    assert {f.code for f in limit.findings} == {"INTERPOLATED"}


def test_every_form_of_table_gives_the_same_limit(tmp_path: Path) -> None:
    """Pairs, a frame and a file mean the same."""
    path = tmp_path / "ours.csv"
    frame = pd.DataFrame(TABLE, columns=["averaging_time_s", "limit"])
    path.write_text("# our own\naveraging_time_s, limit\n" + "".join(f"{t},{v}\n" for t, v in TABLE))

    for table in (frame, path, str(path), np.array(TABLE)):
        limit = eb.LimitLine.from_table(table, statistic="allan")
        assert limit.at([4.0, 1e3]) == pytest.approx([5e-12, 1e-12], rel=1e-12)


@pytest.mark.parametrize(
    ("table", "said"),
    [
        ([(1.0, 1e-9)], r"has 1 point; at least 2"),
        ([(1.0, 1e-9), (1.0, 2e-9)], "do not rise"),
        ([(1.0, 1e-9), (2.0, 0.0)], "not positive"),
        ([(1.0, 2.0, 3.0)], "must hold pairs"),
        ("nonsense", "there is no such file"),
        (
            pd.DataFrame({"tau": [1, 2], "limit": [1, 2]}),
            "no column 'averaging_time_s'; .* has tau, limit",
        ),
    ],
)
def test_bad_tables_are_refused(table: object, said: str) -> None:
    """One sentence says what is wrong with a table."""
    with pytest.raises(eb.InputError, match=said):
        eb.LimitLine.from_table(table, statistic="allan")


def test_bad_row_of_a_file_is_named(tmp_path: Path) -> None:
    """The row and what it holds."""
    path = tmp_path / "bad.csv"
    path.write_text("averaging_time_s,limit\n1,2\n3,abc\n")

    with pytest.raises(eb.LogError, match=r"bad\.csv, line 3: limit is 'abc'; a number"):
        eb.LimitLine.from_table(path, statistic="allan")


def test_verdict_takes_the_interval_into_account(record: eb.Record) -> None:
    """Below only if the whole interval is, above only if the whole interval is, else undecided."""
    curve = eb.stability(record, averaging=[1, 10, 1000])
    low, high = curve.confidence_interval(0.99)[0], curve.confidence_interval()[1]

    for height, told in ((high * 1.001, "below"), (curve.deviation, "undecided"), (low * 0.999, "above")):
        limit = eb.LimitLine.from_table(
            list(zip([1.0, 10.0, 1000.0], height, strict=True)), statistic="overlapping_allan"
        )
        verdict = eb.compare_with_limit(curve, limit)
        assert verdict.verdicts == (told,) * 3
        assert verdict.overall == told
        assert verdict.findings


@pytest.mark.slow
def test_one_error_rate_for_the_whole_verdict() -> None:
    """Of 100 clocks on the limit at most 5 % are called above; of those 1.5 times better most below."""
    # SOURCE: exact expectation of the modified Allan variance; with one interval per averaging time and
    # points to a third of the record 18 to 36 % were called above, 95 to 99 % of the better ones undecided
    levels = (1.0, 0, 0, 0, 0)
    verdicts: dict[float, list[str]] = {1.0: [], 1.5: []}
    for phase in simulated(600, levels, 100, seed=3):
        curve = eb.stability(eb.Record.from_phase(1e-9 * phase, interval_s=1.0), "time")
        factors = curve.averaging_factor.tolist()
        truth = [1e-9 * m * np.sqrt(expected(levels, m, "modified") / 3) for m in factors]
        for better, found in verdicts.items():
            table = [
                (tau, better * value)
                for tau, value in zip(curve.averaging_time_s.tolist(), truth, strict=True)
                if better == 1.0 or tau <= 600 / 20
            ]
            limit = eb.LimitLine.from_table(table, statistic="time")
            found.append(eb.compare_with_limit(curve, limit).overall)

    assert verdicts[1.0].count("above") <= 5
    assert verdicts[1.0].count("below") == 0
    assert verdicts[1.5].count("below") >= 80


def test_averaging_times_end_where_the_mask_does_and_the_margin_is_told(record: eb.Record) -> None:
    """Of a mask of the time deviation nothing is said beyond a twelfth of the record; decibels to spare."""
    curve = eb.stability(record, "time", averaging=[10, 100, 416, 420])
    high = curve.confidence_interval(0.9)[1]
    limit = eb.LimitLine.from_table(
        list(zip(curve.averaging_time_s.tolist(), (2 * high).tolist(), strict=True)), statistic="time"
    )

    verdict = eb.compare_with_limit(curve, limit)

    assert verdict.verdicts == ("below", "below", "below", "no statement")
    assert verdict.margin_db == pytest.approx(20 * np.log10(2), rel=1e-6)
    assert "by 6.0 dB at least" in verdict.sentence
    assert verdict.to_dict()["margin_db"] == verdict.margin_db


def test_wider_confidence_decides_less(record: eb.Record) -> None:
    """A limit just above the 95 % interval is inside that of 99.99 %."""
    curve = eb.stability(record, averaging=[1, 10])
    limit = eb.LimitLine.from_table(
        list(zip([1.0, 10.0], curve.confidence_interval()[1] * 1.001, strict=True)),
        statistic="overlapping_allan",
    )

    assert eb.compare_with_limit(curve, limit).overall == "below"
    assert eb.compare_with_limit(curve, limit, confidence=0.9999).overall == "undecided"


def test_nothing_is_said_outside_the_limit(record: eb.Record) -> None:
    """Averaging times without a limit get no statement, and a finding counts them."""
    limit = eb.LimitLine.from_table([(5.0, 1e-9), (50.0, 1e-9)], statistic="overlapping_allan")

    verdict = eb.compare_with_limit(eb.stability(record, averaging=[1, 10, 100]), limit)

    assert verdict.verdicts == ("no statement", "below", "no statement")
    assert verdict.overall == "below"
    assert "OUTSIDE_LIMIT" in {f.code for f in verdict.findings}
    far = eb.LimitLine.from_table([(1e6, 1e-9), (1e7, 1e-9)], statistic="overlapping_allan")
    assert eb.compare_with_limit(verdict.curve, far).overall == "no statement"


# SOURCE: constant frequency offset y: MTIE = |y| τ; G.811 allows 0.275 τ + 25 ns
def test_time_interval_error_has_no_interval_and_says_so() -> None:
    """A steady offset of 3e-10 crosses 25 ns + 2.75e-10 τ at 1000 s: below before, above beyond."""
    record = eb.Record.from_phase(3e-10 * np.arange(3001), interval_s=1.0)

    verdict = eb.compare_with_limit(
        eb.time_interval_error(record, averaging=[10, 900, 2000]), eb.limit_lines()["G.811 PRC MTIE"]
    )

    # 0.3 ns per second: 3, 270 and 600 ns against 27.75, 272.5 and 310 ns
    assert verdict.allowed == pytest.approx([27.75e-9, 272.5e-9, 310e-9], rel=1e-12)
    assert verdict.verdicts == ("below", "below", "above")
    assert np.isnan(verdict.low).all()
    assert "NO_INTERVAL" in {f.code for f in verdict.findings}
    assert "most at 33.3 min: 1.94 times the limit" in verdict.sentence


def test_limit_of_another_statistic_is_refused(record: eb.Record) -> None:
    """The sentence names both statistics."""
    with pytest.raises(
        eb.InputError, match="is for the time deviation; the curve holds the overlapping Allan"
    ):
        eb.compare_with_limit(eb.stability(record), eb.limit_lines()["G.811 PRC TDEV"])
    with pytest.raises(eb.InputError, match="statistic is 'speed'"):
        line(statistic="speed")


def test_published_limits_cannot_be_changed() -> None:
    """The mapping is read-only."""
    with pytest.raises(TypeError, match="does not support item assignment"):
        eb.limit_lines()["mine"] = line()  # type: ignore[index]


def test_results_tabulate_themselves(record: eb.Record) -> None:
    """Frames and dictionaries, ready for JSON, for line and verdict."""
    verdict = eb.compare_with_limit(eb.stability(record, averaging=[1, 10]), line(2.0))

    assert list(verdict.to_frame()["verdict"]) == ["below", "below"]
    told = json.loads(json.dumps(verdict.to_dict()))
    assert told["limit"]["name"] == "ours"
    assert told["allowed"] == pytest.approx([2e-11, 2e-11 / np.sqrt(10)])
    assert (
        json.loads(json.dumps(eb.limit_lines()["G.811 PRC MTIE"].to_dict()))["pieces"][1]["up_to_s"] is None
    )
    assert len(eb.limit_lines()["G.811 PRC MTIE"].to_frame()) == 2
    assert "verdict" in str(verdict)
