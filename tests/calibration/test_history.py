"""A clock known from its calibrations: worked values, simulated histories, and histories that are wrong."""

from __future__ import annotations

import json
import math
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from evenbeat.calibration.history import CalibrationHistory
from evenbeat.calibration.history_model import agreement, fit_history
from evenbeat.calibration.history_posterior import DriftPrior
from evenbeat.calibration.methods import compare_methods, control_chart, observed_rate, shortening, staircase
from evenbeat.errors import InputError, LogError
from evenbeat.quantities import Estimate
from evenbeat.units import SECONDS_PER_YEAR

DATA = Path(__file__).resolve().parents[2] / "data" / "kittiwake-history.csv"
CLASS = DriftPrior(name="worked example", drift_per_year=1e-7, walk_per_root_year=2e-8)
DATES = ["2020-01-01", "2020-12-31", "2021-12-31", "2022-12-31", "2023-12-31", "2024-12-30"]


def history(*rows: tuple[object, object, object]) -> CalibrationHistory:
    """Return a history of (as_found, as_left, adjusted), a year of 365 days apart, u = 3e-9."""
    frame = pd.DataFrame(rows, columns=["as_found", "as_left", "adjusted"])
    frame["date"] = DATES[: len(frame)]
    frame["standard_uncertainty"] = 3e-9
    return CalibrationHistory.from_table(frame)


WORKED = (
    ("", 0.0, "yes"),
    (5.2e-8, 0.2e-8, "yes"),
    (4.1e-8, -0.1e-8, "yes"),
    (3.3e-8, 0.0, "yes"),
)


def test_worked_history() -> None:
    """Three increments: D 4.134(889)e-8, s 1.08e-8, P and T by an independent Bayesian grid."""
    model = fit_history(history(*WORKED), oscillator_class=CLASS, drift_law="constant")
    zero = Estimate.normal(0.0, 3e-9)
    years = SECONDS_PER_YEAR
    assert model.drift_per_year.value == pytest.approx(4.134e-8, rel=2e-3)
    assert model.drift_per_year.standard_uncertainty == pytest.approx(0.889e-8, rel=0.02)
    assert model.walk_per_root_year == pytest.approx(1.08e-8, rel=0.02)
    within = model.probability_within(np.array([1, 1.5, 2]) * years, 1e-7, zero)
    assert within == pytest.approx([0.9945, 0.9573, 0.8014], abs=2e-3)
    assert model.interval_s(1e-7, 0.95, zero) / years == pytest.approx(1.546, rel=5e-3)
    assert model.interval_s(1e-7, 0.99, zero) / years == pytest.approx(1.128, rel=1e-2)


@pytest.mark.parametrize(
    ("states", "drift", "spread", "interval"),
    [(("in", "in"), 4.117e-8, 0.860e-8, 1.568), (("in", "out"), 5.628e-8, 1.717e-8, 0.821)],
)
def test_worked_history_with_states(
    states: tuple[str, str], drift: float, spread: float, interval: float
) -> None:
    """Two records more that say only in or out: independent Bayesian grid."""
    rows = [*WORKED, *((state, 0.0, "yes") for state in states)]
    model = fit_history(history(*rows), oscillator_class=CLASS, tolerance=1e-7, drift_law="constant")
    assert model.drift_per_year.value == pytest.approx(drift, rel=1e-2)
    assert model.drift_per_year.standard_uncertainty == pytest.approx(spread, rel=3e-2)
    years = model.interval_s(1e-7, 0.95, Estimate.normal(0.0, 3e-9)) / SECONDS_PER_YEAR
    assert years == pytest.approx(interval, rel=1.5e-2)


def test_agreement_of_log_and_history() -> None:
    """4.38(110)e-8 and 4.134(889)e-8 agree: E_n 0.087 (arithmetic of ISO/IEC 17043)."""
    size = agreement(Estimate.normal(4.38e-8, 1.1e-8), Estimate.normal(4.134e-8, 0.889e-8))
    assert size == pytest.approx(0.087, abs=5e-4)


