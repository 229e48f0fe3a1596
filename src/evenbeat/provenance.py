"""Where a record came from and what was done to it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path

from evenbeat.plain import UNLISTED, Plain


@dataclass(frozen=True, kw_only=True)
class Treatment:
    """One entry of a record's history: which function was applied with which arguments."""

    operation: str
    arguments: Mapping[str, object] = field(default_factory=dict)

    def __str__(self) -> str:
        return f"{self.operation}({', '.join(f'{key}={value}' for key, value in self.arguments.items())})"


@dataclass(frozen=True, kw_only=True)
class Source(Plain):
    """The file a record came from, with the hash of its bytes as they were read.

    Parameters
    ----------
    parts
        The files of a record that was made from several; ``sha256`` is then that of their hashes.
    """

    path: str = field(metadata=UNLISTED)
    sha256: str
    size_bytes: int
    rows: int
    parts: tuple[Source, ...] = ()

    _also = ("name",)

    @property
    def name(self) -> str:
        """File name without its folder, which is nobody's business and stays out of plain values."""
        return Path(self.path).name


@dataclass(frozen=True, kw_only=True)
class CheckOutcome(Plain):
    """What one check of a record looked at, what it found, and what is to be done about it.

    Parameters
    ----------
    check
        Name of the check, as :func:`evenbeat.condition` takes it in ``leave_out``.
    looked_at
        What was looked at, such as ``'600 stamps'``; where nothing was, why.
    looked
        Whether the check was made at all.
    found
        Number of events.
    set_aside
        Number of samples that analyses leave out because of it.
    where
        The first places, or how the events lie; empty where nothing was found.
    advice
        What to do about it; empty where nothing is to be done.
    """

    check: str
    looked_at: str
    looked: bool = True
    found: int = 0
    set_aside: int = 0
    where: str = ""
    advice: str = ""
