"""Every notebook is clean in git, runs from top to bottom without a warning, and leaves nothing behind.

Answers to exercises are code in a folded part of the text: they run here, and the check on the page finds
them right. What the text claims is asserted in ``notebook_claims``, after the cell that it speaks of.
"""

import re
import tomllib
from pathlib import Path
from typing import Any

import pytest

FOLDER = Path(__file__).resolve().parents[1] / "notebooks"
NOTEBOOKS = sorted(FOLDER.glob("*.ipynb"))
LONGEST_CELL = 20
WIDEST_LINE = 104
FOLDED = re.compile(
    r"<details><summary>Answer</summary>\n\n```python\n(?P<code>.+)\n```\n</details>", flags=re.DOTALL
)
REFERENCE, VALIDATION = "09_methods_and_terms", "08_check_the_checker"
"""Two of another kind: tables to look up, and a page of evidence whose assertions are there to be read."""
LIMIT_S = 240
"""Twice what the slowest takes on two cores that are shared with other tests."""


@pytest.fixture(params=NOTEBOOKS, ids=lambda path: path.stem)
def path(request: pytest.FixtureRequest) -> Path:
    """Return one notebook after the other."""
    return request.param


def read(path: Path) -> Any:
    """Return a notebook; imported here, as its schemas take seconds that not every process need spend."""
    import nbformat

    return nbformat.read(path, as_version=4)


def test_there_are_notebooks() -> None:
    """An empty folder would pass everything else."""
    assert [path.stem[:3] for path in NOTEBOOKS] == [f"{number:02d}_" for number in range(1, 11)]


@pytest.mark.grid(5)
def test_committed_without_outputs(path: Path) -> None:
    """No outputs, no counts, one title in the first cell, cells with stable names, the usual kernel."""
    from nbformat import validate

    notebook = read(path)
    validate(notebook)
    code = [cell for cell in notebook.cells if cell.cell_type == "code"]
    assert all(not cell.outputs and cell.execution_count is None for cell in code)
    assert notebook.cells[0].cell_type == "markdown"
    assert notebook.cells[0].source.startswith("# ")
    text = [cell for cell in notebook.cells if cell.cell_type == "markdown" and not is_answer(cell)]
    assert sum(cell.source.count("\n# ") for cell in text) == 0
    assert notebook.metadata.kernelspec.name == "python3"


def test_cells_teach_and_do_not_program(path: Path) -> None:
    """Cells are short and define nothing; the author's assertions are tests, not lessons."""
    notebook = read(path)
    sources = [cell.source for cell in with_answers(notebook).cells if cell.cell_type == "code"]
    longest = max(sources, key=lambda source: len(source.splitlines()))
    assert len(longest.splitlines()) <= LONGEST_CELL, longest
    widest = max((line for source in sources for line in source.splitlines()), key=len)
    assert len(widest) <= WIDEST_LINE, widest
    assert not any("def " in source or "filterwarnings" in source for source in sources)
    if path.stem == VALIDATION:
        assert sum("assert " in source for source in sources) >= 3
    else:
        assert not any("assert " in source for source in sources)
        assert sum(claim.count("assert ") for claim in claims_of(path).values()) >= 3


def test_built_like_the_others(path: Path) -> None:
    """What you will do in three points, predictions, exercises, references, one last sentence."""
    notebook = read(path)
    text = [cell.source for cell in notebook.cells if cell.cell_type == "markdown"]

    assert "**What you will do**" in text[0]
    assert sum(line.startswith("- ") for line in text[0].splitlines()) == 3
    assert text[-1].splitlines()[-1].startswith("**In one sentence:**")
    if path.stem == REFERENCE:
        return
    whole = "\n".join(text)
    assert whole.count("Predict") >= 2
    assert "## References" in whole
    assert "## Exercises" in whole


def claims_of(path: Path) -> dict[str, str]:
    """Return the cells of a notebook to the assertions of what the text says about them."""
    file = Path(__file__).parent / "notebook_claims" / f"{path.stem[:2]}.toml"
    return tomllib.loads(file.read_text(encoding="utf-8")) if file.exists() else {}


def with_claims(notebook: Any, claims: dict[str, str]) -> Any:
    """Return the notebook with each claim in a cell of its own after the cell it speaks of."""
    from nbformat.v4 import new_code_cell

    assert set(claims) <= {cell.id for cell in notebook.cells}
    cells = []
    for cell in notebook.cells:
        cells.append(cell)
        if cell.id in claims:
            cells.append(new_code_cell(claims[cell.id], id=f"{cell.id}-claims"))
    notebook.cells = cells
    return notebook


def is_answer(cell: Any) -> bool:
    """Return whether a cell holds the folded answer to an exercise."""
    return "answer" in cell.metadata.get("tags", [])


