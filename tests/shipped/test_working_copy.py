"""Copies to work in: nothing that the reader changed is ever lost, and nothing untouched grows stale."""

from __future__ import annotations

from pathlib import Path

import pytest

import evenbeat as eb
from evenbeat.command.main import main
from evenbeat.shipped.files import TABLE, demo_files, notebook_files, working_copy


@pytest.fixture
def originals(tmp_path: Path) -> tuple[Path, Path]:
    """Return two files to copy."""
    folder = tmp_path / "originals"
    folder.mkdir()
    paths = folder / "01_one.ipynb", folder / "log.csv.gz"
    for path in paths:
        path.write_text(f"first version of {path.name}")
    return paths


def outcomes(originals: tuple[Path, ...], folder: Path, **options: bool) -> list[str]:
    """Return what happened to each file."""
    return [file.outcome for file in working_copy(originals, folder, **options).files]


def test_copied_once_and_then_left(originals: tuple[Path, Path], tmp_path: Path) -> None:
    """The second call finds what the first one made."""
    folder = tmp_path / "mine"
    assert outcomes(originals, folder) == ["new", "new"]
    assert outcomes(originals, folder) == ["same", "same"]
    assert (folder / "log.csv.gz").read_bytes() == originals[1].read_bytes()


def test_what_was_changed_is_kept(originals: tuple[Path, Path], tmp_path: Path) -> None:
    """A changed copy stays, also when the original has a new version; the answer says so."""
    folder = tmp_path / "mine"
    working_copy(originals, folder)
    (folder / "01_one.ipynb").write_text("my work")
    originals[0].write_text("second version")
    done = working_copy(originals, folder)
    assert done.names("kept") == ["01_one.ipynb"]
    assert "kept 01_one.ipynb: you changed it" in str(done)
    assert (folder / "01_one.ipynb").read_text() == "my work"


def test_what_nobody_touched_is_renewed(originals: tuple[Path, Path], tmp_path: Path) -> None:
    """A new version replaces a copy of the old one that is as it was copied."""
    folder = tmp_path / "mine"
    working_copy(originals, folder)
    originals[0].write_text("second version")
    assert outcomes(originals, folder) == ["renewed", "same"]
    assert (folder / "01_one.ipynb").read_text() == "second version"


def test_renewing_sets_work_aside(originals: tuple[Path, Path], tmp_path: Path) -> None:
    """With renew the original comes back and every changed version stays under a name of its own."""
    folder = tmp_path / "mine"
    working_copy(originals, folder)
    for number in (1, 2):
        (folder / "log.csv.gz").write_text(f"my work {number}")
        done = working_copy(originals, folder, renew=True)
        assert done.files[1].aside == f"log.yours-{number}.csv.gz"
    assert (folder / "log.csv.gz").read_text() == "first version of log.csv.gz"
    assert [(folder / f"log.yours-{number}.csv.gz").read_text() for number in (1, 2)] == [
        "my work 1",
        "my work 2",
    ]


@pytest.mark.parametrize("spoilt", ["", "[1]", "{"])
def test_without_its_table_every_difference_counts_as_work(
    originals: tuple[Path, Path], tmp_path: Path, spoilt: str
) -> None:
    """A table that is lost or spoilt never leads to overwriting."""
    folder = tmp_path / "mine"
    working_copy(originals, folder)
    (folder / TABLE).write_text(spoilt)
    originals[0].write_text("second version")
    assert outcomes(originals, folder) == ["kept", "same"]


def test_files_of_the_checkout_are_found() -> None:
    """The data sheet names every log, and the notebooks come in order."""
    sheet = eb.demo_data("README.md").read_text(encoding="utf-8")
    logs = [path.name for path in demo_files() if ".csv" in path.name]
    assert len(logs) >= 6
    assert all(f"`{name}`" in sheet for name in logs)
    numbers = [int(path.name[:2]) for path in notebook_files()]
    assert numbers == sorted(numbers)
    assert len(numbers) >= 2


def test_unknown_data_are_refused_by_name() -> None:
    """The complaint lists what there is."""
    with pytest.raises(eb.InputError, match=r"named 'kestrel.csv'; there are .*kittiwake.csv.gz"):
        eb.demo_data("kestrel.csv")


def test_commands_copy(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Both commands fill a folder and say what they did."""
    assert main(["notebooks", str(tmp_path / "n"), "--copy-only"]) == 0
    assert main(["demo", str(tmp_path / "d")]) == 0
    said = capsys.readouterr().out
    assert f"{len(notebook_files())} copied" in said
    assert {path.name for path in (tmp_path / "n").glob("*.ipynb")} == {p.name for p in notebook_files()}
    assert (tmp_path / "d" / "truth.json").is_file()


def test_folder_that_cannot_be_written_is_one_sentence(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A file in the way of the folder: status 2, no traceback."""
    (tmp_path / "taken").write_text("")
    assert main(["demo", str(tmp_path / "taken")]) == 2
    complaint = capsys.readouterr().err
    assert complaint.startswith("evenbeat: ")
    assert "give another folder" in complaint


def test_lab_gets_the_folder_and_the_options(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    """JupyterLab is started on the copy, with the options passed on."""
    started: list[list[str]] = []
    monkeypatch.setattr("evenbeat.command.notebooks._open_lab", started.append)
    folder = tmp_path / "n"
    asked = ["--no-browser", "--port", "8890", "--allow-root", "--lab-option=--ServerApp.port_retries=0"]
    assert main(["notebooks", str(folder), *asked]) == 0
    assert started == [
        [
            f"--ServerApp.root_dir={folder.resolve()}",
            "--LabApp.default_url=/lab/tree/01_take_a_first_look_at_a_log.ipynb",
            "--no-browser",
            "--port=8890",
            "--allow-root",
            "--ServerApp.port_retries=0",
        ]
    ]


def test_lab_begins_where_the_reader_wants(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    """An address of the reader's own goes before ours."""
    started: list[list[str]] = []
    monkeypatch.setattr("evenbeat.command.notebooks._open_lab", started.append)
    asked = ["--allow-root", "--lab-option=--LabApp.default_url=/lab"]
    assert main(["notebooks", str(tmp_path / "n"), *asked]) == 0
    assert [option for option in started[0] if "default_url" in option] == ["--LabApp.default_url=/lab"]


def test_root_is_warned_before_anything_is_copied(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """As root JupyterLab would refuse; the sentence says what to add."""
    monkeypatch.setattr("os.geteuid", lambda: 0)
    assert main(["notebooks", str(tmp_path / "n")]) == 2
    assert "--allow-root" in capsys.readouterr().err
    assert not (tmp_path / "n").exists()
