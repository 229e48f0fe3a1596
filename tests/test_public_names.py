"""The public names: they resolve, they are explained, and a misspelt one is refused."""

from __future__ import annotations

import dataclasses
import inspect

import pytest

import evenbeat


def test_names_resolve_and_are_documented() -> None:
    """Every public name can be had, and says in a docstring what it is, as do its methods and properties."""
    public = {name: getattr(evenbeat, name) for name in evenbeat.__all__ if name != "results"}
    public |= {name: getattr(evenbeat.results, name) for name in evenbeat.results.__all__}
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
    """About sixty verbs and inputs, and seven errors; the types of results have a place of their own."""
    assert len(evenbeat.__all__) <= 82
    assert not set(evenbeat.__all__) & set(evenbeat.results.__all__)


def test_names_are_listed() -> None:
    """``dir`` and ``from evenbeat import *`` know every public name."""
    assert set(evenbeat.__all__) <= set(dir(evenbeat))
    assert {"read_log", "stability", "fit_clock", "assess", "Record", "__version__"} <= set(dir(evenbeat))


def test_unknown_name_is_refused() -> None:
    """A misspelt name raises AttributeError as for any module."""
    with pytest.raises(AttributeError, match="alan_deviation"):
        _ = evenbeat.alan_deviation