def with_answers(notebook: Any) -> Any:
    """Return the notebook with the code of its folded answers in the place of their text."""
    from nbformat.v4 import new_code_cell

    for index, cell in enumerate(notebook.cells):
        if is_answer(cell):
            found = FOLDED.fullmatch(cell.source)
            assert found, cell.source
            asked = re.search(
                r"^check\((\d), my_answer\)$", notebook.cells[index - 1].source, flags=re.MULTILINE
            )
            code = f"{found['code']}\ncheck({asked[1]}, my_answer)"
            notebook.cells[index] = new_code_cell(code, id=cell.id)
    return notebook


def test_answers_are_folded_and_checked(path: Path) -> None:
    """At least three exercises, each with a place to answer, a check, and a folded answer."""
    if path.stem == REFERENCE:
        return
    cells = read(path).cells
    exercises = cells[next(i for i, cell in enumerate(cells) if "## Exercises" in cell.source) :]
    lines = [line for cell in exercises for line in cell.source.split("\n")]
    asked = sum(line.startswith("**") and line[2].isdigit() for line in lines)
    answers = [index for index, cell in enumerate(cells) if is_answer(cell)]

    assert len(answers) == asked >= 3
    for index in answers:
        assert re.fullmatch(r"my_answer = \.\.\.  # .+\ncheck\(\d, my_answer\)", cells[index - 1].source)
        folded = FOLDED.fullmatch(cells[index].source)
        assert folded
        assert folded["code"].splitlines()[-1].startswith("my_answer = ")


def test_predictions_wait_for_the_reader(path: Path) -> None:
    """A prediction is asked before the cell that waits for it, which says what was right."""
    if path.stem == REFERENCE:
        return
    sources = [cell.source for cell in read(path).cells if cell.cell_type == "code"]
    asked = re.findall(r"^(\w+) = predict\(", "\n".join(sources), flags=re.MULTILINE)
    waiting = [source.split()[1] for source in sources if source.startswith("%%after ")]
    assert len(asked) >= 1
    assert set(asked) == set(waiting)
    for name in asked:
        place = next(k for k, source in enumerate(sources) if f"{name} = predict(" in source)
        assert any(source.startswith(f"{name}.right(") for source in sources[place:])
    answers = [cell for cell in read(path).cells if ".right(" in cell.source]
    assert all(cell.metadata["jupyter"]["source_hidden"] for cell in answers)


def test_a_figure_is_followed_by_what_to_see(path: Path) -> None:
    """Every figure is spoken of: text comes within two cells after it (in the gallery the title says it)."""
    if path.stem == REFERENCE:
        return
    cells = read(path).cells
    for index, cell in enumerate(cells):
        if cell.cell_type == "code" and "eb.plot(" in cell.source:
            assert any(after.cell_type == "markdown" for after in cells[index + 1 : index + 4])


@pytest.mark.slow
@pytest.mark.notebook
@pytest.mark.timeout(LIMIT_S + 60)
@pytest.mark.parametrize("path", NOTEBOOKS, ids=lambda path: path.stem)
def test_runs_clean(path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Executed in its own folder: no error, nothing on standard error, every figure shown, no new file.

    The claims hold, and the page finds every answer of its own right.
    """
    from nbclient import NotebookClient

    monkeypatch.delenv("MPLBACKEND", raising=False)  # the kernel chooses the backend of a notebook
    monkeypatch.setenv("EVENBEAT_PREDICTIONS", "revealed")
    before = set(FOLDER.rglob("*"))
    notebook = with_claims(with_answers(read(path)), claims_of(path))
    client = NotebookClient(
        notebook,
        timeout=LIMIT_S,
        kernel_name="python3",
        record_timing=False,
        resources={"metadata": {"path": str(FOLDER)}},
    )
    client.execute()
    outputs = [output for cell in notebook.cells if cell.cell_type == "code" for output in cell.outputs]
    complaints = [o.text for o in outputs if o.output_type == "stream" and o.name == "stderr"]
    assert not complaints
    for cell in notebook.cells:
        if cell.cell_type == "code" and "eb.plot(" in cell.source:
            assert any("image/png" in output.get("data", {}) for output in cell.outputs), cell.source
    values = [str(model.get("value", "")) for model in models_of(notebook)]
    told = [text for text in values if "border-left" in text]
    verdicts = [text for text in told if "dots" not in text]
    assert len(verdicts) == sum(is_answer(cell) for cell in read(path).cells)
    assert all(">Right." in text or ">Right, all" in text for text in verdicts), verdicts
    assert set(FOLDER.rglob("*")) == before


def models_of(notebook: Any) -> list[dict[str, object]]:
    """Return the states of the widgets that a run has left."""
    widgets = notebook.metadata.get("widgets", {}).get("application/vnd.jupyter.widget-state+json", {})
    return [dict(model["state"]) for model in widgets.get("state", {}).values()]
