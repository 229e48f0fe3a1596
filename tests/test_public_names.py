"""The public names: they resolve, they are explained, and a misspelt one is refused."""

from __future__ import annotations

import dataclasses
import doctest
import inspect
import io
import re

import pytest

import evenbeat
from evenbeat import reference


def test_names_resolve_and_are_documented() -> None:
    """Every public name can be had, and says in a docstring what it is, as do its methods and properties."""
    public = {name: getattr(evenbeat, name) for name in evenbeat.__all__}
    rooms = {name: thing for name, thing in public.items() if inspect.ismodule(thing)}
    assert set(rooms) == {"calibration", "errors", "register", "results"}
    for room in (evenbeat.calibration, evenbeat.register, evenbeat.results):
        public |= {name: getattr(room, name) for name in room.__all__}
    for name in rooms:
        assert public.pop(name).__doc__
    for name, thing in public.items():
        assert callable(thing), name
        documentation = inspect.getdoc(thing)
        assert documentation, name
        assert documentation.split("\n")[0].rstrip().endswith((".", ":", "…")), name
        if inspect.isclass(thing):
            assert undocumented(thing) == [], name


def undocumented(thing: type) -> list[str]:
    """Return the public methods and properties of a class that have no docstring."""
    declared = (
        {field.name for field in dataclasses.fields(thing)} if dataclasses.is_dataclass(thing) else set()
    )
    return [
        key
        for key, member in vars(thing).items()
        if not key.startswith("_")
        and key not in declared
        and (callable(member) or hasattr(member, "__get__"))
        and not inspect.getdoc(member)
    ]


def test_a_beginner_can_hold_the_names_in_the_head() -> None:
    """About sixty verbs and inputs; the rest has rooms."""
    assert len(evenbeat.__all__) <= 63
    assert not set(evenbeat.__all__) & set(evenbeat.results.__all__)


FUNCTIONS = reference.public_functions()
TAKES_SECONDS = ("assess", "backtest")
NOTHING_TO_REFUSE = ("limit_lines", "register.realised_reliability")


@pytest.mark.parametrize("name", FUNCTIONS)
def test_help_says_what_goes_in_and_comes_out(name: str) -> None:
    """``help`` of a verb has every parameter, what is returned, what is raised, and an example."""
    text = inspect.getdoc(FUNCTIONS[name]) or ""
    parts = dict(re.findall(r"^(\w+)\n-+\n(.*?)(?=\n\n\w+\n--|\Z)", text, re.MULTILINE | re.DOTALL))

    said = {
        word
        for line in re.findall(r"^\S.*$", parts.get("Parameters", ""), re.MULTILINE)
        for word in re.findall(r"\w+", line)
    }
    assert set(inspect.signature(FUNCTIONS[name]).parameters) - said == set()
    assert {"Returns", "Raises"} <= set(parts) or name in NOTHING_TO_REFUSE
    assert ">>>" in parts["Examples"]


@pytest.mark.grid(3)
@pytest.mark.parametrize(
    "name",
    [pytest.param(name, marks=pytest.mark.slow if name in TAKES_SECONDS else ()) for name in FUNCTIONS],
)
def test_the_example_of_a_verb_runs(name: str) -> None:
    """What ``help`` shows is what a reader gets."""
    failed = io.StringIO()
    for example in doctest.DocTestFinder(recurse=False).find(FUNCTIONS[name], name):
        doctest.DocTestRunner().run(example, out=failed.write)
    assert failed.getvalue() == ""


def test_names_are_listed() -> None:
    """``dir`` and ``from evenbeat import *`` know every public name."""
    assert set(evenbeat.__all__) <= set(dir(evenbeat))
    assert {"read_log", "stability", "fit_clock", "assess", "Record", "__version__"} <= set(dir(evenbeat))


def test_unknown_name_is_refused() -> None:
    """A misspelt name raises AttributeError as for any module."""
    with pytest.raises(AttributeError, match="alan_deviation"):
        _ = evenbeat.alan_deviation
