"""What every test may use: the folders of data, closed figures, and how hypothesis searches."""

from __future__ import annotations

import importlib.util
import os
import sys
from collections import Counter
from collections.abc import Iterator
from pathlib import Path

import pytest
from hypothesis import settings

os.environ.setdefault("OMP_NUM_THREADS", "1")  # the cores are taken by the tests that run side by side
CHECKOUT = Path(__file__).resolve().parents[1]
settings.register_profile("here", deadline=None)
settings.register_profile("ci", deadline=None, derandomize=True, print_blob=True)
settings.load_profile("ci" if os.environ.get("CI") else "here")


def pytest_configure() -> None:
    """Refuse to test an installed copy, in which a change of this checkout would go unnoticed."""
    found = importlib.util.find_spec("evenbeat")
    source = CHECKOUT / "src"
    if found is None or not Path(str(found.origin)).resolve().is_relative_to(source):
        where = "nowhere" if found is None else f"in {found.origin}"
        msg = (
            f"the tests are those of {source}, but {sys.executable} finds evenbeat {where}; "
            f'in {CHECKOUT} run pip install -e ".[test]"'
        )
        raise pytest.UsageError(msg)


@pytest.hookimpl(tryfirst=True)
def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Leave most cases of a grid to the slow run; those that stay are spread evenly over it."""
    cases = Counter[str]()
    for item in items:
        grid = item.get_closest_marker("grid")
        name = item.nodeid.partition("[")[0]
        if grid is not None and cases[name] % grid.args[0]:
            item.add_marker(pytest.mark.slow)
        cases[name] += 1


# Variances here are near 1e-22: with the usual absolute tolerance of 1e-12 every comparison of them
# would pass. Without one, approx is relative; tests/test_architecture.py proves that this is in force.
type(pytest.approx(1.0)).DEFAULT_ABSOLUTE_TOLERANCE = 0.0


@pytest.fixture(autouse=True, scope="session")
def _state_of_its_own(tmp_path_factory: pytest.TempPathFactory) -> Iterator[None]:
    """Keep the heads of registers in a folder of the tests, never in that of the account."""
    former = os.environ.get("EVENBEAT_STATE")
    os.environ["EVENBEAT_STATE"] = str(tmp_path_factory.mktemp("state"))
    yield
    if former is None:
        del os.environ["EVENBEAT_STATE"]
    else:
        os.environ["EVENBEAT_STATE"] = former


@pytest.fixture(scope="session")
def open_data() -> Path:
    """Return the folder of openly licensed measurements, or skip where it is absent."""
    stated = os.environ.get("EVENBEAT_OPEN_DATA")
    folder = Path(stated) if stated else CHECKOUT.parent / "shared" / "open-data"
    if not folder.is_dir():
        pytest.skip("the open data are not here; name their folder in EVENBEAT_OPEN_DATA")
    return folder


@pytest.fixture(scope="session")
def field_logs() -> Path:
    """Return the folder of logs as bench counters write them, or skip where it is absent."""
    stated = os.environ.get("EVENBEAT_FIELD_LOGS")
    folder = Path(stated) if stated else CHECKOUT.parent / "shared" / "field-logs"
    if not folder.is_dir():
        pytest.skip("the field logs are not here; name their folder in EVENBEAT_FIELD_LOGS")
    return folder


@pytest.fixture(scope="session")
def demo_data() -> Path:
    """Return the folder of the invented demonstration data."""
    return CHECKOUT / "data"


@pytest.fixture(autouse=True)
def _figures_closed() -> Iterator[None]:
    """Close what a test drew, without importing a drawing library into tests that draw nothing."""
    yield
    pyplot = sys.modules.get("matplotlib.pyplot")
    if pyplot is not None:
        pyplot.close("all")
