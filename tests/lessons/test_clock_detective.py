"""Clock detective: each log shows what it claims, to evenbeat's own checks, and the score is proper."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from scipy import stats

from evenbeat.errors import InputError
from evenbeat.lessons.clock_detective import (
    DIAGNOSES,
    PLAIN,
    answer_key,
    bits_gained,
    evidence,
    investigate,
    mystery,
)

CASES = [mystery(number, seed=2) for number in range(1, 41)]


@pytest.mark.grid(4)
@pytest.mark.parametrize("diagnosis", [each for each in DIAGNOSES if each != PLAIN])
def test_a_log_shows_what_it_claims(diagnosis: str) -> None:
    """The library finds in its log what was put in, and finds nothing of the kind in a plain one."""
    case = next(case for case in CASES if case.diagnosis == diagnosis)
    assert evidence(diagnosis, case.record)
    assert not evidence(diagnosis, next(case for case in CASES if case.diagnosis == PLAIN).record)


def test_the_size_that_was_put_in_is_found() -> None:
    """A step and a temperature coefficient come out as they went in, by a median and by scipy."""
    step = next(case for case in CASES if case.diagnosis == "a step")
    size, day = (float(word) for word in step.put_in.removeprefix("a step of ").split(" on day "))
    at = round(day * 144)
    assert np.median(step.record.values[at + 1 :]) - np.median(step.record.values[: at - 1]) == pytest.approx(
        size, rel=0.1
    )
    warm = next(case for case in CASES if case.diagnosis == "temperature")
    line = stats.linregress(warm.record.covariates["room_temperature_c"], warm.record.values)
    assert line.slope == pytest.approx(float(warm.put_in.split()[0]), rel=0.1)


@pytest.mark.slow
def test_most_logs_show_what_they_claim() -> None:
    """Of all cases by far the most are found; a few of popcorn are not, and the reveal then says so."""
    cases = [mystery(number, seed=3) for number in range(1, 61)]
    guilty = [case for case in cases if case.diagnosis != PLAIN]
    found = [bool(evidence(case.diagnosis, case.record)) for case in guilty]
    assert np.mean(found) >= 0.9
    innocent = [case.record for case in cases if case.diagnosis == PLAIN]
    false_alarms = [bool(evidence(each, record)) for record in innocent for each in DIAGNOSES]
    assert np.mean(false_alarms) <= 0.03


@pytest.mark.parametrize("believed", [0.2, 0.5, 0.8, 0.95])
def test_the_score_is_proper(believed: float) -> None:
    """On average the confidence that gains most is the one that is believed.

    What it then gains is the uniform entropy less that of the belief (scipy; Shannon 1948).
    """
    stated = np.linspace(0.01, 0.99, 99)
    gains = [
        believed * bits_gained(p, right=True) + (1 - believed) * bits_gained(p, right=False) for p in stated
    ]
    assert stated[int(np.argmax(gains))] == pytest.approx(believed)
    others = (1 - believed) / (len(DIAGNOSES) - 1)
    entropy = stats.entropy([believed, *[others] * (len(DIAGNOSES) - 1)], base=2)
    assert max(gains) == pytest.approx(np.log2(len(DIAGNOSES)) - entropy)
    assert bits_gained(1 / len(DIAGNOSES), right=True) == pytest.approx(0)


def test_cases_come_from_their_seed() -> None:
    """The teacher's key names what the reader gets; another seed gives other cases, all kinds among them."""
    key = answer_key(2, cases=40)
    assert list(key["diagnosis"]) == [case.diagnosis for case in CASES]
    assert set(key["diagnosis"]) == set(DIAGNOSES)
    assert list(answer_key(3, cases=40)["diagnosis"]) != list(key["diagnosis"])
    assert mystery(3, seed=2).record.fingerprint() == CASES[2].record.fingerprint()
    kinds = itertools.groupby(sorted(answer_key(4, cases=160)["diagnosis"]))
    assert stats.chisquare([len(list(group)) for _, group in kinds]).pvalue > 1e-3


def test_the_truth_comes_with_the_commitment() -> None:
    """Before it, the stakes; after it the diagnosis, its size, the bits and what evenbeat finds."""
    case = next(case for case in CASES if case.diagnosis == "two instruments")
    asked = investigate(case, diagnosis="aging", confidence=0.5)
    assert asked.bits is None
    assert "you gain +2.0 bits if you are right and -0.8 if you are wrong" in asked.sentence
    assert "instruments" not in asked.sentence
    told = investigate(case, diagnosis="aging", confidence=0.5, committed=True)
    assert told.sentence.startswith("It was not aging: two instruments")
    assert "no noise falls faster than 1/τ" in told.sentence
    assert told.bits == pytest.approx(np.log2(8 * 0.5 / 7))
    with pytest.raises(InputError, match="there are: nothing the matter"):
        evidence("rust", case.record)
