"""Every number that was frozen comes out again; ``make_oracle.py`` says how a case is frozen anew."""

from __future__ import annotations

import json
import math
from collections.abc import Iterator
from fnmatch import fnmatch
from typing import Any, NamedTuple

import pytest
from make_oracle import NUMBERS, computed
from oracle_cases import CASES

RELATIVE = 1e-6
SMALL = 1e-6
"""Numbers below this share of the largest of their array, and probabilities below it, are compared as if they
were as large as that."""
SHOWN = 10
SEARCH = "a search that stops at its own tolerance"
SAME = "readings all the same: rounding alone"
EXACT = "an exact reading at its own moment: the root of what rounding leaves of 0"
LOOSER: tuple[tuple[str, str, float, str], ...] = (
    (
        "*",
        "*/ranked_probability_score",
        1e-3,
        "a quadrature to 1e-6 of the width: moves with the version of scipy",
    ),
    (
        "*",
        "*/frequency_within/standard_uncertainty*",
        0.5,
        "without noise at the moment asked: rounding, and moves with the version of numpy",
    ),
    ("open-second-interval-errors", "/clock/frequency_within/standard_uncertainty[[]0]", math.inf, EXACT),
    (
        "*",
        "*/noise_levels/*",
        1e-5,
        "a search that stops at its own tolerance: moves with the version of numpy",
    ),
    ("at-length-reliability", "/fits/restricted_walk/*", 10.0, "the likelihood is flat in one parameter"),
    ("demo-fulmar-evening", "/spectrum/*", math.inf, SAME),
    ("field-n32768", "/spectrum/*", math.inf, SAME),
)
"""Case, path, relative tolerance (infinite: not compared), and why it is not reproducible to the usual one.

Found by other kernels of linear algebra (``OPENBLAS_CORETYPE``); the number of threads changes nothing.
"""


class Difference(NamedTuple):
    """One number that is not what it was."""

    size: float
    path: str
    stored: Any
    found: Any

    def __str__(self) -> str:
        size = "not comparable" if math.isinf(self.size) else f"relative difference {self.size:.2g}"
        return f"{self.path}: stored {self.stored!r}, found {self.found!r} ({size})"


def leaves(value: Any) -> Iterator[Any]:
    """Yield the single values of a nested list."""
    if isinstance(value, list):
        for each in value:
            yield from leaves(each)
    else:
        yield value


def largest(value: Any) -> float:
    """Return the size of the largest finite number of a nested list."""
    numbers = (abs(each) for each in leaves(value) if isinstance(each, float))
    return max((each for each in numbers if math.isfinite(each)), default=0.0)


def differences(stored: Any, found: Any, path: str = "", scale: float = 0.0) -> Iterator[Difference]:
    """Yield what differs, with its path; numbers by how much of themselves, everything else as infinity."""
    if isinstance(stored, dict) and isinstance(found, dict):
        for key in sorted(stored.keys() | found.keys()):
            inside = f"{path}/{key}"
            if key not in stored or key not in found:
                yield Difference(math.inf, inside, stored.get(key, "absent"), found.get(key, "absent"))
            else:
                yield from differences(stored[key], found[key], inside)
    elif isinstance(stored, list) and isinstance(found, list) and len(stored) == len(found):
        scale = scale or max(largest(stored), largest(found), float("probability" in path))
        for index, pair in enumerate(zip(stored, found, strict=True)):
            yield from differences(*pair, f"{path}[{index}]", scale)
    elif isinstance(found, float) and isinstance(stored, int | float) and not isinstance(stored, bool):
        scale = scale or float("probability" in path)
        if stored != found and not (math.isnan(stored) and math.isnan(found)):
            size = abs(found - stored) / max(abs(stored), SMALL * scale) if stored or scale else math.inf
            yield Difference(math.inf if math.isnan(size) else size, path, stored, found)
    elif type(stored) is not type(found) or stored != found:
        yield Difference(math.inf, path, stored, found)


