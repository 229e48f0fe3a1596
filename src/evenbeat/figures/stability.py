"""Stability deviations against averaging time with their intervals, noise types and display floor."""

from __future__ import annotations

import math
import textwrap
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from evenbeat.deviations.curve import StabilityCurve
from evenbeat.errors import InputError
from evenbeat.figures.labels import Label, name_lines
from evenbeat.figures.noise_type import draw_noise_strip
from evenbeat.figures.scales import fractional_text, log_decades, log_seconds_axis, log_time_axis, plain
from evenbeat.figures.style import GREY, INK, RUST, Stroke, dressed, stroke, styled
from evenbeat.quantities import FloatArray
from evenbeat.record import Record
from evenbeat.units import duration_text, time_text

if TYPE_CHECKING:
    from matplotlib.axes import Axes

TRUSTED_SHARE = 0.2
"""Averaging times up to this share of the record are drawn in full: beyond it the equivalent degrees of
freedom fall below about three to five (common practice)."""
FLOOR_IN_SIGHT = 30.0
"""The axis is widened for a floor of the display up to this many times below the curve."""
FLOOR_LABEL_HEIGHT = 0.18
LABEL_WIDTH = 16
"""Characters in a line of a name beside the axes."""
_STRIP, _STRIP_AND_FLOOR = 0.14, 0.24
"""Share of the axes kept free at the foot for the noise types, and for the name of the floor too."""


def stability_caption(curve: StabilityCurve) -> str:
    """Return the sentence above the figure: the lowest well-known deviation and where it is."""
    known = np.isfinite(curve.deviation) & (curve.edf >= 5)
    if not known.any():
        return plain(f"No point of the {curve.title} is known well: the record is too short.")
    best = int(np.flatnonzero(known)[np.argmin(curve.deviation[known])])
    low, high = curve.confidence_interval()
    write = time_text if curve.unit == "s" else fractional_text
    return plain(
        f"The {curve.title} is lowest at {duration_text(float(curve.averaging_time_s[best]))}: "
        f"{write(float(curve.deviation[best]))} (95 % interval {write(float(low[best]))} to "
        f"{write(float(high[best]))})."
    )


def curves_caption(curves: Mapping[str, StabilityCurve]) -> str:
    """Return the sentence above a figure of several curves: which reaches the lowest well-known deviation."""
    best: tuple[float, str, float, bool] | None = None
    for name, curve in curves.items():
        known = np.flatnonzero(np.isfinite(curve.deviation) & (curve.edf >= 5))
        if len(known):
            at = int(known[np.argmin(curve.deviation[known])])
            here = (float(curve.deviation[at]), name, float(curve.averaging_time_s[at]), curve.unit == "s")
            best = here if best is None else min(best, here)
    if best is None:
        return plain(f"None of these {len(curves)} curves is known well: the records are too short.")
    lowest, name, when, in_seconds = best
    write = time_text if in_seconds else fractional_text
    reached = f"{write(lowest)} at {duration_text(when)}"
    return plain(f"Of these {len(curves)} curves \u201c{name}\u201d reaches lowest: {reached}.")


@styled
def draw_named_curves(
    ax: Axes, curves: Mapping[str, StabilityCurve], *, record: Record | None = None
) -> None:
    """Draw several deviations of the same unit, each under its own name."""
    units = {curve.unit for curve in curves.values()}
    if len(units) > 1:
        msg = "the curves have different units (seconds and none); draw them in figures of their own"
        raise InputError(msg)
    draw_stability(ax, list(curves.values()), record=record, names=list(curves))


@styled
def draw_stability(
    ax: Axes,
    curves: StabilityCurve | Sequence[StabilityCurve],
    *,
    record: Record | None = None,
    names: Sequence[str] = (),
) -> None:
    """Draw one or several deviations of the same unit.

    Parameters
    ----------
    curves, record
        Several curves of one record are named by their statistic, and the first one gives the noise types.
    names
        Of several curves; where given, no noise types are written.

    Notes
    -----
    Bands are 95 % intervals of the noise. Points beyond a fifth of the record are drawn hollow and
    pale: too few independent averages stand behind them.
    """
    shown = [curves] if isinstance(curves, StabilityCurve) else list(curves)
    dressed(ax)
    spans = [_span(curve, record) for curve in shown]
    tau = np.concatenate([curve.averaging_time_s for curve in shown])
    log_time_axis(ax, tau.min() / 1.3, tau.max() * 1.3)
    floor = _floor(shown[0], record)
    _set_range(ax, shown, floor)
    (log_seconds_axis if shown[0].unit == "s" else log_decades)(ax)
    labels = [
        _draw_curve(ax, curve, stroke(number), longest=TRUSTED_SHARE * span, name=name)
        for number, (curve, span, name) in enumerate(
            zip(shown, spans, names or [""] * len(shown), strict=True)
        )
    ]
    if floor is not None:
        _draw_floor(ax, shown[0], floor)
    if max(spans) <= min(spans) * 1.01:
        _draw_trusted_end(ax, TRUSTED_SHARE * spans[0])
    if not names:
        draw_noise_strip(ax, shown[0])
    ax.set_xlabel(r"averaging time $\tau$ [s]; bands: 95 % intervals; pale: beyond a fifth of the record")
    unit = "" if shown[0].unit == "s" else " [1]"  # time errors carry their unit at every tick
    titles = {curve.title for curve in shown}
    ax.set_ylabel((titles.pop() if len(titles) == 1 else "deviation of fractional frequency") + unit)
    if len(labels) > 1:
        name_lines(ax, labels)


