"""The public names: they resolve, they are explained, and they stand in the order in which data flows."""

from __future__ import annotations

import dataclasses
import importlib
import inspect
import pkgutil

import pytest

import evenbeat

MODULES = sorted(
    module.name
    for module in pkgutil.walk_packages(evenbeat.__path__, "evenbeat.")
    if "__main__" not in module.name
)


@pytest.mark.parametrize("name", evenbeat.__all__)
def test_name_resolves_and_is_documented(name: str) -> None:
    """A public name can be had and says in a docstring what it is."""
    thing = getattr(evenbeat, name)

    assert callable(thing)
    documentation = inspect.getdoc(thing)
    assert documentation
    assert documentation.split("\n")[0].rstrip().endswith((".", ":", "…"))


@pytest.mark.parametrize("name", evenbeat.__all__)
def test_public_methods_are_documented(name: str) -> None:
    """Every public method and property of a public class says what it gives."""
    thing = getattr(evenbeat, name)
    if not inspect.isclass(thing):
        return
    fields = {field.name for field in dataclasses.fields(thing)} if dataclasses.is_dataclass(thing) else set()
    members = {
        key: member
        for key, member in vars(thing).items()
        if not key.startswith("_") and key not in fields and (callable(member) or hasattr(member, "__get__"))
    }
    undocumented = [key for key, member in members.items() if not inspect.getdoc(member)]
    assert undocumented == []


def test_names_stand_in_flow_order(rooms: tuple[str, ...]) -> None:
    """``__all__`` follows the rooms from errors to report, so that reading it tells the flow."""
    homes = [evenbeat._HOMES[name].split(".")[0] for name in evenbeat.__all__]
    places = [rooms.index(home) for home in homes]

    assert places == sorted(places), [
        f"{name} ({home})" for name, home in zip(evenbeat.__all__, homes, strict=True)
    ]


def test_names_are_unique_and_listed() -> None:
    """No name is given twice, and ``dir`` lists every one."""
    assert len(set(evenbeat.__all__)) == len(evenbeat.__all__)
    assert set(evenbeat.__all__) <= set(dir(evenbeat))


def test_unknown_name_is_refused() -> None:
    """A misspelt name raises AttributeError as for any module."""
    with pytest.raises(AttributeError, match="no attribute 'alan_deviation'"):
        _ = evenbeat.alan_deviation


@pytest.mark.parametrize("name", ["evenbeat", *MODULES])
def test_module_has_a_docstring(name: str) -> None:
    """Every file says in its first line what it is about."""
    documentation = importlib.import_module(name).__doc__

    assert documentation
    assert documentation.strip()
