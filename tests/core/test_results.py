"""Results show themselves in one line, in 80 columns, in safe HTML, as plain values and as a data frame."""

from __future__ import annotations

import datetime as dt
import json
import math
import re
from dataclasses import dataclass, field

import numpy as np
import pytest

from evenbeat.findings import Finding
from evenbeat.plain import UNLISTED, Plain, listed_as, plain
from evenbeat.quantities import Estimate
from evenbeat.result import PAGE_WIDTH, Column, Result, Table

AWKWARD = (
    Finding(code="A", severity="note", sentence="A long assumption " * 12),
    Finding(code="B", severity="stop", sentence="Nothing can be said of <clock> & co."),
)


@dataclass(frozen=True, eq=False, kw_only=True, repr=False)
class Awkward(Result):
    """A result with everything awkward in it."""

    level_s: np.ndarray = field(default_factory=lambda: np.array([1.0, math.nan, -12.5]))
    day: dt.date = dt.date(2026, 3, 1)
    begin: np.datetime64 = field(
        default=np.datetime64("2026-03-01T00:00:00", "s"), metadata=listed_as("begin_utc")
    )
    working: object = field(default=object(), metadata=UNLISTED)
    longest_s: float = math.inf
    findings: tuple[Finding, ...] = AWKWARD

    _also = ("twice",)
    _longest_table = 2

    @property
    def twice(self) -> int:
        """Return a number that is derived."""
        return 2 * len(self.level_s)

    def _headline(self) -> str:
        return "A headline about <clock> & others " + "that goes on and on " * 6

    def _columns(self) -> tuple[Column, ...]:
        return (
            Column("name", ("short", "unknown", "a longer name"), "name"),
            Column("level_s", self.level_s, "level / s", ".1f"),
            Column("", (True, False, True), "shown", lambda yes: "yes" if yes else "no"),
            Column("hidden", (1, 2, 3)),
        )


@dataclass(frozen=True, kw_only=True)
class Line(Plain):
    """One row of a table of objects."""

    method: str
    interval_s: float
    drift: Estimate | None = None
    parts: tuple[int, ...] = ()


@dataclass(frozen=True, eq=False, kw_only=True, repr=False)
class OfRows(Result):
    """A result whose rows are objects."""

    lines: tuple[Line, ...]

    _row_objects = "lines"

    def _headline(self) -> str:
        return "Two lines"

    def _columns(self) -> tuple[Column, ...]:
        return (Column("method", heading="method"), Column("interval_s", heading="interval / s", form=".3g"))


def test_columns_are_aligned_and_thinned() -> None:
    """Names stand left, numbers right, the rule is as wide as the table; a long table shows some rows."""
    table = Awkward()._table()

    assert table is not None
    assert table.as_text().splitlines() == [
        "name           level / s  shown",
        "-------------------------------",
        "short                1.0    yes",
        "a longer name      -12.5    yes",
    ]


def test_unknown_is_a_dash_in_text_and_null_in_json() -> None:
    """NaN is never printed as a number, whatever the form; infinity has no JSON."""
    assert Column("x", heading="x", form=".3e").text(math.nan) == "–"
    assert Column("x", heading="x", form=lambda number: f"{number:.0%}").text(math.nan) == "–"
    assert Column("x", heading="x", form=lambda text: text.upper()).text(None) == "–"
    shown = json.loads(json.dumps(Awkward().to_dict(), allow_nan=False))

    assert shown["level_s"] == [1.0, None, -12.5]
    assert shown["longest_s"] is None


def test_plain_values_follow_the_declared_fields() -> None:
    """Fields under the name they are listed as, derived ones that are named, columns, findings last."""
    shown = Awkward().to_dict()

    assert list(shown) == ["day", "begin_utc", "longest_s", "twice", "name", "level_s", "hidden", "findings"]
    assert (shown["day"], shown["begin_utc"], shown["twice"]) == ("2026-03-01", "2026-03-01T00:00:00", 6)
    assert [found["code"] for found in shown["findings"]] == ["A", "B"]


def test_frame_has_the_columns() -> None:
    """What is only printed stays out of the frame; NaN stays NaN there."""
    frame = Awkward().to_frame()

    assert list(frame.columns) == ["name", "level_s", "hidden"]
    assert math.isnan(frame["level_s"][1])


def test_rows_that_are_objects() -> None:
    """Their attributes are the columns of text and frame, and each is a dictionary in plain values."""
    result = OfRows(
        lines=(
            Line(method="a", interval_s=math.inf, parts=(1, 2)),
            Line(method="b", interval_s=2.0, drift=Estimate.normal(3.0, 0.5)),
        )
    )

    assert list(result.to_frame().columns) == ["method", "interval_s", "drift", "drift_standard_uncertainty"]
    assert result.to_frame()["drift_standard_uncertainty"][1] == 0.5
    assert result.to_dict()["lines"][0] == {"method": "a", "interval_s": None, "drift": None, "parts": [1, 2]}
    assert result.to_dict()["lines"][1]["drift"]["value"] == 3.0
    assert str(result).splitlines()[-1] == "b                  2"


def test_numbers_of_every_kind_are_plain() -> None:
    """NaN and infinities, arrays, numpy numbers and dates become plain JSON."""
    made = plain(
        {
            "a": math.nan,
            "b": np.array([1.0, np.inf]),
            "c": np.float64(2),
            3: (np.datetime64("2026-03-01"), True),
        }
    )

    assert made == {"a": None, "b": [1.0, None], "c": 2.0, "3": ["2026-03-01", True]}


def test_what_has_no_plain_form_is_refused() -> None:
    """A text nobody can read back is no plain value."""
    with pytest.raises(TypeError, match="a object has no plain form"):
        plain({"key": [object()]})


def test_a_table_without_rows_shows_its_head() -> None:
    """An empty table is its columns, not an error."""
    assert Table(columns=("tau", "n"), rows=()).as_text() == "tau  n\n------"


def test_text_fits_a_page_and_puts_the_worst_first() -> None:
    """No line of the text is wider than 80 columns; the most severe finding comes first."""
    text = str(Awkward())

    assert max(len(line) for line in text.splitlines()) <= PAGE_WIDTH
    assert text.index("[stop]") < text.index("[note]")


def test_repr_is_one_line() -> None:
    """The short form is the headline in angle brackets."""
    assert "\n" not in repr(Awkward())
    assert repr(Awkward()).startswith("<A headline about")


def test_html_is_escaped_and_balanced() -> None:
    """Text from a file cannot become markup, and every opened element is closed."""
    shown = Awkward()._repr_html_()

    assert "&lt;clock&gt; &amp; co." in shown
    assert "<clock>" not in shown
    opened = re.findall(r"<([a-z]+)>", shown)
    assert sorted(opened) == sorted(re.findall(r"</([a-z]+)>", shown))
    assert opened.count("tr") == 3


def test_a_result_without_a_table_or_findings_is_its_headline() -> None:
    """Nothing empty is printed."""

    class Bare(Result):
        def _headline(self) -> str:
            return "Just this"

    assert str(Bare()) == "Just this"
    assert Bare()._repr_html_() == "<p><strong>Just this</strong></p>"
