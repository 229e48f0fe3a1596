"""The notebooks as pages: complete in themselves, with their outputs, and alive without a kernel."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from evenbeat.interactive.pages import write_page
from evenbeat.shipped.files import notebook_files

pytestmark = [pytest.mark.browser, pytest.mark.timeout(600)]


@pytest.mark.parametrize("notebook", notebook_files(), ids=lambda path: path.stem)
def test_page(notebook: Path, chromium: Any, tmp_path: Path, screenshots: Path) -> None:
    """No request leaves the page, nothing fails, every picture is described, what is withheld is folded."""
    path = write_page(notebook, tmp_path / "pages")
    assert path.name == f"{notebook.stem}.html"
    for theme, width in (("light", 1280), ("dark", 900)):
        faults: list[str] = []
        context = chromium.new_context(color_scheme=theme, viewport={"width": width, "height": 900})
        page = context.new_page()
        page.on("pageerror", lambda error, kept=faults: kept.append(str(error)))
        page.on(
            "request",
            lambda asked, kept=faults: asked.url.startswith(("file:", "data:")) or kept.append(asked.url),
        )
        page.goto(path.as_uri())
        assert page.locator("h1").count() == 1
        assert page.locator("img:not([alt]), img[alt='']").count() == 0
        assert page.evaluate("document.documentElement.scrollWidth") <= width
        folded = page.locator("details", has_text="I have committed")
        waiting = notebook.read_text(encoding="utf-8").count('"%%after ')
        assert folded.count() == waiting
        for number in range(folded.count()):
            inside = folded.nth(number).locator("pre, img, table").first
            assert not inside.is_visible()
            folded.nth(number).locator("summary").first.click()
            assert inside.is_visible()
        for component in page.locator(".evenbeat-component").all():
            words = component.locator(".eb-words")
            before = words.inner_text()
            component.locator("input[type=range]").first.focus()
            page.keyboard.press("ArrowLeft")
            assert words.inner_text() != before
        assert "Traceback" not in page.locator("body").inner_text()
        page.screenshot(path=screenshots / f"page-{notebook.stem[:2]}-{theme}.png", full_page=True)
        assert faults == []
        context.close()
