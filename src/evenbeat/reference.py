"""Reference text made from the code itself: methods with their sources and tests, terms, how to cite.

Every public function has a section ``References`` in its docstring, with lines ``Formula:``, ``Source:`` and
``Tests:``; the tables here are read from there, so that they cannot disagree with what runs.
"""

from __future__ import annotations

import html
import inspect
import re
from collections.abc import Callable
from importlib import import_module
from typing import TYPE_CHECKING, Any

from evenbeat.deviations.statistics import STATISTICS

if TYPE_CHECKING:
    import pandas as pd
    from pandas.io.formats.style import Styler

ROOMS = ("calibration", "register")
"""Rooms with verbs of their own, beside those of ``evenbeat`` itself."""
KEYS = ("Formula", "Source", "Tests")
_WIDEST, _MARGIN = 45, 4  # characters; longer cells are wrapped
_LINE = re.compile(rf"^({'|'.join(KEYS)}): (.+)$")

TERMS: dict[str, tuple[str, str]] = {
    "fractional frequency": ("1", "y = (f - nominal)/nominal; positive means fast"),
    "time error": ("s", "what a clock has gained, x; its rate of change is y; also called phase"),
    "reference": ("", "what the device under test is compared with"),
    "gate": ("s", "time during which a counter measures one reading"),
    "dead time": ("s", "time between two gates during which nothing is measured"),
    "interval": ("s", "spacing of the readings of a record; in calibration, time until the next one"),
    "record": ("", "readings on an even grid or at their own times; missing and flagged ones stay in place"),
    "finding": ("", "one thing to know about a record or a result, in a sentence"),
    "averaging time": ("s", "τ, over which readings are averaged before neighbours are compared"),
    "averaging factor": ("1", "m, averaging time over interval"),
    "Allan deviation": ("1", "root of half the mean square of the change between neighbouring averages"),
    "modified Allan deviation": (
        "1",
        "Allan deviation of time errors averaged over τ; tells PM noises apart",
    ),
    "time deviation": ("s", "τ/√3 times the modified Allan deviation"),
    "Hadamard deviation": ("1", "compares three neighbouring averages; blind to steady drift"),
    "MTIE": ("s", "maximum time interval error: largest movement of time error within a window"),
    "white PM": ("s³", "independent errors of time; S_y = h₊₂ f²"),
    "flicker PM": ("s²", "time errors with a memory; S_y = h₊₁ f"),
    "white FM": ("s", "independent errors of frequency; S_y = h₀"),
    "flicker FM": ("1", "frequency with a memory; S_y = h₋₁/f; no averaging helps"),
    "random-walk FM": ("1/s", "independent changes of frequency; S_y = h₋₂/f²"),
    "equivalent degrees of freedom": ("1", "edf: independent squares that would scatter as much"),
    "95 % interval": ("", "limits that hold the truth in 95 of 100 cases"),
    "standard uncertainty": (
        "",
        "standard deviation of what a value is believed to be; in brackets: 1.23(45)",
    ),
    "expanded uncertainty": ("", "U = k u, usually with k = 2"),
    "aging": ("1/day", "slow change of frequency by itself, other influences apart"),
    "drift": ("1/s", "change of frequency with time whatever its cause"),
    "lag": ("s", "time constant by which an oscillator follows its environment"),
    "retrace": ("1", "change of frequency left by an interruption of power"),
    "holdover": ("", "a clock going on by itself after its reference is gone"),
    "tolerance": ("1", "limits of the fractional offset"),
    "reliability": ("1", "probability of being within tolerance"),
    "guard band": ("1", "held back from a tolerance for the sake of uncertainty"),
    "setpoint": ("1", "offset at which an oscillator is left, against its drift"),
    "as found, as left": ("1", "offset before and after a calibration or adjustment"),
    "decision rule": ("", "how uncertainty counts when a value is called in or out of tolerance"),
    "timebase": ("", "the oscillator that a counter measures with"),
}
"""Term to unit (empty where it has none, 1 for a ratio) and meaning."""