def test_drift_is_that_of_least_squares_when_the_walk_is_known() -> None:
    """With a tiny walk and a wide prior the posterior is the weighted mean of the increments (algebra)."""
    wide = DriftPrior(name="wide", drift_per_year=1e-5, walk_per_root_year=1e-13)
    rows = [("", 0.0, "yes"), *((change, 0.0, "yes") for change in (4.4e-8, 3.9e-8, 4.2e-8))]
    model = fit_history(history(*rows), oscillator_class=wide, drift_law="constant")
    changes = np.array([4.4e-8, 3.9e-8, 4.2e-8])
    year = SECONDS_PER_YEAR / (365 * 86400)
    assert model.drift_per_year.value == pytest.approx(changes.mean() * year, rel=3e-3)
    expected = math.sqrt(2) * 3e-9 / math.sqrt(3) * year
    assert model.drift_per_year.standard_uncertainty == pytest.approx(expected, rel=0.02)


@pytest.mark.slow
def test_simulated_instruments_keep_their_reliability() -> None:
    """100 instruments drawn from the prior: realised reliability at the interval 95 ± 3.5 % of the mean."""
    generator = np.random.default_rng(8)
    kept = []
    for _ in range(100):
        drift = generator.normal(0, 1e-7)
        walk = abs(generator.normal(0, 2e-8))
        rows: list[tuple[object, object, object]] = [("", 0.0, "yes")]
        for _ in range(5):
            change = generator.normal(drift, math.hypot(walk, math.sqrt(2) * 3e-9))
            rows.append((change, 0.0, "yes"))
        model = fit_history(history(*rows), oscillator_class=CLASS, drift_law="constant")
        interval = model.interval_s(1e-7, 0.95, Estimate.normal(0.0, 3e-9)) / SECONDS_PER_YEAR
        spread = math.hypot(walk * math.sqrt(interval), 3e-9)
        law = stats.norm(drift * interval, spread)
        kept.append(law.cdf(1e-7) - law.cdf(-1e-7))
    assert np.mean(kept) == pytest.approx(0.95, abs=0.035)


def test_demo_history() -> None:
    """Kittiwake's aging slows down (data/truth.json: logarithmic): that law holds most of the weight."""
    model = fit_history(CalibrationHistory.from_table(DATA))
    assert model.drift_per_year.value > 0
    assert model.logarithmic_share > 0.9
    assert model.interval_s(1e-8) > 0.5 * SECONDS_PER_YEAR
    constant = fit_history(CalibrationHistory.from_table(DATA), drift_law="constant")
    assert constant.interval_s(1e-8) < model.interval_s(1e-8)
    assert json.dumps(model.to_dict(), allow_nan=False)
    assert "per year" in str(model)


def test_family_is_pooled() -> None:
    """Two instruments with the same drift narrow it by √2 or more: the walk is better known, too."""
    one = fit_history(history(*WORKED), oscillator_class=CLASS, drift_law="constant")
    both = fit_history(
        [history(*WORKED), history(*WORKED)],
        oscillator_class=CLASS,
        drift_law="constant",
        family="identical",
    )
    ratio = one.drift_per_year.standard_uncertainty / both.drift_per_year.standard_uncertainty
    assert 1.3 < ratio < 2.2
    assert "FAMILY_POOLED" in {finding.code for finding in both.findings}


def test_decreasing_drift_is_said() -> None:
    """Increments 5.2, 3.9, 3.4 e-8 fall from one to the next."""
    assert "DRIFT_DECREASES" in {f.code for f in fit_history(history(*WORKED)).findings}


COLUMNS = ["date", "as_found", "as_left", "standard_uncertainty", "adjusted"]


def read(rows: list[tuple[object, ...]], **columns: list[object]) -> CalibrationHistory:
    """Return the history of these rows."""
    return CalibrationHistory.from_table(pd.DataFrame(rows, columns=COLUMNS).assign(**columns))