def _span(curve: StabilityCurve, record: Record | None) -> float:
    if record is not None:
        return record.duration_s
    factor = np.asarray(curve.averaging_factor, dtype=float)
    # overlapping terms at factor m number about n - 2m, so n follows from the first point
    return float(curve.terms[0] + 2 * factor[0]) * curve.interval_s


def _set_range(ax: Axes, curves: Sequence[StabilityCurve], floor: FloatArray | None) -> None:
    """Choose decades by what is drawn; the widest intervals may run out of the axes."""
    seen: list[FloatArray] = []
    for curve in curves:
        below, above = curve.confidence_interval()
        seen += [
            curve.deviation,
            np.maximum(below, curve.deviation / 3),
            np.minimum(above, curve.deviation * 6),
        ]
    every = np.concatenate(seen)
    every = every[np.isfinite(every) & (every > 0)]
    low, high = (float(every.min()), float(every.max())) if len(every) else (0.1, 10.0)
    strip = _STRIP
    if floor is not None and high > floor[0] > low / FLOOR_IN_SIGHT:
        low, strip = min(low, float(floor[0]) / 2), _STRIP_AND_FLOOR
    ax.set_yscale("log")
    room = max(math.log10(high / low), 1.0) * strip / (1 - strip)
    ax.set_ylim(low / 10 ** (room + 0.08), high * 1.3)


def _draw_curve(ax: Axes, curve: StabilityCurve, look: Stroke, *, longest: float, name: str) -> Label:
    tau, deviation = curve.averaging_time_s, curve.deviation
    low, high = curve.confidence_interval()
    trusted = tau <= longest * (1 + 1e-9)
    # the pale part starts at the last trusted point, so that the line is not broken
    last = np.flatnonzero(trusted)[-1] if trusted.any() else 0
    beyond = np.arange(len(tau)) >= last
    every = max(1, len(tau) // 18)
    ax.fill_between(tau, low, high, where=trusted, color=look.colour, alpha=0.22, linewidth=0)
    ax.fill_between(tau, low, high, where=beyond, color=look.colour, alpha=0.08, linewidth=0)
    ax.plot(
        tau[trusted],
        deviation[trusted],
        color=look.colour,
        linestyle=look.line,
        marker=look.marker,
        markevery=every,
        label=name or curve.title,
    )
    if (~trusted).any():
        ax.plot(
            tau[beyond],
            deviation[beyond],
            color=look.colour,
            linestyle=look.line,
            alpha=0.45,
            linewidth=1.0,
            marker=look.marker,
            markerfacecolor="white",
            markevery=every,
        )
    end = int(np.flatnonzero(np.isfinite(deviation))[-1]) if np.isfinite(deviation).any() else 0
    text = textwrap.fill(name, LABEL_WIDTH) or (
        curve.title.replace(" deviation", "")
        .replace("overlapping ", "overlapping\n")
        .replace("modified ", "modified\n")
    )
    return Label(x=float(tau[end]), y=float(deviation[end]), text=text, colour=look.colour)


def _draw_trusted_end(ax: Axes, longest: float) -> None:
    low, high = ax.get_xlim()
    if low < longest < high:
        ax.axvline(longest, color=GREY, linewidth=0.7, linestyle=(0, (1, 2)))


def _floor(curve: StabilityCurve, record: Record | None) -> FloatArray | None:
    if record is None or curve.statistic not in ("allan", "overlapping_allan"):
        return None
    return resolution_floor(record, curve.averaging_time_s)


def _draw_floor(ax: Axes, curve: StabilityCurve, floor: FloatArray) -> None:
    tau = curve.averaging_time_s
    low, high = ax.get_ylim()
    ax.plot(tau, floor, color=INK, linewidth=1.0, linestyle=(0, (1, 1.5)), label="floor of the display")
    nearest = float(np.nanmin(curve.deviation / floor))
    limiting = nearest < 2
    # beside the middle of the line where it limits, else just above the strip of noise types
    height = 0.5 * (math.log(max(floor[-1], low)) + math.log(min(floor[0], high)))
    if not limiting:
        height = math.log(low) + FLOOR_LABEL_HEIGHT * math.log(high / low)
    if not math.log(low) < height < math.log(high):
        return
    at = int(np.argmin(np.abs(np.log(floor) - height)))
    ax.annotate(
        _floor_name(nearest),
        xy=(float(tau[at]), float(floor[at])),
        xytext=(-5, -2) if limiting else (6, 0),
        textcoords="offset points",
        ha="right" if limiting else "left",
        va="top" if limiting else "center",
        fontsize=7.5,
        color=RUST if limiting else INK,
    )


def _floor_name(nearest: float) -> str:
    """Return what to call the floor where the curve comes as near to it as this ratio."""
    if nearest < 0.9:
        return "floor of the display; below it the\nreadings stand still on one step"
    return "floor of the display,\nwhich limits here" if nearest < 2 else "floor of the display"


def resolution_floor(record: Record, averaging_time_s: npt.ArrayLike) -> FloatArray | None:
    """Return the Allan deviation that the step of the display alone would give, or ``None`` if unknown.

    Notes
    -----
    A step q that the readings wander over evenly adds noise of standard deviation q/√12 to each: white
    FM q/√12 · √(gate/τ) to frequencies, white PM and so q/(2τ) to time errors. Not valid where the
    reading stays within one step: then the display hides the oscillator.
    """
    if record.resolution is None:
        return None
    tau = np.asarray(averaging_time_s, dtype=float)
    if record.kind == "phase":
        return record.resolution / (2 * tau)
    gate = record.gate_s or record.interval_s
    return record.resolution / math.sqrt(12) * np.sqrt(gate / tau)
