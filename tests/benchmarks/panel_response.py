"""Processor time until a panel has answered: every control through its range, the picture included.

Run as ``python tests/benchmarks/panel_response.py``: writes ``panel_response.md`` beside this file.
Nothing is judged.
"""

from __future__ import annotations

import os
import sys
import time
from pathlib import Path
from typing import Any

import matplotlib as mpl
import numpy as np

from evenbeat import interactive

PANELS = [name for name in interactive.__all__ if name.endswith(("explorer", "mixer", "game", "detective"))]
HEAVIEST: dict[str, dict[str, Any]] = {
    "aging_explorer": {"days": 115, "law": "logarithmic", "revealed": True},
    "gap_explorer": {"samples": 8192, "share": 0.2, "exponent": -1},
    "interval_explorer": {"adjusted": True, "tolerance": 5e-9},
    "noise_mixer": {f"{name}_on": True for name in ("white_pm", "flicker_pm", "flicker_fm")},
}
"""Settings of the other controls under which a panel has the most to do."""
MOST_VALUES = 31
PASSES = 2


def values_of(control: Any) -> list[tuple[str, Any]]:
    """Return all values of a control, each as it is written beside it."""
    if hasattr(control, "options"):
        return [option if isinstance(option, tuple) else (str(option), option) for option in control.options]
    if isinstance(control.value, bool):
        return [("on", True), ("off", False)]
    count = round((control.max - control.min) / control.step) + 1
    steps = np.unique(np.linspace(0, count - 1, min(count, MOST_VALUES)).round())
    values = (control.min + steps * control.step).tolist()
    if hasattr(control, "base"):
        values = [control.base**value for value in values]
    return [(f"{value:.3g}", value) for value in values]


def forget() -> None:
    """Empty what evenbeat remembers between calls: a second pass must find what the first one found."""
    modules = [module for name, module in sys.modules.items() if name.startswith("evenbeat.")]
    for each in (each for module in modules for each in vars(module).values()):
        if hasattr(each, "cache_clear"):
            each.cache_clear()


def moved(panel: Any, name: str) -> dict[str, float]:
    """Move a control from value to value and back, and return the milliseconds that each change took."""
    control = panel.controls[name]
    start = {each: panel.controls[each].value for each in panel.controls}
    milliseconds = {}
    for words, value in values_of(control):
        if value == control.value:
            continue
        begun = time.process_time()
        control.value = value
        milliseconds[words] = 1e3 * (time.process_time() - begun)
    panel.set(**start)
    return milliseconds


def measured(panel_name: str, settings: dict[str, Any]) -> dict[str, dict[str, float]]:
    """Return for every control the milliseconds of each change, the lesser of all passes."""
    passes = []
    for _ in range(PASSES):
        panel = getattr(interactive, panel_name)()
        panel.set(**settings)
        panel.refresh()
        forget()
        passes.append({name: moved(panel, name) for name in panel.controls})
    return {
        name: {words: min(each[name][words] for each in passes) for words in passes[0][name]}
        for name in passes[0]
    }


def cells(milliseconds: dict[str, float]) -> str:
    """Return median, worst and where the worst change led, as cells of a table."""
    times = list(milliseconds.values())
    return f"{np.median(times):.0f} | {max(times):.0f} | {max(milliseconds, key=milliseconds.__getitem__)}"


def main() -> None:
    """Measure and write the page."""
    mpl.use("Agg")
    lines = [
        "# How soon the panels answer",
        "",
        "Processor time from a change of one control until words and picture are there, in milliseconds.",
        f"Each control goes through its values (long sliders through {MOST_VALUES} of them, evenly), the",
        "others as the panel begins and then as it has most to do. Of each change the lesser of two passes:",
        "other work on the machine only adds. A second pass remembers nothing of the first.",
        f"One process on {os.cpu_count()} cores. Written by `panel_response.py`.",
        "",
        "| panel | control | changes | median | worst | at | most to do: median | worst | at |",
        "|---|---|---|---|---|---|---|---|---|",
    ]
    slowest = 0.0
    for panel_name in PANELS:
        usual = measured(panel_name, {})
        heavy = measured(panel_name, HEAVIEST[panel_name]) if panel_name in HEAVIEST else {}
        for name, found in usual.items():
            more = cells(heavy[name]) if heavy else "| |"
            lines.append(f"| {panel_name} | `{name}` | {len(found)} | {cells(found)} | {more} |")
            slowest = max(slowest, *found.values(), *heavy.get(name, {}).values())
            print(lines[-1], flush=True)
    settings = "; ".join(
        f"{panel}: {', '.join(f'`{name}` {value}' for name, value in chosen.items())}"
        for panel, chosen in HEAVIEST.items()
    )
    lines += ["", f"The slowest change of all took {slowest:.0f} ms.", "", f"Most to do: {settings}.", ""]
    Path(__file__).with_suffix(".md").write_text("\n".join(lines), encoding="utf-8")


if __name__ == "__main__":
    main()