@pytest.mark.parametrize(
    ("rows", "words"),
    [
        ([("2020-01-01", "bad", 0, 1e-10, "no")], "row 1: as_found is 'bad'"),
        ([("2020-01-01", "inf", 0, 1e-10, "no")], "row 1: as_found is 'inf'; a number"),
        ([("2020-01-01", 0, 0, -1e-10, "no")], "row 1: standard_uncertainty is '?-1e-10"),
        ([("soon", 0, 0, 1e-10, "no")], "row 1: date is 'soon'"),
        ([("2020-01-01", 0, 0, 1e-10, "maybe")], "row 1: adjusted is 'maybe'"),
        (
            [("2020-01-01", 0, 0, 1e-9, "no"), ("2020-01-01", 0, 0, 1e-9, "no")],
            "row 2: 2020-01-01 is the date of row 1",
        ),
        ([], "holds no row"),
    ],
)
def test_unreadable_histories_are_refused(rows: list[tuple[object, ...]], words: str) -> None:
    """A cell that cannot be read is refused with its row."""
    with pytest.raises(LogError, match=words):
        read(rows)


GOOD = [
    ("2020-01-01", "", 0.0, 3e-9, "yes"),
    ("2021-01-01", 5.2e-8, 0.0, 3e-9, "yes"),
    ("2022-01-01", 4.1e-8, 0.0, 3e-9, "yes"),
    ("2023-01-01", 3.3e-8, 0.0, 3e-9, "yes"),
]


@pytest.mark.parametrize(
    ("row", "changed", "code", "words", "increments"),
    [
        (3, ("2019-06-01", 4.1e-8, 0.0, 3e-9, "yes"), "DATES_OUT_OF_ORDER", "row 3: 2019-06-01 is not", 2),
        (2, ("2021-01-01", 5.2e-8, 0.0, "", "yes"), "UNCERTAINTY_MISSING", "row 2: standard_unc", 1),
        (
            2,
            ("2021-01-01", 5.2e-8, 0.0, 0, "yes"),
            "UNCERTAINTY_MISSING",
            "row 2: standard_uncertainty is 0",
            1,
        ),
        (2, ("2021-01-01", 5.2e-8, "", 3e-9, "yes"), "AS_LEFT_MISSING", "row 2: adjusted, but as_left", 2),
        (3, ("2022-01-01", 4.1e-8, 0.0, 3e-10, "no"), "ADJUSTED_CONTRADICTED", "row 3: not adjusted", 1),
        (
            3,
            ("2022-01-01", 4.1e-8, 4.1e-8, 3e-9, "yes"),
            "ADJUSTED_IN_NAME",
            "row 3: adjusted, but as_left is",
            3,
        ),
    ],
)
def test_doubtful_rows_are_set_aside_by_name(
    row: int, changed: tuple[object, ...], code: str, words: str, increments: int
) -> None:
    """What cannot be believed is named with its row; the rest still gives a model that says so."""
    rows = [changed if number == row else good for number, good in enumerate(GOOD, start=1)]
    history = read(rows)
    finding = next(f for f in history.findings if f.code == code)
    assert words in finding.sentence
    assert finding.to_dict()["values"]["row"] == row
    assert len(history.increments()) == increments
    model = fit_history(history)
    assert code in {f.code for f in model.findings}
    assert model.interval_s(1e-7) > 0
    assert [p.time_s for p in history.points] == sorted(p.time_s for p in history.points)


def test_unknown_as_left_at_the_end_gives_no_forecast() -> None:
    """An adjustment to nobody knows what: the drift is learnt, a forecast asks for the offset."""
    model = fit_history(read([*GOOD[:3], ("2023-01-01", 3.3e-8, "", 3e-9, "yes")]))
    assert model.drift_per_year.value > 0
    assert model.as_left is None
    with pytest.raises(InputError, match=r"the last calibration \(row 4\) does not say"):
        model.interval_s(1e-7)
    assert model.interval_s(1e-7, 0.95, Estimate.normal(0.0, 3e-9)) > 0
    assert "years" in str(model)


