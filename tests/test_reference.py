"""The reference text: every public function has a source and a test that exists; one word for one thing."""

from __future__ import annotations

import inspect
import json
import re
from pathlib import Path

import pytest

import evenbeat
from evenbeat import reference

CHECKOUT = Path(__file__).resolve().parents[1]
NOTEBOOKS = sorted((CHECKOUT / "notebooks").glob("*.ipynb"))
FUNCTIONS = reference.public_functions()
NOT_SAID = ("allan variance plot", "frequency drift rate", "phase-time")
"""Other words for terms of the glossary: one word for one thing."""


@pytest.mark.parametrize("name", FUNCTIONS)
def test_public_function_names_source_and_test(name: str) -> None:
    """A docstring has ``References`` with ``Source:`` and ``Tests:``, and ``Formula:`` where there is one."""
    _, source, tests = reference.references_of(inspect.getdoc(FUNCTIONS[name]) or "")

    assert source, f"{name}: add a section References with a line 'Source: …' to its docstring"
    assert (CHECKOUT / tests).is_file(), f"{name}: 'Tests: {tests}' is no file of tests"


def test_tests_named_use_the_function() -> None:
    """The named file of tests mentions the function, or it would be the wrong one."""
    for row in reference.methods().itertuples():
        text = (CHECKOUT / row.tests).read_text(encoding="utf-8")
        assert row.function.split(".")[-1] in text, f"{row.tests} does not mention {row.function}"


def test_methods_stand_in_flow_order() -> None:
    """One row for every public function, those of the rooms last, each saying what it gives."""
    table = reference.methods()

    own = [name for name in evenbeat.__all__ if inspect.isfunction(getattr(evenbeat, name))]
    assert table["function"].tolist()[: len(own)] == own
    assert {"calibration.global_risk", "register.verify_register"} <= set(table["function"][len(own) :])
    assert table["gives"].str.len().min() > 10
    assert (table["formula"] != "").sum() > 25


def test_a_docstring_without_references_gives_nothing() -> None:
    """Nothing is made up, and lines that go on are joined."""
    assert reference.references_of("Return something.") == ("", "", "")
    text = (
        "Do.\n\nReferences\n----------\nSource: A 1999,\n    p. 3\nTests: tests/a.py\n\nExamples\n--------\n"
    )
    assert reference.references_of(text) == ("", "A 1999, p. 3", "tests/a.py")


def test_statistics_have_a_source() -> None:
    """Every statistic that can be asked for is listed with where it is defined."""
    table = reference.statistics()

    assert set(table["statistic"]) >= {"overlapping_allan", "time", "total", "theo1", "parabolic"}
    assert (table["source"].str.len() > 8).all()


def test_glossary_is_ordered_and_complete() -> None:
    """By alphabet, each with a meaning; units only from a short list."""
    table = reference.glossary()

    assert table["term"].str.lower().is_monotonic_increasing
    assert (table["meaning"].str.len() > 15).all()
    assert set(table["unit"]) <= {"", "1", "s", "s²", "s³", "1/s", "1/day"}


@pytest.mark.parametrize("path", NOTEBOOKS, ids=lambda path: path.stem)
def test_notebooks_keep_to_the_terms(path: Path) -> None:
    """No second word for a term of the glossary in the text of a notebook."""
    cells = json.loads(path.read_text(encoding="utf-8"))["cells"]
    text = "\n".join("".join(cell["source"]) for cell in cells if cell["cell_type"] == "markdown")

    assert [word for word in NOT_SAID if word in text] == []


def test_terms_are_used_in_the_notebooks() -> None:
    """A glossary explains what is said: at least nine tenths of its terms occur in a notebook."""
    text = "\n".join(path.read_text(encoding="utf-8") for path in NOTEBOOKS).lower()
    words = [term.lower().split(",")[0] for term in reference.TERMS]

    assert sum(word in text for word in words) >= 0.9 * len(words)


def test_citation_names_the_version() -> None:
    """Whoever cites tells which version it was."""
    assert evenbeat.__version__ in reference.citation()


def test_a_table_is_shown_from_the_left_and_wrapped() -> None:
    """Widths add up to the page, and no markup of docstrings is left in the cells."""
    page = reference.shown(reference.methods()).to_html()

    widths = [float(width) for width in re.findall(r"width: ([\d.]+)%", page) if float(width) < 100]
    assert sum(widths) == pytest.approx(100, abs=0.5)
    assert "overflow-wrap: anywhere" in page
    assert "``" not in page
