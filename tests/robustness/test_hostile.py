"""Hostile names come out as the text they are: no element, no control character, no line of its own."""

from __future__ import annotations

import csv
import html
import json
from collections import Counter
from html.parser import HTMLParser
from pathlib import Path

import pytest
from hostile import DUE, LISTS, RAW, TEXTS, outputs, printable, register

import evenbeat as eb
from evenbeat.command.main import main


class _Elements(HTMLParser):
    """Counts elements with the names of their attributes."""

    def __init__(self, page: str) -> None:
        super().__init__()
        self.found: Counter[tuple[str, ...]] = Counter()
        self.feed(page)

    def handle_starttag(self, tag: str, attributes: list[tuple[str, str | None]]) -> None:
        self.found[tag, *sorted(name for name, _ in attributes)] += 1
        assert not [name for name, _ in attributes if name.startswith("on")]
        assert not [
            value
            for name, value in attributes
            if name in ("href", "src") and (value or "").startswith("javascript")
        ]


def check(paths: list[Path], printed: str, texts: tuple[str, ...]) -> None:
    """Assert of all files and of what was printed that nothing in them obeys a text."""
    assert not RAW.search(printed)
    for path in paths:
        if path.suffix == ".html":
            page = path.read_text(encoding="utf-8")
            assert {tag for tag, *_ in _Elements(page).found} <= USUAL, path
            assert "7 * 7" in page or not any("7 * 7" in text for text in texts)  # no template was filled in
        elif path.suffix == ".json":
            json.loads(path.read_text(encoding="utf-8"))
        elif path.suffix == ".ics":
            lines = path.read_text(encoding="utf-8").splitlines()
            assert all(
                line[:1] == " " or line.partition(":")[0].partition(";")[0].isupper() for line in lines
            )
        elif path.suffix == ".csv":
            with path.open(encoding="utf-8", newline="") as file:
                cells = [cell for row in csv.reader(file) for cell in row]
            assert not [cell for cell in cells if cell[:1] in "=+@" and not cell[1:2].isdigit() and cell]
        elif path.suffix == ".pdf":
            assert path.read_bytes().startswith(b"%PDF")
            assert b"/JavaScript" not in path.read_bytes()


USUAL = {
    *(
        "html",
        "head",
        "meta",
        "title",
        "style",
        "body",
        "main",
        "header",
        "footer",
        "section",
        "article",
        "nav",
        "aside",
    ),
    *(
        "h1",
        "h2",
        "h3",
        "h4",
        "p",
        "a",
        "span",
        "strong",
        "em",
        "b",
        "i",
        "small",
        "code",
        "pre",
        "br",
        "hr",
        "div",
        "wbr",
    ),
    *(
        "ul",
        "ol",
        "li",
        "dl",
        "dt",
        "dd",
        "table",
        "caption",
        "thead",
        "tbody",
        "tr",
        "th",
        "td",
        "colgroup",
        "col",
    ),
    *(
        "figure",
        "figcaption",
        "img",
        "svg",
        "g",
        "path",
        "defs",
        "use",
        "clippath",
        "rect",
        "text",
        "desc",
        "metadata",
    ),
    *(
        "details",
        "summary",
        "sup",
        "sub",
        "rdf:rdf",
        "cc:work",
        "dc:type",
        "dc:date",
        "dc:format",
        "dc:creator",
    ),
    *(
        "cc:agent",
        "dc:title",
        "tspan",
        "line",
        "polyline",
        "circle",
        "polygon",
        "label",
        "input",
        "button",
        "time",
    ),
}
"""Elements of our pages; none of them runs anything."""


@pytest.mark.slow
def test_a_register_of_hostile_names(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Instruments named so, in the list, in full, on the page, in the calendar, the table and the labels."""
    names = tuple(filter(printable, TEXTS))
    kept = str(register(tmp_path, names))
    assert main(["fleet", kept, *DUE, *outputs(tmp_path)]) == 0
    assert main(["register", "list", kept]) == 0
    assert main(["register", "show", kept, names[6]]) == 0
    assert main(["register", "export", kept, "-o", str(tmp_path / "table.csv")]) == 0
    check([tmp_path / name for name in (*LISTS.values(), "table.csv")], capsys.readouterr().out, names)
    page = (tmp_path / "due.html").read_text(encoding="utf-8")
    assert html.escape(TEXTS[0]) in page
    again = eb.Register.create(tmp_path / "again.sqlite")
    eb.register.import_table(again, tmp_path / "table.csv")
    assert sorted(one.name for one in again.instruments()) == sorted(names)
