"""Controls of one look: a name with its unit, wide enough to be read, an answer on every step of a key."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import ipywidgets as widgets

_NAME = {"description_width": "17em"}
_WIDE = "33em"


def _sliding() -> dict[str, Any]:
    """Return what all sliders share: they answer when let go, and are wide enough for their name."""
    return {"continuous_update": False, "style": _NAME, "layout": {"width": _WIDE}}


def slider(
    name: str, value: float, low: float, high: float, *, step: float, form: str = ".3g"
) -> widgets.Widget:
    """Return a slider on a linear scale; the name carries the unit."""
    return widgets.FloatSlider(
        value=value,
        min=low,
        max=high,
        step=step,
        description=name,
        readout_format=form,
        **_sliding(),
    )


def whole_slider(name: str, value: int, low: int, high: int, *, step: int = 1) -> widgets.Widget:
    """Return a slider of whole numbers."""
    return widgets.IntSlider(
        value=value,
        min=low,
        max=high,
        step=step,
        description=name,
        **_sliding(),
    )


def decades(name: str, value: float, low: int, high: int, *, per_decade: int = 10) -> widgets.Widget:
    """Return a slider on a logarithmic scale from 10**low to 10**high."""
    return widgets.FloatLogSlider(
        value=value,
        base=10,
        min=low,
        max=high,
        step=1 / per_decade,
        description=name,
        readout_format=".2g",
        **_sliding(),
    )


def choice(name: str, options: Sequence[tuple[str, object]], value: object) -> widgets.Widget:
    """Return a list to choose from."""
    return widgets.Dropdown(
        options=list(options), value=value, description=name, style=_NAME, layout={"width": _WIDE}
    )


def tick(name: str, *, value: bool = False, width: str = "auto") -> widgets.Widget:
    """Return a box to tick."""
    return widgets.Checkbox(value=value, description=name, indent=False, layout={"width": width})


def button(name: str, hint: str) -> widgets.Button:
    """Return a button."""
    return widgets.Button(description=name, tooltip=hint, layout={"width": "auto"})


def steps(name: str, options: Sequence[tuple[str, object]], value: object) -> widgets.Widget:
    """Return a slider over a few values, each written with its unit."""
    return widgets.SelectionSlider(
        options=list(options),
        value=value,
        description=name,
        **_sliding(),
    )
