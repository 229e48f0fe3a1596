"""Findings are facts: they do not change, compare by content and travel between processes."""

from __future__ import annotations

import copy
import dataclasses
import json
import pickle

import pytest

from evenbeat.errors import InputError
from evenbeat.findings import SEVERITIES, Finding, alike_once, merged, worst_first


def finding(
    code: str = "QUANTISED", severity: str = "caution", sentence: str = "The display limits."
) -> Finding:
    """Return a finding with a number."""
    return Finding(code=code, severity=severity, sentence=sentence, values={"step_hz": 0.1})


def test_a_finding_cannot_be_changed() -> None:
    """Neither its sentence nor the numbers behind it."""
    one = finding()

    with pytest.raises(dataclasses.FrozenInstanceError, match="sentence"):
        one.sentence = "All is well."
    with pytest.raises(TypeError, match="does not support item assignment"):
        one.values["step_hz"] = 0.0


def test_a_finding_keeps_its_own_numbers() -> None:
    """Changing the dictionary it was made from changes nothing."""
    numbers = {"step_hz": 0.1}
    one = Finding(code="A", severity="note", sentence="S.", values=numbers)

    numbers["step_hz"] = 9.0

    assert one.values["step_hz"] == 0.1


@pytest.mark.parametrize("again", [lambda one: pickle.loads(pickle.dumps(one)), copy.deepcopy, copy.copy])
def test_a_copied_finding_is_equal(again: object) -> None:
    """Pickled or copied, it is the same finding and still unchangeable."""
    other = again(finding())

    assert other == finding()
    with pytest.raises(TypeError, match="does not support item assignment"):
        other.values["step_hz"] = 0.0


def test_unknown_severity_is_refused() -> None:
    """Only the four severities exist."""
    with pytest.raises(InputError, match="severity is 'fatal'; it must be one of good, note, caution, stop"):
        finding(severity="fatal")


def test_as_text_and_json() -> None:
    """The text starts with the severity; the dictionary is ready for JSON."""
    assert str(finding()) == "[caution] The display limits."
    assert json.loads(json.dumps(finding().to_dict())) == {
        "code": "QUANTISED",
        "severity": "caution",
        "sentence": "The display limits.",
        "values": {"step_hz": 0.1},
    }


def test_merging_says_each_sentence_once_in_order() -> None:
    """The first of two findings with the same code and sentence stays; others keep their order."""
    a, b = finding(sentence="One."), finding(sentence="Two.")

    assert merged([b, a], [a], [], [finding("OTHER", sentence="One."), b]) == (
        b,
        a,
        finding("OTHER", sentence="One."),
    )


def test_worst_first_keeps_order_within_a_severity() -> None:
    """Sorting is stable: most severe first, otherwise as given."""
    given = [finding(severity=s, sentence=f"{i}.") for i, s in enumerate([*SEVERITIES, *SEVERITIES])]

    assert [one.sentence for one in worst_first(given)] == ["3.", "7.", "2.", "6.", "1.", "5.", "0.", "4."]


def test_what_several_curves_say_alike_is_said_once() -> None:
    """The most severe speaks, and says of which curve where others say it in other numbers."""
    notes = [finding("SURE", "note", f"At {n} times.") for n in (1, 2, 2)]
    curves = [
        ("Allan deviation", [notes[0]]),
        ("time deviation", [notes[1], finding("GAPS")]),
        ("MTIE", [notes[2], finding("SURE", "caution", "At all times.")]),
    ]

    sure, gaps = alike_once(curves)

    assert sure.severity == "caution"
    assert sure.sentence == "MTIE: At all times."
    assert gaps.sentence == finding().sentence
    assert alike_once([("a", [notes[1]]), ("b", [notes[2]])]) == (notes[1],)
