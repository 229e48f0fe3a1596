"""A drift that wanders, and forecasts that are scored on their own past."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

import evenbeat as eb
from evenbeat.clock.covariance import (
    WANDERING_DRIFT,
    Spans,
    drift_covariance,
    drift_variance,
    mean_frequency_covariance,
    mean_frequency_variance,
)

DAY = 86400.0
N = 200


def _wandering(seed: int, size: float) -> tuple[eb.Record, float, np.ndarray]:
    """Return daily readings with white FM of 1e-11, the drift at their end, and what came after."""
    generator = np.random.default_rng(seed)
    drift = size * 1e-11 * np.cumsum(generator.standard_normal(2 * N)) / np.sqrt(N)  # per record
    truth = np.cumsum(drift) / N + 1e-11 * generator.standard_normal(2 * N)
    record = eb.Record.from_frequency(truth[:N], interval_s=DAY)
    return record, float(drift[N - 1]) / (N * DAY), truth[N:]


def test_covariance_is_the_integral_over_the_noise() -> None:
    """Means over spans and the drift itself, by sums over the white noise that drives the drift."""
    start, stop = np.array([0.0, 0.2, 0.45, 0.5, 0.8, 1.0]), np.array([0.1, 0.45, 0.55, 0.8, 1.0, 1.3])
    noise = (np.arange(13000) + 0.5) / 10000

    def driven(time: float) -> np.ndarray:
        """Return what unit noise at each moment has moved the phase by a time."""
        between = (noise - 0.5) * (time - noise) > 0
        return np.where(between, (time - noise) ** 2 / 2, 0.0)

    means = np.array([(driven(b) - driven(a)) / (b - a) for a, b in zip(start, stop, strict=True)])
    spans = Spans(start=start, stop=stop)
    known = mean_frequency_covariance(WANDERING_DRIFT, spans, spans)
    assert np.abs(known - means @ means.T / 10000).max() < 1e-7 * known.max()
    assert mean_frequency_variance(WANDERING_DRIFT, spans) == pytest.approx(np.diag(known), rel=1e-9)
    for at in (0.1, 1.0, 1.2):
        drift = np.where((noise - 0.5) * (at - noise) > 0, 1.0, 0.0)
        assert np.abs(drift_covariance(at, spans) - means @ drift / 10000).max() < 1e-7
        assert drift_variance(at) == pytest.approx(drift @ drift / 10000)


@pytest.mark.slow
def test_the_rate_is_that_at_the_end_and_its_band_covers() -> None:
    """A drift that wanders: a straight line through all of it would miss what it has become."""
    covered, inside = 0, 0
    for seed in range(20):
        record, drift, later = _wandering(seed, 100.0)
        model = eb.fit_clock(record)
        low, high = model.aging_rate().interval()
        covered += low <= drift <= high
        low, high = (limit[0] for limit in model.time_error_at([1.5 * record.duration_s]).interval())
        inside += low <= later[: N // 2].sum() * DAY <= high
    assert covered >= 17
    assert inside >= 16


def test_it_is_said_and_is_a_term_of_the_budget() -> None:
    """Of a clock that wanders, not of one that does not; the terms still add up."""
    wandering = eb.fit_clock(_wandering(3, 300.0)[0])
    steady = eb.fit_clock(_wandering(3, 0.0)[0])

    assert "DRIFT_WANDERS" in {finding.code for finding in wandering.findings}
    assert "DRIFT_WANDERS" not in {finding.code for finding in steady.findings}
    assert wandering.wandering > 0.9
    assert steady.wandering < 0.4
    forecast = wandering.time_error_at([1.5 * N * DAY])
    terms = forecast.terms
    assert terms.total == pytest.approx(forecast.standard_uncertainty**2)
    shares = {name: float(variance[0] / terms.total[0]) for name, variance in terms.by_term.items()}
    assert shares["wandering drift"] > 0.2


def test_what_is_not_seen_is_said_with_its_size() -> None:
    """A drift that wanders too weakly to be seen is no larger than what is said to hide."""
    said = []
    for seed in range(4):
        model = eb.fit_clock(_wandering(40 + seed, 6.0)[0])
        (finding,) = (one for one in model.findings if one.code == "NO_WANDERING_DRIFT")
        said.append(float(finding.values["change_per_day"]) / 86400 * N * DAY / 1e-11)
    assert min(said) > 6
    assert np.median(said) < 60  # that much a record of this length shows


def test_a_clock_stated_not_to_drift_has_none_that_wanders() -> None:
    """``aging='none'`` is the user's word."""
    model = eb.fit_clock(_wandering(3, 300.0)[0], aging="none")
    assert model.wandering == 0
    assert "NO_WANDERING_DRIFT" not in {finding.code for finding in model.findings}
    assert model.aging_rate().interval() == (0.0, 0.0)


