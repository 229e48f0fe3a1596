"""Names that would run, in a real browser: nothing runs, nothing is asked for, the text stands as it is."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
from hostile import DUE, TEXTS, outputs, printable, register

from evenbeat.command.main import main

pytestmark = [pytest.mark.browser, pytest.mark.timeout(900)]


def test_the_due_list(chromium: Any, tmp_path: Path) -> None:
    """Of instruments that are named so."""
    kept = register(tmp_path, tuple(filter(printable, TEXTS)))
    assert main(["fleet", str(kept), *DUE, *outputs(tmp_path)]) == 0

    faults: list[str] = []
    page = chromium.new_page()
    page.on("dialog", lambda dialog: faults.append(dialog.message) or dialog.dismiss())
    page.on("pageerror", lambda error: faults.append(str(error)))
    page.on("request", lambda asked: asked.url.startswith(("file:", "data:")) or faults.append(asked.url))
    page.goto((tmp_path / "due.html").as_uri())
    page.mouse.move(200, 200)
    assert page.evaluate("window.struck === undefined")
    assert page.locator("script, [onerror], [onload], [onmouseover]").count() == 0
    assert TEXTS[0] in page.locator("body").inner_text()
    assert faults == []
    page.close()
