"""Components that run in the browser alone: they answer without the kernel, also in a page saved as HTML."""

from __future__ import annotations

from collections.abc import Sequence
from importlib.resources import files
from typing import Any

import anywidget
import traitlets

from evenbeat.lessons.allan_ruler import five_clocks, under_the_ruler
from evenbeat.lessons.interval_wall import NOISES, SAMPLES, SHARES, WINDOW, wall_of_intervals
from evenbeat.lessons.own_curve import STARTS, ingredients, levels_of
from evenbeat.powerlaw import NoiseLevels
from evenbeat.record import Record

MOST_UPLOADED = 200_000_000
"""The largest file that is uploaded; a larger one is read from where it lies."""


def client(*names: str) -> str:
    """Return files that run in the browser, one after the other."""
    folder = files("evenbeat.interactive") / "client"
    return "\n".join((folder / name).read_text(encoding="utf-8") for name in names)


class AllanRuler(anywidget.AnyWidget):
    """Two windows that slide over a clock.

    Attributes
    ----------
    clocks
        Name, readings, lengths of windows and the library's deviation of each clock.
    """

    _esm = client("shared.js", "allan_ruler.js")
    _css = client("components.css")
    clocks: traitlets.List[Any] = traitlets.List().tag(sync=True)


class IntervalWall(anywidget.AnyWidget):
    """A hundred intervals beside a hundred naive ones.

    Attributes
    ----------
    walls
        Of each noise, length and share of missing readings: estimates over the truth, and limits over
        the estimate.
    averaging_time_s
        At which all of them are computed.
    """

    _esm = client("shared.js", "interval_wall.js")
    _css = client("components.css")
    walls: traitlets.List[Any] = traitlets.List().tag(sync=True)
    averaging_time_s = traitlets.Float().tag(sync=True)


class OwnCurve(anywidget.AnyWidget):
    """An Allan deviation to be drawn, and the clock that has it.

    Attributes
    ----------
    ingredients
        Five noises of unit size: shapes, a few simulated clocks of each, sketches to begin with.
    deviations
        Of the clock that is shown: Allan deviation of each noise at one hour.
    """

    _esm = client("shared.js", "own_curve.js")
    _css = client("components.css")
    ingredients: traitlets.Dict[str, Any] = traitlets.Dict().tag(sync=True)
    deviations: traitlets.Dict[str, float] = traitlets.Dict().tag(sync=True)

    @property
    def levels(self) -> NoiseLevels:
        """The noise levels of the clock that is shown, for :func:`evenbeat.simulate_clock` and others."""
        return levels_of(self.deviations)


class LogUpload(anywidget.AnyWidget):
    """A file of the reader's own, which comes in parts; the browser refuses one that is too large, in words.

    Attributes
    ----------
    most_bytes
        The largest file that is taken.
    value
        Nothing, or one file: its ``name`` and ``content``.
    """

    _esm = client("upload.js")
    most_bytes = traitlets.Int(MOST_UPLOADED).tag(sync=True)
    value = traitlets.Tuple()

    def __init__(self) -> None:
        super().__init__()
        self._parts = bytearray()
        self.on_msg(self._part)

    def _part(self, _widget: object, told: dict[str, Any], buffers: Sequence[memoryview]) -> None:
        if told["at"] == 0:
            self.value, self._parts = (), bytearray()
        self._parts += buffers[0]
        if len(self._parts) >= told["size"]:
            self.value = ({"name": told["name"], "content": bytes(self._parts)},)
            self._parts = bytearray()
        self.send({"have": told["at"] + len(buffers[0])})


def allan_ruler(record: Record | None = None, *, name: str = "your log", seed: int = 1) -> AllanRuler:
    """Return the Allan ruler: two neighbouring windows slide over y(t), and σ_y(τ) grows dot by dot.

    Parameters
    ----------
    record
        A record of your own, put before the five simulated noises; a long one is averaged to 600 readings.
    name
        What it is called.
    seed
        Of the five clocks.

    Raises
    ------
    InputError
        If the record is too short or has no grid.
    """
    own = [] if record is None else [under_the_ruler(record, name)]
    return AllanRuler(clocks=[clock.plain() for clock in (*own, *five_clocks(seed))])


def interval_wall(*, seed: int = 1) -> IntervalWall:
    """Return the wall of intervals: how many of a hundred error bars hold the truth, naive ones beside ours.

    Parameters
    ----------
    seed
        Of the clocks and of the gaps.
    """
    walls = [
        wall_of_intervals(exponent, samples, share, seed=seed)
        for exponent in NOISES
        for samples in SAMPLES
        for share in SHARES
    ]
    return IntervalWall(walls=[wall.plain() for wall in walls], averaging_time_s=float(WINDOW))


def own_curve(*, seed: int = 1) -> OwnCurve:
    """Return a picture to draw an Allan deviation into: the clock that has it and what it is good for follow.

    Its ``levels`` are those of the clock that is shown, so that ``eb.simulate_clock(1000, interval_s=3600.0,
    levels=drawn.levels, seed=1)`` makes a record of it.

    Parameters
    ----------
    seed
        Of the simulated clocks.
    """
    return OwnCurve(ingredients=ingredients(seed), deviations=dict(next(iter(STARTS.values()))))
