"""Results show themselves in one line, in 80 columns and in safe HTML."""

from __future__ import annotations

import re

from evenbeat.findings import Finding
from evenbeat.printing import PAGE_WIDTH, Printed, Table


class Result(Printed):
    """A result with everything awkward in it."""

    findings = (
        Finding(code="A", severity="note", sentence="A long assumption " * 12),
        Finding(code="B", severity="stop", sentence="Nothing can be said of <clock> & co."),
    )

    def _headline(self) -> str:
        return "A headline about <clock> & others " + "that goes on and on " * 6

    def _table(self) -> Table:
        return Table(columns=("name", "value"), rows=(("short", "1"), ("a longer name", "-12.5")))


def test_columns_are_aligned() -> None:
    """Names stand left, numbers right, and the rule is as wide as the table."""
    assert Result()._table().as_text().splitlines() == [
        "name           value",
        "--------------------",
        "short              1",
        "a longer name  -12.5",
    ]


def test_a_table_without_rows_shows_its_head() -> None:
    """An empty table is its columns, not an error."""
    assert Table(columns=("tau", "n"), rows=()).as_text() == "tau  n\n------"


def test_text_fits_a_page_and_puts_the_worst_first() -> None:
    """No line of the text is wider than 80 columns; the most severe finding comes first."""
    text = str(Result())

    assert max(len(line) for line in text.splitlines()) <= PAGE_WIDTH
    assert text.index("[stop]") < text.index("[note]")


def test_repr_is_one_line() -> None:
    """The short form is the headline in angle brackets."""
    assert "\n" not in repr(Result())
    assert repr(Result()).startswith("<A headline about")


def test_html_is_escaped_and_balanced() -> None:
    """Text from a file cannot become markup, and every opened element is closed."""
    shown = Result()._repr_html_()

    assert "&lt;clock&gt; &amp; co." in shown
    assert "<clock>" not in shown
    opened = re.findall(r"<([a-z]+)>", shown)
    assert sorted(opened) == sorted(re.findall(r"</([a-z]+)>", shown))
    assert opened.count("tr") == 3


def test_a_result_without_a_table_or_findings_is_its_headline() -> None:
    """Nothing empty is printed."""

    class Plain(Printed):
        findings = ()

        def _headline(self) -> str:
            return "Just this"

    assert str(Plain()) == "Just this"
    assert Plain()._repr_html_() == "<p><strong>Just this</strong></p>"
