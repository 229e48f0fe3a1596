"""Every notebook is clean in git, runs from top to bottom without a warning, and leaves nothing behind."""

from pathlib import Path

import nbformat
import pytest
from nbclient import NotebookClient

FOLDER = Path(__file__).resolve().parents[1] / "notebooks"
NOTEBOOKS = sorted(FOLDER.glob("*.ipynb"))
LONGEST_CELL = 14
WIDEST_LINE = 92


@pytest.fixture(params=NOTEBOOKS, ids=lambda path: path.stem)
def path(request: pytest.FixtureRequest) -> Path:
    """Return one notebook after the other."""
    return request.param


def test_there_are_notebooks() -> None:
    """An empty folder would pass everything else."""
    assert len(NOTEBOOKS) >= 2


def test_committed_without_outputs(path: Path) -> None:
    """No outputs, no counts, one title in the first cell, cells with stable names, the usual kernel."""
    notebook = nbformat.read(path, as_version=4)
    nbformat.validate(notebook)
    code = [cell for cell in notebook.cells if cell.cell_type == "code"]
    assert all(not cell.outputs and cell.execution_count is None for cell in code)
    assert notebook.cells[0].cell_type == "markdown"
    assert notebook.cells[0].source.startswith("# ")
    assert sum(cell.source.count("\n# ") for cell in notebook.cells if cell.cell_type == "markdown") == 0
    assert notebook.metadata.kernelspec.name == "python3"


def test_cells_teach_and_do_not_program(path: Path) -> None:
    """Cells are short, define nothing, and every notebook checks its claims with an assertion."""
    notebook = nbformat.read(path, as_version=4)
    sources = [cell.source for cell in notebook.cells if cell.cell_type == "code"]
    assert max(len(source.splitlines()) for source in sources) <= LONGEST_CELL
    assert max(len(line) for source in sources for line in source.splitlines()) <= WIDEST_LINE
    assert not any("def " in source or "filterwarnings" in source for source in sources)
    assert sum("assert " in source for source in sources) >= 3


@pytest.mark.notebook
@pytest.mark.timeout(300)
def test_runs_clean(path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Executed in its own folder: no error, nothing on standard error, every figure shown, no new file."""
    monkeypatch.delenv("MPLBACKEND", raising=False)  # the kernel chooses the backend of a notebook
    before = set(FOLDER.rglob("*"))
    notebook = nbformat.read(path, as_version=4)
    client = NotebookClient(
        notebook,
        timeout=120,
        kernel_name="python3",
        record_timing=False,
        resources={"metadata": {"path": str(FOLDER)}},
    )
    client.execute()
    outputs = [output for cell in notebook.cells if cell.cell_type == "code" for output in cell.outputs]
    complaints = [o.text for o in outputs if o.output_type == "stream" and o.name == "stderr"]
    assert not complaints
    drawn = sum("image/png" in output.get("data", {}) for output in outputs)
    assert drawn == sum(cell.source.count("eb.plot(") for cell in notebook.cells)
    assert set(FOLDER.rglob("*")) == before