def test_states_count_by_the_tolerance_of_their_row() -> None:
    """'in' within ±5e-8 says more than 'in' within ±1e-6; two tolerances in one table are said."""
    rows = [*GOOD[:2], ("2022-01-01", "in", 0.0, 3e-9, "yes")]
    narrow = fit_history(read(rows, tolerance=["", "", "5e-8"]))
    wide = fit_history(read(rows, tolerance=["", "", "1e-6"]))
    assert narrow.drift_per_year.value < wide.drift_per_year.value
    mixed = read(rows, tolerance=["1e-7", "1e-7", "-5e-8 1e-7"])
    finding = next(f for f in mixed.findings if f.code == "TOLERANCE_MIXED")
    assert "row 3: the tolerance is -5e-08 to +1e-07, which counts as the last" in finding.sentence
    with pytest.raises(LogError, match="row 1: tolerance is 'wide'"):
        read(rows, tolerance=["wide", "", ""])


def test_a_tolerance_in_another_unit_is_no_other() -> None:
    """30 ppb are 3e-8, whatever the last binary digit: nothing is mixed, and states by it are counted."""
    rows = [*GOOD[:2], ("2022-01-01", "in", 0.0, 3e-9, "yes")]
    made = read(rows, tolerance=["3e-8", "", "30 ppb"])

    assert made.findings == ()
    assert "STATE_LEFT_OUT" not in {f.code for f in compare_methods(made, tolerance=3e-8).findings}


def test_time_in_use() -> None:
    """A clock that ages only while in use: the same drift per hour of use, whatever the calendar."""
    hours = ["0", "1000", "1500", "1700"]
    rows = [(d, f, 0.0, 1e-9, "yes") for (d, *_), f in zip(GOOD, ("", 4e-8, 2e-8, 0.8e-8), strict=True)]
    history = read(rows, in_use_hours=hours)
    used = fit_history(history.by_time_in_use(), drift_law="constant")
    calendar = fit_history(history, drift_law="constant")
    assert used.drift_rate.value * 3600 == pytest.approx(4e-11, rel=0.15)
    relative = used.drift_rate.standard_uncertainty / used.drift_rate.value
    assert relative < 0.5 * calendar.drift_rate.standard_uncertainty / calendar.drift_rate.value
    with pytest.raises(InputError, match="row 3: in_use_hours is nan"):
        read(rows, in_use_hours=["0", "10", "", "20"]).by_time_in_use()


def test_history_prints_itself() -> None:
    """Dates, states and unknown values are shown within 80 columns; JSON holds no NaN."""
    shown = str(read([*GOOD, ("2024-01-01", "in", "", "", "no")]))
    assert "2021-01-01" in shown
    assert max(map(len, shown.splitlines())) <= 80
    assert json.dumps(read(GOOD).to_dict(), allow_nan=False)
    assert read(GOOD).last_date.isoformat() == "2023-01-01"


def test_related_family_says_what_is_usual() -> None:
    """A new one with a single vague interval is drawn to siblings near 5e-8, by how alike they are."""
    generator = np.random.default_rng(5)

    def sibling(drift: float) -> CalibrationHistory:
        rows: list[tuple[object, object, object]] = [("", 0.0, "yes")]
        rows += [(drift + 2e-9 * generator.standard_normal(), 0.0, "yes") for _ in range(4)]
        return history(*rows)

    new = history(("", 0.0, "yes"), ("in", 0.0, "yes"))
    alike = [sibling(5e-8 + 2e-9 * k) for k in (-1, 0, 1, 2)]
    unlike = [sibling(d) for d in (-1.5e-7, 1e-8, 1.2e-7, 2e-7)]
    options = {"oscillator_class": CLASS, "tolerance": 1e-7, "drift_law": "constant"}
    alone = fit_history(new, **options)
    near = fit_history([new, *alike], **options)
    far = fit_history([new, *unlike], **options)
    assert near.drift_per_year.value == pytest.approx(5e-8, abs=1.5e-8)
    assert near.drift_per_year.standard_uncertainty < 0.5 * alone.drift_per_year.standard_uncertainty
    assert far.drift_per_year.standard_uncertainty > 0.7 * alone.drift_per_year.standard_uncertainty
    assert near.common_share > 0.8 > far.common_share
    assert "FAMILY_RELATED" in {f.code for f in near.findings}
    with pytest.raises(InputError, match="family is 'twins'"):
        fit_history([new, *alike], family="twins", **options)


