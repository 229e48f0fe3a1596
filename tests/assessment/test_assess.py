"""The whole job on the demo logs: the verdict against the committed truth."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from evenbeat.assessment.assess import STAGES, Assessment, assess
from evenbeat.conditioning.condition import condition
from evenbeat.errors import InputError, TooShortError
from evenbeat.logs.reader import read_log
from evenbeat.powerlaw import NoiseLevels, simulate_clock
from evenbeat.record import Record

DAY = 86400.0


@pytest.fixture(scope="module")
def truth(demo_data: Path) -> dict:
    """Return what the demo logs were made of (data/truth.json)."""
    return json.loads((demo_data / "truth.json").read_text())["files"]


@pytest.fixture(scope="module")
def kittiwake(demo_data: Path) -> Assessment:
    """Return the assessment of the long log of the oven oscillator."""
    return assess(read_log(demo_data / "kittiwake.csv.gz"), tolerance=4e-9, time_error_limit_s=1e-3)


@pytest.fixture(scope="module")
def evening(demo_data: Path) -> Assessment:
    """Return the assessment of the log whose readings are all the same."""
    return assess(read_log(demo_data / "fulmar-evening.csv"), tolerance=1e-7)


@pytest.mark.slow
def test_offset_and_aging_of_kittiwake_hold_the_truth(kittiwake: Assessment, truth: dict) -> None:
    """The 95 % intervals contain what the log was made of."""
    known = truth["kittiwake.csv.gz"]["truth"]
    settings = known["settings"]
    rate = settings["aging_amplitude"] / (settings["aging_time_constant_days"] + settings["logged_days"])
    low, high = kittiwake.model.aging_rate().per_day.interval()
    assert low < rate < high
    days = np.array(known["after_the_log"]["day"])
    told = np.array(known["after_the_log"]["fractional_frequency"])
    within = days < 239  # one record length ahead
    low, high = kittiwake.model.frequency_at((days[within] + 0.5) * DAY, averaging_time_s=DAY).interval()
    assert np.mean((low < told[within]) & (told[within] < high)) >= 0.9


@pytest.mark.slow
def test_time_error_of_kittiwake_holds_the_truth(kittiwake: Assessment, truth: dict) -> None:
    """Free running after the log it gained what truth.json says after 1, 7 and 30 days."""
    gained = truth["kittiwake.csv.gz"]["truth"]["after_the_log"]["time_error_gained_s"]
    end = kittiwake.record.duration_s
    low, high = kittiwake.model.time_error_at([end + int(day) * DAY for day in gained]).interval(0.99)
    assert np.all((low < list(gained.values())) & (list(gained.values()) < high))


@pytest.mark.slow
def test_both_steps_of_kittiwake_are_found(kittiwake: Assessment, truth: dict) -> None:
    """The retrace after the power cut and the later step, by size and time."""
    events = truth["kittiwake.csv.gz"]["truth"]["events"]
    retrace, step = kittiwake.record.steps
    assert retrace.size == pytest.approx(events["power_cut"]["retrace_step"], rel=0.2)
    assert step.size == pytest.approx(events["frequency_step"]["size"], rel=0.1)
    assert step.start * 10 / DAY == pytest.approx(events["frequency_step"]["day"], abs=0.1)


@pytest.mark.slow
def test_room_temperature_is_found_and_the_oven_not_blamed(kittiwake: Assessment, truth: dict) -> None:
    """The sensitivity put in lies within three standard uncertainties; a constant oven is left out."""
    known = truth["kittiwake.csv.gz"]["truth"]["settings"]["room_temperature_sensitivity_per_kelvin"]
    found = kittiwake.model.sensitivity("room_temperature_c")
    assert found.value == pytest.approx(known, abs=3 * found.standard_uncertainty)
    assert kittiwake.settings["environment"] == ["room_temperature_c"]


@pytest.mark.slow
def test_headline_says_when_to_calibrate(kittiwake: Assessment) -> None:
    """The sentence carries the interval, the tolerance and the probability, and fits a page."""
    assert kittiwake.verdict.headline.startswith("Calibrate again within ")
    assert "±4e-09 with a probability of at least 95 %" in kittiwake.verdict.headline
    assert max(map(len, str(kittiwake).splitlines())) <= 80
    assert {"now", "digits", "log", "stability", "aging", "holdover"} <= dict(kittiwake.verdict.lines).keys()


def test_a_display_that_never_changes_is_blamed_and_bounded(evening: Assessment, truth: dict) -> None:
    """The verdict says that the display limits, gives the bound, and the truth is inside it."""
    known = truth["fulmar-evening.csv"]["truth"]["timebase_fractional_frequency"]
    assert evening.verdict.headline.startswith("The display, not the oscillator, limits this log")
    assert evening.display.low < known["smallest"] < known["largest"] < evening.display.high
    assert evening.display.step == pytest.approx(1e-8)
    assert json.loads(json.dumps(evening.to_dict(), allow_nan=False))["settings"]["tolerance"] == 1e-7
    assert evening.model is None
    assert evening.interval is None
    assert dict(evening.verdict.lines)["tolerance"].startswith("In tolerance now: every offset that shows")


@pytest.mark.slow
def test_fulmar_counts_the_reference_so_its_sign_is_turned(demo_data: Path, truth: dict) -> None:
    """Readings above nominal mean a slow timebase; offset and aging hold the truth."""
    assessment = assess(read_log(demo_data / "fulmar.csv.gz"))
    known = truth["fulmar.csv.gz"]["truth"]
    low, high = assessment.model.frequency_at([assessment.record.duration_s]).interval()
    assert low[0] < known["timebase_fractional_frequency_last_hour"] < high[0]
    low, high = assessment.model.aging_rate().per_day.interval()
    assert low < known["settings"]["timebase_aging_per_day"] < high
    assert low < 0 < high
    assert "; no aging stands out (" in assessment.verdict.headline
    assert "aging" not in dict(assessment.verdict.lines)["stability"]
    assert "state a tolerance for more" in assessment.verdict.headline


@pytest.mark.slow
def test_a_loop_that_opened_withholds_the_recommendation(demo_data: Path) -> None:
    """Gannet is locked for ten days and coasts for two: no forecast from both together."""
    assessment = assess(read_log(demo_data / "gannet.csv.gz"), tolerance=1e-10)
    assert assessment.verdict.headline.startswith("No recommendation. The last 2.4 d average 2.167e-11")
    assert assessment.interval is None


@pytest.mark.slow
def test_the_coasting_part_by_itself_holds_the_truth(demo_data: Path) -> None:
    """Its two days alone: the aging of 2.5e-11 per day that was put in lies in the interval."""
    record = read_log(demo_data / "gannet.csv.gz").between(10 * DAY, 12 * DAY)
    low, high = assess(record).model.aging_rate().per_day.interval()
    assert low < 2.5e-11 < high


def _clock(n: int = 300) -> Record:
    return simulate_clock(n, interval_s=60.0, levels=NoiseLevels(white_fm=1e-20), seed=2)


def test_stages_are_told_in_order_and_all_of_it_is_ready_for_json() -> None:
    """The progress callback hears every stage once; neither NaN nor numpy numbers are left in the result."""
    heard: list[str] = []
    found = assess(_clock(), progress=heard.append)
    assert tuple(heard) == STAGES
    assert json.loads(json.dumps(found.to_dict(), allow_nan=False))["settings"]["tolerance"] is None


def test_conditioning_happens_once() -> None:
    """A record that was conditioned already is taken as it is."""
    conditioned = condition(_clock(6))
    assert assess(conditioned).record.history == conditioned.history


def test_a_record_too_short_for_a_model_still_gives_what_it_can() -> None:
    """Six readings: no model, a reason, and no exception."""
    assessment = assess(_clock(6), tolerance=1e-8)
    assert assessment.model is None
    assert assessment.verdict.headline.startswith("No recommendation. No clock model:")


def test_a_handful_of_readings_is_refused() -> None:
    """Three readings say nothing of a clock."""
    with pytest.raises(TooShortError, match="the record has 3 readings; at least 5 are needed"):
        assess(_clock(3))


@pytest.mark.parametrize(
    ("options", "sentence"),
    [
        ({"tolerance": -1e-8}, "tolerance is -1e-08"),
        ({"reliability": 95.0}, "reliability is 95.0; it must lie between 0 and 1"),
        ({"environment": ("room",)}, "no covariate 'room'"),
        ({"aging": "cubic"}, "aging is 'cubic'"),
    ],
)
def test_impossible_questions_are_refused(options: dict, sentence: str) -> None:
    """Before any computation, or by the room that knows."""
    with pytest.raises(InputError, match=sentence):
        assess(_clock(), **options)


@pytest.mark.parametrize(
    ("limits", "said", "code"),
    [((-5e-9, 5e-8), "-5e-09 to +5e-08", 0), ((4e-9, 5e-8), "+4e-09 to +5e-08", 1), (5e-8, "±5e-08", 0)],
)
def test_limits_need_not_lie_evenly(limits: float | tuple[float, float], said: str, code: int) -> None:
    """Two limits count as the interval counts them; the settings hold them as given, ready for JSON."""
    record = replace(_clock(), values=_clock().values + 1e-9)

    found = assess(record, tolerance=limits, aging="none")

    assert said in found.verdict.headline
    assert found.interval is not None
    assert (found.interval.limited_by == "start") is bool(code)
    expected = list(limits) if isinstance(limits, tuple) else limits
    assert json.loads(json.dumps(found.to_dict(), allow_nan=False))["settings"]["tolerance"] == expected


def test_a_display_is_held_against_both_limits(evening: Assessment) -> None:
    """A value between -4e-8 and -2e-8 is out of (-5e-9, 1e-7), within (-5e-8, 1e-9), else not to be told."""
    bound = evening.display
    assert bound is not None
    assert bound.certainly_outside((-5e-9, 1e-7))
    assert bound.certainly_within((-5e-8, 1e-9))
    assert not bound.certainly_within((-3e-8, 1e-7))
    assert not bound.certainly_outside((-3e-8, 1e-7))


def test_what_the_verdict_says_is_not_said_again() -> None:
    """Out of tolerance: the reason stands once on the page, and stays among the findings."""
    record = replace(_clock(), values=_clock().values + 1e-7)

    found = assess(record, tolerance=1e-8)

    stops = [finding.sentence for finding in found.findings if finding.code == "INTERVAL_NONE"]
    assert len(stops) == 1
    page = " ".join(str(found).split())
    assert page.count(" ".join(stops[0].split())) == 1


def test_no_note_of_the_curves_stands_twice() -> None:
    """What several deviations say of their noise or of gaps is one finding of the assessment."""
    record = simulate_clock(60, interval_s=DAY, levels=NoiseLevels(white_fm=1e-18), seed=1)
    found = assess(record)
    of_curves = {f.code for curve in found.curves.values() for f in curve.findings}
    codes = [f.code for f in found.findings if f.code in of_curves]
    assert "NOISE_NOT_SURE" in codes
    assert len(codes) == len(set(codes))
