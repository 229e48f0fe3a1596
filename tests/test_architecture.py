"""The shape of the house: imports point left, drawing stays in its rooms, files and functions stay short."""

from __future__ import annotations

import ast
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest

PACKAGE = Path(__file__).resolve().parents[1] / "src" / "evenbeat"
DRAWING_ROOMS = {"figures", "report", "interactive"}
LONGEST_FUNCTION = 60
LONGEST_FILE = 400
FILES = sorted(PACKAGE.rglob("*.py"))
ROOM_FILES = [path for path in FILES if path != PACKAGE / "__init__.py"]


def room_of(path: Path) -> str:
    """Return the room that a file belongs to."""
    return path.relative_to(PACKAGE).parts[0].removesuffix(".py")


def imported_modules(tree: ast.AST, path: Path) -> Iterator[str]:
    """Yield the dotted name of every import, those inside functions and for the type checker included."""
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            yield from (alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            package = ["evenbeat", *path.relative_to(PACKAGE).parent.parts]
            base = package[: len(package) - node.level + 1] if node.level else []
            module = ".".join([*base, *([node.module] if node.module else [])])
            yield from (
                [f"{module}.{alias.name}" for alias in node.names] if module == "evenbeat" else [module]
            )


def parsed(path: Path) -> ast.Module:
    """Return the syntax tree of a file."""
    return ast.parse(path.read_text(encoding="utf-8"))


@pytest.fixture(params=FILES, ids=lambda path: str(path.relative_to(PACKAGE)))
def source(request: pytest.FixtureRequest) -> Path:
    """Return each file of the package in turn."""
    return request.param


@pytest.mark.parametrize("path", ROOM_FILES, ids=lambda path: str(path.relative_to(PACKAGE)))
def test_imports_point_left(path: Path, rooms: tuple[str, ...]) -> None:
    """A room imports only itself and rooms to its left; every file belongs to a known room."""
    here = room_of(path)
    assert here in rooms, f"room {here!r} has no place in the order; add it to ROOMS in conftest.py"
    for name in imported_modules(parsed(path), path):
        parts = name.split(".")
        if parts[0] == "evenbeat" and len(parts) > 1 and parts[1] in rooms:
            assert rooms.index(parts[1]) <= rooms.index(here), (
                f"{here} imports {name}, which lies to its right"
            )


def module_of(path: Path) -> str:
    """Return the dotted name of a file of the package."""
    return ".".join(["evenbeat", *path.relative_to(PACKAGE).with_suffix("").parts]).removesuffix(".__init__")


def files_imported(path: Path, modules: frozenset[str]) -> set[str]:
    """Return the files of the package that one imports, those inside functions included."""
    found = set()
    for node in ast.walk(parsed(path)):
        if isinstance(node, ast.Import):
            found |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom) and node.module:
            names = {f"{node.module}.{alias.name}" for alias in node.names}
            found |= names & modules if names <= modules else {node.module} | (names & modules)
    return (found & modules) - {module_of(path)}


def test_no_import_runs_in_a_circle() -> None:
    """Not even inside a function or for the type checker; the package itself loads its rooms when asked."""
    modules = frozenset(module_of(path) for path in ROOM_FILES)
    waiting = {module_of(path): files_imported(path, modules) for path in ROOM_FILES}
    while free := {name for name, imported in waiting.items() if not imported}:
        waiting = {name: imported - free for name, imported in waiting.items() if name not in free}
    while ends := waiting.keys() - {name for imported in waiting.values() for name in imported}:
        waiting = {name: imported for name, imported in waiting.items() if name not in ends}
    assert not waiting, f"these files import each other: {sorted(waiting)}"


def test_heavy_libraries_stay_in_their_rooms(source: Path) -> None:
    """Only figures, report and interactive draw; only crosscheck asks allantools; widgets are interactive."""
    allowed = {
        "matplotlib": DRAWING_ROOMS,
        "allantools": {"crosscheck"},
        "ipywidgets": {"interactive"},
        "IPython": {"interactive"},
    }
    for name in imported_modules(parsed(source), source):
        library = name.split(".")[0]
        if library in allowed:
            assert room_of(source) in allowed[library], f"{source.name} imports {name}"
        if library == "allantools":
            assert source.name == "curves.py", f"{source.name} imports allantools"