def allowed(name: str, path: str) -> float:
    """Return the relative tolerance of a number."""
    return max(
        [RELATIVE, *(each for case, part, each, _ in LOOSER if fnmatch(name, case) and fnmatch(path, part))]
    )


QUICK = (
    "simulated-white-fm-phase",
    "simulated-8-phases",
    "simulated-display-that-stands",
    "noise-levels",
    "limits",
    "separation",
    "histories",
    "decisions",
    "readings",
    "fleet",
    "counter-check",
    "kittiwake-history",
    "open-found-states",
    "field-03-thousands",
    "field-10-hand",
    "field-17-phase-step",
)
"""One or two of every kind that take about a second: the fast run. The slow one has all."""


@pytest.mark.parametrize(
    "name", [pytest.param(name, marks=() if name in QUICK else pytest.mark.slow) for name in CASES]
)
def test_numbers_are_what_they_were(name: str, request: pytest.FixtureRequest) -> None:
    """Numbers to 1e-6 of themselves, counts, codes and names exactly."""
    folder = request.getfixturevalue(CASES[name].needs)
    stored = json.loads((NUMBERS / f"{name}.json").read_text(encoding="utf-8"))

    moved = [
        each for each in differences(stored, computed(name, folder)) if each.size > allowed(name, each.path)
    ]

    worst = sorted(moved, key=lambda each: -each.size)[:SHOWN]
    assert not moved, "\n  ".join([f"{len(moved)} numbers of {name} moved; the worst:", *map(str, worst)])


def test_every_case_is_frozen() -> None:
    """One file for each case, and none besides."""
    assert {path.stem for path in NUMBERS.iterdir()} == set(CASES)


@pytest.mark.parametrize(
    ("stored", "found", "said"),
    [
        ({"a": 1.0}, {"a": 1.0 + 2e-6}, ["/a: stored 1.0, found 1.000002 (relative difference 2e-06)"]),
        ({"a": {"b": 3}}, {"a": {"b": 4}}, ["/a/b: stored 3, found 4 (not comparable)"]),
        ({"a": ["in", 2]}, {"a": ["out", 2]}, ["/a[0]: stored 'in', found 'out' (not comparable)"]),
        ({"a": 1}, {"b": 1}, ["/a: stored 1, found 'absent'", "/b: stored 'absent', found 1"]),
        ({"a": [1.0, math.nan]}, {"a": [1.0, 2.0]}, ["/a[1]: stored nan, found 2.0 (not comparable)"]),
        ({"a": [1e-22, 2e-22]}, {"a": [1e-22, 3e-22]}, ["/a[1]: stored 2e-22, found 3e-22"]),
        ({"a": 0}, {"a": 1e-30}, ["/a: stored 0, found 1e-30 (not comparable)"]),
        ({"a": [1.0]}, {"a": [1.0, 2.0]}, ["/a: stored [1.0], found [1.0, 2.0] (not comparable)"]),
        ({"a": True}, {"a": 1.0}, ["/a: stored True, found 1.0 (not comparable)"]),
        ({"a": [math.nan, 1, math.inf]}, {"a": [math.nan, 1.0, math.inf]}, []),
        ({"a": [1e-9, [0.0, 1e-22]]}, {"a": [1e-9, [1e-22, 0.0]]}, []),
        ({"probability": [-1e-16, 1e-11]}, {"probability": [0.0, 1.001e-11]}, []),
        ({"probability": 1e-5}, {"probability": 1.1e-5}, ["/probability: stored 1e-05, found 1.1e-05"]),
    ],
)
def test_what_moved_is_named(stored: Any, found: Any, said: list[str]) -> None:
    """The comparison sees what it should, and nothing else."""
    moved = [str(each) for each in differences(stored, found) if each.size > RELATIVE]

    assert len(moved) == len(said)
    assert all(one.startswith(start) for one, start in zip(moved, said, strict=True))
