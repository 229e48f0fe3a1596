"""Plain values: what a result is in JSON, made from its declared fields. What is not known is ``None``."""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Mapping
from dataclasses import fields, is_dataclass
from functools import cache
from types import MappingProxyType
from typing import Any, ClassVar

UNLISTED: Mapping[str, object] = MappingProxyType({"listed as": ""})
"""``field(metadata=UNLISTED)``: a field that :meth:`Plain.to_dict` leaves out."""


_SIMPLE = (str, int)


def listed_as(name: str) -> Mapping[str, object]:
    """Return the ``metadata`` of a field whose name in plain values says more, such as its unit."""
    return MappingProxyType({"listed as": name})


class Plain:
    """Mixin of frozen dataclasses: ``to_dict()`` from the declared fields.

    A field may be ``UNLISTED`` or ``listed_as`` another name; ``_also`` names properties that are listed too.
    """

    _also: ClassVar[tuple[str, ...]] = ()

    def _facts(self) -> Mapping[str, object]:
        """Return names with values: the fields in order, then the properties named in ``_also``."""
        return declared(self) | {name: getattr(self, name) for name in self._also}

    def to_dict(self) -> dict[str, Any]:
        """Return plain values, ready for JSON; what is not known is ``None``."""
        return {name: plain(value) for name, value in self._facts().items()}


def declared(thing: Any) -> dict[str, object]:
    """Return the fields of a dataclass by the names they are listed as, without the ``UNLISTED`` ones."""
    return {name: getattr(thing, field) for field, name in _listed(thing.__class__).items()}


@cache
def _listed(kind: Any) -> Mapping[str, str]:
    names = {item.name: item.metadata.get("listed as", item.name) for item in fields(kind)}
    return {field: name for field, name in names.items() if name}


def plain(value: object) -> Any:
    """Return a value made of what JSON has; NaN and infinities become ``None``, a moment its ISO text.

    Raises
    ------
    TypeError
        If the value, or one within it, has no plain form: better than a text nobody can read back.
    """
    if value is None or isinstance(value, _SIMPLE):
        return value
    if isinstance(value, float):
        return value if math.isfinite(value) else None

    import numpy as np

    if isinstance(value, np.datetime64):
        return None if np.isnat(value) else str(value)
    if isinstance(value, np.ndarray | np.generic):
        return plain(value.tolist())
    if isinstance(value, dt.date):
        return value.isoformat()
    if isinstance(value, Mapping):
        return {str(key): plain(item) for key, item in value.items()}
    if isinstance(value, list | tuple):
        return [plain(item) for item in value]
    if isinstance(value, Plain):
        return value.to_dict()
    if is_dataclass(value):
        return plain(declared(value))
    msg = f"a {type(value).__name__} has no plain form"
    raise TypeError(msg)