def test_library_neither_prints_nor_asserts(source: Path) -> None:
    """No print outside the command, and no assert anywhere: -O would remove it."""
    for node in ast.walk(parsed(source)):
        assert not isinstance(node, ast.Assert), f"assert in line {node.lineno}"
        if isinstance(node, ast.Call) and isinstance(node.func, ast.Name) and node.func.id == "print":
            assert room_of(source) == "command", f"print in line {node.lineno}"


def test_no_global_state_is_touched(source: Path) -> None:
    """No global random numbers, no np.seterr, no warning filters, no bare except."""
    forbidden = {"np.seterr", "numpy.seterr", "warnings.simplefilter", "warnings.filterwarnings"}
    generators = {"default_rng", "Generator", "SeedSequence", "BitGenerator", "PCG64"}
    for node in ast.walk(parsed(source)):
        if isinstance(node, ast.Attribute):
            name = ast.unparse(node)
            assert name not in forbidden, f"{name} in line {node.lineno}"
            if name.startswith(("np.random.", "numpy.random.")):
                assert name.split(".")[2] in generators, f"{name} in line {node.lineno} is global"
        if isinstance(node, ast.ExceptHandler):
            assert node.type is not None, f"bare except in line {node.lineno}"


def without_docstring(body: list[ast.stmt]) -> list[ast.stmt]:
    """Return the statements of a function after its docstring."""
    first = body[0]
    is_text = isinstance(first, ast.Expr) and isinstance(first.value, ast.Constant)
    return body[1:] if is_text and isinstance(first.value.value, str) else body


def test_functions_are_short(source: Path) -> None:
    """No function body, docstring apart, is longer than 60 lines."""
    for node in ast.walk(parsed(source)):
        if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef):
            body = without_docstring(node.body)
            length = body[-1].end_lineno - body[0].lineno + 1 if body else 0
            assert length <= LONGEST_FUNCTION, f"{node.name} has {length} lines"


def test_files_are_short(source: Path) -> None:
    """No file has more than 400 lines besides its docstrings, which are asked for."""
    tree = parsed(source)
    documented = 0
    for node in ast.walk(tree):
        if (
            isinstance(node, ast.Module | ast.ClassDef | ast.FunctionDef)
            and ast.get_docstring(node) is not None
        ):
            documented += node.body[0].end_lineno - node.body[0].lineno + 1
    length = len(source.read_text(encoding="utf-8").splitlines()) - documented
    assert length <= LONGEST_FILE, f"{source.name} has {length} lines; split it by subject"


def test_import_is_light() -> None:
    """Importing evenbeat in a fresh process brings in no drawing, table, notebook or check library."""
    heavy = (
        "matplotlib",
        "pandas",
        "IPython",
        "ipykernel",
        "jupyterlab",
        "ipywidgets",
        "allantools",
        "scipy",
    )
    script = f"import sys, evenbeat; print(*[name for name in {heavy!r} if name in sys.modules])"

    done = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, check=True)

    assert done.stdout.split() == []


def test_record_and_levels_need_no_drawing_or_tables() -> None:
    """Using the foundations (a simulated clock, its record, its text) imports no heavy library either."""
    script = (
        "import sys, evenbeat as eb\n"
        "print(eb.simulate_clock(99, interval_s=1, levels=eb.NoiseLevels(flicker_fm=1e-22), seed=1))\n"
        "heavy = ('matplotlib', 'pandas', 'IPython', 'ipywidgets', 'allantools')\n"
        "print(*[name for name in heavy if name in sys.modules], file=sys.stderr)"
    )

    done = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, check=True)

    assert done.stderr.split() == []
    assert "Record of 99 fractional frequencies" in done.stdout


def test_approx_is_relative() -> None:
    """Values of the size of a variance are told apart by the tests; see conftest.py."""
    assert pytest.approx(2e-22) != 1e-22
    assert pytest.approx([2e-22]) != [1e-22]
    assert pytest.approx(np.array([2e-22]), rel=1e-3) != np.array([1e-22])
    assert pytest.approx(2e-22) == 2e-22 * (1 + 1e-9)
