"""What every lesson has: a sentence that says what is seen, and the call that gives the same numbers."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, eq=False, kw_only=True)
class Lesson:
    """The result of one setting of a panel.

    Attributes
    ----------
    sentence
        What there is to see, in words.
    call
        Python that computes the same without the panel, ready to be copied.
    """

    sentence: str
    call: str


def call_text(function: str, *positional: str, **keywords: object) -> str:
    """Return a call as it is written, long ones with one argument a line.

    Numbers are written so that they come back to the bit.
    """
    arguments = [*positional, *(f"{name}={_written(value)}" for name, value in keywords.items())]
    line = f"{function}({', '.join(arguments)})"
    if len(line) <= 88:
        return line
    lines = "".join(f"    {argument},\n" for argument in arguments)
    return f"{function}(\n{lines})"


class Code(str):
    """A piece of Python that is written into a call as it stands."""

    __slots__ = ()


def _written(value: object) -> str:
    return str(value) if isinstance(value, Code) else repr(value)
