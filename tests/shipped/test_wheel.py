"""The package as it is installed without the repository: notebooks and invented logs are inside."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
import sysconfig
import zipfile
from pathlib import Path

import pytest

CHECKOUT = Path(__file__).resolve().parents[2]


@pytest.fixture(scope="module")
def wheel(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Build the wheel of a copy of the checkout, or skip where its build tool is not installed."""
    pytest.importorskip("setuptools", minversion="77", reason="the wheel is built with setuptools")
    copy, folder = tmp_path_factory.mktemp("copy"), tmp_path_factory.mktemp("wheel")
    for name in (".build", "src", "data", "notebooks"):
        shutil.copytree(CHECKOUT / name, copy / name, ignore=shutil.ignore_patterns("__pycache__", "*.so"))
    for name in ("pyproject.toml", "README.md", "LICENSE"):
        shutil.copy(CHECKOUT / name, copy)
    code = f"import sys; sys.path.insert(0, '.build'); import backend; backend.build_wheel({str(folder)!r})"
    subprocess.run([sys.executable, "-c", code], cwd=copy, check=True, capture_output=True)
    return next(folder.glob("*.whl"))


@pytest.mark.slow
def test_installed_without_the_repository(wheel: Path, tmp_path: Path) -> None:
    """Unpacked far from the checkout, the command copies every notebook and every log, and reads one."""
    site, work = tmp_path / "site", tmp_path / "work"
    work.mkdir()
    zipfile.ZipFile(wheel).extractall(site)
    libraries = sysconfig.get_paths()["purelib"]
    environment = {**os.environ, "PYTHONPATH": os.pathsep.join([str(site), libraries])}

    def run(*command: str) -> str:
        done = subprocess.run(
            [sys.executable, *command], cwd=work, env=environment, capture_output=True, text=True, check=True
        )
        return done.stdout

    run("-m", "evenbeat", "notebooks", "--copy-only")
    run("-m", "evenbeat", "demo")
    found = {path.name: path.read_bytes() for path in (work / "evenbeat-notebooks").glob("*.ipynb")}
    assert found == {path.name: path.read_bytes() for path in (CHECKOUT / "notebooks").glob("*.ipynb")}
    logs = {path.name for path in (work / "evenbeat-demo").glob("*.csv*")}
    assert logs == {path.name for path in (CHECKOUT / "data").glob("*.csv*")}
    code = "import evenbeat as eb; print(eb.__file__, eb.read_log(eb.demo_data('fulmar-evening.csv')))"
    said = run("-c", code)
    assert said.startswith(str(site))
    assert "720 fractional frequencies" in said