def test_too_little_to_fit_is_refused() -> None:
    """One calibration, or a state without the tolerance it was judged by, is not enough."""
    with pytest.raises(InputError, match="at least two are needed"):
        fit_history(history(WORKED[0]))
    with pytest.raises(InputError, match="row 2 says only 'in'; state the tolerance"):
        fit_history(history(WORKED[0], ("in", 0.0, "yes")))
    with pytest.raises(InputError, match="oscillator_class is 'quartz'"):
        fit_history(history(*WORKED), oscillator_class="quartz")


@pytest.mark.parametrize(("reliability", "shorten"), [(0.85, 0.4173), (0.90, 0.5759), (0.95, 0.8365)])
def test_staircase_equilibrium(reliability: float, shorten: float) -> None:
    """R ln(1+a) + (1-R) ln(1-b) = 0 solved for b with a = 0.1 (algebra)."""
    assert shortening(reliability) == pytest.approx(shorten, abs=6e-5)
    assert staircase(1.0, [True, False], reliability) == pytest.approx(1.1 * (1 - shorten), abs=7e-5)


def test_observed_rate() -> None:
    """18 of 20 after 12 months: 5.84 months [2.14, 20.7], p 0.264, keep; 39 of 40: 24.3 [6.26, 139]."""
    assert observed_rate(18, 20, 12.0, 0.95) == pytest.approx((5.84, 2.14, 20.7, 0.264), rel=3e-3)
    assert observed_rate(39, 40, 12.0, 0.95)[:3] == pytest.approx((24.3, 6.26, 139), rel=5e-3)


def test_control_chart() -> None:
    """Changes 5.2, 3.9, 3.4 e-8: mean 4.167e-8, limits 1.773e-8 to 6.561e-8 (I-MR, 3/1.128)."""
    assert control_chart([5.2e-8, 3.9e-8, 3.4e-8]) == pytest.approx((1.773e-8, 4.167e-8, 6.561e-8), rel=5e-4)


def test_two_exact_estimates_cannot_disagree() -> None:
    """Without an uncertainty there is no E_n."""
    with pytest.raises(InputError, match="needs an uncertainty"):
        agreement(Estimate.normal(0, 0), Estimate.normal(1, 0))


def test_logarithmic_drift_is_found_and_used() -> None:
    """A drift that slows down as ln(1 + 3 t) per year is told from a constant one and predicted better."""
    times = np.arange(6) * 365 * 86400 / SECONDS_PER_YEAR
    offsets = 6e-8 * np.log1p(3 * times)
    rows = [("", 0.0, "yes"), *((change, 0.0, "yes") for change in np.diff(offsets))]
    frame = pd.DataFrame(rows, columns=["as_found", "as_left", "adjusted"])
    frame["date"], frame["standard_uncertainty"] = DATES, 3e-10
    model = fit_history(CalibrationHistory.from_table(frame))
    truth = 6e-8 * (math.log1p(3 * (times[-1] + 2)) - math.log1p(3 * times[-1]))
    assert model.logarithmic_share > 0.95
    change = model.offset(2 * SECONDS_PER_YEAR, as_left=Estimate.normal(0.0, 0.0))
    low, high = change.interval()
    assert low[0] < truth < high[0]
    constant = fit_history(CalibrationHistory.from_table(frame), drift_law="constant")
    assert abs(change.mean[0] - truth) < abs(constant.offset(2 * SECONDS_PER_YEAR).mean[0] - truth)
