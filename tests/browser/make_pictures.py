"""Make the pictures of README anew, in ``notebooks/pictures``: ``python tests/browser/make_pictures.py``."""

from __future__ import annotations

import io
import os
import shutil
import tempfile
from pathlib import Path
from typing import Any

from PIL import Image
from playwright.sync_api import sync_playwright

from conftest import FLAGS
from evenbeat import interactive
from evenbeat.figures.lessons import MysteryBoard
from evenbeat.interactive.pages import component_html
from evenbeat.lessons.clock_detective import DIAGNOSES, investigate, mystery

FOLDER = Path(__file__).parents[2] / "notebooks" / "pictures"
SIZE = {"width": 1060, "height": 620}


def main() -> None:
    """Photograph each component as a page without a kernel shows it, and draw the first case of popcorn."""
    FOLDER.mkdir(exist_ok=True)
    program = os.environ.get("CHROMIUM") or shutil.which("chromium") or shutil.which("chromium-browser")
    with sync_playwright() as playwright, tempfile.TemporaryDirectory() as place:
        page = playwright.chromium.launch(executable_path=program, args=FLAGS).new_page(viewport=SIZE)
        for name in ("allan_ruler", "interval_wall", "own_curve"):
            path = Path(place) / f"{name}.html"
            body = component_html(getattr(interactive, name)().get_state(), 1)
            path.write_text(f'<meta charset="utf-8"><body style="background: #fff">{body}', encoding="utf-8")
            page.goto(path.as_uri())
            page.locator(".eb-words").wait_for()
            if name == "allan_ruler":
                page.get_by_role("button", name="Every length").click()
                page.wait_for_function("document.querySelector('.eb-words').innerText.includes('15 of 15')")
                page.get_by_label("length of a window").fill("4")
                page.get_by_role("button", name="Slide to the end").click()
                page.wait_for_function("document.querySelector('.eb-words').innerText.startsWith('All')")
            keep(page.locator(".evenbeat-component").screenshot(), name)
    case = next(case for case in map(mystery, range(1, 99)) if case.diagnosis == "popcorn")
    asked = investigate(case, diagnosis=DIAGNOSES[0], confidence=0.5)
    keep(MysteryBoard().png(asked), "clock_detective")


def keep(png: bytes, name: str) -> None:
    """Write a picture with few colours, which is small."""
    picture: Any = Image.open(io.BytesIO(png)).convert("RGB").quantize(48)
    picture.save(FOLDER / f"{name}.png", optimize=True)


if __name__ == "__main__":
    main()