def methods() -> pd.DataFrame:
    """Return one row for every public function, by the name it is called by.

    Returns
    -------
    DataFrame
        Columns ``function``, ``gives``, ``formula``, ``source`` and ``tests``, in the order in which data
        flow; read from the docstrings.
    """
    import pandas as pd

    rows = []
    for name, function in public_functions().items():
        text = inspect.getdoc(function) or ""
        first = text.split("\n\n")[0].replace("\n", " ").replace("``", "").strip().removeprefix("Return ")
        rows.append((name, first[:1].upper() + first[1:], *references_of(text)))
    return pd.DataFrame(rows, columns=["function", "gives", "formula", "source", "tests"])


def public_functions() -> dict[str, Callable[..., Any]]:
    """Return every public function by the name it is called by, those of a room as ``room.function``."""
    found: dict[str, Any] = {}
    for room in ("", *ROOMS):
        module = import_module(f"evenbeat.{room}".rstrip("."))
        found |= {f"{room}.{name}".lstrip("."): getattr(module, name) for name in module.__all__}
    return {name: thing for name, thing in found.items() if inspect.isfunction(thing)}


def references_of(docstring: str) -> tuple[str, str, str]:
    """Return formula, source and tests of a section ``References``; empty where a line is not there."""
    found = dict.fromkeys(KEYS, "")
    _, heading, section = docstring.partition("References\n----------\n")
    key = ""
    for line in section.split("\n\n")[0].splitlines() if heading else []:
        begun = _LINE.match(line)
        if begun:
            key, found[begun[1]] = begun[1], begun[2].strip()
        elif key:
            found[key] += f" {line.strip()}"
    return found["Formula"], found["Source"], found["Tests"]


def statistics() -> pd.DataFrame:
    """Return one row for every statistic of :func:`evenbeat.stability`: name, title, symbol, unit, source."""
    import pandas as pd

    rows = [(s.name, s.title, s.symbol, s.unit or "1", s.source) for s in STATISTICS.values()]
    return pd.DataFrame(rows, columns=["statistic", "title", "symbol", "unit", "source"])


def glossary() -> pd.DataFrame:
    """Return the terms with their units and meanings, by alphabet."""
    import pandas as pd

    rows = [(term, *TERMS[term]) for term in sorted(TERMS, key=str.lower)]
    return pd.DataFrame(rows, columns=["term", "unit", "meaning"])


def shown(table: pd.DataFrame) -> Styler:
    """Return a table of words for a notebook: from the left, wrapped, as wide as the page.

    Parameters
    ----------
    table
        One of the tables above; the width of a column follows the text in it.
    """
    words = {name: max(len(name), *table[name].str.len()) for name in table.columns}
    widths = {name: min(count, _WIDEST) + _MARGIN for name, count in words.items()}
    styles: list[Any] = [
        {"selector": "", "props": "width: 100%; table-layout: fixed"},
        {"selector": "th, td", "props": "text-align: left; vertical-align: top; overflow-wrap: anywhere"},
    ]
    for place, width in enumerate(widths.values()):
        share = f"width: {100 * width / sum(widths.values()):.1f}%"
        styles.append({"selector": f"th.col{place}", "props": share})
    return table.style.hide(axis="index").set_table_styles(styles).format(_breakable)


def _breakable(cell: object) -> str:
    """Return a cell in HTML whose long names may break where their words do; what is copied stays whole."""
    return re.sub(r"(?<=[_/])", "<wbr>", html.escape(str(cell)))


def citation() -> str:
    """Return how to cite this version in a paper or a report."""
    version = import_module("evenbeat").__version__
    return (
        f"evenbeat contributors, evenbeat {version}: stability, aging, holdover and calibration intervals of "
        f"timebases, Python package, version {version}. State the version, the aging laws and the prior in "
        "use, and the SHA-256 of every log."
    )