@pytest.mark.slow
def test_bands_are_wider_by_what_the_past_shows_and_the_record_is_not() -> None:
    """Everything after the record and the aging rate, about the same means; nothing within it."""
    model = eb.fit_clock(_wandering(1, 0.0)[0])
    end = model.record.duration_s
    plain = replace(model, self_test=replace(model.self_test, widened_by=1.0))
    wider = replace(model, self_test=replace(model.self_test, widened_by=1.5))

    for ask in (
        lambda m: m.time_error_at([1.5 * end]).distribution,
        lambda m: m.frequency_at([1.5 * end]).distribution,
        lambda m: m.frequency_change_at([1.5 * end]).distribution,
        lambda m: m.aging_rate().distribution,
    ):
        assert ask(wider).mean == pytest.approx(ask(plain).mean)
        assert ask(wider).standard_deviation == pytest.approx(1.5 * ask(plain).standard_deviation)
    inside = [each.frequency_at([0.5 * end]).standard_uncertainty[0] for each in (plain, wider)]
    assert inside[0] == inside[1]
    terms = wider.time_error_at([1.5 * end]).terms
    assert terms.total == pytest.approx(wider.time_error_at([1.5 * end]).standard_uncertainty ** 2)
    assert terms.by_term["errors in its past"][0] > 0
    held = [
        eb.limit_passage(each, 2e-5, until_s=end, paths=400, seed=1).never_left[-1] for each in (plain, wider)
    ]
    assert held[1] < held[0]


@pytest.mark.slow
def test_the_result_says_how_often_it_was_tested() -> None:
    """A field and a finding; a steady clock earns next to no widening."""
    tests = [eb.fit_clock(_wandering(seed, 0.0)[0]).self_test for seed in range(20)]
    assert all(test.tests >= 5 and test.held <= test.tests for test in tests)
    assert sum(test.held for test in tests) >= 0.9 * sum(test.tests for test in tests)
    assert np.mean([test.widened_by for test in tests]) < 1.1
    assert min(test.widened_by for test in tests) == 1.0
    model = eb.fit_clock(_wandering(0, 0.0)[0])
    (said,) = [f for f in model.findings if f.code.startswith("SELF_TEST")]
    assert said.sentence.startswith(f"Tested {model.self_test.tests} times on its own past, ")
    assert f"{model.self_test.held} of the 95 % bands held" in said.sentence
    assert model.to_dict()["self_test"]["tests"] == model.self_test.tests


def test_a_short_record_says_that_it_cannot_be_tested() -> None:
    """Ten readings leave too few forecasts."""
    record = _wandering(0, 0.0)[0].between(0, 10 * DAY)
    model = eb.fit_clock(record, aging="linear")
    assert model.self_test.verdict == "too few"
    assert "SELF_TEST_TOO_FEW" in {finding.code for finding in model.findings}
    assert model.self_test.widened_by >= 1.0


def test_a_failed_test_stops_every_recommendation() -> None:
    """Interval and holdover are refused, unless they are wanted all the same."""
    model = eb.fit_clock(_wandering(0, 0.0)[0])
    failed = replace(model.self_test, widened_by=2.5, error_ratio=4.0, verdict="too narrow")
    model = replace(model, self_test=failed).with_findings(failed.finding())
    with pytest.raises(eb.InputError, match=r"no forecast from it should be trusted; even_if_untested=True"):
        eb.suggest_interval(model, tolerance=1e-9)
    with pytest.raises(eb.InputError, match=r"even_if_untested=True"):
        eb.predict_holdover(model)
    assert eb.suggest_interval(model, tolerance=1e-9, even_if_untested=True).interval_s > 0
    assert len(eb.predict_holdover(model, even_if_untested=True).forecast) == 3


def test_a_clock_that_changed_is_not_given_an_interval() -> None:
    """What stops the command stops Python: the last fifth is not what the rest predicted."""
    values = 1e-11 * np.random.default_rng(0).standard_normal(N)
    values[int(0.85 * N) :] += 3e-10
    model = eb.fit_clock(eb.Record.from_frequency(values, interval_s=DAY))
    with pytest.raises(eb.InputError, match="even_if_untested=True"):
        eb.suggest_interval(model, tolerance=1e-9)
