"""The second opinion on a clock model: scipy and statsmodels agree, a wrong model is noticed."""

from __future__ import annotations

import importlib.util
import json
from dataclasses import replace

import numpy as np
import pytest

import evenbeat as eb
from evenbeat.second_opinion import ModelCrosscheck

DAY = 86400.0
LEVELS = eb.NoiseLevels(white_fm=1e-21, flicker_fm=1e-25, random_walk_fm=1e-33)


def _record(kind: str) -> eb.Record:
    record = eb.simulate_clock(
        {"daily": 80, "hourly": 1200, "gaps": 80, "with white PM": 600, "dead time": 80}[kind],
        interval_s=3600.0 if kind == "hourly" else DAY,
        levels=LEVELS if kind != "with white PM" else eb.NoiseLevels(white_pm=1e-12, white_fm=1e-21),
        seed=3,
        aging=lambda t: 1e-13 * t / DAY,
    )
    if kind == "gaps":
        values = np.array(record.values)
        values[[20, 21, 22, 50]] = np.nan
        return eb.Record.from_frequency(values, interval_s=DAY)
    return replace(record, gate_s=0.5 * DAY) if kind == "dead time" else record


@pytest.mark.parametrize("kind", ["daily", "hourly", "gaps", "with white PM", "dead time"])
def test_libraries_agree_with_the_model(kind: str) -> None:
    """Likelihoods, aging rate and forecasts, uncertainties included, within 1e-6."""
    # SOURCE: scipy (dense Cholesky factorisations), statsmodels (exact diffuse Kalman filter)
    record = _record(kind)
    model = eb.fit_clock(record, aging="linear")

    check = eb.crosscheck(model, record)

    assert isinstance(check, ModelCrosscheck)
    assert check.agrees, str(check)
    assert check.points == len(model.components)
    by = {each.by for each in check.comparisons}
    assert by == ({"scipy"} if kind == "dead time" else {"scipy", "statsmodels"})
    assert [finding.severity for finding in check.findings] == ["good", "note"]


def test_environment_laws_and_steps_are_computed_anew() -> None:
    """A covariate, several aging laws: thousands of points, all of them."""
    record = _record("daily")
    room = 20 + np.sin(record.elapsed_s / (3 * DAY))
    record = replace(record, values=record.values + 1e-11 * room, covariates={"room_temperature_c": room})
    influence = eb.Influence("room_temperature_c", order=2, lag_s=0.0)
    model = eb.fit_clock(record, environment=[influence])

    check = eb.crosscheck(model, record)

    assert check.agrees, str(check)
    assert "weights of aging laws" in check.findings[1].sentence
    assert "the environment to come" in check.findings[1].sentence


def test_calibrated_model_is_checked_without_its_calibrations() -> None:
    """What the fusion adds is named as not checked."""
    record = _record("daily")
    point = eb.CalibrationPoint(at=40 * DAY, as_found=0.0, standard_uncertainty=1e-12)
    check = eb.crosscheck(eb.fit_clock(record, aging="linear", calibrations=[point]), record)
    assert check.agrees, str(check)
    assert "what calibrations and the reference add" in check.findings[1].sentence


def test_a_wrong_model_is_not_agreed_with() -> None:
    """A thousandth on one coefficient, or on one level, is seen."""
    record = _record("daily")
    model = eb.fit_clock(record, aging="linear")
    (variant,) = model.variants
    for wrong in (
        replace(variant.fit, coefficients=variant.fit.coefficients * 1.001),
        replace(variant.fit, level=variant.fit.level * 1.001),
    ):
        check = eb.crosscheck(replace(model, variants=(replace(variant, fit=wrong),)), record)
        assert not check.agrees
        assert check.findings[0].code == "CROSSCHECK_DIFFERS"
        assert check.largest_relative_difference > 1e-4


def test_without_statsmodels_it_says_so(monkeypatch: pytest.MonkeyPatch) -> None:
    """The dense comparison stands alone."""
    record = _record("daily")
    model = eb.fit_clock(record, aging="linear")
    monkeypatch.setattr(importlib.util, "find_spec", lambda name: None)
    check = eb.crosscheck(model, record)
    assert check.agrees
    assert "statsmodels is not installed" in check.findings[1].sentence


def test_it_prints_and_tabulates_itself() -> None:
    """One row per number; JSON without surprises."""
    record = _record("daily")
    check = eb.crosscheck(eb.fit_clock(record, aging="none"), record)
    assert "aging rate" not in str(check)  # none was fitted
    assert max(len(line) for line in str(check).splitlines()) <= 80
    assert len(check.to_frame()) == len(check.comparisons)
    assert json.loads(json.dumps(check.to_dict(), allow_nan=False))["agrees"] is True


def test_another_record_or_result_is_refused() -> None:
    """The sentence says what was given and what would be accepted."""
    record = _record("daily")
    model = eb.fit_clock(record, aging="linear")
    with pytest.raises(eb.InputError, match="made from another record"):
        eb.crosscheck(model, _record("hourly"))
    with pytest.raises(eb.InputError, match="was given a NoiseLevels; give a curve"):
        eb.crosscheck(LEVELS, record)  # type: ignore[call-overload]
