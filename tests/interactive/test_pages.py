"""Notebooks as pages: what stands in them; how they behave in a browser: tests/browser."""

from __future__ import annotations

from pathlib import Path

import pytest

from evenbeat.errors import EvenbeatError, OutputError
from evenbeat.interactive.pages import write_page

TITLE = "# A small one\n\nIt falls as $1/\\sqrt\\tau$, and $$x = \\tfrac12 y .$$"
CELLS = [
    "from evenbeat.interactive import noise_mixer, predict",
    "guess = predict('Up or down?', ['up', 'down'])\nguess",
    "%%after guess\nprint('it went', 'up & away')",
    "guess.right('up')",
    "noise_mixer()",
]


def saved(folder: Path, *cells: str) -> Path:
    """Return a notebook of these code cells under a title."""
    import nbformat  # with its schemas takes seconds, which the fast run does not need

    code = [nbformat.v4.new_code_cell(cell) for cell in cells]
    for cell in code:
        if ".right(" in cell.source:
            cell.metadata["jupyter"] = {"source_hidden": True}
    path = folder / "small.ipynb"
    nbformat.write(nbformat.v4.new_notebook(cells=[nbformat.v4.new_markdown_cell(TITLE), *code]), path)
    return path


@pytest.mark.slow
def test_a_page_says_what_the_notebook_shows(tmp_path: Path) -> None:
    """Title, formulas as pictures, withheld output folded, the answer kept back, a panel standing still."""
    notebook = saved(tmp_path, *CELLS)
    before = notebook.read_bytes()
    page = write_page(notebook, tmp_path / "pages")
    text = page.read_text(encoding="utf-8")
    assert page == tmp_path / "pages" / "small.html"
    assert "<title>A small one</title>" in text
    assert text.count('class="formula"') == 2
    assert 'alt="1/\\sqrt{\\tau}"' in text
    folded = text[text.index("I have committed") :]
    assert "it went up &amp; away" in folded[: folded.index("</details>")]
    assert "Up or down?" in text
    assert "up · down" in text
    assert "guess.right" not in text
    assert "Noise mixer" in text
    assert "data:image/png;base64," in text
    assert "http-equiv" not in text
    assert notebook.read_bytes() == before


@pytest.mark.slow
def test_a_cell_that_fails_is_named_with_its_notebook(tmp_path: Path) -> None:
    """And no page is left behind."""
    with pytest.raises(EvenbeatError, match=r"small\.ipynb does not run to its end: ZeroDivisionError"):
        write_page(saved(tmp_path, "1 / 0"), tmp_path / "pages")
    assert not list((tmp_path / "pages").iterdir())


@pytest.mark.slow
def test_a_bad_folder_is_told_before_anything_runs(tmp_path: Path) -> None:
    """Not even the notebook, which is not there, is read."""
    (tmp_path / "taken").write_text("a file")
    with pytest.raises(OutputError, match="give another folder"):
        write_page(tmp_path / "small.ipynb", tmp_path / "taken")
